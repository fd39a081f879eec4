"""What a player can do: the hold tempo of each posture and phrase, the size that still clears, switches, the load.

An evening is reduced to a few numbers; what was known before is carried on by the staircase of
:mod:`analysis.questions.staircase`, a little less sure for the time between.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import numpy as np

from analysis.questions.staircase import BayesStaircase, HoldEstimate, start_staircase

UNKNOWN_SD, OVERNIGHT_SD, LEAST_SD = 0.25, 0.05, 0.01
"""Of the logarithm of the hold tempo: before anything is known, what a day adds, the surest (own choices)."""
KEPT_EVENINGS = 60
USUAL_EVENINGS = 4


@dataclass(frozen=True)
class Burst:
    """A block of one posture: its tempo, strokes that held the side outside the dead band, strokes.

    Attributes
    ----------
    tempo_bpm : float
    held : int
    strokes : int
    """

    tempo_bpm: float
    held: int
    strokes: int


@dataclass(frozen=True)
class PlayedPosture:
    """One posture and phrase tonight; ``smallest`` that still clears, as a share of ``span_mm``; None: unknown.

    Attributes
    ----------
    posture : str
    drill : str
    notes_per_beat : float
    wanted : str
        The stroke that is to clear; empty where none is.
    bursts : tuple of Burst
        One a block.
    span_mm : float
    smallest : float or None
    """

    posture: str
    drill: str
    notes_per_beat: float
    wanted: str
    bursts: tuple[Burst, ...]
    span_mm: float
    smallest: float | None = None


@dataclass(frozen=True)
class PlayedSwitch:
    """Switches of one direction at one tempo tonight.

    Attributes
    ----------
    from_posture : str
    to_posture : str
    tempo_bpm : float
    made, of : int
        So many of so many.
    """

    from_posture: str
    to_posture: str
    tempo_bpm: float
    made: int
    of: int


@dataclass(frozen=True)
class Evening:
    """One session, reduced. ``worry`` is a sentence, empty without one; ``hurt``: discomfort was reported.

    ``day`` is when it was played, as 2026-11-26, by this computer's calendar; empty where the log does not tell.

    Attributes
    ----------
    log_hash : str
        SHA-256 of the session's file.
    minutes : float
        Of play.
    worry : str
    hurt : bool
    postures : tuple of PlayedPosture
    switches : tuple of PlayedSwitch
    day : str
    """

    log_hash: str
    minutes: float
    worry: str = ""
    hurt: bool = False
    postures: tuple[PlayedPosture, ...] = ()
    switches: tuple[PlayedSwitch, ...] = ()
    day: str = ""


@dataclass(frozen=True)
class PostureAbility:
    """One posture and phrase, as last played.

    Attributes
    ----------
    hold_bpm, sd : float
        Hold tempo and standard deviation of its logarithm.
    held_bpm : float or None
        Fastest block of the last evening that held; None where none did.
    slowest_bpm : float
        Slowest block of that evening.
    next_bpm : float
        The staircase's next tempo: at most one rung above ``held_bpm``, below ``slowest_bpm`` where nothing held.
    """

    posture: str
    drill: str
    notes_per_beat: float
    wanted: str
    hold_bpm: float
    sd: float
    held_bpm: float | None
    slowest_bpm: float
    next_bpm: float
    span_mm: float
    smallest: float | None

    @property
    def strokes_per_s(self) -> float:
        """Hold tempo in strokes a second."""
        return self.hold_bpm * self.notes_per_beat / 60


@dataclass(frozen=True)
class Ability:
    """What one player can do, and the evenings it is known from, the newest last.

    Attributes
    ----------
    postures : tuple of PostureAbility
    switches : tuple of PlayedSwitch
    evenings : tuple of Evening
    """

    postures: tuple[PostureAbility, ...] = ()
    switches: tuple[PlayedSwitch, ...] = ()
    evenings: tuple[Evening, ...] = field(default=())

    @property
    def usual_min(self) -> float:
        """Median minutes of play of the last four evenings."""
        return float(np.median([evening.minutes for evening in self.evenings[-USUAL_EVENINGS:]]))

    def after(self, evening: Evening) -> Ability:
        """What is known after one more evening; the same evening twice changes nothing.

        One that was played before others that are known already takes its place among them.

        Parameters
        ----------
        evening : Evening

        Returns
        -------
        Ability
        """
        if any(known.log_hash == evening.log_hash for known in self.evenings if known.log_hash):
            return self
        if evening.day and any(known.day > evening.day for known in self.evenings):
            place = next(k for k, known in enumerate(self.evenings) if known.day > evening.day)
            again = Ability()
            for each in (*self.evenings[:place], evening, *self.evenings[place:]):
                again = again.after(each)
            return again
        passed = 1 if not self.evenings else days_between(self.evenings[-1].day, evening.day) or 1
        postures = {(p.posture, p.drill): p for p in self.postures}
        for played in evening.postures:
            key = (played.posture, played.drill)
            postures.pop(key, None)
            before = next((p for p in self.postures if (p.posture, p.drill) == key), None)
            postures[key] = _learn(before, played, passed)
        switches = {(s.from_posture, s.to_posture): s for s in self.switches}
        tonight = {(s.from_posture, s.to_posture): s for s in sorted(evening.switches, key=lambda s: s.tempo_bpm)}
        return Ability(
            tuple(postures.values()),
            tuple((switches | tonight).values()),
            (*self.evenings, evening)[-KEPT_EVENINGS:],
        )


def days_between(before: str, after: str) -> int | None:
    """Days from one day to another, both as 2026-11-26; None where one is not known.

    Examples
    --------
    >>> days_between("2026-11-26", "2026-12-03")
    7
    """
    return (date.fromisoformat(after) - date.fromisoformat(before)).days if before and after else None


def _learn(before: PostureAbility | None, played: PlayedPosture, days: int) -> PostureAbility:
    tempi = [burst.tempo_bpm for burst in played.bursts]
    if before is None or before.notes_per_beat != played.notes_per_beat:
        staircase = start_staircase(float(np.median(tempi)), UNKNOWN_SD)
    else:
        staircase = start_staircase(
            before.hold_bpm, min(UNKNOWN_SD, float(np.hypot(before.sd, OVERNIGHT_SD * np.sqrt(days))))
        )
    for burst in played.bursts:
        staircase = staircase.tell(burst.tempo_bpm, burst.held, burst.strokes)
    estimate: HoldEstimate = staircase.estimate
    return PostureAbility(
        posture=played.posture,
        drill=played.drill,
        notes_per_beat=played.notes_per_beat,
        wanted=played.wanted,
        hold_bpm=estimate.tempo,
        sd=min(UNKNOWN_SD, max(LEAST_SD, estimate.sd)),
        held_bpm=_held_bpm(staircase),
        slowest_bpm=min(tempi),
        next_bpm=staircase.next_tempo,
        span_mm=played.span_mm,
        smallest=played.smallest,
    )


def _held_bpm(staircase: BayesStaircase) -> float | None:
    return None if staircase.held is None else float(np.exp(staircase.held))
