"""One real recording as two sensors: axes, clock and place of the second as they are found, against what they are.

Recordings: trial 21 of the benchmark in :mod:`tests.outside.optical`, hand-moved, turning and translating; and the
watch data set that seglearn 1.2.5 carries (see :mod:`tests.outside.test_repetitions`). The second sensor is the same
body's: turned by a known random rotation, on a clock of its own, with noise and bias of a cheap part added. It is made
here and shares nothing with the code under test. Optical attitude is a second measurement of its own: its rates, turned
in the same way, are another pair. Wahba's problem is solved by SciPy's Rotation.align_vectors for comparison.

What was found on 26 November 2026 stands above each test.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from analysis.model.records import Event, FloatArray, RawSamples, SensorProfile, Session, Stream
from analysis.model.session_parts import ClockRelation
from analysis.motion.rotation import matrices
from analysis.pipeline import Settings
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals
from analysis.witness.mutual_heading import relative_orientation, shared_heading
from analysis.witness.witness import Witness, call_witness
from tests.outside.optical import Trial, load_trial
from tests.outside.test_repetitions import RATE_HZ, recordings

LEVER_MM = (62.0, 21.0, -34.0)
ACCEL_STEP, GYRO_STEP = 9.81 / 4096, float(np.radians(1 / 32.8))
TRUE_CLOCK = ClockRelation(-312.4, 1.000021)
TOLD_OFF_S = 0.0015


def counted(
    name: str, times_s: FloatArray, rate_hz: float, accel: FloatArray, gyro: FloatArray
) -> tuple[RawSamples, SensorProfile]:
    """Samples and profile of a sensor that counts as a cheap part does."""
    profile = SensorProfile(name, rate_hz, ACCEL_STEP, GYRO_STEP, tick_hz=1e6)
    counts = np.rint(np.concatenate([accel / ACCEL_STEP, gyro / GYRO_STEP], axis=1)).astype(np.int32)
    n = len(times_s)
    return RawSamples(np.rint(times_s * 1e6).astype(np.int64), np.arange(n), np.full(n, np.nan), counts), profile


@cache
def trial() -> Trial:
    return load_trial(21)


def two_sensors(seed: int, rate_hz: float, start_s: float) -> tuple[Session, Rotation]:
    """The trial's sensor on the hand, and itself on the instrument: its axes turned by the rotation given back."""
    recorded = trial()
    rng = np.random.default_rng(seed)
    mounted = Rotation.random(random_state=rng)
    time_s = np.arange(len(recorded.accel_mps2)) / recorded.rate_hz
    hand_raw, profile = counted("hand", time_s, recorded.rate_hz, recorded.accel_mps2, recorded.gyro_radps)
    first_s, last_s = ((at_s - TRUE_CLOCK.offset_s) / TRUE_CLOCK.rate for at_s in (time_s[0] + 1, time_s[-1] - 1))
    own_s = np.arange(first_s, last_s, 1 / rate_hz)
    at_s = TRUE_CLOCK.offset_s + TRUE_CLOCK.rate * own_s
    there = [
        np.stack([np.interp(at_s, time_s, axis) for axis in values.T], axis=1)
        for values in (recorded.accel_mps2, recorded.gyro_radps)
    ]
    accel, gyro = (mounted.inv().apply(values) for values in there)
    accel = accel + rng.normal(0.0, 0.05, accel.shape) + rng.normal(0.0, 0.1, 3)
    gyro = gyro + np.radians(rng.normal(0.0, 0.1, gyro.shape) + rng.normal(0.0, 1.0, 3))
    raw, other = counted("instrument", own_s, rate_hz, accel, gyro)
    told = replace(TRUE_CLOCK, offset_s=TRUE_CLOCK.offset_s + TOLD_OFF_S, residual_s=0.002)
    events = (Event(start_s, start_s + 10.0, "rock"), Event(start_s, start_s + 10.0, "play"))
    session = Session(
        hand_raw, profile, lever_mm=LEVER_MM, events=events, streams=(Stream("instrument", raw, other, clock=told),)
    )
    return session, mounted


def witness_of(session: Session) -> Witness:
    signals = prepare_signals(session, fit_timebase(session.raw, session.profile))
    settings = Settings()
    found = call_witness(signals, session, settings.reference, settings.witness)
    assert found is not None
    return found


# Found: 0.25, 0.004 and 0.25 deg; clocks to 1.8, 0.0 and 0.4 ms (2 ms stated); the place to 7, 11 and 27 mm.
@pytest.mark.parametrize(("seed", "rate_hz", "start_s"), [(1, 200.0, 60.0), (2, 100.0, 100.0), (3, 400.0, 150.0)])
def test_rotation_clock_and_place_of_the_second_sensor_are_found(seed: int, rate_hz: float, start_s: float) -> None:
    session, mounted = two_sensors(seed, rate_hz, start_s)
    witness = witness_of(session)
    assert witness.rocked is not None
    found = Rotation.from_matrix(witness.rocked.matrix)
    assert np.degrees((found * mounted.inv()).magnitude()) < 0.5
    own_s = (start_s - TRUE_CLOCK.offset_s) / TRUE_CLOCK.rate
    clock = witness.clock.clock
    assert clock.residual_s is not None
    assert abs(clock.offset_s + clock.rate * own_s - start_s) < clock.residual_s
    # One body: the point of play is where the lever ends, seen from the second sensor's axes.
    off_m = witness.point.value - mounted.inv().apply(1e-3 * np.array(LEVER_MM))
    assert off_m @ np.linalg.inv(witness.point.covariance) @ off_m < 11.3  # 99 % of a chi-square of three


