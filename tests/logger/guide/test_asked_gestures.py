"""Which gestures are asked for."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import FACE_DOWN, SOUNDBOARD
from logger.guide.asked_gestures import choose_gestures, full_gestures, gestures_for
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
    assert both == [usual[0], *stills, *usual[1:], ("rock", "")]
    assert [(each.kind, each.label) for each in choose_gestures(3.0, second=True)] == [*usual, ("rock", "")]
    wanted = gestures_for(choose_gestures(None, second=True, truer=True), ("A", "B"))
    assert [each.off_hand for each in wanted[:6]] == [True] * 5 + [False], "the strap waits until the stills are done"
    assert [each.asked.kind for each in wanted if each.posture == "B"] == ["across", "pivot"]


def test_each_has_a_title_of_its_own_can_be_left_out_and_is_marked_by_its_label() -> None:
    for skipped in (True, False):
        driven = Driven()
        driven.happen(replace(driven.chosen(), gestures=choose_gestures(None, second=True, truer=True)))
        driven.press("next")
        titles = []
        while (shown := view(driven.guide)).gesture is not None:
            titles.append(shown.title)
            assert not skipped or "skip" in driven.keys
            if skipped or "next" in driven.keys:
                driven.press("skip" if skipped else "next")
            if not skipped:
                driven.wait(1.0)
        assert len(set(titles)) == 8, "three stills flat on the soundboard share one"
        marked = [(event.kind, event.label) for event in driven.events if event.kind != "rest"]
        assert marked == (
            [] if skipped else [(e.kind, e.label) for e in choose_gestures(None, second=True, truer=True)]
        )
