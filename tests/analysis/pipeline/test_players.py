"""Other hands, instruments, sensors and ways to play than the usual."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Literal

import numpy as np
import pytest

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import Instrument, Player
from analysis.pipeline import analyse_session
from analysis.synthesis.draw import draw_attitude, draw_hand, random_scenario
from analysis.synthesis.scenario import Attitude, GesturePlan, PlayBlock, Posture
from benchmarks.scoring import pooled
from tests.analysis.pipeline.played import Played, events_changed, of_scenario, play


def check_block(played: Played, rms_deg: float = 2.5) -> None:
    """The first block's strokes are found, their tilt is right, and the stated interval holds it."""
    row = pooled([played.score], beyond_deg=4.0)
    assert row["recall_pct"] > 98.0
    assert row["precision_pct"] > 97.0
    assert row["rms_deg"] < rms_deg
    interval = played.block.tilt_ci95_deg
    assert interval is not None
    assert interval[0] - 0.5 < played.true_tilt_deg < interval[1] + 0.5


def test_left_handed_player() -> None:
    """The sign of tilt does not depend on handedness; only the name of X does."""
    scenario = random_scenario(651, 8.0, 12.0)
    hand = draw_hand(np.random.default_rng(651), "left")
    blocks = tuple(replace(block, tilt_deg=15.0) for block in scenario.blocks)
    played = of_scenario(replace(scenario, player=Player(handed="left"), hand=hand, blocks=blocks), 651)
    check_block(played)
    assert played.block.tilt_side == "down"
    assert played.result.player.handed == "left"


def test_instrument_held_flat() -> None:
    """Y does not point down: the first move of ``across`` gives its sign."""
    scenario = random_scenario(653, 8.0, 12.0)
    level = replace(scenario.attitude or Attitude(), neck_up_deg=0.0)
    played = of_scenario(replace(scenario, instrument=Instrument(held="flat"), attitude=level), 653)
    check_block(played)


def test_attitude_of_the_instrument_does_not_matter() -> None:
    """Other headings, necks raised or lowered, faces turned up or down."""
    for seed in (655, 656):
        check_block(play(seed, attitude=draw_attitude(np.random.default_rng(seed))))


def test_repeated_gestures_narrow_the_session_part() -> None:
    """About as 1/sqrt(n): less than 0.8 of it with three."""
    once, thrice = (play(657, gestures=GesturePlan(repetitions=n)) for n in (1, 3))
    check_block(thrice)
    assert thrice.result.reference.repetitions == {"across": 3, "along": 3, "pivot": 3}
    assert thrice.block.tilt_offset_se_deg is not None
    assert once.block.tilt_offset_se_deg is not None
    assert thrice.block.tilt_offset_se_deg < 0.8 * once.block.tilt_offset_se_deg


def test_short_gestures_still_give_the_frame() -> None:
    check_block(play(658, gestures=GesturePlan(length="short")))


@cache
def two_postures() -> Played:
    scenario = random_scenario(659, 8.0, 12.0)
    plan = scenario.blocks[0]
    blocks = (replace(plan, tilt_deg=14.0), replace(plan, tilt_deg=-9.0, posture="B"))
    postures = (Posture("A"), Posture("B", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65)))
    return of_scenario(replace(scenario, blocks=blocks, postures=postures), 659)


def test_two_postures_each_with_its_own_gestures() -> None:
    """15 deg of yaw and a 5 mm change of grip: taken for drift it would cost 4 deg."""
    played = two_postures()
    found = [block.tilt_mean_deg for block in played.result.blocks]
    true = played.simulated.truth.blocks["tilt_mean_deg"].to_numpy()
    assert [block.posture for block in played.result.blocks] == ["A", "B"]
    assert [block.tilt_side for block in played.result.blocks] == ["down", "up"]
    assert np.subtract(found, true) == pytest.approx([0.0, 0.0], abs=2.5)
    assert found[1] - found[0] == pytest.approx(true[1] - true[0], abs=3.0)
    assert set(played.result.strokes["posture"]) == {"A", "B"}


