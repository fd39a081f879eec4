"""The host's reader as the conformance kit wants one: a stream of bytes in, one line a sample out."""

from __future__ import annotations

import sys

from tests.firmware.project import FrameReader, RawSamples, load_profile


def main() -> None:
    reader = FrameReader(load_profile("frames"))
    for item in reader.feed(sys.stdin.buffer.read(), 0.0):
        if isinstance(item, RawSamples):
            for number, tick, counts in zip(item.sequence, item.ticks, item.counts, strict=True):
                print(number, tick, *counts)


if __name__ == "__main__":
    main()
