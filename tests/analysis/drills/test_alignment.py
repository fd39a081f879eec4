"""Strokes matched with notes: on tables drawn by a model of its own, with known notes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analysis.drills.alignment import EXTRA, DrillTiming, align_strokes
from analysis.drills.hidden_markov import LEAST_DENSITY, Lattice, Travel, decode_lattice
from analysis.drills.moves import AlignmentSettings, Moves, Timing
from analysis.drills.phrases import Phrase, read_phrase
from analysis.drills.string_changes import mark_string_changes
from analysis.model.errors import InputError, NotEnoughDataError
from tests.analysis.drills.simulated_play import PlaySettings, play_table

PHRASES = [
    read_phrase(text, 6) for text in ("4x2 3x2 2x2 3x2", "4x3 3x2 2x1 3x4 2x2 3x2 4x1 5x1", "up 4x3 3x4", "5x1 4x1")
]


UNEVEN = [
    read_phrase(text, 6)
    for text in (
        "4:5*2-7 3:4-5-7*2 2:5-7",  # notes of two lengths
        "4:5h7-5 3:4-7p5-4 r*2 2:5-8",  # slurs and a rest
        "swing=2/3 4x2 3x2 2x2 3x2",
        "4x3*2/3 3x2 2x3*2/3 3x4*1/2",  # triplets and halves
        "4x1 then 4x2 3x2 r 2x3 3x2",  # a pickup and a rest
        "up 4x1*3/2 3x1*1/2 2x2 r*4 3x2",
    )
]


def share_right(
    seeds, settings_of=lambda rng: {}, timing_of=lambda table, true, rate: None, phrases=PHRASES
) -> tuple[float, float, float]:
    """Share of strokes with the right note, mean confidence, share right where confidence is 0.9 or more."""
    right, confident, count, confidence = 0, [], 0, 0.0
    for seed in seeds:
        rng = np.random.default_rng(seed)
        rate = rng.uniform(4, 12)
        phrase = phrases[seed % len(phrases)]
        table, true = play_table(phrase, PlaySettings(notes_per_s=rate, **settings_of(rng)), seed)
        alignment = align_strokes(table, phrase, timing_of(table, true, rate))
        good = alignment.note == true
        right += int(good.sum())
        count += len(true)
        confident += good[alignment.confidence >= 0.9].tolist()
        confidence += float(alignment.confidence.sum())
    return right / count, confidence / count, float(np.mean(confident))


def test_three_percent_missed_and_extra_strokes_and_five_percent_drift() -> None:
    """The figure asked: at least 99 % of the strokes on their note. Fresh seeds, 160 notes each."""
    right, confidence, sure = share_right(range(5000, 5040))
    assert right >= 0.99
    assert sure >= 0.995
    assert abs(confidence - right) < 0.03  # the confidence means what it says


def test_rests_slurs_swing_triplets_and_pickups_are_aligned_as_well_as_even_notes() -> None:
    """The same figure for phrases whose strokes come unevenly, with the tempo known or not. Fresh seeds."""
    for timing in (lambda table, true, rate: None, lambda table, true, rate: DrillTiming(1 / rate)):
        right, confidence, sure = share_right(range(5600, 5636), timing_of=timing, phrases=UNEVEN)
        assert right >= 0.99
        assert sure >= 0.995
        assert abs(confidence - right) < 0.03


def test_a_played_count_in_is_told_from_the_drill_when_the_tempo_is_known() -> None:
    def timing(table, true, rate):
        return DrillTiming(1 / rate, beat_s=0.6)

    right, _, _ = share_right(range(5100, 5120), lambda rng: {"count_in_strokes": 4, "count_in_s": 0.6}, timing)
    assert right >= 0.99


def test_strokes_before_the_first_note_is_due_are_no_notes() -> None:
    def timing(table, true, rate):
        first = np.flatnonzero(true >= 0)[0]
        return DrillTiming(1 / rate, due_s=float(table["contact_s"][first] - true[first] / rate + 0.03))

    right, _, _ = share_right(range(5200, 5220), lambda rng: {"count_in_strokes": int(rng.integers(0, 6))}, timing)
    assert right >= 0.99


def test_clean_play_is_aligned_without_a_slip_and_with_confidence() -> None:
    right, confidence, _ = share_right(
        range(5300, 5310), lambda rng: {"missed": 0.0, "extra": 0.0, "wrong_direction": 0.0}
    )
    assert right == 1.0
    assert confidence > 0.97


def test_bad_play_lowers_the_confidence() -> None:
    """At 15 % missed and extra the confidence still says how often it is right; at a third it claims less."""
    right, confidence, sure = share_right(range(5400, 5416), lambda rng: {"missed": 0.15, "extra": 0.15})
    assert abs(confidence - right) < 0.06
    assert sure > 0.9
    _, confidence, _ = share_right(range(5400, 5406), lambda rng: {"missed": 0.33, "extra": 0.33})
    assert confidence < 0.8


def test_a_long_block_keeps_its_place() -> None:
    phrase = PHRASES[1]
    table, true = play_table(phrase, PlaySettings(notes=1500, notes_per_s=9), 5500)
    assert np.mean(align_strokes(table, phrase).note == true) >= 0.99


def test_after_a_silence_the_phrase_starts_again() -> None:
    phrase = PHRASES[0]
    parts = [play_table(phrase, PlaySettings(notes=40, missed=0, extra=0), seed) for seed in (1, 2)]
    second = parts[1][0].assign(contact_s=parts[1][0]["contact_s"] + 10)
    table = pd.concat([parts[0][0], second], ignore_index=True)
    alignment = align_strokes(table, phrase)
    assert alignment.piece.tolist() == [0] * 40 + [1] * 40
    assert alignment.note.tolist() == [*range(40), *range(40)]


def test_notes_end_with_the_last_repeat() -> None:
    phrase = PHRASES[0]
    table, _ = play_table(phrase, PlaySettings(notes=20, missed=0, extra=0, wrong_direction=0), 3)
    alignment = align_strokes(table, phrase, DrillTiming(repeats=2))
    assert alignment.note.tolist() == [*range(16), *[EXTRA] * 4]
    once = Phrase(phrase.strings, phrase.notes, phrase.first_stroke, loops=False)
    assert align_strokes(table, once).note.tolist() == [*range(8), *[EXTRA] * 12]


def test_missed_notes_are_counted_and_changes_marked() -> None:
    phrase = read_phrase("4x2 3x2", 6)
    table, _ = play_table(phrase, PlaySettings(notes=24, missed=0, extra=0, wrong_direction=0, unevenness=0.01), 4)
    whole = align_strokes(table, phrase)
    assert mark_string_changes(whole, phrase) == ["false", "true"] * 12
    holed = align_strokes(table.drop(index=[9]).reset_index(drop=True), phrase)
    assert (holed.missed, holed.extra) == (1, 0)
    assert 9 not in holed.note
    once = Phrase(phrase.strings, phrase.notes, "down", loops=False)
    assert mark_string_changes(align_strokes(table.head(4), once), once) == ["false", "true", "false", "unknown"]


def test_lattice_against_enumeration_of_every_path() -> None:
    """Best path and posteriors on small random lattices, against a sum over all paths written out."""
    rng = np.random.default_rng(6)
    lasts = np.array([1, 2, 1, 2, 1, 1])
    moves = Moves(np.array([0, 0, 1, 1, 0, 0]), np.array([1, 2, 1, 2, 0, 2]), np.array([0, 0, 0, 1, 1, 1]), lasts)
    for _ in range(25):
        strokes, width = 4, 4
        low = np.sort(rng.integers(0, 3, strokes))
        scores = [rng.normal(0, 2, (strokes, 2, width)) for _ in range(3)]
        scores[0][rng.random((strokes, 2, width)) < 0.2] = -np.inf
        step = rng.normal(0, 2, (strokes, 6))
        for i in range(strokes):
            step[i, i - 1 - moves.extra < 0] = -np.inf
        ways = rng.normal(0, 5, (strokes, 2))
        ways[2, 0] = np.nan
        travel = Travel(ways, rng.normal(0, 6, 3), 2.0, 5.0)
        onset = np.cumsum(rng.uniform(0.5, 2.0, 9))
        timing = Timing(rng.uniform(0.2, 5.0, (strokes, 2)), onset, 0.2, 0.02, AlignmentSettings())
        lattice = Lattice(low, *scores, moves, step, travel, timing)
        weights: dict[tuple[tuple[int, int, int], ...], float] = {}
        for path, weight in all_paths(lattice):
            if np.isfinite(weight):
                weights[path] = np.logaddexp(weights.get(path, -np.inf), weight)
        total = np.logaddexp.reduce(list(weights.values()))
        found = decode_lattice(lattice)
        for i in range(strokes):
            same = [w for path, w in weights.items() if {s: n for s, _, n in path}.get(i, -1) == found.note[i]]
            assert found.confidence[i] == pytest.approx(np.exp(np.logaddexp.reduce(same) - total), abs=1e-9)
            for pair, chance in found.pairs[i].items():
                named = [w for path, w in weights.items() if follows(path, i, pair)]
                # Ways to the same two notes that are each very unlikely are left out.
                assert chance == pytest.approx(np.exp(np.logaddexp.reduce(named) - total), abs=0.05)


def follows(path, stroke: int, pair: tuple[int, int]) -> bool:
    notes = {s: n for s, _, n in path}
    return notes.get(stroke - 1) == pair[0] and notes.get(stroke) == pair[1]


def all_paths(lattice: Lattice):
    """Yield every path, as (stroke, turned, note) in order, with its score; once for every move that leads along it."""
    strokes, _, width = lattice.match.shape
    moves, travel = lattice.moves, lattice.travel

    def onward(path, score):
        stroke, turned, note = path[-1]
        place = note - int(lattice.low[stroke])
        yield tuple(path), score + lattice.end[stroke, turned, place]
        for k in range(len(moves.extra)):
            target = stroke + 1 + int(moves.extra[k])
            following = note + int(moves.notes[k])
            if target >= strokes or not 0 <= following - lattice.low[target] < width:
                continue
            turn = turned ^ int(moves.turn[k])
            way = travel.way_mm[target, moves.extra[k]]
            expected = travel.place_mm[following % 3] - travel.place_mm[note % 3]
            told = 0.0
            if np.isfinite(way):
                own = 0.94 * bell(way - expected, travel.sd_mm) + 0.06 * bell(way - expected, 3 * travel.sd_mm)
                told = np.log((own + LEAST_DENSITY) / (bell(way, travel.wide_mm) + LEAST_DENSITY))
            told += timing_of(lattice.timing, target, int(moves.extra[k]), note, int(moves.lasts[k]))
            gain = lattice.step[target, k] + lattice.match[target, turn, following - lattice.low[target]] + told
            yield from onward([*path, (target, turn, following)], score + gain)

    for stroke in range(strokes):
        for turned in range(2):
            for place in range(width):
                first = lattice.start[stroke, turned, place] + lattice.match[stroke, turned, place]
                yield from onward([(stroke, turned, int(lattice.low[stroke]) + place)], first)


def timing_of(timing: Timing, target: int, extra: int, first: int, lasts: int) -> float:
    """The mixture written out for one move."""
    settings, gap = timing.settings, timing.gap[target, extra]
    expected = timing.onset[first + lasts] - timing.onset[first]
    sd = np.hypot(timing.uneven, settings.tempo_wander * expected)
    off, root = gap - expected, np.sqrt(2 * np.pi)
    density = (1 - settings.p_uneven - settings.p_hesitate) * bell(off, sd) / root
    density += settings.p_uneven * bell(off, 3 * sd) / root
    if off > 0:
        density += settings.p_hesitate * np.exp(-off / settings.hesitation_notes) / settings.hesitation_notes
    density += timing.p_slip * bell(gap - (timing.onset[first + 1 + extra] - timing.onset[first]), sd) / root
    return float(np.log(density + settings.least_density))


def bell(off: float, sd: float) -> float:
    return float(np.exp(-0.5 * (off / sd) ** 2) / sd)


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_a_handful_of_strokes_is_aligned_too(count: int) -> None:
    phrase = PHRASES[0]
    table, _ = play_table(phrase, PlaySettings(notes=count, missed=0, extra=0, wrong_direction=0, unevenness=0.01), 8)
    assert align_strokes(table, phrase, DrillTiming(period_s=0.125)).note.tolist() == list(range(count))


def test_tables_that_cannot_be_aligned_are_refused() -> None:
    phrase = PHRASES[0]
    table, _ = play_table(phrase, PlaySettings(notes=20), 9)
    with pytest.raises(NotEnoughDataError, match="at least 2 strokes"):
        align_strokes(table.head(1), phrase)
    with pytest.raises(InputError, match="order"):
        align_strokes(table[::-1], phrase)
    with pytest.raises(InputError, match="order"):
        align_strokes(table.assign(contact_s=np.nan), phrase)


def test_settings_can_be_narrowed() -> None:
    phrase = PHRASES[0]
    table, true = play_table(phrase, PlaySettings(notes=80), 10)
    narrow = align_strokes(table, phrase, settings=AlignmentSettings(max_missed=2, max_extra=2, band_notes=8))
    assert np.mean(narrow.note == true) > 0.95
