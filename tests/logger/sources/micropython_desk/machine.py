# Stands for the hardware under the MicroPython unix port: a register map on I2C whose samples come from a file, at the
# rate that the part's own registers ask for. A sample that is not read in time is overwritten, as in a real part.
import os
import struct
import time

try:
    import bluetooth
except ImportError:
    bluetooth = None

COUNTS = open(os.getenv("DESK_COUNTS"), "rb").read()  # Rows of six int16: accelerometer, gyroscope.
ROWS = len(COUNTS) // 12
PART = os.getenv("DESK_PART") or "MPU-6050"
LOOPS = os.getenv("DESK_ONCE") is None


def unique_id():
    return b"desk0001"


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    def __init__(self, pin):
        self.pin = pin

    def read_u16(self):
        return 38000


class I2C:
    def __init__(self, bus, sda, scl, freq):
        self.registers = bytearray(128)
        self.address = 0x68 if PART == "MPU-6050" else 0x6A
        self.registers[0x75 if PART == "MPU-6050" else 0x0F] = 0x68 if PART == "MPU-6050" else 0x6C
        self.began_us, self.elapsed_us, self.last_us = None, 0, 0
        self.seen = self.row = -1

    def scan(self):
        return [self.address]

    def rate_hz(self):
        if PART == "MPU-6050":
            return 1000 / (1 + self.registers[0x19])
        return {4: 104, 5: 208, 6: 416, 7: 833}.get(self.registers[0x10] >> 4, 0)

    def writeto_mem(self, address, register, data):
        if address != self.address:
            raise OSError(19)
        before = self.rate_hz()
        self.registers[register] = data[0]
        if self.began_us is None or self.rate_hz() != before:
            self.began_us, self.elapsed_us, self.last_us = time.ticks_us(), 0, time.ticks_us()
            self.seen = self.row = -1

    def readfrom_mem(self, address, register, count):
        buffer = bytearray(count)
        self.readfrom_mem_into(address, register, buffer)
        return bytes(buffer)

    def readfrom_mem_into(self, address, register, buffer):
        if address != self.address:
            raise OSError(19)
        self.update()
        if register in (0x3A, 0x1E):
            fresh = self.row > self.seen
            buffer[0] = (1 if PART == "MPU-6050" else 3) if fresh else 0
            return
        if register in (0x3B, 0x20):
            self.seen = self.row
            at = self.row % ROWS * 12
            ax, ay, az, gx, gy, gz = struct.unpack("<6h", COUNTS[at : at + 12])
            if PART == "MPU-6050":
                buffer[:] = struct.pack(">7h", ax, ay, az, -1000, gx, gy, gz)
            else:
                buffer[:] = struct.pack("<7h", 1280, gx, gy, gz, ax, ay, az)
            return
        buffer[:] = self.registers[register : register + len(buffer)]

    def update(self):
        if bluetooth is not None:
            bluetooth.step()
        if self.began_us is None or not self.rate_hz():
            return
        now = time.ticks_us()
        self.elapsed_us += time.ticks_diff(now, self.last_us)
        self.last_us = now
        row = int(self.elapsed_us * self.rate_hz() / 1000000) - 1
        self.row = row if LOOPS else min(row, ROWS - 1)
