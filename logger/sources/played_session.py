"""A session's sensors to be played again together: each on its own clock, and as far from each other as they were."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import FloatArray, RawSamples, SensorProfile, Session, Stream


@dataclass
class SharedStart:
    """When the playing began, and how quick it is: whichever sensor is started first begins it for all."""

    speed: float = 1.0
    _begun_s: float | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def wait_for(self, after_s: float, stopping: threading.Event) -> None:
        """Wait until so many seconds of the session have passed, or until it is stopped."""
        with self._lock:
            if self._begun_s is None:
                self._begun_s = time.monotonic() - after_s / self.speed
        delay_s = self._begun_s + after_s / self.speed - time.monotonic()
        if delay_s > 0.0:
            stopping.wait(delay_s)


def sensor_of(session: Session, role: str) -> Session | Stream:
    """The hand's sensor, which is the session itself, or the first one on the instrument.

    Raises
    ------
    DeviceError
        The session has none there.
    """
    if role == "hand":
        return session
    found = next((stream for stream in session.streams if stream.role == role and stream.raw.ticks.size), None)
    if found is None:
        raise DeviceError(
            f"the session has no sensor on the {role}",
            next_step="name a session with two sensors, or another source",
        )
    return found


def has_instrument(session: Session) -> bool:
    """Whether a sensor on the instrument recorded, too."""
    return any(stream.role == "instrument" and stream.raw.ticks.size for stream in session.streams)


def due_after_s(session: Session, sensor: Session | Stream) -> FloatArray:
    """When each sample of a sensor is due, (n,) seconds after the hand's first.

    By the relation of the clocks where it is known, else by the host's times, else as if both had begun together.
    """
    own = _seconds(sensor.raw, sensor.profile)
    hand = _seconds(session.raw, session.profile)
    if not isinstance(sensor, Stream):
        return np.asarray(own - own[0])
    if sensor.clock is not None:
        return np.asarray(sensor.clock.offset_s + sensor.clock.rate * own - hand[0])
    hosts = [np.flatnonzero(np.isfinite(raw.host_time_s)) for raw in (session.raw, sensor.raw)]
    if all(known.size for known in hosts):
        zeros = [
            float(raw.host_time_s[known[0]]) - float(times[known[0]])
            for raw, times, known in ((session.raw, hand, hosts[0]), (sensor.raw, own, hosts[1]))
        ]
        return np.asarray(own + zeros[1] - zeros[0] - hand[0])
    return np.asarray(own - own[0])


def _seconds(raw: RawSamples, profile: SensorProfile) -> FloatArray:
    return np.asarray(raw.ticks / profile.tick_hz)
