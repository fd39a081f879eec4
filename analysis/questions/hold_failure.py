"""Where and how a tilt stops holding: what the strokes do that fail, and what changes with speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analysis.model.records import BoolArray
from analysis.statistics.estimates import Estimate, adjusted_slope

Mode = Literal["flattens", "flips", "becomes arched", "shrinks", "loses lift"]
ARCHED_MM = 1.0
SHRUNK = 0.85
WORTH_NAMING = 0.05


@dataclass(frozen=True)
class HoldPiece:
    """One block, or a piece of one at even speed.

    Attributes
    ----------
    session, block : int
        Numbers of them.
    strokes : int
    strokes_per_s : float
        As measured.
    tilt_deg, tilt_sd_deg : float
        Mean, and scatter of single strokes.
    edge_deg, edge_se_deg : float
        Margin over the dead band that the wanted share of strokes reaches, and its standard error.
    share_held, share_clearing : float
        0 to 1; ``share_clearing`` is None without an instrument frame.
    span_mm, bow_mm, lift_mm : float
        Medians.
    tempo_bpm : float or None
        Of the block's click, where there was one.
    """

    session: int
    block: int
    strokes: int
    strokes_per_s: float
    tilt_deg: float
    tilt_sd_deg: float
    edge_deg: float
    edge_se_deg: float
    share_held: float
    share_clearing: float | None
    span_mm: float
    bow_mm: float
    lift_mm: float | None
    tempo_bpm: float | None = None


@dataclass(frozen=True)
class SpeedTrend:
    """Change of one measure for each stroke a second more, over blocks."""

    name: str
    unit: str
    per_stroke_per_s: Estimate


@dataclass(frozen=True)
class Failure:
    """How the tilt ends.

    Attributes
    ----------
    from_strokes_per_s : float
        Slowest block in which too few strokes hold.
    mode : str or None
        The commonest way; None if no way accounts for 5 % of strokes.
    shares : dict of mode to float
        Of the strokes in failing blocks. The rest hold and clear.
    trends : tuple of SpeedTrend
    """

    from_strokes_per_s: float
    mode: Mode | None
    shares: dict[Mode, float]
    trends: tuple[SpeedTrend, ...]


def describe_failure(
    strokes: pd.DataFrame,
    pieces: Sequence[HoldPiece],
    hold_strokes_per_s: float,
    side: str,
    dead_band_deg: float,
    share: float,
) -> Failure | None:
    """Say how the tilt fails in the blocks faster than the hold tempo.

    Parameters
    ----------
    strokes : DataFrame
        Steady strokes of one posture with ``margin_deg``, the tilt on the wanted side less the dead band.
    pieces : sequence of HoldPiece
    hold_strokes_per_s : float
        0 below, inf beyond the tested speeds.
    side : str
        Wanted clearing stroke.
    dead_band_deg, share : float

    Returns
    -------
    Failure or None
        None where no tested block fails.
    """
    failing = [p for p in pieces if p.strokes_per_s > hold_strokes_per_s and p.share_held < share]
    if not failing:
        return None
    holding = [p for p in pieces if p.share_held >= share] or [min(pieces, key=lambda p: p.strokes_per_s)]
    names = pd.DataFrame({(p.session, p.block) for p in failing}, columns=["session", "block"])
    failed = strokes.merge(names, on=["session", "block"])
    span_mm, bow_mm = (float(np.median([getattr(p, name) for p in holding])) for name in ("span_mm", "bow_mm"))
    modes = _modes(failed, (span_mm, bow_mm), side, dead_band_deg)
    shares = {mode: float(hit.mean()) for mode, hit in modes.items()}
    worst = max(shares, key=lambda mode: shares[mode])
    slowest = min(p.strokes_per_s for p in failing)
    return Failure(slowest, worst if shares[worst] >= WORTH_NAMING else None, shares, speed_trends(pieces))


def _modes(
    strokes: pd.DataFrame, usual_mm: tuple[float, float], side: str, dead_band_deg: float
) -> dict[Mode, BoolArray]:
    """Which way each stroke fails, at most one; ``usual_mm`` is the span and bow of the blocks that hold."""
    margin, span, bow, lift = (
        strokes[name].to_numpy(np.float64) for name in ("margin_deg", "span_mm", "bow_mm", "lift_mm")
    )
    lost = margin <= 0
    flips = margin < -2 * dead_band_deg  # beyond the dead band on the other side
    arched = (bow > usual_mm[1] + ARCHED_MM) & ~flips
    # Tilted enough, and yet the stroke that should clear does not.
    low = ~lost & (lift <= 0) & (strokes["direction"] == side).to_numpy()
    short = span < SHRUNK * usual_mm[0]
    return {
        "flattens": lost & ~flips & ~arched,
        "flips": flips,
        "becomes arched": (lost | low) & arched,
        "shrinks": low & ~arched & short,
        "loses lift": low & ~arched & ~short,
    }


MEASURES = (
    ("tilt", "deg", "tilt_deg"),
    ("spread of tilt", "deg", "tilt_sd_deg"),
    ("span", "mm", "span_mm"),
    ("bow", "mm", "bow_mm"),
    ("lift", "mm", "lift_mm"),
)


def speed_trends(pieces: Sequence[HoldPiece]) -> tuple[SpeedTrend, ...]:
    """Straight-line change of each measure with speed, over blocks; none with fewer than four blocks."""
    if len(pieces) < 4:
        return ()
    speed = [p.strokes_per_s for p in pieces]
    found = []
    for name, unit, attribute in MEASURES:
        values = [getattr(p, attribute) for p in pieces]
        if None not in values:
            found.append(SpeedTrend(name, unit, adjusted_slope(values, speed)))
    return tuple(found)
