"""Markers of tension, their changes and trends, in words."""

from __future__ import annotations

import math

from analysis.model.number_words import MINUS, signed
from analysis.statistics.estimates import Estimate
from analysis.tension.marker_table import Marker


def change_text(marker: Marker, change: float) -> str:
    """A change with its sign and unit: a share for relative markers, whose change is one of the logarithm.

    Parameters
    ----------
    marker : Marker
    change : float
        In the marker's unit, or of its natural logarithm.

    Returns
    -------
    str

    Examples
    --------
    >>> from analysis.tension.marker_table import MARKERS
    >>> change_text(MARKERS[0], math.log(1.4)), change_text(MARKERS[5], 0.25)
    ('+40 %', '+0.25 percentage points')
    """
    if marker.relative:
        return _plus(100 * math.expm1(min(change, 20.0)), 0) + " %"
    unit = "percentage points" if marker.unit == "%" else marker.unit
    return f"{_plus(change, marker.decimals)} {unit}".rstrip()


def interval_text(marker: Marker, change: Estimate) -> str:
    """The 95 % interval of a change, without its unit.

    Parameters
    ----------
    marker : Marker
    change : Estimate
        In the marker's unit, or of its natural logarithm.

    Returns
    -------
    str

    Examples
    --------
    >>> from analysis.tension.marker_table import MARKERS
    >>> interval_text(MARKERS[0], Estimate(0.3, 0.0, math.log(2.0), 0.1, 9.0))
    '0 to +100 %'
    """
    if marker.relative:
        low, high = (_plus(100 * math.expm1(min(end, 20.0)), 0) for end in (change.low, change.high))
        return f"{low} to {high} %"
    return f"{_plus(change.low, marker.decimals)} to {_plus(change.high, marker.decimals)}"


def value_text(marker: Marker, value: float) -> str:
    """A marker's value with its unit.

    Parameters
    ----------
    marker : Marker
    value : float
        In the marker's unit.

    Returns
    -------
    str
    """
    return f"{signed(value, marker.decimals)} {marker.unit}".rstrip()


def _plus(value: float, decimals: int) -> str:
    text = signed(value, decimals)
    return text if text.startswith(MINUS) or float(text) == 0 else f"+{text}"
