# Reference firmware of the strokeplane wire protocol (PROTOCOL.md) for MicroPython boards: a 6-axis part on I2C,
# frames over USB serial and, where the board has it, over a BLE UART service. Copy it to the board as main.py.
#
# It polls the part's data-ready flag, so the sample rate is the part's own. What a reading is worth depends on that
# flag being looked at often enough: a sample that was overwritten is counted as missed and never made up.

import os
import select
import struct
import sys
import time

import machine
import micropython

try:
    from binascii import crc32
except ImportError:  # A small build without it.

    def crc32(data):
        crc = 0xFFFFFFFF
        for byte in data:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
        return crc ^ 0xFFFFFFFF


try:
    import bluetooth
except ImportError:  # A board without a radio.
    bluetooth = None

# --- What differs from board to board -----------------------------------------------------------------------------
I2C_ID, PIN_SDA, PIN_SCL = 0, 4, 5
I2C_HZ = 400_000
AXES = (1, 2, 3)  # Which part axis each axis marked on the board is; see "axis marks" in PROTOCOL.md.
PIN_BATTERY = None  # ADC pin behind a divider of two equal resistors, or None.
NAME = "strokeplane"  # Bluetooth name. Two boards need two: strokeplane-a, strokeplane-b.
FIRMWARE = sys.platform + " reference 1"  # The microcontroller first: PROTOCOL.md.
# ------------------------------------------------------------------------------------------------------------------

VERSION, TICK_BITS, TICK_HZ = 1, 32, 1_000_000
HELLO, SAMPLES, BATTERY, STATUS, ANSWER = 1, 2, 3, 4, 5
IDENTIFY, START, STOP, RATE, RANGE = 0x81, 0x82, 0x83, 0x84, 0x85
BODY_BYTES = {IDENTIFY: 0, START: 0, STOP: 0, RATE: 4, RANGE: 4}
DONE, UNKNOWN, IMPOSSIBLE, FAILED = 0, 1, 2, 3
MAX_SAMPLES, MAX_WIRE = 16, 251
FRAME_US = 25_000
EARLY = 0.15  # Of a period: how far before its expected instant a sample may be met.
NO_TEMPERATURE = -32768


