"""What the live server costs and how late it is. Run: python -m benchmarks.bench_live --help.

The server runs in a process of its own, as for a player, at the pace of life; this process is the page. Times are
compared on one computer's steady clock. What a headless page cannot show (the screen's own delay) is not in it.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import socket
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import json

import aiohttp
import numpy as np

SETUP = "[sensor]\nlever_mm = [{:.2f}, {:.2f}, {:.2f}]\nlever_sd_mm = 3.0\n"
SEED = 4


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


def cpu_s(pid: int) -> float:
    """Processor time (user and system) that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


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


async def follow(port: int, pid: int, play_s: float) -> tuple[Seen, list[float]]:
    """Be the page through set-up, gestures and one block of play; shares of a core, one every ten seconds of play."""
    base, seen, shares = f"http://127.0.0.1:{port}", Seen(), []
    async with aiohttp.ClientSession() as http:
        channel = await connect(http, base)
        step, begun_s, play_from_s, asked = "", time.monotonic(), 0.0, -1
        mark = (0.0, 0.0)
        async for heard in channel:
            now_s = time.monotonic()
            message = json.loads(heard.data)
            note(seen, message, now_s)
            if message["type"] == "clock":
                seen.offset_s = message["server_s"] - 0.5 * (now_s + message["client_ms"] / 1e3)
                seen.backlog_ms.append(1e3 * (now_s - message["client_ms"] / 1e3))
            if message["type"] == "strokes" and message["strokes"] and seen.first_tilt_s is None:
                seen.first_tilt_s = now_s - begun_s
            if step == "play" and now_s - mark[0] > 10.0:
                used = cpu_s(pid)
                shares += [(used - mark[1]) / (now_s - mark[0])] if mark[0] else []
                mark = (now_s, used)
                await channel.send_json({"type": "clock", "client_ms": 1e3 * time.monotonic()})
            if step == "play" and now_s - play_from_s > play_s:
                break
            if message["type"] != "state":
                continue
            step = message["step"]
            if step == "play" and not play_from_s:
                play_from_s = now_s
                await channel.send_json({"type": "clock", "client_ms": 1e3 * time.monotonic()})
            keys = [key["command"] for key in message["keys"]]
            if "next" in keys and step != "play" and message["step_number"] != asked:
                asked = message["step_number"]
                await channel.send_json({"type": "next", "seen": asked})
        await channel.close()
    return seen, shares


async def run(play_s: float) -> tuple[Seen, list[float]]:
    with tempfile.TemporaryDirectory() as folder:
        setup, port = write_setup(Path(folder)), free_port()
        command = [str(Path(sys.executable).parent / "strokeplane"), "live", "--source", f"simulated:{SEED}"]
        command += ["--no-browser", "--port", str(port), "--setup", str(setup), "-o", str(Path(folder) / "s.mcap")]
        server = await asyncio.create_subprocess_exec(*command, stderr=None)
        try:
            return await follow(port, server.pid, play_s)
        finally:
            server.kill()
            await server.wait()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=2.0, help="of play; 30 for the long run")
    given = parser.parse_args()
    seen, shares = asyncio.run(run(60 * given.minutes))
    trace, strokes = np.array(seen.trace_late_ms), np.array(seen.stroke_late_ms)
    half = len(trace) // 2
    print(f"play, 400 samples/s, 8 strokes/s      {given.minutes:6.1f} min")
    print(f"server, share of one core, mean        {100 * float(np.mean(shares)):6.1f} %   (15 asked)")
    print(f"server, largest over ten seconds       {100 * float(np.max(shares)):6.1f} %")
    print(
        f"sample to message, median, p95         {np.median(trace):6.1f} {np.percentile(trace, 95):6.1f} ms (100 asked)"
    )
    halves = [float(np.percentile(part, 95)) for part in (trace[:half], trace[half:])]
    print(f"  p95 in the first and second half     {halves[0]:6.1f} {halves[1]:6.1f} ms")
    print(f"clock message to and fro, last         {seen.backlog_ms[-1]:6.1f} ms")
    late = strokes[12:]
    cycles = np.array(seen.stroke_late_cycles)[12:]
    within = float(np.mean(late - 250.0 < 1e3 * (late / 1e3) / np.maximum(cycles, 1e-9)))
    print(f"stroke's end to verdict, median, p95   {np.median(late):6.0f} {np.percentile(late, 95):6.0f} ms")
    print(f"  within one cycle and 250 ms          {100 * within:6.1f} %")
    print(f"connected to first tilt, short gestures{seen.first_tilt_s or float('nan'):6.1f} s   (120 asked)")


if __name__ == "__main__":
    main()
