"""Register-level models of the MPU-6050, MPU-6500 and ICM-42688-P; see ``part_model.py``."""

from __future__ import annotations

from typing import ClassVar

from tests.firmware.part_model import Model, WrongRegisterError, words


class Mpu6050(Model):
    """MPU-6050: RM-MPU-6000A-00 rev. 4.2."""

    identity = 0x68
    depth = 1024
    writable = frozenset({0x19, 0x1A, 0x1B, 0x1C, 0x23, 0x6A, 0x6B})
    codes = (12, 9, 20, 15, 10, 18)  # Factory values XA, YA, ZA, XG, YG, ZG.
    test_g = 8.0

    def power_up(self) -> None:
        super().power_up()
        self.registers = {0x6B: 0x40}

    def written(self, register: int, value: int) -> None:
        if register == 0x6B and value & 0x80:
            self.power_up()
        if register == 0x6A and value & 0x04:
            self.fifo.clear()
            self.registers[0x6A] = value & ~0x04

    def rate_hz(self) -> float:
        if self.registers.get(0x6B, 0x40) & 0x40:
            return 0.0
        inner = 8000.0 if self.registers.get(0x1A, 0) & 7 in (0, 7) else 1000.0
        return inner / (1 + self.registers.get(0x19, 0))

    def ranges(self) -> tuple[float, float]:
        return 2.0 * 2 ** (self.registers.get(0x1C, 0) >> 3 & 3), 250.0 * 2 ** (self.registers.get(0x1B, 0) >> 3 & 3)

    def sensitivities(self) -> tuple[float, float]:
        accel = (16384, 8192, 4096, 2048)[self.registers.get(0x1C, 0) >> 3 & 3]
        gyro = (131.0, 65.5, 32.8, 16.4)[self.registers.get(0x1B, 0) >> 3 & 3]
        return 1.0 / accel, 1.0 / gyro

    def self_test(self) -> list[float]:
        accel = [0.34 * (0.92 / 0.34) ** ((c - 1) / 30) for c in self.codes[:3]]
        gyro = [25.0 * 1.046 ** (c - 1) * sign for c, sign in zip(self.codes[3:], (1, -1, 1), strict=True)]
        on = [self.registers.get(0x1C, 0) >> bit & 1 for bit in (7, 6, 5)]
        on += [self.registers.get(0x1B, 0) >> bit & 1 for bit in (7, 6, 5)]
        return [v * o for v, o in zip([*accel, *gyro], on, strict=True)]

    def push(self, counts: list[int]) -> None:
        if self.registers.get(0x6A, 0) & 0x40 and self.registers.get(0x23, 0) == 0x78:
            self.fifo.extend(words(counts, "big"))
            while len(self.fifo) > self.depth:
                self.fifo.popleft()

    def byte(self, register: int, k: int) -> int:
        if register == 0x74:
            return self.fifo.popleft() if self.fifo else 0xFF
        at = register + k
        if at == 0x75:
            return self.identity if self.identity_value is None else self.identity_value
        if at in (0x72, 0x73):
            return len(self.fifo) >> 8 * (0x73 - at) & 0xFF
        if 0x3B <= at <= 0x48:
            counts = self.to_counts(self.latest)
            return words([*counts[:3], 0, *counts[3:]], "big")[at - 0x3B]
        return self.code_byte(at)

    def code_byte(self, at: int) -> int:
        if 0x0D <= at <= 0x0F:
            axis = at - 0x0D
            return self.codes[axis] >> 2 << 5 | self.codes[3 + axis]
        if at == 0x10:
            return (self.codes[0] & 3) << 4 | (self.codes[1] & 3) << 2 | self.codes[2] & 3
        raise WrongRegisterError(f"{type(self).__name__}: register {at:02X} is not modelled")


class Mpu6500(Mpu6050):
    """MPU-6500: RM-MPU-6500A-00 rev. 2.1; half the FIFO, a filter of its own for the accelerometer."""

    identity = 0x70
    depth = 512
    writable = Mpu6050.writable | {0x1D}
    codes = (120, 90, 130, 100, 80, 110)

    def self_test(self) -> list[float]:
        trim = [2620.0 * 1.01 ** (c - 1) for c in self.codes]
        on = [self.registers.get(0x1C, 0) >> bit & 1 for bit in (7, 6, 5)]
        on += [self.registers.get(0x1B, 0) >> bit & 1 for bit in (7, 6, 5)]
        return [t * o / (16384.0 if axis < 3 else 131.0) for axis, (t, o) in enumerate(zip(trim, on, strict=True))]

    def code_byte(self, at: int) -> int:
        if 0x0D <= at <= 0x0F:
            return self.codes[at - 0x0D]
        if 0x00 <= at <= 0x02:
            return self.codes[3 + at]
        raise WrongRegisterError(f"{type(self).__name__}: register {at:02X} is not modelled")


