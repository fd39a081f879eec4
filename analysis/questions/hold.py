r"""Does it stay tilted at speed? The hold tempo, and how it ends.

Hold tempo: the fastest tempo at which at least 95 % of strokes keep the wanted side outside the dead band.

Every block (cut into pieces where its speed changes) has a lower edge: the margin ``side * tilt - dead band`` that
95 % of its strokes reach. A stroke tilted to the wrong side counts as level: how far it slips says nothing of where the
edge falls through 0 (the quantile of a rising function is that function of the quantile). Strokes of a block are not
independent, blocks are, so the edges are the data, and a falling curve in the logarithm of speed runs through them. The
hold tempo is where it falls through 0. Its interval comes from resampling blocks, not strokes
(:mod:`analysis.statistics.monotone_regression`): each resample draws every block's edge again within its own error
(stretches of two seconds resampled) and the scatter between blocks, shifts all blocks of a session by one draw of its
frame's error, and bends the curve between the tempi as the blocks allow.

The curve shown is the median of the resamples, its band their 2.5 and 97.5 % quantiles: falling curves lie above 0 at a
speed exactly where they cross it beyond, so that curve and band fall through 0 at the hold tempo and its interval.

References
----------
Davison and Hinkley, Bootstrap Methods and their Application, 1997, sec. 3.8 (resampling groups and within groups).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import pandas as pd

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import BoolArray, FloatArray, SessionResult
from analysis.questions.block_table import check_one_player, frame_se_deg, own_frame, steady_strokes, tabulate_blocks
from analysis.questions.hold_failure import Failure, HoldPiece, describe_failure
from analysis.questions.hold_slips import PieceCounts, count_runs, draw_slip_ends, end_curves, latest_end
from analysis.statistics.monotone_regression import PointErrors, count_distinct, crossing, draw_falling
from analysis.stroke.blocks import level_of, weights_of

Bound = Literal["inside", "at least", "below"]
GRID = 201
KEPT = 0.03
"""Play within this of the click is said to be at its tempo."""
SAME = 1e-3
"""Speeds so near are one: an end of an interval at a block's speed may differ from it in the last bits."""
LAPSE = 0.25
"""By so much of all strokes a slower block falls short before it is named."""


@dataclass(frozen=True)
class HoldSettings:
    """Settings of the hold tempo.

    Attributes
    ----------
    share : float
        Strokes that must hold.
    piece_strokes : int
        Fewest strokes of a piece, where a block is cut because its speed changes.
    piece_range : float
        Change of speed within a block, as a share, from which it is cut.
    least_speeds : int
        Fewest different speeds.
    least_range : float
        Smallest ratio of the fastest to the slowest.
    stretch_s : float
        Length of the stretches that are resampled within a block.
    resamples, seed : int
    """

    share: float = 0.95
    piece_strokes: int = 40
    piece_range: float = 0.12
    least_speeds: int = 3
    least_range: float = 1.15
    stretch_s: float = 2.0
    resamples: int = 400
    seed: int = 0


@dataclass(frozen=True)
class HoldCurve:
    """Lower edge of the margin (deg) against speed, with its 95 % band; arrays of one length."""

    strokes_per_s: FloatArray
    edge_deg: FloatArray
    low_deg: FloatArray
    high_deg: FloatArray


@dataclass(frozen=True)
class HoldTempo:
    """The answer for one posture.

    Attributes
    ----------
    posture : str
    side : {down, up}
        The stroke whose side is to hold.
    dead_band_deg : float
    share : float
        Of the strokes that must hold, 0 to 1.
    bound : str
        ``inside`` the tested speeds; ``at least`` the fastest of them; ``below`` the slowest.
    strokes_per_s : float
        Hold tempo, or the tested speed that bounds it.
    low, high : float or None
        95 % interval, strokes a second; None where it runs beyond the tested speeds.
    notes_per_beat : float or None
        Where all blocks agree.
    tested : (float, float)
        Slowest and fastest speed, strokes a second.
    pieces : tuple of HoldPiece
        Blocks, or parts of them, by speed.
    curve : HoldCurve
        Share that holds against speed.
    failure : Failure or None
        How it ends; None where it does not.
    resampled : float64 (n,)
        Hold tempo of every resample: 0 below, inf beyond the tested speeds.
    remarks : tuple of str
        What the answer rests on and what limits it.
    """

    posture: str
    side: Literal["down", "up"]
    dead_band_deg: float
    share: float
    bound: Bound
    strokes_per_s: float
    low: float | None
    high: float | None
    notes_per_beat: float | None
    tested: tuple[float, float]
    pieces: tuple[HoldPiece, ...]
    curve: HoldCurve
    failure: Failure | None
    resampled: FloatArray
    remarks: tuple[str, ...]

    @property
    def lapses(self) -> tuple[HoldPiece, ...]:
        """Pieces slower than the hold tempo in which far fewer strokes hold than must: the curve passes over them."""
        return tuple(
            piece
            for piece in self.pieces
            if piece.strokes_per_s < self.strokes_per_s and piece.share_held < self.share - LAPSE
        )

    def bpm(self, strokes_per_s: float) -> float | None:
        """Beats a minute of a speed; None where notes per beat are not known.

        Parameters
        ----------
        strokes_per_s : float

        Returns
        -------
        float or None
        """
        if self.notes_per_beat is None:
            return None
        click = self.kept_click_bpm(strokes_per_s)
        return click if click is not None else 60 * strokes_per_s / self.notes_per_beat

    def kept_click_bpm(self, strokes_per_s: float) -> float | None:
        """The click of the block that was played at this speed, where it was kept: 97 BPM are never 96 elsewhere.

        Parameters
        ----------
        strokes_per_s : float

        Returns
        -------
        float or None
            None for any other speed.
        """
        if self.notes_per_beat is None:
            return None
        played = 60 * strokes_per_s / self.notes_per_beat
        same = (piece for piece in self.pieces if math.isclose(piece.strokes_per_s, strokes_per_s, rel_tol=SAME))
        clicks = (piece.tempo_bpm for piece in same)
        return next((bpm for bpm in clicks if bpm is not None and abs(bpm - played) < KEPT * played), None)


