"""The serial source on real pseudo terminals, a socket, pyserial's loop: exact samples, unplug, clear errors."""

from __future__ import annotations

import contextlib
import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import serial

from analysis.model.errors import DeviceError
from analysis.model.records import RawSamples
from logger.sources.base import LinkSettings, Source, steady_time_s
from logger.sources.device_profile import load_profile
from logger.sources.messages import Battery, Status
from logger.sources.open_source import open_source
from logger.sources.serial import explain_open_error
from logger.sources.stream import DeviceInfo, Item, LinkChange
from tests.logger.sources.board import Board, PtyBoard
from tests.logger.sources.make import random_counts, samples_of
from tests.patience import PATIENCE_S, wait_for

COUNTS = random_counts(5000, 9)
FRAMES = load_profile("frames")
SETTINGS = LinkSettings(PATIENCE_S, ask_again_s=0.3, silence_s=30.0, backoff_first_s=0.01, backoff_last_s=0.1)


class Taker:
    """A sink that keeps everything."""

    def __init__(self) -> None:
        self.items: list[Item] = []

    def __call__(self, items: object) -> None:
        self.items.extend(items)  # type: ignore[arg-type]

    @property
    def samples(self) -> RawSamples:
        return samples_of(list(self.items))

    def links(self) -> list[bool]:
        return [item.up for item in self.items if isinstance(item, LinkChange)]


@contextlib.contextmanager
def plugged(tmp_path: Path, board: Board) -> Iterator[PtyBoard]:
    device = PtyBoard(board, str(tmp_path / "ttySTROKE"))
    try:
        yield device
    finally:
        device.close()


@contextlib.contextmanager
def running(source: Source, taker: Taker) -> Iterator[DeviceInfo]:
    info = source.start(taker)
    try:
        yield info
    finally:
        source.stop()


def assert_rows(samples: RawSamples, counts: np.ndarray = COUNTS, rate_hz: float = 400.0) -> None:
    """Every sample is the board's, under its own number and tick."""
    assert len(samples.sequence) > 0
    assert (np.diff(samples.sequence) > 0).all()
    np.testing.assert_array_equal(samples.counts, counts[samples.sequence % len(counts)])
    np.testing.assert_array_equal(samples.ticks, np.round(samples.sequence * 1e6 / rate_hz))


def test_every_sample_over_a_pty(tmp_path: Path) -> None:
    taker = Taker()
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, SETTINGS)
        with running(source, taker) as info:
            wait_for(lambda: len(taker.samples.sequence) > 400)
            wait_for(lambda: any(isinstance(item, Status) for item in taker.items))
        wait_for(lambda: not device.board.running)  # it was told to stop
    assert info.hello is not None
    assert info.profile.sensor.part == "MPU-6050"
    assert_rows(taker.samples)
    assert (np.diff(taker.samples.sequence) == 1).all()
    assert len(taker.samples.sequence) > 400
    assert source.losses.samples == 0
    assert any(isinstance(item, Battery) for item in taker.items)
    assert any(isinstance(item, Status) for item in taker.items)


def test_rate_and_range_are_asked_for_and_kept_through_a_restart(tmp_path: Path) -> None:
    settings = LinkSettings(
        ready_s=PATIENCE_S, rate_hz=1000.0, ranges=(16, 1000), backoff_first_s=0.01, ask_again_s=0.5
    )
    taker, original = Taker(), Board(COUNTS).hello
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, settings)
        with running(source, taker) as info:
            wait_for(lambda: len(taker.samples.sequence) > 50)
            device.unplug()
            device.board.reboot()
            device.board.hello = original  # Power loss: back to its own settings.
            device.plug()
            count = len(taker.samples.sequence)
            wait_for(lambda: len(taker.samples.sequence) > count + 300)
    assert info.profile.sensor.rate_hz == 1000.0
    assert info.profile.sensor.accel_mps2_per_count == pytest.approx(16 / 32768 * 9.80665)
    infos = [item for item in taker.items if isinstance(item, DeviceInfo)]
    assert {i.profile.sensor for i in infos} == {info.profile.sensor}, "never a sample of other settings"
    steps = np.diff(taker.samples.ticks)
    assert np.median(steps[-200:]) == 1000