def test_gestures_of_another_posture_are_used_where_a_posture_has_none() -> None:
    """With a warning: its lever and its heading are not its own."""
    session = events_changed(
        two_postures().session,
        lambda event: None if event.posture == "B" and event.kind in ("across", "along", "pivot") else event,
    )
    result = analyse_session(session)
    assert len(result.blocks) == 2
    second, true = result.blocks[1], two_postures().simulated.truth.blocks["tilt_mean_deg"][1]
    assert second.tilt_ci95_deg is not None
    assert second.tilt_mean_deg == pytest.approx(true, abs=8.0)


@pytest.mark.parametrize(("rate", "seed"), [(4.0, 661), (8.0, 662)])
def test_sensor_of_100_samples_a_second(rate: float, seed: int) -> None:
    """Attacks cannot be seen: the marks of the block tell play from other motion, contact is at mid-stroke."""
    played = play(seed, rate, rate_hz=100.0)
    check_block(played)
    assert not played.result.strokes["attack"].any()


def with_attacks(attacks: Literal["none"] | float) -> Played:
    scenario = random_scenario(663, 8.0, 12.0)
    blocks = tuple(replace(block, attacks=attacks) for block in scenario.blocks)
    return of_scenario(replace(scenario, blocks=blocks), 663)


def test_silent_strokes() -> None:
    """They count inside a block that the player marked."""
    check_block(with_attacks("none"))


def test_attacks_on_half_of_the_strokes() -> None:
    """The end of a block then shows last where one was found: up to seven strokes of twelve seconds are left out."""
    played = with_attacks(0.5)
    row = pooled([played.score], beyond_deg=4.0)
    assert row["recall_pct"] > 90.0
    assert row["precision_pct"] > 97.0
    assert row["rms_deg"] < 2.5


def test_string_changes_stay_out_of_nothing_but_the_errors() -> None:
    """A change of string every six strokes: every stroke is still found."""
    scenario = random_scenario(664, 8.0, 12.0)
    blocks = tuple(replace(block, string_change_every=6) for block in scenario.blocks)
    row = pooled([of_scenario(replace(scenario, blocks=blocks), 664).score], beyond_deg=4.0)
    assert row["recall_pct"] > 97.0
    assert row["rms_deg"] < 3.0


def test_tempo_that_changes_between_blocks() -> None:
    scenario = random_scenario(665, 8.0, 8.0, blocks=3)
    rates = (3.0, 8.0, 12.0)
    blocks = tuple(replace(b, strokes_per_s=rate) for b, rate in zip(scenario.blocks, rates, strict=True))
    played = of_scenario(replace(scenario, blocks=blocks), 665)
    check_block(played)
    assert [block.strokes_per_s for block in played.result.blocks] == pytest.approx(rates, rel=0.05)
    assert [block.index for block in played.result.blocks] == [0, 1, 2]


def test_a_level_stroke_clears_neither_way_and_a_tilted_one_clears() -> None:
    """Straight paths of 25 mm: 10.8 deg clear strings 10.5 mm apart by 2 mm, so 3 deg do not and 22 deg do."""
    answers = []
    for tilt in (22.0, 3.0, -22.0):
        scenario = random_scenario(666, 6.0, 8.0)
        blocks = (PlayBlock(strokes_per_s=6.0, tilt_deg=tilt, span_mm=25.0, duration_s=8.0),)
        answers.append(of_scenario(replace(scenario, blocks=blocks), 666).block)
    assert [block.clearing_stroke for block in answers] == ["down", "level", "up"]
    assert answers[0].share_clearing is not None
    assert answers[0].share_clearing > 0.9
    assert answers[1].share_clearing is not None
    assert answers[1].share_clearing < 0.2


def test_no_strokes_at_all() -> None:
    """A block is marked, but the hand only rests in it."""
    played = play(667)
    start = next(e for e in played.session.events if e.kind == "play").start_s
    idle = events_changed(
        played.session,
        lambda e: replace(e, start_s=start - 3.5, end_s=start - 1.0) if e.kind == "play" else e,
    )
    cut = played.session.raw.ticks / 1e6 < start - 0.5
    raw = replace(idle.raw, ticks=idle.raw.ticks[cut], sequence=idle.raw.sequence[cut])
    raw = replace(raw, host_time_s=idle.raw.host_time_s[cut], counts=idle.raw.counts[cut])
    with pytest.raises(NotEnoughDataError, match=r"expected strokes of play, found none; check that"):
        analyse_session(replace(idle, raw=raw))
