"""The live page in Chromium: time until it can be used, pictures a second, delay of the picture, growth over time.

The program runs in a process of its own with the simulated player, in real time; the page is driven by keys. The
delay is measured from the moment a sample is taken to the callback of the frame that draws it, on one clock.

Run: python -m benchmarks.bench_page --help
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.bench_live import cpu_s, memory_mb, sensor_shares
from tests.browser import open_chromium, open_page, wait_until

LOADS = 10
STATE = """(() => { const first = document.querySelector('#commands button[data-first=true]:not([hidden])');
return [document.getElementById('stage').dataset.step, first ? first.dataset.command : '']; })()"""

# Counts frames, drawn pictures and messages; keeps of every trace how old its oldest point was when the next frame
# began (a message's points follow each other 7.5 ms apart at 400 samples a second).
WATCH = """(() => {
  const now = () => (performance.timeOrigin + performance.now()) / 1000;
  const kept = window.kept = {frames: 0, drawn: 0, messages: 0, delays: [], waiting: []};
  const Socket = window.WebSocket;
  window.WebSocket = class extends Socket { constructor(...a) { super(...a); this.addEventListener('message', event => {
    kept.messages += 1;
    const message = JSON.parse(event.data);
    if (message.type === 'trace')
      kept.waiting.push(message.sampled_server_s - 0.0075 * (message.points_mm.length - 1));
  }); } };
  const clear = CanvasRenderingContext2D.prototype.clearRect;
  CanvasRenderingContext2D.prototype.clearRect = function (...a) { kept.drawn += 1; return clear.apply(this, a); };
  const frame = () => { kept.frames += 1; const at = now();
    for (const sampled of kept.waiting) kept.delays.push([at, at - sampled]);
    kept.waiting = []; requestAnimationFrame(frame); };
  requestAnimationFrame(frame);
})()"""


@contextmanager
def program(folder: Path, minutes: float, length: str = "") -> Iterator[tuple[str, int]]:
    """The running program's address and process; ``length``: a block's length, and drill, instead of the minutes."""
    plan = folder / "plan.toml"
    length = length or f"seconds = {60 * minutes:.0f}"
    block = f'posture = "A"\ntempo_bpm = 120\nnotes_per_beat = 4\n{length}\nwanted = "down"'
    plan.write_text(f"[[block]]\n{block}\n")
    words = [
        "live",
        str(plan),
        "--source",
        "simulated",
        "--port",
        "0",
        "--no-browser",
        "-o",
        str(folder / "bench.mcap"),
    ]
    command = [str(Path(sys.executable).with_name("strokeplane")), *words]
    environment = {**os.environ, "STROKEPLANE_HOME": str(folder / "home")}
    running = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, env=environment)
    try:
        address = re.search(r"http://\S+", running.stderr.readline() if running.stderr else "")
        if not address:
            raise RuntimeError("the program printed no address")
        yield address[0], running.pid
    finally:
        running.kill()
        running.wait()


def time_loads(browser: Any, address: str) -> list[float]:
    """Milliseconds from asking for the page until keys are heard and the state is shown, in a fresh profile each."""
    times = []
    for _ in range(LOADS):
        with open_page(browser) as (page, _):
            page.goto(address)
            wait_until(page, "document.documentElement.dataset.ready === 'yes'", 20)
            times.append(page.evaluate("performance.getEntriesByName('interactive')[0].startTime"))
    return times


def lead_to_play(page: Any) -> None:
    """Press the pedal whenever the page offers to go on."""
    deadline = time.monotonic() + 180
    while time.monotonic() < deadline:
        step, command = page.evaluate(STATE)
        if step == "play":
            return
        if command == "next":
            page.keyboard.press("PageDown")
        time.sleep(0.1)
    raise RuntimeError("the session did not come to play")


def follow(page: Any, pid: int, minutes: float, parts: int) -> list[tuple[float, ...]]:
    """One row a part of the time: frames, pictures, messages a second, delays (ms), server's share, memories (MB)."""
    seconds = 60 * minutes - 4
    rows = []
    time.sleep(2)
    for _ in range(parts):
        page.evaluate("Object.assign(window.kept, {frames: 0, drawn: 0, messages: 0, delays: []}) && 0")
        begun, processor = time.perf_counter(), cpu_s(pid)
        time.sleep(seconds / parts)
        kept = page.evaluate("window.kept")
        passed = time.perf_counter() - begun
        delays = 1000 * np.array([delay for _, delay in kept["delays"]])
        share = 100 * (cpu_s(pid) - processor) / passed
        heap = page.evaluate("performance.memory.usedJSHeapSize / 1e6")
        rates = [kept[name] / passed for name in ("frames", "drawn", "messages")]
        rows.append((*rates, *np.percentile(delays, [50, 95, 99]), share, memory_mb(pid), heap))
    return rows


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=2.0, help="minutes of play that are followed")
    parser.add_argument("--parts", type=int, default=6, help="of the time, a row each")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        program(Path(folder), given.minutes) as (address, pid),
        open_chromium() as browser,
    ):
        loads = time_loads(browser, address)
        print(f"Until the page can be used, {LOADS} loads: median {np.median(loads):.0f} ms, most {max(loads):.0f} ms")
        with open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch):
            page.add_init_script(WATCH)
            page.goto(address)
            lead_to_play(page)
            rows = follow(page, pid, given.minutes, given.parts)
        print("| part | frames/s | pictures/s | messages/s | delay p50 | p95 | p99 ms | server, % | MB | page MB |")
        print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
        for number, row in enumerate(rows, 1):
            print(f"| {number} of {len(rows)} | " + " | ".join(f"{value:.1f}" for value in row) + " |")
        making, reading = sensor_shares()
        print(f"Of the server's share, making the simulated samples {making:.1f} %, reading them {reading:.1f} %")
        print(f"Errors that the page complained of: {len(watch.errors)}")
        print(f"Load of this machine over the last minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
