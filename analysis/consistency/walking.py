"""Walking: seen in the hand's slow motion while it plays, and in the rests between.

A hand that plays sitting leaves next to nothing between its slow wander, below 0.7 Hz, and its strokes. A walking body
bounces there by some 1 m/s2, at 1.4 to 2.5 steps a second, upright above all. String changes move the hand there too,
but in a fixed ratio to the strokes. Steps may happen to be in such a ratio as well, and do not stop when the strokes
do: where another block, or a rest before one, shows them too, they are steps.

References
----------
Pachi and Ji, Frequency and velocity of people walking, The Structural Engineer 83 (3), 2005: 1.8 steps a second on
average (quoted from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import periodogram

from analysis.model.doubts import Doubt
from analysis.model.number_words import name_blocks
from analysis.model.records import Event
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import rotate


@dataclass(frozen=True)
class WalkingSettings:
    """When the body counts as walking.

    ``walk_mps2`` is the vertical acceleration (RMS) between ``walk_hz`` that no sitting hand showed; strokes' own cycle
    must lie above the band by ``below_cycle``. ``locked`` is how near to a whole fraction of the strokes a frequency
    belongs to them, ``alike`` how near two frequencies are those of one walk.

    Attributes
    ----------
    walk_mps2 : float
    walk_hz : (float, float)
        Lower and upper end of the band.
    below_cycle : float
    locked : float
    alike : float
    rest_s : float
        Least rest that is looked at, and the most of one.
    """

    walk_mps2: float = 0.5
    walk_hz: tuple[float, float] = (1.2, 2.8)
    below_cycle: float = 0.75
    locked: float = 0.03
    alike: float = 0.1
    rest_s: tuple[float, float] = (2.0, 8.0)


def doubt_walking(
    motion: Motion,
    events: Sequence[Event],
    blocks: Sequence[Event],
    rates: Sequence[float | None],
    settings: WalkingSettings,
) -> tuple[Doubt, ...]:
    """A doubt on the blocks in which the player walked.

    Parameters
    ----------
    motion : Motion
    events : sequence of Event
        All of the session, blocks among them.
    blocks : sequence of Event
    rates : sequence of float or None
        Strokes a second of each block.
    settings : WalkingSettings

    Returns
    -------
    tuple of Doubt
        Empty, or one.
    """
    bounces = [
        None if rate is None else _bounce_in_play_hz(motion, event, rate, settings)
        for event, rate in zip(blocks, rates, strict=True)
    ]
    free = [
        hz is not None and rate is not None and not _is_locked(hz, rate, settings)
        for hz, rate in zip(bounces, rates, strict=True)
    ]
    if any(hz is not None for hz in bounces):
        sure = [hz for hz, own in zip(bounces, free, strict=True) if hz is not None and own]
        steps = [*sure, *_bounces_at_rest_hz(motion, events, blocks, settings)]
        free = [
            hz is not None and (own or any(abs(hz / step - 1) < settings.alike for step in steps))
            for hz, own in zip(bounces, free, strict=True)
        ]
    walked = tuple(int(index) for index in np.flatnonzero(free))
    if not walked:
        return ()
    fault = f"the body moved up and down as in walking in {name_blocks(walked)}"
    evidence = f"the hand was shaken upright at step rate by more than {settings.walk_mps2:g} m/s2"
    return (Doubt("walking", "open", fault, evidence, "stand or sit still while you play", walked),)


def _bounce_in_play_hz(motion: Motion, block: Event, strokes_per_s: float, settings: WalkingSettings) -> float | None:
    """Rate of the bouncing in a block; None where there is none, or where strokes so slow would hide it."""
    high_hz = min(settings.walk_hz[1], settings.below_cycle * 0.5 * strokes_per_s)
    if block.end_s - block.start_s < 5.0 or high_hz < settings.walk_hz[0] + 0.4:
        return None
    return bounce_hz(motion, block.start_s + 0.5, block.end_s - 0.5, high_hz, settings)


def _is_locked(bounce: float, strokes_per_s: float, settings: WalkingSettings) -> bool:
    """Beats and string changes move the hand in whole numbers of strokes."""
    ratio = strokes_per_s / bounce
    return abs(ratio / round(ratio) - 1) < settings.locked


def _bounces_at_rest_hz(
    motion: Motion, events: Sequence[Event], blocks: Sequence[Event], settings: WalkingSettings
) -> list[float]:
    """What bounces in the rests that end in a block."""
    least, most = settings.rest_s
    found = []
    for block in blocks:
        since = max((e.end_s for e in events if e.kind != "rest" and e.end_s <= block.start_s), default=-np.inf)
        start_s, end_s = max(since + 0.5, block.start_s - most), block.start_s - 0.5
        if end_s - start_s >= least:
            found.append(bounce_hz(motion, start_s, end_s, settings.walk_hz[1], settings))
    return [hz for hz in found if hz is not None]


def bounce_hz(motion: Motion, start_s: float, end_s: float, high_hz: float, settings: WalkingSettings) -> float | None:
    """Rate at which the hand is shaken upright as a walking body shakes it; None where it is not.

    Parameters
    ----------
    motion : Motion
    start_s, end_s : float
    high_hz : float
        Up to where it is looked for.
    settings : WalkingSettings

    Returns
    -------
    float or None
    """
    first, last = motion.grid.index_at(start_s), motion.grid.index_at(end_s)
    if last - first < settings.rest_s[0] * motion.grid.rate_hz or motion.grid.valid[first:last].mean() < 0.8:
        return None
    upright = rotate(motion.quat_wxyz[first:last], motion.accel_mps2[first:last])[:, 2]
    frequency, density = periodogram(upright, motion.grid.rate_hz, window="hann")
    band = (frequency >= settings.walk_hz[0]) & (frequency <= high_hz)
    if float(np.sqrt(density[band].sum() * frequency[1])) < settings.walk_mps2:
        return None
    return float(frequency[band][density[band].argmax()])
