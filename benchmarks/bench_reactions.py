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
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from analysis.model.records import RawSamples
from analysis.synthesis.scenario import PlayBlock
from benchmarks.bench_page import lead_to_play, program
from logger.live.block_follower import wait_s
from logger.live.simulated_player import SPAN_MM, player_session
from logger.practice.played_drill import played_drill
from logger.sliding.estimator import LiveEstimator
from tests.browser import open_chromium, open_page

DRILL = 'drill = "4x2 3x2 2x2 3x2"\nrepeats = 90'
ONE_STROKE_S = 0.07
PACKET, LINK_S = 10, 0.03
"""Samples a packet; from a sample until it is here."""
WATCH = """(() => {
  const now = () => (performance.timeOrigin + performance.now()) / 1000;
  const kept = window.kept = {marks: [], presses: [], drawn: 0, begun: 0};
  let pressed = null, waiting = [];
  document.addEventListener('keydown', event => {
    if (event.key === 'PageDown' || event.key === 'p') pressed = event.timeStamp; }, true);
  const Socket = window.WebSocket;
  window.WebSocket = class extends Socket { constructor(...a) { super(...a); this.addEventListener('message', event => {
    const message = JSON.parse(event.data);
    if (message.type !== 'notes') return;
    for (const each of message.changes)
      waiting.push([each.final ? 1 : 0, each.end_server_s, each.place, each.verdict]);
    }); } };
  const clear = CanvasRenderingContext2D.prototype.clearRect;
  CanvasRenderingContext2D.prototype.clearRect = function (...a) {
    if (this.canvas.id === 'tab-view') kept.drawn += 1; return clear.apply(this, a); };
  let step = '';
  const frame = () => {
    for (const each of waiting) kept.marks.push([now(), ...each]);
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


def pair_marks(told: list[tuple[float, int, float, int, str]]) -> tuple[np.ndarray, np.ndarray, float]:
    """Delays (s) of provisional and of final marks, of each change that became final, and how often both agree.

    A stroke's end moves by some hundredths until it is final: a change is known by its place and its final end.
    """
    finals: dict[tuple[int, float], tuple[float, str]] = {}
    for shown_s, final, end_s, place, verdict in told:
        if final:
            finals.setdefault((place, round(end_s, 3)), (shown_s, verdict))
    first, last, same = [], [], []
    for (place, end_s), (final_s, verdict) in finals.items():
        own = [(t, v) for t, final, end, at, v in told if not final and at == place and abs(end - end_s) < ONE_STROKE_S]
        last.append(final_s - end_s)
        first.append(own[0][0] - end_s if own else last[-1])
        same += [own[0][1] == verdict] if own and verdict != "not known" else []
    return np.array(first), np.array(last), float(np.mean(same)) if same else np.nan


def part_of(raw: RawSamples, first: int, last: int) -> RawSamples:
    """Some samples of a recording."""
    here = slice(first, last)
    return RawSamples(raw.ticks[here], raw.sequence[here], raw.host_time_s[here], raw.counts[here])


def free_machine_marks(seconds: float) -> list[tuple[float, int, float, int, str]]:
    """The same marks where nothing else runs: the session's own time goes on by the processor time of each window."""
    block = PlayBlock(
        duration_s=seconds, tilt_deg=22.0, span_mm=SPAN_MM, tempo_bpm=120.0, notes_per_beat=4.0, drill="4x2 3x2 2x2 3x2"
    )
    session = player_session((played_drill(block, 6),), 11).session
    play = next(event for event in session.events if event.kind == "play")
    raw, tick_hz = session.raw, session.profile.tick_hz
    estimator = LiveEstimator(replace(session, raw=part_of(raw, 0, 0), events=()))
    at, now_s = 0, play.start_s
    told: list[tuple[float, int, float, int, str]] = []

    def take(until_s: float) -> int:
        until = int(np.searchsorted(raw.ticks, until_s * tick_hz))
        for first in range(at, until, PACKET):
            estimator.take(part_of(raw, first, min(first + PACKET, until)))
        return until

    at = take(now_s)
    estimator.establish([event for event in session.events if event.end_s <= now_s], (play.posture,))
    estimator.begin(replace(play, end_s=play.start_s), 1)
    while now_s < play.end_s:
        at = take(now_s - LINK_S)
        begun_s = time.thread_time()
        judged, notes = estimator.update(), estimator.notes()
        took_s = time.thread_time() - begun_s
        now_s += took_s
        told += [(now_s, int(m.final), m.end_s, m.place, m.verdict) for m in (() if notes is None else notes.changes)]
        due_s = None if notes is None or notes.next_end_s is None else notes.next_end_s - now_s
        now_s += wait_s(judged.strokes_per_s, took_s, due_s)
    return told


def press_about(page: Any, count: int) -> None:
    """Pause and go on, so many times."""
    for _ in range(count):
        page.keyboard.press("p")
        time.sleep(1.5)
        lead_to_play(page)
        time.sleep(1.0)


def print_marks(first_s: np.ndarray, final_s: np.ndarray, same: float) -> None:
    """Two rows of the table, and how often provisional marks held."""
    print(told("end of a stroke to a change's provisional mark", 1e3 * first_s, "250"))
    print(told("end of a stroke to a change's final mark", 1e3 * final_s, "two strokes, 250"))
    print(f"First provisional marks that the final one, where it is known, confirms: {100 * same:.0f} %")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="of play that are followed")
    parser.add_argument("--presses", type=int, default=8, help="pauses and starts")
    given = parser.parse_args()
    head = "| what | wanted, ms | median | 95 of 100 | most | of |\n| --- | --- | --- | --- | --- | --- |"
    first_s, final_s, same = pair_marks(free_machine_marks(given.seconds))
    print("Without browser, each window taking its processor time, as on a machine with nothing else to do:\n")
    print(head)
    print_marks(first_s, final_s, same)
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
        first_s, final_s, same = pair_marks(page.evaluate("window.kept.marks"))
        page.evaluate("window.kept.presses.length = 0")
        press_about(page, given.presses)
        presses = np.array(page.evaluate("window.kept.presses"))
        errors = len(watch.errors)
    print(f"\nIn the browser, as this machine was:\n\n{head}")
    print(told("press to the frame that shows it", presses, "100"))
    print_marks(first_s, final_s, same)
    print(f"Pictures of the tab a second: {drawn:.1f}; errors that the page complained of: {errors}")
    print(f"Load of this machine over the last minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
