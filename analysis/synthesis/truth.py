"""The true strokes, read off the tip's path: turns are the extrema of Y, whatever the script meant them to be.

The tip's strokes are against the strings as they are at that moment. The hand's are, from turn to turn, those of the
point of the hand at which the tip sits while the fingers are at rest, in the axes that the strings had over the latest
gestures before the block: whatever fingers and instrument do later.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.model.records import BoolArray, Event, FloatArray, Instrument, IntArray
from analysis.synthesis.gestures import course_positions
from analysis.synthesis.performance import Performance
from analysis.synthesis.rotation import rotate
from analysis.synthesis.timeline import BlockPlan

_POINTS = 97
_ROWS = 2000
_STEP_S = 0.05


def find_turns(performance: Performance, plan: BlockPlan) -> FloatArray:
    """Return the times (n + 1,) of the extrema of the tip's Y nearest to the planned turns."""
    t = plan.turns_s
    if plan.waits:
        return t  # the middle of each wait: a resting tip has no extremum of its own
    gap = np.diff(t)
    width = 0.3 * np.minimum(np.concatenate((gap[:1], gap)), np.concatenate((gap, gap[-1:])))
    top = np.concatenate((plan.downstroke, ~plan.downstroke[-1:]))  # a downstroke starts at the smallest Y
    parts = [slice(i, i + _ROWS) for i in range(0, t.size, _ROWS)]
    found = np.concatenate([_extrema(performance, t[part], width[part], top[part]) for part in parts])
    # Before its first and after its last stroke the hand waits, where a wandering tip has no turn of its own.
    found[0], found[-1] = t[0], t[-1]
    return found


