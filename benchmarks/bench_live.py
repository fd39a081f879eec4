"""What the live server costs and how late it is. Run: python -m benchmarks.bench_live --help.

The server runs in a process of its own, as for a player, at the pace of life; this process is the page. Times are
compared on one computer's steady clock. What a headless page cannot show (the screen's own delay) is not in it.

The simulated player is part of the server's process, and of its share: what making the samples takes of it, which a
sensor would do by itself, is told beside it, as is what reading them takes, of this sensor or any other.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import os
import socket
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import json

import aiohttp
import numpy as np

SETUP = "[sensor]\nlever_mm = [{:.2f}, {:.2f}, {:.2f}]\nlever_sd_mm = 3.0\n"
SEED = 4
SETTLE_S = 3.0
"""Of play before the first part begins."""
SENSOR_FRAMES = 200


@dataclass
class Seen:
    """What the page noted."""

    trace_late_ms: list[float] = field(default_factory=list)
    stroke_late_ms: list[float] = field(default_factory=list)
    stroke_late_cycles: list[float] = field(default_factory=list)
    first_tilt_s: float | None = None
    backlog_ms: list[float] = field(default_factory=list)
    offset_s: float = 0.0
    known: set[int] = field(default_factory=set)


class Mark(NamedTuple):
    """Where things stood at the border of two parts: processor time, memory, traces and strokes so far."""

    at_s: float
    cpu_s: float
    memory_mb: float
    traces: int
    strokes: int


def cpu_s(pid: int) -> float:
    """Processor time (user and system) that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Memory of a process that is in use (resident), on Linux."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


def sensor_shares() -> tuple[float, float]:
    """Shares of a core (%) for making the simulated sensor's bytes, and for reading them."""
    from logger.live.simulated_player import player_session, plays_of
    from logger.sources.base import steady_time_s
    from logger.sources.frame_reader import FrameReader
    from logger.sources.packets import encode
    from logger.sources.simulated import FRAME_S, hello_of, named_profile, session_frames

    session = player_session(plays_of(None).blocks[:1], SEED).session
    reader = FrameReader(named_profile(session.profile))
    reader.feed(encode(hello_of(session.profile), 0), steady_time_s())
    frames = session_frames(session)
    first = last = next(frames)[0]  # With it goes what is done once.
    making_s = reading_s = 0.0
    for _ in range(SENSOR_FRAMES):
        time.sleep(FRAME_S)  # As in play: work that is done rarely costs more than in one go.
        begun_s = time.thread_time()
        last, wire = next(frames)
        made_s = time.thread_time()
        reader.feed(wire, steady_time_s())
        making_s, reading_s = making_s + made_s - begun_s, reading_s + time.thread_time() - made_s
    played_s = (last - first) / session.profile.tick_hz
    return 100 * making_s / played_s, 100 * reading_s / played_s


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def write_setup(folder: Path) -> Path:
    """A set-up whose lever is known, as for a player who has played before: the short gestures do."""
    from logger.live.simulated_player import player_session, plays_of

    lever = player_session(plays_of(None).blocks, SEED).truth.lever_mm["A"]
    path = folder / "setup.toml"
    path.write_text(SETUP.format(*lever), encoding="utf-8")
    return path


async def connect(http: aiohttp.ClientSession, base: str) -> aiohttp.ClientWebSocketResponse:
    for _ in range(1200):
        try:
            return await http.ws_connect(f"{base}/live", headers={"Origin": base})
        except aiohttp.ClientError:
            await asyncio.sleep(0.05)
    raise SystemExit("the server did not answer within a minute")


def note(seen: Seen, message: dict[str, object], now_s: float) -> None:
    """Times of one message against the server's clock, brought to this one by the clock messages."""
    server_now_s = now_s + seen.offset_s
    if message["type"] == "trace":
        seen.trace_late_ms.append(1e3 * (server_now_s - float(message["sampled_server_s"])))  # type: ignore[arg-type]
    elif message["type"] == "strokes":
        for stroke in message["strokes"]:  # type: ignore[attr-defined]
            if stroke["id"] not in seen.known:
                seen.known.add(stroke["id"])
                late_s = server_now_s - stroke["end_server_s"]
                seen.stroke_late_ms.append(1e3 * late_s)
                seen.stroke_late_cycles.append(late_s / (2 * (stroke["end_server_s"] - stroke["start_server_s"])))


