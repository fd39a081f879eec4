"""Switches of posture within a practice: made, missed, lost again by accident; how fast, where, and whether they tire.

Each posture's level is the median over its blocks' median tilts; a stroke belongs to the posture whose level lies
nearer. A switch is the start of a block in another posture than the block right before it. It is *made* with the first
of four strokes in a row that belong to the new posture, if that is one of the first sixteen; else it is *missed*. It is
*lost by accident* if, once made, three strokes or more in a row belong to the old one again. Blocks whose tilt changes
by groups (:mod:`analysis.stroke.mixed_play`) also tell how often it changed inside them.

Shares carry Wilson's interval; fatigue is the share made in the evening's first half less that in its second, with
Newcombe's (:mod:`analysis.statistics.proportions`).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import BlockSummary, BoolArray, FloatArray, SessionResult
from analysis.questions.block_table import steady_strokes
from analysis.statistics.proportions import Proportion, newcombe_difference, wilson

FEWEST_SWITCHES = 4


@dataclass(frozen=True)
class SwitchSettings:
    """When a switch counts; own choices.

    Attributes
    ----------
    holds : int
        Strokes in a row after which the new tilt holds.
    within : int
        Strokes by which they must have begun.
    lost : int
        Strokes in a row of the old posture that are an accident.
    most_rest_s : float
        Longest rest across which a change is a switch and not a fresh start.
    apart_sd : float
        How far the two levels lie apart at least, in standard deviations of a block's strokes.
    """

    holds: int = 4
    within: int = 16
    lost: int = 3
    most_rest_s: float = 10.0
    apart_sd: float = 3.0


@dataclass(frozen=True)
class SwitchTry:
    """One switch.

    ``minute`` from the start of play; ``strokes`` before the new tilt holds, None where it was missed; ``lost``: the
    old tilt came back by accident. ``tempo_bpm`` is the new block's.
    """

    block: int
    minute: float
    from_posture: str
    to_posture: str
    tempo_bpm: float | None
    strokes: int | None
    lost: bool

    @property
    def made(self) -> bool:
        """Whether the new tilt came to hold."""
        return self.strokes is not None


@dataclass(frozen=True)
class SwitchGroup:
    """Switches of one direction and tempo: shares made, and of those made lost by accident; median strokes."""

    from_posture: str
    to_posture: str
    tempo_bpm: float | None
    made: Proportion
    lost: Proportion
    median_strokes: float | None


@dataclass(frozen=True)
class SwitchFatigue:
    """Made in the first half and in the second; ``low`` and ``high`` of first less second, 95 %."""

    first: Proportion
    second: Proportion
    low: float
    high: float

    @property
    def verdict(self) -> str:
        """``tires``, ``improves``, or ``not shown``."""
        return "tires" if self.low > 0 else "improves" if self.high < 0 else "not shown"


@dataclass(frozen=True)
class SwitchSuccess:
    """The switches of one session.

    ``changes_inside`` counts changes of tilt by groups inside single blocks; ``untold`` switches between postures whose
    tilts are too much alike, or with too few strokes.

    Attributes
    ----------
    tries : tuple of SwitchTry
        One a switch, in order.
    groups : tuple of SwitchGroup
        By direction and tempo.
    made, lost : Proportion
        Of all switches those made; of these, those lost again by accident.
    median_strokes : float or None
        Strokes until the new tilt holds; None where none was made.
    fatigue : SwitchFatigue or None
        Whether they tire; None where that cannot be told.
    changes_inside : int
    untold : int
    """

    tries: tuple[SwitchTry, ...]
    groups: tuple[SwitchGroup, ...]
    made: Proportion
    lost: Proportion
    median_strokes: float | None
    fatigue: SwitchFatigue | None
    changes_inside: int
    untold: int


@dataclass(frozen=True)
class _Block:
    summary: BlockSummary
    tilt_deg: FloatArray
    start_s: float
    end_s: float


def measure_switches(result: SessionResult, settings: SwitchSettings | None = None) -> SwitchSuccess:
    """Judge every switch of a session.

    Parameters
    ----------
    result : SessionResult
    settings : SwitchSettings, optional

    Returns
    -------
    SwitchSuccess

    Raises
    ------
    NotEnoughDataError
        Fewer than four switches that can be told.
    """
    settings = settings or SwitchSettings()
    blocks = _blocks(result, settings)
    levels, scatter = _levels(blocks)
    tries, untold = [], 0
    for before, after in itertools.pairwise(blocks):
        if not _is_switch(before, after, settings):
            continue
        old, new = levels[before.summary.posture], levels[after.summary.posture]
        if abs(new - old) < settings.apart_sd * scatter:
            untold += 1
            continue
        tries.append(_judge(before, after, (old, new), (after.start_s - blocks[0].start_s) / 60, settings))
    if len(tries) < FEWEST_SWITCHES:
        alike = f", and {untold} between postures that tilt alike" if untold else ""
        raise NotEnoughDataError(
            expected=f"{FEWEST_SWITCHES} switches of posture or more",
            found=f"{len(tries)}{alike}",
            next_step="play both postures in turn, with a bar of rest in between",
        )
    return SwitchSuccess(
        tries=tuple(tries),
        groups=_grouped(tries),
        made=_made(tries),
        lost=_lost(tries),
        median_strokes=_median_strokes(tries),
        fatigue=_fatigue(tries),
        changes_inside=sum(sum(group.runs for group in b.summary.groups) - 1 for b in blocks if b.summary.groups),
        untold=untold,
    )


def _blocks(result: SessionResult, settings: SwitchSettings) -> list[_Block]:
    found = []
    for index, strokes in steady_strokes([result]).groupby("block", sort=True):
        if len(strokes) >= 2 * settings.holds:
            tilt = strokes["tilt_deg"].to_numpy(np.float64)
            ends = float(strokes["start_s"].iloc[0]), float(strokes["end_s"].iloc[-1])
            found.append(_Block(result.blocks[int(str(index))], tilt, *ends))
    return found


def _levels(blocks: list[_Block]) -> tuple[dict[str, float], float]:
    """Each posture's level, and the scatter of strokes within a block (from the median deviation, for slips)."""
    medians: dict[str, list[float]] = {}
    deviations = []
    for block in blocks:
        middle = float(np.median(block.tilt_deg))
        medians.setdefault(block.summary.posture, []).append(middle)
        deviations.append(1.4826 * float(np.median(np.abs(block.tilt_deg - middle))))
    return {name: float(np.median(all_)) for name, all_ in medians.items()}, float(np.median(deviations or [0.0]))


