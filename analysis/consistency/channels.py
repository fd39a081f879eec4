"""Single channels that fail: a dead or frozen axis, one that saturates, noise and tones.

Saturation is weighed by what it does to the path: between the last sound samples before and after, the signal is
carried on as a cubic; what the saturated samples lack of it, doubly integrated in the band of strokes, is set against
the path itself. The cubic is the least that a smooth signal can have done there, so the answer is on the low side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from analysis.model.records import BoolArray, CountArray, FloatArray, IntArray, RawSamples, SensorProfile
from analysis.motion.tip_path import Band, band_displacements
from analysis.signal.saturation import RUN_SAMPLES, plateaus, runs_of

AXES = tuple(f"{sensor} {axis}" for sensor in ("accelerometer", "gyroscope") for axis in "xyz")
FROZEN_S = 1.0
LOOKS = 8
LIVELY_STEPS = 10.0
"""Axes beside a frozen one vary by at least so many of their smallest steps."""
LEAST_PLATEAUS = 3
ATTACK_S = 0.01
"""A pick attack keeps the accelerometer at the end of its range for less; the swing of a stroke for more."""
STROKE_BAND = Band(1.5, 2, 40.0)
LEVER_M = 0.08
"""A usual way from sensor to tip, for what a turning does to it."""
STILL_BAND = Band(2.0, 4, 40.0)
TONE_SHARE = 0.5
QUIET_S = 2.0


@dataclass(frozen=True)
class FrozenAxis:
    """An axis that keeps one value while those beside it move; log seconds."""

    axis: str
    start_s: float
    end_s: float
    whole: bool


@dataclass(frozen=True)
class SaturatedAxes:
    """Axes that stood at the end of their range during play, and how far the path is off, as a share of it.

    ``lasting`` is what of that is not made by attacks, single moments of the accelerometer alone.
    """

    axes: tuple[str, ...]
    samples: int
    bend: float
    lasting: float


@dataclass(frozen=True)
class Restlessness:
    """What the sensor makes of a still.

    ``path_mm`` is the RMS path of the tip that is not there, ``tone_hz`` a tone that makes most of it,
    ``accel_excess`` and ``gyro_excess`` the white noise over the datasheet's (None: not stated).
    """

    path_mm: float
    tone_hz: float | None
    accel_excess: float | None
    gyro_excess: float | None


def find_frozen(raw: RawSamples, profile: SensorProfile) -> tuple[FrozenAxis, ...]:
    """Axes that stand on one value for a second or more while another axis of the same sensor moves."""
    counts = raw.counts
    least = max(4, round(FROZEN_S * profile.rate_hz))
    found = []
    hop = max(1, (least + 1) // LOOKS)
    for column, name in enumerate(AXES):
        # A value that stands so long meets several looks in a row: few axes need to be looked at whole.
        looks = counts[::hop, column]
        starts, stops = runs_of(looks[1:] == looks[:-1])
        if not np.any(stops - starts >= (least + 1) // hop - 1):
            continue
        axis = np.ascontiguousarray(counts[:, column])
        starts, stops = runs_of(axis[1:] == axis[:-1])
        lasting = np.flatnonzero(stops - starts >= least)
        if not lasting.size:
            continue
        beside = counts[:, 3 * (column // 3) : 3 * (column // 3) + 3].astype(np.int64)
        lively = LIVELY_STEPS * _resolution(beside)
        long = [
            (a, b)
            for a, b in zip(starts[lasting].tolist(), stops[lasting].tolist(), strict=True)
            if beside[a : b + 1].std(axis=0).max() > lively
        ]
        if long:
            whole = sum(b - a for a, b in long) > 0.95 * (len(counts) - 1)
            first_s, last_s = (float(raw.ticks[at]) / profile.tick_hz for at in (long[0][0], long[-1][1]))
            found.append(FrozenAxis(name, first_s, last_s, whole))
    return tuple(found)


def weigh_saturation(
    counts: CountArray, slots: IntArray, profile: SensorProfile, rate_hz: float
) -> SaturatedAxes | None:
    """What saturation does to the path of one stretch of play.

    Parameters
    ----------
    counts : int16 or int32 (n, 6)
        Of the stretch.
    slots : int64 (n,)
        Their slots on the grid.
    profile : SensorProfile
    rate_hz : float

    Returns
    -------
    SaturatedAxes or None
        None where no axis is saturated.
    """
    limits = (profile.accel_clip_counts,) * 3 + (profile.gyro_clip_counts,) * 3
    scales = (profile.accel_mps2_per_count,) * 3 + (profile.gyro_radps_per_count,) * 3
    saturated = [_saturated(counts[:, column].astype(np.int64), limits[column]) for column in range(6)]
    if not any(flags.any() for flags in saturated):
        return None
    grid = np.arange(slots[0], slots[-1] + 1)
    lacking, lasting, path = (np.zeros((grid.size, 6)) for _ in range(3))
    axes, samples = [], 0
    for column, flags in enumerate(saturated):
        values_si = counts[:, column].astype(np.float64) * scales[column]
        path[:, column] = np.interp(grid, slots, values_si)
        if flags.any():
            axes.append(AXES[column])
            samples += int(flags.sum())
            lacking[:, column] = np.interp(grid, slots, _carried_on(values_si, flags) - values_si)
            long = flags if column >= 3 else _long(flags, ATTACK_S * rate_hz)
            lasting[:, column] = np.interp(grid, slots, _carried_on(values_si, long) - values_si)
    path -= path.mean(axis=0)
    off, off_long, whole = (float((_tip_path(x, rate_hz) ** 2).sum()) for x in (lacking, lasting, path))
    share, share_long = (float(np.sqrt(x / max(whole, 1e-18))) for x in (off, off_long))
    return SaturatedAxes(tuple(axes), samples, share, share_long)


def measure_restlessness(accel: FloatArray, gyro: FloatArray, rate_hz: float, profile: SensorProfile) -> Restlessness:
    """Noise of a still stretch: the path of a tip that stands still, a tone, white noise against the datasheet."""
    both = np.concatenate([accel - accel.mean(axis=0), gyro - gyro.mean(axis=0)], axis=1)
    accel_path = band_displacements(both[:, :3], np.zeros_like(accel), rate_hz, (STILL_BAND,))[0]
    angle = band_displacements(both[:, 3:], np.zeros_like(gyro), rate_hz, (STILL_BAND,))[0]
    turned = LEVER_M * np.gradient(angle, 1 / rate_hz, axis=0)
    edge = min(len(both) // 4, round(0.5 * rate_hz))
    inner = slice(edge, len(both) - edge)
    path = np.concatenate([accel_path, turned], axis=1)[inner]
    return Restlessness(
        path_mm=1e3 * float(np.sqrt((path**2).sum(axis=1).mean())),
        tone_hz=_tone_hz(both, rate_hz),
        accel_excess=_excess(accel, rate_hz, profile.accel_noise_mps2_rthz),
        gyro_excess=_excess(gyro, rate_hz, profile.gyro_noise_radps_rthz),
    )


def quietest(gyro: FloatArray, valid: BoolArray, rate_hz: float) -> slice | None:
    """The two seconds without a gap in which the gyroscope varies least; None in a shorter log."""
    size, hop = round(QUIET_S * rate_hz), max(1, round(0.25 * rate_hz))
    starts = np.arange(0, len(gyro) - size, hop)
    if not starts.size:
        return None
    total = np.concatenate([np.zeros((1, 3)), np.cumsum(gyro, axis=0)])
    square = np.concatenate([[0.0], np.cumsum((gyro**2).sum(axis=1))])
    gaps = np.concatenate([[0], np.cumsum(~valid)])
    variance = (square[starts + size] - square[starts]) / size
    variance -= (((total[starts + size] - total[starts]) / size) ** 2).sum(axis=1)
    variance[gaps[starts + size] > gaps[starts]] = np.inf
    first = int(starts[int(variance.argmin())])
    return slice(first, first + size)


def _resolution(values: IntArray) -> int:
    """Smallest step of any of these axes, counts."""
    steps = np.abs(np.diff(values, axis=0))
    return int(steps[steps > 0].min()) if steps.any() else 1


def _saturated(values: IntArray, limit: int | None) -> BoolArray:
    """Samples at the stated end of the range, or on a plateau that looks like one."""
    flags = np.zeros(values.size, dtype=bool) if limit is None else np.abs(values) >= limit
    for extreme in plateaus(values):
        at = values == extreme
        starts, stops = runs_of(at)
        if np.count_nonzero(stops - starts >= RUN_SAMPLES) >= LEAST_PLATEAUS:
            flags |= at
    return np.asarray(flags)


def _long(flags: BoolArray, least: float) -> BoolArray:
    """Those runs that last for at least so many samples."""
    out = np.zeros_like(flags)
    for first, last in zip(*runs_of(flags), strict=True):
        out[first:last] = last - first >= least
    return out


def _carried_on(values: FloatArray, flags: BoolArray) -> FloatArray:
    """Saturated samples replaced by the cubic through value and slope of the sound ones beside them."""
    out = values.copy()
    for first, last in zip(*runs_of(flags), strict=True):
        if first < 2 or last > values.size - 2 or flags[first - 2] or flags[last + 1]:
            continue
        a, b, length = values[first - 1], values[last], float(last - first + 1)
        up, down = values[first - 1] - values[first - 2], values[last + 1] - values[last]
        u = np.arange(1, last - first + 1) / length
        cubic = a * (1 + 2 * u) * (1 - u) ** 2 + b * u**2 * (3 - 2 * u)
        cubic += length * (up * u * (1 - u) ** 2 - down * u**2 * (1 - u))
        # It can only have gone further than the end of the range.
        level = values[first]
        out[first:last] = np.maximum(cubic, level) if level > 0 else np.minimum(cubic, level)
    return np.asarray(out)


def _tip_path(si: FloatArray, rate_hz: float) -> FloatArray:
    """Path (n, 6), m, that accelerations and turnings (n, 6) of a sensor at :data:`LEVER_M` make of the tip."""
    nothing = np.zeros((len(si), 3))
    moved = band_displacements(si[:, :3], nothing, rate_hz, (STROKE_BAND,))[0]
    angle = np.cumsum(si[:, 3:] - si[:, 3:].mean(axis=0), axis=0) / rate_hz
    turned = band_displacements(nothing, LEVER_M * angle, rate_hz, (STROKE_BAND,))[0]
    return np.concatenate([moved, turned], axis=1)


def _tone_hz(values: FloatArray, rate_hz: float) -> float | None:
    """Frequency (Hz) that carries most of the power of an axis above 5 Hz, if one does."""
    size = min(len(values), round(rate_hz))
    frequency, power = signal.welch(values, rate_hz, nperseg=size, axis=0)
    power = power[frequency > 5.0]
    frequency = frequency[frequency > 5.0]
    if power.shape[0] < 16:
        return None
    top = power.argmax(axis=0)
    near = [power[max(0, t - 2) : t + 3, i].sum() / max(power[:, i].sum(), 1e-30) for i, t in enumerate(top)]
    axis = int(np.argmax(near))
    return float(frequency[top[axis]]) if near[axis] > TONE_SHARE else None


def _excess(values: FloatArray, rate_hz: float, stated: float | None) -> float | None:
    """White noise over the stated density, from differences: (a_1 - 2 a_2 + a_3) has six times the variance."""
    if stated is None or len(values) < 8:
        return None
    second = np.diff(values, 2, axis=0)
    sd = np.sqrt((second**2).mean(axis=0) / 6)
    return float(np.max(sd) / (stated * np.sqrt(rate_hz / 2)))
