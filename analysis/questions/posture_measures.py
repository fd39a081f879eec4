"""One measure of two postures, block against block: difference, interval, verdict, and what would settle it.

A measure differs if exchanging the blocks' labels gives p < 0.05 and its interval leaves out zero; it is equivalent if
two one-sided tests at 5 % put it within its margin. Both half-widths together below the margin settle it, whatever the
difference is: what does not lie within the margin is then shown to differ. Hold tempi are
compared from their resamples.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray, SessionResult
from analysis.questions.block_table import frame_se_deg, own_frame, steady_strokes
from analysis.questions.hold import HoldSettings, HoldTempo, find_hold_tempo
from analysis.questions.posture_design import Design
from analysis.statistics.estimates import Equivalence, Estimate, adjusted_slope, equivalence_test, hedges_g
from analysis.statistics.permutation import PermutationTest, label_test

ALPHA = 0.05
POWER = 0.8
MOST_BLOCKS = 60

Verdict = Literal["different", "equivalent", "not shown"]


@dataclass(frozen=True)
class Measure:
    """What is compared.

    Attributes
    ----------
    key : str
        Column of the block table.
    name, unit : str
    better : int
        1 where more is better, -1 where less is, 0 where neither is by itself.
    frame : bool
        Whether the frame's error is in it.
    scale : float
        From the column's unit to this one.
    most : float
        Largest difference that there can be, in this unit.
    """

    key: str
    name: str
    unit: str
    better: int
    frame: bool
    scale: float = 1.0
    most: float = math.inf


MEASURES = (
    Measure("tilt_deg", "mean tilt", "deg", 0, True),
    Measure("tilt_sd_deg", "spread of tilt", "deg", -1, False),
    Measure("span_mm", "size of the stroke", "mm", 0, False),
    Measure("lift_mm", "lift of the stroke", "mm", 0, True),
    Measure("share_clearing", "strokes that clear", "of 100", 1, True, 100.0, 100.0),
    Measure("timing_pct", "unevenness of timing", "%", -1, False),
)


@dataclass(frozen=True)
class MeasureDifference:
    """One measure, second posture less first.

    Attributes
    ----------
    key, name, unit : str
        ``key`` is the column of the block table.
    better : int
        1 where more is better, -1 where less is, 0 where neither is by itself.
    first, second : float
        Mean of the blocks.
    difference : Estimate
        Adjusted, with its 95 % interval.
    frame_se : float
        Part of its standard error that comes from the two frames; more blocks do not lessen it.
    test : PermutationTest
    effect : float or None
        Hedges' g of the blocks; None where they do not scatter.
    equivalence : Equivalence
        Against the margin.
    verdict : str
        ``different`` (p < 0.05 and an interval without zero), ``equivalent`` (within the margin), or ``not shown``.
    detectable : float
        Difference that as many blocks as these would show in 8 of 10 cases.
    more_blocks : int or None
        How many more blocks a posture would settle it: show a difference, or that it lies within the margin. 0 if
        these do, None if no number up to 60 does.
    by_gestures : bool
        ``more_blocks`` is None only because of the frames' error, which repeated gestures lessen.
    """

    key: str
    name: str
    unit: str
    better: int
    first: float
    second: float
    difference: Estimate
    frame_se: float
    test: PermutationTest
    effect: float | None
    equivalence: Equivalence
    verdict: Verdict
    detectable: float
    more_blocks: int | None
    by_gestures: bool

    @property
    def matters(self) -> bool:
        """Shown to differ, and not shown to be less than the margin."""
        return self.verdict == "different" and self.equivalence.p >= ALPHA


def measure_difference(
    design: Design, measure: Measure, frame_se: float, margin: float, seed: int
) -> MeasureDifference | None:
    """Compare one measure over the blocks of a design.

    Parameters
    ----------
    design : Design
    measure : Measure
    frame_se : float
        Standard error that the frames lend to its difference, in its unit.
    margin : float
        Within which the postures count as the same, in its unit.
    seed : int
        Of the random draws.

    Returns
    -------
    MeasureDifference or None
        None where it could not be measured in every block.
    """
    values = measure.scale * design.blocks[measure.key].to_numpy(np.float64)
    if not np.isfinite(values).all():
        return None
    difference = adjusted_slope(values, design.second, design.nuisance, frame_se, design.strata)
    test = label_test(values, design.second, design.nuisance, frame_se, design.strata, seed)
    equivalence = equivalence_test(difference, margin)
    more = _more_blocks(difference, frame_se, values.size, margin)
    unframed = replace(difference, se=math.sqrt(max(difference.se**2 - frame_se**2, 0.0)))
    return MeasureDifference(
        measure.key,
        measure.name,
        measure.unit,
        measure.better,
        float(values[~design.second].mean()),
        float(values[design.second].mean()),
        replace(difference, low=max(difference.low, -measure.most), high=min(difference.high, measure.most)),
        frame_se,
        test,
        _effect(values, design),
        equivalence,
        judge_difference(difference, test.p, equivalence),
        detectable_difference(difference, frame_se, values.size, values.size),
        more,
        more is None and _more_blocks(unframed, 0.0, values.size, margin) is not None,
    )


def judge_difference(difference: Estimate, p: float, equivalence: Equivalence) -> Verdict:
    """What the numbers allow to say."""
    if p < ALPHA and (difference.low > 0 or difference.high < 0):
        return "different"
    return "equivalent" if equivalence.p < ALPHA else "not shown"


def _effect(values: FloatArray, design: Design) -> float | None:
    first, second = values[~design.second], values[design.second]
    if np.ptp(first) == 0 and np.ptp(second) == 0:
        return None
    return hedges_g(first, second)


def detectable_difference(difference: Estimate, frame_se: float, blocks: int, planned: int) -> float:
    """Difference that ``planned`` blocks would show in 8 of 10 cases, if they scatter as these do."""
    return _reach(difference, frame_se, blocks, planned, POWER)


def _reach(difference: Estimate, frame_se: float, blocks: int, planned: int, power: float) -> float:
    sampling = max(difference.se**2 - frame_se**2, 0.0) * blocks / planned
    df = max(1.0, planned - 4.0)
    factor = float(special.stdtrit(df, 1 - ALPHA / 2) + special.stdtrit(df, power))
    return factor * math.sqrt(sampling + frame_se**2)


def _more_blocks(difference: Estimate, frame_se: float, blocks: int, margin: float) -> int | None:
    """Blocks a posture until the half-widths of the 95 and of the 90 % interval fit into the margin together."""
    for more in range(MOST_BLOCKS + 1):
        if _reach(difference, frame_se, blocks, blocks + 2 * more, 1 - ALPHA) <= margin:
            return more
    return None


def frames_error(results: Sequence[SessionResult], design: Design, pair: tuple[str, str]) -> tuple[float, float] | str:
    """Standard error (deg) that its frame lends to each posture's tilt, or why it is not known.

    Parameters
    ----------
    results : sequence of SessionResult
    design : Design
    pair : (str, str)
        The postures.

    Returns
    -------
    (float, float) or str
    """
    variances = []
    for number, blocks in design.blocks.groupby("session"):
        for posture in pair:
            lacking = own_frame(results[int(str(number))], posture)
            if lacking:
                return f"{lacking}: without gestures of its own a posture's frame error is not known"
        variances.append([frame_se_deg(blocks[blocks["posture"] == posture]) ** 2 for posture in pair])
    first, second = np.sqrt(np.mean(variances, axis=0) / len(variances))
    return float(first), float(second)


def shared_error(
    measure: Measure, frames: tuple[float, float], results: Sequence[SessionResult], design: Design
) -> float:
    """What the frames' error does to a measure's difference, in its unit.

    Lift turns with the tip's way from contact to the next string; the share that clears moves by the strokes that lie
    as close to the limit as that.
    """
    if not measure.frame:
        return 0.0
    together = math.hypot(*frames)
    if measure.key == "tilt_deg":
        return together
    spacing = results[int(design.blocks["session"].iloc[0])].instrument.mean_spacing_mm
    travel = min(spacing, 0.5 * float(design.blocks["span_mm"].median()))
    if measure.key == "lift_mm":
        return travel * math.radians(together)
    if np.ptp(design.blocks[measure.key]) == 0:
        return 0.0
    strokes = _judged_strokes(results, design)
    moved = [
        _moved_share(strokes.loc[strokes["second"] == second, "lift_mm"], travel * math.radians(frame))
        for second, frame in zip((False, True), frames, strict=True)
    ]
    return measure.scale * math.hypot(*moved)


def _judged_strokes(results: Sequence[SessionResult], design: Design) -> pd.DataFrame:
    """The strokes of the design's blocks in the direction that should clear."""
    wanted = design.blocks["wanted"].where(
        design.blocks["wanted"] != "", np.where(design.blocks["tilt_deg"] > 0, "down", "up")
    )
    blocks = design.blocks[["session", "block"]].assign(wanted=wanted, second=design.second)
    strokes = steady_strokes(results).merge(blocks, on=["session", "block"])
    return strokes[strokes["direction"] == strokes["wanted"]]


