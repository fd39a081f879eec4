"""The same samples stamped by other clocks: what untidy logs hold where a sensor's own ticks should stand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from analysis.model.records import FloatArray, IntArray, Session

PACKET = 8
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
    last = _packet_ends(time_s)
    late = SLOT_S * rng.choice(3, p=(0.94, 0.05, 0.01), size=last.size)
    arrived = np.ceil(last / SLOT_S) * SLOT_S + late + rng.exponential(3e-4, size=last.size)
    return np.repeat(np.maximum.accumulate(arrived), PACKET)[: time_s.size]


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
}


def stamped(session: Session, clock: str, seed: int = 0) -> Session:
    """The session with its samples stamped by another clock; nothing else changes."""
    stamp = CLOCKS[clock]
    if stamp is None:
        return session
    hz = session.profile.tick_hz
    time_s = stamp(session.raw.ticks / hz, np.random.default_rng(seed))
    ticks: IntArray = np.rint(time_s * hz).astype(np.int64)
    return replace(session, raw=replace(session.raw, ticks=ticks))
