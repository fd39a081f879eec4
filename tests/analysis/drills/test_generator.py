"""Generated phrases: playable, looping, with the wanted demand, the same for the same seed."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from analysis.drills.phrase_generator import PhraseSettings, generate_phrase, generate_twins
from analysis.drills.phrases import read_demand
from analysis.drills.tuning import TUNINGS, read_tuning
from analysis.model.errors import InputError
from tests.analysis.drills.test_demand import played_out

MINOR = (0, 2, 3, 5, 7, 8, 10)
OPPOSITE = {"up": "down", "down": "up", "mixed": "mixed"}


def random_settings(rng: np.random.Generator) -> PhraseSettings:
    return PhraseSettings(
        notes=2 * int(rng.integers(4, 17)),
        demand=str(rng.choice(["up", "down", "mixed"])),
        first_stroke=str(rng.choice(["down", "up"])),
        position=int(rng.integers(0, 13)),
        stretch=int(rng.integers(4, 6)),
        max_leap_semitones=int(rng.integers(7, 13)),
        max_run=int(rng.integers(3, 7)),
        max_skip=int(rng.integers(1, 3)),
    )


def test_generated_phrases_keep_to_everything_asked() -> None:
    rng = np.random.default_rng(1)
    made, refused = 0, []
    for seed in range(400):
        tuning = read_tuning(str(rng.choice(list(TUNINGS))))
        settings = random_settings(rng)
        root = int(rng.integers(12))
        try:
            phrase, twin = generate_twins(tuning, root, MINOR, seed, settings)
        except InputError as error:
            refused.append(str(error))
            continue
        made += 1
        assert len(phrase.notes) == settings.notes
        for each, demand in ((phrase, settings.demand), (twin, OPPOSITE[settings.demand])):
            assert each.loops
            assert each.first_stroke == settings.first_stroke
            strokes = {stroke for _, _, stroke in played_out(each)}
            assert strokes == ({"up", "down"} if demand == "mixed" else {demand})
            pitches = [tuning.pitch(note) for note in each.notes]
            assert {(pitch - root) % 12 for pitch in pitches} <= set(MINOR)
            assert all(settings.position <= note.fret < settings.position + settings.stretch for note in each.notes)
            # Neighbours within the largest interval and string skip, the seam included.
            for a, b in pairwise((*each.notes, each.notes[0])):
                assert abs(tuning.pitch(a) - tuning.pitch(b)) <= settings.max_leap_semitones
                assert abs(a.string - b.string) <= settings.max_skip
            assert longest_run([note.string for note in each.notes]) <= settings.max_run
    assert made > 300
    assert all(message.startswith("No loop") for message in refused)


def longest_run(strings: list[int]) -> int:
    """Longest run around the loop."""
    longest = run = 1
    for a, b in pairwise(strings * 2):
        run = run + 1 if a == b else 1
        longest = max(longest, run)
    return longest


def test_the_same_seed_gives_the_same_phrase_and_other_seeds_others() -> None:
    tuning = read_tuning("guitar")
    again = [generate_phrase(tuning, 9, MINOR, seed) for seed in range(50)]
    assert again == [generate_phrase(tuning, 9, MINOR, seed) for seed in range(50)]
    assert max(Counter(phrase.notes for phrase in again).values()) == 1


def test_the_walk_is_drawn_by_its_weights() -> None:
    """Two strings, two frets, four notes: all loops can be listed, and each comes up as often as its weight says."""
    tuning = read_tuning("A3 C4")
    settings = PhraseSettings(notes=4, position=0, stretch=3, max_run=2, max_leap_semitones=12)
    degrees = (0, 2)  # C, D above C: string 1 has frets 0, 2; string 2, A, has none below fret 3
    with pytest.raises(InputError, match="Only 1 of 2 strings"):
        generate_phrase(tuning, 0, degrees, 0, settings)
    tuning = read_tuning("C3 C4")
    found = Counter(generate_phrase(tuning, 0, degrees, seed, settings).notes for seed in range(2000))
    weights = {}
    for notes in found:
        pitches = [tuning.pitch(note) for note in notes]
        leaps = [abs(a - b) for a, b in pairwise((*pitches, pitches[0]))]
        weight = np.prod([0.02 if leap == 0 else np.exp(-leap / 2.5) for leap in leaps])
        weights[notes] = weight * (4 if pitches[0] % 12 == 0 else 1)
    total = sum(weights.values())
    for notes, count in found.items():
        expected = 2000 * weights[notes] / total
        assert abs(count - expected) < 5 * np.sqrt(expected) + 5


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"notes": 7}, "even number"),
        ({"notes": 2}, "notes must be 4 to 256"),
        ({"stretch": 1}, "stretch must be"),
        ({"position": 40}, "position must be"),
        ({"demand": "sideways"}, "demand is up, down or mixed"),
    ],
)
def test_settings_that_cannot_be_are_one_clear_sentence(changes: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        PhraseSettings(**changes)


def test_what_cannot_be_played_is_refused() -> None:
    with pytest.raises(InputError, match="Only 1 of 1 strings"):
        generate_phrase(read_tuning("E2"), 4, MINOR, 1)
    with pytest.raises(InputError, match="No loop keeps within 1 semitones"):
        generate_phrase(read_tuning("C2 C6"), 0, (0, 2), 1, PhraseSettings(position=0, max_leap_semitones=1))


def test_a_twin_pair_demands_both_sides() -> None:
    phrase, twin = generate_twins(read_tuning("mandolin"), 9, MINOR, 3)
    assert (read_demand(phrase).kind, read_demand(twin).kind) == ("up", "down")
