"""A driver in C and the model of its part, joined by a bus that takes its time."""

from __future__ import annotations

import contextlib
import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tests.firmware.compilers import environment
from tests.firmware.part_model import Model
from tests.firmware.project import FrameReader, Item, Message, encode, load_profile
from tests.patience import PATIENCE_S

BUS_HZ = 400_000


class PartBoard:
    """``desk/part_desk.c`` with a model at the other end of its pipes."""

    def __init__(self, program: Path, model: Model, address: int | None = None) -> None:
        self.model = model
        self.address = model.address if address is None else address
        self.items: list[Item] = []
        self.reader = FrameReader(load_profile("frames"))
        self.process = subprocess.Popen([str(program)], stdin=-1, stdout=-1, stderr=-1, env=environment())

    def find(self) -> tuple[int, str]:
        return self.command(b"F")

    def set(self, rate_hz: float, accel_g: int, gyro_dps: int) -> int:
        return self.command(b"S" + struct.pack("<IHH", round(rate_hz * 1000), accel_g, gyro_dps))[0]

    def begin(self) -> None:
        self.command(b"B")

    def say(self, message: Message) -> None:
        wire = encode(message, 0)
        self.command(b"R" + bytes([len(wire)]) + wire)

    def self_test(self) -> tuple[int, str]:
        return self.command(b"T")

    def run(self, seconds: float, every_s: float = 0.005) -> None:
        """Drain again and again, as a main loop does."""
        end = self.model.now_s + seconds
        while self.model.now_s < end:
            self.command(b"D")
            self.model.advance(every_s)

    def command(self, data: bytes) -> tuple[int, str]:
        """Send a command and serve the bus until it is done."""
        assert self.process.stdin is not None
        self.process.stdin.write(data)
        self.process.stdin.flush()
        while (kind := self._take(1)) != b"=":
            self._serve(kind)
        result, size = self._take(2)
        return result, self._take(size).decode("ascii")

    def _serve(self, kind: bytes) -> None:
        if kind == b"d":
            self.model.advance(int.from_bytes(self._take(4), "little") / 1000.0)
        elif kind == b"t":
            self._give((int(self.model.now_s * 1e6) % 2**32).to_bytes(4, "little"))
        elif kind == b"f":
            wire = self._take(int.from_bytes(self._take(2), "little"))
            self.items += self.reader.feed(wire, self.model.now_s)
        elif kind == b"w":
            address, register, value = self._take(3)
            self._spend(1)
            self._give(bytes([address == self.address and self.model.write(register, value)]))
        elif kind == b"r":
            address, register, size = self._take(3)
            self._spend(size + 1)
            data = self.model.read(register, size) if address == self.address else None
            self._give(b"\0" if data is None else b"\1" + data)
        else:
            raise AssertionError(f"{kind!r}: {self.errors()}")

    def _spend(self, data_bytes: int) -> None:
        self.model.advance((2 + data_bytes) * 9 / BUS_HZ)

    def _take(self, size: int) -> bytes:
        assert self.process.stdout is not None
        data = self.process.stdout.read(size)
        assert len(data) == size, self.errors()
        return data

    def _give(self, data: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(data)
        self.process.stdin.flush()

    def errors(self) -> str:
        self.process.kill()
        assert self.process.stderr is not None
        return self.process.stderr.read().decode()

    def close(self) -> None:
        """End the program; what its sanitizers found is an error."""
        assert self.process.stdin is not None
        self.process.stdin.write(b"Q")
        _, text = self.process.communicate(timeout=PATIENCE_S)
        assert self.process.returncode == 0, text.decode()

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


@contextlib.contextmanager
def joined(program: Path, model: Model, address: int | None = None) -> Iterator[PartBoard]:
    board = PartBoard(program, model, address)
    try:
        yield board
    except BaseException:
        board.kill()
        raise
    board.close()
