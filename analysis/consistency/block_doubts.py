"""Doubts about what a sensor did in single blocks: a range that switched after a restart, an axis that died there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.consistency.channel_doubts import GRAVITY_OFF, still_parts
from analysis.consistency.channels import AXES
from analysis.model.doubts import Doubt
from analysis.model.number_words import name_blocks
from analysis.model.records import NOT_WORN, Event, FloatArray
from analysis.motion.orientation import chain_turns, rate_since_last
from analysis.motion.rotation import rotate
from analysis.signal.pieces import all_sound, thinned
from analysis.signal.working_grid import Signals

LEAST_S = 4.0
DEAF, LIVELY = 2.0, 8.0
"""Times its noise that an axis feels at most, and another one at least, for the first to count as dead."""
RATE_HZ, WINDOW_S, MEAN_S, LEAST_WINDOW_S = 25.0, 8.0, 1.0, 5.0
MOST_WINDOWS = 4
"""One tells it already; of a long block a few are looked at, evenly over it."""
SCALES = (0.5, 1.0, 2.0)
"""Ranges of a gyroscope are twice as large from one to the next."""
BETTER = 1.35
"""How many times better another range must explain where gravity lies in a block."""


def gravity_in_play(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Blocks in which gravity has another length than at rest: a sensor that restarted may have switched its range.

    A hand that plays comes back to where it was, so that the mean of what it feels is gravity.
    """
    still = [float(np.linalg.norm(signals.accel_mps2[part].mean(axis=0))) for _, part in still_parts(signals, events)]
    plays = [event for event in events if event.kind == "play"]
    off = {}
    for index, event in enumerate(plays):
        part = signals.grid.slice_of(event.start_s, event.end_s)
        felt = signals.accel_mps2[part][signals.grid.valid[part]]
        if still and len(felt) >= LEAST_S * signals.grid.rate_hz:
            off[index] = float(np.linalg.norm(felt.mean(axis=0))) / float(np.median(still))
    blocks = tuple(index for index, times in off.items() if abs(times - 1.0) > GRAVITY_OFF)
    if not blocks:
        return []
    return [
        Doubt(
            "sensor scale",
            "open",
            f"in {name_blocks(blocks)} the accelerometer reads otherwise than at rest",
            f"gravity is {off[blocks[0]]:.2f} times as long there as in the stills",
            "see whether the sensor restarted, or switched its range, and record anew",
            blocks,
        )
    ]


def deaf_axes(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Axes that feel no more in a block than lying off the hand, while those beside them move: dead, but noisy."""
    lying = [part for event, part in still_parts(signals, events) if event.label in NOT_WORN]
    plays = [event for event in events if event.kind == "play"]
    deaf: dict[str, list[int]] = {}
    for first, values in ((0, signals.accel_mps2), (3, signals.gyro_radps)):
        # From differences, which a table that shakes moves little: a_1 - 2 a_2 + a_3 has six times the variance.
        seen = [np.sqrt((np.diff(values[part], 2, axis=0) ** 2).mean(axis=0) / 6) for part in lying]
        noise = np.min(seen, axis=0) if seen else np.zeros(3)
        for index, event in enumerate(plays if noise.all() else ()):
            part = signals.grid.slice_of(event.start_s, event.end_s)
            moving = values[part][signals.grid.valid[part]]
            if len(moving) < LEAST_S * signals.grid.rate_hz:
                continue
            felt = moving.std(axis=0) / noise
            for axis in np.flatnonzero((felt < DEAF) & (felt.max() > LIVELY)):
                deaf.setdefault(AXES[first + int(axis)], []).append(index)
    return [
        Doubt(
            "sensor axis",
            "open",
            f"the {name} axis feels nothing in {name_blocks(own)}",
            "it shows no more than its noise on the table while the axes beside it move",
            "check the wiring and the sensor",
            tuple(own),
        )
        for name, own in deaf.items()
    ]


def turns_in_play(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Blocks in which gravity turns twice, or half, as far as the gyroscope tells: its range has switched.

    Turned by the gyroscope and averaged over the strokes, gravity stays where it is in windows of eight seconds; what
    is left is the hand's acceleration, under whatever range.
    """
    plays = [event for event in events if event.kind == "play"]
    switched: dict[float, list[int]] = {}
    for index, event in enumerate(plays):
        left = _left_of_gravity(signals, signals.grid.slice_of(event.start_s + 0.3, event.end_s - 0.3))
        if left is not None and left[1] > BETTER * left.min():
            switched.setdefault(SCALES[int(left.argmin())], []).append(index)
    return [
        Doubt(
            "sensor scale",
            "open",
            f"the gyroscope's scale is another in {name_blocks(own)}",
            f"gravity turns {'twice' if times > 1 else 'half'} as far there as it tells",
            "see whether the sensor restarted, or switched its range, and record anew",
            tuple(own),
        )
        for times, own in sorted(switched.items())
    ]


def _left_of_gravity(signals: Signals, part: slice) -> FloatArray | None:
    """What moves gravity (3,), squared, if the gyroscope's range were each of the scales; None of too short a block."""
    factor = max(1, round(signals.grid.rate_hz / RATE_HZ))
    rate_hz = signals.grid.rate_hz / factor
    accel, gyro = (thinned(values[part], factor) for values in (signals.accel_mps2, signals.gyro_radps))
    count = max(1, round(len(accel) / (WINDOW_S * rate_hz)))
    size = len(accel) // count
    sound = all_sound(signals.grid.valid[part], factor)[: count * size].reshape(count, size).all(axis=1)
    if size < LEAST_WINDOW_S * rate_hz or not sound.any():
        return None
    whole = np.flatnonzero(sound)
    some = whole[np.linspace(0, len(whole) - 1, min(len(whole), MOST_WINDOWS)).round().astype(np.int64)]
    accel, gyro = (x[: count * size].reshape(count, size, 3)[some] for x in (accel, rate_since_last(gyro)))
    means = _slow_means(size, rate_hz)
    left = []
    for scale in SCALES:
        turns = chain_turns(scale * gyro / rate_hz)
        force = means @ rotate(turns.reshape(-1, 4), accel.reshape(-1, 3)).reshape(-1, size, 3)
        left.append(float((force**2).sum()))
    return np.array(left)


def _slow_means(size: int, rate_hz: float) -> FloatArray:
    """Means over ``MEAN_S``, Hann-weighted, half overlapping, less what bias makes of them: a matrix (k, size)."""
    wide = round(MEAN_S * rate_hz)
    hann = np.hanning(wide + 2)[1:-1]
    starts = np.arange(0, size - wide + 1, wide // 2)
    means = np.zeros((len(starts), size))
    for row, start in zip(means, starts, strict=True):
        row[start : start + wide] = hann / hann.sum()
    drift = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1, 1, len(starts)), 2))[0]
    return means - drift @ (drift.T @ means)
