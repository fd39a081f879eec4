"""Coverage-guided fuzzing of everything that reads a sensor's bytes; ``make fuzz`` runs it on the kept corpus.

The first byte of an input says what the rest is: a raw stream; payloads that get a right checksum, so that the parsers
behind it are reached; lines of text; commands to a device; packets as profiles describe them; or a profile itself.
Whatever it is, nothing but a known error may be raised, memory stays bounded, and samples keep their order.
"""

from __future__ import annotations

import sys
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[3]
CORPUS = Path(__file__).parent / "fuzz_corpus"
PACKETS, PROFILE = b"\xb0", b"\xb1"


def wrap(payload: bytes) -> bytes:
    """Return a payload as a wire frame."""
    from cobs import cobs

    return bytes(cobs.encode(payload + zlib.crc32(payload).to_bytes(4, "little"))) + b"\0"


def check_stream(data: bytes, hello_first: bool) -> None:
    """Read a stream in uneven pieces, one of them across a lost link."""
    from analysis.model.errors import DeviceError
    from analysis.model.records import RawSamples
    from logger.sources.device_profile import load_profile
    from logger.sources.frame_reader import MAX_PENDING_FRAMES, FrameReader
    from logger.sources.packets import MAX_WIRE_BYTES, encode
    from tests.logger.sources.make import HELLO

    reader = FrameReader(load_profile("frames"))
    last = (-1, -1)
    pieces = [data[:7], data[7:100], data[100:101], data[101:]]
    if hello_first:
        pieces.insert(0, encode(HELLO, 0))
    for place, piece in enumerate(pieces):
        try:
            items = reader.feed(piece, place * 0.1)
        except DeviceError:
            return
        for item in items:
            if isinstance(item, RawSamples):
                numbers, ticks = item.sequence, item.ticks
                assert numbers[0] > last[0]
                assert ticks[0] >= last[1]
                assert (np.diff(numbers) > 0).all()
                assert (np.diff(ticks) >= 0).all()
                assert np.abs(item.counts).max() <= 32768
                last = (int(numbers[-1]), int(ticks[-1]))
        assert reader._decoder.buffered_bytes <= MAX_WIRE_BYTES
        assert len(reader._pending) <= MAX_PENDING_FRAMES
        if place == 2:
            reader.link_lost()


def check_payloads(data: bytes) -> None:
    """Cut the input into payloads by their lengths and give each a right checksum."""
    stream, at = b"", 0
    while at < len(data):
        size = data[at]
        stream += wrap(data[at + 1 : at + 1 + size])
        at += 1 + size
    check_stream(stream, hello_first=True)


def check_text(data: bytes) -> None:
    """Read lines through three layouts."""
    from analysis.model.records import RawSamples
    from logger.sources.device_profile import load_profile
    from logger.sources.text_reader import MAX_LINE_BYTES, TextReader

    counted = load_profile("mpu6050")
    assert counted.layout is not None
    columns = ("n", "t", "ax", "ay", "az", "gx", "gy", "gz")
    counted = replace(counted, layout=replace(counted.layout, columns=columns, counter_bits=8))
    for profile in (load_profile("mpu6050"), load_profile("text-si"), counted):
        reader, last = TextReader(profile), (-1, -1)
        for place, piece in enumerate((b"\n", data[:50], data[50:51], data[51:])):
            for item in reader.feed(piece, place * 0.1):
                if isinstance(item, RawSamples):
                    assert item.sequence[0] > last[0]
                    assert item.ticks[0] > last[1]
                    assert (np.diff(item.sequence) > 0).all()
                    assert (np.diff(item.ticks) > 0).all()
                    last = (int(item.sequence[-1]), int(item.ticks[-1]))
            assert len(reader._partial) <= MAX_LINE_BYTES


def check_packets(data: bytes) -> None:
    """Read packets by the three worked profiles."""
    from analysis.model.records import RawSamples
    from logger.sources.binary_reader import BinaryReader
    from tests.logger.sources.packet_devices import DEVICES, profile

    for name in DEVICES:
        described = profile(name)
        assert described.packet is not None
        reader, last = BinaryReader(described), (-1, -1)
        for place, piece in enumerate((data[:50], data[50:51], data[51:])):
            for item in reader.feed(piece, place * 0.1):
                if isinstance(item, RawSamples):
                    assert item.sequence[0] > last[0]
                    assert item.ticks[0] > last[1]
                    assert (np.diff(item.sequence) > 0).all()
                    assert (np.diff(item.ticks) > 0).all()
                    last = (int(item.sequence[-1]), int(item.ticks[-1]))
            assert len(reader._buffer) < described.packet.size + 8


