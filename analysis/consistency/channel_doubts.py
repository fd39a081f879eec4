"""Doubts about single channels: dead and frozen axes, range, scale, noise, a first still that moved."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.consistency.channels import (
    Restlessness,
    SaturatedAxes,
    find_frozen,
    measure_restlessness,
    quietest,
    weigh_saturation,
)
from analysis.consistency.knocks import tapping_hz
from analysis.consistency.stills import judge_first_still
from analysis.model.doubts import Certainty, Doubt
from analysis.model.number_words import clock
from analysis.model.records import NOT_WORN, OFF_HAND, Event, Session
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.timebase import Timebase
from analysis.signal.working_grid import Signals

GRAVITY_OFF = 0.10
SPAN_MM = 15.0
"""The stroke against which a false path is set."""
OPEN_DEG, LIKELY_DEG = 6.0, 2.0
ATTACKS_DEG = 2.0
"""The most that saturated attacks do to a block's mean: 1.7 (RMS) in simulated play over strings, 0.8 on one."""
NOISY = 3.0
TREMOR_HZ = 15.0
"""A hand trembles less often than this; supplies and motors hum above it."""
NOISE, SHAKEN = "sensor noise", "shaken still"
GESTURES = ("across", "along", "pivot")


def frozen_axes(session: Session) -> list[Doubt]:
    """Dead and frozen axes, on the blocks that they touch."""
    doubts = []
    for axis in find_frozen(session.raw, session.profile):
        state = "is dead" if axis.whole else "is frozen"
        blocks = None if axis.whole else _blocks_within(session.events, axis.start_s, axis.end_s)
        if blocks == ():
            continue
        doubts.append(
            Doubt(
                "sensor axis",
                "open",
                f"the {axis.axis} axis {state}",
                f"it keeps one value from {axis.start_s:.1f} to {axis.end_s:.1f} s while the axes beside it move",
                "check the column in MAP.toml, the wiring and the sensor",
                blocks,
            )
        )
    return doubts


