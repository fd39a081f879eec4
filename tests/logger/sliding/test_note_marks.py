"""Notes and string changes while a drill is played, against what the batch analysis makes of the same session."""

from __future__ import annotations

import itertools
import time

import numpy as np
import pytest

from analysis.drills.session_changes import judge_drills
from analysis.model.records import Event
from analysis.pipeline import analyse_session
from analysis.synthesis.scenario import PlayBlock
from logger.live.simulated_player import SPAN_MM, player_session
from logger.practice.played_drill import played_drill
from logger.sliding.note_marks import MOST_STROKES, NoteFollower

DRILL = "4x2 3x2 2x2 3x2"


@pytest.fixture(scope="module")
def played():  # type: ignore[no-untyped-def]
    block = PlayBlock(duration_s=24.0, tilt_deg=22.0, span_mm=SPAN_MM, tempo_bpm=120.0, notes_per_beat=4.0, drill=DRILL)
    session = player_session((played_drill(block, 6),), 11).session
    result = analyse_session(session)
    play = next(event for event in session.events if event.kind == "play")
    drills, _ = judge_drills(result, session.metadata)
    return session, result, play, drills[0]


def test_final_marks_agree_with_the_batch_analysis(played) -> None:  # type: ignore[no-untyped-def]
    session, result, play, drill = played
    follower = NoteFollower(play, session.instrument)
    strokes, paths = result.strokes, result.paths_mm
    notes = None
    took_s = []
    for count in range(4, len(strokes) + 1, 4):
        begun_s = time.thread_time()
        settled_s = float(strokes["end_s"].iloc[count - 1]) - 0.8
        notes = follower.mark(strokes.iloc[:count], paths[:count], settled_s)
        took_s.append(time.thread_time() - begun_s)
        if notes is not None and notes.changes:
            assert not notes.changes[-1].final or count == 4, "the last change is provisional"
            finals = [mark.final for mark in notes.changes]
            assert finals == sorted(finals, reverse=True), "final first, provisional last"
    assert len(strokes) > 1.5 * MOST_STROKES
    assert notes is not None
    finals = [mark for mark in notes.changes if mark.final]
    batch = drill.changes.set_index("time_s")["verdict"]
    contacts_s = strokes.set_index("end_s")["contact_s"]
    same = [batch.get(contacts_s[mark.end_s]) == mark.verdict for mark in finals]
    assert len(finals) >= 20
    assert np.mean(same) > 0.9
    assert (notes.missing, notes.added) == (drill.alignment.missed, drill.alignment.extra)
    assert {mark.place for mark in notes.changes} == {1, 3, 5, 7}
    assert float(np.median(took_s)) < 0.1


def test_a_provisional_mark_comes_with_the_stroke_alone(played) -> None:  # type: ignore[no-untyped-def]
    session, result, play, _ = played
    strokes, paths = result.strokes, result.paths_mm
    notes = NoteFollower(play, session.instrument).mark(strokes.iloc[:10], paths[:10], 0.0)
    assert notes is not None
    assert [mark.place for mark in notes.changes] == [1, 3, 5, 7, 1]
    assert not any(mark.final for mark in notes.changes)
    assert [mark.verdict for mark in notes.changes] == [
        "cleared" if clears else "touched" for clears in strokes["clears"].iloc[[1, 3, 5, 7, 9]]
    ]


def test_between_two_matches_strokes_are_counted_on_and_the_next_change_is_foreseen(played) -> None:  # type: ignore[no-untyped-def]
    session, result, play, _ = played
    strokes, paths = result.strokes, result.paths_mm
    follower = NoteFollower(play, session.instrument)
    off_s, told = [], []
    for count in range(4, 80):
        notes = follower.mark(strokes.iloc[:count], paths[:count], 0.0)
        assert notes is not None
        told.append([mark.place for mark in notes.changes])
        if notes.next_end_s is not None:
            coming = strokes["end_s"].iloc[count : count + 2].to_numpy()
            off_s.append(float(np.abs(coming - notes.next_end_s).min()))
    assert len(off_s) > 70
    assert np.percentile(off_s, 90) < 0.03
    assert all(later[: len(one)] == one or len(later) < len(one) for one, later in itertools.pairwise(told))
    fresh = NoteFollower(play, session.instrument).mark(strokes.iloc[:40], paths[:40], 0.0)
    assert fresh is not None
    assert told[36] == [mark.place for mark in fresh.changes]


def test_missing_and_added_notes_are_counted(played) -> None:  # type: ignore[no-untyped-def]
    session, result, play, _ = played
    strokes, paths = result.strokes, result.paths_mm
    kept = np.delete(np.arange(40), [13, 14, 22, 23])
    notes = NoteFollower(play, session.instrument).mark(strokes.iloc[kept], paths[kept], 0.0)
    assert notes is not None
    assert (notes.missing, notes.added) == (4, 0)


@pytest.mark.parametrize("drill", ["", "a name", "8x2 7x2"])
def test_without_a_drill_that_can_be_played_there_is_nothing_to_mark(played, drill: str) -> None:  # type: ignore[no-untyped-def]
    session, result, _, _ = played
    block = Event(0.0, 10.0, "play", drill=drill)
    assert NoteFollower(block, session.instrument).mark(result.strokes, result.paths_mm, 0.0) is None
