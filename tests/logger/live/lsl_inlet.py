"""Listen to the streams as a stranger's program would, with pylsl alone; print what came as JSON. Run as a script.

It listens until its own input ends, and from then on until nothing comes any more.
"""

from __future__ import annotations

import json
import sys
import threading
import time

import pylsl

QUIET_S = 1.5
PATIENCE_S = 120.0


def main() -> None:
    names = sys.argv[1:]
    inlets = {}
    for name in names:
        found = pylsl.resolve_byprop("name", name, timeout=PATIENCE_S)
        inlets[name] = pylsl.StreamInlet(found[0], max_buflen=60)
    heard = {name: {"xml": inlet.info(PATIENCE_S).as_xml()} for name, inlet in inlets.items()}
    for name, inlet in inlets.items():
        inlet.open_stream(PATIENCE_S)
        heard[name] |= {
            "correction_s": inlet.time_correction(PATIENCE_S),
            "values": [],
            "stamps_s": [],
            "arrived_s": [],
        }
    print("listening", flush=True)
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    quiet_from = time.monotonic()
    while not ended.is_set() or time.monotonic() - quiet_from < QUIET_S:
        for name, inlet in inlets.items():
            values, stamps = inlet.pull_chunk(timeout=0.0)
            if stamps:
                quiet_from = time.monotonic()
                heard[name]["values"] += values
                heard[name]["stamps_s"] += stamps
                heard[name]["arrived_s"] += [pylsl.local_clock()] * len(stamps)
        time.sleep(0.002)
    print(json.dumps(heard), flush=True)


if __name__ == "__main__":
    main()
