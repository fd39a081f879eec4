"""How two clocks lie to each other by what both sensors feel: attacks of the plectrum, raps on the body.

Both envelopes of the fast acceleration are laid over each other, chunk by chunk of the session. Strokes repeat, so
that a lag is looked for only within ``SEARCH_S``; a robust line through the chunks' lags gives offset and skew.

A clock that jumped shows in the chunks before and after it, laid over each other by all of them together: no two
strokes come at quite the same distance, so that many of them tell a lag up to ``WIDE_S``.
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
LIKE_RATES, UNLIKE_DOUBT_S = 1.05, 0.002
"""At unlike rates the envelope's filter delays one sensor's attacks otherwise than the other's."""
JUMP_S = 0.006
WIDE_S = 2.5
FAR_S = 0.1
"""What comes after a wider jump is as if the sensor had fallen silent."""
SHARPER = 1.15
"""A jump is believed where both parts, each at its own lag, agree by so much more than all at one."""
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
    jump_s : float
        By how much; 0 where they did not.
    """

    clock: ClockRelation
    offset_s: float
    skew: float
    chunks: int
    jumped_s: float | None = None
    jump_s: float = 0.0

    @property
    def until_s(self) -> float:
        """Hand's time after which the instrument is not known: a jump that is no small error of a clock's."""
        return np.inf if self.jumped_s is None or abs(self.jump_s) < FAR_S else self.jumped_s


@dataclass(frozen=True)
class _Chunks:
    """Middles (m,) of the session's chunks, and both envelopes' products (m, k) at lags of ``STEP_S`` about 0."""

    at_s: FloatArray
    curves: FloatArray


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
    chunks = _compare(hand, instrument, clock)
    jump = _jump(chunks)
    if jump is not None:
        before_s, size_s, jumped_s = jump
        apart_s = abs(size_s) if abs(size_s) < FAR_S else 0.0
        met = ClockRelation(clock.offset_s - before_s, clock.rate, max(doubt_s, apart_s))
        return ClockRefinement(met, before_s, 0.0, chunks.at_s.size, jumped_s, size_s)
    at_s, lag_s = _lags(chunks)
    if at_s.size < 2:
        return unchanged
    middle = float(np.median(at_s))
    skew = _slope(at_s, lag_s) if np.ptp(at_s) > SKEW_FROM_S and at_s.size > 3 else 0.0
    left = lag_s - skew * (at_s - middle)
    lag = float(np.median(left))
    spread = 1.4826 * float(np.median(np.abs(left - lag)))
    rates_hz = [signals.grid.rate_hz * signals.factor for signals in (hand, instrument)]
    least_s = LEAST_DOUBT_S if max(rates_hz) < LIKE_RATES * min(rates_hz) else UNLIKE_DOUBT_S
    doubt = max(least_s, 1.25 * spread / np.sqrt(at_s.size))
    # The instrument's own time t_i is met at offset + rate t_i; what it felt there the hand felt ``lag`` earlier.
    rate = clock.rate * (1.0 - skew)
    offset = clock.offset_s - lag + skew * (middle - clock.offset_s)
    return ClockRefinement(ClockRelation(offset, rate, doubt), lag, skew, int(at_s.size))


def _compare(hand: Signals, instrument: Signals, clock: ClockRelation) -> _Chunks:
    first, last = hand.grid.start_s, hand.grid.end_s
    at_s, curves = [], []
    for start in np.arange(first, last - 0.5 * CHUNK_S, CHUNK_S):
        times = np.arange(start, min(start + CHUNK_S, last), STEP_S)
        felt = _envelope(hand, times)
        theirs = _envelope(instrument, (times - clock.offset_s) / clock.rate)
        at_s.append(float(times.mean()))
        curves.append(_products(felt - felt.mean(), theirs - theirs.mean()))
    return _Chunks(np.array(at_s), np.array(curves).reshape(len(at_s), 2 * round(WIDE_S / STEP_S) + 1))


def _products(felt: FloatArray, theirs: FloatArray) -> FloatArray:
    reach = round(WIDE_S / STEP_S)
    size = fft.next_fast_len(felt.size + reach, real=True)
    curve = fft.irfft(np.conj(fft.rfft(felt, size)) * fft.rfft(theirs, size), size)
    return np.concatenate([curve[-reach:], curve[: reach + 1]])


def _lags(chunks: _Chunks) -> tuple[FloatArray, FloatArray]:
    """Times of the chunks that tell, and by how much later the instrument's time has what the hand felt."""
    at_s, lag_s = [], []
    for time_s, curve in zip(chunks.at_s, chunks.curves, strict=True):
        lag = _lag(curve, SEARCH_S, 4 * SEARCH_S)
        if lag is not None:
            at_s.append(time_s)
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


def _lag(curve: FloatArray, search_s: float, beside_s: float) -> float | None:
    """Where a curve has its peak within ``search_s``; None where that does not stand out of what is beside it."""
    middle_at = curve.size // 2
    reach, wide = round(search_s / STEP_S), min(round(beside_s / STEP_S), middle_at)
    near = curve[middle_at - wide : middle_at + wide + 1]
    best = int(np.argmax(near[wide - reach : wide + reach + 1])) + wide - reach
    apart = np.abs(np.arange(near.size) - best) > 12
    scatter = float(near[apart].std())
    edge = not wide - reach < best < wide + reach
    if edge or scatter <= 0.0 or near[best] - near[apart].mean() < CLEAR * scatter:
        return None
    left, middle, right = near[best - 1 : best + 2]
    bend = left - 2 * middle + right
    part = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((best + part - wide) * STEP_S)


def _slope(at_s: FloatArray, lag_s: FloatArray) -> float:
    """Median of the slopes between all pairs that lie well apart (Theil and Sen)."""
    first, second = np.triu_indices(at_s.size, 1)
    apart = at_s[second] - at_s[first]
    far = apart > 0.3 * np.ptp(at_s)
    return float(np.median((lag_s[second] - lag_s[first])[far] / apart[far]))


def _jump(chunks: _Chunks) -> tuple[float, float, float] | None:
    """Lag before a jump of the clocks, its size, and about when; None where there is none."""
    total = np.cumsum(chunks.curves, axis=0)
    best, found = SHARPER * float(total[-1].max(initial=0.0)) if len(total) else 0.0, None
    for k in range(1, len(total)):
        before, after = total[k - 1], total[-1] - total[k - 1]
        height = float(before.max() + after.max())
        if height <= best:
            continue
        lags = [_lag(part, WIDE_S, WIDE_S) for part in (before, after)]
        if lags[0] is not None and lags[1] is not None and abs(lags[1] - lags[0]) > JUMP_S:
            best, found = height, (lags[0], lags[1] - lags[0], 0.5 * float(chunks.at_s[k - 1] + chunks.at_s[k]))
    return found
