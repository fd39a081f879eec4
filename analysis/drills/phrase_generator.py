"""Original phrases that loop, lie under one hand position and demand a chosen stroke.

A phrase is drawn note by note at random from the seed; nothing is looked up. First the strings: a closed walk over
neighbouring strings, with run lengths that put every change after the wanted stroke. Then the frets: a closed walk
over the scale's notes under the hand, small intervals likelier than large ones. Both walks are drawn exactly from
their weights among all walks that close (weights carried backwards, notes drawn forwards).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.drills.phrases import MAX_FRET, Note, Phrase, make_twin
from analysis.drills.tuning import Tuning
from analysis.model.errors import InputError
from analysis.model.records import FloatArray
from analysis.model.strokes import Stroke


@dataclass(frozen=True)
class PhraseSettings:
    """What a generated phrase must keep to.

    Attributes
    ----------
    notes : int
        Length of the loop; even, so that its strokes stay the same on every pass.
    demand : {"up", "down", "mixed"}
        Stroke that precedes the changes.
    first_stroke : Stroke
    position, stretch : int
        Lowest fret under the hand and how many frets it spans. Position 0 starts at the open strings.
    max_leap_semitones : int
        Largest interval between neighbouring notes, the seam included.
    max_run : int
        Most notes in a row on one string.
    max_skip : int
        Most strings that one change may cross: 1 is a neighbour.
    """

    notes: int = 16
    demand: Literal["up", "down", "mixed"] = "up"
    first_stroke: Stroke = "down"
    position: int = 5
    stretch: int = 4
    max_leap_semitones: int = 9
    max_run: int = 4
    max_skip: int = 1

    def __post_init__(self) -> None:
        bounds = {
            "notes": (self.notes, 4, 256),
            "position": (self.position, 0, MAX_FRET - 1),
            "stretch": (self.stretch, 2, 7),
            "max_leap_semitones": (self.max_leap_semitones, 1, 24),
            "max_run": (self.max_run, 2, 64),
            "max_skip": (self.max_skip, 1, 8),
        }
        for name, (value, low, high) in bounds.items():
            if not low <= value <= high:
                raise InputError(
                    f"The generator's {name} must be {low} to {high}",
                    found=f"{value}.",
                )
        if self.notes % 2:
            raise InputError(
                "A loop needs an even number of notes to keep its demand",
                found=f"{self.notes}.",
            )
        if self.demand not in ("up", "down", "mixed"):
            raise InputError(
                "The demand is up, down or mixed",
                found=f"{self.demand!r}.",
            )


def generate_phrase(
    tuning: Tuning, root: int, degrees: Sequence[int], seed: int, settings: PhraseSettings | None = None
) -> Phrase:
    """Draw a looping phrase that demands the wanted stroke at every change.

    Parameters
    ----------
    tuning : Tuning
    root : int
        Pitch class of the root, C is 0.
    degrees : sequence of int
        Semitones above the root that may sound.
    seed : int
        The same seed and settings give the same phrase.
    settings : PhraseSettings, optional

    Returns
    -------
    Phrase

    Raises
    ------
    InputError
        If no phrase fits: too few notes of the scale under the hand, or no loop within the largest interval.
    """
    settings = settings or PhraseSettings()
    rng = np.random.default_rng(seed)
    choices = _notes_under_hand(tuning, root, degrees, settings)
    strings, lengths = _draw_runs(sorted(choices), settings, rng)
    plan = [string for string, length in zip(strings, lengths, strict=True) for _ in range(length)]
    states = [note for string in sorted(choices) for note in choices[string]]
    weights = _melody_weights(states, tuning, settings.max_leap_semitones)
    on_string = np.array([[note.string == string for note in states] for string in plan])
    steps = [weights * here[:, None] * after for here, after in zip(on_string, np.roll(on_string, -1, 0), strict=True)]
    # Likelier to start on the root, where one lies under the hand.
    starts = np.array([4.0 if tuning.pitch(note) % 12 == root % 12 else 1.0 for note in states])
    walk = _draw_closed_walk(steps, starts, rng)
    if walk is None:
        raise InputError(
            f"No loop keeps within {settings.max_leap_semitones} semitones on these strings at fret "
            f"{settings.position}",
            next_step="allow a larger interval, more scale degrees or a wider stretch.",
        )
    phrase = Phrase(tuning.strings, tuple(states[k] for k in walk), settings.first_stroke)
    # Runs of even length put every change after the stroke that is not the first one; the twin after the first.
    if settings.demand == settings.first_stroke:
        return make_twin(phrase)
    return phrase


def generate_twins(
    tuning: Tuning, root: int, degrees: Sequence[int], seed: int, settings: PhraseSettings | None = None
) -> tuple[Phrase, Phrase]:
    """Draw a phrase and its twin, which demands the other stroke; parameters as in :func:`generate_phrase`.

    Parameters
    ----------
    tuning : Tuning
    root : int
        Pitch class, 0 to 11.
    degrees : sequence of int
        Semitones above the root.
    seed : int
    settings : PhraseSettings, optional

    Returns
    -------
    (Phrase, Phrase)
        Phrase and twin.

    Raises
    ------
    InputError
        No such phrase, or no twin of it, can be played.
    """
    phrase = generate_phrase(tuning, root, degrees, seed, settings)
    return phrase, make_twin(phrase)


def _notes_under_hand(
    tuning: Tuning, root: int, degrees: Sequence[int], settings: PhraseSettings
) -> dict[int, list[Note]]:
    """Return the scale's notes under the hand, for each string that has any."""
    allowed = {(root + degree) % 12 for degree in degrees}
    frets = range(settings.position, min(settings.position + settings.stretch, MAX_FRET + 1))
    found: dict[int, list[Note]] = {}
    for string, open_midi in enumerate(tuning.open_midi, 1):
        notes = [Note(string, f) for f in frets if open_midi + f <= 127 and (open_midi + f) % 12 in allowed]
        if notes:
            found[string] = notes
    if len(found) < 2:
        raise InputError(
            f"Only {len(found)} of {tuning.strings} strings have a note of the scale at frets "
            f"{frets.start} to {frets.stop - 1}",
            next_step="a phrase with string changes needs two: move the position, widen the stretch or choose "
            "another tuning.",
        )
    return found


