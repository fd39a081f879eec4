"""How two clocks lie to each other by what both sensors feel: attacks of the plectrum, raps on the body.

Both envelopes of the fast acceleration are laid over each other, chunk by chunk of the session. Strokes repeat, so
that a lag is looked for only within ``SEARCH_S``; a robust line through the chunks' lags gives offset and skew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from analysis.model.records import FloatArray
from analysis.model.session_parts import ClockRelation
from analysis.signal.working_grid import Signals

SEARCH_S = 0.06
CHUNK_S = 10.0
STEP_S = 0.001
CLEAR = 5.0
"""Height of a chunk's peak over the scatter of its correlation elsewhere, from which it counts."""
LEAST_DOUBT_S = 0.0005
JUMP_S = 0.006
SKEW_FROM_S = 60.0


@dataclass(frozen=True)
class ClockRefinement:
    """A clock's relation to the hand's by what both felt.

    Attributes
    ----------
    clock : ClockRelation
        Refined; its ``residual_s`` is the doubt that is left.
    offset_s, skew : float
        By how much the relation was moved in the middle of the session, and turned.
    chunks : int
        Chunks that told a lag.
    jumped_s : float or None
        Hand's time about which the clocks jumped against each other.
    """

    clock: ClockRelation
    offset_s: float
    skew: float
    chunks: int
    jumped_s: float | None = None


def refine_clock(hand: Signals, instrument: Signals, clock: ClockRelation, doubt_s: float) -> ClockRefinement:
    """Refine how the instrument's clock lies to the hand's.

    Parameters
    ----------
    hand, instrument : Signals
        Each on its own grid, with attacks at the full rate.
    clock : ClockRelation
        By the host's stamps.
    doubt_s : float
        How far that may be off.

    Returns
    -------
    ClockRefinement
        Unchanged where too few chunks tell, or a sensor is too slow for attacks.
    """
    unchanged = ClockRefinement(ClockRelation(clock.offset_s, clock.rate, doubt_s), 0.0, 0.0, 0)
    if hand.fine_attack_mps2 is None or instrument.fine_attack_mps2 is None:
        return unchanged
    at_s, lag_s = _lags(hand, instrument, clock)
    if at_s.size < 2:
        return unchanged
    jumped = _jump(at_s, lag_s)
    middle = float(np.median(at_s))
    skew = _slope(at_s, lag_s) if np.ptp(at_s) > SKEW_FROM_S and at_s.size > 3 and jumped is None else 0.0
    left = lag_s - skew * (at_s - middle)
    lag = float(np.median(left))
    spread = 1.4826 * float(np.median(np.abs(left - lag)))
    doubt = max(LEAST_DOUBT_S, 1.25 * spread / np.sqrt(at_s.size)) if jumped is None else float(np.ptp(left))
    # The instrument's own time t_i is met at offset + rate t_i; what it felt there the hand felt ``lag`` earlier.
    rate = clock.rate * (1.0 - skew)
    offset = clock.offset_s - lag + skew * (middle - clock.offset_s)
    return ClockRefinement(ClockRelation(offset, rate, doubt), lag, skew, int(at_s.size), jumped)


def _lags(hand: Signals, instrument: Signals, clock: ClockRelation) -> tuple[FloatArray, FloatArray]:
    """Times of the chunks that tell, and by how much later the instrument's time has what the hand felt."""
    first, last = hand.grid.start_s, hand.grid.end_s
    at_s, lag_s = [], []
    for start in np.arange(first, last - 0.5 * CHUNK_S, CHUNK_S):
        times = np.arange(start, min(start + CHUNK_S, last), STEP_S)
        felt = _envelope(hand, times)
        theirs = _envelope(instrument, (times - clock.offset_s) / clock.rate)
        lag = _lag(felt, theirs)
        if lag is not None:
            at_s.append(float(times.mean()))
            lag_s.append(lag)
    return np.array(at_s), np.array(lag_s)


def _envelope(signals: Signals, times_s: FloatArray) -> FloatArray:
    """Logarithm of the envelope at times, over its median; flat outside the log."""
    fine = signals.fine_attack_mps2
    if fine is None:
        return np.zeros(times_s.size)
    at = signals.grid.position_at(times_s) * signals.factor
    usual = max(float(np.median(fine)), 1e-6)
    inside = (at >= 0) & (at <= fine.size - 1)
    low = np.clip(at.astype(np.int64), 0, fine.size - 2)
    value = fine[low] + (at - low) * (fine[low + 1] - fine[low])
    return np.where(inside, np.log1p(np.maximum(value, 0.0) / (3.0 * usual)), 0.0)


def _lag(felt: FloatArray, theirs: FloatArray) -> float | None:
    felt, theirs = felt - felt.mean(), theirs - theirs.mean()
    scale = float(np.linalg.norm(felt) * np.linalg.norm(theirs))
    if scale <= 0.0:
        return None
    reach = round(SEARCH_S / STEP_S)
    size = fft.next_fast_len(felt.size + 8 * reach, real=True)
    curve = fft.irfft(np.conj(fft.rfft(felt, size)) * fft.rfft(theirs, size), size) / scale
    near = np.concatenate([curve[-4 * reach :], curve[: 4 * reach + 1]])
    best = int(np.argmax(near[3 * reach : 5 * reach + 1])) + 3 * reach
    apart = np.abs(np.arange(near.size) - best) > 12
    if near[best] - near[apart].mean() < CLEAR * near[apart].std() or not 3 * reach < best < 5 * reach:
        return None
    left, middle, right = near[best - 1 : best + 2]
    bend = left - 2 * middle + right
    part = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((best + part - 4 * reach) * STEP_S)


def _slope(at_s: FloatArray, lag_s: FloatArray) -> float:
    """Median of the slopes between all pairs that lie well apart (Theil and Sen)."""
    first, second = np.triu_indices(at_s.size, 1)
    apart = at_s[second] - at_s[first]
    far = apart > 0.3 * np.ptp(at_s)
    return float(np.median((lag_s[second] - lag_s[first])[far] / apart[far]))


def _jump(at_s: FloatArray, lag_s: FloatArray) -> float | None:
    """Where the lags before and after differ by far more than they scatter."""
    best, found = JUMP_S, None
    for k in range(1, at_s.size):
        before, after = lag_s[:k], lag_s[k:]
        leap = abs(float(np.median(after) - np.median(before)))
        scatter = float(np.concatenate([np.abs(part - np.median(part)) for part in (before, after)]).mean())
        if leap > max(best, 4.0 * scatter):
            best, found = leap, 0.5 * float(at_s[k - 1] + at_s[k])
    return found
