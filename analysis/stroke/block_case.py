"""What one stretch of play comes to: the case it is, how certain that is, and what would mend it.

Certainty is asked of the case itself: the offset that all strokes share is moved over its interval and the claim is
tried again. A claim that holds over the whole 95 % interval is ``sure``, one that holds within one standard error
``likely``, any other ``open``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import chi2

from analysis.model.doubts import About, Certainty, Doubt, cap_certainty
from analysis.model.records import BlockSummary, BoolArray, Event, FloatArray, SessionResult
from analysis.model.strokes import Stroke, counted_stroke, dead_band_deg, other_stroke
from analysis.stroke.blocks import summarise_block
from analysis.stroke.contact import at_contact, contact_share
from analysis.stroke.tip_claim import EACH_STROKE, claim_tip

Case = Literal["hand", "unsure", "level", "flat", "shallow", "short", "uneven", "clears", "both", "wrong", "mixed"]

HELD = ("clears", "both")
HOLD_SHARE = 0.95
USUAL_CHANGE_DEG = 1.5
DIFFER_P = 0.001
MAX_GROWTH = 2.0
"""A stroke is never advised to grow beyond twice its length: then tilt is what lacks."""


@dataclass(frozen=True)
class BlockCase:
    """The answer for one stretch of play.

    Attributes
    ----------
    case : str
        ``hand`` no instrument frame; ``unsure`` the interval reaches from one side to the other; ``level`` no side;
        ``flat`` a side that does not stand, inside the dead band; ``shallow`` one that does; ``short`` tilted enough,
        but the stroke ends too soon; ``uneven`` clears on average, not steadily; ``clears``; ``both`` an arched path;
        ``wrong`` the other side than wanted; ``mixed`` two tilts in turn, each played by groups of strokes.
    stroke : {"down", "up"}
        The stroke whose clearing counts.
    share : float or None
        Share of those strokes that clear.
    share_range : (float, float) or None
        The same with the session offset at either end of its 95 % interval.
    certainty, tip_certainty : str
        Of the case as a claim about the hand's stroke, and as one about the tip against the strings.
    needed_span_mm : float or None
        Length at which 95 of 100 strokes would clear at the same tilt, where growing helps.
    needed_tilt_deg : float
        Size of the tilt from which 95 of 100 straight strokes of this length and scatter clear; 60 at most.
    summary : BlockSummary
    """

    case: Case
    stroke: Stroke
    share: float | None
    share_range: tuple[float, float] | None
    certainty: Certainty
    needed_span_mm: float | None
    needed_tilt_deg: float
    summary: BlockSummary
    tip_certainty: Certainty = "open"

    @property
    def held(self) -> bool:
        """Whether at least 95 of 100 strokes clear on the wanted side."""
        return self.case in HELD


@dataclass(frozen=True)
class Strokes:
    """What the finding needs of each stroke: degrees, millimetres."""

    tilt_deg: FloatArray
    lift_mm: FloatArray
    reach_mm: FloatArray
    down: BoolArray
    spacing_mm: float
    depth_mm: float

    def lifts(self, stroke: Stroke, shift_deg: float = 0.0) -> FloatArray:
        """Lift of the down- or upstrokes if all tilts were larger by ``shift_deg``."""
        which = self.down if stroke == "down" else ~self.down
        sign = 1.0 if stroke == "down" else -1.0
        return np.asarray(self.lift_mm[which] + sign * np.tan(np.radians(shift_deg)) * self.reach_mm[which])

    def share(self, stroke: Stroke, shift_deg: float = 0.0) -> float:
        """Share of the down- or upstrokes that clear."""
        lifts = self.lifts(stroke, shift_deg)
        return float((lifts > 0).mean()) if lifts.size else 0.0


def reach_mm(paths_mm: FloatArray, contact: FloatArray, spacing_mm: float) -> FloatArray:
    """Travel across the strings from contact to where lift is measured: one spacing, or the stroke's end.

    Parameters
    ----------
    paths_mm : float (n, k, 3)
    contact : float64 (n,)
        Share of the stroke, 0..1.
    spacing_mm : float

    Returns
    -------
    float64 (n,)

    Examples
    --------
    >>> path = np.zeros((1, 3, 3)); path[0, :, 1] = [-8, 0, 8]
    >>> reach_mm(path, np.array([0.5]), 10.5).tolist()
    [8.0]
    """
    y = paths_mm[:, :, 1].astype(np.float64)
    return np.asarray(np.minimum(np.abs(y[:, -1] - at_contact(y, contact)), spacing_mm))


def find_block(result: SessionResult, block: BlockSummary) -> BlockCase:
    """The finding of one block.

    Parameters
    ----------
    result : SessionResult
    block : BlockSummary
        One of the result's.

    Returns
    -------
    BlockCase
    """
    rows = rows_of(result, [block])
    return _find(result, rows, block, [block.index])


def find_group(result: SessionResult, blocks: Sequence[BlockSummary]) -> BlockCase:
    """The finding of several blocks of one posture taken together, or of all strokes where there are no blocks.

    Parameters
    ----------
    result : SessionResult
    blocks : sequence of BlockSummary
        Of the result; may be empty.

    Returns
    -------
    BlockCase
    """
    if len(blocks) == 1:
        return find_block(result, blocks[0])
    rows = rows_of(result, blocks) if blocks else np.arange(len(result.strokes))
    return _find(result, rows, pool_blocks(result, blocks, rows), [block.index for block in blocks])


def blocks_differ(blocks: Sequence[BlockSummary]) -> bool:
    """Whether blocks of one posture were played at tilts so different that their average is none of them.

    Their offset is the same, so only each block's own part and a hand's usual change from block to block count.

    Parameters
    ----------
    blocks : sequence of BlockSummary
        Tilts in deg with their standard errors; those without one are passed over.

    Returns
    -------
    bool
        False with fewer than two such blocks.
    """
    known = [(b.tilt_mean_deg, b.tilt_mean_se_deg) for b in blocks]
    pairs = [(mean, se) for mean, se in known if mean is not None and se is not None]
    if len(pairs) < 2:
        return False
    means, own = np.array(pairs).T
    variance = own**2 + USUAL_CHANGE_DEG**2
    mean = float((means / variance).sum() / (1 / variance).sum())
    return bool(chi2.sf(float(((means - mean) ** 2 / variance).sum()), len(pairs) - 1) < DIFFER_P)


def pool_blocks(result: SessionResult, blocks: Sequence[BlockSummary], rows: np.ndarray) -> BlockSummary:
    """Summary of several blocks taken together; fields on which they differ are None."""
    strokes = result.strokes.iloc[rows]
    wanted = {block.wanted for block in blocks}
    tempi = {block.tempo_bpm for block in blocks}
    notes = {block.notes_per_beat for block in blocks}
    offsets = [block.tilt_offset_se_deg for block in blocks if block.tilt_offset_se_deg is not None]
    offset = float(np.sqrt(np.mean(np.square(offsets)))) if offsets else result.tilt_offset_se_deg
    event = Event(
        start_s=blocks[0].start_s if blocks else float(strokes["start_s"].min()),
        end_s=blocks[-1].end_s if blocks else float(strokes["end_s"].max()),
        kind="play",
        posture=blocks[0].posture if blocks else "",
        tempo_bpm=tempi.pop() if len(tempi) == 1 else None,
        notes_per_beat=notes.pop() if len(notes) == 1 else None,
        wanted=wanted.pop() if len(wanted) == 1 else None,
    )
    pooled = summarise_block(0, event, strokes, offset, result.reference.kind == "gestures")
    return _pool_tip(pooled, blocks)


def _pool_tip(pooled: BlockSummary, blocks: Sequence[BlockSummary]) -> BlockSummary:
    """The tip's claim of blocks taken together: what they share stays, what varies by stroke is averaged."""
    parts = [block.tip_parts_deg for block in blocks if block.tip_parts_deg is not None]
    if not parts or len(parts) < len(blocks):
        return pooled
    together = {
        cause: float(np.sqrt(np.mean([part.get(cause, 0.0) ** 2 for part in parts])))
        for cause in dict.fromkeys(cause for part in parts for cause in part)
    }
    together[EACH_STROKE] /= float(np.sqrt(len(parts)))
    return claim_tip(pooled, together)


