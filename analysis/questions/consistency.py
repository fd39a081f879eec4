r"""Is it consistent? Spread of the tilt within and between blocks, drift within a block, evenness of both strokes.

Tilt is an axis, so centre and overall spread are those of the doubled angles (:mod:`analysis.statistics.directional`).
What is told is what was played: two tilts that take turns, and a tilt that changes along a ladder, have no mean
(:mod:`analysis.questions.steady_levels`); all scatter is about them.
What repeats is the block: intervals are over blocks. The smallest change that a session can show follows from how far
blocks of one kind lie apart, ``SD``, and from what all blocks of a session share, the frame's error ``s``:

.. math::

   \text{between two blocks} &= 1.96 \sqrt{2}\, SD                                                        (1) \\
   \text{between two such sessions of } n \text{ blocks} &= 1.96 \sqrt{2} \sqrt{s^2 + SD^2 / n}            (2)

References
----------
Weir, J. Strength Cond. Res. 19, 2005, 231-240 (smallest detectable change).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.records import SessionResult
from analysis.questions.block_table import check_one_player, frame_se_deg, steady_strokes, tabulate_blocks
from analysis.questions.hold import choose_posture
from analysis.questions.steady_levels import (
    SPEEDS_APART,
    SteadyLevel,
    find_levels,
    level_columns,
    split_mixed,
    summarise_levels,
)
from analysis.statistics.block_bootstrap import STRETCH_S, draw_stretches
from analysis.statistics.estimates import Estimate, mean_estimate, remove_columns, sd_estimate
from analysis.stroke.blocks import level_of, weights_of

DRAWS = 400
KEPT_SCATTER = 0.86
"""Share that the estimate keeps of a scatter that is new at every stroke: its slow part is taken for the hand's way.