def _draw_runs(strings: list[int], settings: PhraseSettings, rng: np.random.Generator) -> tuple[list[int], list[int]]:
    """Draw the strings of the runs, a closed walk, and how many notes each run has."""
    numbers = np.array(strings)
    distance = np.abs(numbers[:, None] - numbers[None, :])
    steps = np.where((distance >= 1) & (distance <= settings.max_skip), 1.0 / np.maximum(distance, 1) ** 2, 0.0)
    pairs, most = settings.notes // 2, settings.max_run // 2
    # A mixed phrase moves one note from a run to another, which must have room for it.
    room = 1 if settings.demand == "mixed" else 0
    counts = [k for k in range(2, pairs + 1) if k * most >= pairs and k * settings.max_run >= settings.notes + room]
    for runs in rng.permutation(counts):
        walk = _draw_closed_walk([steps] * int(runs), np.ones(len(strings)), rng)
        if walk is not None:
            return [strings[k] for k in walk], _draw_lengths(int(runs), settings, rng)
    raise InputError(
        f"No loop of {settings.notes} notes with runs of at most {settings.max_run} closes on strings "
        f"{', '.join(map(str, strings))}",
        next_step="allow longer runs, more notes or a larger max_skip.",
    )


def _draw_lengths(runs: int, settings: PhraseSettings, rng: np.random.Generator) -> list[int]:
    """Draw the runs' lengths: all even, or for a mixed demand two of them odd."""
    lengths = [2] * runs
    for _ in range(settings.notes // 2 - runs):
        open_runs = [k for k, length in enumerate(lengths) if length + 2 <= settings.max_run]
        lengths[int(rng.choice(open_runs))] += 2
    if settings.demand == "mixed":
        # Between the two odd runs every change falls after the other stroke.
        longer = int(rng.choice([k for k, length in enumerate(lengths) if length < settings.max_run]))
        shorter = int(rng.choice([k for k in range(runs) if k != longer]))
        lengths[longer] += 1
        lengths[shorter] -= 1
    return lengths


def _melody_weights(states: list[Note], tuning: Tuning, max_leap: int) -> FloatArray:
    """Weigh every move from note to note: repeats rare, small intervals likely, none above the largest."""
    pitches = np.array([tuning.pitch(note) for note in states])
    leap = np.abs(pitches[:, None] - pitches[None, :])
    weights = np.where(leap == 0, 0.02, np.exp(-leap / 2.5))
    return np.where(leap > max_leap, 0.0, weights)


def _draw_closed_walk(steps: Sequence[FloatArray], starts: FloatArray, rng: np.random.Generator) -> list[int] | None:
    """Draw a walk that returns to its start, with probability proportional to its weights; None if there is none.

    Parameters
    ----------
    steps : sequence of float64 (n, n)
        Weight of each move, one matrix a step; the last leads back to the start.
    starts : float64 (n,)
        Weight of each start.
    """
    ahead = [np.eye(len(starts))]
    for step in reversed(steps):
        product = step @ ahead[-1]
        # Only ratios within a column matter for the drawing, so one common scale per step keeps numbers in range.
        ahead.append(product / max(product.max(), 1e-300))
    ahead.reverse()
    total = starts * np.diag(ahead[0])
    if not total.any():
        return None
    start = int(rng.choice(len(starts), p=total / total.sum()))
    walk = [start]
    for step, rest in zip(steps[:-1], ahead[1:-1], strict=True):
        chance = step[walk[-1]] * rest[:, start]
        walk.append(int(rng.choice(len(starts), p=chance / chance.sum())))
    return walk
