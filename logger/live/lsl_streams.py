"""What is being recorded, handed to other programs over the Lab Streaming Layer while it is recorded.

Three streams: the samples in SI units, with the stored calibration applied; marks, where an event begins or ends; and
strokes, where something measures them live. All are stamped with the layer's own clock: a sample with the moment at
which it was taken (by the fit of the device's clock), less only the link's shortest delay, which cannot be seen from
one side. Nothing is filled in: where samples are missing, the stamps leave a gap.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Calibration, Event, RawSamples, SensorProfile
from analysis.signal.si_units import counts_to_si
from logger.files.missing_package import missing_package
from logger.live.protocol import ServerMessage, Stroke, Strokes
from logger.record.even_time import EvenTime
from logger.sources.base import Source, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.stream import DeviceInfo, Item

if TYPE_CHECKING:
    from types import ModuleType

    from logger.record.recorder import Edge

SAMPLES, MARKS, STROKES = "strokeplane samples", "strokeplane marks", "strokeplane strokes"
# Types of channels as in the Motion extension of BIDS.
SAMPLE_CHANNELS = tuple(
    (f"{name}_{axis}", unit, kind)
    for name, unit, kind in (("acc", "m/s^2", "ACC"), ("gyr", "rad/s", "GYRO"))
    for axis in "xyz"
)
STROKE_CHANNELS = (
    ("down", "1 down, 0 up", "MISC"),
    ("tilt", "deg", "MISC"),
    ("span", "mm", "MISC"),
    ("lift", "mm", "MISC"),
    ("duration", "s", "MISC"),
    ("against_hand", "1 yes, 0 no", "MISC"),
)
BRACKETS = 3
ARRIVAL_S = 0.3


def load_pylsl() -> ModuleType:
    """Return the layer's package.

    Raises
    ------
    InputError
        It is not installed, or not whole.
    """
    try:
        import pylsl
    except ModuleNotFoundError as error:
        raise missing_package("streaming", "pylsl", "lsl") from error
    except (OSError, RuntimeError) as error:
        raise InputError(
            "streaming needs liblsl, the library beneath pylsl, which was not found",
            next_step="install it for this system",
        ) from error
    module: ModuleType = pylsl
    return module


class LslStreams:
    """Outlets of one recording; a listener of the recorder. Until :meth:`open` nothing is sent.

    Raises
    ------
    InputError
        pylsl is not installed.
    """

    def __init__(self) -> None:
        self._lsl = load_pylsl()
        self._time = EvenTime(DeviceClock(), time.monotonic)
        self._sensor: SensorProfile | None = None
        self._calibration = Calibration()
        self._outlets: dict[str, Any] = {}

    def open(self, source: Source, info: DeviceInfo, calibration: Calibration, strokes: bool = False) -> None:
        """Offer the streams.

        Parameters
        ----------
        source : Source
            Its clock holds device seconds against :func:`logger.sources.base.steady_time_s`.
        info : DeviceInfo
        calibration : Calibration
        strokes : bool
            Whether strokes will be measured.
        """
        sensor = info.profile.sensor
        # The same for the same sensor, so that whoever listens finds it again after a break.
        identity = info.hello.id if info.hello else sensor.name
        self._time = EvenTime(source.clock, time.monotonic)
        self._sensor, self._calibration = sensor, calibration
        self._offer(SAMPLES, "MoCap", SAMPLE_CHANNELS, identity, sensor.rate_hz)
        self._offer(MARKS, "Markers", (("mark", "", "MISC"),), identity)
        if strokes:
            self._offer(STROKES, "Strokes", STROKE_CHANNELS, identity)

    def close(self) -> None:
        """Withdraw the streams, once what is under way has had time to arrive."""
        if any(outlet.have_consumers() for outlet in self._outlets.values()):
            time.sleep(ARRIVAL_S)
        self._outlets.clear()

    def __call__(self, items: Sequence[Item]) -> None:
        """Send samples; on the source's thread."""
        outlet, sensor = self._outlets.get(SAMPLES), self._sensor
        if outlet is None or sensor is None:
            return
        for item in items:
            if isinstance(item, RawSamples) and len(item.ticks):
                stamps = self._time.place_next(item.ticks / sensor.tick_hz)
                if stamps is not None:
                    si = counts_to_si(item.counts, sensor, self._calibration)
                    outlet.push_chunk(np.ascontiguousarray(si.T), list(stamps + self._host_to_layer_s()))

    def mark(self, edge: Edge, event: Event) -> None:
        """Send that an event begins or ends, or (``at``) where it stands, as JSON.

        Parameters
        ----------
        edge : Edge
        event : Event
        """
        outlet = self._outlets.get(MARKS)
        at_s = self._time.place(event.end_s if edge == "end" else event.start_s)
        if outlet is None or at_s is None:
            return
        told = {
            name: value
            for name in ("kind", "label", "posture", "tempo_bpm", "notes_per_beat", "drill", "wanted", "rating")
            if (value := getattr(event, name)) not in (None, "")
        }
        outlet.push_sample([json.dumps({"edge": edge, **told})], at_s + self._host_to_layer_s())

    def stroke(self, stroke: Stroke, against_hand: bool) -> None:
        """Send a measured stroke, stamped with its end; its times are on the steady clock.

        Parameters
        ----------
        stroke : Stroke
        against_hand : bool
            Whether its tilt is only against the hand's own mean plane.
        """
        outlet = self._outlets.get(STROKES)
        if outlet is not None:
            values = (stroke.direction == "down", stroke.tilt_deg, stroke.span_mm, stroke.lift_mm)
            duration_s = stroke.end_server_s - stroke.start_server_s
            outlet.push_sample(
                [*map(float, values), duration_s, float(against_hand)],
                stroke.end_server_s + self._host_to_layer_s(),
            )

    def _offer(
        self, name: str, kind: str, channels: Sequence[tuple[str, str, str]], identity: str, rate_hz: float = 0.0
    ) -> None:
        text = kind == "Markers"
        form = self._lsl.cf_string if text else self._lsl.cf_double64
        info = self._lsl.StreamInfo(name, kind, len(channels), rate_hz, form, f"{name} {identity}")
        description = info.desc()
        listed = description.append_child("channels")
        for label, unit, channel_kind in channels:
            channel = listed.append_child("channel")
            for key, value in (("label", label), ("unit", unit), ("type", channel_kind)):
                channel.append_child_value(key, value)
        sensor = self._sensor
        if sensor is not None:
            acquisition = description.append_child("acquisition")
            acquisition.append_child_value("model", sensor.part or sensor.name)
            acquisition.append_child_value("calibration", self._calibration.source)
        self._outlets[name] = self._lsl.StreamOutlet(info)

    def _host_to_layer_s(self) -> float:
        """The layer's clock less ours: the tightest of a few readings, for a thread may be stopped between two."""
        return tightest(steady_time_s, self._lsl.local_clock)


def tightest(ours: Callable[[], float], theirs: Callable[[], float]) -> float:
    """How far another clock is ahead of ours.

    Examples
    --------
    >>> tightest(lambda: 10.0, lambda: 12.5)
    2.5
    """
    readings = []
    for _ in range(BRACKETS):
        before, there, after = ours(), theirs(), ours()
        readings.append((after - before, there - 0.5 * (before + after)))
    return min(readings)[1]


def tell_both(publish: Callable[[ServerMessage], None], streams: LslStreams) -> Callable[[ServerMessage], None]:
    """Give a way to publish to the pages that also sends settled strokes to other programs.

    Parameters
    ----------
    publish : callable
        To the pages.
    streams : LslStreams

    Returns
    -------
    callable
        Takes a message for the pages; a settled stroke is sent on once.
    """
    sent: set[tuple[int, int]] = set()

    def tell(message: ServerMessage) -> None:
        publish(message)
        if isinstance(message, Strokes):
            for stroke in message.strokes:
                if not stroke.provisional and (message.block, stroke.id) not in sent:
                    sent.add((message.block, stroke.id))
                    streams.stroke(stroke, message.against_hand)

    return tell
