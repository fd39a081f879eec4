"""The usual form of practice, laid out in beats: a phrase, one beat of rest, then its twin with the other posture.

For every tempo of the ladder: a count-in, the phrase four times, one beat of rest, the twin four times with the other
posture, one beat of rest. The click goes on through rests; its accents start afresh with every section. A section
starts on a beat: where the repeats end between two beats, the rest counts from the next beat on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from analysis.drills.phrases import Phrase
from analysis.model.errors import InputError

USUAL_TEMPO_BPM = 100.0
"""A usual first tempo (common practice, no source)."""

MAX_PRACTICE_MINUTES = 120.0


@dataclass(frozen=True)
class PracticeForm:
    """How a phrase and its twin are practised.

    Attributes
    ----------
    tempi_bpm : tuple of float
        The ladder of tempi, in the order of play.
    notes_per_beat : Fraction
    repeats, rest_beats, count_in_beats, beats_per_bar : int
    postures : (str, str)
        The player's labels for the posture of the phrase and of the twin.
    """

    tempi_bpm: tuple[float, ...] = (USUAL_TEMPO_BPM,)
    notes_per_beat: Fraction = Fraction(4)
    repeats: int = 4
    rest_beats: int = 1
    count_in_beats: int = 4
    beats_per_bar: int = 4
    postures: tuple[str, str] = ("A", "B")

    def __post_init__(self) -> None:
        if not self.tempi_bpm or not all(20 <= tempo <= 400 for tempo in self.tempi_bpm):
            raise InputError(f"Tempi must be 20 to 400 BPM, at least one; found {list(self.tempi_bpm)}.")
        if not (Fraction(1, 4) <= self.notes_per_beat <= 32 and self.notes_per_beat.denominator <= 8):
            raise InputError(f"Notes per beat must be a fraction from 1/4 to 32; found {self.notes_per_beat}.")
        bounds = {"repeats": (1, 256), "rest_beats": (0, 64), "count_in_beats": (0, 64), "beats_per_bar": (1, 64)}
        for name, (low, high) in bounds.items():
            if not low <= getattr(self, name) <= high:
                raise InputError(f"{name} must be {low} to {high}; found {getattr(self, name)}.")


@dataclass(frozen=True)
class Section:
    """One stretch of play: one phrase, posture and tempo. Beats count from the start of the practice."""

    phrase: Phrase
    posture: str
    tempo_bpm: float
    start_beat: int
    repeats: int

    @property
    def note_count(self) -> int:
        """Notes of all repeats."""
        return self.repeats * len(self.phrase.notes)


@dataclass(frozen=True)
class Practice:
    """The whole form in beats.

    Attributes
    ----------
    tempo_changes : tuple of (int, float)
        Beat and tempo in BPM.
    clicks : tuple of (int, bool)
        Beat and whether it is accented.
    end_beat : int
    """

    form: PracticeForm
    sections: tuple[Section, ...]
    tempo_changes: tuple[tuple[int, float], ...]
    clicks: tuple[tuple[int, bool], ...]
    end_beat: int

    def note_beat(self, section: Section, index: int) -> Fraction:
        """Return the beat on which a section's note starts."""
        return section.start_beat + index / self.form.notes_per_beat

    def seconds_at(self, beat: Fraction | float) -> float:
        """Return the time of a beat, with the whole microseconds per beat that a MIDI file can hold."""
        seconds = 0.0
        starts = [start for start, _ in self.tempo_changes]
        for (start, tempo), stop in zip(self.tempo_changes, [*starts[1:], math.inf], strict=True):
            if beat <= start:
                break
            seconds += float(min(beat, stop) - start) * microseconds_per_beat(tempo) / 1e6
        return seconds


def microseconds_per_beat(tempo_bpm: float) -> int:
    """Return a tempo as the whole microseconds per beat that a MIDI file holds."""
    return round(60e6 / tempo_bpm)


def tempo_ladder(first_bpm: float, last_bpm: float, step_bpm: float) -> tuple[float, ...]:
    """Return the tempi from the first to the last, both included where the step hits it.

    Raises
    ------
    InputError
        If the step does not lead from the first tempo to the last within 100 rungs.

    Examples
    --------
    >>> tempo_ladder(100, 120, 8)
    (100.0, 108.0, 116.0)
    """
    if not (math.isfinite(first_bpm) and math.isfinite(last_bpm) and math.isfinite(step_bpm)):
        raise InputError("A ladder's tempi must be numbers.")
    if first_bpm == last_bpm:
        return (float(first_bpm),)
    rungs = (last_bpm - first_bpm) / step_bpm if step_bpm else math.inf
    if not 0 <= rungs < 100:
        other = f"steps of {-step_bpm:g} BPM, or swap the tempi" if rungs < 0 else "larger steps"
        raise InputError(
            f"expected steps that lead from {first_bpm:g} to {last_bpm:g} BPM in fewer than 100, found steps of "
            f"{step_bpm:g} BPM; take {other}"
        )
    return tuple(float(first_bpm + k * step_bpm) for k in range(math.floor(rungs + 1e-9) + 1))


def lay_out(phrase: Phrase, twin: Phrase, form: PracticeForm | None = None) -> Practice:
    """Lay phrase and twin out in beats, at every tempo of the ladder.

    Raises
    ------
    InputError
        If the practice would last longer than two hours.
    """
    form = form or PracticeForm()
    sections: list[Section] = []
    clicks: list[tuple[int, bool]] = []
    changes: list[tuple[int, float]] = []
    beat = 0
    for tempo in form.tempi_bpm:
        changes.append((beat, tempo))
        clicks += _click(beat, form.count_in_beats, form.beats_per_bar)
        beat += form.count_in_beats
        for each, posture in zip((phrase, twin), form.postures, strict=True):
            section = Section(each, posture, tempo, beat, form.repeats)
            beats = math.ceil(section.note_count / form.notes_per_beat) + form.rest_beats
            sections.append(section)
            clicks += _click(beat, beats, form.beats_per_bar)
            beat += beats
    practice = Practice(form, tuple(sections), tuple(changes), tuple(clicks), beat)
    minutes = practice.seconds_at(beat) / 60
    if minutes > MAX_PRACTICE_MINUTES:
        raise InputError(
            f"This practice would last {minutes:.0f} minutes; keep it under {MAX_PRACTICE_MINUTES:.0f}: fewer tempi, "
            "repeats or notes."
        )
    return practice


def _click(start: int, beats: int, beats_per_bar: int) -> list[tuple[int, bool]]:
    """Return clicks on a number of beats, the first of each bar accented."""
    return [(start + k, k % beats_per_bar == 0) for k in range(beats)]


def read_notes_per_beat(text: str) -> Fraction:
    """Read notes per beat: a whole number, a decimal (1.5) or a fraction (3/2)."""
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(f"Cannot read {text!r} as notes per beat; write 4, 1.5 or 3/2.") from None
