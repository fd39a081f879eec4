"""From strokes to the answer of each block."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.model.records import BlockSummary, Clearing, Event, FloatArray, Side, TiltGroup
from analysis.model.strokes import counted_stroke
from analysis.stroke.mixed_play import MixedSettings, find_groups

BATCH_S = 2.0
LEAST_SE_DEG = 0.05
"""No stroke is surer than this: strokes without any error would share no weight."""
WILD = 3.0
"""Times the usual error: such a stroke counts by its own."""


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
    weight = weights_of(steady)
    mean, sd = level_of(tilt, weight) if tilt.size else (None, None)
    mean_se = _mean_se_deg(steady, weight) if tilt.size else None
    interval = None
    if from_gestures and mean is not None and mean_se is not None and offset_se_deg is not None:
        half = 1.96 * float(np.hypot(mean_se, offset_se_deg))
        interval = (mean - half, mean + half)
    down, up = _clearing_shares(strokes)
    counted = counted_stroke(event.wanted, down, up, mean)
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
        tilt_sd_deg=sd,
        tilt_ci95_deg=interval,
        tilt_offset_se_deg=offset_se_deg,
        tilt_mean_se_deg=mean_se,
        tilt_side=_side(interval),
        clearing_stroke=_clearing(down, up) if from_gestures and n else None,
        share_clearing=(down if counted == "down" else up) if from_gestures and n else None,
        span_mm=_median(strokes["span_mm"].to_numpy()),
        bow_mm=_median(strokes["bow_mm"].to_numpy()),
        lift_mm=_median(strokes.loc[strokes["direction"] == counted, "lift_mm"].to_numpy()),
        groups=_groups(steady, offset_se_deg if from_gestures else None),
    )


def _groups(strokes: pd.DataFrame, offset_se_deg: float | None) -> tuple[TiltGroup, ...]:
    """The two tilts of a block that changes between them, each with its interval."""
    down = (strokes["direction"] == "down").to_numpy(np.bool_)
    groups = find_groups(strokes["tilt_deg"].to_numpy(np.float64), down, MixedSettings())
    if offset_se_deg is None:
        return groups
    half = [1.96 * float(np.hypot(group.se_deg, offset_se_deg)) for group in groups]
    return tuple(
        replace(group, tilt_ci95_deg=(group.tilt_deg - h, group.tilt_deg + h))
        for group, h in zip(groups, half, strict=True)
    )


def _median(values: FloatArray) -> float | None:
    return float(np.median(values)) if values.size else None


def weights_of(strokes: pd.DataFrame) -> FloatArray:
    """Weights of strokes in their mean tilt, by :func:`stroke_weights` from errors that do not know their own stroke.

    A stroke's error falls as it gets longer, and as it gets flatter where the level across the strings is less well
    known than that above them. On the way to another string the long, flat strokes would so flatten the mean. So each
    counts by the usual error; only a wild one, over three times that, by its own.

    Parameters
    ----------
    strokes : DataFrame
        Columns ``tilt_deg``, ``tilt_se_deg``.

    Returns
    -------
    float64 (n,)
        They add up to 1.
    """
    tilt, se = (strokes[name].to_numpy(np.float64) for name in ("tilt_deg", "tilt_se_deg"))
    if tilt.size == 0:
        return np.empty(0)
    usual = float(np.median(se))
    return stroke_weights(tilt, np.where(se > WILD * usual, se, usual))


def stroke_weights(tilt_deg: FloatArray, se_deg: FloatArray) -> FloatArray:
    """Weights of strokes in a mean, summing to 1: a stroke counts by its own error and by what all strokes scatter.

    ``w_i ~ 1 / (s_i^2 + t^2)``, with ``t`` the scatter from stroke to stroke that the errors ``s_i`` do not explain,
    taken from the middle half of the strokes, which no single wild one moves.

    Parameters
    ----------
    tilt_deg, se_deg : float64 (n,)

    Returns
    -------
    float64 (n,)

    References
    ----------
    DerSimonian and Laird, Meta-analysis in clinical trials, Controlled Clinical Trials 7, 1986, 177-188.

    Examples
    --------
    >>> stroke_weights(np.array([10.0, 12.0, 14.0, 80.0]), np.array([0.5, 0.5, 0.5, 63.0])).round(3).tolist()
    [0.328, 0.328, 0.328, 0.016]
    """
    if tilt_deg.size == 0:
        return np.empty(0)
    low, high = np.percentile(tilt_deg, [25, 75])
    # The quartiles of a normal distribution are 1.349 standard deviations apart.
    scatter2 = max(((high - low) / 1.349) ** 2 - float(np.median(se_deg**2)), 0.0)
    weight = 1.0 / (se_deg**2 + scatter2 + LEAST_SE_DEG**2)
    return np.asarray(weight / weight.sum())


def level_of(tilt_deg: FloatArray, weight: FloatArray) -> tuple[float, float | None]:
    """Mean and scatter of some strokes' tilts: the one way in which every table and answer gives them.

    Parameters
    ----------
    tilt_deg, weight : float64 (n,)
        At least one; the weights add up to 1.

    Returns
    -------
    (float, float or None)
        Mean, and standard deviation, with equal weights the usual one, of ``n - 1``; None of a single stroke.
    """
    mean = float(weight @ tilt_deg)
    if tilt_deg.size < 2:
        return mean, None
    square = float(weight @ (tilt_deg - mean) ** 2)
    return mean, float(np.sqrt(square / max(1.0 - float(weight @ weight), 1e-9)))


def _mean_se_deg(strokes: pd.DataFrame, weight: FloatArray) -> float:
    """Standard error of the mean tilt: single-stroke errors, and slow wander by batch means of two seconds.

    Batches count by their strokes' weights, so that the last, short one weighs no more than it holds. Fewer than three
    batches show no wander; the strokes' own scatter stands in.
    """
    own = float(np.sqrt(weight**2 @ strokes["tilt_se_deg"].to_numpy() ** 2))
    tilt, start = strokes["tilt_deg"].to_numpy(), strokes["start_s"].to_numpy()
    batch = np.unique(np.floor((start - start[0]) / BATCH_S), return_inverse=True)[1]
    if batch[-1] < 2:
        batch = np.arange(tilt.size)
    number = int(batch[-1]) + 1
    if number < 2:
        return own
    excess = np.bincount(batch, weights=weight * (tilt - weight @ tilt))
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
