r"""From the hand's stroke, which the sensor measures, to the tip's against the strings, which nobody measures.

Between the two stand skin and fingers, and the instrument, which moves under the hand. With the block's standard error
of the hand's mean tilt, the tip's is

.. math:: \sigma_{tip}^2 = \sigma_{hand}^2 + \sigma_p^2 + \sigma_s^2 / n_{eff} + \sigma_i^2                (7)

``sigma_p`` is what skin and fingers add alike to all strokes of a posture, ``sigma_s`` what they add to a single
stroke, ``sigma_i`` the instrument's roll about its strings since the gestures. ``n_eff`` is the number of independent
strokes that the scatter and the standard error of the block's mean come to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.records import BlockSummary

EACH_STROKE = "each stroke"
INSTRUMENT = "instrument"


@dataclass(frozen=True)
class TipSettings:
    """What the sensor on the hand does not see of the tip, as standard deviations in degrees of tilt.

    ``posture_deg``, ``strum_deg`` and ``pick_deg`` are measured: public optical recordings of one player's hand, a
    virtual sensor on its back, the plectrum's tip against it. In strums the difference was 1.43 deg, of which 1.1 stay
    the same and 0.9 scatter; in picking it scattered by up to 4.6. Strokes over more than ``strum_spacings`` distances
    between strings count as strums.

    ``instrument_deg`` stands for the instrument's slow roll about its strings since the gestures: in the same
    recordings it moved through 1.5 to 12 deg within a take. Taken as uniform, these ranges are standard deviations of
    0.4 to 3.5; takes of one player say too little of others, so it lies near the upper end.

    Attributes
    ----------
    posture_deg : float
    strum_deg : float
    pick_deg : float
    strum_spacings : float
    instrument_deg : float
    """

    posture_deg: float = 1.1
    strum_deg: float = 0.9
    pick_deg: float = 4.6
    strum_spacings: float = 3.0
    instrument_deg: float = 3.0


def tip_parts_deg(
    span_mm: float | None, spacing_mm: float, strokes: float, settings: TipSettings
) -> Mapping[str, float]:
    """Standard errors (deg) that the way from hand to tip adds to a block's mean tilt, by cause.

    Parameters
    ----------
    span_mm : float or None
        Median length of the strokes.
    spacing_mm : float
        Mean distance between strings.
    strokes : float
        Independent strokes, as :func:`effective_strokes` counts them.
    settings : TipSettings

    Returns
    -------
    dict of str to float
        ``skin and fingers``, ``each stroke``, ``instrument``; their squares add up.

    Examples
    --------
    >>> parts = tip_parts_deg(15.0, 10.5, 100.0, TipSettings())
    >>> round(parts["each stroke"], 2)
    0.46
    """
    strum = span_mm is not None and span_mm > settings.strum_spacings * spacing_mm
    each = settings.strum_deg if strum else settings.pick_deg
    return {
        "skin and fingers": settings.posture_deg,
        EACH_STROKE: each / float(np.sqrt(max(1.0, strokes))),
        INSTRUMENT: settings.instrument_deg,
    }


def effective_strokes(strokes: int, sd_deg: float | None, mean_se_deg: float | None) -> float:
    """How many independent strokes a block's mean is worth: ``(sd / se)^2``, from 1 to all of them.

    Parameters
    ----------
    strokes : int
        Number of strokes.
    sd_deg : float or None
        Scatter from stroke to stroke.
    mean_se_deg : float or None
        Standard error of the mean.

    Returns
    -------
    float
        1 where either is not known.

    Examples
    --------
    >>> effective_strokes(200, 2.0, 0.5)
    16.0
    """
    if sd_deg is None or not mean_se_deg:
        return 1.0
    return float(np.clip((sd_deg / mean_se_deg) ** 2, 1.0, max(1, strokes)))


def claim_tip(summary: BlockSummary, parts_deg: Mapping[str, float]) -> BlockSummary:
    """The block with what can be said of the tip against the strings; unchanged where the hand's tilt has no interval.

    Parameters
    ----------
    summary : BlockSummary
    parts_deg : mapping of str to float
        As :func:`tip_parts_deg` gives them, and what doubts about the tip add.

    Returns
    -------
    BlockSummary
        With the tip's standard error, interval and their parts, deg.
    """
    interval, mean = summary.tilt_ci95_deg, summary.tilt_mean_deg
    if interval is None or mean is None:
        return summary
    hand_se = (interval[1] - interval[0]) / (2 * 1.96)
    se = float(np.sqrt(hand_se**2 + sum(part**2 for part in parts_deg.values())))
    ends = (mean - 1.96 * se, mean + 1.96 * se)
    return replace(summary, tip_se_deg=se, tip_ci95_deg=ends, tip_parts_deg=dict(parts_deg))