def rows_of(result: SessionResult, blocks: Sequence[BlockSummary]) -> np.ndarray:
    """Rows of the strokes table that belong to these blocks.

    Parameters
    ----------
    result : SessionResult
    blocks : sequence of BlockSummary
        Of the result.

    Returns
    -------
    int64 (k,)
        Places in the table, ascending.
    """
    number = result.strokes["block"].fillna(-1).to_numpy(np.int64)
    return np.flatnonzero(np.isin(number, [block.index for block in blocks]))


def _find(result: SessionResult, rows: np.ndarray, summary: BlockSummary, blocks: Sequence[int]) -> BlockCase:
    strokes = measure(result, rows)
    if result.reference.kind == "hand" or summary.tilt_mean_deg is None:
        return BlockCase("hand", "down", None, None, "open", None, 0.0, summary)
    stroke = counted_stroke(summary.wanted, strokes.share("down"), strokes.share("up"), summary.tilt_mean_deg)
    growth = _needed_growth(strokes.lifts(stroke), strokes, stroke)
    case = _case(strokes, stroke, summary, growth)
    half = 1.96 * (summary.tilt_offset_se_deg or 0.0)
    ends = sorted(strokes.share(stroke, shift) for shift in (-half, half))
    span = None if growth is None or summary.span_mm is None else growth * summary.span_mm
    return BlockCase(
        case=case,
        stroke=stroke,
        share=strokes.share(stroke),
        share_range=(ends[0], ends[1]),
        certainty=_certainty(case, strokes, stroke, summary, _Claim("hand", result.doubts, blocks)),
        needed_span_mm=span,
        needed_tilt_deg=_needed_tilt(summary, strokes),
        summary=summary,
        tip_certainty=_certainty(case, strokes, stroke, summary, _Claim("tip", result.doubts, blocks)),
    )


