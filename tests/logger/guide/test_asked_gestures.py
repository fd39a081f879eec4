"""Which gestures are asked for."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import FACE_DOWN, SOUNDBOARD
from logger.guide.asked_gestures import choose_gestures, full_gestures, gestures_anew, gestures_for
from logger.guide.view import view
from tests.logger.guide.driving import Driven


def test_gestures_of_two_postures() -> None:
    wanted = gestures_for(full_gestures(), ("A", "B"))
    assert [each.posture for each in wanted] == ["", "A", "A", "A", "A", "B", "B"]
    assert [each.asked.kind for each in wanted[5:]] == ["across", "pivot"], "the strings run where they ran"
    assert [each.off_hand for each in wanted] == [True] + [False] * 6
    assert [each.number for each in wanted] == list(range(1, 8))


def test_a_second_sensor_asks_for_rocking_and_a_truer_answer_for_stills_on_the_soundboard() -> None:
    usual = [(each.kind, each.label) for each in choose_gestures(None)]
    both = [(each.kind, each.label) for each in choose_gestures(None, second=True, truer=True)]
    stills = [("still", SOUNDBOARD)] * 3 + [("still", FACE_DOWN)]
    check = ("side check", "")
    assert usual == [*((each.kind, each.label) for each in full_gestures()), check]
    assert both == [usual[0], *stills, *usual[1:-1], ("rock", ""), check]
    assert [(each.kind, each.label) for each in choose_gestures(3.0, second=True)] == [*usual[:-1], ("rock", ""), check]
    wanted = gestures_for(choose_gestures(None, second=True, truer=True), ("A", "B"))
    assert [each.off_hand for each in wanted[:6]] == [True] * 5 + [False], "the strap waits until the stills are done"
    assert [each.asked.kind for each in wanted if each.posture == "B"] == ["across", "pivot"]


def test_an_edge_asks_for_an_angle_check_once_on_the_hand_and_not_when_the_gestures_are_made_anew() -> None:
    asked = choose_gestures(None, edge="20/100")
    assert [(each.kind, each.label) for each in asked[-2:]] == [("side check", ""), ("angle check", "20/100")]
    wanted = gestures_for(asked, ("A", "B"))
    assert [each.asked.kind for each in wanted if each.asked.is_check] == ["side check", "angle check"]
    assert [each.off_hand for each in wanted] == [True] + [False] * 8, "the label of an edge is no place off the hand"
    assert [each.asked.kind for each in gestures_anew(asked, "A")] == ["still", "across", "along", "pivot"]


def test_the_side_check_says_what_leaving_it_out_costs_until_it_runs() -> None:
    driven = Driven()
    driven.happen(replace(driven.chosen(), gestures=choose_gestures(None)[-1:]))
    driven.press("next")
    shown = view(driven.guide)
    assert shown.gesture is not None
    assert shown.gesture.prompt.endswith("nothing would show it.")
    assert shown.hint.endswith("nothing would show it.")
    driven.press("next")
    driven.wait(4.0)
    shown = view(driven.guide)
    assert shown.gesture is not None
    assert shown.gesture.phase == "running"
    assert "Left out" not in shown.gesture.prompt


def test_a_side_check_that_does_not_come_out_as_down_is_made_again_or_left_as_it_is() -> None:
    """What it costs to go on is the analysis's to say: nothing is sure, see :mod:`analysis.stroke.truth_checks`."""
    for again in (True, False):
        driven = Driven()
        driven.happen(replace(driven.chosen(), gestures=choose_gestures(None)))
        driven.usable = lambda done: done - {("side check", "A")}
        driven.press("next")
        driven.do_gestures_until("Once more")
        driven.usable = lambda done: done
        driven.press("next" if again else "skip")
        driven.wait(20.0)
        assert driven.step == "ready"
        assert driven.kinds().count("side check") == 1 + again


def test_each_has_a_title_of_its_own_can_be_left_out_and_is_marked_by_its_label() -> None:
    for skipped in (True, False):
        driven = Driven()
        driven.happen(replace(driven.chosen(), gestures=choose_gestures(None, second=True, truer=True, edge="20/100")))
        driven.press("next")
        titles = []
        while (shown := view(driven.guide)).gesture is not None:
            titles.append(shown.title)
            assert not skipped or "skip" in driven.keys
            if skipped or "next" in driven.keys:
                driven.press("skip" if skipped else "next")
            if not skipped:
                driven.wait(1.0)
        assert len(set(titles)) == 10, "three stills flat on the soundboard share one"
        marked = [(event.kind, event.label) for event in driven.events if event.kind != "rest"]
        assert marked == (
            []
            if skipped
            else [(e.kind, e.label) for e in choose_gestures(None, second=True, truer=True, edge="20/100")]
        )
