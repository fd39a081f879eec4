"""The guided session without a page: every step by what happens, to the order that follows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.model.cautions import HURT, discomfort
from logger.guide.asked_gestures import choose_gestures, side_check
from logger.guide.guide_state import due_s
from logger.guide.machine import step
from logger.guide.orders import (
    Close,
    FollowBlock,
    ForgetLever,
    JudgeBlock,
    LoadAssessed,
    MountingMoved,
    Pressed,
    SensorChecked,
    SensorFound,
    SensorMissing,
    SettleSetup,
    TimePassed,
    WriteReport,
)
from logger.guide.phases import Closed, Connecting, Done, Finishing
from logger.guide.play_transitions import LEAD_S, SETTLE_S
from logger.guide.slip_transitions import TAKE_BACK_S
from logger.guide.stretch import FreePlay
from logger.guide.view import HURT_WORDS, KEPT_WORDS, view
from logger.practice.plan import Plan, PlanBlock
from tests.logger.guide.driving import Driven

BLOCK = PlanBlock(posture="A", tempo_bpm=120.0, notes_per_beat=4.0, bars=3, rest_s=10.0, wanted="down")
PLAN = Plan("two postures", (BLOCK, replace(BLOCK, posture="B", wanted="up"), replace(BLOCK, bars=8)))


def ready(plan: Plan | None = PLAN) -> Driven:
    """A session that stands before its first block."""
    driven = Driven(plan)
    driven.press("next")
    driven.do_gestures()
    assert driven.step == "ready"
    return driven


def test_from_the_sensor_to_the_report() -> None:
    driven = Driven(PLAN, poor=["across"])
    assert driven.step == "setup"
    driven.press("next")
    assert any(isinstance(order, SettleSetup) for order in driven.orders)
    driven.do_gestures()
    assert driven.kinds() == ["still", "still", "rest", *["across", "along", "pivot"], "across", "pivot"]
    assert [event.posture for event in driven.events] == ["", *"AAAAA", *"BB"]
    driven.press("next")
    begun_s = driven.now_s
    driven.wait(LEAD_S + 2.0 + 6.0 + 1.0)
    play = driven.events[-1]
    assert (play.kind, play.posture, play.wanted, play.tempo_bpm) == ("play", "A", "down", 120.0)
    assert (play.start_s - begun_s, play.end_s - play.start_s) == pytest.approx((LEAD_S + 2.0, 6.0))
    for value in (2, 0):
        driven.press("rate", value)
    assert [(e.label, e.rating) for e in driven.events if e.kind == "rating"] == [("tension", 2.0), ("discomfort", 0.0)]
    driven.wait(10.0 + 2.0 + 6.0)
    second = driven.events[-1]
    assert (second.kind, second.posture) == ("play", "B")
    assert second.start_s == pytest.approx(play.end_s + 12.0), "rest and count-in, whatever was pressed between"
    driven.wait(60.0)
    assert driven.step == "rest", "the last rest ends by the key"
    assert view(driven.guide).rating is not None
    driven.press("skip")
    driven.press("skip")
    assert view(driven.guide).keys[0].label == "To the report"
    driven.press("next")
    assert isinstance(driven.guide.phase, Done)
    assert view(driven.guide).hint == "The downstroke clears."
    driven.press("next")
    assert isinstance(driven.guide.phase, Closed)
    assert isinstance(driven.orders[-1], Close)
    assert driven.kinds().count("play") == 3
    assert driven.guide.load.played_s == pytest.approx(6.0 + 6.0 + 16.0)


def test_the_sensor_is_tried_again_and_a_strange_one_may_be_taken() -> None:
    driven = Driven(PLAN)
    for told, title, keys in (
        (SensorMissing(1.0, "Not there."), "The sensor was not found", ["next", "finish"]),
        (SensorMissing(1.0, "It exists.", on_disk=True), "The recording cannot be written", ["next", "finish"]),
        (SensorChecked(1.0, "It reads 2 g at rest."), "The sensor is not right", ["next", "skip", "finish"]),
    ):
        connecting = replace(driven.guide, phase=Connecting())
        guide, _ = step(connecting, told)
        assert view(guide).title == title
        assert [key.command for key in view(guide).keys] == keys
        again, orders = step(guide, Pressed(2.0, "next"))
        assert view(again).step == "connect"
        assert len(orders) == 1
    guide, _ = step(guide, Pressed(2.0, "skip"))
    assert view(guide).step == "setup"
    assert step(guide, SensorFound(3.0)) == (guide, []), "news that comes late changes nothing"


def test_a_press_counts_once_and_only_where_it_has_a_meaning() -> None:
    driven = ready()
    seen = driven.guide.number
    driven.press("next", seen=seen)
    assert driven.step == "count_in"
    before = driven.guide
    for command in ("next", "again", "rate", "choose", "nonsense"):
        driven.press(command)
    driven.press("pause", seen=seen)
    assert driven.guide == before
    driven.press("hurt", seen=seen)
    assert driven.step == "hurt", "hurt counts however late"


def test_a_poor_gesture_may_be_kept_as_it_is_and_one_broken_off_is_not() -> None:
    driven = Driven(PLAN, poor=["pivot"])
    driven.press("next")
    driven.press("skip")
    driven.press("next")
    driven.wait(4.0)
    driven.press("again")
    assert driven.kinds() == ["rest"]
    assert driven.keys[0] == "next", "it waits"
    driven.press("next")
    driven.wait(40.0)
    assert view(driven.guide).title == "Once more"
    driven.press("skip")
    driven.press("next")
    driven.wait(20.0)
    assert driven.kinds() == ["rest", "still", "across", "along", "pivot", "across", "pivot"]
    assert "off hand" not in {event.label for event in driven.events}


def test_gestures_that_do_not_solve_are_repeated_but_not_those_left_out() -> None:
    driven = Driven(Plan("one", (BLOCK,)), usable=lambda done: done - {("across", "A")})
    driven.press("next")
    driven.press("next")
    driven.wait(3.0 + 3.0)
    driven.press("next")
    driven.wait(3.0 + 3.0 + 3.0 + 6.0)
    driven.press("skip")  # along, in the lead of it
    driven.press("next")
    driven.wait(13.0)
    assert (view(driven.guide).title, view(driven.guide).hint) == ("Once more", "Across: too short.")
    driven.usable = lambda done: done
    driven.press("next")
    driven.wait(13.0)
    assert driven.step == "ready"
    assert driven.kinds().count("across") == 2
    assert driven.kinds().count("along") == 0


def test_a_block_that_is_stopped_is_played_again() -> None:
    driven = ready()
    driven.press("next")
    driven.wait(1.0)
    driven.press("pause")
    assert driven.step == "rest"
    assert (driven.open.kind, driven.open.label) == ("rest", "stopped") if driven.open else False
    assert driven.guide.blocks == 0, "a block that did not begin has no number"
    for _ in range(2):
        driven.press("skip")
    driven.press("next")
    driven.press("next")
    driven.wait(5.0)
    driven.press("pause")
    assert driven.events[-1].end_s - driven.events[-1].start_s == pytest.approx(1.5)
    assert (driven.guide.place, driven.guide.blocks, driven.guide.played) == (0, 1, 1)


def test_a_rest_is_held_and_a_block_played_again() -> None:
    driven = ready()
    driven.press("next")
    driven.wait(10.0)
    driven.press("skip")
    driven.press("skip")
    driven.press("pause")
    assert due_s(driven.guide) is None
    rest = view(driven.guide).rest
    assert rest is not None
    assert rest.held
    assert rest.left_s == pytest.approx(9.5)
    driven.wait(500.0)
    assert driven.step == "rest"
    driven.press("again")
    assert driven.step == "ready"
    assert driven.guide.place == 0
    assert driven.guide.stretch.posture == "A"


def test_short_rests_ask_nothing_and_leave_the_last_strokes_time() -> None:
    quick = replace(BLOCK, tempo_bpm=240.0, bars=6, rest_s=None, rest_beats=2, count_in_beats=0)
    driven = ready(Plan("quick", (quick, quick)))
    driven.press("next")
    driven.wait(LEAD_S + 6.1)
    assert driven.step == "rest"
    assert view(driven.guide).rating is None
    settled = [order.settle_s for order in driven.orders if isinstance(order, JudgeBlock)]
    assert settled == [pytest.approx(0.4)]
    driven.wait(0.5)
    assert driven.step == "play"
    driven.wait(20.0)
    assert [o.number for o in driven.orders if isinstance(o, FollowBlock)] == [1, 2]
    assert [o.settle_s for o in driven.orders if isinstance(o, JudgeBlock)] == [pytest.approx(0.4)] * 2
    assert SETTLE_S > 0.4


def test_a_break_of_the_plan_runs_out_or_ends_by_the_key() -> None:
    rest = PlanBlock(kind="rest", seconds=150.0)
    driven = ready(Plan("breaks", (BLOCK, rest, BLOCK, rest, BLOCK)))
    driven.press("next")
    driven.wait(LEAD_S + 2.0 + 6.0 + 10.0)
    assert view(driven.guide).title == "Break"
    assert driven.guide.load.since_break_s == pytest.approx(6.0)
    driven.wait(150.0)
    assert driven.step == "ready"
    assert driven.guide.load.since_break_s == 0.0
    driven.press("next")
    driven.wait(LEAD_S + 2.0 + 6.0 + 10.0)
    driven.press("next")
    assert driven.step == "ready"
    assert driven.guide.load.since_break_s == pytest.approx(6.0), "a break cut short is none"


def test_where_a_break_is_due_nothing_begins_by_itself() -> None:
    driven = ready()
    driven.press("next")
    driven.wait(10.0)
    driven.press("rate", 8)
    driven.press("rate", 0)
    assert view(driven.guide).hint.startswith("Tension 8")
    assert view(driven.guide).keys[0].label == "Go on"
    driven.wait(60.0)
    assert driven.step == "ready"
    driven.happen(LoadAssessed(driven.now_s, "ease off", "The strokes get rougher."))
    assert view(driven.guide).break_due == "The strokes get rougher."


@pytest.mark.parametrize("where", ["gestures", "count_in", "play", "rest", "ready", "setup"])
def test_hurt_stops_whatever_runs_and_only_the_end_is_left(where: str) -> None:
    driven = Driven(PLAN)
    if where != "setup":
        driven.press("next")
    if where == "gestures":
        driven.press("next")
        driven.wait(4.0)
    if where in ("count_in", "play", "rest", "ready"):
        driven.do_gestures()
    if where in ("count_in", "play", "rest"):
        driven.press("next")
        driven.wait({"count_in": 1.0, "play": 5.0, "rest": 10.0}[where])
    assert driven.step == where
    kept = len(driven.events)
    driven.press("hurt")
    assert driven.open is not None
    assert driven.open.kind == "hurt"
    assert driven.keys == ["finish"]
    if where == "gestures":
        assert driven.events[-1].kind == "rest", "half a gesture does not count"
    for command in ("next", "skip", "again", "pause", "rate"):
        driven.wait(600.0)
        driven.press(command)
        assert driven.step == "hurt", "the caution says stop for today: no key and no time goes on"
    driven.press("finish")
    assert driven.step == "done"
    assert driven.events[-1].kind == "hurt"
    assert len(driven.events) > kept, "what was recorded is kept"


def asked_for_discomfort(plan: Plan | None) -> Driven:
    """A block was played and tension rated; the question on discomfort stands."""
    driven = Driven(plan)
    driven.press("next")
    driven.do_gestures()
    driven.press("next")
    driven.wait(LEAD_S + 2.0 + 6.0)
    if plan is None:
        driven.press("next")
    driven.press("rate", 2)
    return driven


def rated(driven: Driven) -> list[tuple[str, float | None]]:
    return [(e.label, e.rating) for e in driven.events if e.kind == "rating"]


@pytest.mark.parametrize("plan", [PLAN, None])
def test_discomfort_that_is_rated_ends_the_evening_too(plan: Plan | None) -> None:
    driven = asked_for_discomfort(plan)
    given_s = driven.now_s
    driven.press("rate", 1)
    assert driven.step == "hurt", "it stops at once"
    assert view(driven.guide).hurt[:3] == (HURT_WORDS, HURT, KEPT_WORDS), "the strictest words, and first"
    assert driven.open is None
    driven.wait(600.0)
    assert rated(driven) == [("tension", 2.0), ("discomfort", 1.0)]
    assert driven.events[-1].start_s == pytest.approx(given_s), "it stands where it was given"
    assert driven.keys == ["finish"]
    driven.press("again")
    assert driven.step == "hurt"
    assert view(driven.guide).hurt == (HURT_WORDS, HURT, KEPT_WORDS), "the words of the report"


@pytest.mark.parametrize("plan", [PLAN, None])
def test_a_slip_of_the_finger_is_asked_again_and_leaves_no_report(plan: Plan | None) -> None:
    driven = asked_for_discomfort(plan)
    driven.press("rate", 3)
    driven.wait(TAKE_BACK_S - 1.0)
    driven.press("again")
    assert view(driven.guide).rating is not None
    assert driven.keys == ["again", "rate", "hurt", "finish"], "it is taken back by an answer, not by none"
    for command in ("skip", "next"):
        driven.press(command)
        assert view(driven.guide).rating is not None
    driven.wait(600.0)
    assert view(driven.guide).rating is not None, "no time passes it by"
    driven.press("rate", 0)
    assert rated(driven) == [("tension", 2.0), ("discomfort", 0.0)]
    assert discomfort(driven.events) == []
    driven.press("next")
    assert driven.step not in ("hurt", "done")


@pytest.mark.parametrize("end", ["finish", "hurt", "rate"])
def test_a_slip_that_is_not_answered_anew_is_a_report(end: str) -> None:
    driven = asked_for_discomfort(PLAN)
    driven.press("rate", 3)
    driven.press("again")
    driven.press(end, 5)
    if end == "rate":
        assert driven.step == "hurt"
        driven.press("finish")
    assert rated(driven)[1:] == [("discomfort", 5.0 if end == "rate" else 3.0)]


def test_ending_at_once_keeps_the_report() -> None:
    driven = asked_for_discomfort(PLAN)
    driven.press("rate", 4)
    driven.press("finish")
    assert rated(driven)[1:] == [("discomfort", 4.0)]


def test_free_play_goes_from_block_to_block() -> None:
    driven = Driven(None, lenders=(("B", "A"),))
    driven.press("next")
    driven.do_gestures()
    driven.press("next")
    driven.wait(3.0 + 7.0)
    assert due_s(driven.guide) is None
    driven.press("next")
    assert driven.events[-1].end_s - driven.events[-1].start_s == pytest.approx(7.0)
    driven.press("rate", 3)
    driven.press("skip")
    assert driven.step == "ready"
    assert "again" not in driven.keys
    driven.happen(driven.chosen(FreePlay("B", "up", 93.0, 4.0)))
    assert view(driven.guide).hint.startswith("Posture B has no gestures of its own")
    assert view(driven.guide).title == "Posture B, 93 BPM, 4 notes a beat"
    driven.happen(driven.chosen(driven.guide.free, refused="There is no such tempo."))
    assert view(driven.guide).hint == "There is no such tempo."
    driven.press("again")
    driven.lenders = ()
    driven.do_gestures()
    assert [e.posture for e in driven.events if e.kind == "across"] == ["A", "B"]
    assert driven.keys[0] == "next"
    assert "again" not in driven.keys


def test_the_end_closes_what_runs_and_asks_once_for_the_report() -> None:
    driven = ready()
    driven.press("next")
    driven.wait(5.0)
    driven.press("finish")
    driven.press("finish")
    assert sum(isinstance(order, WriteReport) for order in driven.orders) == 1
    assert driven.events[-1].kind == "play"
    assert driven.open is None


def test_time_that_passes_early_or_late_is_harmless() -> None:
    driven = ready()
    driven.press("next")
    guide = driven.guide
    assert step(guide, TimePassed(driven.now_s)) == (guide, [])
    late, orders = step(guide, TimePassed(driven.now_s + 4.0))
    assert view(late).step == "play"
    assert orders[0].at_s == pytest.approx(driven.now_s + LEAD_S + 2.0), "it begins when it was due"  # type: ignore[union-attr]
    assert isinstance(step(replace(guide, phase=Finishing()), TimePassed(9e9))[0].phase, Finishing)


def test_a_rest_begins_where_its_block_ended_however_late_that_is_seen() -> None:
    """Noticed only when the next block has begun, it must not stand in that one."""
    drill = replace(BLOCK, drill="4x2 3x2 2x2 3x2", bars=None, repeats=1, rest_s=None, rest_beats=2, count_in_beats=0)
    driven = ready(Plan("switching", (drill, replace(drill, posture="B", wanted="up"))))
    driven.press("next")
    driven.wait(LEAD_S)
    assert driven.step == "play"
    due = driven.guide.phase.ends_s
    driven.now_s = due + 1.2
    driven.happen(TimePassed(driven.now_s))
    assert driven.events[-1].end_s == pytest.approx(due)
    assert driven.open is not None
    assert (driven.open.kind, driven.open.start_s) == ("rest", pytest.approx(due))


def test_a_pedal_counts_a_rating_up_and_accepts_it() -> None:
    driven = ready()
    driven.press("next")
    driven.wait(10.0)
    assert view(driven.guide).keys[0].label == "No answer"
    seen = driven.guide.number
    for counted in (*range(11), 0, 1):
        driven.press("again", seen=seen)
        rating = view(driven.guide).rating
        assert rating is not None
        assert rating.counted == counted
        assert view(driven.guide).keys[0].label == f"Accept {counted}"
    for _ in range(2):
        driven.press("next", seen=seen)
    assert [(e.label, e.rating) for e in driven.events if e.kind == "rating"] == [("tension", 1.0)], (
        "a bounce is dropped"
    )
    driven.press("next")
    assert driven.guide.questions == ()
    assert len([e for e in driven.events if e.kind == "rating"]) == 1, "nothing counted is no answer"
    assert "rate" not in driven.keys


def test_gestures_of_two_postures_take_less_than_a_minute() -> None:
    """One key for the table, one for the hand; then they follow each other. It was 81 s with nine presses."""
    driven = Driven(PLAN)
    driven.press("next")
    begun_s, presses = driven.now_s, 0
    while driven.step == "gestures":
        if view(driven.guide).keys[0].command == "next":
            driven.press("next")
            presses += 1
        driven.wait(0.5)
    assert presses == 2
    assert driven.now_s - begun_s < 57.0


def test_a_sensor_that_moved_is_asked_for_one_full_pivot() -> None:
    driven = Driven(PLAN)
    driven.happen(replace(driven.chosen(), gestures=choose_gestures(3.0)))
    driven.moved = True
    driven.press("next")
    driven.do_gestures()
    pivots = [event for event in driven.events if event.kind == "pivot"]
    assert [(e.posture, round(e.end_s - e.start_s)) for e in pivots] == [("A", 5), ("A", 9), ("B", 5)]
    assert sum(isinstance(order, ForgetLever) for order in driven.orders) == 1
    assert [wanted.number for wanted in driven.guide.wanted] == list(range(1, 10))
    assert {wanted.count for wanted in driven.guide.wanted} == {9}


DRILL = replace(BLOCK, drill="4:5-7 3:5", bars=None, repeats=3, rest_s=None, rest_beats=2, count_in_beats=4)
SWITCHES = Plan(
    "switching",
    (DRILL, replace(DRILL, posture="B", count_in_beats=0), replace(DRILL, count_in_beats=0), BLOCK),
)


def test_the_next_posture_is_told_a_bar_ahead_and_its_click_is_scheduled_before_it_is_due() -> None:
    driven = ready(SWITCHES)
    driven.press("next")
    begun_s = driven.now_s
    driven.wait(LEAD_S + 2.0 + 0.5)
    shown = view(driven.guide)
    assert shown.click is not None
    assert shown.coming is not None
    ends_s = begun_s + LEAD_S + 2.0 + 1.5
    # 12 notes at 4 a beat are 3 beats, less than a bar: the whole play announces.
    assert (shown.click.beats, shown.click.sounds, shown.click.cue_beat) == (4 + 3 + 2, "Appp" + "Fff" + "rr", 7)
    assert shown.coming.announce_server_s == pytest.approx(ends_s - 2.0)
    assert shown.coming.block.posture == "B"
    assert shown.coming.click is not None
    assert shown.coming.click.start_server_s == pytest.approx(ends_s + 1.0)
    driven.wait(1.2)
    resting = view(driven.guide)
    assert resting.rest is not None
    assert (resting.step, resting.rest.kind, resting.title) == (
        "rest",
        "switch",
        "Posture B, 120 BPM, 4 notes a beat, 2 s",
    )
    assert resting.click == shown.click, "the click goes on through the rest"
    assert resting.coming is not None
    driven.wait(1.0)
    assert view(driven.guide).click == shown.coming.click == resting.coming.click, "and into the next block"
    assert driven.step == "play"


def test_no_click_is_promised_where_a_break_is_due() -> None:
    driven = ready(SWITCHES)
    driven.happen(LoadAssessed(driven.now_s, "ease off", "Rest."))
    driven.press("next")
    driven.wait(LEAD_S + 2.5)
    coming = view(driven.guide).coming
    assert coming is not None
    assert coming.click is None


def test_a_posture_that_stays_is_not_announced() -> None:
    driven = ready(Plan("same", (DRILL, replace(DRILL, count_in_beats=0))))
    driven.press("next")
    driven.wait(LEAD_S + 2.5)
    shown = view(driven.guide)
    assert shown.click is not None
    assert shown.coming is not None
    assert ("f" in shown.click.sounds.lower(), shown.coming.announce_server_s) == (False, None)


def test_the_tab_holds_one_cycle_of_the_drill() -> None:
    driven = ready(SWITCHES)
    block = view(driven.guide).block
    assert block is not None
    assert block.tab is not None
    # Three notes: strokes turn round on every pass, so a cycle is two.
    assert block.tab.strings == (4, 4, 3, 4, 4, 3)
    assert block.tab.frets == (5, 7, 5, 5, 7, 5)
    assert (block.tab.strokes, block.tab.loops) == (("down", "up") * 3, True)
    assert (block.tab.starts, block.tab.cycle_units, block.tab.lead) == ((0.0, 1.0, 2.0, 3.0, 4.0, 5.0), 6.0, 0)


def test_the_tab_of_a_pickup_and_a_rest_holds_their_times() -> None:
    """A pickup of one unit at four a beat: it comes on the last quarter of the first beat, the bar on the next."""
    drill = replace(DRILL, drill="4x1 then 4x1*2 3x1 r 2x2")
    driven = ready(Plan("pickup", (drill, replace(drill, count_in_beats=0))))
    driven.press("next")
    driven.wait(LEAD_S + 0.1)
    shown = view(driven.guide)
    assert shown.block is not None
    tab = shown.block.tab
    assert tab is not None
    assert (tab.lead, tab.lead_units, tab.before_units, tab.cycle_units) == (1, 1.0, 3.0, 6.0)
    assert tab.starts == (0.0, 1.0, 3.0, 5.0, 6.0)
    assert tab.strings == (4, 4, 3, 2, 2)
    assert shown.click is not None
    # Count-in of four, a beat for the pickup, then the bar line.
    assert shown.click.sounds[:6] == "ApppAp"[:4] + "pA"
    assert shown.click.pickup_beats == 1


def test_a_drill_that_the_instrument_cannot_play_is_said() -> None:
    driven = Driven(SWITCHES)
    driven.happen(replace(driven.chosen(), strings=3))
    driven.press("next")
    driven.do_gestures()
    shown = view(driven.guide)
    assert "strings 1 to 3" in shown.hint
    assert shown.block is not None
    assert shown.block.tab is None


def test_most_of_a_switch_evening_is_play() -> None:
    """Known lever, two postures, a switch block of three minutes: gestures, leads and rests against play."""
    phrase = replace(BLOCK, drill="4x2 3x2 2x2 3x2", bars=None, repeats=3, rest_s=None, rest_beats=2, count_in_beats=0)
    pair = (phrase, replace(phrase, posture="B", wanted="up"))
    plan = Plan("evening", (replace(phrase, count_in_beats=4), *(pair * 24)[1:]))
    driven = Driven(plan)
    driven.happen(replace(driven.chosen(), gestures=choose_gestures(3.0)))
    begun_s = driven.now_s
    driven.press("next")
    while driven.step != "finishing" and driven.now_s < begun_s + 400.0:
        if view(driven.guide).keys and view(driven.guide).keys[0].command == "next":
            if driven.guide.over:
                break
            driven.press("next")
        driven.wait(0.25)
    took_s = driven.now_s - begun_s
    assert driven.guide.blocks == 48
    assert 170.0 < took_s < 250.0
    asked = side_check()
    rest_s = took_s - asked.lead_s - asked.seconds  # The side check is an evening's own, however long it lasts.
    assert driven.guide.load.played_s / rest_s > 0.6


def test_without_a_sensor_the_plan_is_played_all_the_same() -> None:
    driven = Driven(SWITCHES, sensor=False)
    assert driven.step == "setup"
    assert driven.orders == []
    driven.press("next")
    assert driven.step == "ready", "no gestures"
    driven.press("next")
    driven.wait(LEAD_S + 2.0 + 1.0)
    shown = view(driven.guide)
    assert (shown.step, shown.click is not None, shown.coming is not None) == ("play", True, True)
    driven.wait(60.0)
    driven.press("rate", 3)
    assert driven.guide.load.first_tension == 3


def test_a_sensor_that_slipped_in_a_block_asks_for_new_gestures_once_before_the_next() -> None:
    for anew in (True, False):
        driven = Driven(PLAN)
        driven.press("next")
        driven.do_gestures()
        driven.press("next")
        while driven.step != "rest":
            driven.wait(1.0)
        posture = driven.guide.free.posture if driven.guide.block is None else driven.guide.block.posture
        driven.happen(MountingMoved(driven.now_s, posture, "Tilts may be 4.0 deg off."))
        assert driven.step == "rest", "the rest goes on; it is asked at its end"
        before = driven.kinds()
        driven.press("skip")
        driven.press("skip")
        driven.wait(60.0)
        shown = view(driven.guide)
        assert (shown.step, shown.title) == ("gestures", "New gestures?")
        assert shown.hint.startswith("Tilts may be 4.0 deg off.")
        driven.wait(60.0)
        assert view(driven.guide).title == "New gestures?", "nothing begins by itself"
        driven.press("next" if anew else "skip")
        driven.do_gestures()
        assert driven.step == "ready"
        added = [kind for kind in driven.kinds()[len(before) :] if kind != "rest"]
        assert added == (["across", "along", "pivot"] if anew else [])
        assert ("4.0 deg" in view(driven.guide).notice) is not anew
        assert driven.guide.moved is None