Median of 24 simulated ladders (benchmarks.question_demo, seeds 20-43), 0.82 to 0.92. A scatter that stays for some
strokes is kept whole, and nobody knows which one a player has: the interval's upper end allows for the first.
"""


@dataclass(frozen=True)
class Evenness:
    """Downstroke less upstroke, averaged over blocks."""

    name: str
    unit: str
    difference: Estimate


@dataclass(frozen=True)
class SmallestChange:
    """Smallest change of the mean tilt (deg) that can be told from chance, equations (1) and (2).

    ``between_sessions_deg`` is None without an instrument frame.
    """

    between_blocks_deg: float
    between_sessions_deg: float | None
    spread_between_blocks_deg: float


@dataclass(frozen=True)
class Consistency:
    """The answer for one posture.

    Attributes
    ----------
    levels : tuple of SteadyLevel
        The tilts that were played, the larger first.
    mixed : int
        Blocks whose strokes change between two tilts by groups.
    within_sd_deg : Estimate
        Standard deviation of single strokes about the mean of their block, or of their group in a mixed one. The
        interval's upper end allows for what the estimate loses (:data:`KEPT_SCATTER`).
    error_sd_deg : float
        How much of that the measurement alone would give (noise of the sensor; the stroke's own part).
    between_sd_deg : Estimate or None
        Standard deviation of the blocks' means, about their smooth change with speed where speeds differ.
    drift_deg_per_min : Estimate or None
        Mean slope within a block.
    evenness : tuple of Evenness
        Tilt, span, bow, duration.
    span_cv_pct, bow_sd_mm : float
        Scatter of span and bow within blocks.
    smallest_change : SmallestChange or None
    blocks : DataFrame
        Rows of :data:`analysis.questions.block_table.BLOCK_COLUMNS`, and ``part`` and ``level``; a mixed block has a
        row for each of its tilts.
    refused : dict of str to str
        What cannot be given, and why.
    remarks : tuple of str
    """

    posture: str
    levels: tuple[SteadyLevel, ...]
    mixed: int
    within_sd_deg: Estimate
    error_sd_deg: float
    between_sd_deg: Estimate | None
    drift_deg_per_min: Estimate | None
    evenness: tuple[Evenness, ...]
    span_cv_pct: float
    bow_sd_mm: float
    smallest_change: SmallestChange | None
    blocks: pd.DataFrame
    refused: dict[str, str]
    remarks: tuple[str, ...]


def measure_consistency(results: Sequence[SessionResult], posture: str | None = None, seed: int = 0) -> Consistency:
    """How even a posture's strokes are, over one or more sessions of a player.

    Parameters
    ----------
    results : sequence of SessionResult
    posture : str, optional
        Needed where the sessions hold several.
    seed : int

    Returns
    -------
    Consistency

    Raises
    ------
    InputError
        Sessions of different players, or an unknown posture.
    NotEnoughDataError
        No block with strokes.
    """
    check_one_player(results)
    blocks = tabulate_blocks(results)
    posture = choose_posture(blocks, posture)
    blocks = blocks[blocks["posture"] == posture].reset_index(drop=True)
    strokes = steady_strokes(results, posture).merge(blocks[["session", "block"]], on=["session", "block"])
    strokes = split_mixed(strokes, results)
    groups = [part for _, part in strokes.groupby(["session", "block", "part"], sort=True)]
    within = _within_sd(groups, seed)
    parts = _tabulate_parts(blocks, groups, within.value)
    many = len(blocks) > 1
    between = _between_sd(parts) if many else None
    refused = {}
    if not many:
        one = "one block only; play three or more like it"
        refused = {"spread between blocks": one, "drift within a block": one, "evenness": one, "smallest change": one}
    return Consistency(
        posture=posture,
        levels=summarise_levels(parts, strokes, between.value if between else 0.0),
        mixed=int((parts["part"] == 1).sum()),
        within_sd_deg=within,
        error_sd_deg=float(np.sqrt(np.mean(strokes["tilt_se_deg"].to_numpy(np.float64) ** 2))),
        between_sd_deg=between,
        drift_deg_per_min=mean_estimate([_slope_per_min(part) for part in groups]) if many else None,
        evenness=_evenness(groups) if many else (),
        span_cv_pct=100 * _pooled_sd(groups, "span_mm") / float(strokes["span_mm"].mean()),
        bow_sd_mm=_pooled_sd(groups, "bow_mm"),
        smallest_change=_smallest_change(parts) if many else None,
        blocks=parts,
        refused=refused,
        remarks=_remarks(blocks, strokes),
    )


def _tabulate_parts(blocks: pd.DataFrame, groups: Sequence[pd.DataFrame], within_sd_deg: float) -> pd.DataFrame:
    """One row a block, two of a mixed one, each with its own tilt; and the level that it belongs to."""
    rows = []
    for part in groups:
        tilt = part["tilt_deg"].to_numpy(np.float64)
        mean, sd = level_of(tilt, weights_of(part))
        rows.append(
            {
                **{key: int(part[key].iloc[0]) for key in ("session", "block", "part")},
                "tilt_deg": mean,
                "tilt_sd_deg": sd,
                "strokes": len(part),
            }
        )
    own = pd.DataFrame(rows)
    rest = blocks.drop(columns=["tilt_deg", "tilt_sd_deg", "strokes"])
    parts = own.merge(rest, on=["session", "block"])
    level = find_levels(parts["tilt_deg"].to_numpy(), parts["strokes_per_s"].to_numpy(np.float64), within_sd_deg)
    return parts.assign(level=level)


def _within_sd(groups: Sequence[pd.DataFrame], seed: int) -> Estimate:
    """Pooled SD; its interval from the logarithms of the blocks' SDs, or from stretches of the only block."""
    pooled = _pooled_sd(groups, "tilt_deg")
    if len(groups) > 1 and len({(part["session"].iloc[0], part["block"].iloc[0]) for part in groups}) > 1:
        logs = mean_estimate([math.log(max(float(part["tilt_deg"].std(ddof=1)), 1e-6)) for part in groups])
        ratio = (math.exp(logs.low - logs.value), math.exp(logs.high - logs.value))
        return Estimate(pooled, pooled * ratio[0], pooled * ratio[1] / KEPT_SCATTER, pooled * logs.se, logs.df)
    tilt = groups[0]["tilt_deg"].to_numpy(np.float64)
    length = int(np.clip(STRETCH_S * groups[0]["strokes_per_s"].median(), 1, max(1, tilt.size // 4)))
    drawn = tilt[draw_stretches(tilt.size, length, DRAWS, np.random.default_rng(seed))].std(axis=1, ddof=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Estimate(pooled, float(low), float(high) / KEPT_SCATTER, float(drawn.std(ddof=1)), math.inf)


def _pooled_sd(groups: Sequence[pd.DataFrame], column: str) -> float:
    """Root of the mean variance within blocks, by degrees of freedom."""
    sums = sum(float(part[column].var(ddof=1)) * (len(part) - 1) for part in groups)
    return math.sqrt(sums / sum(len(part) - 1 for part in groups))


def _between_sd(parts: pd.DataFrame) -> Estimate:
    """SD of the parts' means about their level and its smooth change with speed, where they were played at several."""
    means = parts["tilt_deg"].to_numpy(np.float64)
    columns = level_columns(parts["strokes_per_s"].to_numpy(np.float64), parts["level"].to_numpy())
    return sd_estimate(remove_columns(means[:, None], columns)[:, 0], max(1, means.size - columns.shape[1]))


def _slope_per_min(part: pd.DataFrame) -> float:
    minute = part["start_s"].to_numpy(np.float64) / 60
    return float(np.polyfit(minute - minute.mean(), part["tilt_deg"].to_numpy(np.float64), 1)[0])


def _evenness(groups: Sequence[pd.DataFrame]) -> tuple[Evenness, ...]:
    measures: tuple[tuple[str, str, Callable[[pd.DataFrame], pd.Series]], ...] = (
        ("tilt", "deg", lambda part: part["tilt_deg"]),
        ("span", "mm", lambda part: part["span_mm"]),
        ("bow", "mm", lambda part: part["bow_mm"]),
        ("duration", "ms", lambda part: 1e3 * (part["end_s"] - part["start_s"])),
    )
    found = []
    for name, unit, take in measures:
        differences = []
        for part in groups:
            means = take(part).groupby(part["direction"]).mean()
            if len(means) == 2:
                differences.append(float(means["down"] - means["up"]))
        if len(differences) > 1:
            found.append(Evenness(name, unit, mean_estimate(differences)))
    return tuple(found)


def _smallest_change(blocks: pd.DataFrame) -> SmallestChange:
    """Equations (1) and (2)."""
    factor = 1.96 * math.sqrt(2)
    sd = _between_sd(blocks).value
    between_sessions = None
    if blocks["offset_se_deg"].notna().all():
        a_session = len(blocks) / blocks["session"].nunique()
        between_sessions = factor * math.hypot(frame_se_deg(blocks), sd / math.sqrt(a_session))
    return SmallestChange(factor * sd, between_sessions, factor * float(blocks["tilt_sd_deg"].std(ddof=1)))


def _remarks(blocks: pd.DataFrame, strokes: pd.DataFrame) -> tuple[str, ...]:
    said = [f"based on {len(strokes)} strokes in {len(blocks)} block{'s' * (len(blocks) != 1)}"]
    speed = blocks["strokes_per_s"]
    if speed.max() > SPEEDS_APART * speed.min():
        said.append("the blocks differ in speed: their spread is about their smooth change with speed")
    if blocks["drill"].nunique() > 1:
        said.append("the blocks differ in drill, which is part of the spread between them")
    if len(blocks) == 1:
        said.append("one block only: the interval is based on stretches of 2 s of it, not on other blocks")
    return tuple(said)
