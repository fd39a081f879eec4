r"""How much a hand did: its activity level as context, and breaks taken against a plan.

.. math:: \mathrm{HAL} = 6.56 \, \ln D \, \frac{F^{1.31}}{1 + 3.18 \, F^{1.31}}                                  (1)

with duty cycle :math:`D` in percent and :math:`F` exertions a second. The equation was fitted to hand work far slower
than picking, and it is one half of a judgement whose other half is force, which no motion sensor sees. So it is context
and never compared with any limit.

References
----------
Radwin, Azari, Lindstrom, Ulin, Armstrong, Rempel, Ergonomics 58, 2015, 173-183.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.model.errors import InputError
from analysis.model.records import SessionResult

FASTEST_EXERTIONS = 2.0
"""Exertions a second up to which such tables of hand work go, roughly (from memory)."""

PLANNED_EVERY_MIN = 30.0
PLANNED_BREAK_MIN = 5.0
"""Five minutes in every half hour: common practice, no source."""


@dataclass(frozen=True)
class HandActivity:
    """Duty cycle in percent of the session, strokes a second while playing, and equation (1) of both.

    Attributes
    ----------
    duty_pct : float
    strokes_per_s : float
    level : float
        Equation (1).
    beyond_tables : bool
        Whether speed or duty lie outside what equation (1) was made for.
    """

    duty_pct: float
    strokes_per_s: float
    level: float
    beyond_tables: bool


@dataclass(frozen=True)
class Breaks:
    """Breaks taken against planned, minutes.

    Attributes
    ----------
    planned_every_min, planned_min : float
        A break of ``planned_min`` in every ``planned_every_min``, the break included.
    session_min, played_min : float
        From the first block to the last one's end; in blocks.
    taken : tuple of (float, float)
        Start, from the start of play, and length of every rest of at least half a planned break.
    planned : int
        How many would have been due by the end.
    longest_play_min : float
        Longest stretch without one.
    """

    planned_every_min: float
    planned_min: float
    session_min: float
    played_min: float
    taken: tuple[tuple[float, float], ...]
    planned: int
    longest_play_min: float


def hand_activity_level(exertions_per_s: float, duty_pct: float) -> float:
    """Hand Activity Level, equation (1).

    Parameters
    ----------
    exertions_per_s : float
    duty_pct : float
        1 to 100.

    Returns
    -------
    float
        0 to 10.

    Raises
    ------
    InputError
        A duty cycle outside 0 to 100 %, or a frequency below zero.

    Examples
    --------
    >>> round(hand_activity_level(1.0, 50.0), 3)
    6.139
    """
    if not (0 <= duty_pct <= 100 and exertions_per_s >= 0):
        raise InputError(
            expected="a duty cycle of 0 to 100 % and exertions a second from 0 on",
            found=f"{duty_pct:g} % and {exertions_per_s:g}",
            next_step="give the share of time in percent",
        )
    if duty_pct <= 1 or exertions_per_s == 0:
        return 0.0
    power = exertions_per_s**1.31
    return float(min(10.0, max(0.0, 6.56 * math.log(duty_pct) * power / (1 + 3.18 * power))))


def measure_activity(result: SessionResult) -> HandActivity | None:
    """Hand activity of a session, from its first stroke to its last; None without strokes."""
    strokes = result.strokes
    if strokes.empty:
        return None
    busy = float((strokes["end_s"] - strokes["start_s"]).sum())
    elapsed = float(strokes["end_s"].iloc[-1] - strokes["start_s"].iloc[0])
    duty = 100 * min(1.0, busy / max(elapsed, 1e-9))
    rate = len(strokes) / busy
    return HandActivity(duty, rate, hand_activity_level(rate, duty), rate > FASTEST_EXERTIONS)


def measure_breaks(
    played: Sequence[tuple[float, float]], every_min: float = PLANNED_EVERY_MIN, break_min: float = PLANNED_BREAK_MIN
) -> Breaks:
    """Breaks between blocks against a plan.

    Parameters
    ----------
    played : sequence of (start_s, end_s)
        Blocks in time order, at least one.
    every_min, break_min : float
        The plan.

    Returns
    -------
    Breaks

    Raises
    ------
    InputError
        A plan whose breaks leave no time to play.

    Examples
    --------
    >>> found = measure_breaks([(0, 1500), (1800, 3300)])
    >>> found.taken, found.planned, found.longest_play_min
    (((25.0, 5.0),), 1, 25.0)
    """
    if not 0 < break_min < every_min:
        raise InputError(
            expected="breaks shorter than the time they come back in",
            found=f"{break_min:g} in {every_min:g} min",
            next_step="give minutes such as 5 in 30",
        )
    start_s, end_s = played[0][0], max(end for _, end in played)
    taken: list[tuple[float, float]] = []
    longest, stretch_s, last_s = 0.0, start_s, start_s
    for first, last in played:
        if first - last_s >= 30 * break_min:
            taken.append(((last_s - start_s) / 60, (first - last_s) / 60))
            stretch_s = first
        last_s = max(last_s, last)
        longest = max(longest, (last_s - stretch_s) / 60)
    session = (end_s - start_s) / 60
    # A break that would fall on the end is none.
    due = max(0, math.ceil((session - (every_min - break_min)) / every_min - 1e-9))
    return Breaks(every_min, break_min, session, sum(b - a for a, b in played) / 60, tuple(taken), due, longest)