def check_profile(data: bytes) -> None:
    """Read a profile; one that is taken must do with any bytes."""
    from analysis.model.errors import DeviceError
    from logger.sources.conversation import READERS
    from logger.sources.device_profile import parse_profile

    try:
        described = parse_profile(data.decode("utf-8", "replace"), "fuzz.toml")
    except DeviceError:
        return
    READERS[described.format](described).feed(data, 0.0)


def check_one(data: bytes) -> None:
    """Run one input."""
    from logger.sources.packets import FrameDecoder, parse_command

    if data[:1] == PACKETS:
        check_packets(data[1:])
        return
    if data[:1] == PROFILE:
        check_profile(data[1:])
        return
    kind, rest = (data[0] % 4, data[1:]) if data else (0, b"")
    if kind == 0:
        check_stream(rest, hello_first=False)
    elif kind == 1:
        check_payloads(rest)
    elif kind == 2:
        check_text(rest)
    else:
        for payload in FrameDecoder().feed(wrap(rest) + rest):
            parse_command(payload)


def seeds() -> dict[str, bytes]:
    """Inputs to start from: one whole talk of each kind."""
    from logger.sources.messages import Answer, Battery, SetRange, SetRate, Start, Status
    from logger.sources.packets import FrameDecoder, encode
    from tests.logger.sources.make import HELLO, random_counts, sample_frames

    frames = sample_frames(random_counts(40), per_frame=8)
    others = [Battery(3700, 50, False, True), Status(True, 1, 2, 3, 25.5), Answer(0x82, 1, 0)]
    talk = [encode(HELLO, 0), *frames[:3], *(encode(message, 9) for message in others), frames[4]]
    restart = [encode(HELLO, 0), frames[3], encode(replace(HELLO, boot=5), 0), *frames[:2]]
    commands = [encode(command, 1) for command in (SetRate(400.0), SetRange(8, 2000), Start())]

    def payloads(wires: list[bytes]) -> bytes:
        return b"".join(bytes([len(p)]) + p for p in FrameDecoder().feed(b"".join(wires)))

    return {
        "stream": b"\0" + b"".join(talk),
        "restart": b"\0" + b"".join(restart),
        "payloads": b"\1" + payloads(talk),
        "payloads-restart": b"\1" + payloads(restart),
        "text": b"\2" + b"".join(b"%d,1,-2,3,4,5,6\n" % (i * 2500) for i in range(9)),
        "text-si": b"\2" + b"0.1\t-2\t9.8\t1e-3\t.5\t6\n" * 3,
        "text-counted": b"\2" + b"".join(b"%d,%d,1,2,3,4,5,6\r\n" % (i % 256, i * 9) for i in (250, 255, 256, 257)),
        "commands": b"\3" + payloads(commands)[1:],
        **packet_seeds(),
    }


def packet_seeds() -> dict[str, bytes]:
    """What the three worked devices send, and their profiles."""
    from tests.logger.sources.make import random_counts
    from tests.logger.sources.packet_devices import DEVICES, profiles

    motion, found = random_counts(40), {}
    for name, device in DEVICES.items():
        sent = [device.packet(motion, k * device.samples) for k in (0, 1, 2, 4, 4, 5)]
        found[f"packets-{name}"] = PACKETS + b"".join(sent)
        found[f"profile-{name}"] = PROFILE + profiles()[name].encode()
    return found


def main() -> None:
    """Fuzz until told to stop; arguments go to libFuzzer."""
    import atheris

    sys.path.insert(0, str(ROOT))
    CORPUS.mkdir(exist_ok=True)
    for name, data in seeds().items():
        (CORPUS / name).write_bytes(data)
    with atheris.instrument_imports(
        include=[
            "logger.sources.packets",
            "logger.sources.frame_reader",
            "logger.sources.text_reader",
            "logger.sources.binary_reader",
            "logger.sources.packet_layout",
            "logger.sources.sample_places",
            "logger.sources.device_profile",
            "logger.files.toml_table",
            "logger.sources.clock",
        ]
    ):
        import logger.sources.binary_reader
        import logger.sources.frame_reader
        import logger.sources.text_reader  # noqa: F401
    atheris.Setup([*sys.argv, str(CORPUS)], check_one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
