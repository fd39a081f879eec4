"""Register-level models of sensor parts, written from their register maps and apart from the drivers in C.

A model has registers, an internal clock that is off by a known amount, a signal in g and degrees a second, and a FIFO
of the depth and byte layout of its part. It takes only writes to registers that exist. Sources: see
``firmware_docs/c/parts.c``.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np


class WrongRegisterError(Exception):
    """The driver wrote or read what the part does not have."""


@dataclass
class Model:
    """What all parts share.

    Attributes
    ----------
    clock_error : float
        Relative: a part that runs 1 % fast gives 1.01 times its nominal rate.
    truth : list of (float, list of float)
        For each sample taken since power-up: true time (s) and accelerometer (g) with gyroscope (deg/s).
    broken : set of int
        Axes (0 to 5) that do not react to the self-test.
    """

    clock_error: float = 0.0
    seed: int = 0
    answers: bool = True
    registers: dict[int, int] = field(default_factory=dict)
    truth: list[tuple[float, list[float]]] = field(default_factory=list)
    broken: set[int] = field(default_factory=set)
    identity_value: int | None = None
    now_s: float = 0.0
    next_s: float = 0.0
    fails: deque[bool] = field(default_factory=deque)

    address = 0x68
    writable: ClassVar[frozenset[int]] = frozenset()
    identity_register = 0x75
    identity = 0x00

    def __post_init__(self) -> None:
        self.random = np.random.default_rng(self.seed)
        self.fifo: deque[int] = deque()
        self.latest = [0.0] * 6
        self.power_up()

    def power_up(self) -> None:
        """Reset values of the registers."""
        self.registers = {}
        self.fifo.clear()

    def rate_hz(self) -> float:
        """Nominal, as the registers say; 0 is off."""
        raise NotImplementedError

    def ranges(self) -> tuple[float, float]:
        """Full scales, g and deg/s."""
        raise NotImplementedError

    def to_counts(self, value: list[float]) -> list[int]:
        accel, gyro = self.sensitivities()
        scaled = [*(v / accel for v in value[:3]), *(v / gyro for v in value[3:])]
        return [max(-32768, min(32767, round(v))) for v in scaled]

    def sensitivities(self) -> tuple[float, float]:
        """g and deg/s in one count, as the datasheet's table says."""
        raise NotImplementedError

    def self_test(self) -> list[float]:
        """What the self-test adds, g and deg/s; zeros when it is off."""
        return [0.0] * 6

    def push(self, counts: list[int]) -> None:
        """Put a sample into the FIFO if it is on."""
        raise NotImplementedError

    def advance(self, seconds: float) -> None:
        end = self.now_s + seconds
        while (rate := self.rate_hz()) > 0.0:
            self.next_s = max(self.next_s, self.now_s)
            if self.next_s > end:
                break
            self.now_s = self.next_s
            accel, gyro = self.ranges()
            still = [0.1, -0.2, 0.9, 1.0, -2.0, 3.0]
            noise = self.random.uniform(-0.9, 0.9, 6)
            value = [accel * n for n in noise[:3]] + [gyro * n for n in noise[3:]]
            added = self.self_test()
            if self.keeps_still:
                value = [
                    s + a * (axis not in self.broken) for axis, (s, a) in enumerate(zip(still, added, strict=True))
                ]
            self.latest = value
            self.truth.append((self.now_s, value))
            self.push(self.to_counts(value))
            self.next_s += 1.0 / (rate * (1.0 + self.clock_error))
        self.now_s = max(end, self.now_s)

    keeps_still = False

    def write(self, register: int, value: int) -> bool:
        if not self._acknowledges():
            return False
        if register not in self.writable:
            raise WrongRegisterError(f"{type(self).__name__} has no register {register:02X} to write")
        self.registers[register] = value
        self.written(register, value)
        return True

    def written(self, register: int, value: int) -> None:
        """React to a write."""

    def read(self, register: int, size: int) -> bytes | None:
        if not self._acknowledges():
            return None
        return bytes(self.byte(register, k) for k in range(size))

    def byte(self, register: int, k: int) -> int:
        """Byte ``k`` of a burst that starts at ``register``."""
        raise NotImplementedError

    def _acknowledges(self) -> bool:
        return self.answers and not (self.fails.popleft() if self.fails else False)


def words(counts: list[int], order: str) -> list[int]:
    """Two's complement, byte by byte; order "big" or "little"."""
    return [b for c in counts for b in int(c).to_bytes(2, order, signed=True)]  # type: ignore[arg-type]
