"""``strokeplane live``: a guided session in the browser, the tilt shown while you play."""

from __future__ import annotations

import asyncio
import functools
import secrets
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.heights_option import with_heights
from logger.commands.second_source import SecondSource
from logger.commands.sensor_options import (
    PHONE_SOURCE,
    edge_option,
    instrument_options,
    new_session,
    open_streams,
    sensor_options,
    session_options,
    source_from_options,
    truer_option,
)
from logger.terminal.say import say, show

if TYPE_CHECKING:
    import socket

    from analysis.model.records import Instrument
    from logger.guide.orders import Task
    from logger.live.guard import Guard
    from logger.live.pace import Pace
    from logger.live.session_run import SessionRun
    from logger.practice.plan import Plan
    from logger.sources.base import Source

LOOPBACK = "127.0.0.1"
SIMULATED, NO_SENSOR = "simulated", "none"
POLL_S = 0.1


@dataclass(frozen=True)
class AskedOfPlayer:
    """What a simulated player will be asked for: ``watched`` by a sensor on the instrument; an angle check's edge."""

    plan: Plan | None
    instrument: Instrument
    watched: bool
    edge: str


@click.command("live")
@click.argument("plan", metavar="[PLAN]", required=False, type=click.Path(path_type=Path))
@sensor_options
@instrument_options
@truer_option
@edge_option
@session_options
@click.option("--port", type=click.IntRange(0, 65535), default=8765, show_default=True, help="Port; 0: any free one.")
@click.option("--lan", is_flag=True, help="Let a phone or tablet on the same network be the screen, by a token.")
@click.option("--browser/--no-browser", default=True, show_default=True, help="Open the page by itself.")
@click.option("--seconds", type=click.FloatRange(0.1), help="End by itself after so long.")
@click.option("--raps/--no-raps", default=True, show_default=True, help="Three raps on the body act as the pedal.")
@click.option("--lsl", is_flag=True, help="Also stream samples, marks and strokes (Lab Streaming Layer).")
@click.option(
    "--clumsy",
    multiple=True,
    type=click.Choice(["still", "across", "along", "pivot", "side check"]),
    help="A simulated player who does nothing on the first try of this gesture.",
)
def live_command(
    plan: Path | None,
    source_text: str,
    profile_name: str,
    rate_hz: float | None,
    ranges: tuple[int, int] | None,
    speed: float,
    instrument_text: str,
    instrument_profile: str,
    truer: bool,
    edge: str,
    heights_mm: tuple[float, float] | None,
    output: Path | None,
    setup_path: Path | None,
    port: int,
    lan: bool,
    browser: bool,
    seconds: float | None,
    raps: bool,
    lsl: bool,
    clumsy: tuple[str, ...],
) -> None:
    """Play a guided session in the browser, with the tilt shown while you play.

    PLAN is a practice plan (see strokeplane plan); without one you start and end blocks as you like. Everything is done
    with the space bar, the arrow keys or a page-turner pedal. With the source 'simulated' an invented player does what
    it is asked; with 'none' plan, tab and click serve without a sensor, and nothing is recorded. With --instrument
    phone the page shows how a phone on the instrument becomes a second sensor: it sees what the hand's does not, the
    instrument's own lean and sway. With --instrument simulated the invented player has one, and leans.
    """
    from analysis.model.cautions import CELL, SKIN, STOP
    from analysis.model.errors import OutputError
    from logger.live.lsl_streams import tell_both
    from logger.live.pace import Pace
    from logger.live.sensor_link import LiveSession
    from logger.live.server import Pages, run_session
    from logger.live.session_run import SessionRun
    from logger.live.set_up import SetUp
    from logger.player.player_profile import load_players
    from logger.player.setup_file import read_setup
    from logger.practice.plan import read_plan
    from logger.terminal.end_signals import ended_by_signals

    path = new_session(output)
    if path.with_suffix(".html").exists():
        raise OutputError(
            f"{path.with_suffix('.html')} exists, and the report would replace it",
            next_step="name a new file with -o",
        )
    planned = None if plan is None else read_plan(plan)
    edge = edge or (planned.edge if planned else "")
    setup = read_setup(setup_path)
    setup = replace(setup, metadata=with_heights(setup.metadata, heights_mm))
    pace = Pace(speed if source_text.startswith(SIMULATED) else 1.0)
    asked = AskedOfPlayer(planned, setup.instrument, instrument_text == SIMULATED, edge)
    open_source, follow = (
        _simulated_source(source_text, asked, pace, clumsy) if source_text.startswith(SIMULATED) else (None, None)
    )
    with_second = instrument_text not in ("", NO_SENSOR)
    set_up = SetUp(setup, load_players(), planned.postures if planned else (), with_second, truer, edge)
    guard, listening = _doors(lan, port)
    pages = Pages()
    streams = open_streams(pace.speed) if lsl else None

    if instrument_text == PHONE_SOURCE and pace.speed != 1.0:
        raise click.UsageError("a phone keeps its own pace; leave out --speed")
    second = SecondSource(instrument_text, instrument_profile, speed)

    def open_real() -> Source:
        return source_from_options(source_text, profile_name, rate_hz, ranges, speed)

    run = SessionRun(
        LiveSession(
            path,
            open_source or open_real,
            set_up,
            planned,
            source_text != NO_SENSOR,
            streams,
            second.open,
            second.phone_address,
            raps,
        ),
        pace,
        pages.publish if streams is None else tell_both(pages.publish, streams),
        follow or (lambda _: None),
    )
    with ended_by_signals() as stopping:
        _say_address(guard, listening, browser)
        if source_text == NO_SENSOR:
            say("Nothing is recorded without a sensor; Ctrl-C ends the session.", err=True)
        else:
            say(f"Recording into {path}; Ctrl-C ends the session and writes the report.", err=True)
        say(STOP if source_text == NO_SENSOR else f"{STOP} {SKIN} {CELL}", err=True)

        async def both() -> None:
            running = asyncio.ensure_future(run_session(run, pages, guard, listening))
            await _ended(running, run, lambda: stopping.is_set(), seconds)

        asyncio.run(both())
    if run.report is not None:
        say(f"Wrote {path} and {run.report}.")


