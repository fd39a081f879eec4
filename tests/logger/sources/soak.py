"""Long and heavy runs with their figures, shared by the short tests and ``make soak``.

Recording happens in a process of its own, so that its use of the processor and of memory is its own.
"""

from __future__ import annotations

import multiprocessing
import resource
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.model.records import RawSamples
from logger.record.recorder import Recorder, RecorderSettings
from logger.sources.base import Sink
from logger.sources.device_profile import load_profile
from logger.sources.frame_reader import FrameReader
from logger.sources.messages import SampleFrame
from logger.sources.open_source import open_source
from logger.sources.packets import encode
from logger.sources.stream import DeviceInfo, Item, Losses
from tests.logger.sources.board import Board, PtyBoard
from tests.logger.sources.make import HELLO, random_counts
from tests.patience import wait_for

SENSORS = 4
RATE_HZ = 1000.0


@dataclass(frozen=True)
class Load:
    """What recording several sensors at once cost.

    ``cpu_share`` of one core; ``growth_mb`` of resident memory from the first fifth of the run to its end.
    """

    samples: int
    lost: int
    cpu_share: float
    growth_mb: float
    latency_p99_ms: float


def resident_mb() -> float:
    """Resident memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def serve_boards(folder: str, stop: object, sent: object) -> None:
    """In a child: four boards at 1 kHz; says when each last sample was written."""
    counts = random_counts(5000, 9)

    class Timed(Board):
        def due(self, sending: bool = True) -> bytes:
            before, out = self._next, super().due(sending)
            if self._next != before:
                sent.send((self._next - 1, time.monotonic()))  # type: ignore[attr-defined]
            return out

    boards = []
    for place in range(SENSORS):
        kind = Timed if place == 0 else Board
        board = kind(counts, replace(HELLO, rate_hz=RATE_HZ, id=f"{place:016x}"), per_frame=10)
        boards.append(PtyBoard(board, f"{folder}/tty{place}"))
    stop.wait()  # type: ignore[attr-defined]
    for device in boards:
        device.close()


def record_boards(folder: str, seconds: float, result: object) -> None:
    """In a child: record all boards; sends samples, losses, processor time, memory and arrival times."""
    arrived: dict[int, float] = {}

    def watch(items: Sequence[Item]) -> None:
        now = time.monotonic()
        for item in items:
            if isinstance(item, RawSamples):
                arrived[int(item.sequence[-1])] = now
                if len(arrived) > 5000:
                    arrived.pop(next(iter(arrived)))

    recorders = []
    for place in range(SENSORS):
        source = open_source(f"{folder}/tty{place}", load_profile("frames"))
        listeners = (watch,) if place == 0 else ()
        recorders.append(Recorder(Path(f"{folder}/{place}.mcap"), source, listeners=listeners))
    for recorder in recorders:
        recorder.start()
    used, began = resource.getrusage(resource.RUSAGE_SELF), time.monotonic()
    time.sleep(seconds / 5)
    early_mb = resident_mb()
    # By the sensors' time: what a busy computer hands over late is waited for.
    wait_for(lambda: all(recorder.state().samples >= seconds * RATE_HZ for recorder in recorders))
    late_mb = resident_mb()
    now = resource.getrusage(resource.RUSAGE_SELF)
    cpu = (now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime) / (time.monotonic() - began)
    states = [recorder.stop() for recorder in recorders]
    lost = sum(state.losses.samples for state in states)
    result.send((sum(s.samples for s in states), lost, cpu, late_mb - early_mb, arrived))  # type: ignore[attr-defined]


def record_four_sensors(folder: Path, seconds: float) -> Load:
    """Record four sensors of 1 kHz at once for so long."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    sent_here, sent_there = context.Pipe(duplex=False)
    result_here, result_there = context.Pipe(duplex=False)
    boards = context.Process(target=serve_boards, args=(str(folder), stop, sent_there))
    boards.start()
    while not (folder / f"tty{SENSORS - 1}").exists():
        time.sleep(0.05)
    sent: dict[int, float] = {}
    done = threading.Event()

    def collect() -> None:
        while not done.is_set():
            if sent_here.poll(0.1):
                number, at_s = sent_here.recv()
                sent[number] = at_s

    thread = threading.Thread(target=collect)
    thread.start()
    recording = context.Process(target=record_boards, args=(str(folder), seconds, result_there))
    recording.start()
    samples, lost, cpu, growth, arrived = result_here.recv()
    recording.join()
    stop.set()
    done.set()
    thread.join()
    boards.join()
    delays = [arrived[n] - sent[n] for n in arrived if n in sent]
    return Load(samples, lost, cpu, growth, 1e3 * float(np.percentile(delays, 99)))


class FastSource:
    """A stream of wire bytes as fast as the recorder takes it: hours in minutes."""

    def __init__(self, samples: int, clock: list[float]) -> None:
        self.name = "fast stream"
        self.finished = threading.Event()
        self.file_made = threading.Event()  # Until then the recorder only collects, and sizes would say nothing.
        self._reader = FrameReader(load_profile("frames"))
        self._samples, self._clock_s = samples, clock
        self.memory_mb: list[float] = []
        self.file_bytes: list[int] = []
        self.backlog = lambda: 0
        self.path = Path()

    @property
    def losses(self) -> Losses:
        return self._reader.losses

    @property
    def clock(self) -> object:
        return self._reader.clock

    def start(self, sink: Sink) -> DeviceInfo:
        (info,) = self._reader.feed(encode(HELLO, 0), 0.0)
        assert isinstance(info, DeviceInfo)
        self._thread = threading.Thread(target=self._run, args=(sink,), daemon=True)
        self._thread.start()
        return info

    def stop(self) -> None:
        self._thread.join()

    def _run(self, sink: Sink) -> None:
        counts = random_counts(16 * 64, 1).reshape(64, 16, 6)
        offsets = (np.arange(16) * 2500).astype(np.uint16)
        step = max(1, self._samples // 16 // 20)
        self.file_made.wait()
        for frame in range(self._samples // 16):
            number = frame * 16
            wire = encode(SampleFrame(number, number * 2500 % 2**32, offsets, counts[frame % 64]), frame)
            stream_s = number / 400.0
            self._clock_s[0] = stream_s
            sink(self._reader.feed(wire, stream_s))
            while self.backlog() > 4:
                time.sleep(0.0005)
            if frame % step == step - 1:
                self.memory_mb.append(resident_mb())
                self.file_bytes.append(self.path.stat().st_size)
        self.finished.set()


def record_fast(folder: Path, hours: float) -> tuple[FastSource, Recorder, int]:
    """Record so many hours of a 400/s stream, each half second of it a chunk, as fast as it goes."""
    clock = [0.0]
    samples = round(hours * 3600 * 400) // 16 * 16
    source = FastSource(samples, clock)
    source.path = folder / "long.mcap"
    settings = RecorderSettings(monotonic_s=lambda: clock[0], host_time_s=lambda: clock[0])
    recorder = Recorder(source.path, source, settings=settings)  # type: ignore[arg-type]
    source.backlog = recorder._queue.qsize
    recorder.start()
    source.file_made.set()
    source.finished.wait()
    recorder.stop()
    return source, recorder, samples
