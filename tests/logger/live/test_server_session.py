"""Whole sessions over a real socket: from the first sample to the report, with losses, hurts and other pages."""

from __future__ import annotations

import asyncio
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.drills.session_changes import judge_drills
from analysis.model.cautions import STOP
from analysis.pipeline import analyse_session
from logger.live.simulated_player import player_session, plays_of
from logger.practice.plan import Plan, PlanBlock
from logger.session.session_file import read_session
from logger.sources.base import LinkSettings, Source
from logger.sources.device_profile import load_profile
from logger.sources.open_source import open_source
from tests.logger.live.running import Client, running, simulated
from tests.patience import PATIENCE_S

SPEED = 8.0
PLAN = Plan(
    "two postures",
    (
        PlanBlock(posture="A", tempo_bpm=120.0, notes_per_beat=4.0, bars=3, rest_s=10.0, wanted="down"),
        PlanBlock(posture="B", tempo_bpm=120.0, notes_per_beat=4.0, bars=3, rest_s=10.0, wanted="up"),
        PlanBlock(posture="A", tempo_bpm=120.0, notes_per_beat=4.0, bars=60, rest_s=10.0, wanted="down"),
    ),
)


async def rate(page: Client, scale: str, value: int) -> None:
    await page.until(lambda state: state["rating"] is not None and state["rating"]["scale"] == scale)
    await page.press("rate", value=value)