def find_hold_tempo(
    results: Sequence[SessionResult],
    posture: str | None = None,
    wanted: Literal["down", "up"] | None = None,
    settings: HoldSettings | None = None,
    drill: str | None = None,
) -> HoldTempo:
    """Hold tempo of one posture over one or more sessions of a player.

    Parameters
    ----------
    results : sequence of SessionResult
    posture : str, optional
        Needed where the sessions hold several.
    wanted : str, optional
        The stroke that should clear; else as the blocks say, else as the slower blocks tilt.
    settings : HoldSettings, optional
    drill : str, optional
        Only its blocks.

    Returns
    -------
    HoldTempo

    Raises
    ------
    InputError
        Sessions of different players, an unknown posture, or blocks that want different sides.
    NotEnoughDataError
        Too few blocks, speeds too much alike, or no instrument frame.
    """
    settings = settings or HoldSettings()
    check_one_player(results)
    blocks = choose_drill(tabulate_blocks(results), drill)
    posture = choose_posture(blocks, posture)
    blocks = blocks[blocks["posture"] == posture]
    frame = np.array([frame_se_deg(part) for _, part in blocks.groupby("session", sort=True)])
    side = _side(blocks, wanted)
    dead_band = _dead_band(results)
    strokes = steady_strokes(results, posture).merge(blocks[["session", "block"]], on=["session", "block"])
    strokes["margin_deg"] = (1 if side == "down" else -1) * strokes["tilt_deg"] - dead_band
    strokes["level_deg"] = np.maximum(strokes["margin_deg"], -dead_band)
    parts = _pieces(strokes, settings)
    speed = np.array([np.median(part["strokes_per_s"]) for part in parts])
    _check_speeds(speed, blocks, settings)
    whole = parts
    counts = _count(parts, speed, dead_band)
    parts = [_without_slips(part, dead_band) for part in parts]
    edge = np.array([_edge(part["level_deg"].to_numpy(), settings.share) for part in parts])
    rngs = np.random.default_rng(settings.seed).spawn(len(parts))
    own_se = np.array([_edge_se(part, settings, rng) for part, rng in zip(parts, rngs, strict=True)])
    session = np.unique([part["session"].iloc[0] for part in parts], return_inverse=True)[1]
    curve, found, draws = _fit((speed, edge), PointErrors(own_se, session, frame), counts, settings)
    pieces = tuple(_piece(part, edge[i], own_se[i], side) for i, part in enumerate(whole))
    tested = (float(speed.min()), float(speed.max()))
    low, high = (float(np.quantile(draws, q, method="nearest")) for q in (0.025, 0.975))
    beats = blocks["notes_per_beat"].unique()
    return HoldTempo(
        posture=posture,
        side=side,
        dead_band_deg=dead_band,
        share=settings.share,
        bound="at least" if found == math.inf else "below" if found == 0 else "inside",
        strokes_per_s=float(np.clip(found, *tested)),
        low=min(low, tested[1]) if low > 0 else None,
        high=max(high, tested[0]) if high < math.inf else None,
        notes_per_beat=float(beats[0]) if beats.size == 1 and np.isfinite(beats[0]) else None,
        tested=tested,
        pieces=pieces,
        curve=curve,
        failure=describe_failure(strokes, pieces, found, side, dead_band, settings.share),
        resampled=draws,
        remarks=_remarks(results, blocks, posture, speed, found),
    )


