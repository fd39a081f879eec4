"""One stretch of play as the guide runs it, from a block of a plan or from free play."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis.drills.phrases import find_drill
from analysis.model.errors import InputError
from analysis.model.records import Event
from logger.guide.shown import Block, Tab, Wanted
from logger.practice.plan import PlanBlock

SILENT_BAR_S = 2.0
"""What stands for a bar where there is no tempo."""


@dataclass(frozen=True)
class FreePlay:
    """What free blocks are, where there is no plan.

    Attributes
    ----------
    posture : str
    wanted : Wanted or None
    tempo_bpm : float or None
    notes_per_beat : float or None
    drill : str
    """

    posture: str = "A"
    wanted: Wanted | None = None
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""


@dataclass(frozen=True)
class Stretch:
    """A stretch of play; ``play_s`` and ``play_beats`` None: the player ends it. ``rest_s`` is the whole rest after."""

    posture: str
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""
    wanted: Wanted | None = None
    note: str = ""
    play_s: float | None = None
    play_beats: int | None = None
    count_in_beats: int = 4
    beats_per_bar: int = 4
    rest_beats: int = 0
    rest_s: float = 0.0
    pickup_beats: int = 0

    @property
    def count_in_s(self) -> float:
        """Seconds of count-in; none without a tempo."""
        return 0.0 if self.tempo_bpm is None else self.count_in_beats * 60.0 / self.tempo_bpm

    @property
    def title(self) -> str:
        """What it is, in a few words."""
        words = [f"Posture {self.posture}"] if self.posture else []
        words += [f"{self.tempo_bpm:g} BPM"] if self.tempo_bpm else []
        words += [f"{self.notes_per_beat:g} notes a beat"] if self.notes_per_beat else []
        words += [] if self.play_s is None else [f"{self.play_s:.0f} s"]
        return ", ".join(words) or "Play"

    def event(self, number: int) -> Event:
        """The event to record of it; its times are to be filled in."""
        event = Event(0.0, 0.0, "play", f"block {number}", self.posture)
        event = replace(event, tempo_bpm=self.tempo_bpm, notes_per_beat=self.notes_per_beat)
        return replace(event, drill=self.drill, wanted=self.wanted)

    @property
    def bar_s(self) -> float:
        """Seconds of a bar; two seconds without a tempo."""
        return SILENT_BAR_S if self.tempo_bpm is None else self.beats_per_bar * 60.0 / self.tempo_bpm

    def tab(self, strings: int) -> Tab | None:
        """The drill's notes over one cycle; None without a drill, or where it is only a name."""
        try:
            phrase = find_drill(self.drill, strings, {}) if self.drill else None
        except InputError:
            return None
        if phrase is None:
            return None
        lead = len(phrase.lead)
        places = range(lead + phrase.cycle_notes)
        notes = [phrase.note_at(at) for at in places]
        passes = phrase.cycle_notes // len(phrase.notes)
        lead_units = float(phrase.lead_units)
        return Tab(
            strings=tuple(note.string for note in notes),
            frets=tuple(note.fret for note in notes),
            strokes=tuple(phrase.stroke_at(at) for at in places),
            loops=phrase.loops,
            starts=tuple(phrase.onset_units(len(notes)).tolist()),
            cycle_units=float(passes * phrase.pass_units),
            lead=lead,
            lead_units=lead_units,
            before_units=max(0.0, self.pickup_beats * (self.notes_per_beat or 0.0) - lead_units),
        )

    def problem(self, strings: int) -> str:
        """Why this instrument cannot play the drill; empty where it can."""
        try:
            find_drill(self.drill, strings, {})
        except InputError as error:
            return str(error)
        return ""

    def shown(
        self, number: int, dead_band_deg: float, strings: int, times: tuple[float | None, float | None] = (None, None)
    ) -> Block:
        """As a page shows it; ``times`` are its beginning and end, where they are known."""
        return Block(
            number=number,
            posture=self.posture,
            tempo_bpm=self.tempo_bpm,
            notes_per_beat=self.notes_per_beat,
            drill=self.drill,
            wanted=self.wanted,
            target_deg=target_deg(self.wanted, dead_band_deg),
            note=self.note,
            seconds=self.play_s,
            starts_server_s=times[0],
            ends_server_s=times[1],
            tab=self.tab(strings),
        )


def planned_stretch(block: PlanBlock) -> Stretch:
    """The stretch of a plan's block."""
    beats = block.play_beats
    if beats is None and block.tempo_bpm is not None:
        beats = max(1, round(block.play_s * block.tempo_bpm / 60.0))
    return Stretch(
        posture=block.posture,
        tempo_bpm=block.tempo_bpm,
        notes_per_beat=block.notes_per_beat,
        drill=block.drill,
        wanted=block.wanted,
        note=block.note,
        play_s=block.play_s,
        play_beats=beats,
        count_in_beats=block.count_in_beats,
        beats_per_bar=block.beats_per_bar,
        rest_beats=block.rest_beats or 0,
        rest_s=block.rest_after_s,
        pickup_beats=block.pickup_beats,
    )


def free_stretch(free: FreePlay) -> Stretch:
    """The stretch of free play."""
    notes = free.notes_per_beat
    return Stretch(free.posture, free.tempo_bpm, notes, free.drill, free.wanted)


def target_deg(wanted: Wanted | None, dead_band_deg: float) -> tuple[float, float] | None:
    """The target of tilt: beyond the dead band, on the wanted side.

    Parameters
    ----------
    wanted : Wanted or None
        The stroke that is to clear.
    dead_band_deg : float
        Smallest tilt that clears.

    Returns
    -------
    (float, float) or None
        Lower and upper end, degrees; None where no stroke is wanted.

    Examples
    --------
    >>> target_deg("up", 10.8)
    (-90.0, -10.8)
    """
    if wanted is None:
        return None
    return (dead_band_deg, 90.0) if wanted == "down" else (-90.0, -dead_band_deg)
