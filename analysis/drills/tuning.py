"""Tunings, pitches and scale degrees.

Pitches are MIDI numbers (middle C, written C4, is 60). A tuning lists open strings from string 1, the top line of a
tab, to the last; as text it is spelled the other way round, as players say it: from the string that a downstroke
meets first.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.drills.notes import Note
from analysis.model.errors import InputError
from analysis.model.records import Instrument

PITCH_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "G#", "A", "Bb", "B")
_NATURAL = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_PITCH = re.compile(r"([A-G])([#b]?)(-?\d)", re.ASCII)
_ROOT = re.compile(r"([A-G])([#b]?)", re.ASCII)
_DEGREE = re.compile(r"([#b]?)([1-7])", re.ASCII)

TUNINGS: dict[str, str] = {
    "guitar": "E2 A2 D3 G3 B3 E4",
    "seven strings": "B1 E2 A2 D3 G3 B3 E4",
    "bass": "E1 A1 D2 G2",
    "mandolin": "G3 D4 A4 E5",
    "octave mandolin": "G2 D3 A3 E4",
    "tenor banjo": "C3 G3 D4 A4",
    "ukulele": "G4 C4 E4 A4",
}
"""Usual tunings, by course (common practice, no source; from memory). Any other is spelled out."""


@dataclass(frozen=True)
class Tuning:
    """Open strings as MIDI numbers, string 1 first.

    Attributes
    ----------
    open_midi : tuple of int
        MIDI numbers, string 1 first.

    Raises
    ------
    InputError
        If there is no string, or an open string is not a MIDI pitch.
    """

    open_midi: tuple[int, ...]

    def __post_init__(self) -> None:
        if not 1 <= len(self.open_midi) <= 99:
            raise InputError(
                "A tuning has 1 to 99 strings",
                found=f"{len(self.open_midi)}.",
            )
        for number, pitch in enumerate(self.open_midi, 1):
            if not 0 <= pitch <= 127:
                raise InputError(
                    f"Open string {number} would be MIDI pitch {pitch}",
                    next_step="pitches run from C-1 (0) to G9 (127).",
                )

    @property
    def strings(self) -> int:
        """Number of strings or courses."""
        return len(self.open_midi)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the open strings without octave, string 1 first."""
        return tuple(PITCH_NAMES[pitch % 12] for pitch in self.open_midi)

    @property
    def spelled(self) -> str:
        """The open strings as :func:`read_tuning` reads them, the last string first."""
        return " ".join(f"{PITCH_NAMES[pitch % 12]}{pitch // 12 - 1}" for pitch in reversed(self.open_midi))

    def with_capo(self, fret: int) -> Tuning:
        """The same strings, sounding higher by so many frets.

        Parameters
        ----------
        fret : int

        Returns
        -------
        Tuning
        """
        return Tuning(tuple(pitch + fret for pitch in self.open_midi))

    def pitch(self, note: Note) -> int:
        """Return a note's MIDI number; an open choice of fret sounds as the open string.

        Raises
        ------
        InputError
            If the note would sound above MIDI's range.

        Parameters
        ----------
        note : Note

        Returns
        -------
        int
        """
        pitch = self.open_midi[note.string - 1] + (note.fret or 0)
        if pitch > 127:
            raise InputError(
                f"Fret {note.fret} of string {note.string} would be MIDI pitch {pitch}, above G9 (127)",
                next_step="lower the fret or the tuning.",
            )
        return pitch


def read_tuning(text: str) -> Tuning:
    """Read a tuning: one of :data:`TUNINGS`' names, or pitches from the last string to string 1.

    Parameters
    ----------
    text : str
        In any case if a name.

    Returns
    -------
    Tuning

    Raises
    ------
    InputError
        Naming the pitch that cannot be read.

    Examples
    --------
    >>> read_tuning("G3 D4 A4 E5").names
    ('E', 'A', 'D', 'G')
    """
    spelled = TUNINGS.get(text.strip().lower(), text)
    words = spelled.split()
    if not words:
        raise InputError(
            "Expected a tuning such as 'E2 A2 D3 G3 B3 E4'",
            found="nothing.",
        )
    pitches = [_read_pitch(word) for word in words]
    return Tuning(tuple(reversed(pitches)))


def usual_tuning(instrument: Instrument) -> Tuning:
    """Return the usual tuning of an instrument, by its name and number of courses.

    Parameters
    ----------
    instrument : Instrument

    Returns
    -------
    Tuning

    Raises
    ------
    InputError
        If there is no usual one.

    Examples
    --------
    >>> usual_tuning(Instrument()).spelled
    'E2 A2 D3 G3 B3 E4'
    """
    name = instrument.name.lower()
    words = {"octave mandolin": "octave mandolin", "mandolin": "mandolin", "banjo": "tenor banjo", "ukulele": "ukulele"}
    words |= {"bass": "bass", "seven": "seven strings", "lap": "", "guitar": "guitar", "": "guitar"}
    known = next(tuning for word, tuning in words.items() if word in name)
    if name and "guitar" not in name and known == "guitar":
        known = ""
    tuning = read_tuning(known) if known else None
    if tuning is None or tuning.strings != instrument.courses:
        raise InputError(
            f"{instrument.name or 'the instrument'} with {instrument.courses} courses has no usual tuning here",
            next_step="spell its open strings, such as --tuning 'E2 A2 D3 G3 B3 E4'",
        )
    return tuning


