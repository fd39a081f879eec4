"""Which strokes are play: regular runs with pick attacks, inside the blocks or outside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_closing

from analysis.model.records import BoolArray, IntArray
from analysis.motion.turns import StrokeSettings

WITHOUT_ATTACKS = 8
"""Fewer strokes of which none has an attack are no play: a hand finds its place, or leaves it."""
LONGEST_HOLE = 15
HEARD_SHARE = 0.25
"""A log without marks in which fewer of the strokes in long runs have attacks is one in which attacks are not heard."""


@dataclass(frozen=True)
class Candidates:
    """What is known of strokes that may be play.

    Attributes
    ----------
    run : int64 (n,)
        -1 for irregular strokes.
    block : int64 (n,)
        -1 outside every block.
    attack : bool (n,) or None
        None where attacks cannot be seen.
    telling : bool (n,)
        So many strokes around have an attack that the want of one tells something.
    quick : bool (n,)
        As quick as the strokes around, and so no way back.
    small : bool (n,)
        Shorter than is asked of a stroke by itself: a hand at rest moves as far.
    passage : int64 (n,)
        Number of the stretch without a long silence.
    """

    run: IntArray
    block: IntArray
    attack: BoolArray | None
    telling: BoolArray
    quick: BoolArray
    small: BoolArray
    passage: IntArray


def accept_strokes(found: Candidates, blocks_known: bool, settings: StrokeSettings) -> BoolArray:
    """Tell strokes of play from other rhythmic motion.

    Inside a block that the player marked every regular run counts, with or without attacks: silent strokes, strokes in
    the air and smooth playing are play. Where attacks tell, a run begins with the first and ends with the last of them,
    for a hand comes and goes in silence. Of fewer than ``min_run`` at a stretch those with an attack count, and where
    attacks tell nothing the quick ones, if the block has several. Outside the blocks play is what has an attack on at
    least ``attack_share`` of any five strokes; a hole shorter than ``LONGEST_HOLE`` strokes inside a run is play too.
    Where attacks cannot be seen, runs inside the marked blocks count, or, in a log without blocks, those of passages in
    which runs make up at least eight strokes; so they do in a log without blocks in which hardly a run has attacks,
    for sensors that smooth hear none.

    Parameters
    ----------
    found : Candidates
    blocks_known : bool
        Whether the player marked any blocks.
    settings : StrokeSettings

    Returns
    -------
    bool (n,)
    """
    run, block = found.run, found.block
    keep = (run >= 0) & (_run_length(run) >= settings.min_run)
    inside = (run >= 0) & (block >= 0)
    alone = _of_many(inside & found.quick & ~found.telling & ~found.small, block)
    unheard = alone | (keep & ~found.small & _without_attacks(found, keep, blocks_known))
    if found.attack is None:
        return unheard
    often, struck_from_to = np.zeros(run.size, dtype=bool), np.zeros(run.size, dtype=bool)
    for number in np.unique(run[keep]):
        members = np.flatnonzero(run == number)
        attack = found.attack[members]
        asked = settings.attack_share
        if inside[members].mean() > 0.5 and attack.mean() >= settings.soft_share:
            asked *= float(attack.mean())
        enough = _rolling_share(attack, settings.attack_strokes) >= asked
        often[members] = binary_closing(enough, np.ones(LONGEST_HOLE, dtype=bool), border_value=0) | enough
        struck_from_to[members] = _from_first_to_last(attack)
    rhythm = keep & often & struck_from_to
    if not blocks_known and rhythm.sum() < HEARD_SHARE * unheard.sum():
        return unheard
    small = inside & found.small & (rhythm | (keep & found.attack))
    large = inside & ~found.small & (found.attack | (keep & (struck_from_to | ~found.telling)))
    return alone | small | large | (rhythm & (block < 0))


def _run_length(run: IntArray) -> IntArray:
    """Strokes in the run of each stroke."""
    if not (run >= 0).any():
        return np.zeros(run.size, dtype=np.int64)
    return np.asarray(np.bincount(run[run >= 0])[run])


def _of_many(some: BoolArray, part: IntArray) -> BoolArray:
    """Those of a block, or a passage, in which there are enough of them."""
    return np.asarray(some & (np.bincount(part + 1, some)[part + 1] >= WITHOUT_ATTACKS))


def _without_attacks(found: Candidates, keep: BoolArray, blocks_known: bool) -> BoolArray:
    """Strokes of the regular runs ``keep`` that count without an attack."""
    if blocks_known:
        inside = np.unique(found.run[keep & (found.block >= 0)])
        return np.asarray(keep & np.isin(found.run, inside))
    return _of_many(keep, found.passage)


def _rolling_share(attack: BoolArray, width: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    width = min(width, attack.size)
    total = np.concatenate([[0], np.cumsum(attack)])
    first = np.clip(np.arange(attack.size) - width // 2, 0, attack.size - width)
    return np.asarray((total[first + width] - total[first]) / width)


def _from_first_to_last(attack: BoolArray) -> BoolArray:
    """False before the first and after the last stroke with an attack."""
    keep = np.zeros(attack.size, dtype=bool)
    at = np.flatnonzero(attack)
    if at.size:
        keep[at[0] : at[-1] + 1] = True
    return keep