# Found: 2.2 and 2.1 % of the rates are left, 3.0 and 5.7 % of the acceleration.
@pytest.mark.parametrize(("seed", "rate_hz", "start_s"), [(1, 200.0, 60.0), (2, 100.0, 100.0)])
def test_seen_from_the_second_sensor_the_first_stands_still(seed: int, rate_hz: float, start_s: float) -> None:
    session, _ = two_sensors(seed, rate_hz, start_s)
    witness = witness_of(session)
    signals = prepare_signals(session, fit_timebase(session.raw, session.profile))
    part = signals.grid.slice_of(start_s, start_s + 10.0)
    for name, most in (("gyro_radps", 0.04), ("accel_mps2", 0.1)):
        left, moved = (np.linalg.norm(getattr(s, name)[part].std(axis=0)) for s in (witness.signals, signals))
        assert left < most * moved


# Found, against the attitudes of both filters and the known mounting: 0.59 deg by the witness, over the whole session;
# 0.16 deg by the shared rates of these ten seconds, 0.19 deg by SciPy from the same. The verticals differ by 0.65 deg.
def test_two_headings_meet_as_scipy_has_it() -> None:
    session, mounted = two_sensors(4, 200.0, 80.0)
    witness = witness_of(session)
    grid = witness.signals.grid
    part = grid.slice_of(80.0, 90.0)
    hand, instrument = matrices(witness.hand_quat_wxyz[part]), matrices(witness.instrument.quat_wxyz[part])
    between = Rotation.from_matrix(hand @ mounted.as_matrix() @ np.swapaxes(instrument, 1, 2)).mean()
    true_deg = between.as_euler("zyx", degrees=True)
    assert np.abs(true_deg[1:]).max() < 1.0, "both filters know the vertical"
    angle_deg = np.degrees(witness.angle_rad(grid.time_at(np.arange(grid.size)))[part]).mean()
    assert abs((angle_deg - true_deg[0] + 180) % 360 - 180) < 1.0
    rates = np.einsum("nij,nj->ni", hand, signals_of(session).gyro_radps[part]), witness.instrument.rate_radps[part]
    scipys, _ = Rotation.align_vectors(*rates)
    assert abs((scipys.as_euler("zyx", degrees=True)[0] - true_deg[0] + 180) % 360 - 180) < 1.0
    ours = shared_heading(rates[0], rates[1], [slice(0, part.stop - part.start)], grid.rate_hz)
    assert ours is not None
    assert abs((np.degrees(ours.value[0]) - true_deg[0] + 180) % 360 - 180) < 3.0


def signals_of(session: Session) -> Signals:
    return prepare_signals(session, fit_timebase(session.raw, session.profile))


# Found: 0.74, 0.58 and 0.76 deg, how the markers sit to the sensor included; SciPy's the same to 1e-6.
@pytest.mark.parametrize("start_s", [45.0, 80.0, 120.0])
def test_the_rotation_to_optical_rates_is_found(start_s: float) -> None:
    recorded = trial()
    turn = Rotation.random(random_state=np.random.default_rng(int(start_s)))
    part = slice(int(start_s * recorded.rate_hz), int((start_s + 10.0) * recorded.rate_hz))
    quat = recorded.optical_quat_wxyz[part]
    known = np.isfinite(quat.sum(axis=1))
    pairs = known[1:] & known[:-1]
    attitude = Rotation.from_quat(np.where(known[:, None], quat, [1.0, 0.0, 0.0, 0.0]), scalar_first=True)
    optical = (attitude[:-1].inv() * attitude[1:]).as_rotvec()[pairs] * recorded.rate_hz
    gyro = recorded.gyro_radps[part]
    felt = (0.5 * (gyro[1:] + gyro[:-1]))[pairs]
    found = relative_orientation(felt, turn.inv().apply(optical), 10.0)
    assert np.degrees((Rotation.from_matrix(found.matrix) * turn.inv()).magnitude()) < 1.5
    scipys, _ = Rotation.align_vectors(felt, turn.inv().apply(optical))
    assert np.allclose(found.matrix, scipys.as_matrix(), atol=1e-6)


# Found, 140 recordings: median 0.03 deg, worst 0.09; SciPy's the same to 1e-6.
def test_rotations_of_wrist_recordings_are_found() -> None:
    rng = np.random.default_rng(20)
    off_deg = []
    for name, sets in recordings().items():
        for samples in sets:
            gyro = samples[:, 3:]
            turn = Rotation.random(random_state=rng)
            other = turn.inv().apply(gyro) + np.radians(rng.normal(0.0, 1.0, gyro.shape))
            found = relative_orientation(gyro, other, len(gyro) / RATE_HZ)
            scipys, _ = Rotation.align_vectors(gyro, other)
            assert np.allclose(found.matrix, scipys.as_matrix(), atol=1e-6), name
            off = (Rotation.from_matrix(found.matrix) * turn.inv()).as_rotvec()
            assert off @ np.linalg.inv(found.covariance_rad2) @ off < 16.3, name
            off_deg.append(float(np.degrees(np.linalg.norm(off))))
    assert len(off_deg) == 140
    assert np.median(off_deg) < 0.1
    assert max(off_deg) < 0.3
