"""Parts of the live session: what can be chosen, the target, what goes to the pages."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.model.errors import InputError
from analysis.model.records import SOUNDBOARD, Instrument, Player
from analysis.reference.soundboard import HEIGHTS
from logger.live.block_result import held_share, target_deg
from logger.live.commands import Choose
from logger.live.protocol import Pulse, encode
from logger.live.set_up import SetUp
from logger.player.player_profile import PlayerProfile, Players
from logger.record.recorder import Setup

PLAYERS = Players((PlayerProfile(Player("invented", "left"), Instrument(name="lap", held="flat")),), "")


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


def test_two_minutes_for_a_truer_answer_are_offered_where_there_is_a_soundboard_to_lie_on() -> None:
    set_up = SetUp(Setup(), PLAYERS, second=True)
    assert set_up.shown.truer == "no"
    assert "rock" in [gesture.kind for gesture in set_up.chosen(0.0).gestures]
    set_up.choose(Choose("truer", "yes"))
    assert set_up.shown.truer == "yes"
    assert SOUNDBOARD in [gesture.label for gesture in set_up.chosen(0.0).gestures]
    with pytest.raises(InputError):
        set_up.choose(Choose("truer", "perhaps"))
    for wrong in ("11.5", "11.5 twelve", "11.5 120", "-1 2"):
        with pytest.raises(InputError, match="heights"):
            set_up.choose(Choose("heights_mm", wrong))
    set_up.choose(Choose("heights_mm", "11.5 12"))
    assert set_up.recorded.metadata[HEIGHTS] == set_up.shown.heights_mm == "11.5 12"
    set_up.choose(Choose("heights_mm", ""))
    assert HEIGHTS not in set_up.recorded.metadata
    set_up.choose(Choose("heights_mm", "11.5 12"))
    set_up.choose(Choose("instrument", "mandolin"))
    assert set_up.shown.heights_mm == "", "another soundboard"
    set_up.choose(Choose("player", "invented"))  # on the lap
    assert set_up.shown.truer is None
    assert SOUNDBOARD not in [gesture.label for gesture in set_up.chosen(0.0).gestures]


def test_the_target_is_beyond_the_dead_band() -> None:
    tilts = np.array([-20.0, -11.0, -10.0, 5.0, 10.9, 15.0])
    assert held_share(tilts, target_deg("down", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, target_deg("up", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, target_deg(None, 10.8)) is None
    assert held_share(np.empty(0), target_deg("up", 10.8)) is None


def test_what_is_no_number_is_null() -> None:
    text = encode(Pulse(1.23456, float("nan"), 3, 0, float("inf")))
    assert text == '{"type":"pulse","server_s":1.235,"recorded_s":null,"samples":3,"lost_samples":0,"silent_s":null}'
