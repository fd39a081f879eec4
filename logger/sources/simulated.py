"""A simulated sensor: a known session, sent as wire-protocol bytes at its own pace, read like a real one."""

from __future__ import annotations

import itertools
import math
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples, SensorProfile, Session, Stream
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.device_profile import G_MPS2, DeviceProfile, load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.messages import Hello, SampleFrame
from logger.sources.packets import MAX_SAMPLES, encode
from logger.sources.played_session import SharedStart, due_after_s, has_instrument, sensor_of
from logger.sources.stream import Arrival, DeviceInfo, LinkChange, Losses

FRAME_S = 0.025
HAND_ID, INSTRUMENT_ID = "5157000000000001", "5157000000000002"
MAX_OFFSET = 2**16 - 1


class WireSource(ABC):
    """A sensor that is only pretended: its bytes are made here, and read as a real one's are.

    Parameters
    ----------
    name : str
        As in "the simulated sensor".
    profile : SensorProfile
    id : str
        Eight bytes as hexadecimal digits.
    """

    def __init__(self, name: str, profile: SensorProfile, id: str = HAND_ID) -> None:
        self.name = name
        self.id = id
        self.finished = threading.Event()
        self._profile = profile
        self._reader = FrameReader(named_profile(profile))
        self._stopping = threading.Event()
        self._sink: Sink | None = None
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    @property
    def losses(self) -> Losses:
        """Losses so far."""
        return self._reader.losses

    @property
    def clock(self) -> DeviceClock:
        """Device time against host time."""
        return self._reader.clock

    @property
    def arrivals(self) -> Sequence[Arrival]:
        """See :class:`logger.sources.base.Source`."""
        return ()

    def companion(self) -> WireSource | None:
        """The sensor on the instrument, to be sent together with this one; None where there is none.

        Returns
        -------
        WireSource or None
        """
        return None

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`.

        Parameters
        ----------
        sink : Sink

        Returns
        -------
        DeviceInfo

        Raises
        ------
        DeviceError
        """
        (info,) = self._reader.feed(encode(hello_of(self._profile, self.id), 0), self._now_s())
        if not isinstance(info, DeviceInfo):
            raise DeviceError(
                f"the {self.name} gave no hello",
                next_step="its session's profile is out of bounds",
            )
        self._sink = sink
        sink([LinkChange(True, self._now_s()), info])
        self._thread.start()
        return info

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)

    def _now_s(self) -> float:
        return steady_time_s()

    @abstractmethod
    def _run(self) -> None:
        """Send, on a thread of its own, until told to stop."""


class SimulatedSource(WireSource):
    """Samples of a session's sensor, at ``speed`` times their pace, over and over if ``repeat``.

    Parameters
    ----------
    session : Session
    speed : float
        ``inf`` sends without waiting.
    repeat : bool
        Go on from the start at the end; times and numbers go on rising.
    role : {"hand", "instrument"}
        Which of its sensors.
    of : SimulatedSource, optional
        The hand's, to be sent together with.
    """

    def __init__(
        self,
        session: Session,
        speed: float = 1.0,
        repeat: bool = False,
        role: str = "hand",
        of: SimulatedSource | None = None,
    ) -> None:
        self._sensor = sensor_of(session, role)
        hand = role == "hand"
        name = "simulated sensor" if hand else f"simulated sensor on the {role}"
        super().__init__(name, self._sensor.profile, HAND_ID if hand else INSTRUMENT_ID)
        self.session = session
        self._repeat = repeat
        self._start: SharedStart = SharedStart(speed) if of is None else of._start

    def companion(self) -> SimulatedSource | None:
        """The sensor on the instrument, to be sent together with this one; None where the session has none."""
        if not has_instrument(self.session):
            return None
        return SimulatedSource(self.session, repeat=self._repeat, role="instrument", of=self)

    def _run(self) -> None:
        sensor = within_lap(self.session, self._sensor) if self._repeat else self._sensor
        raw, profile = sensor.raw, sensor.profile
        first_s = float(due_after_s(self.session, sensor)[0])
        rate = self._sensor.clock.rate if isinstance(self._sensor, Stream) and self._sensor.clock else 1.0
        for tick, wire in session_frames(sensor, self._repeat, lap_s(self.session) / rate):
            after_s = first_s + rate * (tick - int(raw.ticks[0])) / profile.tick_hz
            self._start.wait_for(after_s, self._stopping)
            if self._stopping.is_set():
                return
            items = self._reader.feed(wire, steady_time_s())
            if self._sink is not None:
                self._sink(items)
        self.finished.set()


def within_lap(session: Session, sensor: Session | Stream) -> Session | Stream:
    """A further sensor without what it sent after the hand's last sample, so that both begin a new lap together."""
    if not isinstance(sensor, Stream):
        return sensor
    rate = 1.0 if sensor.clock is None else sensor.clock.rate
    due_s = due_after_s(session, sensor)
    kept = due_s - due_s[0] <= lap_s(session) - rate / sensor.profile.rate_hz
    raw = sensor.raw
    return replace(sensor, raw=RawSamples(raw.ticks[kept], raw.sequence[kept], raw.host_time_s[kept], raw.counts[kept]))


def lap_s(session: Session) -> float:
    """Length of a session that is sent over and over: the hand's samples, and a period to the next first one."""
    raw, profile = session.raw, session.profile
    step = round(profile.tick_hz / profile.rate_hz)
    return float(int(raw.ticks[-1] - raw.ticks[0]) + step) / profile.tick_hz


def session_frames(
    sensor: Session | Stream, repeat: bool = False, again_after_s: float | None = None
) -> Iterator[tuple[int, bytes]]:
    """Yield a sensor's samples as wire frames, each with the tick at which it is due to be sent.

    With ``repeat`` they begin again after so many of its own seconds, or after its own length.

    Raises
    ------
    DeviceError
        If the counts do not fit the protocol's 16 bits.
    """
    raw, profile = sensor.raw, sensor.profile
    if len(raw.ticks) == 0 or np.abs(raw.counts).max(initial=0) > 32768 or raw.counts.max(initial=0) > 32767:
        raise DeviceError("this session cannot be sent as a sensor would: it is empty or its counts exceed 16 bits")
    counts = raw.counts.astype(np.int16)
    edges = _frame_edges(raw.ticks, raw.sequence, profile)
    span = int(raw.ticks[-1] - raw.ticks[0]) + round(profile.tick_hz / profile.rate_hz)
    numbers = int(raw.sequence[-1] - raw.sequence[0]) + 1
    if again_after_s is not None:
        longer = max(0, round(again_after_s * profile.tick_hz) - span)
        span += longer
        numbers += round(longer * profile.rate_hz / profile.tick_hz)
    lap = frame_number = 0
    while lap == 0 or repeat:
        for start, stop in itertools.pairwise(edges):
            ticks = raw.ticks[start:stop] + lap * span
            frame = SampleFrame(
                int(raw.sequence[start] + lap * numbers) % 2**32,
                int(ticks[0]) % 2**32,
                (ticks - ticks[0]).astype(np.uint16),
                counts[start:stop],
            )
            frame_number += 1
            yield int(ticks[-1]), encode(frame, frame_number)
        lap += 1


def _frame_edges(ticks: np.ndarray, sequence: np.ndarray, profile: SensorProfile) -> list[int]:
    """Where frames start and end: whole runs of numbers, at most 25 ms and 16 samples long."""
    longest = min(FRAME_S * profile.tick_hz, MAX_OFFSET)
    edges = [0]
    for i in range(1, len(ticks)):
        first = edges[-1]
        if i - first >= MAX_SAMPLES or sequence[i] != sequence[i - 1] + 1 or ticks[i] - ticks[first] > longest:
            edges.append(i)
    return [*edges, len(ticks)]


def hello_of(profile: SensorProfile, id: str = HAND_ID) -> Hello:
    """Return the hello that a sensor of this profile would send.

    Parameters
    ----------
    profile : SensorProfile
    id : str
        Eight bytes as hexadecimal digits.

    Returns
    -------
    Hello
        Ranges in g and deg/s.
    """
    accel, gyro = profile.accel_mps2_per_count / G_MPS2, math.degrees(profile.gyro_radps_per_count)
    return Hello(
        tick_bits=32,
        tick_hz=round(profile.tick_hz),
        rate_hz=profile.rate_hz,
        accel_range_g=max(1, round(accel * (profile.accel_clip_counts or 32768))),
        gyro_range_dps=max(1, round(gyro * (profile.gyro_clip_counts or 32768))),
        accel_g_per_count=accel,
        gyro_dps_per_count=gyro,
        axes=(1, 2, 3),
        boot=1,
        id=id,
        part=(profile.part or "simulated")[:32],
        firmware="simulated",
    )


def named_profile(profile: SensorProfile) -> DeviceProfile:
    """Return a device profile that keeps what a hello cannot say: the noise densities."""
    return replace(load_profile("frames"), sensor=profile)