def _moved_share(lift_mm: pd.Series, by_mm: float) -> float:
    """Half the share of strokes that lie so close to the limit."""
    lift = lift_mm.to_numpy(np.float64)
    return 0.5 * float(np.mean(np.abs(lift) < by_mm)) if lift.size else 0.0


@dataclass(frozen=True)
class HoldDifference:
    """Hold tempi of both, second less first, strokes a second.

    Attributes
    ----------
    first : HoldTempo
    second : HoldTempo
    difference : float or None
        None where one lies beyond the tested speeds.
    low, high : float or None
        95 % interval. Where only one posture lies beyond them, one end may still be known.
    p : float
        Two-sided, from the resamples.
    margin : float
    verdict : str
        ``different`` (an interval without zero), ``equivalent`` (90 % interval within the margin), or ``not shown``.
    within : bool
        Whether the 90 % interval lies within the margin.
    """

    first: HoldTempo
    second: HoldTempo
    difference: float | None
    low: float | None
    high: float | None
    p: float
    margin: float
    verdict: Verdict
    within: bool

    @property
    def matters(self) -> bool:
        """Shown to differ, and not shown to be less than the margin."""
        return self.verdict == "different" and not self.within

    @property
    def faster(self) -> str:
        """The posture that holds faster; empty where none is shown to."""
        if self.verdict != "different":
            return ""
        return self.second.posture if self.low is not None and self.low > 0 else self.first.posture

    @property
    def more_ladders(self) -> int | None:
        """How often each ladder must be played again to settle it, as many blocks each; None where that is not known.

        Blocks narrow an interval by the root of their number; what the frames lend to it they do not.
        """
        if self.low is None or self.high is None:
            return None
        half = 0.5 * (self.high - self.low)
        # A 90 % interval is 1.645 / 1.96 as wide.
        return max(0, math.ceil((half * (1 + 1.645 / 1.96) / self.margin) ** 2) - 1)