def _extrema(performance: Performance, t: FloatArray, width: FloatArray, smallest: BoolArray) -> FloatArray:
    """Return times of the extrema of Y within ``width`` of times (k,), refined by a parabola."""
    offsets = np.linspace(-1.0, 1.0, 61)
    times = t[:, None] + width[:, None] * offsets
    y = performance.tip_m(times.ravel())[1].reshape(times.shape)
    y = np.where(smallest[:, None], -y, y)
    k = np.clip(np.argmax(y, axis=1), 1, offsets.size - 2)
    rows = np.arange(t.size)
    left, mid, right = y[rows, k - 1], y[rows, k], y[rows, k + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    step = width * (offsets[1] - offsets[0])
    found: FloatArray = t + width * offsets[k] + np.clip(shift, -1, 1) * step
    return found


def stroke_table(performance: Performance, instrument: Instrument) -> pd.DataFrame:
    """Return one row a stroke, in true time."""
    tables = [_block_table(performance, plan, instrument) for plan in performance.blocks]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def _block_table(performance: Performance, plan: BlockPlan, instrument: Instrument) -> pd.DataFrame:
    turns = find_turns(performance, plan)
    parts = [
        _shapes(performance, plan, turns, slice(i, min(i + _ROWS, turns.size - 1)), instrument)
        for i in range(0, turns.size - 1, _ROWS)
    ]
    table = pd.DataFrame({name: np.concatenate([part[name] for part in parts]) for name in parts[0]})
    table.insert(0, "start_s", turns[:-1])
    table.insert(1, "end_s", turns[1:])
    table.insert(2, "block", plan.index)
    table.insert(3, "direction", np.where(plan.downstroke, "down", "up"))
    table["contact_s"] = plan.contact_s
    table["attack"] = plan.attack
    table["string_change"] = plan.string_change
    table["in_change"] = plan.in_change
    table["course"] = plan.course
    table["posture"] = plan.posture
    return table


def _shapes(
    performance: Performance, plan: BlockPlan, turns: FloatArray, rows: slice, instrument: Instrument
) -> dict[str, FloatArray]:
    """Return tilt, span, bow and lift of some strokes from finely sampled paths."""
    start, end = turns[:-1][rows], turns[1:][rows]
    times = start[:, None] + (end - start)[:, None] * np.linspace(0.0, 1.0, _POINTS)
    path = 1e3 * performance.tip_m(times.ravel()).reshape(3, *times.shape)
    y, z = path[1], path[2]
    down = plan.downstroke[rows]
    sign = np.where(down, 1.0, -1.0)
    dy, dz = sign * (y[:, -1] - y[:, 0]), sign * (z[:, -1] - z[:, 0])
    tilt = np.arctan2(dz, dy)
    span = np.sum(np.hypot(np.diff(y, axis=1), np.diff(z, axis=1)), axis=1)
    # Distance below the chord, along the normal that points away from the strings.
    away = -(y - y[:, :1]) * np.sin(tilt)[:, None] + (z - z[:, :1]) * np.cos(tilt)[:, None]
    deepest = np.take_along_axis(away, np.argmax(np.abs(away), axis=1)[:, None], axis=1)[:, 0]
    contact = (plan.contact_s[rows] - start) / (end - start)
    lift = _lift(y, z, contact, down, plan.course[rows], instrument)
    return {"tilt_deg": np.degrees(tilt), "span_mm": span, "bow_mm": -deepest, "lift_mm": lift}


def _lift(
    y: FloatArray, z: FloatArray, contact: FloatArray, down: BoolArray, course: IntArray, instrument: Instrument
) -> FloatArray:
    """Height of the tip one spacing beyond the contact, or at the stroke's end, less the plectrum's depth."""
    rows = np.arange(y.shape[0])
    position = contact * (_POINTS - 1)
    at = np.clip(position.astype(np.int64), 0, _POINTS - 2)
    part = position - at
    y0 = y[rows, at] * (1 - part) + y[rows, at + 1] * part
    z0 = z[rows, at] * (1 - part) + z[rows, at + 1] * part
    travelled = np.where(down, 1.0, -1.0)[:, None] * (y - y0[:, None])
    travelled[np.arange(_POINTS)[None, :] <= at[:, None]] = -1.0
    passed = travelled >= instrument.mean_spacing_mm
    reached = np.where(np.any(passed, axis=1), np.argmax(passed, axis=1), _POINTS - 1)
    before = np.maximum(reached - 1, 0)
    rise = travelled[rows, reached] - travelled[rows, before]
    weight = np.where(
        np.any(passed, axis=1), (instrument.mean_spacing_mm - travelled[rows, before]) / np.maximum(rise, 1e-9), 1.0
    )
    z1 = z[rows, before] * (1 - weight) + z[rows, reached] * weight
    height: FloatArray = z1 - z0 - instrument.plectrum_depth_mm
    if instrument.radius_mm is not None:
        home = 1e3 * course_positions(instrument.spacing_mm)[course]
        y1 = home + np.where(down, 1.0, -1.0) * np.minimum(travelled[rows, reached], instrument.mean_spacing_mm)
        height += (y1**2 - home**2) / (2 * instrument.radius_mm)
    return height


def hand_tilts_deg(performance: Performance, strokes: pd.DataFrame) -> FloatArray:
    """Tilt of each stroke of the hand.

    Parameters
    ----------
    performance : Performance
    strokes : DataFrame
        One row a stroke, as :func:`stroke_table` gives them, in true time.

    Returns
    -------
    float64 (n,)
        Degrees; NaN where a block's posture had no gestures before it.
    """
    tilts = np.full(len(strokes), np.nan)
    number = strokes["block"].to_numpy()
    for block in np.unique(number):
        rows = np.flatnonzero(number == block)
        own = strokes.iloc[rows]
        gestures = _latest_gestures(performance.events, own["posture"].iloc[0], float(own["start_s"].iloc[0]))
        if not gestures:
            continue
        begun, ended = (performance.pose(own[name].to_numpy()).hand_tip_m for name in ("start_s", "end_s"))
        chord = _axes(performance, gestures) @ (ended - begun) * np.where(own["direction"] == "down", 1.0, -1.0)
        tilts[rows] = np.degrees(np.arctan2(chord[2], chord[1]))
    return tilts


def _latest_gestures(events: tuple[Event, ...], posture: str, start_s: float) -> list[Event]:
    """The gestures of a posture that no play parts from each other, the last before a time."""
    made = [event for event in events if event.kind in ("across", "along") and event.posture in (posture, "")]
    made = [event for event in made if event.end_s <= start_s]
    if not made:
        return []
    played = [event.start_s for event in events if event.kind == "play" and event.start_s < made[-1].start_s]
    return [event for event in made if event.start_s > max(played, default=-np.inf)]


def _axes(performance: Performance, gestures: list[Event]) -> FloatArray:
    """The instrument's mean axes over gestures, as rows in the world."""
    t = np.concatenate([np.arange(event.start_s, event.end_s, _STEP_S) for event in gestures])
    quat = np.broadcast_to(performance.pose(t).instrument_quat, (4, t.size))
    left, _, right = np.linalg.svd(np.array([rotate(quat, axis[:, None]).mean(axis=1) for axis in np.eye(3)]))
    axes: FloatArray = left @ right
    return axes
