r"""Which packets of a host's stream were lost, where packets vary in size: the likeliest course of all losses.

Packet ``i`` is handed over at some moment. In periods of the sensor, less the rows counted so far, this is
:math:`m_i + d_i`: the samples lost so far, which never fall, and how late the packet is. Where samples are missing,
motion also bends more sharply than between neighbours. Lost packets are taken to be as large as those that came, and
to bend the signals as they bend where one that came is left out. How late packets are is learnt from the course
before. The likeliest course is found by dynamic programming [1]_. Its states are few: what was lost cannot be more
than any later packet's :math:`m + d`.

References
----------
.. [1] Forney, The Viterbi algorithm, Proc. IEEE 61, 1973, 268-278.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.model.records import CountArray, FloatArray, FloatArray32, IntArray
from analysis.signal.pieces import pieces

ROUNDS = 3
"""Courses from which delays and losses are learnt, before the last one."""
LEARNT_PACKETS = 8192
MOST_LATE = 40
"""Samples; later packets are all alike, and so are larger losses."""
MOST_STATES = 33
PER_SAMPLE = 4
"""Delays are told apart to this part of a sample."""
RARE = 1e-4
"""Probability of what never happened yet."""
LOCAL_PACKETS = 9
"""Over so many the usual bend is taken."""
BENDS = np.arange(-6.0, 10.5, 0.5)
"""Borders of the classes of bends: binary logarithms, against the usual one."""
STRIPS = 64
OVERLAP = 64
"""A log is cut into strips, which are solved side by side; they overlap by this many packets."""


@dataclass(frozen=True)
class _Costs:
    """Negative logarithms of probabilities: of a delay by parts of a sample, of losing so many samples."""

    late: FloatArray
    lost: FloatArray


def cost_of_bends(counts: CountArray, ends: IntArray) -> FloatArray:
    """What the signals say against a loss before each packet.

    Parameters
    ----------
    counts : int (n, k)
        Axes of one sensor, rows in order.
    ends : int64 (m,)
        Last row of each packet, m > 2.

    Returns
    -------
    float64 (m,)
        Log odds that such a bend is seen where nothing is missing; 0 where nothing can be told.
    """
    bend = np.zeros(len(counts), dtype=np.float32)
    for part in pieces(len(counts) - 2):
        rows = counts[part.start : part.stop + 2]
        bend[part.start + 1 : part.stop + 1] = _bend(rows[:-2], rows[1:-1], rows[2:])
    last, first = ends[:-1], ends[:-1] + 1
    at_border = bend[last]
    inside = np.ones(len(counts), dtype=bool)
    inside[last] = inside[first] = inside[[0, -1]] = False
    bend[~inside] = 0.0
    sizes = np.diff(ends, prepend=-1)
    total = _locally(np.add.reduceat(bend, np.append(0, first)).astype(np.float64))
    usual = total / np.maximum(_locally(np.maximum(sizes - 2.0, 0.0)), 0.1) + 0.5
    # What a loss looks like is seen by leaving out a packet that came.
    left_out = _bend(counts[last[:-1] - 1], counts[last[:-1]], counts[last[1:] + 1])
    bend /= np.repeat(usual.astype(np.float32), sizes)
    lossless = _classes(bend)[inside]
    odds = _log_shares(lossless) - _log_shares(_classes(left_out / usual[:-2]))
    return np.concatenate([[0.0], odds[_classes(at_border / usual[:-1])]])


def _locally(values: FloatArray) -> FloatArray:
    """Mean over the packets around each."""
    return np.asarray(uniform_filter1d(values, LOCAL_PACKETS), dtype=np.float64)


def _bend(before: CountArray, at: CountArray, after: CountArray) -> FloatArray32:
    """Length of the second difference of three neighbours (n, k) each."""
    second = before.astype(np.float32) + after - 2.0 * at.astype(np.float32)
    return np.asarray(np.sqrt((second * second).sum(axis=1)))


def _classes(bends: FloatArray | FloatArray32) -> IntArray:
    """Class of each bend, given against the usual one."""
    power = np.clip(np.log2(bends + 2.0 ** BENDS[0]), BENDS[0], BENDS[-1] - 1e-3)
    return np.asarray((power - BENDS[0]) / (BENDS[1] - BENDS[0]), dtype=np.int64)


def _log_shares(classes: IntArray) -> FloatArray:
    """Logarithm of the share of each class, a little smoothed."""
    count = np.bincount(classes, minlength=BENDS.size - 1) + 0.5
    count = np.convolve(count, [0.25, 0.5, 0.25], "same")
    return np.asarray(np.log(count / count.sum()))


def place_losses(arrived: FloatArray, sizes: IntArray, against: FloatArray) -> IntArray:
    """Samples lost before each packet.

    Parameters
    ----------
    arrived : float64 (n,)
        When packets were handed over, in periods, less the number of their last row. Prompt ones stand near integers.
    sizes : int64 (n,)
        Samples in each packet.
    against : float64 (n,)
        What else speaks against a loss before it: log odds.

    Returns
    -------
    int64 (n,)
        Not falling.

    Examples
    --------
    >>> late = np.tile([0.0, 3.1, 1.2, 4.3, 2.4, 5.0, 0.2], 40)
    >>> lost = np.repeat([0, 4], 140)
    >>> bool((place_losses(late + lost, np.tile([4, 5, 6, 5], 70), np.zeros(280)) == lost).all())
    True
    """
    most = np.floor(np.minimum.accumulate(arrived[::-1])[::-1] + 0.5).astype(np.int64)
    states = min(MOST_STATES, max(8, int(sizes.max())) + 1)
    some = slice(max(0, (arrived.size - LEARNT_PACKETS) // 2), (arrived.size + LEARNT_PACKETS) // 2)
    lost = most[some]
    for _ in range(ROUNDS):
        costs = _learn(arrived[some], lost, sizes[some])
        lost = _likeliest(arrived[some], most[some], against[some], costs, states)
    return _likeliest(arrived, most, against, _learn(arrived[some], lost, sizes[some]), states)


def _learn(arrived: FloatArray, lost: IntArray, sizes: IntArray) -> _Costs:
    """Costs of delays and of losses, from a course."""
    late = np.bincount(_late_bin(arrived - lost), minlength=(MOST_LATE + 1) * PER_SAMPLE).astype(np.float64)
    late = np.convolve(late, np.full(PER_SAMPLE, 1.0 / PER_SAMPLE), "same")
    late = late / late.sum() + RARE / PER_SAMPLE
    late[0] = RARE * RARE  # earlier than prompt
    share = max(float((np.diff(lost) > 0).mean()), RARE)
    one = np.bincount(sizes[sizes <= MOST_LATE], minlength=MOST_LATE + 1) / sizes.size
    size, several = share * one, one
    for number in range(2, 5):  # packets lost in a row
        several = np.convolve(several, one)[: MOST_LATE + 1]
        size = size + share**number * several
    size = size + RARE * share
    size[0] = 1.0 - share
    return _Costs(-np.log(late / late.sum()), -np.log(size))


def _late_bin(late: FloatArray) -> IntArray:
    """Places in the table of delays; the first is for those that cannot be."""
    return np.clip(np.floor((late + 0.5) * PER_SAMPLE).astype(np.int64) + 1, 0, (MOST_LATE + 1) * PER_SAMPLE - 1)


def _likeliest(arrived: FloatArray, most: IntArray, against: FloatArray, costs: _Costs, states: int) -> IntArray:
    """The likeliest course of losses, each up to ``states - 1`` below the ``most`` it can be."""
    edges = np.linspace(0, arrived.size, max(1, min(STRIPS, arrived.size // (4 * OVERLAP))) + 1).astype(np.int64)
    length = min(arrived.size, int(np.diff(edges).max()) + 2 * OVERLAP)
    first = np.clip(edges[:-1] - OVERLAP, 0, arrived.size - length)
    below = np.arange(states)
    came_from = np.zeros((length, first.size, states), dtype=np.int8)
    cost = np.zeros((first.size, states))
    for step in range(length):
        at = first + step
        if step:
            more = (below[:, None] - below) + (most[at] - most[at - 1])[:, None, None]
            total = costs.lost[np.clip(more, 0, MOST_LATE)] + cost[:, :, None]
            total += np.where(more > 0, against[at][:, None, None], np.where(more < 0, np.inf, 0.0))
            came_from[step] = best = total.argmin(axis=1)
            cost = np.take_along_axis(total, best[:, None], axis=1)[:, 0]
        cost = cost + costs.late[_late_bin((arrived[at] - most[at])[:, None] + below)]
    state = cost.argmin(axis=1)
    found = np.empty((length, first.size), dtype=np.int64)
    for step in reversed(range(length)):
        found[step] = most[first + step] - state
        state = came_from[step, np.arange(first.size), state].astype(np.int64)
    strips = zip(pairwise(edges.tolist()), first.tolist(), found.T, strict=True)
    return np.maximum.accumulate(np.concatenate([course[a - start : b - start] for (a, b), start, course in strips]))
