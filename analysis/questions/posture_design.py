"""Can these blocks compare two postures at all? Order, tempo, drill and speed must not tell the postures apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import BoolArray, FloatArray, IntArray
from analysis.statistics.estimates import remove_columns

FEWEST_BLOCKS = 3
MOST_EXPLAINED = 0.5
"""Share of the postures' order that time alone may explain: at one half, two blocks say as much as one."""
SPEED_APART = 0.15
CURVED_FROM = 10
"""Blocks from which a bend of the trend is estimated too."""


@dataclass(frozen=True)
class Design:
    """Blocks that compare two postures.

    Attributes
    ----------
    blocks : DataFrame
        Rows of :data:`analysis.questions.block_table.BLOCK_COLUMNS`, in order of play.
    second : bool (n,)
        True for the second posture.
    strata : int64 (n,)
        Blocks of one session, tempo and drill.
    nuisance : float64 (n, k)
        Time on task, from -1 to 1 within each session, and its square where there are blocks enough.
    explained : float
        Share of the order of postures that session, tempo, drill and time explain: 0 is perfectly balanced.
    remarks : tuple of str
    """

    blocks: pd.DataFrame
    second: BoolArray
    strata: IntArray
    nuisance: FloatArray
    explained: float
    remarks: tuple[str, ...]

    @property
    def speed_ratio(self) -> float:
        """How much faster the second posture was played: the ratio of both mean speeds."""
        speed = np.log(self.blocks["strokes_per_s"].to_numpy(np.float64))
        return float(np.exp(speed[self.second].mean() - speed[~self.second].mean()))

    @property
    def order(self) -> str:
        """Order of play, first posture 1 and second 2; a dash between sessions."""
        sessions = self.blocks["session"].to_numpy()
        return "-".join(_order(self.second[sessions == number]) for number in np.unique(sessions))


def choose_pair(blocks: pd.DataFrame, postures: Sequence[str]) -> tuple[str, str]:
    """The two postures to compare: as named, or the only two that there are.

    Raises
    ------
    InputError
        Not two, unknown, or equal labels.
    NotEnoughDataError
        One posture only.
    """
    known = list(dict.fromkeys(blocks["posture"]))
    names = ", ".join(name or "(none)" for name in known)
    unknown = [name for name in postures if name not in known]
    if unknown:
        raise InputError(
            expected=f"postures of these sessions ({names})",
            found=f"{unknown[0]!r}",
            next_step="correct the label",
        )
    if len(known) == 1:
        raise NotEnoughDataError(
            expected="blocks in two postures",
            found=f"only {names}",
            next_step="label the blocks and play both, ABBA",
        )
    pair = list(dict.fromkeys(postures or known))
    if len(pair) != 2:
        raise InputError(
            expected="two postures to compare",
            found=f"{', '.join(pair)}",
            next_step=f"name two of {names}",
        )
    return str(pair[0]), str(pair[1])


def check_design(blocks: pd.DataFrame, first: str, second: str) -> Design:
    """Keep the blocks that compare the two postures, or refuse with the reason.

    Parameters
    ----------
    blocks : DataFrame
        Columns of :data:`analysis.questions.block_table.BLOCK_COLUMNS`.
    first, second : str
        Posture labels.

    Returns
    -------
    Design

    Raises
    ------
    NotEnoughDataError
        Too few blocks, or a design in which tempo, drill, speed, session or order goes with the posture.
    """
    pair = blocks[blocks["posture"].isin([first, second])].sort_values(["session", "minute"]).reset_index(drop=True)
    _check_number(pair, first, second)
    drill = pair["drill"].to_numpy()
    rate = (pair["tempo_bpm"] * pair["notes_per_beat"].fillna(1.0)).round(1).fillna(0.0).to_numpy()
    strata = pd.Series(zip(pair["session"], drill, rate, strict=True)).factorize()[0]
    both = pd.Series(pair["posture"] == second).groupby(strata).transform("nunique").to_numpy() == 2
    if not both.any():
        raise NotEnoughDataError(_why_never_together(pair, first, second))
    remarks = []
    if not both.all():
        remarks.append(
            f"{int((~both).sum())} blocks were left out: their tempo or drill was played in one posture only"
        )
    pair, strata = pair[both].reset_index(drop=True), np.unique(strata[both], return_inverse=True)[1]
    _check_number(pair, first, second)
    label = (pair["posture"] == second).to_numpy()
    _check_speed(pair, label, (first, second))
    nuisance = _time_columns(pair)
    explained = _explained(label, strata, nuisance)
    if explained > MOST_EXPLAINED:
        raise NotEnoughDataError(
            expected="postures in mixed order",
            found=f"{_order(label)} (1 for {first}, 2 for {second}): warming up or tiring cannot be told from the "
            "posture",
            next_step=f"play them in the order {first} {second} {second} {first} and its mirror",
        )
    return Design(pair, label, strata, nuisance, explained, tuple(remarks))


def _check_number(pair: pd.DataFrame, first: str, second: str) -> None:
    for name in (first, second):
        count = int((pair["posture"] == name).sum())
        if count < FEWEST_BLOCKS:
            raise NotEnoughDataError(
                expected=f"at least {FEWEST_BLOCKS} comparable blocks of each posture",
                found=f"{count} of {name}",
                next_step=f"play {first} {second} {second} {first} {second} {first} {first} {second}, with rests, "
                "at one tempo",
            )


def _why_never_together(pair: pd.DataFrame, first: str, second: str) -> str:
    """Name what goes with the posture."""
    one, other = pair[pair["posture"] == first], pair[pair["posture"] == second]
    if not set(one["session"]) & set(other["session"]):
        what = "session: each session has errors of its own; play both postures in one session"
    elif not set(one["drill"]) & set(other["drill"]):
        what = "drill; play both postures on the same drill"
    else:
        what = "tempo; play both postures at the same tempi"
    return f"expected both postures under the same conditions, found that {first} and {second} never share a {what}"


def _check_speed(pair: pd.DataFrame, label: BoolArray, names: tuple[str, str]) -> None:
    """Refuse when one posture was simply played faster."""
    speed = np.log(pair["strokes_per_s"].to_numpy(np.float64))
    apart = float(speed[label].mean() - speed[~label].mean())
    if abs(apart) > SPEED_APART:
        raise NotEnoughDataError(
            expected="both postures at one speed",
            found=f"{names[1]} {100 * (np.exp(apart) - 1):+.0f} % against {names[0]}",
            next_step="play both to the same click",
        )


def _time_columns(pair: pd.DataFrame) -> FloatArray:
    minute = pair["minute"].to_numpy(np.float64)
    session = pair["session"].to_numpy()
    place = np.empty(minute.size)
    for number in np.unique(session):
        inside = session == number
        m = minute[inside]
        place[inside] = 2 * (m - m.min()) / max(float(np.ptp(m)), 1e-9) - 1
    return place[:, None] if minute.size < CURVED_FROM else np.column_stack([place, place**2])


def _explained(label: BoolArray, strata: IntArray, nuisance: FloatArray) -> float:
    centred = label - np.array([label[strata == s].mean() for s in strata])
    constants = np.equal.outer(strata, np.unique(strata)).astype(np.float64)
    left = remove_columns(centred[:, None], np.column_stack([constants, nuisance]))[:, 0]
    return float(1 - left @ left / (centred @ centred))


def _order(label: BoolArray) -> str:
    return "".join(np.where(label, "2", "1"))
