"""Estimates as a player reads them."""

from __future__ import annotations

from analysis.model.number_words import signed
from analysis.statistics.estimates import Estimate

LEAST_DF = 2.0
"""Of fewer values than three no interval is printed: that of two is some thirteen times their distance wide."""
TOO_FEW = "too few for an interval: it takes three blocks or more"


def say_interval(value: Estimate) -> str:
    """The 95 % interval, as ``1.2 to 3.4``; where it rests on two values only, what it takes.

    Parameters
    ----------
    value : Estimate

    Returns
    -------
    str
        In the estimate's unit, one decimal.

    Examples
    --------
    >>> say_interval(Estimate(2.7, 0.0, 2002.6, 1.1, 1.0))
    'too few for an interval: it takes three blocks or more'
    """
    if value.df < LEAST_DF:
        return TOO_FEW
    return f"{signed(value.low)} to {signed(value.high)}"


def say_change(value: float) -> str:
    """A change with its sign.

    Parameters
    ----------
    value : float
        In any unit.

    Returns
    -------
    str
        One decimal.

    Examples
    --------
    >>> say_change(1.25), say_change(1e-9)
    ('+1.2', '0.0')
    """
    return f"+{signed(value)}" if round(value, 1) > 0 else signed(value)


def capitalise(sentence: str) -> str:
    """A sentence with a capital first letter, the rest as it is.

    Parameters
    ----------
    sentence : str

    Returns
    -------
    str
    """
    return sentence[:1].upper() + sentence[1:]
