"""How soon the live page reacts, in Chromium: a press of the pedal, the first mark of a change, pictures of the tab.

The program runs in a process of its own with the simulated player, in real time. A press is measured from the key's
event to the frame that shows the new step; a mark from its stroke's end to the frame after its message, on one clock.

Run: python -m benchmarks.bench_reactions --help
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.bench_page import lead_to_play, program
from tests.browser import open_chromium, open_page

DRILL = 'drill = "4x2 3x2 2x2 3x2"\nrepeats = 90'
WATCH = """(() => {
  const now = () => (performance.timeOrigin + performance.now()) / 1000;
  const kept = window.kept = {marks: [], presses: [], drawn: 0, begun: 0};
  const known = new Map();
  let pressed = null, waiting = [];
  document.addEventListener('keydown', event => {
    if (event.key === 'PageDown' || event.key === 'p') pressed = event.timeStamp; }, true);
  const Socket = window.WebSocket;
  window.WebSocket = class extends Socket { constructor(...a) { super(...a); this.addEventListener('message', event => {
    const message = JSON.parse(event.data);
    if (message.type !== 'notes') return;
    for (const each of message.changes) {
      const key = `${message.block} ${each.end_server_s.toFixed(1)}`;
      const was = known.get(key);
      if (was === undefined) { known.set(key, each.final); waiting.push([each.final ? 1 : 0, each.end_server_s]); }
      else if (!was && each.final) { known.set(key, true); waiting.push([1, each.end_server_s]); }
    } }); } };
  const clear = CanvasRenderingContext2D.prototype.clearRect;
  CanvasRenderingContext2D.prototype.clearRect = function (...a) {
    if (this.canvas.id === 'tab-view') kept.drawn += 1; return clear.apply(this, a); };
  let step = '';
  const frame = () => {
    for (const [final, end] of waiting) kept.marks.push([final, now() - end]);
    waiting = [];
    const shown = document.getElementById('stage')?.dataset.step + document.getElementById('title')?.textContent;
    if (shown !== step) {
      if (pressed !== null) kept.presses.push(performance.now() - pressed);
      step = shown; pressed = null; }
    requestAnimationFrame(frame); };
  requestAnimationFrame(frame);
})()"""


def told(name: str, values_ms: np.ndarray, wanted: str) -> str:
    """A row of the table."""
    if not len(values_ms):
        return f"| {name} | {wanted} | none seen | | | 0 |"
    middle, most = np.percentile(values_ms, [50, 95])
    return f"| {name} | {wanted} | {middle:.0f} | {most:.0f} | {values_ms.max():.0f} | {len(values_ms)} |"


def press_about(page: Any, count: int) -> None:
    """Pause and go on, so many times."""
    for _ in range(count):
        page.keyboard.press("p")
        time.sleep(1.5)
        lead_to_play(page)
        time.sleep(1.0)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="of play that are followed")
    parser.add_argument("--presses", type=int, default=8, help="pauses and starts")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        program(Path(folder), 10.0, DRILL) as (address, _),
        open_chromium() as browser,
        open_page(browser, viewport={"width": 1366, "height": 768}) as (page, watch),
    ):
        page.add_init_script(WATCH)
        page.goto(address)
        lead_to_play(page)
        page.evaluate("Object.assign(window.kept, {marks: [], drawn: 0})")
        begun = time.perf_counter()
        time.sleep(given.seconds)
        drawn = page.evaluate("window.kept.drawn") / (time.perf_counter() - begun)
        marks = np.array(page.evaluate("window.kept.marks")).reshape(-1, 2)
        page.evaluate("window.kept.presses.length = 0")
        press_about(page, given.presses)
        presses = np.array(page.evaluate("window.kept.presses"))
        errors = len(watch.errors)
    print("| what | wanted, ms | median | 95 of 100 | most | of |\n| --- | --- | --- | --- | --- | --- |")
    print(told("press to the frame that shows it", presses, "100"))
    print(told("end of a stroke to a change's provisional mark", 1e3 * marks[marks[:, 0] == 0, 1], "250"))
    print(told("end of a stroke to a change's final mark", 1e3 * marks[marks[:, 0] == 1, 1], "two strokes, 250"))
    print(f"Pictures of the tab a second: {drawn:.1f}; errors that the page complained of: {errors}")
    print(f"Load of this machine over the last minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
