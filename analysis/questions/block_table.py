"""Blocks of one or more sessions as one table, for the questions that compare blocks with each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import numpy as np
import pandas as pd

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import FloatArray, SessionResult
from analysis.model.stroke_columns import Column
from analysis.stroke.blocks import level_of, weights_of

FEWEST_STROKES = 12
"""A block with fewer steady strokes has no spread worth the name and is left out."""

BLOCK_COLUMNS: tuple[Column, ...] = (
    Column("session", "", "int64", "place of the session in the order given"),
    Column("block", "", "int64", "number of the block in its session, from 0"),
    Column("posture", "", "str", "posture label"),
    Column("minute", "min", "float64", "middle of the block, from the start of its session's first block"),
    Column("tempo_bpm", "1/min", "float64", "tempo; empty where none was given"),
    Column("notes_per_beat", "", "float64", "notes per beat; empty where none were given"),
    Column("drill", "", "str", "drill label"),
    Column("wanted", "", "str", "wanted clearing stroke: down, up or empty"),
    Column("strokes", "", "int64", "steady strokes (outside string changes)"),
    Column("strokes_per_s", "1/s", "float64", "median stroke rate"),
    Column("tilt_deg", "deg", "float64", "mean tilt"),
    Column("tilt_sd_deg", "deg", "float64", "standard deviation of tilt over the block's strokes"),
    Column("tilt_se_deg", "deg", "float64", "standard error of the mean tilt, the block's own part"),
    Column("offset_se_deg", "deg", "float64", "standard error of tilt common to the posture's blocks"),
    Column("span_mm", "mm", "float64", "median span"),
    Column("bow_mm", "mm", "float64", "median bow"),
    Column("lift_mm", "mm", "float64", "median lift of the wanted direction, else of the one that the tilt lifts"),
    Column("timing_pct", "%", "float64", "SD of the down-up cycle about its trend, as a share of its mean"),
    Column("share_clearing", "", "float64", "share of strokes of the wanted (else the better) direction that clear"),
)


def steady_strokes(results: Sequence[SessionResult], posture: str | None = None) -> pd.DataFrame:
    """Strokes that stand in a block and outside string changes, with the column ``session`` in front.

    Parameters
    ----------
    results : sequence of SessionResult
    posture : str, optional
        Only this one.

    Returns
    -------
    DataFrame
        Columns of :data:`analysis.model.stroke_columns.STROKE_COLUMNS` and ``row``, each stroke's place in its
        session's table.
    """
    parts: list[pd.DataFrame] = []
    for number, result in enumerate(results):
        strokes = result.strokes.reset_index(drop=True)
        keep = strokes["block"].notna() & (strokes["string_change"] != "true") & np.isfinite(strokes["tilt_deg"])
        if posture is not None:
            keep &= strokes["posture"] == posture
        part = strokes[keep].assign(row=np.flatnonzero(keep), block=strokes.loc[keep, "block"].astype(np.int64))
        part.insert(0, "session", number)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def tabulate_blocks(results: Sequence[SessionResult]) -> pd.DataFrame:
    """One row a block that holds at least :data:`FEWEST_STROKES` steady strokes, in time order.

    Parameters
    ----------
    results : sequence of SessionResult
        Of one player.

    Returns
    -------
    DataFrame
        Columns of :data:`BLOCK_COLUMNS`.

    Raises
    ------
    NotEnoughDataError
        No block at all.
    InputError
        Sessions of different players.
    """
    check_one_player(results)
    steady = steady_strokes(results)
    rows = []
    for key, strokes in steady.groupby(["session", "block"], sort=True):
        session, index = cast("tuple[int, int]", key)
        if len(strokes) >= FEWEST_STROKES:
            rows.append(_row(results[session], int(session), int(index), strokes))
    if not rows:
        raise NotEnoughDataError(
            expected=f"a block of play with at least {FEWEST_STROKES} strokes",
            found="none",
            next_step="mark stretches of play as blocks (kind play in the events) of 10 s or more",
        )
    return pd.DataFrame(rows, columns=[c.name for c in BLOCK_COLUMNS]).astype({c.name: c.dtype for c in BLOCK_COLUMNS})


def check_one_player(results: Sequence[SessionResult]) -> None:
    """Refuse sessions of different players.

    Parameters
    ----------
    results : sequence of SessionResult

    Raises
    ------
    InputError
        With the names found.
    """
    names = sorted({result.player.name or "(no name)" for result in results})
    if len(names) > 1:
        raise InputError(
            expected="sessions of one player",
            found=f"{', '.join(names)}",
            next_step="name the sessions of one player",
        )


def own_frame(result: SessionResult, posture: str) -> str:
    """Why a posture has no frame of its own, or nothing where it has.

    A posture's frame is its own when ``across`` and ``along`` were done in it, and ``pivot`` too: another way of
    holding the hand turns it about the vertical, which cannot be told from drift, and may move the plectrum.
    """
    if result.reference.kind == "hand":
        return "there is no instrument frame"
    done = {gesture.kind for gesture in result.reference.gestures if gesture.usable and gesture.posture == posture}
    lacking = [kind for kind in ("across", "along", "pivot") if kind not in done]
    return f"{' and '.join(lacking)} not repeated in posture {posture or '(none)'}" if lacking else ""


def frame_se_deg(blocks: pd.DataFrame) -> float:
    """Frame error common to the blocks of one posture and session: the root mean square of what each block states.

    Raises
    ------
    NotEnoughDataError
        A block without an instrument frame.
    """
    offset = blocks["offset_se_deg"].to_numpy(np.float64)
    if not offset.size or not np.isfinite(offset).all():
        raise NotEnoughDataError(
            expected="tilt in the instrument's frame",
            found="it only against the hand's own plane",
            next_step="record the reference gestures still, across, along and pivot before playing",
        )
    return float(np.sqrt(np.mean(offset**2)))


def cycle_seconds(strokes: pd.DataFrame) -> FloatArray:
    """Durations from each stroke's start to the start of the next one in the same direction, unbroken ones only.

    Parameters
    ----------
    strokes : DataFrame
        Of one block, in time order.

    Returns
    -------
    float64 (n,)
    """
    start, end = strokes["start_s"].to_numpy(np.float64), strokes["end_s"].to_numpy(np.float64)
    joined = np.abs(start[1:] - end[:-1]) < 0.25 * (end[:-1] - start[:-1])
    whole = joined[:-1] & joined[1:]
    return np.asarray((start[2:] - start[:-2])[whole])


def _timing_pct(strokes: pd.DataFrame) -> float:
    cycle = cycle_seconds(strokes)
    if cycle.size < FEWEST_STROKES // 2:
        return np.nan
    place = np.linspace(-1, 1, cycle.size)
    residual = cycle - np.polyval(np.polyfit(place, cycle, 1), place)
    return float(100 * np.sqrt(residual @ residual / (cycle.size - 2)) / cycle.mean())


def _row(result: SessionResult, session: int, index: int, strokes: pd.DataFrame) -> tuple[object, ...]:
    block = result.blocks[index]
    first_s = min(b.start_s for b in result.blocks)
    tilt = strokes["tilt_deg"].to_numpy(np.float64)
    mean, sd = level_of(tilt, weights_of(strokes))
    # The stroke that could clear: the one wanted, else the one that the tilt lifts.
    lifted = strokes[strokes["direction"] == (block.wanted or ("down" if mean > 0 else "up"))]
    return (
        session,
        index,
        block.posture,
        (0.5 * (block.start_s + block.end_s) - first_s) / 60,
        _number(block.tempo_bpm),
        _number(block.notes_per_beat),
        block.drill,
        block.wanted or "",
        len(strokes),
        float(np.median(strokes["strokes_per_s"])),
        mean,
        _number(sd),
        _number(block.tilt_mean_se_deg),
        _number(block.tilt_offset_se_deg),
        float(np.median(strokes["span_mm"])),
        float(np.median(strokes["bow_mm"])),
        float(np.median(lifted["lift_mm"])) if len(lifted) else np.nan,
        _timing_pct(strokes),
        _number(block.share_clearing),
    )


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)
