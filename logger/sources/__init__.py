"""Where samples come from: serial, Bluetooth LE, replay, simulation; bytes to samples; the sensor's clock.

Comes in: bytes and device profiles. Goes out: samples, news of the link, every loss counted by cause.
May use: terminal, session, files.
"""
