"""Which of two postures to play, as far as the numbers say; what would settle it where they do not.

More is better of hold tempo and of strokes that clear, less of spread and of unevenness of timing; mean tilt, size and
lift are no better or worse by themselves. A posture is recommended where it is better in one of the four or more, and
the other in none. As the four are looked at together, a difference counts for that only if it withstands the method of
Holm, and if it is not shown to lie within its margin. Postures that tilt to opposite sides suit different phrases: then
the wanted stroke decides, and where blocks name none or both, the phrase.

References
----------
Holm, Scand. J. Stat. 6, 1979, 65-70.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.model.records import Side
from analysis.questions.posture_design import Design
from analysis.questions.posture_measures import ALPHA, HoldDifference, MeasureDifference
from analysis.statistics.estimates import mean_estimate

HOLD = "hold"
FEW = 2
"""Blocks of each posture that are worth saying."""
MOST_LADDERS = 6

Kind = Literal["one", "wanted side", "by phrase", "trade-off", "either", "open"]


@dataclass(frozen=True)
class Recommendation:
    """What follows for the player.

    Attributes
    ----------
    kind : str
        ``one`` posture is better; only one tilts to the ``wanted side``; they tilt to opposite sides, so the choice is
        made ``by phrase``; each is better in something (``trade-off``); ``either``, as they are the same within the
        margins; ``open``: not settled.
    posture : str or None
        The recommended one, with ``one`` and ``wanted side``.
    first_better, second_better : tuple of str
        Keys in which each posture is better: columns of the block table, or ``hold``.
    alike : tuple of str
        Keys shown to lie within their margins.
    open : tuple of str
        Keys that are not settled.
    by_chance : tuple of str
        Those of the open ones that differ by themselves, but not when all are counted together.
    blocks : int or None
        More blocks of each posture that would settle what is open of the measures; None if nothing is, or none would.
    gestures : tuple of str
        Open keys that only gestures repeated more often would settle, as the frames' error is too large.
    hopeless : tuple of str
        Open keys that blocks scatter too much to settle with any number that one could play.
    ladders : int or None
        How often each ladder must be played again to settle the hold tempo; 0: tempi beyond those played are needed;
        None where it is not open.
    """

    kind: Kind
    posture: str | None
    first_better: tuple[str, ...]
    second_better: tuple[str, ...]
    alike: tuple[str, ...]
    open: tuple[str, ...]
    by_chance: tuple[str, ...]
    blocks: int | None
    gestures: tuple[str, ...]
    hopeless: tuple[str, ...]
    ladders: int | None


def find_sides(design: Design, frames: tuple[float, float]) -> tuple[Side, Side]:
    """The side to which each posture tilts, ``none`` where its 95 % interval holds zero.

    Parameters
    ----------
    design : Design
    frames : (float, float)
        Standard errors of the frames, degrees.

    Returns
    -------
    (str, str)
    """
    tilt = design.blocks["tilt_deg"].to_numpy(np.float64)
    sides: list[Side] = []
    for mask, frame in zip((~design.second, design.second), frames, strict=True):
        mean = mean_estimate(tilt[mask], frame)
        sides.append("down" if mean.low > 0 else "up" if mean.high < 0 else "none")
    return sides[0], sides[1]


def recommend(
    pair: tuple[str, str],
    sides: tuple[Side, Side] | None,
    wanted: Sequence[str],
    measures: Sequence[MeasureDifference],
    hold: HoldDifference | None,
) -> Recommendation:
    """Recommend a posture, or say what would settle it.

    Parameters
    ----------
    pair : (str, str)
        The postures' labels.
    sides : (str, str) or None
        Of both; None without frames of their own.
    wanted : sequence of str
        The strokes that blocks of theirs want to clear, each once.
    measures : sequence of MeasureDifference
    hold : HoldDifference or None

    Returns
    -------
    Recommendation
    """
    better = _better(pair, measures, hold)
    stands = _holm({key: p for key, (_, p) in better.items()}, _count(measures, hold))
    first, second = (tuple(k for k, (posture, _) in better.items() if posture == p and k in stands) for p in pair)
    alike = [m.key for m in measures if m.better and m.equivalence.p < ALPHA]
    alike += [HOLD] if hold is not None and hold.within else []
    settled = {*first, *second, *alike}
    unsettled = [m for m in measures if m.better and m.key not in settled]
    hold_open = hold is not None and HOLD not in settled
    kind, posture = _decide(pair, sides, wanted, (first, second), bool(unsettled) or hold_open or not alike)
    # What these blocks should have settled stands on the edge, or may be chance among so many: a few more decide.
    more = [max(FEW, m.more_blocks) for m in unsettled if m.more_blocks is not None]
    ladders = _ladders(hold) if hold is not None and hold_open else None
    hopeless = [m.key for m in unsettled if m.more_blocks is None and not m.by_gestures]
    hopeless += [HOLD] if ladders is not None and ladders > MOST_LADDERS else []
    return Recommendation(
        kind,
        posture,
        first,
        second,
        tuple(alike),
        tuple([m.key for m in unsettled] + [HOLD] * hold_open),
        tuple(key for key in better if key not in stands),
        max(more, default=None),
        tuple(m.key for m in unsettled if m.by_gestures),
        tuple(hopeless),
        None if ladders is None or ladders > MOST_LADDERS else ladders,
    )


def _ladders(hold: HoldDifference) -> int:
    return 0 if hold.more_ladders is None else max(1, hold.more_ladders)


def _better(
    pair: tuple[str, str], measures: Sequence[MeasureDifference], hold: HoldDifference | None
) -> dict[str, tuple[str, float]]:
    """By key: the posture that is better beyond the margin, and the p of that."""
    found = {m.key: (pair[m.better * m.difference.value > 0], m.test.p) for m in measures if m.better and m.matters}
    if hold is not None and hold.matters:
        found[HOLD] = (hold.faster, hold.p)
    return found


def _count(measures: Sequence[MeasureDifference], hold: HoldDifference | None) -> int:
    return sum(m.better != 0 for m in measures) + (hold is not None)


def _holm(p: dict[str, float], looked_at: int) -> set[str]:
    """Keys whose differences stand when so many were looked at; those not given have larger p."""
    stands: set[str] = set()
    for place, key in enumerate(sorted(p, key=lambda key: p[key])):
        if p[key] * (looked_at - place) >= ALPHA:
            break
        stands.add(key)
    return stands


def _decide(
    pair: tuple[str, str],
    sides: tuple[Side, Side] | None,
    wanted: Sequence[str],
    better: tuple[tuple[str, ...], tuple[str, ...]],
    unsettled: bool,
) -> tuple[Kind, str | None]:
    if sides is not None and set(sides) == {"down", "up"}:
        if len(wanted) == 1:
            return "wanted side", pair[sides.index(wanted[0])]
        return "by phrase", None
    first, second = better
    if first and second:
        return "trade-off", None
    if first or second:
        return "one", pair[0] if first else pair[1]
    return ("open" if unsettled else "either"), None