def gravity_length(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Length of gravity in the stills, or in the quietest two seconds."""
    lengths = [
        float(np.linalg.norm(signals.accel_mps2[part].mean(axis=0)))
        for _, part in still_parts(signals, events, fallback=True)
    ]
    usual = float(np.median(lengths)) if lengths else GRAVITY_MPS2
    if abs(usual / GRAVITY_MPS2 - 1) < GRAVITY_OFF:
        return []
    return [
        Doubt(
            "sensor scale",
            "likely",
            f"the accelerometer reads {usual / GRAVITY_MPS2:.2f} times gravity at rest",
            f"{usual:.2f} m/s2 instead of 9.81",
            "run strokeplane calibrate, or correct accel_per_g in MAP.toml or the range in the device profile",
        )
    ]


def restless_stills(signals: Signals, session: Session) -> list[Doubt]:
    """Noise, tones and taps, by the path that they make of a tip that stands still."""
    doubts = []
    for event, part in still_parts(signals, session.events):
        found = measure_restlessness(
            signals.accel_mps2[part], signals.gyro_radps[part], signals.grid.rate_hz, session.profile
        )
        cost_deg = _cost_deg(found.path_mm)
        tapped_hz = tapping_hz(signals.accel_mps2[part], signals.grid.rate_hz) if cost_deg > LIKELY_DEG else None
        at = clock(event.start_s - signals.grid.start_s)
        if tapped_hz is not None:
            doubts.append(_tapped(at, tapped_hz, found.path_mm))
            continue
        if event.label not in NOT_WORN and found.tone_hz is not None and found.tone_hz < TREMOR_HZ:
            doubts += [_trembled(at, found.tone_hz, found.path_mm)] if cost_deg > OPEN_DEG else []
            continue
        noisy = event.label == OFF_HAND and _excess(found) > NOISY
        if cost_deg < LIKELY_DEG or not (noisy or found.tone_hz is not None or cost_deg > OPEN_DEG):
            continue
        what = f"a tone of {found.tone_hz:.0f} Hz" if found.tone_hz is not None and not noisy else "noise"
        than = f", {_excess(found):.0f} times the datasheet's noise" if noisy else ""
        doubts.append(
            Doubt(
                NOISE,
                _cap(cost_deg),
                f"the sensor shows {what} where nothing moves",
                f"in the still at {at} a tip at rest seems to move by {found.path_mm:.1f} mm, "
                f"which is {cost_deg:.0f} deg on a stroke of {SPAN_MM:.0f} mm{than}",
                "check supply, wiring and mounting, and keep motors and loudspeakers away",
            )
        )
    return doubts[:1]


def _tapped(at: str, tapped_hz: float, path_mm: float) -> Doubt:
    """Shaking in a rhythm is no fault of the sensor, and another one cures it."""
    cost_deg = _cost_deg(path_mm)
    return Doubt(
        SHAKEN,
        _cap(cost_deg),
        f"{tapped_hz:.1f} times a second something shakes the sensor where nothing should move, as a tapping foot or "
        "knocks on the table do",
        f"in the still at {at} its acceleration repeats itself every {1 / tapped_hz:.2f} s, and a tip "
        f"at rest seems to move by {path_mm:.1f} mm, {cost_deg:.0f} deg on a stroke of {SPAN_MM:.0f} mm",
        "keep the foot still and the table free of knocks, then record stills and gestures anew",
    )


def _trembled(at: str, tone_hz: float, path_mm: float) -> Doubt:
    """A hand that trembles while it should rest is no fault of the sensor either."""
    return Doubt(
        SHAKEN,
        "likely",
        "the hand trembled where it should rest",
        f"in the still at {at} it went to and fro {tone_hz:.0f} times a second, by {path_mm:.1f} mm at the tip",
        "rest the hand on the instrument for the still, and record it anew",
    )


def moved_first_still(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """A still off the hand that moved: the intervals know, and a better one would narrow them."""
    if not any(event.kind == "still" and event.label == OFF_HAND for event in events):
        return []
    found = judge_first_still(signals, events)
    if found is None or found.quiet:
        return []
    return [
        Doubt(
            "first still",
            "sure",
            "the first still was not still",
            f"the sensor turned to and fro by {found.moving_dps:.1f} deg/s, which leaves the gyroscope's bias open by "
            f"{found.bias_se_dps:.2f} deg/s",
            "lay the sensor on a table for it, not on the lap; the intervals are wider for it",
        )
    ]


def saturated_play(session: Session, timebase: Timebase) -> list[Doubt]:
    """Blocks whose path the end of the range bends."""
    doubts = []
    plays = [event for event in session.events if event.kind == "play"]
    for index, event in enumerate(plays):
        part = timebase.grid.slice_of(event.start_s, event.end_s)
        inside = slice(*np.searchsorted(timebase.slot, (part.start, part.stop)).tolist())
        if inside.stop - inside.start < 2.0 * timebase.grid.rate_hz:
            continue
        found = weigh_saturation(
            session.raw.counts[timebase.kept[inside]], timebase.slot[inside], session.profile, timebase.grid.rate_hz
        )
        cost_deg = 0.0 if found is None else _bent_deg(found)
        if found is None or cost_deg < LIKELY_DEG:
            continue
        doubts.append(
            Doubt(
                "sensor range",
                _cap(cost_deg),
                "the strokes go beyond the sensor's range",
                f"{' and '.join(found.axes)} {'stand' if len(found.axes) > 1 else 'stands'} at the end in "
                f"{found.samples} samples of block {index + 1}, which bends the path by {cost_deg:.0f} deg or more",
                "choose a wider range in the sensor and its profile",
                (index,),
                se_deg=cost_deg,
            )
        )
    return doubts


def _bent_deg(found: SaturatedAxes) -> float:
    """What saturation does to a block's mean: attacks scatter the strokes, and their mean little."""
    bent_deg, lasting_deg = (float(np.degrees(np.arctan(share))) for share in (found.bend, found.lasting))
    return max(lasting_deg, min(bent_deg, ATTACKS_DEG))


def still_parts(signals: Signals, events: Sequence[Event], fallback: bool = False) -> list[tuple[Event, slice]]:
    """The stills of at least a second; else, if wanted, the quietest two seconds.

    Parameters
    ----------
    signals : Signals
    events : sequence of Event
    fallback : bool

    Returns
    -------
    list of (Event, slice)
        Each with its samples; the event of a fallback says nothing but its kind.
    """
    parts = []
    for event in (e for e in events if e.kind == "still"):
        part = signals.grid.slice_of(event.start_s, event.end_s)
        if part.stop - part.start >= signals.grid.rate_hz:
            parts.append((event, part))
    if not parts and fallback:
        quiet = quietest(signals.gyro_radps, signals.grid.valid, signals.grid.rate_hz)
        if quiet is not None:
            parts.append((Event(0.0, 0.0, "still"), quiet))
    return parts


def _blocks_within(events: Sequence[Event], start_s: float, end_s: float) -> tuple[int, ...] | None:
    """Blocks that a fault touches; None (all) where it touches a gesture or no block is marked."""
    plays = [event for event in events if event.kind == "play"]
    if not plays or any(e.start_s < end_s and e.end_s > start_s for e in events if e.kind in GESTURES):
        return None
    return tuple(i for i, event in enumerate(plays) if event.start_s < end_s and event.end_s > start_s)


def _cost_deg(path_mm: float) -> float:
    """Error of a stroke's tilt by a false path of this RMS: both ends of the stroke feel it."""
    return float(np.degrees(np.arctan2(np.sqrt(2.0) * path_mm, SPAN_MM)))


def _excess(found: Restlessness) -> float:
    return max(found.accel_excess or 0.0, found.gyro_excess or 0.0)


def _cap(cost_deg: float) -> Certainty:
    return "open" if cost_deg > OPEN_DEG else "likely"