class Icm42688(Model):
    """ICM-42688-P: DS-000347; 16-byte packets (structure 3) with a time stamp that counts 32/30 microseconds."""

    identity = 0x47
    depth = 2048
    writable = frozenset({0x11, 0x16, 0x4B, 0x4C, 0x4E, 0x4F, 0x50, 0x52, 0x54, 0x5F, 0x70, 0x76})
    codes = (100, 90, 120, 80, 110, 95)
    rates: ClassVar[dict[int, float]] = {6: 1000.0, 15: 500.0, 7: 200.0, 8: 100.0}

    def power_up(self) -> None:
        super().power_up()
        self.registers = {0x4C: 0x30, 0x54: 0x23, 0x4F: 0x06, 0x50: 0x06}

    def written(self, register: int, value: int) -> None:
        if self.registers.get(0x76, 0) != 0 and register != 0x76:
            raise WrongRegisterError(
                f"bank {self.registers[0x76]} is chosen, register {register:02X} of bank 0 was meant"
            )
        if register == 0x11 and value & 1:
            self.power_up()
        if register == 0x4B and value & 2:
            self.fifo.clear()
        if register == 0x16 and value >> 6 == 0:
            self.fifo.clear()

    def rate_hz(self) -> float:
        if self.registers.get(0x4E, 0) & 0x0F != 0x0F:
            return 0.0
        accel, gyro = self.registers[0x50] & 15, self.registers[0x4F] & 15
        return self.rates[accel] if accel == gyro else 0.0  # Between two writes; who stays there gets nothing.

    def ranges(self) -> tuple[float, float]:
        return 16.0 / 2 ** (self.registers[0x50] >> 5), 2000.0 / 2 ** (self.registers[0x4F] >> 5)

    def sensitivities(self) -> tuple[float, float]:
        accel = (2048, 4096, 8192, 16384)[self.registers[0x50] >> 5]
        # The datasheet's table rounds (16.4 to 131); its finest entry, 2097.2 at 15.625 deg/s, shows the whole range.
        return 1.0 / accel, 2000.0 / 2 ** (self.registers[0x4F] >> 5) / 32768

    def self_test(self) -> list[float]:
        setting = self.registers.get(0x70, 0)
        on = [setting >> bit & 1 and setting >> 6 & 1 for bit in (3, 4, 5)] + [setting >> bit & 1 for bit in (0, 1, 2)]
        trim = [2620.0 * 1.01 ** (c - 1) for c in self.codes]
        return [t * o / (16384.0 if axis < 3 else 131.0) for axis, (t, o) in enumerate(zip(trim, on, strict=True))]

    def push(self, counts: list[int]) -> None:
        if self.registers.get(0x16, 0) >> 6 != 1:
            return
        if self.registers.get(0x5F, 0) & 0x0F != 0x0F or not self.registers[0x54] & 1 or self.registers[0x54] & 8:
            raise WrongRegisterError("the FIFO is not set to packets with fine time stamps")
        stamp = int(self.now_s * (1.0 + self.clock_error) * 1e6 * 30 / 32) & 0xFFFF
        self.fifo.extend([0x68, *words(counts, "big"), 10, stamp >> 8, stamp & 0xFF])
        while len(self.fifo) > self.depth // 16 * 16:
            for _ in range(16):
                self.fifo.popleft()

    def byte(self, register: int, k: int) -> int:
        bank = self.registers.get(0x76, 0)
        if register == 0x30 and bank == 0:
            return self.fifo.popleft() if self.fifo else 0xFF
        at = register + k
        if bank == 0 and at == 0x75:
            return self.identity if self.identity_value is None else self.identity_value
        if bank == 0 and at in (0x2E, 0x2F):
            return len(self.fifo) >> 8 * (0x2F - at) & 0xFF
        if bank == 0 and 0x1F <= at <= 0x2A:
            return words(self.to_counts(self.latest), "big")[at - 0x1F]
        if bank == 2 and 0x3B <= at <= 0x3D:
            return self.codes[at - 0x3B]
        if bank == 1 and 0x5F <= at <= 0x61:
            return self.codes[3 + at - 0x5F]
        raise WrongRegisterError(f"register {at:02X} of bank {bank} is not modelled")
