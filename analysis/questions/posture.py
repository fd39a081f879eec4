"""Which posture? Differences between two postures, block against block.

Every measure is taken once a block. Its difference between the postures (second less first) is adjusted for time on
task, tempo and drill; its interval is a t interval over blocks, and its p is from exchanging the blocks' labels.

Mean tilt and lift carry the frame errors of BOTH postures besides: each posture has its own reference gestures, whose
error all its blocks share, and which more blocks do not lessen. Where a posture has no gestures of its own, these two
differences and that of the hold tempo are refused: drift is only known within a posture, and a turn of the hand would
pass for it. Spread and timing do not feel the frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy import special

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray, SessionResult
from analysis.questions.block_table import frame_se_deg, own_frame, tabulate_blocks
from analysis.questions.hold import HoldSettings, HoldTempo, find_hold_tempo
from analysis.questions.posture_design import Design, check_design, choose_pair
from analysis.questions.switching import Switching, find_switches
from analysis.statistics.estimates import Equivalence, Estimate, adjusted_slope, equivalence_test, hedges_g
from analysis.statistics.permutation import PermutationTest, label_test

ALPHA = 0.05
POWER = 0.8
MOST_BLOCKS = 60

Verdict = Literal["different", "equivalent", "not shown"]


@dataclass(frozen=True)
class PostureSettings:
    """Margins within which two postures count as equivalent, and from which a difference matters.

    Attributes
    ----------
    tilt_margin_deg : float
    spread_margin_deg : float
    lift_margin_mm : float
    timing_margin_pct : float
    hold : HoldSettings
        For the hold tempi of both.
    seed : int
        Of the random draws.
    """

    tilt_margin_deg: float = 3.0
    spread_margin_deg: float = 2.0
    lift_margin_mm: float = 1.0
    timing_margin_pct: float = 2.0
    hold: HoldSettings = field(default_factory=HoldSettings)
    seed: int = 0


@dataclass(frozen=True)
class MeasureDifference:
    """One measure, second posture less first.

    Attributes
    ----------
    key, name, unit : str
        ``key`` is the column of the block table.
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
        ``different`` (p < 0.05), ``equivalent`` (within the margin), or ``not shown``.
    detectable : float
        Difference that as many blocks as these would show in 8 of 10 cases.
    more_blocks : int or None
        How many more blocks a posture would show a difference as large as the margin in 8 of 10 cases: 0 if these do,
        None if no number does.
    """

    key: str
    name: str
    unit: str
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


@dataclass(frozen=True)
class HoldDifference:
    """Hold tempi of both; difference (second less first, strokes/s) where both lie inside the tested speeds.

    Attributes
    ----------
    first : HoldTempo
    second : HoldTempo
    difference : float or None
    low, high : float or None
        95 % interval, strokes/s.
    """

    first: HoldTempo
    second: HoldTempo
    difference: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class PostureComparison:
    """The answer. ``refused`` says of every measure that cannot be given why.

    Attributes
    ----------
    first, second : str
        Labels of the postures.
    design : Design
        How the blocks were ordered.
    measures : tuple of MeasureDifference
        Second less first, one a measure.
    hold : HoldDifference or None
        None where one has no hold tempo.
    switching : Switching
        What happens where posture follows on posture.
    refused : dict of str to str
        Reason by measure.
    remarks : tuple of str
        Sentences.
    """

    first: str
    second: str
    design: Design
    measures: tuple[MeasureDifference, ...]
    hold: HoldDifference | None
    switching: Switching
    refused: dict[str, str]
    remarks: tuple[str, ...]


def compare_postures(
    results: Sequence[SessionResult], postures: Sequence[str] = (), settings: PostureSettings | None = None
) -> PostureComparison:
    """Compare two postures over the blocks of one or more sessions.

    Parameters
    ----------
    results : sequence of SessionResult
        Of one player.
    postures : sequence of str
        Two labels; may be left out where there are only two.
    settings : PostureSettings, optional

    Returns
    -------
    PostureComparison

    Raises
    ------
    InputError
        Different players, unknown labels.
    NotEnoughDataError
        Too few blocks, or a design that cannot tell the postures apart from something else.
    """
    settings = settings or PostureSettings()
    blocks = tabulate_blocks(results)
    first, second = choose_pair(blocks, postures)
    design = check_design(blocks, first, second)
    refused: dict[str, str] = {}
    frame = _frame_se(results, design, (first, second))
    measures = []
    for key, name, unit, margin in _measures(settings):
        if key in ("tilt_deg", "lift_mm") and isinstance(frame, str):
            refused[name] = frame
            continue
        se = 0.0 if isinstance(frame, str) else _shared_se(key, frame, results, design)
        found = _compare(design, (key, name, unit), se, margin, settings.seed)
        if found is None:
            refused[name] = "it could not be measured in every block"
        else:
            measures.append(found)
    hold = _compare_hold(results, (first, second), frame, settings, refused)
    return PostureComparison(
        first,
        second,
        design,
        tuple(measures),
        hold,
        find_switches(results),
        refused,
        _remarks(design, (first, second), measures),
    )


def _measures(settings: PostureSettings) -> tuple[tuple[str, str, str, float], ...]:
    return (
        ("tilt_deg", "mean tilt", "deg", settings.tilt_margin_deg),
        ("tilt_sd_deg", "spread of tilt", "deg", settings.spread_margin_deg),
        ("lift_mm", "lift of the clearing stroke", "mm", settings.lift_margin_mm),
        ("timing_pct", "unevenness of timing", "%", settings.timing_margin_pct),
    )


def _frame_se(results: Sequence[SessionResult], design: Design, pair: tuple[str, str]) -> float | str:
    """Standard error (deg) that the frames lend to a difference of tilt, or why it is not known."""
    variances = []
    for number, blocks in design.blocks.groupby("session"):
        for posture in pair:
            lacking = own_frame(results[int(str(number))], posture)
            if lacking:
                return f"{lacking}: without gestures of its own a posture's frame error is not known"
        variances.append(sum(frame_se_deg(blocks[blocks["posture"] == posture]) ** 2 for posture in pair))
    return math.sqrt(float(np.mean(variances)) / len(variances))


def _shared_se(key: str, frame_se: float, results: Sequence[SessionResult], design: Design) -> float:
    """What the frames' error does to a measure; lift turns with the tip's way from contact to the next string."""
    if key == "tilt_deg":
        return frame_se
    if key == "lift_mm":
        spacing = results[int(design.blocks["session"].iloc[0])].instrument.mean_spacing_mm
        travel = min(spacing, 0.5 * float(design.blocks["span_mm"].median()))
        return travel * math.radians(frame_se)
    return 0.0


def _compare(
    design: Design, measure: tuple[str, str, str], frame_se: float, margin: float, seed: int
) -> MeasureDifference | None:
    key, name, unit = measure
    values = design.blocks[key].to_numpy(np.float64)
    if not np.isfinite(values).all():
        return None
    difference = adjusted_slope(values, design.second, design.nuisance, frame_se, design.strata)
    test = label_test(values, design.second, design.nuisance, frame_se, design.strata, seed)
    equivalence = equivalence_test(difference, margin)
    verdict: Verdict = "not shown"
    if test.p < ALPHA:
        verdict = "different"
    elif equivalence.p < ALPHA:
        verdict = "equivalent"
    detectable = detectable_difference(difference, frame_se, values.size, values.size)
    return MeasureDifference(
        key,
        name,
        unit,
        float(values[~design.second].mean()),
        float(values[design.second].mean()),
        difference,
        frame_se,
        test,
        _effect(values, design),
        equivalence,
        verdict,
        detectable,
        _more_blocks(difference, frame_se, values.size, margin),
    )


def _effect(values: FloatArray, design: Design) -> float | None:
    first, second = values[~design.second], values[design.second]
    if np.ptp(first) == 0 and np.ptp(second) == 0:
        return None
    return hedges_g(first, second)


def detectable_difference(difference: Estimate, frame_se: float, blocks: int, planned: int) -> float:
    """Difference that ``planned`` blocks would show in 8 of 10 cases, if they scatter as these do."""
    sampling = max(difference.se**2 - frame_se**2, 0.0) * blocks / planned
    df = max(1.0, planned - 4.0)
    factor = float(special.stdtrit(df, 1 - ALPHA / 2) + special.stdtrit(df, POWER))
    return factor * math.sqrt(sampling + frame_se**2)


def _more_blocks(difference: Estimate, frame_se: float, blocks: int, margin: float) -> int | None:
    for more in range(MOST_BLOCKS + 1):
        if detectable_difference(difference, frame_se, blocks, blocks + 2 * more) <= margin:
            return more
    return None


def _compare_hold(
    results: Sequence[SessionResult],
    pair: tuple[str, str],
    frame: float | str,
    settings: PostureSettings,
    refused: dict[str, str],
) -> HoldDifference | None:
    """Difference of the hold tempi, from the resamples of both; refused with the reason."""
    if isinstance(frame, str):
        refused["hold tempo"] = frame
        return None
    try:
        first, second = (find_hold_tempo(results, posture, settings=settings.hold) for posture in pair)
    except NotEnoughDataError as error:
        refused["hold tempo"] = str(error)
        return None
    if first.bound != "inside" or second.bound != "inside":
        return HoldDifference(first, second, None, None, None)
    # Beyond the tested speeds nothing is known: there a resample counts as the speed that bounds it.
    draws = np.clip(second.resampled, *second.tested) - np.clip(first.resampled[::-1], *first.tested)
    low, high = np.quantile(draws, [0.025, 0.975])
    return HoldDifference(first, second, second.strokes_per_s - first.strokes_per_s, float(low), float(high))


def _remarks(design: Design, pair: tuple[str, str], measures: Sequence[MeasureDifference]) -> tuple[str, ...]:
    count = len(design.blocks)
    said = [
        f"based on {count} blocks in the order {design.order} (1 is {pair[0]}, 2 is {pair[1]}); "
        "time on task, tempo and drill are adjusted for",
        *design.remarks,
    ]
    coarse = [m for m in measures if m.test.smallest_p >= ALPHA]
    if coarse:
        names, smallest = " and ".join(m.name for m in coarse), max(m.test.smallest_p for m in coarse)
        said.append(
            f"with {count} blocks p of {names} cannot fall below {smallest:.2f}: play at least 4 of each posture"
        )
    return tuple(said)
