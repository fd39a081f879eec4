r"""Will it clear? Height of the tip at the next string, and how small the stroke may become.

The geometry is in :mod:`analysis.questions.next_string`. Intervals come from blocks drawn again with replacement
(stretches of 2 s where there are fewer than four blocks), each draw with a turn of its own from the frame's error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import FloatArray, Instrument, SessionResult
from analysis.model.strokes import other_stroke
from analysis.questions.block_table import check_one_player, frame_se_deg, steady_strokes, tabulate_blocks
from analysis.questions.hold import choose_posture
from analysis.questions.next_string import Direction, Neighbours, PlayedPaths, string_pairs
from analysis.statistics.block_bootstrap import draw_weights, independent_units

SIZES: FloatArray = np.round(np.concatenate([np.arange(0.2, 1.0, 0.05), np.arange(1.0, 2.01, 0.1)]), 3)
TURN_DEG = 1.0


@dataclass(frozen=True)
class ClearingSettings:
    """``share``: strokes that must pass for the stroke to count as large enough."""

    share: float = 0.95
    draws: int = 300
    seed: int = 0


@dataclass(frozen=True)
class Bounded:
    """A value with its 95 % interval; a limit of None lies beyond what was looked at."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class StringPair:
    """One way from a string to the next; strings numbered as in a tab, 0 and 0 where all pairs are alike."""

    from_string: int
    to_string: int
    spacing_mm: float
    turn_deg: float
    share: Bounded
    margin_mm: Bounded


@dataclass(frozen=True)
class Room:
    """How the share that passes changes with the stroke's size, at the pair that is hardest.

    Attributes
    ----------
    size, share : float64 (n,)
        1 is the size as played.
    span_mm : float
        Median span as played.
    smallest : Bounded or None
        Smallest size at which enough strokes pass; above 1 if the stroke must become larger. None if no size does:
        the tilt is too small.
    """

    size: FloatArray
    share: FloatArray
    span_mm: float
    smallest: Bounded | None


@dataclass(frozen=True)
class Clearing:
    """The answer for one posture and direction. ``hardest`` is the pair with the smallest share.

    Attributes
    ----------
    posture : str
    direction : Direction
        The stroke that is asked about.
    strokes : int
        Number counted.
    share : Bounded
        That pass, 0 to 1.
    margin_mm : Bounded
        Median height over what is needed.
    other_share : float
        Of the other stroke, 0 to 1.
    pairs : tuple of StringPair
        By pair of neighbouring strings.
    hardest : StringPair
    room : Room
        How small the stroke may become.
    plectrum_depth_mm : float
    wanted_share : float
        Share that counts as clearing.
    remarks : tuple of str
        Sentences.
    """

    posture: str
    direction: Direction
    strokes: int
    share: Bounded
    margin_mm: Bounded
    other_share: float
    pairs: tuple[StringPair, ...]
    hardest: StringPair
    room: Room
    plectrum_depth_mm: float
    wanted_share: float
    remarks: tuple[str, ...]


def judge_clearing(
    results: Sequence[SessionResult],
    posture: str | None = None,
    direction: Direction | None = None,
    settings: ClearingSettings | None = None,
) -> Clearing:
    """Say whether the strokes of one posture pass the next string, by how much, and how small they may become.

    Parameters
    ----------
    results : sequence of SessionResult
        Of one player on one instrument.
    posture : str, optional
        Needed where the sessions hold several.
    direction : str, optional
        The stroke to judge; else as the blocks want, else the one that passes more often.
    settings : ClearingSettings, optional

    Returns
    -------
    Clearing

    Raises
    ------
    InputError
        Different players or instruments, or an unknown posture.
    NotEnoughDataError
        No instrument frame, or no strokes in that direction.
    """
    settings = settings or ClearingSettings()
    check_one_player(results)
    instrument = _one_instrument(results)
    blocks = tabulate_blocks(results)
    posture = choose_posture(blocks, posture)
    blocks = blocks[blocks["posture"] == posture]
    frame_se = frame_se_deg(blocks)
    strokes = steady_strokes(results, posture).merge(blocks[["session", "block"]], on=["session", "block"])
    paths = np.stack([results[s].paths_mm[r] for s, r in zip(strokes["session"], strokes["row"], strict=True)])
    both: dict[Direction, pd.Series] = {"down": strokes["direction"] == "down", "up": strokes["direction"] == "up"}
    plain = {way: float(strokes.loc[mask, "clears"].mean()) if mask.any() else 0.0 for way, mask in both.items()}
    direction = direction or _direction(blocks, plain)
    mask = both[direction].to_numpy()
    if not mask.any():
        raise NotEnoughDataError(
            expected=f"{direction}strokes in posture {posture or '(none)'}",
            found="none",
            next_step="play both",
        )
    played = PlayedPaths.of(strokes[mask], paths[mask].astype(np.float64), direction)
    unit, unit_name = independent_units(strokes[mask])
    rng = np.random.default_rng(settings.seed)
    weights = draw_weights(int(unit.max()) + 1, settings.draws, rng)[:, unit]
    turns = frame_se * rng.normal(size=settings.draws)
    pairs = tuple(_pair(played, pair, instrument, weights, turns) for pair in string_pairs(instrument, direction))
    hardest = min(pairs, key=lambda pair: (pair.share.value, pair.margin_mm.value))
    mean_share, mean_margin = (_mean_over([getattr(p, name) for p in pairs]) for name in ("share", "margin_mm"))
    return Clearing(
        posture=posture,
        direction=direction,
        strokes=int(mask.sum()),
        share=mean_share,
        margin_mm=mean_margin,
        other_share=plain[other_stroke(direction)],
        pairs=pairs,
        hardest=hardest,
        room=_room(played, hardest, instrument.plectrum_depth_mm, (weights, turns), settings.share),
        plectrum_depth_mm=instrument.plectrum_depth_mm,
        wanted_share=settings.share,
        remarks=_remarks(strokes[mask], instrument, unit_name, plain),
    )


