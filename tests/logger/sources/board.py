"""A board as the protocol describes it, for tests of the links: answers commands, sends samples in real time."""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from logger.sources.messages import (
    Answer,
    Battery,
    Hello,
    Identify,
    Message,
    SampleFrame,
    SetRange,
    SetRate,
    Start,
    Status,
    Stop,
)
from logger.sources.packets import FrameDecoder, encode, parse_command
from tests.logger.sources.make import HELLO

CODES = {Identify: 0x81, Start: 0x82, Stop: 0x83, SetRate: 0x84, SetRange: 0x85}


class Board:
    """The device's side. Its samples are ``counts``, over and over; the number of a sample is its row."""

    def __init__(self, counts: np.ndarray, hello: Hello = HELLO, per_frame: int = 10) -> None:
        self.hello = hello
        self.counts = counts
        self.running = False
        self._moved_at = 0
        self._per_frame = per_frame
        self._decoder = FrameDecoder()
        self._born_s = time.monotonic()
        self._next = 0
        self._status_s = 0.0
        self._number = 0

    def reboot(self) -> None:
        """Lose power: a new boot number, clock and count from the start, idle."""
        self.hello = replace(self.hello, boot=self.hello.boot + 1)
        self.running = False
        self._decoder = FrameDecoder()
        self._born_s = time.monotonic()
        self._next = 0

    def move(self, counts: np.ndarray) -> None:
        """Make a motion from now on, over and over."""
        self.counts, self._moved_at = counts, self._next

    def link(self, up: bool) -> None:
        """A radio link came up or went down; this board does not care."""

    def wire(self, message: Message) -> bytes:
        self._number += 1
        return encode(message, self._number)

    def take(self, data: bytes) -> bytes:
        """Take the host's bytes, return the answers."""
        out = b""
        for payload in self._decoder.feed(data):
            parsed = parse_command(payload)
            if parsed is None:
                continue
            number, command = parsed
            result = self._obey(command)
            if isinstance(command, Identify | SetRate | SetRange) and result == 0:
                out += self.wire(self.hello)
            out += self.wire(Answer(CODES[type(command)], number, result))
        return out

    def _obey(self, command: object) -> int:
        match command:
            case Start():
                self.running = True
            case Stop():
                self.running = False
            case SetRate(rate_hz):
                if self.running:
                    return 3
                if not 50 <= rate_hz <= 2000:
                    return 2
                self.hello = replace(self.hello, rate_hz=rate_hz)
                self._born_s, self._next = time.monotonic(), 0
                self.hello = replace(self.hello, boot=self.hello.boot + 1)
            case SetRange(accel, gyro):
                if self.running:
                    return 3
                self.hello = replace(
                    self.hello,
                    accel_range_g=accel,
                    gyro_range_dps=gyro,
                    accel_g_per_count=accel / 32768,
                    gyro_dps_per_count=gyro / 32768,
                )
        return 0

    def due(self, sending: bool = True) -> bytes:
        """Return what is due by now; samples that are not sent are counted all the same."""
        now_s = time.monotonic()
        rate, out = self.hello.rate_hz, b""
        taken = int((now_s - self._born_s) * rate)
        while taken - self._next >= self._per_frame:
            n = np.arange(self._next, self._next + self._per_frame)
            self._next += self._per_frame
            if not (self.running and sending):
                continue
            ticks = np.round(n * 1e6 / rate).astype(np.int64)
            frame = SampleFrame(
                int(n[0]) % 2**32,
                int(ticks[0]) % 2**32,
                (ticks - ticks[0]).astype(np.uint16),
                self.counts[(n - self._moved_at) % len(self.counts)],
            )
            out += self.wire(frame)
        if sending and now_s - self._status_s > 1.0:
            self._status_s = now_s
            tick = int((now_s - self._born_s) * 1e6) % 2**32
            out += self.wire(Status(self.running, tick, 0, 0, 30.0)) + self.wire(Battery(3900, 80, False, False))
        return out


class PtyBoard:
    """A board behind a pseudo terminal at ``port``, a stable path that moves to a new terminal on each replug."""

    def __init__(self, board: Board, port: str, damage: Callable[[bytes], bytes] = lambda data: data) -> None:
        self.board = board
        self.port = port
        self._damage = damage
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._master: int | None = None
        self.plug()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        """Appear as a port."""
        master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        name = os.ttyname(slave)
        os.close(slave)
        temporary = Path(self.port + ".new")
        temporary.symlink_to(name)
        temporary.replace(self.port)
        with self._lock:
            self._master = master

    def unplug(self) -> None:
        """Vanish: the open port breaks, the path is gone."""
        with self._lock:
            master, self._master = self._master, None
            Path(self.port).unlink()
        if master is not None:
            os.close(master)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        if self._master is not None:
            self.unplug()

    def _run(self) -> None:
        pending = b""
        while not self._stop.is_set():
            with self._lock:
                master = self._master
                out = self.board.due(sending=master is not None)
                if master is None:
                    pending = b""
                else:
                    pending = (pending + self._damage(out + self._commands(master)))[-1_000_000:]
                    pending = pending[_write(master, pending) :]
            time.sleep(0.002)

    def _commands(self, master: int) -> bytes:
        try:
            return self.board.take(os.read(master, 4096))
        except OSError:  # Nothing to read, or nobody has the port open.
            return b""


def _write(master: int, data: bytes) -> int:
    try:
        return os.write(master, data) if data else 0
    except OSError:
        return 0
