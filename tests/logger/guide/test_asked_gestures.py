"""Which gestures are asked for."""

from __future__ import annotations

from logger.guide.asked_gestures import full_gestures, gestures_for


def test_gestures_of_two_postures() -> None:
    wanted = gestures_for(full_gestures(), ("A", "B"))
    assert [each.posture for each in wanted] == ["", "A", "A", "A", "A", "B", "B"]
    assert [each.asked.kind for each in wanted[5:]] == ["across", "pivot"], "the strings run where they ran"
    assert [each.off_hand for each in wanted] == [True] + [False] * 6
    assert [each.number for each in wanted] == list(range(1, 8))
