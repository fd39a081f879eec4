"""Session results made by hand: straight or arched strokes with a tilt, a length and a scatter of one's choice."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd

from analysis.model.cautions import session_cautions
from analysis.model.records import (
    Event,
    FloatArray,
    GestureQuality,
    Instrument,
    Player,
    ReferenceSummary,
    SessionResult,
)
from analysis.stroke.blocks import summarise_block
from analysis.stroke.tilt import lift_mm

START_S = 1000.0
POINTS = 17


@dataclass(frozen=True)
class Play:
    """One block: its tilt, length and bow as played, the same for all its strokes but for the scatter."""

    tilt_deg: float = 20.0
    span_mm: float = 26.0
    scatter_deg: float = 0.8
    bow_mm: float = 0.0
    rate: float = 8.0
    seconds: float = 20.0
    posture: str = "A"
    tempo_bpm: float | None = None
    wanted: Literal["down", "up"] | None = None


@dataclass(frozen=True)
class Made:
    """What besides play a result holds."""

    offset_se_deg: float = 0.8
    hand: bool = False
    lost_samples: int = 12
    clipped_samples: int = 0
    repetitions: int = 1
    instrument: Instrument = field(default_factory=Instrument)
    player: Player = field(default_factory=lambda: Player("an invented player"))
    events: tuple[Event, ...] = ()
    warnings: tuple[str, ...] = ()
    strokes_each: int | None = None


def make_result(*plays: Play, made: Made | None = None, seed: int = 1) -> SessionResult:
    """A session of these blocks, 30 s of gestures before them and 8 s of rest between."""
    made = made or Made()
    rng = np.random.default_rng(seed)
    tables, paths, events = [], [], []
    time = START_S + 40.0
    for index, play in enumerate(plays):
        table, path = _strokes(play, index, time, made, rng)
        tables.append(table)
        paths.append(path)
        events.append(_block_event(play, time))
        time += play.seconds + 8.0
    strokes = pd.concat(tables, ignore_index=True)
    parts = {"pivot": 0.3, "heading": 0.2, "along": 0.1}
    parts["across"] = float(np.sqrt(max(0.0, made.offset_se_deg**2 - sum(part**2 for part in parts.values()))))
    offset = None if made.hand else made.offset_se_deg
    blocks = tuple(
        replace(
            summarise_block(i, event, strokes[strokes["block"] == i], offset, not made.hand),
            tilt_offset_parts_deg=None if made.hand else parts,
        )
        for i, event in enumerate(events)
    )
    gestures = () if made.hand else tuple(_gestures(made.repetitions))
    everything = tuple(sorted((*events, *_gesture_events(gestures), *made.events), key=lambda event: event.start_s))
    return SessionResult(
        rate_hz=400.0,
        duration_s=time - START_S,
        start_s=START_S,
        lost_samples=made.lost_samples,
        clipped_samples=made.clipped_samples,
        reference=ReferenceSummary(
            "hand" if made.hand else "gestures",
            gestures,
            dict.fromkeys(("across", "along", "pivot"), 0 if made.hand else made.repetitions),
        ),
        tilt_offset_se_deg=offset,
        lever_mm=None if made.hand else (-3.0, -70.0, 7.0),
        lever_se_mm=None if made.hand else (1.0, 0.9, 0.8),
        warnings=made.warnings,
        blocks=blocks,
        strokes=strokes,
        paths_mm=np.concatenate(paths).astype(np.float32),
        events=everything,
        instrument=made.instrument,
        player=made.player,
        cautions=session_cautions(everything, not made.hand),
        settings={"strokes": {"least_mm": 2.0}, "rate_hz": 200.0},
        version="0.0.test",
        log_hash="0123abcd",
    )


def _strokes(
    play: Play, index: int, start_s: float, made: Made, rng: np.random.Generator
) -> tuple[pd.DataFrame, FloatArray]:
    n = made.strokes_each or int(play.rate * play.seconds)
    turns = start_s + np.arange(n + 1) / play.rate
    sign = np.where(np.arange(n) % 2 == 0, 1.0, -1.0)
    tilt = play.tilt_deg + play.scatter_deg * rng.normal(size=n)
    path = straight_paths(tilt, sign, np.full(n, play.span_mm), play.bow_mm)
    instrument = made.instrument
    contact = np.full(n, 0.5)
    lift = lift_mm(path, sign, contact, instrument.mean_spacing_mm, instrument.plectrum_depth_mm)
    table = pd.DataFrame(
        {
            "start_s": turns[:-1],
            "end_s": turns[1:],
            "block": pd.array(np.full(n, index), dtype="Int64"),
            "direction": np.where(sign > 0, "down", "up"),
            "tilt_deg": tilt,
            "tilt_se_deg": 0.3,
            "span_mm": play.span_mm,
            "bow_mm": play.bow_mm,
            "lift_mm": lift,
            "string_change": "unknown",
            "strokes_per_s": play.rate,
            "posture": play.posture,
            "tempo_bpm": np.nan if play.tempo_bpm is None else play.tempo_bpm,
            "run": index,
            "attack": True,
            "contact_s": 0.5 * (turns[:-1] + turns[1:]),
            "clears": lift > 0,
        }
    )
    return table, path


def straight_paths(tilt_deg: FloatArray, sign: FloatArray, span_mm: FloatArray, bow_mm: float = 0.0) -> FloatArray:
    """Paths (n, 17, 3): chords of the given tilt and length, bent upwards at both ends by ``bow_mm``."""
    x = np.linspace(-0.5, 0.5, POINTS)
    tilt = np.radians(tilt_deg)[:, None]
    along = sign[:, None] * span_mm[:, None] * x
    bend = 4 * bow_mm * x**2
    y = along * np.cos(tilt) - bend * np.sin(tilt)
    z = along * np.sin(tilt) + bend * np.cos(tilt)
    return np.stack([0.1 * along, y, z], axis=2)


def _block_event(play: Play, start_s: float) -> Event:
    return Event(
        start_s,
        start_s + play.seconds,
        "play",
        posture=play.posture,
        tempo_bpm=play.tempo_bpm,
        notes_per_beat=None if play.tempo_bpm is None else 4.0,
        wanted=play.wanted,
    )


def _gestures(repetitions: int) -> list[GestureQuality]:
    found = []
    for i in range(repetitions):
        at = START_S + 5.0 + 20.0 * i / repetitions
        found += [
            GestureQuality("across", at, at + 2, "A", 9.0, 55.0, 0.97, True),
            GestureQuality("along", at + 2, at + 4, "A", 9.0, 40.0, 0.98, True),
            GestureQuality(
                "pivot", at + 4, at + 6, "A", float("nan"), float("nan"), float("nan"), True, "rocked 10, 8, 5 deg"
            ),
        ]
    return found


def _gesture_events(gestures: tuple[GestureQuality, ...]) -> list[Event]:
    return [Event(g.start_s, g.end_s, g.kind, posture=g.posture) for g in gestures]
