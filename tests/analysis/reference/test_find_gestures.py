"""What nobody marked is found in the signals of simulated sessions, and marks beside it are moved onto it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from analysis.model.doubts import cap_certainty
from analysis.model.records import OFF_HAND, Event, Session
from analysis.pipeline import analyse_session
from analysis.reference.align_events import align_events, shifted
from analysis.reference.find_gestures import FoundEvents, find_events
from analysis.reference.unconfirmed import FOUND, FOUND_UNCLEAR, metadata_doubts
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from analysis.synthesis.scenario import Attitude
from tests.analysis.pipeline.played import Played, play

SPEEDS = {5101: 4.0, 5102: 8.0, 5103: 12.0, 5104: 8.0}


@cache
def played(seed: int) -> Played:
    return play(seed, SPEEDS[seed], 12.0)


@cache
def found(seed: int) -> FoundEvents:
    return find_in(played(seed).session)


def find_in(session: Session) -> FoundEvents:
    return find_events(prepare_signals(session, fit_timebase(session.raw, session.profile)))


def common_share(one: Event, other: Event) -> float:
    """Time in common, against the marked event's length."""
    return (min(one.end_s, other.end_s) - max(one.start_s, other.start_s)) / (one.end_s - one.start_s)


@pytest.mark.parametrize("seed", SPEEDS)
def test_every_gesture_is_found_where_it_was_made(seed: int) -> None:
    """None in another's place, none twice."""
    for kind in ("across", "along", "pivot", "play"):
        marked = [e for e in played(seed).session.events if e.kind == kind]
        shown = [e for e in found(seed).events if e.kind == kind]
        assert len(shown) == len(marked) == 1
        assert common_share(marked[0], shown[0]) > 0.7
    stills = [e.label == OFF_HAND for e in found(seed).events if e.kind == "still"]
    assert stills in ([True, False], [True])
    assert not found(seed).pair_unclear
    events = sorted(found(seed).events, key=lambda e: e.start_s)
    assert all(a.end_s <= b.start_s + 1e-9 for a, b in pairwise(events))


def test_answers_from_found_events_are_close_to_those_from_marks() -> None:
    """Over these players: tilt of the block by at most 2 deg apart, 1.2 deg RMS; nothing is called sure."""
    apart = []
    for seed in SPEEDS:
        session = played(seed).session
        metadata = {**session.metadata, "events": FOUND}
        result = analyse_session(replace(session, events=found(seed).events, metadata=metadata))
        mine, theirs = result.blocks[0].tilt_mean_deg, played(seed).block.tilt_mean_deg
        assert mine is not None
        assert theirs is not None
        apart.append(mine - theirs)
        assert cap_certainty("sure", result.doubts, [0]) == "likely"
    assert np.abs(apart).max() < 2.0
    assert np.sqrt(np.mean(np.square(apart))) < 1.2


def test_an_instrument_that_lies_flat_leaves_the_pair_to_be_asked() -> None:
    flat = play(5201, 8.0, 12.0, attitude=Attitude(heading_deg=40.0, neck_up_deg=2.0, face_up_deg=86.0))
    shown = find_in(flat.session)
    straight = [f for f in shown.found if f.event.kind in ("across", "along")]
    assert len(straight) == 2
    assert shown.pair_unclear
    assert max(f.sure for f in straight) < 0.6
    assert cap_certainty("sure", metadata_doubts({"events": FOUND_UNCLEAR}), [0]) == "open"


def test_a_log_in_which_nothing_happens_shows_no_gesture() -> None:
    session = played(5102).session
    still = next(e for e in session.events if e.kind == "still")
    hz, raw = session.profile.tick_hz, session.raw
    many = np.flatnonzero((raw.ticks >= still.start_s * hz) & (raw.ticks < still.end_s * hz))
    at = np.concatenate([many] * 8)
    step = int(np.median(np.diff(raw.ticks[many])))
    calm = replace(
        raw,
        ticks=raw.ticks[many[0]] + step * np.arange(at.size),
        sequence=np.arange(at.size),
        host_time_s=raw.host_time_s[at],
        counts=raw.counts[at],
    )
    assert {e.kind for e in find_in(replace(session, raw=calm, events=())).events} <= {"still"}


@pytest.mark.parametrize("late_s", [-40.0, -7.0, -1.5, 0.0, 0.2, 2.5, 9.0, 400.0])
def test_marks_beside_the_signals_are_moved_onto_them(late_s: float) -> None:
    """Those that fit stay as the player made them."""
    marked = shifted(played(5102).session.events, late_s)
    alignment = align_events(marked, found(5102).events)
    if abs(late_s) < 0.5:
        assert alignment is None
        return
    assert alignment is not None
    assert alignment.matched == 4
    assert alignment.shift_s == pytest.approx(-late_s, abs=0.8)


def test_marks_of_another_session_are_not_moved() -> None:
    other = [Event(10 * k, 10 * k + 2, "across" if k % 2 else "along") for k in range(3)]
    assert align_events(other, found(5102).events) is None


def test_a_sensor_on_the_forearm_claims_no_tilt() -> None:
    assert cap_certainty("sure", metadata_doubts({"sensor_place": "forearm"}), [0]) == "open"
    assert metadata_doubts({}) == ()
