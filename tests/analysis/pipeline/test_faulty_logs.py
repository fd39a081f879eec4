"""Logs with losses, gaps, clipping, odd clocks and overlapping marks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from analysis.consistency.channels import weigh_saturation
from analysis.model.errors import InputError, TimebaseError
from analysis.model.records import Event, RawSamples, Session
from analysis.pipeline import analyse_session
from analysis.synthesis.scenario import Recording
from benchmarks.uneven_play import shaped
from tests.analysis.pipeline.played import Played, event_of, of_scenario, play, times_s, without

SEED = 763


@cache
def whole() -> Played:
    return play(SEED, 8.0, 20.0, recording=Recording(lost_share=0.0, bursts_per_min=0.0))


def middle_s() -> float:
    """A moment in the middle of the block."""
    block = event_of(whole().session, "play")
    return 0.5 * (block.start_s + block.end_s)


@pytest.mark.parametrize("gap_s", [0.05, 0.2, 0.5, 3.0])
def test_strokes_beside_a_gap_are_as_good_as_others(gap_s: float) -> None:
    """A line drawn across half a second of play turned the strokes around it by 5 to 25 deg."""
    start, end = middle_s(), middle_s() + gap_s
    played = whole().spoilt(lambda session: without(session, [(start, end)]))
    true, found = played.pairs()
    error = (found["tilt_deg"] - true["tilt_deg"]).to_numpy()
    error = error - np.median(error)
    near = (np.abs(found["start_s"] - end) < 1.5) | (np.abs(found["end_s"] - start) < 1.5)
    assert near.sum() >= 15
    assert np.sqrt((error[near] ** 2).mean()) < 1.5 * np.sqrt((error[~near] ** 2).mean()) + 0.3
    assert played.block.tilt_mean_deg == pytest.approx(whole().block.tilt_mean_deg, abs=0.8)
    # What was lost is lost: no stroke lies in the gap, and the rest is found.
    inside = (found["start_s"] < end - 0.01) & (found["end_s"] > start + 0.01)
    assert not inside.any()
    lost = ((played.truth["end_s"] > start) & (played.truth["start_s"] < end)).sum()
    assert len(found) >= len(played.truth) - lost - 4
    assert played.result.lost_samples == pytest.approx(400 * gap_s, rel=0.02, abs=2)


def test_a_gap_while_the_hand_moves_between_gestures_and_play_widens_the_interval() -> None:
    """How far the hand turned meanwhile nobody saw: the heading may have jumped."""
    pivot, block = event_of(whole().session, "pivot"), event_of(whole().session, "play")
    start = 0.5 * (pivot.end_s + block.start_s)
    played = whole().spoilt(lambda session: without(session, [(start, start + 0.5)]))
    assert beside_doubts_deg(played) > 1.3 * beside_doubts_deg(whole())
    interval = played.block.tilt_ci95_deg
    assert interval is not None
    assert interval[0] < played.true_tilt_deg < interval[1]


def beside_doubts_deg(played: Played) -> float:
    """The session's part of the tilt's error without what is only suspected."""
    offset_deg = played.result.tilt_offset_se_deg
    assert offset_deg is not None
    return float(np.sqrt(offset_deg**2 - sum(doubt.se_deg**2 for doubt in played.result.doubts)))


def test_bursts_of_loss_throughout() -> None:
    """Five bursts of 20-200 ms a minute and half a percent of single samples."""
    played = play(SEED, 8.0, 20.0, recording=Recording(lost_share=5e-3, bursts_per_min=5.0))
    true, found = played.pairs()
    error = (found["tilt_deg"] - true["tilt_deg"]).to_numpy()
    assert len(found) > 0.9 * len(played.truth)
    assert np.sqrt((error**2).mean()) < 2.5
    assert played.result.lost_samples == played.simulated.truth.lost_samples
    assert any(warning.startswith(f"{played.result.lost_samples} of ") for warning in played.result.warnings)


def test_single_lost_samples_change_nothing_to_speak_of() -> None:
    t = times_s(whole().session)
    single = [(t[at] - 0.001, t[at] + 0.001) for at in range(200, t.size - 200, 200)]
    played = whole().spoilt(lambda session: without(session, single))
    assert played.result.lost_samples == len(single)
    assert len(played.result.strokes) == pytest.approx(len(whole().result.strokes), abs=1)
    assert played.block.tilt_mean_deg == pytest.approx(whole().block.tilt_mean_deg, abs=0.05)


def test_clipped_samples_are_counted() -> None:
    def clip(session: Session) -> Session:
        raw = session.raw
        counts = raw.counts.copy()
        counts[5000:5007, 1] = 32767
        counts[5005:5010, 4] = -32768
        return replace(session, raw=replace(raw, counts=counts))

    before = whole().result.clipped_samples
    played = whole().spoilt(clip)
    assert played.result.clipped_samples == before + 10
    assert any("saturated" in warning and "range" in warning for warning in played.result.warnings)


@pytest.mark.parametrize("seed", [90311, 90312, 90313])
def test_attacks_beyond_the_range_scatter_no_stroke(seed: int) -> None:
    """Attacks of 60 to 200 m/s2 on a sensor of 8 g: single strokes were some 7 deg off, the interval 17 deg wide."""
    played = of_scenario(shaped(seed, 8.0, attack_mps2=(60.0, 200.0)), seed)
    assert played.result.clipped_samples > 0
    true, found = played.pairs()
    error = (found["tilt_deg"] - true["tilt_deg"]).to_numpy()
    error = error - error.mean()
    assert np.sqrt((error**2).mean()) < 1.5
    assert np.mean(np.abs(error) < 1.96 * found["tilt_se_deg"]) > 0.9
    interval = played.block.tilt_ci95_deg
    assert interval is not None
    assert interval[0] < played.true_tilt_deg < interval[1]
    assert all(doubt.se_deg <= 2.0 for doubt in played.result.doubts if doubt.kind == "sensor range")


@pytest.mark.parametrize(("seconds", "attack"), [(0.005, True), (0.03, False)])
def test_a_clipped_attack_is_told_from_a_clipped_swing(seconds: float, attack: bool) -> None:
    """Half a sine wave every quarter second that is twice the range: a blow of 5 ms, and a swing of 30 ms."""
    t = np.arange(4000) / 400.0
    at = np.mod(t, 0.25)
    pulse = np.where(at < 2 * seconds, np.sin(np.pi * at / (2 * seconds)), 0.0)
    counts = np.zeros((t.size, 6), dtype=np.int16)
    counts[:, 0] = np.clip(65534 * pulse + 2000 * np.sin(2 * np.pi * 4 * t), -32767, 32767)
    found = weigh_saturation(counts, np.arange(t.size), whole().session.profile, 400.0)
    assert found is not None
    assert found.axes == ("accelerometer x",)
    assert found.samples >= 40
    assert found.lasting == 0.0 if attack else found.lasting > 0.05


def test_repeated_samples_are_left_out_and_counted() -> None:
    def repeat(session: Session) -> Session:
        raw = session.raw
        at = np.insert(np.arange(raw.ticks.size), 9000, [9000, 9000])
        return replace(session, raw=RawSamples(raw.ticks[at], raw.sequence[at], raw.host_time_s[at], raw.counts[at]))

    played = whole().spoilt(repeat)
    assert any(warning.startswith("2 samples stand at a time already taken") for warning in played.result.warnings)
    assert played.block.tilt_mean_deg == pytest.approx(whole().block.tilt_mean_deg, abs=1e-6)


def test_log_time_is_kept_whatever_its_zero() -> None:
    """Times in are times out: the log starts at 100 s or at a million seconds, the strokes follow."""
    first, last = whole().truth["start_s"].iloc[0], whole().truth["end_s"].iloc[-1]
    strokes = whole().result.strokes
    assert strokes["start_s"].iloc[0] == pytest.approx(first, abs=0.3)
    assert strokes["end_s"].iloc[-1] == pytest.approx(last, abs=0.3)
    assert whole().result.start_s == pytest.approx(times_s(whole().session)[0], abs=0.005)
    assert whole().block.start_s == event_of(whole().session, "play").start_s


def test_hurt_over_part_of_a_block_takes_its_strokes_away() -> None:
    start = middle_s()
    hurt = Event(start, start + 3.0, "hurt", "wrist")
    played = whole().spoilt(lambda session: replace(session, events=(*session.events, hurt)))
    middle = 0.5 * (played.result.strokes["start_s"] + played.result.strokes["end_s"])
    assert not ((middle > start) & (middle < start + 3.0)).any()
    assert played.block.strokes == pytest.approx(whole().block.strokes - 24, abs=4)
    assert played.block.tilt_mean_deg == pytest.approx(whole().block.tilt_mean_deg, abs=0.5)
    assert any("clinician" in caution for caution in played.result.cautions)


def test_rest_marked_inside_a_block_is_no_play() -> None:
    start = middle_s()
    rest = Event(start, start + 2.0, "rest")
    played = whole().spoilt(lambda session: replace(session, events=(*session.events, rest)))
    middle = 0.5 * (played.result.strokes["start_s"] + played.result.strokes["end_s"])
    assert not ((middle > start) & (middle < start + 2.0)).any()
    assert len(played.result.blocks) == 1


def test_two_gestures_at_a_time_are_refused() -> None:
    across = event_of(whole().session, "across")
    doubled = replace(across, start_s=across.start_s + 1.0, end_s=across.end_s + 1.0)
    session = replace(whole().session, events=(*whole().session.events, doubled))
    with pytest.raises(InputError, match=r"one gesture at a time.*overlapping; shorten one"):
        analyse_session(session)


def test_time_that_goes_backwards_is_refused() -> None:
    raw = whole().session.raw
    ticks = raw.ticks.copy()
    ticks[12_000:] -= 20_000_000
    with pytest.raises(TimebaseError, match=r"never go backwards by more .* s after .* s, which neither a restart"):
        analyse_session(replace(whole().session, raw=replace(raw, ticks=ticks)))


def test_rate_that_contradicts_the_times_is_refused() -> None:
    profile = replace(whole().session.profile, rate_hz=200.0)
    with pytest.raises(TimebaseError, match=r"expected 200 samples/s.*found 40\d.*correct the profile's rate"):
        analyse_session(replace(whole().session, profile=profile))


def test_a_handful_of_samples_is_refused() -> None:
    raw = whole().session.raw
    few = RawSamples(raw.ticks[:30], raw.sequence[:30], raw.host_time_s[:30], raw.counts[:30])
    with pytest.raises(TimebaseError, match=r"at least 64 samples, found 30; record a longer log"):
        analyse_session(replace(whole().session, raw=few))
