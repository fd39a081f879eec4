"""Which gestures are asked for."""

from __future__ import annotations

from logger.guide.asked_gestures import full_gestures, gestures_for


def test_gestures_of_two_postures() -> None:
    wanted = gestures_for(full_gestures(), ("A", "B"))
    assert [each.posture for each in wanted] == ["", "A", "A", "A", "A", "B", "B", "B", "B"]
    assert [each.off_hand for each in wanted] == [True] + [False] * 8
    assert [each.number for each in wanted] == list(range(1, 10))