def test_a_rate_that_it_cannot_do_is_refused(tmp_path: Path) -> None:
    settings = LinkSettings(ready_s=PATIENCE_S, rate_hz=4000.0)
    with plugged(tmp_path, Board(COUNTS)) as device, pytest.raises(DeviceError, match="cannot sample as asked"):
        open_source(device.port, FRAMES, settings).start(Taker())


def test_unplug_and_plug_in_again(tmp_path: Path) -> None:
    """The board keeps its power: numbers and clock go on, so gap and loss are exact."""
    taker = Taker()
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, SETTINGS)
        with running(source, taker):
            wait_for(lambda: len(taker.samples.sequence) > 50)
            device.unplug()
            time.sleep(0.4)
            before = len(taker.samples.sequence)
            device.plug()
            wait_for(lambda: len(taker.samples.sequence) > before + 50)
    assert taker.links() == [True, False, True]
    down = next(item for item in taker.items if isinstance(item, LinkChange) and not item.up)
    assert "plug it in again" in down.reason or "no port" in down.reason
    assert_rows(taker.samples)
    jumps = np.diff(taker.samples.sequence)
    assert (jumps > 1).sum() == 1
    assert source.losses.link == jumps.max() - 1 == source.losses.samples
    assert (jumps.max() - 1) / 400 > 0.3


def many_losses(tmp_path: Path, losses: int, reboot: bool) -> tuple[np.ndarray, np.ndarray, Taker]:
    """Lose the link so many times; return the error (s) of each recorded gap against the boards' own clocks.

    And how late the samples before and after the gap were handed over by a busy computer.
    """
    rng, taker = np.random.default_rng(3), Taker()
    row_of = {row.tobytes(): place for place, row in enumerate(COUNTS.astype(np.int32))}
    born, edges = [], []
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, SETTINGS)
        with running(source, taker):
            for _ in range(losses):
                count = len(taker.samples.sequence)
                wait_for(lambda count=count: len(taker.samples.sequence) > count + 20)  # type: ignore[misc]
                device.unplug()
                born.append(device.board._born_s)
                time.sleep(float(rng.uniform(0.01, 0.1)))
                edges.append(len(taker.samples.sequence))
                if reboot:
                    device.board.reboot()
                device.plug()
                wait_for(lambda at=edges[-1]: len(taker.samples.sequence) > at)  # type: ignore[misc]
            born.append(device.board._born_s)
    samples = taker.samples
    if not reboot:
        assert_rows(samples)
    assert taker.links().count(False) == losses
    errors, late = [], []
    for at, old_s, new_s in zip(edges, born[:-1], born[1:], strict=True):
        # A row of the board's samples is its number, so says when it was taken on the clock of its life.
        before, after = (row_of[samples.counts[place].tobytes()] / 400.0 for place in (at - 1, at))
        true_s = new_s + after - old_s - before
        if not reboot:
            true_s %= len(COUNTS) / 400.0
        errors.append((samples.ticks[at] - samples.ticks[at - 1]) / 1e6 - true_s)
        # A frame is sent when its last sample was taken; its first one is then 9 samples old.
        arrived_s = samples.host_time_s[[at - 1, at]] - (steady_time_s() - time.monotonic())
        late.append(np.abs(arrived_s - (old_s + before, new_s + after + 9 / 400.0)).sum())
    return np.array(errors), np.array(late), taker


def test_eight_link_losses(tmp_path: Path) -> None:
    """The board keeps its power: every gap is exact."""
    errors, _, _ = many_losses(tmp_path, 8, reboot=False)
    assert np.abs(errors).max() < 1e-5


