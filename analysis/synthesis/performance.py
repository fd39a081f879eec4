"""A session's motion as functions of time: the tip in the instrument's frame, sensor and instrument in the world.

Play may be filmed: frames of noisy markers, some of them lost, smoothed, and a sensor carried along that path. It
holds nothing above some 20 Hz, no pick attack and no jolt at a string, and the noise of its markers, coloured by the
smoothing, is part of it. Sensor and tip move with it as one body: the truth is the filmed tip's own path. Gestures and
stills stay as they were.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, sosfiltfilt

from analysis.model.records import BoolArray, Event, FloatArray
from analysis.synthesis.rotation import conjugate, exp_quat, multiply, rotate
from analysis.synthesis.scenario import Camera, Hand
from analysis.synthesis.timeline import BASE, LEVER, LIFE, ROLL, BlockPlan
from analysis.synthesis.track import Catches, GridSpline, Pulses, Track

_BEFORE_S = 1.2
"""A take begins before its first stroke, and ends after its last, by so much."""
_FADE_S = 0.4


@dataclass(frozen=True)
class Pose:
    """Where everything is at times (n,): metres; quaternions (4, n) or (4, 1).

    ``origin_m`` is the instrument's origin in the world, the tip is in the instrument's frame. ``hand_tip_m`` is in the
    world the point of the hand at which the tip sits while the fingers are at rest.
    """

    tip_m: FloatArray
    sensor_m: FloatArray
    sensor_quat: FloatArray
    instrument_quat: FloatArray
    origin_m: FloatArray
    hand_tip_m: FloatArray


@dataclass(frozen=True)
class Performance:
    """All that moves. ``origin_m`` is the instrument's origin seen from the point about which it sways."""

    duration_s: float
    hand: Hand
    mounting: FloatArray
    instrument: FloatArray
    origin_m: FloatArray
    plectrum_axis: FloatArray
    tip: Track
    turning: Track
    joints: tuple[tuple[FloatArray, Track], ...]
    fingers: Track | None
    slow: Track
    wander: GridSpline
    drift: GridSpline
    tremor: GridSpline
    sway: GridSpline | None
    sway_ride: float
    rocking: Track | None
    pulses: Pulses
    rap_s: FloatArray
    catches: Catches
    events: tuple[Event, ...]
    blocks: tuple[BlockPlan, ...]
    lever_m: dict[str, FloatArray]

    def tip_m(self, t_s: FloatArray) -> FloatArray:
        """Return the tip (3, n) in the instrument's frame; in ``pivot`` the centre of its rounding."""
        life = self.slow(t_s)[LIFE]
        return self._tip(t_s, life, self.wander(t_s), self.tremor(t_s))

    def _tip(self, t_s: FloatArray, life: FloatArray, wander: FloatArray, tremor: FloatArray) -> FloatArray:
        tip: FloatArray = self.tip(t_s) + life[1] * wander[3:6] + life[2] * tremor[3:] + self.catches(t_s)
        return tip

    def pose(self, t_s: FloatArray) -> Pose:
        """Return the pose at times (n,)."""
        slow = self.slow(t_s)
        life, lever = slow[LIFE], slow[LEVER]
        wander, tremor = self.wander(t_s), self.tremor(t_s)
        tip = self._tip(t_s, life, wander, tremor)
        pulses = self.pulses(t_s)
        turning = self.turning(t_s)
        for axis, angle in self.joints:
            turning += axis[:, None] * angle(t_s)
        turning += life[0] * (wander[:3] + self.drift(t_s)) + life[2] * tremor[:3] + pulses[3:]
        hand = multiply(multiply(exp_quat(turning), exp_quat(slow[BASE])), self.mounting[:, None])
        if np.any(slow[ROLL] > 0.0):
            # The track is then the centre of the tip's rounding: the tip lies one radius along the plectrum.
            radius = 1e-3 * self.hand.tip_radius_mm
            tip = tip + slow[ROLL] * radius * rotate(hand, self.plectrum_axis[:, None])
        instrument = hand_world = self.instrument[:, None]
        if self.sway is not None:
            swing = np.zeros((3, t_s.size))
            swing[:2] = life[3] * self.sway(t_s)
            instrument = multiply(exp_quat(swing), instrument)
            hand_world = multiply(exp_quat(self.sway_ride * swing), hand_world)
        if self.rocking is not None:
            rocked = exp_quat(self.rocking(t_s))
            instrument, hand_world = multiply(rocked, instrument), multiply(rocked, hand_world)
        sensor_quat = multiply(hand_world, hand)
        carried = tip if self.fingers is None else tip - self.fingers(t_s)
        hand_tip = rotate(instrument, carried + pulses[:3] + self.origin_m[:, None])
        sensor = hand_tip - rotate(sensor_quat, lever)
        return Pose(tip, sensor, sensor_quat, instrument, rotate(instrument, self.origin_m[:, None]), hand_tip)


