"""From strokes to the answer of each block."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from analysis.model.records import BlockSummary, Clearing, Event, FloatArray, Side

BATCH_S = 2.0


def summarise_block(
    index: int, event: Event, strokes: pd.DataFrame, offset_se_deg: float | None, from_gestures: bool
) -> BlockSummary:
    """One block's answer.

    Parameters
    ----------
    index : int
    event : Event
        The play event.
    strokes : DataFrame
        Its strokes, columns of :data:`analysis.model.stroke_columns.STROKE_COLUMNS`.
    offset_se_deg : float or None
        Session part of the uncertainty; None without an instrument frame.
    from_gestures : bool
        False: tilt is against the hand's own plane, so side, interval and clearing cannot be given.

    Returns
    -------
    BlockSummary
    """
    steady = strokes[strokes["string_change"] != "true"]
    if steady.empty:
        steady = strokes
    tilt = steady["tilt_deg"].to_numpy()
    n = len(strokes)
    mean = float(tilt.mean()) if tilt.size else None
    mean_se = _mean_se_deg(steady) if tilt.size else None
    interval = None
    if from_gestures and mean is not None and mean_se is not None and offset_se_deg is not None:
        half = 1.96 * float(np.hypot(mean_se, offset_se_deg))
        interval = (mean - half, mean + half)
    down, up = _clearing_shares(strokes)
    counted = _counted(down, up, event, mean)
    return BlockSummary(
        index=index,
        start_s=event.start_s,
        end_s=event.end_s,
        posture=event.posture,
        tempo_bpm=event.tempo_bpm,
        notes_per_beat=event.notes_per_beat,
        drill=event.drill,
        wanted=event.wanted,
        strokes=n,
        strokes_per_s=_median(1.0 / (strokes["end_s"] - strokes["start_s"]).to_numpy()) if n else None,
        tilt_mean_deg=mean,
        tilt_sd_deg=float(tilt.std(ddof=1)) if tilt.size > 1 else None,
        tilt_ci95_deg=interval,
        tilt_offset_se_deg=offset_se_deg,
        tilt_mean_se_deg=mean_se,
        tilt_side=_side(interval),
        clearing_stroke=_clearing(down, up) if from_gestures and n else None,
        share_clearing=(down if counted == "down" else up) if from_gestures and n else None,
        span_mm=_median(strokes["span_mm"].to_numpy()),
        bow_mm=_median(strokes["bow_mm"].to_numpy()),
        lift_mm=_median(strokes.loc[strokes["direction"] == counted, "lift_mm"].to_numpy()),
    )


def _median(values: FloatArray) -> float | None:
    return float(np.median(values)) if values.size else None


def _mean_se_deg(strokes: pd.DataFrame) -> float:
    """Standard error of the mean tilt: single-stroke errors, and slow wander by batch means of two seconds.

    Batches count by their strokes, so that the last, short one weighs no more than it holds. Fewer than three
    batches show no wander; the strokes' own scatter stands in.
    """
    own = float(np.sqrt((strokes["tilt_se_deg"] ** 2).mean() / len(strokes)))
    tilt, start = strokes["tilt_deg"].to_numpy(), strokes["start_s"].to_numpy()
    batch = np.unique(np.floor((start - start[0]) / BATCH_S), return_inverse=True)[1]
    if batch[-1] < 2:
        batch = np.arange(tilt.size)
    number = int(batch[-1]) + 1
    if number < 2:
        return own
    excess = np.bincount(batch, weights=tilt - tilt.mean()) / tilt.size
    return float(np.hypot(own, np.sqrt(number / (number - 1) * (excess**2).sum())))


def _side(interval: tuple[float, float] | None) -> Side:
    if interval is None or interval[0] <= 0 <= interval[1]:
        return "none"
    return "down" if interval[0] > 0 else "up"


def _clearing_shares(strokes: pd.DataFrame) -> tuple[float, float]:
    """Share of down- and of upstrokes that clear."""
    shares = []
    for direction in ("down", "up"):
        clears = strokes.loc[strokes["direction"] == direction, "clears"].to_numpy()
        shares.append(float(clears.mean()) if clears.size else 0.0)
    return shares[0], shares[1]


def _clearing(down: float, up: float) -> Clearing:
    if down > 0.5 and up > 0.5:
        return "both"
    if down > 0.5:
        return "down"
    return "up" if up > 0.5 else "level"


def _counted(down: float, up: float, event: Event, tilt_mean_deg: float | None) -> Literal["down", "up"]:
    """The stroke whose clearing counts: the wanted one, else the one that clears more often, else the higher one."""
    if event.wanted is not None:
        return event.wanted
    if down == up:
        return "down" if (tilt_mean_deg or 0.0) >= 0 else "up"
    return "down" if down > up else "up"