def choose_drill(blocks: pd.DataFrame, drill: str | None) -> pd.DataFrame:
    """Blocks of one drill; all where none is named.

    Raises
    ------
    InputError
        A drill that no block names.
    """
    if drill is None:
        return blocks
    own = blocks[blocks["drill"] == drill]
    if own.empty:
        names = ", ".join(name or "(none)" for name in dict.fromkeys(blocks["drill"]))
        raise InputError(
            expected=f"a drill of these sessions ({names})",
            found=f"{drill!r}",
            next_step="correct the label",
        )
    return own


def choose_posture(blocks: pd.DataFrame, posture: str | None) -> str:
    """The posture asked for, or the only one there is.

    Raises
    ------
    InputError
        An unknown label, or several postures and none named.
    """
    known = list(dict.fromkeys(blocks["posture"]))
    names = ", ".join(name or "(none)" for name in known)
    if posture is None and len(known) == 1:
        return str(known[0])
    if posture is None:
        raise InputError(
            expected="one posture",
            found=f"{names}",
            next_step="name one of them",
        )
    if posture not in known:
        raise InputError(
            expected=f"a posture of these sessions ({names})",
            found=f"{posture!r}",
            next_step="correct the label",
        )
    return posture


def _side(blocks: pd.DataFrame, wanted: Literal["down", "up"] | None) -> Literal["down", "up"]:
    """The wanted side: as asked, as the blocks say, or as the slower half of them tilts."""
    if wanted is not None:
        return wanted
    marked = sorted(set(blocks["wanted"]) - {""})
    if len(marked) > 1:
        raise InputError(
            expected="blocks that want one clearing stroke",
            found="down and up",
            next_step="choose one of them",
        )
    if marked:
        return cast('Literal["down", "up"]', marked[0])
    slower = blocks[blocks["strokes_per_s"] <= blocks["strokes_per_s"].median()]
    return "down" if slower["tilt_deg"].mean() > 0 else "up"


def _dead_band(results: Sequence[SessionResult]) -> float:
    bands = {round(result.instrument.dead_band_deg, 6) for result in results}
    if len(bands) > 1:
        raise InputError(
            expected="sessions on one instrument",
            found="different string spacings or plectrum depths",
            next_step="compare like with like",
        )
    return bands.pop()


