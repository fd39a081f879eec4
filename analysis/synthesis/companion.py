"""A second sensor, fixed to the instrument: its own place, axes, errors and clock, and what of the picking it feels.

Nothing ties it to the hand's sensor but the world they are in: mounting and place are drawn, the heading of neither is
known, the clocks meet by the host's stamps only as well as those are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import PHONE, BoolArray, FloatArray, RawSamples, Stream
from analysis.model.session_parts import ClockRelation
from analysis.synthesis.grades import CHEAP, GRADES
from analysis.synthesis.performance import Performance
from analysis.synthesis.rotation import exp_quat, multiply, random_quat, rotate
from analysis.synthesis.scenario import InstrumentSensor, Recording
from analysis.synthesis.sensor import (
    Electronics,
    SensorTruth,
    draw_sensor,
    profile_of,
    sample_times,
    sense,
)

_CHUNK = 16_000
_HEAD_MM = np.array([-650.0, 20.0, -10.0])
_ROUNDED_MPS2, _ROUNDED_RADPS = 0.1, float(np.radians(0.1))
_BODY_MM = np.array([150.0, 140.0, -40.0])


@dataclass(frozen=True)
class CompanionTruth:
    """How the second sensor really sits: ``mounting`` (4,) turns its axes into the instrument's, ``place_m`` there.

    ``clock`` is the true relation of its clock to the hand's.
    """

    mounting: FloatArray
    place_m: FloatArray
    sensor: SensorTruth
    clock: ClockRelation


def record_companion(
    performance: Performance, wanted: InstrumentSensor, hand: SensorTruth, gravity_mps2: float, seed: int
) -> tuple[Stream, CompanionTruth]:
    """Return what a sensor on the instrument sends during a performance, and how it really sits.

    Parameters
    ----------
    performance : Performance
    wanted : InstrumentSensor
    hand : SensorTruth
        Of the hand's sensor, for its clock.
    gravity_mps2 : float
    seed : int

    Returns
    -------
    Stream
        Its clock tied to the hand's as the host's stamps would.
    CompanionTruth
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0xC0, 0x57]))
    grade = CHEAP if wanted.phone else GRADES[wanted.grade] if isinstance(wanted.grade, str) else wanted.grade
    sensor = draw_sensor(rng, grade, wanted.rate_hz, Recording())
    mounting = random_quat(rng)
    centre = _HEAD_MM if rng.random() < 0.5 else _BODY_MM
    place = 1e-3 * (centre + rng.normal(0.0, 40.0, 3) if wanted.place_mm is None else np.array(wanted.place_mm))
    felt = rng.uniform(0.05, 0.3) * rng.normal(size=(3, 3)) / np.sqrt(3)

    def pose(t_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        there = performance.pose(t_s)
        at = there.origin_m + rotate(there.instrument_quat, place[:, None] + felt @ performance.pulses(t_s)[:3])
        quat = multiply(np.broadcast_to(there.instrument_quat, (4, t_s.size)), mounting[:, None])
        return at, multiply(quat, exp_quat(_slipped(wanted, t_s)))

    profile = profile_of(grade, wanted.rate_hz)
    if wanted.phone:
        profile = replace(
            profile,
            name="simulated phone",
            part=PHONE,
            accel_mps2_per_count=_ROUNDED_MPS2,
            gyro_radps_per_count=_ROUNDED_RADPS,
        )
    t = sample_times(sensor, performance.duration_s, grade.warm_time_s)
    electronics = Electronics(sensor, grade, profile, rng)
    counts = np.empty((t.size, 6), dtype=np.int32)
    for start in range(0, t.size, _CHUNK):
        rows = slice(start, start + _CHUNK)
        signal = sense(pose, t[rows], sensor, grade, gravity_mps2)
        counts[rows] = electronics.counts(t[rows], signal)
    true = ClockRelation(hand.start_s - hand.tick_scale / sensor.tick_scale * sensor.start_s,
                         hand.tick_scale / sensor.tick_scale)  # fmt: skip
    at, seen = _stamps(rng, wanted, sensor, t)
    ticks = np.rint(at * profile.tick_hz).astype(np.int64)
    sequence, host = np.arange(t.size, dtype=np.int64), np.full(t.size, np.nan)
    raw = RawSamples(ticks[seen], sequence[seen], host[seen], counts[seen])
    return Stream("instrument", raw, profile, clock=_met(rng, wanted, true)), CompanionTruth(
        mounting, place, sensor, true
    )


def _slipped(wanted: InstrumentSensor, t_s: FloatArray) -> FloatArray:
    """Rotation vector (3, n) of a sensor that moves in its pouch."""
    u = np.clip((t_s - wanted.slip_at_s) / 0.5, 0.0, 1.0)
    return np.outer(np.radians(wanted.slip_deg), u**2 * (3 - 2 * u))


def _stamps(
    rng: np.random.Generator, wanted: InstrumentSensor, sensor: SensorTruth, t: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """The sensor's own time of each sample, and which arrive.

    A board's stamps are even; a phone's are the browser's, late and uneven.
    """
    late = 3e-6 * np.abs(rng.normal(size=t.size))
    if wanted.phone:
        keep = np.exp(-1.0 / (0.5 * wanted.rate_hz))
        slow = np.empty(t.size)
        value = rng.normal()
        drive = rng.normal(size=t.size) * np.sqrt(1 - keep**2)
        for k in range(t.size):
            value = keep * value + drive[k]
            slow[k] = value
        late = np.clip(0.0125 + 0.003 * slow + 0.002 * rng.normal(size=t.size), 0.005, 0.020)
    seen = t >= 0.0
    if wanted.lost_from_s is not None:
        seen &= (t < wanted.lost_from_s) | (t > (wanted.back_at_s or np.inf))
    at = np.maximum.accumulate(sensor.start_s + sensor.tick_scale * (t + late))
    if wanted.jump_s:
        at = at + wanted.jump_s * (t > wanted.jump_at_s)
    return at, seen


def _met(rng: np.random.Generator, wanted: InstrumentSensor, true: ClockRelation) -> ClockRelation:
    """The relation that the host's stamps give: off by what the residue says."""
    residual = 0.02 if wanted.phone else 0.002
    off = rng.choice([-1.0, 1.0]) * rng.uniform(0.2, 1.0) * residual + wanted.clock_off_s
    return ClockRelation(true.offset_s + float(off), true.rate, residual)
