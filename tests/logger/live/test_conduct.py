"""What the conduct decides: choices, breaks, the zone, which gestures, the player that follows cues."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.cautions import STOP
from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player
from logger.live.block_result import held_share, zone_deg
from logger.live.break_advice import Body
from logger.live.commands import Choose
from logger.live.gesture_steps import gestures_for
from logger.live.protocol import Pulse, encode
from logger.live.set_up import SetUp
from logger.player.player_profile import PlayerProfile, Players
from logger.practice.plan_orders import BREAK_S, LONGEST_PLAY_S
from logger.record.record_session import full_gestures
from logger.record.recorder import Setup

PLAYERS = Players((PlayerProfile(Player("invented", "left"), Instrument(name="lap", held="flat")),), "")


def test_a_break_is_proposed_by_time_played_and_gone_after_it() -> None:
    body = Body()
    body.played(LONGEST_PLAY_S - 1.0)
    assert body.proposal == ""
    body.played(2.0)
    assert "20 minutes" in body.proposal
    body.rested(BREAK_S - 1.0)
    assert body.proposal
    body.rested(BREAK_S)
    assert body.proposal == ""
    assert body.seconds == (LONGEST_PLAY_S + 1.0, 0.0)


@pytest.mark.parametrize(
    ("ratings", "proposed"),
    [
        ([("tension", 2), ("tension", 4)], ""),
        ([("tension", 2), ("tension", 5)], "Tension 5"),
        ([("tension", 7)], "Tension 7"),
        ([("discomfort", 0)], ""),
        ([("discomfort", 1)], "Discomfort 1"),
    ],
)
def test_a_break_is_proposed_by_ratings(ratings: list[tuple[str, int]], proposed: str) -> None:
    body = Body()
    for scale, value in ratings:
        body.rated(scale, value)
    assert body.proposal.startswith(proposed)
    assert bool(body.proposal) == bool(proposed)
    assert (STOP in body.proposal) == proposed.startswith("Discomfort")


def test_choices_of_the_set_up() -> None:
    set_up = SetUp(Setup(), PLAYERS)
    set_up.choose(Choose("player", "invented"))
    assert set_up.recorded.player.handed == "left"
    assert set_up.recorded.instrument.held == "flat"
    set_up.choose(Choose("handed", "right"))
    set_up.choose(Choose("tempo_bpm", "96"))
    set_up.choose(Choose("wanted", "up"))
    shown = set_up.shown
    assert (shown.player, shown.handed, shown.tempo_bpm, shown.wanted) == ("invented", "right", 96.0, "up")
    assert np.diff(shown.courses_mm) == pytest.approx(np.full(5, 10.5))
    assert sum(shown.courses_mm) == pytest.approx(0.0)
    set_up.choose(Choose("tempo_bpm", ""))
    assert set_up.shown.tempo_bpm is None
    for field, value in (("player", "nobody"), ("instrument", "../x"), ("tempo_bpm", "nan"), ("tempo_bpm", "1e9")):
        with pytest.raises(InputError):
            set_up.choose(Choose(field, value))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="stay as they are"):
        set_up.choose(Choose("handed", "left"), blocks_only=True)
    with pytest.raises(InputError, match="plan"):
        SetUp(Setup(), PLAYERS, ("A",)).choose(Choose("posture", "B"))


def test_gestures_of_two_postures() -> None:
    wanted = gestures_for(full_gestures(), ("A", "B"))
    assert [each.posture for each in wanted] == ["", "A", "A", "A", "A", "B", "B", "B", "B"]
    assert [each.off_hand for each in wanted] == [True] + [False] * 8
    assert [each.number for each in wanted] == list(range(1, 10))


def test_the_zone_is_beyond_the_dead_band() -> None:
    tilts = np.array([-20.0, -11.0, -10.0, 5.0, 10.9, 15.0])
    assert held_share(tilts, zone_deg("down", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, zone_deg("up", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, zone_deg(None, 10.8)) is None
    assert held_share(np.empty(0), zone_deg("up", 10.8)) is None


def test_what_is_no_number_is_null() -> None:
    text = encode(Pulse(1.23456, float("nan"), 3, 0, float("inf")))
    assert text == '{"type":"pulse","server_s":1.235,"recorded_s":null,"samples":3,"lost_samples":0,"silent_s":null}'