def _pieces(strokes: pd.DataFrame, settings: HoldSettings) -> list[pd.DataFrame]:
    """Blocks, cut evenly where the speed changes within one."""
    found = []
    for _, block in strokes.groupby(["session", "block"], sort=True):
        low, high = np.quantile(block["strokes_per_s"], [0.05, 0.95])
        wide = math.ceil(math.log(high / low) / settings.piece_range) if high > low * (1 + settings.piece_range) else 1
        count = max(1, min(wide, len(block) // settings.piece_strokes))
        bounds = np.linspace(0, len(block), count + 1).astype(np.int64)
        found += [block.iloc[a:b] for a, b in itertools.pairwise(bounds)]
    return found


def _check_speeds(speed: FloatArray, blocks: pd.DataFrame, settings: HoldSettings) -> None:
    distinct = count_distinct(np.log(speed))
    ratio = float(speed.max() / speed.min())
    if distinct < settings.least_speeds or ratio < settings.least_range:
        tempo = "" if blocks["tempo_bpm"].notna().any() else " and no tempo given"
        raise NotEnoughDataError(
            expected=f"blocks at {settings.least_speeds} speeds or more, the fastest at least "
            f"{settings.least_range:g} times the slowest",
            found=f"{distinct} speed{'s' * (distinct != 1)}, {speed.min():.1f} to {speed.max():.1f} strokes/s, in "
            f"{len(blocks)} block{'s' * (len(blocks) != 1)}{tempo}",
            next_step="play a ladder of tempi, one block each",
        )


def _edge(margin: FloatArray, share: float) -> float:
    return float(np.quantile(margin, 1 - share, method="median_unbiased"))


def _edge_se(part: pd.DataFrame, settings: HoldSettings, rng: np.random.Generator, draws: int = 80) -> float:
    """Standard error of a piece's edge: stretches of strokes drawn again, each of about two seconds.

    Resampling k stretches understates the variance by (k - 1) / k (Davison and Hinkley, sec. 2.3.2).
    """
    margin = part["level_deg"].to_numpy(np.float64)
    n = margin.size
    length = int(np.clip(settings.stretch_s * np.median(part["strokes_per_s"]), 1, max(1, n // 4)))
    first = rng.integers(0, n - length + 1, (draws, math.ceil(n / length)))
    index = (first[:, :, None] + np.arange(length)).reshape(draws, -1)[:, :n]
    few = math.sqrt(n / (n - length)) if n > length else 1.0
    return few * float(np.quantile(margin[index], 1 - settings.share, axis=1).std(ddof=1))


def _count(parts: Sequence[pd.DataFrame], speed: FloatArray, dead_band: float) -> PieceCounts:
    """Count strokes, slips and their runs in every piece."""
    slipped = [_slipped(part, dead_band) for part in parts]
    return PieceCounts(
        np.log(speed),
        np.array([len(part) for part in parts]),
        np.array([int(own.sum()) for own in slipped]),
        np.array([count_runs(own) for own in slipped]),
        np.array([float((part["margin_deg"] > 0).mean()) for part in parts]),
    )


def _slipped(part: pd.DataFrame, dead_band: float) -> BoolArray:
    """Strokes that lie beyond the dead band on the wrong side."""
    return np.asarray(part["margin_deg"].to_numpy(np.float64) < -2 * dead_band)


def _without_slips(part: pd.DataFrame, dead_band: float) -> pd.DataFrame:
    """The strokes that did not slip, if these are most: slips are counted apart."""
    slipped = _slipped(part, dead_band)
    return part[~slipped] if slipped.mean() < 0.5 else part


def _fit(
    points: tuple[FloatArray, FloatArray], errors: PointErrors, counts: PieceCounts, settings: HoldSettings
) -> tuple[HoldCurve, float, FloatArray]:
    """Curve with its band, hold tempo, and the hold tempo of every resample."""
    speed, edge = points
    x = np.log(speed)
    grid = np.linspace(x.min(), x.max(), GRID)
    curves = draw_falling((x, edge), errors, grid, settings.resamples, np.random.default_rng(settings.seed))
    rng = np.random.default_rng([settings.seed, 1])
    ends = draw_slip_ends(counts, 1 - settings.share, settings.resamples, rng)
    curves = end_curves(curves, grid, counts, ends, rng)
    low, best, high = np.quantile(curves, [0.025, 0.5, 0.975], axis=0)
    found = np.minimum([crossing(curve, grid) for curve in curves], latest_end(counts))
    return HoldCurve(np.exp(grid), best, low, high), float(np.exp(crossing(best, grid))), np.exp(found)


def _piece(part: pd.DataFrame, edge: float, edge_se: float, side: str) -> HoldPiece:
    tilt, span = part["tilt_deg"].to_numpy(), part["span_mm"].to_numpy()
    mean, sd = level_of(tilt, weights_of(part))
    tempo = part["tempo_bpm"].to_numpy(np.float64)
    clearing = part[part["direction"] == side]
    return HoldPiece(
        session=int(part["session"].iloc[0]),
        block=int(part["block"].iloc[0]),
        strokes=len(part),
        strokes_per_s=float(np.median(part["strokes_per_s"])),
        tilt_deg=mean,
        tilt_sd_deg=sd or 0.0,
        edge_deg=edge,
        edge_se_deg=edge_se,
        share_held=float((part["margin_deg"] > 0).mean()),
        share_clearing=float(clearing["clears"].mean()) if len(clearing) else None,
        span_mm=float(np.median(span)),
        bow_mm=float(np.median(part["bow_mm"])),
        lift_mm=float(np.median(clearing["lift_mm"])) if len(clearing) else None,
        tempo_bpm=float(tempo[0]) if np.isfinite(tempo[0]) else None,
    )


def _remarks(
    results: Sequence[SessionResult], blocks: pd.DataFrame, posture: str, speed: FloatArray, found: float
) -> tuple[str, ...]:
    speeds = f"{count_distinct(np.log(speed))} speeds, {speed.min():.1f} to {speed.max():.1f} strokes/s"
    said = [f"based on {int(blocks['strokes'].sum())} strokes in {len(blocks)} blocks at {speeds}"]
    if blocks["tempo_bpm"].isna().any():
        said.append("no tempo was given for some blocks: their speed is known from the strokes alone")
    if not any(own_frame(result, posture) == "" for result in results):
        said.append("the reference gestures were not done in this posture: the interval may be too narrow")
    first = blocks[blocks["session"] == blocks["session"].iloc[0]]
    if len(results) == 1 and len(first) > 2 and first["strokes_per_s"].is_monotonic_increasing:
        said.append("tempo only rose from block to block: tiredness and speed cannot be told apart; mix the order")
    step = _step_around(speed, found)
    if step is not None and step > 0.12:
        said.append(f"the tempi next to it lie {100 * step:.0f} % apart: blocks in between would narrow the interval")
    return tuple(said)


def _step_around(speed: FloatArray, found: float) -> float | None:
    """Ratio, less 1, of the tested speeds on both sides of the hold tempo."""
    if not 0 < found < math.inf:
        return None
    return float(speed[speed >= found].min() / speed[speed <= found].max() - 1)