def measure(result: SessionResult, rows: np.ndarray) -> Strokes:
    """What the finding needs of some rows of a result."""
    table, instrument = result.strokes.iloc[rows], result.instrument
    return Strokes(
        tilt_deg=table["tilt_deg"].to_numpy(np.float64),
        lift_mm=table["lift_mm"].to_numpy(np.float64),
        reach_mm=reach_mm(result.paths_mm[rows].astype(np.float64), contact_share(table), instrument.mean_spacing_mm),
        down=(table["direction"] == "down").to_numpy(np.bool_),
        spacing_mm=instrument.mean_spacing_mm,
        depth_mm=instrument.plectrum_depth_mm,
    )


def _case(strokes: Strokes, stroke: Stroke, summary: BlockSummary, growth: float | None) -> Case:
    dead = dead_band_deg(strokes.depth_mm, strokes.spacing_mm)
    tilt = summary.tilt_mean_deg or 0.0
    low, high = summary.tilt_ci95_deg or (-np.inf, np.inf)
    other = other_stroke(stroke)
    if summary.groups:
        return "mixed"
    if summary.tilt_side == "none" and summary.clearing_stroke != "both" and (low < -dead or high > dead):
        return "unsure"
    if strokes.share(stroke) >= HOLD_SHARE:
        return "both" if strokes.share(other) > 0.5 else "clears"
    sided = abs(tilt) >= dead or _side_stands(summary)
    if summary.wanted is not None and summary.tilt_side == other and sided:
        return "wrong"
    if abs(tilt) < dead:
        if strokes.share(stroke) > 0.5:
            return "uneven"
        return "shallow" if sided else "level" if summary.tilt_side == "none" else "flat"
    return "uneven" if growth is None else "short"


