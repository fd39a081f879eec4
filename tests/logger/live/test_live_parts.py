"""Parts of the live session: what can be chosen, the target, what goes to the pages."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.model.errors import InputError
from analysis.model.records import SOUNDBOARD, Instrument, Player, RawSamples
from analysis.reference.soundboard import HEIGHTS
from logger.live.block_result import held_share, target_deg
from logger.live.commands import Choose
from logger.live.protocol import Pulse, encode
from logger.live.sensor_link import LiveSession, SensorLink
from logger.live.set_up import SetUp
from logger.player.player_profile import PlayerProfile, Players
from logger.record.recorder import RecordingState, Setup
from logger.sources.stream import Losses

PLAYERS = Players((PlayerProfile(Player("invented", "left"), Instrument(name="lap", held="flat")),), "")


def test_choices_of_the_set_up() -> None:
    set_up = SetUp(Setup(), PLAYERS)
    set_up.choose(Choose("player", "invented"))
    assert set_up.recorded.player.handed == "left"
    assert set_up.recorded.instrument.held == "flat"
    set_up.choose(Choose("handed", "right"))
    set_up.choose(Choose("tempo_bpm", "96"))
    set_up.choose(Choose("wanted", "up"))
    shown = set_up.shown
    assert (shown.player, shown.handed, shown.tempo_bpm, shown.wanted) == ("invented", "right", 96.0, "up")
    assert np.diff(shown.courses_mm) == pytest.approx(np.full(5, 10.5))
    assert sum(shown.courses_mm) == pytest.approx(0.0)
    set_up.choose(Choose("tempo_bpm", ""))
    assert set_up.shown.tempo_bpm is None
    for field, value in (("player", "nobody"), ("instrument", "../x"), ("tempo_bpm", "nan"), ("tempo_bpm", "1e9")):
        with pytest.raises(InputError):
            set_up.choose(Choose(field, value))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="stay as they are"):
        set_up.choose(Choose("handed", "left"), blocks_only=True)
    with pytest.raises(InputError, match="plan"):
        SetUp(Setup(), PLAYERS, ("A",)).choose(Choose("posture", "B"))


def test_two_minutes_for_a_truer_answer_are_offered_where_there_is_a_soundboard_to_lie_on() -> None:
    set_up = SetUp(Setup(), PLAYERS, second=True)
    assert set_up.shown.truer == "no"
    assert "rock" in [gesture.kind for gesture in set_up.chosen(0.0).gestures]
    set_up.choose(Choose("truer", "yes"))
    assert set_up.shown.truer == "yes"
    assert SOUNDBOARD in [gesture.label for gesture in set_up.chosen(0.0).gestures]
    with pytest.raises(InputError):
        set_up.choose(Choose("truer", "perhaps"))
    for wrong in ("11.5", "11.5 twelve", "11.5 120", "-1 2"):
        with pytest.raises(InputError, match="heights"):
            set_up.choose(Choose("heights_mm", wrong))
    set_up.choose(Choose("heights_mm", "11.5 12"))
    assert set_up.recorded.metadata[HEIGHTS] == set_up.shown.heights_mm == "11.5 12"
    set_up.choose(Choose("heights_mm", ""))
    assert HEIGHTS not in set_up.recorded.metadata
    set_up.choose(Choose("heights_mm", "11.5 12"))
    set_up.choose(Choose("instrument", "mandolin"))
    assert set_up.shown.heights_mm == "", "another soundboard"
    set_up.choose(Choose("player", "invented"))  # on the lap
    assert set_up.shown.truer is None
    assert SOUNDBOARD not in [gesture.label for gesture in set_up.chosen(0.0).gestures]


def test_the_target_is_beyond_the_dead_band() -> None:
    tilts = np.array([-20.0, -11.0, -10.0, 5.0, 10.9, 15.0])
    assert held_share(tilts, target_deg("down", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, target_deg("up", 10.8)) == pytest.approx(2 / 6)
    assert held_share(tilts, target_deg(None, 10.8)) is None
    assert held_share(np.empty(0), target_deg("up", 10.8)) is None


def test_what_is_no_number_is_null() -> None:
    text = encode(Pulse(1.23456, float("nan"), 3, 0, float("inf")))
    assert text == '{"type":"pulse","server_s":1.235,"recorded_s":null,"samples":3,"lost_samples":0,"silent_s":null}'


class QuickLoop(asyncio.SelectorEventLoop):
    """Its time passes only while everything waits, and then at once: what is late in it is late by design."""

    def __init__(self) -> None:
        super().__init__()
        self.passed_s = 0.0
        select = self._selector.select  # type: ignore[attr-defined]

        def select_at_once(timeout: float | None = None) -> object:
            self.passed_s += timeout or 0.0
            return select(0.0)

        self._selector.select = select_at_once  # type: ignore[attr-defined]

    def time(self) -> float:
        return self.passed_s


@pytest.mark.parametrize("linked", [True, False])
@pytest.mark.parametrize("last_s", [3.0, 3.05, 3.1, 3.15, 3.19])
def test_a_sensor_that_falls_silent_is_told_within_a_second(linked: bool, last_s: float) -> None:
    """And one whose link is known to be gone at the next look."""
    loop = QuickLoop()
    told: list[tuple[float, str]] = []
    link = SensorLink(
        LiveSession(Path("none.mcap"), lambda: pytest.fail("no source is opened"), SetUp(Setup(), PLAYERS)),
        SimpleNamespace(now_s=loop.time, real_s=lambda seconds: seconds, speed=1.0, taken=lambda _: None),  # type: ignore[arg-type]
        lambda _: None,
        lambda: told.append((loop.time(), link.shown.status)),
    )
    link.shown = replace(link.shown, status="ok")
    state = RecordingState(0.0, 0, Losses(), True, "", 0, None)

    def now() -> RecordingState:
        return replace(state, linked=linked or loop.time() <= last_s)

    link.recorder = SimpleNamespace(state=now, second=None, error=None, exhausted=False)  # type: ignore[assignment]
    one = RawSamples(np.array([1]), np.array([1]), np.array([0.0]), np.zeros((1, 6), np.int32))

    async def scenario() -> None:
        watching = asyncio.create_task(link.watch(lambda reason: pytest.fail(reason)))
        while loop.time() < last_s:
            link._take([one])
            await asyncio.sleep(min(0.025, last_s - loop.time()))
        link._take([one])
        await asyncio.sleep(5.0)
        watching.cancel()

    with contextlib.closing(loop):
        loop.run_until_complete(scenario())
    ((at_s, status),) = told
    assert status == "lost"
    assert last_s < at_s < last_s + (1.0 if linked else 0.25)
