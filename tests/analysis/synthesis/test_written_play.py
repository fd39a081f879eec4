"""The simulated player plays what is written: when and where, against counting by hand and the phrase's own times."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.drills.phrases import read_phrase
from analysis.model.errors import InputError
from analysis.synthesis.scenario import PlayBlock, Scenario, Sound, Written
from analysis.synthesis.simulate import simulate
from analysis.synthesis.written_play import stroke_times
from logger.practice.played_drill import played_drill, written_play
from tests.analysis.drills.test_alignment import UNEVEN


def test_strokes_come_when_counting_by_hand_says() -> None:
    # A pickup of one; then a note of two, a slurred one, a rest of one: four units. Counted from the pickup on.
    written = Written((Sound(2, 1), Sound(1, None), Sound(1, 2)), (Sound(1, 0),))
    units, course = stroke_times(written, 10, 0.5)
    assert units.tolist() == [0, 1, 4, 5, 8, 9]
    assert course.tolist() == [0, 1, 2, 1, 2, 1]
    # Swing of two thirds from the bar line on: the second of each pair comes a third of a unit late.
    swung, _ = stroke_times(Written((Sound(1, 0),)), 4, 2 / 3)
    np.testing.assert_allclose(swung, [0, 4 / 3, 2, 10 / 3])


@pytest.mark.parametrize("place", range(len(UNEVEN)))
def test_the_players_count_and_the_phrases_own_agree(place: int) -> None:
    phrase = UNEVEN[place]
    units, course = stroke_times(written_play(phrase), 60, 0.5 if phrase.swing is None else float(phrase.swing))
    np.testing.assert_allclose(units, phrase.onset_units(len(units)), atol=1e-9)
    assert course.tolist() == [phrase.strings - phrase.string_at(k) for k in range(len(units))]


def test_a_session_is_played_as_it_is_written() -> None:
    drill = "4x1 then 4:5h7 3:4*2 r 2:5-7"
    block = PlayBlock(strokes_per_s=5.0, duration_s=10.0, tilt_deg=18.0, span_mm=18.0, timing_noise=0.0, drill=drill)
    strokes = simulate(Scenario(blocks=(played_drill(block, 6),)), 5).truth.strokes
    phrase = read_phrase(drill, 6)
    count = len(strokes)
    due = phrase.onset_units(count) / 5.0
    contact = strokes["contact_s"].to_numpy()
    # The hand means to be at its string then; where exactly the tip crosses it depends on its way there.
    off = contact - contact[0] - (due - due[0])
    assert np.abs(off).max() < 0.25 / 5.0
    assert (strokes["course"].to_numpy() == [6 - phrase.string_at(k) for k in range(count)]).all()
    assert strokes["direction"].tolist() == [phrase.stroke_at(k) for k in range(count)]
    assert count == np.sum(phrase.onset_units(200) < 50)
    waits = strokes["start_s"].to_numpy()[1:] - strokes["end_s"].to_numpy()[:-1]
    assert (waits > -1e-9).all()
    assert waits.max() > 0.1


def test_a_phrase_with_one_stroke_twice_in_a_row_is_not_played_otherwise_in_silence() -> None:
    with pytest.raises(InputError, match="alternates strictly"):
        played_drill(PlayBlock(drill="4:5d-7d 3:4-7"), 6)
    stated = played_drill(PlayBlock(drill="4:5u-7d 3:4u-7d"), 6)
    assert stated.first == "up"
