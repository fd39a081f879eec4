"""A second sensor, on the instrument, in the guided session: shown, recorded, lost while the hand's goes on."""

from __future__ import annotations

import asyncio
from pathlib import Path

from analysis.model.errors import DeviceError
from analysis.model.records import PHONE
from analysis.pipeline import analyse_session
from logger.live.instrument_shown import FEW, InstrumentWatch
from logger.live.simulated_player import LEAN_DEG
from logger.record.second_sensor import SecondState
from logger.session.session_file import read_session
from logger.sources.base import Source
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_instrument
from logger.sources.stream import Losses
from tests.logger.live.running import running, simulated
from tests.logger.record.test_two_sensors import PacedSource

PROFILE = load_profile("frames")
ADDRESS = "https://192.0.2.7:8766/#token=invented"


def test_a_second_sensor_is_shown_recorded_and_may_be_lost(tmp_path: Path) -> None:
    other = PacedSource(100.0, 900.0, 0.0, 0.004, seed=2)

    async def scenario() -> None:
        async with (
            running(
                tmp_path, simulated(), speed=1.0, open_instrument=lambda _: other, phone_address=ADDRESS
            ) as session,
            session.page() as page,
        ):
            await page.step("setup")
            # Counted while it came late or in a bunch, the rate is another for a while.
            shown = await page.until(lambda state: 80 < ((state["instrument"] or {}).get("rate_hz") or 0) < 120)
            assert shown["instrument"]["status"] == "ok"
            assert shown["phone"] is True
            async with session.http.get(f"{session.base}/phone.svg") as answer:
                assert answer.content_type == "image/svg+xml"
                assert "token" not in await answer.text(), "a picture, not letters"
            other.silent.set()
            lost = await page.until(lambda state: state["instrument"]["status"] == "lost")
            assert lost["instrument"]["sentence"] == "Its battery is empty."
            assert lost["sensor"]["status"] == "ok"
            await page.press("finish")
            await page.step("done")
        recorded = read_session(tmp_path / "session.mcap")
        (stream,) = recorded.streams
        assert stream.raw.ticks.size > 100
        assert stream.clock is not None

    asyncio.run(scenario())


def test_what_it_takes_out_is_shown_while_a_simulated_player_leans(tmp_path: Path) -> None:
    """The invented player leans the instrument after the gestures, by what the simulation says."""
    played = simulated(watched=True)

    async def scenario() -> None:
        async with (
            running(
                tmp_path,
                played,
                speed=6.0,
                open_instrument=lambda hand: open_instrument("", hand, PROFILE),
                watched=True,
            ) as session,
            session.page() as page,
        ):
            await page.set_up()
            await page.gestures()
            assert any(state["gesture"] and state["gesture"]["kind"] == "rock" for state in page.of("state"))
            assert page.state["instrument"]["sentence"] == ""
            await page.press("next")
            shown = await page.until(lambda state: state["instrument"]["taken_out_deg"] is not None)
            await session.pass_s(6.0)
            shown = page.state
            assert abs(abs(shown["instrument"]["taken_out_deg"]) - LEAN_DEG) <= 1.0
            await page.press("next")
            verdict = await page.verdict(1)
            assert abs(verdict["tilt_mean_deg"] - 15.0) < 2.5
            await page.press("finish")
            await page.step("done")
        recorded = read_session(tmp_path / "session.mcap")
        result = analyse_session(recorded)
        assert result.witness is not None
        assert result.witness.rocked
        (block,) = result.blocks
        assert block.tilt_ci95_deg is not None
        assert block.tilt_ci95_deg[0] < verdict["tilt_mean_deg"] < block.tilt_ci95_deg[1]

    asyncio.run(scenario())


def test_the_picture_of_a_phone_s_address_is_for_who_may_come_in(tmp_path: Path) -> None:
    async def status(folder: str, token: str, address: str) -> int:
        (tmp_path / folder).mkdir()
        async with (
            running(tmp_path / folder, simulated(), token=token, phone_address=address) as session,
            session.http.get(f"{session.base}/phone.svg") as answer,
        ):
            return answer.status

    async def scenario() -> None:
        assert await status("closed", "secret", ADDRESS) == 403
        assert await status("none", "", "") == 404

    asyncio.run(scenario())


def test_a_second_sensor_that_is_not_there_is_told_and_tried_again(tmp_path: Path) -> None:
    tries: list[int] = []

    def second(_: Source) -> Source | None:
        tries.append(1)
        if len(tries) == 1:
            raise DeviceError("nothing came from COM9", next_step="plug it in")
        return None

    async def scenario() -> None:
        async with running(tmp_path, simulated(), open_instrument=second) as session, session.page() as page:
            failed = await page.until(lambda state: state["sensor"]["status"] == "failed")
            assert "COM9" in failed["hint"]
            await page.press("next")
            await page.step("setup")
            assert page.state["instrument"] is None

    asyncio.run(scenario())


def test_what_is_shown_follows_what_is_counted() -> None:
    watch = InstrumentWatch()

    def shown(now_s: float, samples: int, linked: bool = True, reason: str = "") -> tuple[str, float | None, str]:
        state = SecondState("phone", samples, Losses(), linked, reason, 0, None)
        sensor = watch.shown(state, PHONE, now_s)
        return sensor.status, sensor.rate_hz, sensor.sentence

    assert shown(0.0, 0, False, "open its page") == ("connecting", None, "Open its page.")
    assert shown(1.0, 60) == ("ok", None, "")
    for at in range(2, 8):
        last = shown(float(at), 60 * at)
    assert last == ("ok", 60, "")
    for at in range(8, 14):
        last = shown(float(at), 420 + 15 * (at - 7))
    assert last == ("ok", 15, FEW)
    for at in range(14, 20):
        last = shown(float(at), 510)
    assert last[0] == "lost"