class Mpu6050:
    # Registers: MPU-6000/MPU-6050 register map; scale factors: its product specification.
    name, addresses = "MPU-6050", (0x68, 0x69)
    rates_mhz = (500_000, 250_000, 200_000, 125_000, 100_000, 1_000_000)
    accel = {2: (0, 1 / 16384), 4: (1, 1 / 8192), 8: (2, 1 / 4096), 16: (3, 1 / 2048)}
    gyro = {250: (0, 1 / 131), 500: (1, 1 / 65.5), 1000: (2, 1 / 32.8), 2000: (3, 1 / 16.4)}

    @staticmethod
    def is_there(i2c, address):
        return i2c.readfrom_mem(address, 0x75, 1)[0] & 0x7E == 0x68

    def __init__(self, i2c, address):
        self.i2c, self.address = i2c, address
        self.buffer = bytearray(14)
        self.flag = bytearray(1)
        i2c.writeto_mem(address, 0x6B, b"\x01")  # Wake; clock from the gyroscope, steadier than the inner one.
        i2c.writeto_mem(address, 0x1A, b"\x01")  # Low-pass near 185 Hz; internal rate 1 kHz.
        i2c.writeto_mem(address, 0x38, b"\x01")  # Data-ready flag on.

    def configure(self, rate_mhz, accel_range, gyro_range):
        write = self.i2c.writeto_mem
        write(self.address, 0x19, bytes((1_000_000 // rate_mhz - 1,)))
        write(self.address, 0x1B, bytes((self.gyro[gyro_range][0] << 3,)))
        write(self.address, 0x1C, bytes((self.accel[accel_range][0] << 3,)))

    def ready(self):
        self.i2c.readfrom_mem_into(self.address, 0x3A, self.flag)
        return self.flag[0] & 1

    def read(self):
        # Accelerometer, temperature, gyroscope, big-endian, in one burst so that they belong together.
        self.i2c.readfrom_mem_into(self.address, 0x3B, self.buffer)
        ax, ay, az, temperature, gx, gy, gz = struct.unpack(">7h", self.buffer)
        self.centidegrees = temperature * 100 // 340 + 3653
        return ax, ay, az, gx, gy, gz


class Lsm6dso:
    # Registers and scale factors: LSM6DSO datasheet DS12140.
    name, addresses = "LSM6DSO", (0x6A, 0x6B)
    rates_mhz = (416_000, 208_000, 104_000, 833_000)
    accel = {2: (0, 0.061e-3), 4: (2, 0.122e-3), 8: (3, 0.244e-3), 16: (1, 0.488e-3)}
    gyro = {250: (0, 8.75e-3), 500: (1, 17.5e-3), 1000: (2, 35e-3), 2000: (3, 70e-3)}
    codes = {104_000: 4, 208_000: 5, 416_000: 6, 833_000: 7}

    @staticmethod
    def is_there(i2c, address):
        return i2c.readfrom_mem(address, 0x0F, 1)[0] == 0x6C

    def __init__(self, i2c, address):
        self.i2c, self.address = i2c, address
        self.buffer = bytearray(14)
        self.flag = bytearray(1)
        i2c.writeto_mem(address, 0x12, b"\x44")  # Block data update; register number rises by itself.

    def configure(self, rate_mhz, accel_range, gyro_range):
        code = self.codes[rate_mhz] << 4
        self.i2c.writeto_mem(self.address, 0x10, bytes((code | self.accel[accel_range][0] << 2,)))
        self.i2c.writeto_mem(self.address, 0x11, bytes((code | self.gyro[gyro_range][0] << 2,)))

    def ready(self):
        self.i2c.readfrom_mem_into(self.address, 0x1E, self.flag)
        return self.flag[0] & 3 == 3

    def read(self):
        # Temperature, gyroscope, accelerometer, little-endian.
        self.i2c.readfrom_mem_into(self.address, 0x20, self.buffer)
        temperature, gx, gy, gz, ax, ay, az = struct.unpack("<7h", self.buffer)
        self.centidegrees = temperature * 100 // 256 + 2500
        return ax, ay, az, gx, gy, gz


def find_part(i2c):
    there = i2c.scan()
    for kind in (Mpu6050, Lsm6dso):
        for address in kind.addresses:
            if address in there and kind.is_there(i2c, address):
                return kind(i2c, address)
    return None


def frame_of(kind, number, body):
    payload = struct.pack("<BH", kind, number & 0xFFFF) + body
    payload += struct.pack("<I", crc32(payload) & 0xFFFFFFFF)
    # COBS for fewer than 254 bytes: each run between zeros behind its length plus one.
    return b"".join([bytes((len(run) + 1,)) + run for run in payload.split(b"\0")]) + b"\0"


def payload_of(wire):
    # The payload of one wire frame without its delimiter, or None if it is damaged.
    runs, at = [], 0
    while at < len(wire):
        code = wire[at]
        if code == 0 or at + code > len(wire):
            return None
        runs.append(wire[at + 1 : at + code])
        at += code
    data = b"\0".join(runs)
    if len(data) < 7 or struct.unpack("<I", data[-4:])[0] != crc32(data[:-4]) & 0xFFFFFFFF:
        return None
    return data[:-4]


class Clock:
    # Microseconds in 32 bits; the board's own counter wraps earlier on most.
    def __init__(self):
        self.last = time.ticks_us()
        self.now = 0

    def tick(self):
        reading = time.ticks_us()
        self.now += time.ticks_diff(reading, self.last)
        self.last = reading
        return self.now


class UsbLink:
    # Frames over the console's own serial line.
    def __init__(self):
        micropython.kbd_intr(-1)  # A byte 03 is data here, not Ctrl-C.
        self.poll = select.poll()
        self.poll.register(sys.stdin, select.POLLIN)
        self.stdin, self.stdout = sys.stdin.buffer, sys.stdout.buffer

    def write(self, data):
        self.stdout.write(data)

    def read(self):
        # At most a few bytes a turn, so that a chatty host never starves the sampling.
        data = b""
        while len(data) < 8 and self.poll.poll(0):
            byte = self.stdin.read(1)
            if not byte:
                break
            data += byte
        return data


class BleLink:
    # UART service; a frame that does not fit a notification goes out in several.
    def __init__(self):
        self.ble = bluetooth.BLE()
        self.ble.active(True)
        self.ble.config(mtu=247, rxbuf=256)
        service = bluetooth.UUID("6E400001-B5A3-F393-E0A9-E50E24DCCA9E")
        write = (bluetooth.UUID("6E400002-B5A3-F393-E0A9-E50E24DCCA9E"), 0x0008 | 0x0004)
        notify = (bluetooth.UUID("6E400003-B5A3-F393-E0A9-E50E24DCCA9E"), 0x0010)
        ((self.in_handle, self.out_handle),) = self.ble.gatts_register_services(((service, (write, notify)),))
        self.ble.gatts_set_buffer(self.in_handle, 256, True)
        self.connection, self.room, self.received, self.broken = None, 20, b"", False
        self.ble.irq(self.on_event)
        self.advertise()

    def on_event(self, event, data):
        if event == 1:  # Connected.
            self.connection, self.room = data[0], 20
        elif event == 2:  # Disconnected.
            self.connection = None
            self.advertise()
        elif event == 3 and data[1] == self.in_handle:  # Written.
            self.received = (self.received + self.ble.gatts_read(self.in_handle))[-512:]
        elif event == 21:  # MTU agreed: three bytes of each notification are not ours.
            self.room = data[1] - 3

    def advertise(self):
        name = NAME.encode()
        self.ble.gap_advertise(100_000, adv_data=b"\x02\x01\x06" + bytes((len(name) + 1, 9)) + name)

    def write(self, data):
        if self.connection is None:
            return
        if self.broken:  # Ends the frame that was broken off, so that this one is not lost with it.
            data, self.broken = b"\0" + data, False
        try:
            for at in range(0, len(data), self.room):
                self.ble.gatts_notify(self.connection, self.out_handle, data[at : at + self.room])
        except OSError:  # No buffer free: the rest of this frame is lost, and its numbers say so.
            self.broken = True

    def read(self):
        data, self.received = self.received, b""
        return data


class Device:
    def __init__(self, part, links):
        self.part, self.links = part, links
        self.clock = Clock()
        self.boot = struct.unpack("<I", os.urandom(4))[0]
        self.rate_mhz, self.ranges = part.rates_mhz[0], (8, 2000)
        self.running = False
        self.sent = 0  # Frames.
        self.incoming = [b"" for _ in links]
        self.number, self.missed, self.bus_errors = -1, 0, 0
        self.anchor, self.pending = None, []
        self.said_us = 0
        self.adc = None if PIN_BATTERY is None else machine.ADC(machine.Pin(PIN_BATTERY))
        self.configure()

    def configure(self):
        self.part.configure(self.rate_mhz, *self.ranges)
        self.period_us = 1_000_000_000 / self.rate_mhz
        self.anchor = None

    def send(self, kind, body):
        self.write(frame_of(kind, self.sent, body))
        self.sent += 1

    def write(self, data):
        for link in self.links:
            link.write(data)

    def hello(self):
        accel, gyro = self.ranges
        part, firmware = self.part.name.encode(), FIRMWARE.encode()
        body = struct.pack("<BBIIHH", VERSION, TICK_BITS, TICK_HZ, self.rate_mhz, accel, gyro)
        body += struct.pack("<dd", self.part.accel[accel][1], self.part.gyro[gyro][1])
        body += struct.pack("<3bI", *AXES, self.boot) + (machine.unique_id() + bytes(8))[:8]
        body += bytes((len(part),)) + part + bytes((len(firmware),)) + firmware
        self.send(HELLO, body)

    def sample(self):
        # Take one reading if it is due. Sample k can be read from its own instant to the next one's.
        try:
            if not self.part.ready():
                return
            now = self.clock.tick()
            values = self.part.read()
        except OSError:
            self.bus_errors += 1
            return
        step = self.step_to(now)
        if step > 1:
            self.missed += step - 1
            self.flush()
        self.number += step
        if self.running:
            self.pending.append((self.number, now, values))

    def step_to(self, now):
        # How many instants of the part's clock have passed since the last reading. `anchor` is the instant of sample
        # `anchor_number`: reading k is due from its own instant to the next one's, so the whole periods since the
        # anchor tell k. Two readings never share a number; one that runs ahead waits until the count has caught up.
        if self.anchor is None:
            self.anchor, self.anchor_number, self.period = now, self.number + 1, self.period_us
            return 1
        periods = int((now - self.anchor) / self.period + EARLY)
        if periods > 0:
            # The earliest readings show the instants; later ones only follow the part's own rate, slowly.
            self.anchor_number += periods
            self.anchor += periods * self.period
            late = now - self.anchor
            gain = 0.5 if late < 0 else 0.03
            self.anchor += gain * late
            period = self.period + gain * late / 64
            self.period = min(max(period, 0.97 * self.period_us), 1.03 * self.period_us)
        return max(1, self.anchor_number - self.number)

    def flush(self):
        pending, self.pending = self.pending, []
        if not pending:
            return
        number, first, _ = pending[0]
        body = struct.pack("<IIB", number & 0xFFFFFFFF, first & 0xFFFFFFFF, len(pending))
        for _, tick, values in pending:
            body += struct.pack("<H6h", tick - first, *values)
        self.send(SAMPLES, body)

    def flush_if_due(self):
        pending = self.pending
        if pending and (len(pending) >= MAX_SAMPLES or self.clock.tick() - pending[0][1] >= FRAME_US):
            self.flush()

    def report(self):
        # Once a second.
        now = self.clock.tick()
        if now - self.said_us < 1_000_000:
            return
        self.said_us = now
        centidegrees = getattr(self.part, "centidegrees", NO_TEMPERATURE)
        counts = (self.missed & 0xFFFFFFFF, self.bus_errors & 0xFFFFFFFF)
        self.send(STATUS, struct.pack("<BIIIh", self.running, now & 0xFFFFFFFF, *counts, centidegrees))
        if self.adc is not None:
            millivolts = self.adc.read_u16() * 2 * 3300 // 65535
            percent = min(100, max(0, (millivolts - 3300) * 100 // 850))
            self.send(BATTERY, struct.pack("<HBB", millivolts, percent, 0))

    def listen(self):
        for place, link in enumerate(self.links):
            data = link.read()
            if not data:
                continue
            parts = (self.incoming[place] + data).split(b"\0")
            self.incoming[place] = parts[-1][-MAX_WIRE:]
            for wire in parts[:-1]:
                payload = payload_of(wire) if wire else None
                if payload is not None:
                    self.obey(payload)

    def obey(self, payload):
        kind, number = struct.unpack("<BH", payload[:3])
        if kind < 0x80 or len(payload) - 3 != BODY_BYTES.get(kind, len(payload) - 3):
            return  # Not for a device (perhaps its own frames, echoed), or no whole command.
        result = self.result_of(kind, payload[3:])
        if result == DONE and kind in (IDENTIFY, RATE, RANGE):
            self.hello()
        self.send(ANSWER, struct.pack("<BHB", kind, number, result))

    def result_of(self, kind, body):
        if kind == IDENTIFY:
            return DONE
        if kind in (START, STOP):
            self.flush()
            self.running = kind == START
            return DONE
        if kind not in (RATE, RANGE):
            return UNKNOWN
        if self.running:
            return FAILED
        if kind == RATE:
            (rate_mhz,) = struct.unpack("<I", body)
            if rate_mhz not in self.part.rates_mhz:
                return IMPOSSIBLE
            if rate_mhz != self.rate_mhz:
                # Numbers count instants of one rate: a new rate is a new count, as after power-up.
                self.rate_mhz, self.boot, self.number = rate_mhz, self.boot + 1 & 0xFFFFFFFF, -1
        else:
            accel, gyro = struct.unpack("<HH", body)
            if accel not in self.part.accel or gyro not in self.part.gyro:
                return IMPOSSIBLE
            self.ranges = (accel, gyro)
        self.configure()
        return DONE

    def run(self):
        self.write(b"\0")  # Ends whatever the interpreter printed at power-up.
        self.hello()
        while True:
            self.sample()
            self.flush_if_due()
            self.listen()
            self.report()


def main():
    i2c = machine.I2C(I2C_ID, sda=machine.Pin(PIN_SDA), scl=machine.Pin(PIN_SCL), freq=I2C_HZ)
    part = find_part(i2c)
    while part is None:
        print("no MPU-6050 or LSM6DSO answers on I2C: check the four wires")
        time.sleep(2)
        part = find_part(i2c)
    links = [UsbLink()]
    if bluetooth is not None:
        links.append(BleLink())
    Device(part, links).run()


main()
