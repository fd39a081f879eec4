"""Changes of posture: how many strokes until the new tilt is there, and flips of its sign on purpose or by accident.

A block's own level is the mean and SD of its later half. The new tilt is there from the first stroke on from which
eight strokes have a mean within one SD of that level: of a settled player, one window in two hundred fails that.
A flip on purpose is a change of posture after which the level lies on the other side. A flip by accident is a run of
strokes inside a block, after it has settled, beyond the dead band on the side that the block does not play.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.records import BlockSummary, FloatArray, SessionResult
from analysis.questions.block_table import steady_strokes

WINDOW = 8
FEWEST = 3 * WINDOW
FLIP_STROKES = 3
LEAST_SD_DEG = 0.5


@dataclass(frozen=True)
class Switch:
    """One change of posture from a block to the next.

    ``strokes`` and ``seconds`` until the new tilt is there, None if it never is before the block's later half;
    ``rest_s`` between the blocks; ``flipped``: the tilt changed its side.
    """

    session: int
    block: int
    from_posture: str
    to_posture: str
    rest_s: float
    strokes: int | None
    seconds: float | None
    flipped: bool


@dataclass(frozen=True)
class Switching:
    """All changes of posture.

    Attributes
    ----------
    switches : tuple of Switch
    median_strokes : float or None
        Of the changes after which the new tilt came; None without any.
    never : int
        Changes after which it did not come within the first half of the block.
    accidents : int
        Flips by accident; ``accident_strokes`` strokes in all.
    minutes : float
        Played, as the base of the accidents.
    """

    switches: tuple[Switch, ...]
    median_strokes: float | None
    never: int
    accidents: int
    accident_strokes: int
    minutes: float

    @property
    def flips(self) -> int:
        """Flips on purpose."""
        return sum(switch.flipped for switch in self.switches)


@dataclass(frozen=True)
class _Played:
    """One block's tilts, its level, and the stroke from which it is there."""

    summary: BlockSummary
    tilt_deg: FloatArray
    start_s: FloatArray
    mean_deg: float
    settled: int | None


def find_switches(results: Sequence[SessionResult]) -> Switching:
    """Find all changes of posture in the sessions.

    Parameters
    ----------
    results : sequence of SessionResult

    Returns
    -------
    Switching
    """
    switches: list[Switch] = []
    accidents, minutes = [], 0.0
    for number, result in enumerate(results):
        played = _played(result)
        for block in played:
            accidents += _accidents(block, result.instrument.dead_band_deg)
            minutes += float(np.ptp(block.start_s)) / 60
        for before, after in itertools.pairwise(played):
            neighbours = after.summary.index == before.summary.index + 1
            if neighbours and before.summary.posture != after.summary.posture:
                switches.append(_switch(number, before, after))
    came = [s.strokes for s in switches if s.strokes is not None]
    return Switching(
        tuple(switches),
        float(np.median(came)) if came else None,
        len(switches) - len(came),
        len(accidents),
        sum(accidents),
        minutes,
    )


def _played(result: SessionResult) -> list[_Played]:
    found = []
    for index, strokes in steady_strokes([result]).groupby("block", sort=True):
        if len(strokes) >= FEWEST:
            found.append(_block(result.blocks[int(str(index))], strokes))
    return found


def _block(summary: BlockSummary, strokes: pd.DataFrame) -> _Played:
    tilt, start = strokes["tilt_deg"].to_numpy(np.float64), strokes["start_s"].to_numpy(np.float64)
    late = tilt[tilt.size // 2 :]
    mean, sd = float(late.mean()), max(float(late.std(ddof=1)), LEAST_SD_DEG)
    running = np.convolve(tilt, np.full(WINDOW, 1 / WINDOW), mode="valid")
    there = np.flatnonzero(np.abs(running[: tilt.size // 2] - mean) < sd)
    return _Played(summary, tilt, start, mean, int(there[0]) if there.size else None)


def _switch(session: int, before: _Played, after: _Played) -> Switch:
    settled = after.settled
    offsets = [b.summary.tilt_offset_se_deg for b in (before, after)]
    known = all(
        offset is not None and abs(b.mean_deg) > 2 * offset for b, offset in zip((before, after), offsets, strict=True)
    )
    return Switch(
        session=session,
        block=after.summary.index,
        from_posture=before.summary.posture,
        to_posture=after.summary.posture,
        rest_s=float(after.start_s[0] - before.start_s[-1]),
        strokes=settled,
        seconds=None if settled is None else float(after.start_s[settled] - after.start_s[0]),
        flipped=known and before.mean_deg * after.mean_deg < 0,
    )


def _accidents(block: _Played, dead_band_deg: float) -> list[int]:
    """Lengths of runs on the other side, beyond the dead band, once the block has settled."""
    if block.settled is None or block.summary.groups:
        # Two tilts by turns are neither settled nor an accident: they are told of as a mixed block.
        return []
    side = 1.0 if block.mean_deg > 0 else -1.0
    other = side * block.tilt_deg[block.settled :] < -dead_band_deg
    edges = np.flatnonzero(np.diff(np.concatenate([[0], other.astype(np.int8), [0]])))
    lengths = edges[1::2] - edges[::2]
    return [int(length) for length in lengths if length >= FLIP_STROKES]
