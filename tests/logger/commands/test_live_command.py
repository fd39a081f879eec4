"""The command itself, before and beside the page: files that are there, a connection tried again, what is played."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.model.errors import SessionFileError, StrokeplaneError
from logger.cli import cli
from logger.commands import live
from logger.commands.sensor_options import new_session
from logger.live.pace import Pace
from logger.live.simulated_player import SPAN_MM, TILT_DEG, plays_of
from logger.practice.plan import Plan, PlanBlock
from tests.logger.live.running import running, simulated

BLOCK = PlanBlock(posture="low", tempo_bpm=120.0, notes_per_beat=4.0, seconds=5.0, rest_s=10.0)


@pytest.mark.parametrize("there", ["evening.mcap", "evening.html"])
def test_a_file_that_is_there_is_refused_before_the_page_opens(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: str
) -> None:
    (tmp_path / there).write_text("an invented file", encoding="utf-8")
    monkeypatch.setattr(live, "_say_address", lambda *_: pytest.fail("a page was offered"))
    answer = CliRunner().invoke(
        cli, ["live", "--source", "simulated", "--no-browser", "-o", str(tmp_path / "evening.mcap")]
    )
    assert isinstance(answer.exception, StrokeplaneError)
    assert f"{there} exists" in str(answer.exception)
    assert (tmp_path / there).read_text(encoding="utf-8") == "an invented file"


def test_record_and_live_want_a_new_name_in_a_folder_that_is_there(tmp_path: Path) -> None:
    assert new_session(tmp_path / "new.mcap") == tmp_path / "new.mcap"
    assert new_session(None).suffix == ".mcap"
    (tmp_path / "old.mcap").touch()
    with pytest.raises(SessionFileError, match="never replaces another"):
        new_session(tmp_path / "old.mcap")
    with pytest.raises(SessionFileError, match="no folder"):
        new_session(tmp_path / "nowhere" / "new.mcap")


def test_a_connection_that_failed_is_tried_again_with_a_new_player(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first recording fails after the source has started; the second goes through the same way."""
    pace = Pace(8.0)
    asked = live.AskedOfPlayer(None, simulated().session.instrument, watched=False, edge="")
    monkeypatch.setattr("logger.live.simulated_player.player_session", lambda *_, **__: simulated())
    opened = live._simulated_source("simulated", asked, pace, ())[0]
    in_the_way = tmp_path / "session.mcap"
    in_the_way.touch()

    async def scenario() -> None:
        async with running(tmp_path, simulated(), open_real=opened, pace=pace) as session, session.page() as page:
            failed = await page.until(lambda state: state["sensor"]["status"] == "failed")
            assert failed["title"] == "The recording cannot be written"
            assert "exists" in failed["hint"]
            await page.press("next")
            again = await page.until(lambda state: state["step_number"] > failed["step_number"] and bool(state["keys"]))
            assert again["sensor"]["status"] == "failed"
            in_the_way.unlink()
            await page.press("next")
            assert (await page.step("setup"))["sensor"]["status"] == "ok"

    asyncio.run(scenario())


def test_each_place_of_a_plan_is_played_as_it_asks() -> None:
    drill = PlanBlock(posture="high", tempo_bpm=96.0, notes_per_beat=4.0, drill="up 3x2 2x2", repeats=3)
    rest = PlanBlock(kind="rest", seconds=30.0)
    plan = Plan("invented", (BLOCK, drill, rest, BLOCK, PlanBlock(posture="high", seconds=5.0)))
    plays = plays_of(plan)
    assert plays.places == (0, 1, 0, 0, 2)
    first, second, third = plays.blocks
    assert (first.posture, first.tempo_bpm, first.courses) == ("low", 120.0, ())
    assert (second.drill, second.first, second.courses) == ("up 3x2 2x2", "up", (3, 3, 4, 4))
    assert second.tilt_deg == TILT_DEG["down"], "after two notes from an upstroke the downstroke precedes the change"
    assert third.tilt_deg == TILT_DEG["up"], "the second posture is tilted the other way"
    assert {play.span_mm for play in plays.blocks} == {SPAN_MM}


def test_quickened_time_does_not_wait_for_a_source_that_is_gone() -> None:
    pace = Pace(8.0)
    pace.taken(10.0)
    assert not pace.sampled(60.0), "nobody has taken the samples before"
    pace.free()
    assert pace.sampled(60.0)
