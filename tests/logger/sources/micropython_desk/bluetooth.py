# Stands for a board's radio under the MicroPython unix port: two named pipes to a test that plays the central. Without
# them this module does not exist, as on a board without a radio.
import os
import select

if not os.getenv("DESK_RADIO"):
    raise ImportError("no radio")

_in = open(os.getenv("DESK_RADIO") + ".in", "rb")
_out = open(os.getenv("DESK_RADIO") + ".out", "wb")
_poll = select.poll()
_poll.register(_in, select.POLLIN)
_radio = []


class UUID:
    def __init__(self, text):
        self.text = text


class BLE:
    def __init__(self):
        self.handler, self.written, self.is_advertising = None, b"", False
        _radio.append(self)

    def active(self, on):
        pass

    def config(self, **settings):
        self.settings = settings

    def gatts_register_services(self, services):
        return ((1, 2),)

    def gatts_set_buffer(self, handle, size, append):
        pass

    def irq(self, handler):
        self.handler = handler

    def gap_advertise(self, interval_us, adv_data=b""):
        assert len(adv_data) <= 31
        self.is_advertising = True

    def gatts_notify(self, connection, handle, data):
        assert (connection, handle) == (7, 2)
        assert len(data) <= 244
        _out.write(bytes((len(data),)) + data)
        _out.flush()

    def gatts_read(self, handle):
        data, self.written = self.written, b""
        return data


def step():
    # Called by the desk's I2C, so often enough: an event of the radio interrupts the firmware now.
    if not _radio or not _poll.poll(0):
        return
    radio, kind = _radio[0], _in.read(1)
    if kind == b"C":
        assert radio.is_advertising
        radio.is_advertising = False
        radio.handler(1, (7, 0, b"\0" * 6))
        radio.handler(21, (7, 247))
    elif kind == b"D":
        radio.handler(2, (7, 0, b"\0" * 6))
    elif kind == b"W":
        radio.written += _in.read(_in.read(1)[0])
        radio.handler(3, (7, 1))