def own_scale(tuning: Tuning) -> tuple[int, tuple[int, ...]]:
    """Return root and degrees of the scale that an instrument's open strings suggest.

    The root is the last string; the scale is the set of seven tones in a row of fifths that holds most of the open
    strings and, of those, lies nearest to the root's own place in the middle of the row.

    Parameters
    ----------
    tuning : Tuning

    Returns
    -------
    tuple[int, tuple[int, ...]]
        Pitch class of the root, 0 to 11, and semitones above it.

    Examples
    --------
    >>> own_scale(read_tuning("mandolin"))
    (7, (0, 2, 4, 5, 7, 9, 10))
    """
    root = tuning.open_midi[-1] % 12
    sets = []
    for before in range(7):
        # So many fifths stand before the root in the row.
        degrees = {7 * (k - before) % 12 for k in range(7)}
        held = sum((pitch - root) % 12 in degrees for pitch in tuning.open_midi)
        sets.append((-held, abs(before - 2), sorted(degrees)))
    return root, tuple(min(sets)[2])


def own_position(tuning: Tuning, root: int, degrees: Sequence[int], stretch: int) -> int:
    """Return the lowest fret, from the first to the twelfth, under which a hand has most notes of a scale.

    Parameters
    ----------
    tuning : Tuning
    root : int
        Pitch class, 0 to 11.
    degrees : sequence of int
        Semitones above the root.
    stretch : int
        Frets under the hand.

    Returns
    -------
    int
        1 to 12.

    Examples
    --------
    >>> own_position(read_tuning("guitar"), *own_scale(read_tuning("guitar")), 4)
    2
    """
    wanted = {(root + degree) % 12 for degree in degrees}

    def count(position: int) -> int:
        frets = range(position, position + stretch)
        return sum((open_midi + fret) % 12 in wanted for open_midi in tuning.open_midi for fret in frets)

    return max(range(1, 13), key=lambda position: (count(position), -position))


def frequency_hz(pitch: int) -> float:
    """Return the frequency of a MIDI number in equal temperament, A4 (69) at 440 Hz.

    References
    ----------
    ISO 16:1975, Acoustics: standard tuning frequency (standard musical pitch).
    """
    return float(440.0 * 2.0 ** ((pitch - 69) / 12))


def _read_pitch(word: str) -> int:
    """Return the MIDI number of a pitch such as F#3."""
    match = _PITCH.fullmatch(word)
    if match is None:
        raise InputError(
            f"Cannot read {word!r} in the tuning",
            next_step="write pitches such as E2 or F#3, the string that a downstroke meets first in front, or one "
            f"of: {', '.join(TUNINGS)}.",
        )
    letter, accidental, octave = match.groups()
    return _NATURAL[letter] + {"": 0, "#": 1, "b": -1}[accidental] + 12 * (int(octave) + 1)


def read_root(text: str) -> int:
    """Return the pitch class (0 to 11, C is 0) of a root such as A, Bb or F#.

    Parameters
    ----------
    text : str

    Returns
    -------
    int

    Raises
    ------
    InputError
        It is no note name.
    """
    match = _ROOT.fullmatch(text.strip())
    if match is None:
        raise InputError(
            f"Cannot read {text!r} as a root",
            next_step="write a note name such as A, Bb or F#.",
        )
    letter, accidental = match.groups()
    return (_NATURAL[letter] + {"": 0, "#": 1, "b": -1}[accidental]) % 12


def read_degrees(text: str) -> tuple[int, ...]:
    """Return semitones above the root for scale degrees counted in the major scale.

    Parameters
    ----------
    text : str
        Degrees with spaces between.

    Returns
    -------
    tuple of int
        Ascending, each once.

    Raises
    ------
    InputError
        Naming the degree that cannot be read.

    Examples
    --------
    >>> read_degrees("1 2 b3 5 6")
    (0, 2, 3, 7, 9)
    """
    semitones = set()
    for word in text.split():
        match = _DEGREE.fullmatch(word)
        if match is None:
            raise InputError(
                f"Cannot read {word!r} as a scale degree",
                next_step="write 1 to 7, with # or b in front if altered.",
            )
        accidental, degree = match.groups()
        semitones.add((_MAJOR[int(degree) - 1] + {"": 0, "#": 1, "b": -1}[accidental]) % 12)
    if len(semitones) < 2:
        raise InputError(
            "A phrase needs at least two scale degrees",
            found=f"{text!r}.",
        )
    return tuple(sorted(semitones))
