"""Gravity in the sensor: jumps and creep are found, a hand that settles anew is not; gestures made anew replace old."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.records import Event, FloatArray
from analysis.reference.epochs import epoch_label, label_epochs, posture_of, split_epochs
from analysis.reference.mounting import MountingChange, MountingSettings, Pose, find_changes, suspect_turns
from analysis.reference.mounting_doubts import new_gestures_wanted

SETTINGS = MountingSettings()
STRINGS = {"A": np.array([0.0, 1.0, 0.0])}
"""About them ``lean_deg`` rolls the instrument."""
LONG_S = 1200.0


def poses(
    rng: np.random.Generator,
    settle_deg: float,
    shift_deg: float = 0.0,
    creep_deg: float = 0.0,
    blocks: int = 5,
    lean_deg: float = 0.0,
    until_s: float = LONG_S,
) -> list[Pose]:
    """Eight gestures, then blocks; ``shift_deg`` comes before the second block, ``lean_deg`` before the first."""
    found = []
    for i in range(8 + blocks):
        block = None if i < 8 else i - 8
        time = 10.0 * i if block is None else 100.0 + block * (until_s - 100.0) / blocks
        moved = (
            (lean_deg if block is not None else 0.0)
            + (shift_deg if block is not None and block >= 1 else 0.0)
            + creep_deg * time / LONG_S
        )
        found.append(Pose(time, time - 4, time + 4, "A", block, tilted(rng.normal((moved, 0.0), settle_deg))))
    return found


def tilted(angles_deg: FloatArray) -> FloatArray:
    """The vertical turned by two small angles."""
    x, y = np.radians(angles_deg)
    down = np.array([np.sin(x), np.sin(y), -1.0])
    return np.asarray(down / np.linalg.norm(down))


@pytest.mark.parametrize("settle_deg", [0.5, 1.5, 3.5])
def test_a_hand_that_settles_anew_is_no_change(settle_deg: float) -> None:
    """Sixty sessions, independent poses: the stated chance is one in two thousand, so two are out of the question."""
    rng = np.random.default_rng(11)
    assert sum(bool(find_changes(poses(rng, settle_deg), SETTINGS)) for _ in range(60)) <= 1


@pytest.mark.parametrize(("slip_deg", "least"), [(8.0, 15), (15.0, 19)])
def test_a_slip_in_a_quiet_hand_is_found_where_it_happened(slip_deg: float, least: int) -> None:
    rng = np.random.default_rng(12)
    found = 0
    for _ in range(20):
        changes = find_changes(poses(rng, 0.8, shift_deg=slip_deg), SETTINGS)
        first_of_second = next(p for p in poses(rng, 0.0) if p.block == 1)
        found += any(not c.creep and c.after_s == first_of_second.start_s for c in changes)
        for change in changes:
            assert change.turned_deg == pytest.approx(slip_deg, abs=4.0)
    assert found >= least


def test_a_creep_over_twenty_minutes_is_found_in_a_quiet_hand_and_not_over_a_minute() -> None:
    rng = np.random.default_rng(13)
    slow = [find_changes(poses(rng, 0.5, creep_deg=8.0), SETTINGS) for _ in range(10)]
    assert sum(bool(changes) for changes in slow) >= 9
    short = [replace(p, time_s=p.time_s / 20) for p in poses(rng, 0.5, creep_deg=8.0)]
    assert not any(change.creep for change in find_changes(short, SETTINGS))


def test_other_strings_explain_what_they_turn() -> None:
    """Two blocks on the lowest strings turn the forearm by 5 deg: known, that is no change."""
    rng = np.random.default_rng(14)
    given = poses(rng, 0.3)
    low = (3, 4)
    turned = [
        replace(p, down=tilted(np.array([6.0, 0.0]) + rng.normal(0, 0.3, 2))) if p.block in low else p for p in given
    ]
    assert find_changes(turned, SETTINGS)
    assert not find_changes(turned, SETTINGS, dict.fromkeys(low, 2.5))


def test_new_gestures_are_asked_for_once() -> None:
    given = poses(np.random.default_rng(15), 0.3, shift_deg=12.0)
    events = [Event(5.0, 15.0, "across", posture="A"), Event(100.0, 380.0, "play", posture="A")]
    change = new_gestures_wanted(given, events, "A", SETTINGS)
    assert change is not None
    again = [*events, Event(change.after_s + 20, change.after_s + 30, "across", posture="A")]
    assert new_gestures_wanted(given, again, "A", SETTINGS) is None
    assert new_gestures_wanted(given, events, "B", SETTINGS) is None


def test_epochs_begin_where_gestures_stand_on_both_sides_of_a_change() -> None:
    change = MountingChange("A", 40.0, 50.0, 9.0, np.array([1.0, 0, 0]))
    old, new = Event(10.0, 20.0, "across", posture="A"), Event(60.0, 70.0, "across", posture="A")
    assert split_epochs([old], [change]) == {}
    splits = split_epochs([old, new], [change])
    assert splits == {"A": (45.0,)}
    labels = [event.posture for event in label_epochs([old, new], splits)]
    assert labels[0] == "A"
    assert labels[1] == epoch_label("A", 65.0, splits) != "A"
    assert posture_of(labels[1]) == "A"


def test_a_turn_between_gestures_and_play_that_is_no_change_yet_is_suspected_and_only_widens() -> None:
    """A lean of 5 deg in a hand that settles to 2 deg: too small to be told from it, too large to be passed over."""
    rng = np.random.default_rng(16)
    sessions = [poses(rng, 2.0, lean_deg=5.0, until_s=180.0) for _ in range(40)]
    leaning = [suspects(session) for session in sessions]
    told = sum(bool(found or find_changes(session, SETTINGS)) for found, session in zip(leaning, sessions, strict=True))
    clean = [suspects(poses(rng, 2.0, until_s=180.0)) for _ in range(200)]
    assert told >= 30
    assert sum(map(bool, leaning)) >= 20
    assert sum(map(bool, clean)) <= 30, "one in thirty as a lean, one in a hundred at each of four borders"
    assert all(change.suspected for found in leaning for change in found)
    given = poses(rng, 0.3, lean_deg=12.0)
    assert find_changes(given, SETTINGS)
    assert suspects(given) == (), "a change that was found needs no suspicion"


def suspects(given: list[Pose]) -> tuple[MountingChange, ...]:
    return suspect_turns(given, find_changes(given, SETTINGS), SETTINGS, STRINGS)


def test_over_twenty_minutes_a_hand_that_drifts_is_no_more_suspected_than_over_two() -> None:
    """Drift of 1.5 deg (SD) over some minutes beside 2 deg of settling; gestures share it, blocks do not."""
    rng, told = np.random.default_rng(19), 0
    for _ in range(100):
        given = poses(rng, 2.0, blocks=6)
        time_s = np.array([pose.time_s for pose in given])
        spread = np.exp(-np.abs(np.subtract.outer(time_s, time_s)) / 150.0) + 1e-9 * np.eye(time_s.size)
        drift = 1.5 * np.linalg.cholesky(spread) @ rng.normal(size=(time_s.size, 2))
        drifted = [
            replace(pose, down=tilted(rng.normal(0, 2.0, 2) + off)) for pose, off in zip(given, drift, strict=True)
        ]
        told += bool(suspects(drifted))
    assert told <= 15


def test_a_jump_between_two_blocks_that_is_no_change_yet_is_suspected_where_it_came() -> None:
    """A strap that slips by 9 deg, in a hand that settles to 2 deg."""
    rng = np.random.default_rng(17)
    sessions = [poses(rng, 2.0, shift_deg=9.0) for _ in range(40)]
    second = next(pose for pose in poses(rng, 0.0) if pose.block == 1)
    told = [find_changes(session, SETTINGS) or suspects(session) for session in sessions]
    assert sum(any(change.after_s == second.start_s for change in found) for found in told) >= 32


def test_a_turn_that_no_roll_about_the_strings_makes_is_not_taken_for_a_lean() -> None:
    """The hand turned by 5 deg across the strings from gestures to play: no roll of the instrument does that."""
    rng = np.random.default_rng(18)
    across = {"A": np.array([1.0, 0.0, 0.0])}
    leaning = [poses(rng, 1.5, lean_deg=5.0) for _ in range(40)]
    told = [suspect_turns(p, (), SETTINGS, way)[:1] for p in leaning for way in (STRINGS, across)]
    first = [bool(found) and found[0].before_s == 74.0 for found in told]
    assert sum(first[::2]) >= 35
    assert sum(first[1::2]) <= 6