def _side_stands(summary: BlockSummary) -> bool:
    """Whether a small tilt's side outlasts what no sensor on the hand sees, an instrument that leans above all."""
    low, high = summary.tip_ci95_deg or summary.tilt_ci95_deg or (-np.inf, np.inf)
    return summary.tilt_side != "none" and not low <= 0.0 <= high


def _needed_growth(lift_mm: FloatArray, strokes: Strokes, stroke: Stroke) -> float | None:
    """How much longer strokes must be at the same tilt for 95 of 100 to clear; None if growing does not help.

    Height grows with the stroke until it reaches the next string; from there on only tilt counts.
    """
    which = strokes.down if stroke == "down" else ~strokes.down
    sign = 1.0 if stroke == "down" else -1.0
    ceiling = strokes.spacing_mm * np.tan(np.radians(np.clip(sign * strokes.tilt_deg[which], -80, 80)))
    height = lift_mm + strokes.depth_mm
    ends_short = strokes.reach_mm[which] < strokes.spacing_mm - 1e-6
    for growth in np.arange(1.0, MAX_GROWTH + 1e-9, 0.02):
        grown = np.where(ends_short, np.minimum(growth * height, np.maximum(ceiling, height)), height)
        if height.size and (grown > strokes.depth_mm).mean() >= HOLD_SHARE:
            return float(growth)
    return None


def _needed_tilt(summary: BlockSummary, strokes: Strokes) -> float:
    half = 0.5 * (summary.span_mm or strokes.spacing_mm)
    by_length = np.degrees(np.arcsin(min(1.0, strokes.depth_mm / half)))
    scatter = summary.tilt_sd_deg or 0.0
    return float(min(60.0, max(dead_band_deg(strokes.depth_mm, strokes.spacing_mm), by_length) + 1.645 * scatter))


@dataclass(frozen=True)
class _Claim:
    """What is claimed of which blocks, and the doubts of the session."""

    about: About
    doubts: Sequence[Doubt]
    blocks: Sequence[int]

    def cap(self, certainty: Certainty) -> Certainty:
        return cap_certainty(certainty, self.doubts, self.blocks, self.about)


def _certainty(case: Case, strokes: Strokes, stroke: Stroke, summary: BlockSummary, claim: _Claim) -> Certainty:
    """How far a case holds over the interval of what is claimed, and what doubts leave of that."""
    if case == "mixed":  # A difference within one block: no offset touches it.
        return claim.cap("sure")
    interval = summary.tilt_ci95_deg if claim.about == "hand" else summary.tip_ci95_deg
    if case == "unsure" or interval is None or summary.tilt_mean_deg is None:
        return "open"
    mean = summary.tilt_mean_deg
    half = 0.5 * (interval[1] - interval[0])
    levels: tuple[tuple[Certainty, float], ...] = (("sure", 1.0), ("likely", 1 / 1.96))
    for certainty, part in levels:
        if all(_holds(case, strokes, stroke, mean, shift) for shift in (-part * half, part * half)):
            return claim.cap(certainty)
    return "open"


def _holds(case: Case, strokes: Strokes, stroke: Stroke, mean_deg: float, shift_deg: float) -> bool:
    """Whether the case's claim still stands if all tilts were larger by ``shift_deg``."""
    share = strokes.share(stroke, shift_deg)
    same_side = np.sign(mean_deg + shift_deg) == np.sign(mean_deg)
    if case in HELD:
        return share > 0.5
    if case == "level":
        return abs(mean_deg + shift_deg) < dead_band_deg(strokes.depth_mm, strokes.spacing_mm)
    if case == "flat":
        return max(share, strokes.share(other_stroke(stroke), shift_deg)) < HOLD_SHARE
    if case == "wrong":
        return bool(same_side)
    return bool(same_side) and share < HOLD_SHARE
