"""Three raps on the body are a press of the pedal: an own model's rapping hand, over the real server."""

from __future__ import annotations

import asyncio
import itertools
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.live.simulated_player import SimulatedPlayer
from logger.session.session_file import read_session
from tests.analysis.stroke.rapping import rap_accel
from tests.logger.live import running as stage
from tests.logger.live.running import Client, running, simulated
from tests.logger.live.test_server_session import PLAN


class RappingPlayer(SimulatedPlayer):
    """Raps when asked: the hand's motion as it is, and on it what three raps add."""

    seeds = itertools.count(1)

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)
        self.rapping = np.empty((0, 3))
        hand = self._body
        self._body = SimpleNamespace(frame=lambda move: self.rapped(hand.frame(move)))  # type: ignore[assignment]

    def rap(self) -> None:
        accel = rap_accel(np.random.default_rng(next(self.seeds)), self._profile.rate_hz)
        self.rapping = accel - np.median(accel, axis=0)

    def rapped(self, counts: np.ndarray) -> np.ndarray:
        now, self.rapping = self.rapping[: len(counts)], self.rapping[len(counts) :]
        added = counts.astype(np.float64)
        added[: len(now), :3] += now / self._profile.accel_mps2_per_count
        return np.clip(np.round(added), -32768, 32767).astype(np.int16)


@pytest.fixture(autouse=True)
def raps(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(stage, "SimulatedPlayer", RappingPlayer)
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))


async def rap_until(page: Client, player: Any, step: str) -> dict[str, Any]:
    """Rap; the page must go on by that alone."""
    player.rap()
    return await page.until(lambda state: state["step"] == step)


def test_a_free_block_is_begun_and_ended_by_raps(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with running(tmp_path, simulated("A"), 8.0) as live, live.page() as page:
            await page.set_up()
            await page.gestures()
            await rap_until(page, live.player, "play")
            await live.pass_s(12.0)
            assert page.state["step"] == "play"
            live.player.follow(stage.Task("rest", live.run.pace.now_s()))
            await live.pass_s(3.0)
            await rap_until(page, live.player, "rest")
            await page.say({"type": "finish", "seen": None})
            await page.step("done")

    asyncio.run(scenario())
    plays = [event for event in read_session(tmp_path / "session.mcap").events if event.kind == "play"]
    assert len(plays) == 1
    assert 8.0 < plays[0].end_s - plays[0].start_s < 25.0


def test_raps_in_a_planned_block_stop_nothing_and_after_pain_start_nothing(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with running(tmp_path, simulated("AB"), 8.0, PLAN) as live, live.page() as page:
            await page.set_up()
            await page.gestures()
            await rap_until(page, live.player, "play")
            live.player.rap()
            rest = await page.step("rest")
            assert rest["plan"]["position"] == 1
            assert page.of("state")[-1]["step"] == "rest"
            await page.press("hurt")
            await page.step("hurt")
            live.player.rap()
            await live.pass_s(7.5)
            assert page.state["step"] == "hurt"

    asyncio.run(scenario())
    plays = [event for event in read_session(tmp_path / "session.mcap").events if event.kind == "play"]
    assert plays[0].end_s - plays[0].start_s == pytest.approx(12 * 0.5, abs=0.3)
