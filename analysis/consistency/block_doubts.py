"""Doubts about what a sensor did in single blocks: a range that switched after a restart, an axis that died there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.consistency.channel_doubts import GRAVITY_OFF, still_parts
from analysis.consistency.channels import AXES
from analysis.model.doubts import Doubt
from analysis.model.number_words import block_number
from analysis.model.records import NOT_WORN, Event
from analysis.signal.working_grid import Signals

LEAST_S = 4.0
DEAF, LIVELY = 2.0, 8.0
"""Times its noise that an axis feels at most, and another one at least, for the first to count as dead."""


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
    names = f"block{'s' * (len(blocks) > 1)} " + ", ".join(str(block_number(index)) for index in blocks)
    return [
        Doubt(
            "sensor scale",
            "open",
            f"in {names} the accelerometer reads otherwise than at rest",
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
            f"the {name} axis feels nothing in block{'s' * (len(own) > 1)} "
            + ", ".join(str(block_number(index)) for index in own),
            "it shows no more than its noise on the table while the axes beside it move",
            "check the wiring and the sensor",
            tuple(own),
        )
        for name, own in deaf.items()
    ]
