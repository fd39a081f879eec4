"""A whole live session for tests: the real server, a real WebSocket client, the simulated player, time made quicker."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import time
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import aiohttp

from analysis.synthesis.scenario import PlayBlock
from analysis.synthesis.simulate import SimulatedSession
from logger.guide.orders import Task
from logger.live.guard import Guard
from logger.live.pace import Pace
from logger.live.sensor_link import LiveSession
from logger.live.server import Pages, listen, run_session
from logger.live.session_run import SessionRun
from logger.live.set_up import SetUp
from logger.live.simulated_player import SimulatedPlayer, player_session
from logger.player.player_profile import Players
from logger.practice.plan import Plan
from logger.record.recorder import Setup
from logger.sources.base import Source
from tests.patience import PATIENCE_S


@functools.cache
def simulated(postures: str = "A", seed: int = 3, seconds: float = 20.0, watched: bool = False) -> SimulatedSession:
    """A session to play from: tilted to the downstroke's side in A, to the upstroke's in B."""
    blocks = [
        PlayBlock(duration_s=seconds, posture=posture, tilt_deg=15.0 if posture == "A" else -14.0)
        for posture in postures
    ]
    return player_session(blocks, seed, watched=watched)


def known_setup(session: SimulatedSession, short: bool = True) -> Setup:
    """Who plays on what; the lever is known, so that the short gestures do."""
    lever = session.truth.lever_mm["A"]
    known = (float(lever[0]), float(lever[1]), float(lever[2]))
    return Setup(session.session.player, session.session.instrument, lever_mm=known, lever_sd_mm=3.0 if short else 6.0)


@dataclass
class Client:
    """One page: everything it heard, newest state last."""

    socket: aiohttp.ClientWebSocketResponse
    heard: list[dict[str, Any]] = field(default_factory=list)
    closed: int | None = None
    _news: asyncio.Event = field(default_factory=asyncio.Event)

    async def listen(self) -> None:
        async for message in self.socket:
            if message.type is aiohttp.WSMsgType.TEXT:
                self.heard.append(json.loads(message.data))
                self._news.set()
        self.closed = self.socket.close_code
        self._news.set()

    @property
    def state(self) -> dict[str, Any]:
        return self.of("state")[-1]

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [message for message in self.heard if message["type"] == kind]

    async def until(self, holds: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Wait for a state; the one that stands counts, and none that comes is missed, however short it stood."""
        at = max(0, len(self.of("state")) - 1)
        async with asyncio.timeout(PATIENCE_S):
            while True:
                states = self.of("state")
                for state in states[at:]:
                    if holds(state):
                        return state
                at = len(states)
                await self.news()

    async def ever(self, holds: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        """Wait for a state; one that was shown and is gone counts, however long ago."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                found = [state for state in self.of("state") if holds(state)]
                if found:
                    return found[0]
                await self.news()

    async def news(self) -> None:
        """Wait until something is heard."""
        if self.closed is not None:
            raise AssertionError(f"the server closed the connection with {self.closed}")
        self._news.clear()
        await self._news.wait()

    async def press(self, name: str, **more: Any) -> None:
        await self.say({"type": name, "seen": self.state["step_number"], **more})

    async def say(self, message: Any) -> None:
        await self.socket.send_str(message if isinstance(message, str) else json.dumps(message))

    async def step(self, step: str) -> dict[str, Any]:
        return await self.until(lambda state: state["step"] == step and bool(state["keys"]))

    async def verdict(self, number: int) -> dict[str, Any]:
        """Wait for a block's verdict; one that was shown and is gone counts."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                told = [s["verdict"] for s in self.of("state") if s["verdict"] and s["verdict"]["number"] == number]
                if told:
                    return told[-1]
                await self.news()

    async def set_up(self) -> None:
        await self.step("setup")
        await self.press("next")

    async def gestures(self) -> None:
        """Do all gestures as they are asked for, until the first block is ready."""
        begun_s = time.monotonic()
        while self.state["step"] in ("setup", "gestures"):
            assert time.monotonic() < begun_s + 3 * PATIENCE_S, f"still {self.state['title']}: {self.state['hint']}"
            gesture = self.state["gesture"]
            asked = self.state["keys"] and (gesture is None or gesture["phase"] in ("prepare", "poor"))
            number = self.state["step_number"]
            if self.state["step"] == "gestures" and asked:
                await self.press("next")
            await self.until(lambda state, number=number: state["step_number"] != number)  # type: ignore[misc]
        await self.step("ready")


@dataclass
class Running:
    """A server that runs."""

    base: str
    run: SessionRun
    player: SimulatedPlayer
    path: Path
    task: asyncio.Task[None]
    http: aiohttp.ClientSession

    async def pass_s(self, seconds: float) -> None:
        """Let so much of the session's time pass."""
        until_s = self.run.pace.now_s() + seconds
        async with asyncio.timeout(PATIENCE_S):
            while self.run.pace.now_s() < until_s:
                await asyncio.sleep(0.01)

    @contextlib.asynccontextmanager
    async def page(self, **headers: str) -> AsyncIterator[Client]:
        async with self.http.ws_connect(f"{self.base}/live", headers={"Origin": self.base, **headers}) as socket:
            client = Client(socket)
            listening = asyncio.create_task(client.listen())
            try:
                await client.until(lambda _: True)
                yield client
            finally:
                listening.cancel()


@contextlib.asynccontextmanager
async def running(
    folder: Path,
    session: SimulatedSession,
    speed: float = 8.0,
    plan: Plan | None = None,
    mistakes: Sequence[str] = (),
    token: str = "",
    open_real: Callable[[], Source] | None = None,
    pace: Pace | None = None,
    places: Sequence[int] = (),
    open_instrument: Callable[[Source], Source | None] = lambda _hand: None,
    phone_address: str = "",
    watched: bool = False,
) -> AsyncIterator[Running]:
    """Run a session at a free port of the loopback."""
    pace = pace or Pace(speed)
    player = SimulatedPlayer(session, pace, mistakes, places)
    pages, path = Pages(), folder / "session.mcap"
    set_up = SetUp(known_setup(session), Players(), plan.postures if plan else (), watched)

    def follow(task: Task) -> None:
        player.follow(task)

    session_of = LiveSession(
        path,
        open_real or (lambda: cast("Source", player)),
        set_up,
        plan,
        open_instrument=open_instrument,
        phone_address=lambda: phone_address,
    )
    run = SessionRun(session_of, pace, pages.publish, follow)
    listening = listen("127.0.0.1", 0)
    port = listening.getsockname()[1]
    guard = Guard(frozenset({f"127.0.0.1:{port}", f"localhost:{port}"}), token)
    task = asyncio.create_task(run_session(run, pages, guard, [listening]))
    async with aiohttp.ClientSession() as http:
        try:
            yield Running(f"http://127.0.0.1:{port}", run, player, path, task, http)
        finally:
            if not task.done():
                task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
