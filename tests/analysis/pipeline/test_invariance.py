"""What must not change the answer: how the sensor is strapped on, where the world's heading points, when it was."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from analysis.model.records import Event, FloatArray, Session, SessionResult
from analysis.motion import hand_motion as motion_module
from analysis.motion.rotation import multiply
from analysis.pipeline import analyse_session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import Recording
from analysis.synthesis.simulate import simulate

FEW = settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
angles = st.floats(-180.0, 180.0, allow_nan=False)
FINE = 1e-7
"""SI units a count: rounding moves a tilt by less than the bounds below."""


@cache
def finely_counted() -> Session:
    """A session of four seconds of play whose counts stand for so little that they can be turned and rounded."""
    scenario = random_scenario(681, 8.0, 4.0)
    session = simulate(replace(scenario, recording=Recording(lost_share=0.0, bursts_per_min=0.0)), 681).session
    scale = np.repeat([session.profile.accel_mps2_per_count, session.profile.gyro_radps_per_count], 3)
    profile = replace(
        session.profile,
        accel_mps2_per_count=FINE,
        gyro_radps_per_count=FINE,
        accel_clip_counts=None,
        gyro_clip_counts=None,
    )
    return with_signals(replace(session, profile=profile), session.raw.counts * scale)


def with_signals(session: Session, signals: FloatArray) -> Session:
    counts = np.rint(signals / FINE)
    assert np.abs(counts).max() < 2**31
    return replace(session, raw=replace(session.raw, counts=counts.astype(np.int32)))


@cache
def before() -> SessionResult:
    return analyse_session(finely_counted())


def check_same(result: SessionResult, tolerance_deg: float, shift_s: float = 0.0) -> None:
    """Same strokes, tilts, interval and lengths."""
    strokes, others = before().strokes, result.strokes
    assert len(strokes) == len(others) > 25
    assert (strokes["direction"] == others["direction"]).all()
    np.testing.assert_allclose(others["tilt_deg"], strokes["tilt_deg"], atol=tolerance_deg)
    np.testing.assert_allclose(others["span_mm"], strokes["span_mm"], atol=tolerance_deg)
    np.testing.assert_allclose(others["lift_mm"], strokes["lift_mm"], atol=tolerance_deg)
    np.testing.assert_allclose(others["start_s"] - shift_s, strokes["start_s"], atol=1e-6)
    np.testing.assert_allclose(
        result.blocks[0].tilt_ci95_deg, before().blocks[0].tilt_ci95_deg, atol=10 * tolerance_deg
    )


@FEW
@given(yaw=angles, pitch=angles, roll=angles)
def test_mounting_of_the_sensor(yaw: float, pitch: float, roll: float) -> None:
    """The same motion read along other axes: every tilt the same to 1e-5 deg, and the lever turned along."""
    session = finely_counted()
    turn = Rotation.from_euler("ZYX", [yaw, pitch, roll], degrees=True)
    signals = session.raw.counts * FINE
    turned = np.concatenate([turn.apply(signals[:, :3]), turn.apply(signals[:, 3:])], axis=1)
    lever = tuple(turn.apply(session.lever_mm))
    result = analyse_session(replace(with_signals(session, turned), lever_mm=lever))
    check_same(result, 1e-5)
    np.testing.assert_allclose(result.lever_mm, turn.apply(before().lever_mm), atol=1e-5)


@FEW
@given(yaw=angles)
def test_heading_of_the_world(yaw: float) -> None:
    """The filter's heading is arbitrary: turned by any angle, nothing follows from it."""
    original = motion_module.estimate_orientation
    half = np.radians(yaw) / 2

    def turned(*signals: object) -> FloatArray:
        quat = original(*signals)  # type: ignore[arg-type]
        return multiply(np.broadcast_to([np.cos(half), 0.0, 0.0, np.sin(half)], quat.shape), quat)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(motion_module, "estimate_orientation", turned)
        check_same(analyse_session(finely_counted()), 1e-6)


@pytest.mark.parametrize("shift_s", [-0.5, 1024.0, 86400.0])
def test_time_of_the_log(shift_s: float) -> None:
    """Times shift, and nothing else."""
    session = finely_counted()
    ticks = session.raw.ticks + round(shift_s * session.profile.tick_hz)

    def shifted(event: Event) -> Event:
        return replace(event, start_s=event.start_s + shift_s, end_s=event.end_s + shift_s)

    later = replace(
        session, raw=replace(session.raw, ticks=ticks), events=tuple(shifted(event) for event in session.events)
    )
    result = analyse_session(later)
    check_same(result, 1e-6, shift_s)
    assert result.start_s - shift_s == pytest.approx(before().start_s, abs=1e-6)
    assert result.blocks[0].start_s - shift_s == pytest.approx(before().blocks[0].start_s, abs=1e-6)


def test_the_same_session_gives_the_same_answer_and_is_left_as_it_was() -> None:
    session = finely_counted()
    counts, ticks = session.raw.counts.copy(), session.raw.ticks.copy()
    again = analyse_session(session)
    assert again.strokes.equals(before().strokes)
    np.testing.assert_array_equal(session.raw.counts, counts)
    np.testing.assert_array_equal(session.raw.ticks, ticks)


def test_order_of_the_events_does_not_matter() -> None:
    session = finely_counted()
    check_same(analyse_session(replace(session, events=session.events[::-1])), 0.0)