def _one_instrument(results: Sequence[SessionResult]) -> Instrument:
    first = results[0].instrument
    if any(result.instrument != first for result in results):
        raise InputError(
            expected="sessions on one instrument",
            found="several",
            next_step="compare like with like",
        )
    return first


def _direction(blocks: pd.DataFrame, share: dict[Direction, float]) -> Direction:
    wanted = set(blocks["wanted"]) - {""}
    if len(wanted) == 1:
        return "down" if "down" in wanted else "up"
    return max(share, key=lambda way: share[way])


def _pair(
    played: PlayedPaths,
    pair: Neighbours,
    instrument: Instrument,
    weights: FloatArray,
    turns: FloatArray,
) -> StringPair:
    height, per_deg = _with_slope(played, pair.spacing_mm, instrument.plectrum_depth_mm, pair.slope_deg, 1.0)
    share, margin = _drawn(height, per_deg, weights, turns)
    return StringPair(
        pair.first,
        pair.second,
        pair.spacing_mm,
        pair.slope_deg,
        _bounded(float((height > 0).mean()), share),
        _bounded(float(np.median(height)), margin),
    )


def _with_slope(
    played: PlayedPaths, spacing: float, depth: float, turn_deg: float, size: float
) -> tuple[FloatArray, FloatArray]:
    """Heights (n,), and their change for each degree that the frame is turned."""
    ahead, back = (played.heights_mm(spacing, depth, turn_deg - side * TURN_DEG, size) for side in (1, -1))
    return played.heights_mm(spacing, depth, turn_deg, size), (ahead - back) / (2 * TURN_DEG)


def _drawn(
    height: FloatArray, per_deg: FloatArray, weights: FloatArray, turns: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share above 0 and median height in every draw."""
    share, middle = np.empty(turns.size), np.empty(turns.size)
    for i, (weight, turn) in enumerate(zip(weights, turns, strict=True)):
        turned = height + turn * per_deg
        share[i] = weight @ (turned > 0) / weight.sum()
        order = np.argsort(turned)
        middle[i] = turned[order[np.searchsorted(np.cumsum(weight[order]), 0.5 * weight.sum())]]
    return share, middle


def _bounded(value: float, drawn: FloatArray) -> Bounded:
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Bounded(value, float(low), float(high))


def _mean_over(values: Sequence[Bounded]) -> Bounded:
    """Mean of the pairs; their errors go together, so that the bounds are averaged too."""
    return Bounded(*(float(np.mean([getattr(v, name) for v in values])) for name in ("value", "low", "high")))


def _room(
    played: PlayedPaths, pair: StringPair, depth: float, drawing: tuple[FloatArray, FloatArray], wanted: float
) -> Room:
    weights, turns = drawing
    share = np.empty(SIZES.size)
    drawn = np.empty((turns.size, SIZES.size))
    total = weights.sum(axis=1)
    for k, size in enumerate(SIZES):
        height, per_deg = _with_slope(played, pair.spacing_mm, depth, pair.turn_deg, float(size))
        share[k] = (height > 0).mean()
        drawn[:, k] = [w @ (height + t * per_deg > 0) / n for w, t, n in zip(weights, turns, total, strict=True)]
    smallest = smallest_size(share, wanted)
    if smallest is None:
        return Room(SIZES, share, played.span_mm, None)
    found = [smallest_size(row, wanted) for row in drawn]
    # Inverted order: a draw without any size counts as larger than all.
    low, high = np.quantile([math.inf if f is None else f for f in found], [0.025, 0.975], method="nearest")
    bounds = (float(low) if low > SIZES[0] else None, float(high) if high < math.inf else None)
    return Room(SIZES, share, played.span_mm, Bounded(smallest, *bounds))


def smallest_size(share: FloatArray, wanted: float) -> float | None:
    """Smallest size from which on enough strokes pass, without a gap up to the size as played.

    Parameters
    ----------
    share : float64 (n,)
        At :data:`SIZES`.
    wanted : float

    Returns
    -------
    float or None
        Linear between the sizes; above 1 where the stroke as played does not suffice; None where no size does.
    """
    enough = share >= wanted
    now = int(np.flatnonzero(SIZES == 1.0)[0])
    if enough[now]:
        short = np.flatnonzero(~enough[:now])
        at = int(short[-1]) + 1 if short.size else 0
    else:
        larger = np.flatnonzero(enough[now:])
        if not larger.size:
            return None
        at = now + int(larger[0])
    if at == 0:
        return float(SIZES[0])
    part = (wanted - share[at - 1]) / (share[at] - share[at - 1])
    return float(SIZES[at - 1] + part * (SIZES[at] - SIZES[at - 1]))


def _remarks(
    strokes: pd.DataFrame, instrument: Instrument, unit_name: str, share: dict[Direction, float]
) -> tuple[str, ...]:
    said = [
        f"based on {len(strokes)} strokes; the interval comes from {unit_name} and includes the error of the reference "
        "gestures"
    ]
    if instrument.radius_mm is None:
        said.append("the arch of the strings is not given: all pairs of strings are taken as level")
    found = float(strokes["attack"].mean())
    if found < 0.8:
        said.append(
            f"the string contact was heard in {100 * found:.0f} % of strokes and taken at mid-stroke in the rest"
        )
    if min(share.values()) > 0.5:
        said.append("both strokes clear: the path is arched")
    return tuple(said)
