"""Which strokes are play: regular runs with pick attacks, inside the blocks or outside."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import binary_closing

from analysis.model.records import BoolArray, IntArray
from analysis.motion.turns import StrokeSettings

MIN_RUN_WITHOUT_ATTACKS = 8
LONGEST_HOLE = 15


def accept_strokes(
    run: IntArray,
    block: IntArray,
    attack: BoolArray | None,
    blocks_known: bool,
    settings: StrokeSettings,
    small: BoolArray | None = None,
) -> BoolArray:
    """Tell strokes of play from other rhythmic motion.

    Where attacks can be seen, play is what has an attack on at least ``attack_share`` of any five strokes. Inside a
    block that the player marked, a regular run of which at least ``soft_share`` have one is measured by its own share,
    and where the whole block is without attacks (silent strokes) every regular run counts. A hole shorter than
    ``LONGEST_HOLE`` strokes inside a run is play too. Inside a marked block a stroke with an attack is play whatever
    stands beside it: of fewer than ``min_run`` at a stretch those with an attack count. Below 150 samples/s attacks
    cannot be seen: runs inside the marked blocks count, or, in a log without blocks, runs of at least eight strokes.
    Small strokes count in runs with attacks only: a hand at rest moves as far.

    Parameters
    ----------
    run : int64 (n,)
        -1 for irregular strokes.
    block : int64 (n,)
        -1 outside every block.
    attack : bool (n,) or None
        None where attacks cannot be seen.
    blocks_known : bool
        Whether the player marked any blocks.
    settings : StrokeSettings
    small : bool (n,), optional
        Strokes shorter than is asked of one by itself.

    Returns
    -------
    bool (n,)
    """
    large = np.ones(run.size, dtype=np.bool_) if small is None else ~small
    keep = (run >= 0) & (_run_length(run) >= settings.min_run)
    few = (run >= 0) & ~keep
    if attack is None:
        return keep & large & _without_attacks(np.where(keep, run, -1), block, blocks_known)
    attacked = np.zeros(run.size, dtype=bool)
    for number in np.unique(run[keep]):
        members = np.flatnonzero(run == number)
        asked = settings.attack_share
        if (block[members] >= 0).mean() > 0.5 and attack[members].mean() >= settings.soft_share:
            asked *= float(attack[members].mean())
        enough = _rolling_share(attack[members], settings.attack_strokes) >= asked
        attacked[members] = binary_closing(enough, np.ones(LONGEST_HOLE, dtype=bool), border_value=0) | enough
        attacked[members] &= _trim_ends(attack[members])
        attacked[members] |= attack[members] & (block[members] >= 0)
    silent = np.zeros(run.size, dtype=bool)
    for number in np.unique(block[keep & (block >= 0)]):
        members = keep & (block == number)
        if attack[members].mean() < settings.soft_share:
            silent |= members
    few &= (block >= 0) & attack
    return (keep & attacked) | (large & (keep & silent | few))


def _run_length(run: IntArray) -> IntArray:
    """Strokes in the run of each stroke."""
    if not (run >= 0).any():
        return np.zeros(run.size, dtype=np.int64)
    return np.asarray(np.bincount(run[run >= 0])[run])


def _without_attacks(run: IntArray, block: IntArray, blocks_known: bool) -> BoolArray:
    if blocks_known:
        inside = np.unique(run[(run >= 0) & (block >= 0)])
        return np.isin(run, inside)
    return np.asarray((run >= 0) & (_run_length(run) >= MIN_RUN_WITHOUT_ATTACKS))


def _rolling_share(attack: BoolArray, width: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    width = min(width, attack.size)
    total = np.concatenate([[0], np.cumsum(attack)])
    first = np.clip(np.arange(attack.size) - width // 2, 0, attack.size - width)
    return np.asarray((total[first + width] - total[first]) / width)


def _trim_ends(attack: BoolArray) -> BoolArray:
    """False before the first and after the last stroke with an attack."""
    keep = np.zeros(attack.size, dtype=bool)
    at = np.flatnonzero(attack)
    if at.size:
        keep[at[0] : at[-1] + 1] = True
    return keep
