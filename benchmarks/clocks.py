"""The same samples stamped by other clocks: what untidy logs hold where a sensor's own ticks should stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.model.records import BoolArray, FloatArray, IntArray, RawSamples, Session

PACKET = 8
VARIED = (2, 12)
VARIED_LOST = 0.03
"""Fewest and most samples of packets that vary in size, and how many of these are lost."""
VARIED_SEED = 17
SLOT_S = 0.015
"""A radio that hands over packets of eight samples at its connection's next moment, every 15 ms."""

Clock = Callable[[FloatArray, np.random.Generator], FloatArray]


def jittered(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Stamps that scatter by 15 % of a period, in order."""
    period = float(np.median(np.diff(time_s)))
    return np.maximum.accumulate(time_s + 0.15 * period * rng.normal(size=time_s.size))


def milliseconds(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Stamps cut to whole milliseconds."""
    del rng
    return np.floor(1e3 * time_s) / 1e3


def packets(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One stamp a packet: when the host got it, now and then a slot or two later, and a little of its own."""
    return np.repeat(_arrivals(_packet_ends(time_s), rng), PACKET)[: time_s.size]


def varied_packets(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """The same with packets of 2 to 12 samples."""
    number = _varied(time_s.size, np.random.default_rng(VARIED_SEED))
    ends = np.flatnonzero(np.diff(number, append=number[-1] + 1))
    return _arrivals(time_s[ends], rng)[number]


def _arrivals(sent_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """When the host gets packets that were ready at these times."""
    late = SLOT_S * rng.choice(3, p=(0.94, 0.05, 0.01), size=sent_s.size)
    arrived = np.ceil(sent_s / SLOT_S) * SLOT_S + late + rng.exponential(3e-4, size=sent_s.size)
    return np.asarray(np.maximum.accumulate(arrived))


def _varied(samples: int, rng: np.random.Generator) -> IntArray:
    """Number of each sample's packet."""
    sizes = rng.integers(VARIED[0], VARIED[1] + 1, size=samples // VARIED[0] + 1)
    return np.repeat(np.arange(sizes.size), sizes)[:samples]


def back_dated(time_s: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Packets whose samples were spread backwards from the arrival at the nominal period: stamps overlap."""
    period = 1.0 / round(1.0 / float(np.median(np.diff(time_s))))
    arrived = packets(time_s, rng)
    return arrived - period * (PACKET - 1 - np.arange(time_s.size) % PACKET)


def _packet_ends(time_s: FloatArray) -> FloatArray:
    padded = np.append(time_s, np.full(-time_s.size % PACKET, time_s[-1]))
    return np.asarray(padded[PACKET - 1 :: PACKET])


CLOCKS: dict[str, Clock | None] = {
    "ticks": None,
    "jittered": jittered,
    "host packets": packets,
    "back-dated": back_dated,
    "milliseconds": milliseconds,
    "varied packets": varied_packets,
}


def stamped(session: Session, clock: str, seed: int = 0) -> Session:
    """The session with its samples stamped by another clock; only packets of varied size are also lost."""
    stamp = CLOCKS[clock]
    if stamp is None:
        return session
    hz = session.profile.tick_hz
    time_s = stamp(session.raw.ticks / hz, np.random.default_rng(seed))
    ticks: IntArray = np.rint(time_s * hz).astype(np.int64)
    raw = replace(session.raw, ticks=ticks)
    if stamp is varied_packets:
        raw = without_samples(raw, varied_losses(ticks.size, np.random.default_rng(seed + 1)))
    return replace(session, raw=raw)


def varied_losses(samples: int, rng: np.random.Generator) -> BoolArray:
    """Samples whose packet, of those of :func:`varied_packets`, is lost; never the first nor the last."""
    number = _varied(samples, np.random.default_rng(VARIED_SEED))
    lost = rng.random(int(number[-1]) + 1) < VARIED_LOST
    lost[[0, -1]] = False
    return np.asarray(lost[number])


def without_samples(raw: RawSamples, lost: BoolArray) -> RawSamples:
    """The samples that are not lost."""
    keep = ~lost
    return RawSamples(raw.ticks[keep], raw.sequence[keep], raw.host_time_s[keep], raw.counts[keep])
