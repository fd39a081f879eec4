"""Practice of a phrase and its twin, laid out in beats: phrase, rest, then the twin with the other posture.

For every tempo of the ladder: a bar of count-in, the phrase as often as fills its seconds, a bar of rest with a cue for
the switch, the twin likewise. The click goes on through rests, softly and without accents; in the play these fall on
the phrase's bar lines, and the last bar before a switch is announced. Tracks, MIDI file and live page all sound by
:func:`sound_beats`. A pickup comes before the beat on which the bar begins. A section takes whole beats: where the
repeats end between two, the rest counts from the next beat on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from analysis.drills.notes import Phrase, Sounding
from analysis.model.errors import InputError

SECTION_S = 15.0
"""Seconds of play before a switch, at least: time to settle, and still fresh (the author's choice)."""
MAX_PRACTICE_MINUTES = 120.0

BeatSound = Literal["accent", "plain", "rest", "announce", "announce first"]
"""How a beat of the click sounds; ``announce``: another phrase or posture comes next."""


@dataclass(frozen=True)
class PracticeForm:
    """How a phrase and its twin are practised.

    Attributes
    ----------
    tempi_bpm : tuple of float
        The ladder of tempi, in the order of play: the player's own.
    notes_per_beat : Fraction
        Units of the phrase on each beat.
    section_s : float
        Seconds of play in each section, at least; whole passes.
    repeats : int or None
        Passes in each section, where they are to be counted instead.
    rest_beats, count_in_beats : int or None
        None: one bar.
    beats_per_bar : int
    postures : (str, str)
        The player's labels for the posture of the phrase and of the twin.
    """

    tempi_bpm: tuple[float, ...]
    notes_per_beat: Fraction = Fraction(4)
    section_s: float = SECTION_S
    repeats: int | None = None
    rest_beats: int | None = None
    count_in_beats: int | None = None
    beats_per_bar: int = 4
    postures: tuple[str, str] = ("A", "B")

    def __post_init__(self) -> None:
        if not self.tempi_bpm or not all(20 <= tempo <= 400 for tempo in self.tempi_bpm):
            raise InputError(
                "Tempi must be 20 to 400 BPM, at least one",
                found=f"{list(self.tempi_bpm)}.",
            )
        if not (Fraction(1, 4) <= self.notes_per_beat <= 32 and self.notes_per_beat.denominator <= 8):
            raise InputError(
                "Notes per beat must be a fraction from 1/4 to 32",
                found=f"{self.notes_per_beat}.",
            )
        bounds = {"repeats": (1, 256), "rest_beats": (0, 64), "count_in_beats": (0, 64), "beats_per_bar": (1, 64)}
        for name, (low, high) in bounds.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise InputError(
                    f"{name} must be {low} to {high}",
                    found=f"{value}.",
                )
        if not 1 <= self.section_s <= 3600:
            raise InputError(
                "A section lasts 1 to 3600 seconds",
                found=f"{self.section_s:g}.",
            )

    @property
    def rest(self) -> int:
        """Beats of rest after each section."""
        return self.beats_per_bar if self.rest_beats is None else self.rest_beats

    @property
    def count_in(self) -> int:
        """Beats of count-in for each tempo."""
        return self.beats_per_bar if self.count_in_beats is None else self.count_in_beats

    def passes(self, phrase: Phrase, tempo_bpm: float) -> int:
        """How often a phrase is played at a tempo; one that does not loop is played once, unless passes are counted.

        Parameters
        ----------
        phrase : Phrase
        tempo_bpm : float

        Returns
        -------
        int
        """
        if self.repeats is not None:
            return self.repeats
        if not phrase.loops:
            return 1
        pass_s = float(phrase.pass_units / self.notes_per_beat) * 60 / tempo_bpm
        return min(max(1, math.ceil(self.section_s / pass_s - 1e-9)), 256)


@dataclass(frozen=True)
class Section:
    """One stretch of play: one phrase, posture and tempo. Beats count from the start of the practice.

    Attributes
    ----------
    phrase : Phrase
    posture : str
    tempo_bpm : float
    start_beat : int
        Without the count-in.
    repeats : int
        Passes through the phrase.
    """

    phrase: Phrase
    posture: str
    tempo_bpm: float
    start_beat: int
    repeats: int

    @property
    def note_count(self) -> int:
        """Strokes of the lead and all repeats."""
        return self.phrase.stroke_count(self.repeats)

    @property
    def units(self) -> Fraction:
        """How long the play lasts, in units of the phrase."""
        return self.phrase.lead_units + self.repeats * self.phrase.pass_units

    def first_beat(self, notes_per_beat: Fraction) -> Fraction:
        """Return the beat at which the lead, or without one the phrase, begins: its bar begins on a whole beat.

        Parameters
        ----------
        notes_per_beat : Fraction

        Returns
        -------
        Fraction
        """
        lead = self.phrase.lead_units / notes_per_beat
        return self.start_beat + math.ceil(lead) - lead


@dataclass(frozen=True)
class Practice:
    """The whole form in beats.

    Attributes
    ----------
    form : PracticeForm
    sections : tuple of Section
        In order of play.
    tempo_changes : tuple of (int, float)
        Beat and tempo in BPM.
    clicks : tuple of (int, BeatSound)
        Beat and how it sounds.
    cues : tuple of int
        Beats on which the cue to switch sounds.
    end_beat : int
    """

    form: PracticeForm
    sections: tuple[Section, ...]
    tempo_changes: tuple[tuple[int, float], ...]
    clicks: tuple[tuple[int, BeatSound], ...]
    cues: tuple[int, ...]
    end_beat: int

    def sounds(self, section: Section) -> list[Sounding]:
        """Return all that a section sounds, in beats.

        Parameters
        ----------
        section : Section

        Returns
        -------
        list of Sounding
        """
        rate = self.form.notes_per_beat
        first = section.first_beat(rate)
        played = section.phrase.sounds(section.repeats)
        return [sound._replace(start=first + sound.start / rate, length=sound.length / rate) for sound in played]

    def at_tempo(self, place: int) -> tuple[int, int]:
        """Return first beat and end of one rung of the ladder.

        Parameters
        ----------
        place : int

        Returns
        -------
        (int, int)
        """
        starts = [start for start, _ in self.tempo_changes]
        return starts[place], [*starts[1:], self.end_beat][place]

    def seconds_at(self, beat: Fraction | float) -> float:
        """Return the time of a beat, with the whole microseconds per beat that a MIDI file can hold.

        Parameters
        ----------
        beat : Fraction or float

        Returns
        -------
        float
        """
        seconds = 0.0
        starts = [start for start, _ in self.tempo_changes]
        for (start, tempo), stop in zip(self.tempo_changes, [*starts[1:], math.inf], strict=True):
            if beat <= start:
                break
            seconds += float(min(beat, stop) - start) * microseconds_per_beat(tempo) / 1e6
        return seconds


def microseconds_per_beat(tempo_bpm: float) -> int:
    """Return a tempo as the whole microseconds per beat that a MIDI file holds.

    Parameters
    ----------
    tempo_bpm : float
        Above 0.

    Returns
    -------
    int
    """
    return round(60e6 / tempo_bpm)


def tempo_ladder(first_bpm: float, last_bpm: float, step_bpm: float) -> tuple[float, ...]:
    """Return the tempi from the first to the last, both included where the step hits it.

    Parameters
    ----------
    first_bpm, last_bpm : float
    step_bpm : float
        Negative where the tempi fall.

    Returns
    -------
    tuple of float
        BPM.

    Raises
    ------
    InputError
        If the step does not lead from the first tempo to the last within 100 rungs.

    Examples
    --------
    >>> tempo_ladder(84, 104, 8)
    (84.0, 92.0, 100.0)
    """
    if not (math.isfinite(first_bpm) and math.isfinite(last_bpm) and math.isfinite(step_bpm)):
        raise InputError("A ladder's tempi must be numbers.")
    if first_bpm == last_bpm:
        return (float(first_bpm),)
    rungs = (last_bpm - first_bpm) / step_bpm if step_bpm else math.inf
    if not 0 <= rungs < 100:
        other = f"steps of {-step_bpm:g} BPM, or swap the tempi" if rungs < 0 else "larger steps"
        raise InputError(
            expected=f"steps that lead from {first_bpm:g} to {last_bpm:g} BPM in fewer than 100",
            found=f"steps of {step_bpm:g} BPM",
            next_step=f"take {other}",
        )
    return tuple(float(first_bpm + k * step_bpm) for k in range(math.floor(rungs + 1e-9) + 1))


def lay_out(phrase: Phrase, twin: Phrase, form: PracticeForm) -> Practice:
    """Lay phrase and twin out in beats, at every tempo of the ladder.

    Parameters
    ----------
    phrase, twin : Phrase
        Played by turns.
    form : PracticeForm
        Tempi, click, rests and postures.

    Returns
    -------
    Practice

    Raises
    ------
    InputError
        If the practice would last longer than two hours.
    """
    sections: list[Section] = []
    clicks: list[tuple[int, BeatSound]] = []
    changes: list[tuple[int, float]] = []
    cues: list[int] = []
    beat = 0
    pair = tuple(zip((phrase, twin), form.postures, strict=True))
    for tempo in form.tempi_bpm:
        changes.append((beat, tempo))
        for place, (each, posture) in enumerate(pair):
            count_in = 0 if place else form.count_in
            section = Section(each, posture, tempo, beat + count_in, form.passes(each, tempo))
            played = section_beats(each, section.repeats, form.notes_per_beat)
            last = place == 1 and tempo == form.tempi_bpm[-1]
            beats = SectionBeats(count_in, played, form.rest, pickup_beats(each, form.notes_per_beat), not last)
            clicks += [(beat + k, sound) for k, sound in enumerate(sound_beats(beats, form.beats_per_bar))]
            cues += [] if beats.cue is None else [beat + beats.cue]
            sections.append(section)
            beat += beats.total
    practice = Practice(form, tuple(sections), tuple(changes), tuple(clicks), tuple(cues), beat)
    minutes = practice.seconds_at(beat) / 60
    if minutes > MAX_PRACTICE_MINUTES:
        raise InputError(
            f"This practice would last {minutes:.0f} minutes",
            next_step=f"keep it under {MAX_PRACTICE_MINUTES:.0f}: fewer tempi, repeats or notes.",
        )
    return practice


def section_beats(phrase: Phrase, repeats: int, notes_per_beat: Fraction) -> int:
    """Return the whole beats that a phrase takes with its lead.

    Parameters
    ----------
    phrase : Phrase
    repeats : int
        How often it is played after the lead.
    notes_per_beat : Fraction

    Returns
    -------
    int
    """
    return pickup_beats(phrase, notes_per_beat) + math.ceil(repeats * phrase.pass_units / notes_per_beat)


def pickup_beats(phrase: Phrase, notes_per_beat: Fraction) -> int:
    """Whole beats of play before the phrase's first bar line, which is on a beat.

    Parameters
    ----------
    phrase : Phrase
    notes_per_beat : Fraction

    Returns
    -------
    int
        0 without a pickup.
    """
    return math.ceil(phrase.lead_units / notes_per_beat)


@dataclass(frozen=True)
class SectionBeats:
    """The beats of one stretch of play: count-in, play, rest.

    Attributes
    ----------
    count_in : int
    play : int or None
        None where the player ends it.
    rest : int
    pickup : int
        Beats of the play before its first bar line.
    switch : bool
        Whether another phrase or posture comes next.
    """

    count_in: int
    play: int | None
    rest: int = 0
    pickup: int = 0
    switch: bool = False

    @property
    def total(self) -> int:
        """All beats; of an open stretch the count-in alone."""
        return self.count_in + (0 if self.play is None else self.play + self.rest)

    @property
    def cue(self) -> int | None:
        """Beat of the cue to switch: the first of the rest, or without one the last of the play; None for no switch."""
        if not self.switch or self.play is None:
            return None
        return self.count_in + self.play - (0 if self.rest else 1)


def sound_beats(beats: SectionBeats, beats_per_bar: int) -> tuple[BeatSound, ...]:
    """How each beat of a stretch sounds; of an open one count-in, pickup and one bar, which goes on.

    Parameters
    ----------
    beats : SectionBeats
    beats_per_bar : int

    Returns
    -------
    tuple of BeatSound

    Examples
    --------
    >>> sound_beats(SectionBeats(2, 4, 1, switch=True), 2)
    ('accent', 'plain', 'accent', 'plain', 'announce first', 'announce', 'rest')
    """

    def bar(k: int) -> BeatSound:
        return "accent" if k % beats_per_bar == 0 else "plain"

    sounds = [bar(k) for k in range(beats.count_in)]
    play = beats.pickup + beats_per_bar if beats.play is None else beats.play
    played = [bar(k - beats.pickup) for k in range(play)]
    if beats.switch and beats.play is not None:
        first = max(0, play - beats_per_bar)
        for k in range(first, play):
            played[k] = "announce first" if k == first or played[k] == "accent" else "announce"
    rest: list[BeatSound] = ["rest"] * (0 if beats.play is None else beats.rest)
    return (*sounds, *played, *rest)


def read_notes_per_beat(text: str) -> Fraction:
    """Read notes per beat: a whole number, a decimal (1.5) or a fraction (3/2).

    Parameters
    ----------
    text : str

    Returns
    -------
    Fraction

    Raises
    ------
    InputError
        It is none of these.
    """
    try:
        return Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise InputError(
            f"Cannot read {text!r} as notes per beat",
            next_step="write 4, 1.5 or 3/2.",
        ) from None