async def _ended(
    running: asyncio.Future[None], run: SessionRun, stopping: Callable[[], bool], seconds: float | None
) -> None:
    """Wait for the session; a signal or the time limit ends it, and closes the program once the report is there."""
    begun_s = time.monotonic()
    while not running.done():
        await asyncio.wait({running}, timeout=POLL_S)
        over = stopping() or (seconds is not None and time.monotonic() - begun_s >= seconds)
        if over and not run.finishing:
            run.finish()
    await running


def _simulated_source(
    text: str, asked: AskedOfPlayer, pace: Pace, clumsy: tuple[str, ...]
) -> tuple[Callable[[], Source], Callable[[Task], None]]:
    """A simulated player who does what the guide says."""
    from analysis.model.errors import DeviceError
    from analysis.stroke.truth_checks import edge_sides_mm
    from logger.live.simulated_player import SimulatedPlayer, player_session, plays_of

    seed = text.partition(":")[2]
    if text.partition(":")[0] != SIMULATED or (seed and not seed.isdecimal()):
        raise DeviceError(
            expected="simulated or simulated:SEED with a whole number",
            found=f"{text!r}",
        )
    plays = plays_of(asked.plan, asked.instrument.courses)
    edge_mm = edge_sides_mm(asked.edge) if asked.edge else None
    simulated = functools.cache(
        lambda: player_session(plays.blocks, int(seed or 1), 400.0, asked.instrument, asked.watched, edge_mm)
    )
    players: list[SimulatedPlayer] = []

    def open_player() -> Source:
        players[:] = [SimulatedPlayer(simulated(), pace, clumsy, plays.places)]
        return players[0]

    def follow(task: Task) -> None:
        for player in players:
            player.follow(task)

    return open_player, follow


def _doors(lan: bool, port: int) -> tuple[Guard, list[socket.socket]]:
    """Sockets that listen, and who may come in."""
    from analysis.model.errors import DeviceError
    from logger.live.guard import Guard, lan_address
    from logger.live.server import listen

    address = lan_address() if lan else None
    if lan and address is None:
        raise DeviceError(
            "this computer has no address in a network",
            next_step="connect it, or leave --lan out",
        )
    opened = [listen(LOOPBACK, port)]
    port = int(opened[0].getsockname()[1])
    names = [LOOPBACK, "localhost"]
    if address is not None:
        opened.append(listen(address, port))
        names.append(address)
    hosts = frozenset(f"{name}:{port}" for name in names)
    return Guard(hosts, secrets.token_urlsafe(24)), opened


def _say_address(guard: Guard, listening: list[socket.socket], browser: bool) -> None:
    """Print where the page is, as a picture too if another device is to open it; open it here."""
    token = f"#token={guard.token}"
    addresses = ["http://{}:{}/".format(*each.getsockname()[:2]) + token for each in listening]
    show(f"The page: {addresses[0]}", err=True)
    if len(addresses) > 1:
        import segno

        show(f"On a phone or tablet in this network: {addresses[1]}", err=True)
        say("Anybody in the network who has this address can press the keys; keep it to yourself.", err=True)
        if sys.stderr.isatty():
            segno.make_qr(addresses[1]).terminal(sys.stderr, compact=True)
    if browser:
        import webbrowser

        webbrowser.open(addresses[0])