@dataclass(frozen=True)
class Take:
    """One filmed stretch: the sensor's place and attitude, splines of time."""

    start_s: float
    end_s: float
    place_m: CubicSpline
    quat: CubicSpline

    def share(self, t_s: FloatArray) -> FloatArray:
        """How much of the motion at times (n,) is the filmed one: 1 inside, ramps at both ends."""
        u = np.clip(np.minimum(t_s - self.start_s, self.end_s - t_s) / _FADE_S, 0.0, 1.0)
        risen: FloatArray = u**3 * (10 - 15 * u + 6 * u**2)
        return risen


@dataclass(frozen=True)
class FilmedPerformance(Performance):
    """A performance whose blocks were filmed."""

    takes: tuple[Take, ...] = ()

    def pose(self, t_s: FloatArray) -> Pose:
        """Return the pose at times (n,)."""
        plain = super().pose(t_s)
        place, quat = plain.sensor_m.copy(), plain.sensor_quat.copy()
        for take in self.takes:
            at = np.flatnonzero((t_s > take.start_s) & (t_s < take.end_s))
            share = take.share(t_s[at])
            place[:, at] += share * (take.place_m(t_s[at]).T - place[:, at])
            seen = take.quat(t_s[at]).T
            seen *= np.sign((seen * quat[:, at]).sum(axis=0))
            quat[:, at] += share * (seen - quat[:, at])
        quat /= np.linalg.norm(quat, axis=0)
        hand_tip = place + rotate(quat, self.slow(t_s)[LEVER])
        tip = plain.tip_m + rotate(conjugate(plain.instrument_quat), hand_tip - plain.hand_tip_m)
        return Pose(tip, place, quat, plain.instrument_quat, plain.origin_m, hand_tip)

    def tip_m(self, t_s: FloatArray) -> FloatArray:
        """Return the tip (3, n) in the instrument's frame."""
        return self.pose(t_s).tip_m


def film(performance: Performance, camera: Camera, seed: int) -> FilmedPerformance:
    """Film every block of a performance.

    Parameters
    ----------
    performance : Performance
    camera : Camera
    seed : int

    Returns
    -------
    FilmedPerformance
    """
    rng = np.random.default_rng([seed, 0xF11])
    takes = tuple(
        _take(performance, camera, rng, plan.turns_s[0] - _BEFORE_S, plan.turns_s[-1] + _BEFORE_S)
        for plan in performance.blocks
    )
    same = {field.name: getattr(performance, field.name) for field in fields(Performance)}
    return FilmedPerformance(**same, takes=takes)


def _take(performance: Performance, camera: Camera, rng: np.random.Generator, start_s: float, end_s: float) -> Take:
    frames = start_s + np.arange(int((end_s - start_s) * camera.rate_hz)) / camera.rate_hz
    pose = performance.pose(frames)
    place = pose.sensor_m + 1e-3 * camera.noise_mm * rng.normal(size=(3, frames.size))
    quat = multiply(exp_quat(np.radians(camera.noise_deg) * rng.normal(size=(3, frames.size))), pose.sensor_quat)
    # A rotation has two quaternions: one spline wants neighbours of one sign.
    quat *= np.cumprod(np.concatenate(([1.0], np.sign((quat[:, 1:] * quat[:, :-1]).sum(axis=0)))))
    seen = _seen(camera, rng, frames)
    both = CubicSpline(frames[seen], np.concatenate((place, quat))[:, seen].T)(frames)
    if camera.lowpass_hz < 0.5 * camera.rate_hz:
        both = sosfiltfilt(butter(2, camera.lowpass_hz, fs=camera.rate_hz, output="sos"), both, axis=0)
    return Take(float(frames[0]), float(frames[-1]), CubicSpline(frames, both[:, :3]), CubicSpline(frames, both[:, 3:]))


def _seen(camera: Camera, rng: np.random.Generator, frames: FloatArray) -> BoolArray:
    """Frames in which the markers were seen."""
    seen = np.ones(frames.size, dtype=bool)
    for _ in range(int(rng.poisson(camera.losses_per_min * frames.size / camera.rate_hz / 60.0))):
        first = int(rng.integers(1, frames.size - 1))
        seen[first : first + int(rng.uniform(*camera.loss_s) * camera.rate_hz) + 1] = False
    seen[[0, -1]] = True
    return seen