def _is_switch(before: _Block, after: _Block, settings: SwitchSettings) -> bool:
    near = after.summary.index == before.summary.index + 1 and after.start_s - before.end_s <= settings.most_rest_s
    return near and before.summary.posture != after.summary.posture


def _judge(
    before: _Block, after: _Block, levels: tuple[float, float], minute: float, settings: SwitchSettings
) -> SwitchTry:
    old, new = levels
    arrived = np.abs(after.tilt_deg - new) < np.abs(after.tilt_deg - old)
    runs = np.convolve(arrived, np.ones(settings.holds), mode="valid") > settings.holds - 0.5
    there = np.flatnonzero(runs[: settings.within])
    strokes = int(there[0]) if there.size else None
    lost = strokes is not None and _longest_run(~arrived[strokes:]) >= settings.lost
    return SwitchTry(
        after.summary.index,
        minute,
        before.summary.posture,
        after.summary.posture,
        after.summary.tempo_bpm,
        strokes,
        lost,
    )


def _longest_run(flags: BoolArray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _grouped(tries: list[SwitchTry]) -> tuple[SwitchGroup, ...]:
    keys = {(t.from_posture, t.to_posture, t.tempo_bpm): None for t in tries}
    found = []
    for key in sorted(keys, key=lambda k: (k[0], k[1], k[2] or 0.0)):
        own = [t for t in tries if (t.from_posture, t.to_posture, t.tempo_bpm) == key]
        found.append(SwitchGroup(*key, _made(own), _lost(own), _median_strokes(own)))
    return tuple(found)


def _made(tries: Iterable[SwitchTry]) -> Proportion:
    flags = [t.made for t in tries]
    return wilson(sum(flags), len(flags))


def _lost(tries: Iterable[SwitchTry]) -> Proportion:
    flags = [t.lost for t in tries if t.made]
    return wilson(sum(flags), len(flags))


def _median_strokes(tries: Iterable[SwitchTry]) -> float | None:
    counts = [t.strokes for t in tries if t.strokes is not None]
    return float(np.median(counts)) if counts else None


def _fatigue(tries: list[SwitchTry]) -> SwitchFatigue | None:
    """First half against the second; from eight switches on."""
    half = len(tries) // 2
    if half < FEWEST_SWITCHES:
        return None
    first, second = _made(tries[:half]), _made(tries[half:])
    return SwitchFatigue(first, second, *newcombe_difference(first, second))
