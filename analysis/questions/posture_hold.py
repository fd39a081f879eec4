"""Hold tempi of two postures against each other, where both play a ladder."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import NotEnoughDataError
from analysis.model.records import FloatArray, SessionResult
from analysis.questions.hold import HoldSettings, HoldTempo, find_hold_tempo
from analysis.questions.posture_measures import ALPHA, Verdict


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
        within = _within(draws, margin)
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


def _within(draws: FloatArray, margin: float) -> bool:
    low, high = np.quantile(draws, [ALPHA, 1 - ALPHA])
    return bool(-margin < low and high < margin)
