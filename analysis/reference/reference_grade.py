"""One word for how far the instrument frame of a session can be trusted."""

from __future__ import annotations

from typing import Literal

from analysis.model.records import ReferenceSummary

Grade = Literal["good", "usable", "poor", "none"]

GOOD_OFFSET_SE_DEG = 2.0
USABLE_OFFSET_SE_DEG = 4.0
"""Beyond this, even a tilt that clears by a fair margin could have the wrong sign."""


def grade_reference(reference: ReferenceSummary, tilt_offset_se_deg: float | None) -> Grade:
    """Grade the reference gestures by what they leave uncertain.

    Parameters
    ----------
    reference : ReferenceSummary
    tilt_offset_se_deg : float or None
        Standard error that the gestures leave common to all tilts.

    Returns
    -------
    str
        ``none`` without an instrument frame; ``good`` up to 2 deg with every gesture usable; ``usable`` up to 4 deg;
        ``poor`` beyond, or where the error is not known.

    Examples
    --------
    >>> grade_reference(ReferenceSummary("hand", (), {}), None)
    'none'
    """
    if reference.kind == "hand":
        return "none"
    if tilt_offset_se_deg is None or tilt_offset_se_deg > USABLE_OFFSET_SE_DEG:
        return "poor"
    if tilt_offset_se_deg <= GOOD_OFFSET_SE_DEG and all(gesture.usable for gesture in reference.gestures):
        return "good"
    return "usable"
