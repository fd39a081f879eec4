"""Register-level models of the LSM6DSO and LSM6DS3TR-C; see ``part_model.py``."""

from __future__ import annotations

from typing import ClassVar

from tests.firmware.part_model import Model, WrongRegisterError, words


class Lsm6dso(Model):
    """LSM6DSO: DS12140 rev. 2; words of a tag and six bytes, time stamps of 25 microseconds in 32 bits."""

    address = 0x6A
    identity_register, identity = 0x0F, 0x6C
    depth = 512
    writable = frozenset({0x07, 0x08, 0x09, 0x0A, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x17, 0x19, 0x63})
    test = (0.3, 0.4, 0.5, 300.0, 320.0, 280.0)
    rates: ClassVar[dict[int, float]] = {4: 104.0, 5: 208.0, 6: 416.0, 7: 833.0}
    stamp_bits = 32
    stamp_start = 0

    def __post_init__(self) -> None:
        self.slot = 0
        super().__post_init__()

    def power_up(self) -> None:
        super().power_up()
        self.registers = {0x12: 0x04, 0x10: 0, 0x11: 0, 0x19: 0}

    def written(self, register: int, value: int) -> None:
        if register == 0x12 and value & 1:
            self.power_up()
        if register == 0x0A and value & 7 == 0:
            self.fifo.clear()

    def rate_hz(self) -> float:
        accel, gyro = self.registers[0x10] >> 4, self.registers[0x11] >> 4
        if accel == 0 or gyro == 0:
            return 0.0
        return self.rates[accel] if accel == gyro else 0.0  # Between two writes; who stays there gets nothing.

    def ranges(self) -> tuple[float, float]:
        return (2.0, 16.0, 4.0, 8.0)[self.registers[0x10] >> 2 & 3], 250.0 * 2 ** (self.registers[0x11] >> 2 & 3)

    def sensitivities(self) -> tuple[float, float]:
        accel = (0.061e-3, 0.488e-3, 0.122e-3, 0.244e-3)[self.registers[0x10] >> 2 & 3]
        return accel, (8.75e-3, 17.5e-3, 35e-3, 70e-3)[self.registers[0x11] >> 2 & 3]

    def self_test(self) -> list[float]:
        setting = self.registers.get(0x14, 0)
        return [t * ((setting & 3 if axis < 3 else setting >> 2 & 3) == 1) for axis, t in enumerate(self.test)]

    def stamp(self) -> int:
        ticks = self.stamp_start + int(self.now_s * (1.0 + self.clock_error) * 40_000)
        return ticks % 2**self.stamp_bits if self.registers[0x19] & 0x20 else 0

    def push(self, counts: list[int]) -> None:
        setting = self.registers.get(0x0A, 0)
        rate = self.registers[0x10] >> 4
        if setting & 7 != 6:
            return
        if self.registers.get(0x09, 0) != rate << 4 | rate:
            raise WrongRegisterError("the FIFO is not fed at the rate of the part")
        self.slot = (self.slot + 1) % 4
        self.word(1, words(counts[3:], "little"))
        self.word(2, words(counts[:3], "little"))
        if setting >> 6 == 1:
            self.word(4, [*self.stamp().to_bytes(4, "little"), 0, 0])
        while len(self.fifo) > self.depth * 7:
            for _ in range(7):
                self.fifo.popleft()

    def word(self, kind: int, data: list[int]) -> None:
        tag = kind << 3 | self.slot << 1
        self.fifo.extend([tag | bin(tag).count("1") & 1, *data])

    def byte(self, register: int, k: int) -> int:
        if register == 0x78:
            return self.fifo.popleft() if self.fifo else 0
        at = register + k
        if at == 0x0F:
            return self.identity if self.identity_value is None else self.identity_value
        if at in (0x3A, 0x3B):
            return len(self.fifo) // 7 >> 8 * (at - 0x3A) & 0xFF
        if 0x22 <= at <= 0x2D:
            counts = self.to_counts(self.latest)
            return words([*counts[3:], *counts[:3]], "little")[at - 0x22]
        raise WrongRegisterError(f"register {at:02X} is not modelled")


class Lsm6ds3trc(Lsm6dso):
    """LSM6DS3TR-C: words of two bytes without tags, gyroscope, accelerometer, time stamp of 24 bits with step count."""

    identity = 0x6A
    depth = 2048
    writable = frozenset({0x06, 0x07, 0x08, 0x09, 0x0A, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x17, 0x19, 0x42, 0x5C})
    stamp_bits = 24
    stands_at_end = False
    """Whether the counter stops at its highest value until it is reset, instead of starting again."""

    def __post_init__(self) -> None:
        self.next_word = 0
        super().__post_init__()

    def written(self, register: int, value: int) -> None:
        super().written(register, value)
        if register == 0x0A and value & 7 == 0:
            self.next_word = 0
        if register == 0x42 and value == 0xAA:
            self.stamp_start = -int(self.now_s * (1.0 + self.clock_error) * 40_000)

    def stamp(self) -> int:
        if not self.registers.get(0x5C, 0) & 0x10:
            raise WrongRegisterError("time stamps in steps of 6.4 ms")
        ticks = self.stamp_start + int(self.now_s * (1.0 + self.clock_error) * 40_000)
        return min(ticks, 2**24 - 1) if self.stands_at_end else ticks % 2**24

    def push(self, counts: list[int]) -> None:
        rate = self.registers[0x10] >> 4
        if self.registers.get(0x0A, 0) != rate << 3 | 6:
            return
        if (self.registers.get(0x07), self.registers.get(0x08), self.registers.get(0x09)) != (0x80, 0x09, 0x08):
            raise WrongRegisterError("the FIFO is not set to gyroscope, accelerometer and time stamp at the full rate")
        low, middle, high = self.stamp().to_bytes(3, "little")
        self.fifo.extend([*words([*counts[3:], *counts[:3]], "little"), middle, high, 0, low, 0, 0])
        while len(self.fifo) > self.depth * 2:
            for _ in range(18):
                self.fifo.popleft()

    def byte(self, register: int, k: int) -> int:
        if register == 0x3E:
            self.next_word = (self.next_word + k % 2) % 9
            return self.fifo.popleft() if self.fifo else 0
        at = register + k
        if at in (0x3A, 0x3B):
            return len(self.fifo) // 2 >> 8 * (at - 0x3A) & 0xFF
        if at in (0x3C, 0x3D):
            return self.next_word >> 8 * (at - 0x3C) & 0xFF
        return super().byte(register, k)