def test_from_the_sensor_to_the_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Gestures with a bad one, two blocks of a plan, ratings, something hurts in the third, report."""
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))

    async def scenario() -> None:
        session = simulated("AB")
        async with running(tmp_path, session, SPEED, PLAN, mistakes=("across",)) as live, live.page() as page:
            await page.set_up()
            await page.gestures()
            verdicts = [message for message in page.of("gesture") if message["done"]]
            assert [v["good"] for v in verdicts if v["kind"] == "across"] == [False, True, True]
            assert all(v["good"] for v in verdicts if v["kind"] != "across")
            await page.press("next")
            first = await page.step("play")
            assert first["click"]["count_in_beats"] == 4
            assert first["block"]["starts_server_s"] == pytest.approx(first["click"]["start_server_s"] + 2.0)
            rest = await page.step("rest")
            assert rest["plan"]["next_words"].startswith("Posture B, 120 BPM")
            await rate(page, "tension", 2)
            await rate(page, "discomfort", 0)
            verdict = await page.verdict(1)
            assert verdict["tilt_side"] == "down"
            assert verdict["strokes"] == pytest.approx(48, abs=4)
            assert verdict["held_share"] > 0.9
            # It may be over by the time that the first one is judged.
            begun = await page.ever(lambda state: state["step"] == "play" and state["block"]["number"] == 2)
            second = begun["block"]
            assert second["posture"] == "B"
            assert second["starts_server_s"] == pytest.approx(first["block"]["ends_server_s"] + 12.0, abs=1e-3)
            assert (await page.verdict(2))["tilt_side"] == "up"
            await page.ever(lambda state: state["step"] == "play" and state["block"]["number"] == 3)
            await page.say({"type": "hurt"})
            hurt = await page.step("hurt")
            assert any(STOP in sentence for sentence in hurt["hurt"])
            assert [key["command"] for key in hurt["keys"]] == ["finish"], "going on is not offered"
            await page.press("next")
            await page.say({"type": "finish"})
            done = await page.step("done")
            assert done["report"]["url"] == "/report"
            async with live.http.get(live.base + "/report") as answer:
                assert answer.status == 200
                assert "sandbox" in answer.headers["Content-Security-Policy"]
                text = await answer.text()
            assert "Discomfort was reported" in text
            await page.press("next")
            await asyncio.wait_for(live.task, PATIENCE_S)

    asyncio.run(scenario())
    events = read_session(tmp_path / "session.mcap").events
    kinds = [event.kind for event in events]
    assert kinds.count("play") == 3
    assert kinds.count("hurt") == 1
    assert [(e.label, e.rating) for e in events if e.kind == "rating"] == [("tension", 2.0), ("discomfort", 0.0)]
    assert kinds.count("across") == 2, "the bad one does not count"
    plays = [event for event in events if event.kind == "play"]
    assert [(e.posture, e.wanted, e.tempo_bpm) for e in plays[:2]] == [("A", "down", 120.0), ("B", "up", 120.0)]
    assert plays[0].end_s - plays[0].start_s == pytest.approx(6.0, abs=0.6)
    assert (tmp_path / "session.html").exists()


def test_two_pages_see_the_same_and_no_page_is_needed(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with running(tmp_path, simulated(), SPEED) as live:
            async with live.page() as first, live.page() as second:
                await first.step("setup")
                await second.step("setup")
                seen = first.state["step_number"]
                await first.press("next")
                await second.say({"type": "next", "seen": seen})  # The same press, a moment later.
                await first.step("gestures")
                await second.step("gestures")
                await asyncio.sleep(0.2)
                assert second.state["gesture"]["phase"] == "prepare", "one press counts once"
                same = ("step", "step_number", "title", "keys", "gesture", "setup")
                assert {k: first.state[k] for k in same} == {k: second.state[k] for k in same}
                await first.gestures()
                await first.press("next")
                await second.step("play")
            recorder = live.run.log.recording
            before = recorder.state().samples
            async with asyncio.timeout(PATIENCE_S):  # Nobody is there.
                while recorder.state().samples < before + 200:
                    await asyncio.sleep(0.05)
            assert recorder.running
            async with asyncio.timeout(PATIENCE_S):
                while not (live.run.recent and live.run.recent.count):
                    await asyncio.sleep(0.05)
            async with live.page() as third:
                assert third.state["step"] == "play"
                async with asyncio.timeout(PATIENCE_S):
                    while not third.of("strokes"):
                        await third.news()
                assert third.of("strokes")[0]["first"], "a page that comes late is told of the block so far"
                assert third.of("strokes")[0]["count"] == len(third.of("strokes")[0]["strokes"]) > 0

    asyncio.run(scenario())
    assert any(event.kind == "play" for event in read_session(tmp_path / "session.mcap").events)


def test_a_lost_sensor_is_told_and_taken_up_again(tmp_path: Path) -> None:
    async def scenario() -> None:
        async with running(tmp_path, simulated(), speed=1.0) as live, live.page() as page:
            await page.step("setup")
            live.player.unplug(2.0)
            lost = await page.until(lambda state: state["sensor"]["status"] == "lost")
            assert "cable" in lost["sensor"]["sentence"]
            assert lost["step"] == "setup", "the session goes on"
            back = await page.until(lambda state: state["sensor"]["status"] == "ok")
            assert back["sensor"]["sentence"] == ""
            async with asyncio.timeout(PATIENCE_S):
                while not (told := [pulse["lost_samples"] for pulse in page.of("pulse")]) or told[-1] == 0:
                    await page.news()
            losses.append(told[-1])

    losses: list[int] = []
    asyncio.run(scenario())
    # As many as are missing in the file: two seconds of them, or what a busy computer made of those.
    missing = np.diff(read_session(tmp_path / "session.mcap").raw.sequence) - 1
    assert losses == [missing.sum()]
    assert missing.max() > 400


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals")
def test_a_cable_that_is_pulled_out(tmp_path: Path) -> None:
    """A board behind a real pseudo terminal, through the real serial source."""
    from tests.logger.sources.board import Board, PtyBoard

    counts = np.zeros((400, 6), np.int16)
    counts[:, 2] = 4096  # 1 g up, at 8 g full scale
    device = PtyBoard(Board(counts), str(tmp_path / "ttySTROKE"))
    settings = LinkSettings(
        ready_s=PATIENCE_S, ask_again_s=0.3, silence_s=10.0, backoff_first_s=0.01, backoff_last_s=0.1
    )
    source = open_source(device.port, load_profile("frames"), settings)

    async def scenario() -> None:
        async with running(tmp_path, simulated(), speed=1.0, open_real=lambda: source) as live, live.page() as page:
            state = await page.step("setup")
            assert state["sensor"]["part"] == "MPU-6050"
            assert state["sensor"]["rate_hz"] == pytest.approx(400.0, rel=1e-3)
            device.unplug()
            await page.until(lambda state: state["sensor"]["status"] == "lost")
            device.plug()
            await page.until(lambda state: state["sensor"]["status"] == "ok")
            assert os.path.exists(live.path)  # noqa: PTH110

    try:
        asyncio.run(scenario())
    finally:
        device.close()


def test_a_port_without_a_sensor_can_be_tried_again(tmp_path: Path) -> None:
    def missing() -> Source:
        return open_source(str(tmp_path / "ttyNONE"), load_profile("frames"), LinkSettings(ready_s=0.5))

    async def scenario() -> None:
        async with running(tmp_path, simulated(), speed=1.0, open_real=missing) as live, live.page() as page:
            failed = await page.until(lambda state: state["sensor"]["status"] == "failed")
            assert [key["command"] for key in failed["keys"]] == ["next", "finish"]
            number = failed["step_number"]
            await page.press("next")
            await page.until(lambda state: state["step_number"] > number)
            await page.say({"type": "finish"})
            done = await page.step("done")
            assert done["report"]["url"] is None
            assert not live.path.exists()

    asyncio.run(scenario())


def test_the_table_of_a_drills_string_changes_agrees_with_the_batch_analysis(tmp_path: Path) -> None:
    """The upstroke clears: a drill that demands it, then one that demands both strokes by turns."""
    suits, mixed = "4x2 3x2 2x2 3x2", "4x3 3x3 2x3 3x3"
    block = PlanBlock("play", "A", 100.0, 4.0, suits, repeats=6, rest_s=10.0, wanted="up")
    plan = Plan("two drills", (block, replace(block, drill=mixed)))
    plays = plays_of(plan)

    async def scenario() -> list[dict[str, Any]]:
        session = player_session(plays.blocks, 2)
        async with running(tmp_path, session, SPEED, plan, places=plays.places) as live, live.page() as page:
            await page.set_up()
            await page.gestures()
            await page.press("next")
            verdicts = [await page.verdict(number) for number in (1, 2)]
            await page.say({"type": "finish"})
            await page.step("done")
            return verdicts

    told = asyncio.run(scenario())
    recording = read_session(tmp_path / "session.mcap")
    result = analyse_session(recording)
    batch, problems = judge_drills(result, recording.metadata)
    assert problems == ()
    names = ("from_string", "to_string", "after", "cleared", "touched", "not_known")
    for verdict, drill in zip(told, batch, strict=True):
        shown = {tuple(row[n] for n in names[:3]): np.array([row[n] for n in names[3:]]) for row in verdict["changes"]}
        whole = {
            tuple(row[n] for n in names[:3]): np.array([row[n] for n in names[3:]])
            for row in drill.pairs.to_dict("records")
        }
        assert shown.keys() == whole.keys()
        differ = sum(int(np.abs(shown[pair] - whole[pair]).sum()) for pair in shown)
        # What lies on the edge of being told may fall to either side: two of the table's changes at most.
        assert differ <= 4
        assert sum(int(counts.sum()) for counts in shown.values()) >= 20
        # Which windows the live figure rests on hangs on when samples came: it agrees to within the block's interval.
        low, high = result.blocks[drill.index].tilt_ci95_deg or (np.nan, np.nan)
        assert low < verdict["tilt_mean_deg"] < high
    clear, both = (verdict["changes"] for verdict in told)
    assert sum(row["cleared"] for row in clear) >= 20
    assert sum(row["touched"] for row in clear) <= 1
    assert {row["after"] for row in clear} == {"up"}
    assert all(row["touched"] == 0 for row in both if row["after"] == "up")
    assert all(row["cleared"] == 0 for row in both if row["after"] == "down")
    (weakest,) = (row for row in both if row["weakest"])
    assert weakest["after"] == "down"
    named = f"Weakest change: string {weakest['from_string']} to {weakest['to_string']} after a downstroke"
    assert any(sentence.startswith(named) for sentence in told[1]["more"])


def test_a_new_posture_in_free_play_borrows_openly_until_it_has_gestures_of_its_own(tmp_path: Path) -> None:
    async def play(page: Client, number: int) -> tuple[dict[str, Any], dict[str, Any]]:
        """Play a free block for some seconds; its last strokes message and its verdict."""
        await page.press("next")
        await page.until(lambda state: state["step"] == "play" and state["block"]["number"] == number)
        async with asyncio.timeout(PATIENCE_S):
            while not (told := [m for m in page.of("strokes") if m["block"] == number]) or told[-1]["count"] < 20:
                await page.news()
        await page.press("next")
        for _ in range(2):
            await page.until(lambda state: state["rating"] is not None and bool(state["keys"]))
            await page.press("skip")
            await asyncio.sleep(0.05)
        verdict = await page.verdict(number)
        await page.step("ready")
        return told[-1], verdict

    async def scenario() -> None:
        async with running(tmp_path, simulated("AB"), SPEED) as live, live.page() as page:
            await page.set_up()
            await page.gestures()
            assert "again" not in {key["command"] for key in page.state["keys"]}
            strokes, verdict = await play(page, 1)
            assert strokes["borrowed_from"] is None
            assert not any("gestures of its own" in sentence for sentence in verdict["more"])
            await page.press("choose", field="posture", value="B")
            offered = await page.until(lambda state: state["setup"]["posture"] == "B" and bool(state["keys"]))
            assert {"command": "again", "label": "Gestures of posture B"} in offered["keys"]
            assert offered["hint"].startswith("Posture B has no gestures of its own")
            assert offered["keys"][0]["command"] == "next", "the pedal still starts"
            strokes, verdict = await play(page, 2)
            assert strokes["borrowed_from"] == "A"
            assert any("those of posture A and may be a few degrees off" in sentence for sentence in verdict["more"])
            await page.press("again")
            await page.until(lambda state: state["step"] == "gestures")
            await page.gestures()
            assert "gestures of its own" not in page.state["hint"]
            strokes, verdict = await play(page, 3)
            assert strokes["borrowed_from"] is None
            assert verdict["tilt_side"] == "up"
            assert not any("gestures of its own" in sentence for sentence in verdict["more"])
            await page.say({"type": "finish"})
            await page.step("done")

    asyncio.run(scenario())
    recording = read_session(tmp_path / "session.mcap")
    assert [e.posture for e in recording.events if e.kind == "across"] == ["A", "B"]
    assert not any("posture 'B'" in warning for warning in analyse_session(recording).warnings)