async def follow(port: int, pid: int, play_s: float, parts: int) -> tuple[Seen, list[Mark]]:
    """Be the page through set-up, gestures and one block of play; the borders of its parts."""
    base, seen, marks = f"http://127.0.0.1:{port}", Seen(), []
    async with aiohttp.ClientSession() as http:
        channel = await connect(http, base)
        step, begun_s, play_from_s, asked, clock_s = "", time.monotonic(), 0.0, -1, 0.0
        async for heard in channel:
            now_s = time.monotonic()
            message = json.loads(heard.data)
            note(seen, message, now_s)
            if message["type"] == "clock":
                seen.offset_s = message["server_s"] - 0.5 * (now_s + message["client_ms"] / 1e3)
                seen.backlog_ms.append(1e3 * (now_s - message["client_ms"] / 1e3))
            if message["type"] == "strokes" and message["strokes"] and seen.first_tilt_s is None:
                seen.first_tilt_s = now_s - begun_s
            if step == "play" and now_s - clock_s > 10.0:
                clock_s = now_s
                await channel.send_json({"type": "clock", "client_ms": 1e3 * time.monotonic()})
            if step == "play" and now_s >= play_from_s + SETTLE_S + len(marks) * play_s / parts:
                marks.append(Mark(now_s, cpu_s(pid), memory_mb(pid), len(seen.trace_late_ms), len(seen.stroke_late_ms)))
                if len(marks) > parts:
                    break
            if message["type"] != "state":
                continue
            step = message["step"]
            if step == "play" and not play_from_s:
                play_from_s = now_s
            keys = [key["command"] for key in message["keys"]]
            if "next" in keys and step != "play" and message["step_number"] != asked:
                asked = message["step_number"]
                await channel.send_json({"type": "next", "seen": asked})
        await channel.close()
    return seen, marks


async def run(play_s: float, parts: int) -> tuple[Seen, list[Mark]]:
    with tempfile.TemporaryDirectory() as folder:
        setup, port = write_setup(Path(folder)), free_port()
        command = [str(Path(sys.executable).parent / "strokeplane"), "live", "--source", f"simulated:{SEED}"]
        command += ["--no-browser", "--port", str(port), "--setup", str(setup), "-o", str(Path(folder) / "s.mcap")]
        server = await asyncio.create_subprocess_exec(*command, stderr=None)
        try:
            return await follow(port, server.pid, play_s, parts)
        finally:
            server.kill()
            await server.wait()


def in_time(seen: Seen, first: int, last: int) -> tuple[float, float]:
    """Of some strokes: p95 (ms) from its end to the verdict, and the share (%) told within one cycle and 250 ms."""
    late, cycles = np.array(seen.stroke_late_ms[first:last]), np.array(seen.stroke_late_cycles[first:last])
    return float(np.percentile(late, 95)), 100 * float(np.mean(late - 250.0 < late / np.maximum(cycles, 1e-9)))


def print_parts(seen: Seen, marks: list[Mark]) -> None:
    """One row a part of the time: what grows, shows."""
    print(
        "| part | server, % of a core | memory MB | sample to message p95 ms | stroke to verdict p95 ms | in time % |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for number, (begun, ended) in enumerate(itertools.pairwise(marks), 1):
        share = 100 * (ended.cpu_s - begun.cpu_s) / (ended.at_s - begun.at_s)
        trace = float(np.percentile(seen.trace_late_ms[begun.traces : ended.traces], 95))
        figures = (share, ended.memory_mb, trace, *in_time(seen, begun.strokes, ended.strokes))
        print(f"| {number} of {len(marks) - 1} | " + " | ".join(f"{figure:.1f}" for figure in figures) + " |")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=2.0, help="of play; 30 for the long run")
    parser.add_argument("--parts", type=int, default=6, help="of the time, a row each")
    given = parser.parse_args()
    seen, marks = asyncio.run(run(60 * given.minutes, given.parts))
    begun, ended = marks[0], marks[-1]
    share = 100 * (ended.cpu_s - begun.cpu_s) / (ended.at_s - begun.at_s)
    making, reading = sensor_shares()
    trace = np.array(seen.trace_late_ms[begun.traces :])
    late_p95, within = in_time(seen, begun.strokes, ended.strokes)
    print_parts(seen, marks)
    print(f"play, 400 samples/s, 8 strokes/s      {given.minutes:6.1f} min")
    print(f"server, share of one core             {share:6.1f} %   (15 asked)")
    print(f"  of it making the simulated samples  {making:6.1f} %   which a sensor does by itself")
    print(f"  of it reading them                  {reading:6.1f} %")
    print(
        f"sample to message, median, p95        {np.median(trace):6.1f} {np.percentile(trace, 95):6.1f} ms (100 asked)"
    )
    print(f"clock message to and fro, last        {seen.backlog_ms[-1]:6.1f} ms")
    print(f"stroke's end to verdict, p95          {late_p95:6.0f} ms")
    print(f"  within one cycle and 250 ms         {within:6.1f} %")
    print(f"connected to first tilt, short gestures{seen.first_tilt_s or float('nan'):5.1f} s   (120 asked)")
    print(f"load of this machine, last minute     {os.getloadavg()[0]:6.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