def compare_hold(
    results: Sequence[SessionResult], pair: tuple[str, str], settings: HoldSettings, margin: float
) -> HoldDifference:
    """Difference of the hold tempi, from the resamples of both.

    Parameters
    ----------
    results : sequence of SessionResult
    pair : (str, str)
        The postures; each has gestures of its own.
    settings : HoldSettings
    margin : float
        Strokes a second within which both hold alike.

    Returns
    -------
    HoldDifference

    Raises
    ------
    NotEnoughDataError
        A posture without a ladder.
    """
    try:
        first, second = (find_hold_tempo(results, posture, settings=settings) for posture in pair)
    except NotEnoughDataError as error:
        raise NotEnoughDataError(
            expected="a ladder of tempi in both postures", found=str(error.facts.get("found", error))
        ) from error
    return hold_difference(first, second, margin)


def hold_difference(first: HoldTempo, second: HoldTempo, margin: float) -> HoldDifference:
    """The difference of two hold tempi.

    A resample beyond the tested speeds counts as the speed that bounds it. So where one hold tempo lies beyond them,
    the draws of the difference bound the true one from one side only.
    """
    draws = np.clip(second.resampled, *second.tested) - np.clip(first.resampled[::-1], *first.tested)
    low, high = (float(end) for end in np.quantile(draws, [0.025, 0.975]))
    p = min(1.0, 2 * max(1 / draws.size, min(float(np.mean(draws <= 0)), float(np.mean(draws >= 0)))))
    if first.bound == second.bound == "inside":
        within = bool(np.abs(np.quantile(draws, [ALPHA, 1 - ALPHA])).max() < margin)
        verdict: Verdict = "different" if low > 0 or high < 0 else "equivalent" if within else "not shown"
        apart = second.strokes_per_s - first.strokes_per_s
        return HoldDifference(first, second, apart, low, high, p, margin, verdict, within)
    more = _more_than_drawn(second, first)
    less = _more_than_drawn(first, second)
    known_low, known_high = (low if more and not less else None), (high if less and not more else None)
    shown = (known_low is not None and known_low > 0) or (known_high is not None and known_high < 0)
    verdict = "different" if shown else "not shown"
    return HoldDifference(
        first, second, None, known_low, known_high, p if shown else 1.0, margin, verdict, within=False
    )


def _more_than_drawn(one: HoldTempo, other: HoldTempo) -> bool:
    """Whether the truth of one less other can only lie above what is drawn.

    The other's own upper end must lie inside its speeds, and this one's lower end.
    """
    if one.bound == "at least":
        return other.bound != "at least" and other.high is not None
    return other.bound == "below" and one.bound == "inside" and one.low is not None
