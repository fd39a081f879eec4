"""``strokeplane record``: a sensor into a session file, guided from the terminal."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.sensor_options import sensor_options, session_by_date, session_options, source_from_options

if TYPE_CHECKING:
    from logger.keys import Keys
    from logger.lsl_streams import LslStreams
    from logger.record_session import RecordSession
    from logger.recorder import Recorder, RecordingState, Setup
    from logger.stroke_counter import StrokeCounter

POLL_S = 0.05
DRAW_S = 0.2


@click.command("record")
@sensor_options
@session_options
@click.option(
    "--posture", "postures", multiple=True, default=("A",), show_default=True, help="Label; several for several."
)
@click.option("--tempo", "tempo_bpm", type=click.FloatRange(10, 600), help="Beats a minute of the blocks.")
@click.option("--notes-per-beat", type=click.FloatRange(0.25, 16), help="Strokes on each beat.")
@click.option("--drill", default="", help="Drill that the blocks play: a name, or a phrase such as '4x2 3x2'.")
@click.option("--wanted", type=click.Choice(["down", "up"]), help="Stroke that should clear the strings.")
@click.option("--seconds", type=click.FloatRange(0.1), help="End by itself after so long.")
@click.option("--lsl", is_flag=True, help="Also stream samples and marks to other programs (Lab Streaming Layer).")
def record_command(
    source_text: str,
    profile_name: str,
    rate_hz: float | None,
    ranges: tuple[int, int] | None,
    speed: float,
    output: Path | None,
    setup_path: Path | None,
    postures: tuple[str, ...],
    tempo_bpm: float | None,
    notes_per_beat: float | None,
    drill: str,
    wanted: Literal["down", "up"] | None,
    seconds: float | None,
    lsl: bool,
) -> None:
    """Record a session: reference gestures, then blocks of play.

    Gestures are prompted; blocks, postures and ratings are set by single keys, which the screen lists. What was
    recorded is safe on the disk within half a second, also when the computer stops.
    """
    from logger.keys import open_keys
    from logger.record_session import BlockSettings, RecordSession, choose_gestures
    from logger.recorder import Recorder
    from logger.stroke_counter import StrokeCounter

    source = source_from_options(source_text, profile_name, rate_hz, ranges, speed)
    setup = read_setup(setup_path)
    path = output or session_by_date()
    counter = StrokeCounter()
    streams = open_streams(speed) if lsl else None
    recorder = Recorder(path, source, setup, listeners=(counter,) if streams is None else (counter, streams))
    click.echo(f"Looking for {source.name} ...", err=True)
    with ended_by_signals() as stopping:
        info = recorder.start()
        sensor = info.profile.sensor
        click.echo(f"Recording {sensor.part or sensor.name} at {sensor.rate_hz:g}/s into {path}", err=True)
        flat = setup.instrument.held == "flat"
        gestures = choose_gestures(setup.lever_sd_mm, flat)
        blocks = BlockSettings(postures, tempo_bpm, notes_per_beat, drill, wanted, flat, gestures)
        session = RecordSession(recorder, counter, blocks)
        try:
            if streams is not None:
                streams.open(source, info, setup.calibration(sensor))
                recorder.watch = streams.mark
            with open_keys() as keys:
                _follow(recorder, session, counter, keys, stopping, seconds)
        finally:
            state = recorder.stop()
            if streams is not None:
                streams.close()
    _say_result(path, state, recorder, session)


@contextmanager
def ended_by_signals() -> Iterator[threading.Event]:
    """Turn SIGTERM, SIGHUP and Ctrl-C into an event for a while, so that the file is closed properly."""
    stopping = threading.Event()
    names = [name for name in ("SIGTERM", "SIGINT", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), lambda *_: stopping.set()) for name in names}
    try:
        yield stopping
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def read_setup(path: Path | None) -> Setup:
    """Read player, instrument and lever from a TOML file, or from what ``strokeplane start`` kept.

    The sensor's stored calibration is applied.

    Raises
    ------
    InputError
        If the file cannot be read, or a key is unknown or out of bounds.
    """
    import tomllib

    from analysis.errors import InputError
    from logger.calibration_store import find_calibration
    from logger.column_map import read_instrument, read_player
    from logger.recorder import Setup
    from logger.toml_table import Table

    if path is None:
        return setup_of_player()
    try:
        root = Table(tomllib.loads(path.read_text(encoding="utf-8-sig")), str(path), InputError)
    except (OSError, ValueError) as error:
        raise InputError(f"{path} cannot be read as TOML ({error}); check its path and contents") from error
    sensor = root.table("sensor", optional=True)
    lever = sensor.numbers("lever_mm", 3, -300.0, 300.0) if sensor.has("lever_mm") else None
    lever_sd = sensor.number_or_none("lever_sd_mm", 0.1, 50.0)
    setup = Setup(
        player=read_player(root.table("player", optional=True)),
        instrument=read_instrument(root.table("instrument", optional=True)),
        calibration=find_calibration,
        lever_mm=None if lever is None else (lever[0], lever[1], lever[2]),
        lever_sd_mm=lever_sd,
    )
    root.refuse_unknown()
    return setup


def setup_of_player() -> Setup:
    """Setup of the player who plays now, with the lever arm remembered for the strap; the usual where nobody is."""
    from logger.calibration_store import find_calibration
    from logger.player_profile import STRAP_KEY, load_active
    from logger.recorder import Setup

    profile = load_active()
    if profile is None:
        return Setup(calibration=find_calibration)
    lever = profile.expected_lever()
    return Setup(
        player=profile.player,
        instrument=profile.instrument,
        calibration=find_calibration,
        lever_mm=None if lever is None else lever.lever_mm,
        lever_sd_mm=None if lever is None else lever.sd_mm,
        metadata={STRAP_KEY: profile.strap},
    )


def open_streams(speed: float) -> LslStreams:
    """Get streams to other programs ready, and say who can read them.

    Raises
    ------
    InputError
        pylsl is not installed.
    """
    from logger.lsl_streams import LslStreams

    if speed != 1.0:
        raise click.UsageError("--lsl stamps samples with the time at which they were taken; leave out --speed")
    streams = LslStreams()
    click.echo("Streaming what is recorded: every computer in this network can read it.", err=True)
    return streams


def _follow(
    recorder: Recorder,
    session: RecordSession,
    counter: StrokeCounter,
    keys: Keys,
    stopping: threading.Event,
    seconds: float | None,
) -> None:
    """Act on keys and draw the screen until the recording ends."""
    from logger.record_screen import open_screen

    begun_s, drawn_s = time.monotonic(), 0.0
    with open_screen() as draw:
        while recorder.running and not session.finished:
            key = keys.read(POLL_S)
            if key is not None:
                session.press(key)
            session.tick()
            now_s = time.monotonic()
            over = seconds is not None and now_s - begun_s >= seconds
            if stopping.is_set() or recorder.exhausted or over:
                session.end()
            if now_s - drawn_s >= DRAW_S:
                drawn_s = now_s
                draw(recorder.state(), session, counter.strokes)


def _say_result(path: Path, state: RecordingState, recorder: Recorder, session: RecordSession) -> None:
    minutes, rest = divmod(state.elapsed_s, 60.0)
    gaps = f", {state.gaps} link losses" if state.gaps else ""
    click.echo(
        f"Wrote {path}: {int(minutes)} min {rest:.1f} s, {state.samples} samples, {session.blocks} blocks; "
        f"{state.losses.sentence()}{gaps}."
    )
    fit = recorder.clock_fit
    if fit is not None:
        click.echo(f"The sensor's clock: {(fit.rate - 1.0) * 1e6:+.0f} ppm, placed to {fit.residual_s * 1e3:.1f} ms.")
    if session.hurt:
        from logger.record_session import HURT_WORDS

        click.echo(HURT_WORDS)