def test_eight_restarts(tmp_path: Path) -> None:
    """The board lost its power with the link: every gap is the computer's, true to 12 ms and what that was late by."""
    errors, late, taker = many_losses(tmp_path, 8, reboot=True)
    assert (np.diff(taker.samples.sequence) > 0).all()
    assert (np.abs(errors) < 0.012 + late).all(), (errors, late)


def test_silence_is_a_lost_link(tmp_path: Path) -> None:
    """A board that hangs without unplugging: told, and taken up again when it comes back."""
    taker = Taker()
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, replace(SETTINGS, silence_s=2.0))
        with running(source, taker):
            quiet = device.board.due
            device.board.due = lambda sending=True: b""  # type: ignore[method-assign]
            device.board.take = lambda data: b""  # type: ignore[method-assign]
            wait_for(lambda: False in taker.links())
            device.board.due = quiet  # type: ignore[method-assign]
            del device.board.take
            count = len(taker.samples.sequence)
            wait_for(lambda: len(taker.samples.sequence) > count + 50)
    down = next(item for item in taker.items if isinstance(item, LinkChange) and not item.up)
    assert "silent for" in down.reason
    assert_rows(taker.samples)


def test_another_sensor_is_not_mixed_in(tmp_path: Path) -> None:
    taker = Taker()
    with plugged(tmp_path, Board(COUNTS)) as device:
        source = open_source(device.port, FRAMES, SETTINGS)
        with running(source, taker) as first:
            device.unplug()
            other = Board(random_counts(5000, 77))
            other.hello = other.hello.__class__(**{**other.hello.__dict__, "id": "ffffffffffffffff", "boot": 7})
            mine, device.board = device.board, other
            device.plug()
            wait_for(lambda: any(isinstance(i, LinkChange) and "another sensor" in i.reason for i in taker.items))
            device.unplug()
            device.board = mine
            device.plug()
            count = len(taker.samples.sequence)
            wait_for(lambda: len(taker.samples.sequence) > count + 100)
    assert {i.hello.id for i in taker.items if isinstance(i, DeviceInfo) and i.hello} == {first.hello.id}  # type: ignore[union-attr]
    assert_rows(taker.samples)


def latency_p99_s(tmp_path: Path, seconds: float) -> float:
    """p99 of the delay from the write at the far end of the pty to the samples in the sink."""
    sent: dict[int, float] = {}
    got: dict[int, float] = {}

    def sink(items: object) -> None:
        now = time.perf_counter()
        for item in items:  # type: ignore[attr-defined]
            if isinstance(item, RawSamples):
                got[int(item.sequence[-1])] = now

    class Timed(Board):
        def due(self, sending: bool = True) -> bytes:
            before, out = self._next, super().due(sending)
            if self._next != before:
                sent[self._next - 1] = time.perf_counter()
            return out

    with plugged(tmp_path, Timed(COUNTS, per_frame=4)) as device:
        source = open_source(device.port, FRAMES, SETTINGS)
        source.start(sink)
        time.sleep(seconds)
        wait_for(lambda: len(got) > 20)
        source.stop()
    delays = np.array([got[n] - sent[n] for n in got if n in sent])
    return float(np.percentile(delays, 99))


def test_latency_from_bytes_to_sink(tmp_path: Path) -> None:
    """Under 5 ms, as soon as no other work on the machine is in the way of both ends for a moment."""
    deadline = time.monotonic() + PATIENCE_S
    while latency_p99_s(tmp_path, 0.2) > 0.005:
        assert time.monotonic() < deadline


