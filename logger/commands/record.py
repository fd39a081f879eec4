"""``strokeplane record``: a sensor into a session file, guided from the terminal."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from analysis.model.cautions import CELL, SKIN, STOP
from logger.commands.heights_option import ask_heights, with_heights
from logger.commands.sensor_options import (
    edge_option,
    instrument_from_options,
    instrument_options,
    new_session,
    open_streams,
    say_offer,
    sensor_options,
    session_options,
    source_from_options,
    truer_option,
)
from logger.terminal.say import say, show

if TYPE_CHECKING:
    import threading
    from collections.abc import Sequence

    from logger.record.record_session import RecordSession
    from logger.record.recorder import Recorder, RecordingState
    from logger.record.stroke_counter import StrokeCounter
    from logger.sources.stream import Item
    from logger.terminal.keys import Keys

POLL_S = 0.05
DRAW_S = 0.2


@click.command("record")
@sensor_options
@instrument_options
@truer_option
@edge_option
@session_options
@click.option(
    "--posture",
    "postures",
    multiple=True,
    default=("A",),
    show_default=True,
    help="Label of the posture; repeat it for more postures.",
)
@click.option("--tempo", "tempo_bpm", type=click.FloatRange(10, 600), help="Beats a minute in the blocks.")
@click.option("--notes-per-beat", type=click.FloatRange(0.25, 16), help="Strokes on each beat.")
@click.option("--drill", default="", help="Drill that the blocks play: a name, or a phrase such as '4x2 3x2'.")
@click.option("--wanted", type=click.Choice(["down", "up"]), help="The stroke that should clear the strings.")
@click.option("--seconds", type=click.FloatRange(0.1), help="End by itself after so long.")
@click.option("--lsl", is_flag=True, help="Also stream samples and marks to other programs (Lab Streaming Layer).")
def record_command(
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
    recorded is safe on the disk within half a second, also when the computer stops. With --instrument a second
    sensor is recorded beside the hand's; if one of the two is lost, the other goes on.
    """
    from analysis.model.records import RawSamples, Session
    from logger.guide.asked_gestures import choose_gestures
    from logger.player.setup_file import read_setup
    from logger.record.record_session import BlockSettings, RecordSession
    from logger.record.recorder import Recorder
    from logger.record.stroke_counter import StrokeCounter
    from logger.sliding.event_watch import EventWatch
    from logger.sliding.sample_store import SampleStore
    from logger.sources.stream import empty_samples
    from logger.terminal.end_signals import ended_by_signals
    from logger.terminal.keys import open_keys

    path = new_session(output)
    source = source_from_options(source_text, profile_name, rate_hz, ranges, speed)
    second = instrument_from_options(instrument_text, instrument_profile, source, speed)
    setup = read_setup(setup_path)
    flat = setup.instrument.held == "flat"
    truer = truer and not flat
    if truer and heights_mm is None and sys.stdin.isatty():
        heights_mm = ask_heights()
    setup = replace(setup, metadata=with_heights(setup.metadata, heights_mm))
    counter = StrokeCounter()
    streams = open_streams(speed) if lsl else None
    store = SampleStore()

    def keep(items: Sequence[Item]) -> None:
        for item in items:
            if isinstance(item, RawSamples) and len(item.ticks):
                store.append(item)

    listeners = (counter, keep) if streams is None else (counter, keep, streams)
    recorder = Recorder(path, source, setup, listeners=listeners, instrument=second)
    for each in (source, second):
        if each is not None:
            show(f"Looking for {each.name} ...", err=True)
    with ended_by_signals() as stopping:
        info = recorder.start()
        sensor = info.profile.sensor
        say(f"Recording {sensor.part or sensor.name} at {sensor.rate_hz:g}/s into {path}", err=True)
        say(f"{STOP} {SKIN} {CELL}", err=True)
        if recorder.second is not None and recorder.second.info is not None:
            other = recorder.second.info.profile.sensor
            say(f"On the instrument: {other.part or other.name} at {other.rate_hz:g}/s", err=True)
            say_offer(second)
        gestures = choose_gestures(setup.lever_sd_mm, flat, second is not None, truer, edge)
        blocks = BlockSettings(postures, tempo_bpm, notes_per_beat, drill, wanted, flat, gestures)
        watch = EventWatch(Session(empty_samples(), sensor, setup.calibration(sensor)), store)
        session = RecordSession(recorder, counter, blocks, watch)
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
    _say_result(path, state, recorder, session, at_pace=speed == 1.0)


def _follow(
    recorder: Recorder,
    session: RecordSession,
    counter: StrokeCounter,
    keys: Keys,
    stopping: threading.Event,
    seconds: float | None,
) -> None:
    """Act on keys and draw the screen until the recording ends."""
    from logger.record.record_screen import open_screen

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


def _say_result(path: Path, state: RecordingState, recorder: Recorder, session: RecordSession, at_pace: bool) -> None:
    """What was recorded; at another pace than its own, a replay tells nothing of the clock."""
    minutes, rest = divmod(state.elapsed_s, 60.0)
    gaps = f", {state.gaps} link losses" if state.gaps else ""
    say(
        f"Wrote {path}: {int(minutes)} min {rest:.1f} s, {state.samples} samples, {session.blocks} blocks; "
        f"{state.losses.sentence()}{gaps}."
    )
    second = state.instrument
    if second is not None:
        gaps = f", {second.gaps} link losses" if second.gaps else ""
        say(f"On the instrument: {second.samples} samples; {second.losses.sentence()}{gaps}.")
    fit = recorder.clock_fit
    if fit is not None and at_pace:
        show(f"The sensor's clock: {(fit.rate - 1.0) * 1e6:+.0f} ppm, placed to {fit.residual_s * 1e3:.1f} ms.")
    _say_sensor(path)
    if session.hurt:
        from logger.guide.view import HURT_WORDS

        say(HURT_WORDS)


def _say_sensor(path: Path) -> None:
    """What the log itself says against its sensor: while it is still at hand, it costs nothing to try again."""
    from analysis.consistency.judge import judge_log
    from analysis.model.errors import StrokeplaneError
    from logger.session.session_file import read_session

    try:
        judgement = judge_log(read_session(path))
    except StrokeplaneError as error:
        say(f"The sensor could not be judged: {error}.", err=True)
        return
    for doubt in judgement.doubts:
        say(f"Note: {doubt.sentence}")
