"""Listen to the streams as a stranger's program would, with pylsl alone; print what came as JSON. Run as a script."""

from __future__ import annotations

import json
import sys
import time

import pylsl

QUIET_S = 1.5


def main() -> None:
    names = sys.argv[1:]
    inlets = {}
    for name in names:
        found = pylsl.resolve_byprop("name", name, timeout=20.0)
        inlets[name] = pylsl.StreamInlet(found[0], max_buflen=60)
    heard = {name: {"xml": inlet.info(10.0).as_xml()} for name, inlet in inlets.items()}
    for name, inlet in inlets.items():
        inlet.open_stream(10.0)
        heard[name] |= {"correction_s": inlet.time_correction(10.0), "values": [], "stamps_s": [], "arrived_s": []}
    print("listening", flush=True)
    quiet_from = time.monotonic()
    started = False
    while not started or time.monotonic() - quiet_from < QUIET_S:
        for name, inlet in inlets.items():
            values, stamps = inlet.pull_chunk(timeout=0.0)
            if stamps:
                quiet_from, started = time.monotonic(), True
                heard[name]["values"] += values
                heard[name]["stamps_s"] += stamps
                heard[name]["arrived_s"] += [pylsl.local_clock()] * len(stamps)
        time.sleep(0.002)
    print(json.dumps(heard), flush=True)


if __name__ == "__main__":
    main()