def test_over_a_socket() -> None:
    board, server = Board(COUNTS), socket.create_server(("127.0.0.1", 0))
    taker, done = Taker(), threading.Event()

    def serve() -> None:
        connection, _ = server.accept()
        connection.settimeout(0.005)
        with connection, contextlib.suppress(OSError):
            while not done.is_set():
                with contextlib.suppress(TimeoutError):
                    connection.sendall(board.take(connection.recv(4096)))
                connection.sendall(board.due())

    thread = threading.Thread(target=serve)
    thread.start()
    source = open_source(f"socket://127.0.0.1:{server.getsockname()[1]}", FRAMES, SETTINGS)
    with running(source, taker):
        wait_for(lambda: len(taker.samples.sequence) > 100)
    done.set()
    thread.join()
    server.close()
    assert_rows(taker.samples)
    assert source.losses.samples == 0


def test_text_lines_over_a_pty(tmp_path: Path) -> None:
    """An existing sketch that prints lines, read through a profile."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    taker, stop = Taker(), threading.Event()

    def sketch() -> None:
        n = 0
        while not stop.is_set():
            os.write(master, f"{n * 10_000},1,2,4096,{n % 1000},5,6\r\n".encode())
            n += 1
            time.sleep(0.002)

    thread = threading.Thread(target=sketch)
    thread.start()
    source = open_source(os.ttyname(slave), load_profile("mpu6050"), SETTINGS)
    with running(source, taker) as info:
        wait_for(lambda: len(taker.samples.sequence) > 50)
    stop.set()
    thread.join()
    os.close(master)
    os.close(slave)
    assert info.hello is None
    np.testing.assert_array_equal(taker.samples.counts[:, 3], taker.samples.ticks // 10_000 % 1000)
    assert source.losses.samples == 0


@pytest.mark.parametrize(
    ("text", "profile", "message"),
    [
        (b"", "frames", r"nothing came from .*switched on"),
        (b"1,2,3,4,5,6\n", "frames", r"nothing of the wire protocol.*--profile"),
        (b"1;2;3\n", "mpu6050", r"no line as the profile describes it.*columns, separator and baud"),
    ],
)
def test_nothing_and_nonsense_at_the_port(text: bytes, profile: str, message: str) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def chatter() -> None:
        while not stop.wait(0.02):
            os.write(master, text)

    thread = threading.Thread(target=chatter)
    thread.start()
    with pytest.raises(DeviceError, match=message):
        open_source(os.ttyname(slave), load_profile(profile), LinkSettings(ready_s=1.5 if text else 0.4)).start(Taker())
    stop.set()
    thread.join()
    os.close(master)
    os.close(slave)


def test_each_open_error_is_one_clear_sentence(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match=r"there is no port .*plug the sensor in"):
        open_source(str(tmp_path / "ttyNONE"), FRAMES).start(Taker())
    plain = tmp_path / "plain"
    plain.write_text("no port")
    with pytest.raises(DeviceError, match="is not a serial port"):
        open_source(str(plain), FRAMES).start(Taker())
    master, slave = pty.openpty()
    held = serial.Serial(os.ttyname(slave), exclusive=True)
    with pytest.raises(DeviceError, match="in use by another program; close that program"):
        open_source(os.ttyname(slave), FRAMES).start(Taker())
    held.close()
    os.close(master)
    os.close(slave)
    with pytest.raises(DeviceError, match="not a port or URL"):
        open_source("nothing://x", FRAMES).start(Taker())
    with pytest.raises(DeviceError, match="did not open"):
        open_source("socket://127.0.0.1:1", FRAMES).start(Taker())


def test_permission_error_names_the_group(tmp_path: Path) -> None:
    port = tmp_path / "ttyLOCKED"
    port.touch()
    text = explain_open_error(str(port), serial.SerialException(13, "could not open port: Permission denied"))
    group = port.group()
    assert f"join the group {group}" in text
    assert f"usermod -aG {group}" in text


def test_loop_url_is_its_own_echo() -> None:
    """pyserial's loop: only echoes; the commands come back, and are nothing that a device says."""
    with pytest.raises(DeviceError, match="sends no samples; reset"):
        open_source("loop://", FRAMES, LinkSettings(ready_s=1.0)).start(Taker())
