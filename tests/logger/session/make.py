"""Sessions and results built by hand for the tests of this folder; all of it is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from analysis.model.records import (
    OFF_HAND,
    BlockSummary,
    Calibration,
    Event,
    GestureQuality,
    Instrument,
    Player,
    RawSamples,
    ReferenceSummary,
    SensorProfile,
    Session,
    SessionResult,
)
from analysis.model.stroke_columns import STROKE_COLUMNS

PROFILE = SensorProfile("test part", 400.0, 9.80665 / 4096, 1.0 / 1878.0, tick_hz=1e6, accel_clip_counts=32767)


def samples(n: int, seed: int = 0, first: int = 0, host: bool = True) -> RawSamples:
    """Random counts on regular ticks; the sequence tells which sample each one is."""
    rng = np.random.default_rng(seed)
    index = np.arange(first, first + n, dtype=np.int64)
    host_time_s = 1.7e9 + index / 400.0 if host else np.full(n, np.nan)
    return RawSamples(index * 2500, index, host_time_s, rng.integers(-32768, 32768, (n, 6), dtype=np.int32))


def session(n: int = 4000, seed: int = 0) -> Session:
    return Session(
        raw=samples(n, seed),
        profile=PROFILE,
        calibration=Calibration(accel_bias_mps2=(0.1, -0.2, 0.3), source="six positions"),
        player=Player("the mandolin player", "left"),
        instrument=Instrument("mandolin", 8, 4, (9.5, 9.0, 9.25), 280.0, 1.5),
        events=(
            Event(0.5, 3.5, "still", OFF_HAND, row=2),
            Event(4.0, 9.0, "play", "naïve ♪", "A", 100.0, 4.0, "drill, one", None, "up", row=3),
            Event(9.5, 9.5, "rating", rating=7.0),
        ),
        lever_mm=(60.0, 10.0, -25.0),
        lever_sd_mm=5.0,
        warnings=("written before",),
        metadata={"place": "kitchen"},
    )


def equal_samples(a: RawSamples, b: RawSamples) -> bool:
    return (
        np.array_equal(a.ticks, b.ticks)
        and np.array_equal(a.sequence, b.sequence)
        and np.array_equal(a.host_time_s, b.host_time_s, equal_nan=True)
        and np.array_equal(a.counts, b.counts)
    )


def same_but_samples(a: Session, b: Session) -> bool:
    """Whether all but samples, hash and warnings is equal."""
    plain = [replace(s, raw=samples(0), log_hash="", warnings=(), metadata=dict(s.metadata)) for s in (a, b)]
    return repr(plain[0]) == repr(plain[1])


def strokes_table(n: int = 4) -> pd.DataFrame:
    down = np.arange(n) % 2 == 0
    table = pd.DataFrame(
        {
            "start_s": 10.0 + np.arange(n) * 0.125,
            "end_s": 10.125 + np.arange(n) * 0.125,
            "block": pd.array([0] * (n - 1) + [None], dtype="Int64"),
            "direction": np.where(down, "down", "up"),
            "tilt_deg": 12.34567891 + np.arange(n),
            "tilt_se_deg": 0.5,
            "main_tilt_deg": 12.5,
            "span_mm": 15.0,
            "bow_mm": -0.00000001,
            "lift_mm": np.where(down, 1.5, np.nan),
            "string_change": "unknown",
            "strokes_per_s": 8.0,
            "posture": 'flat, "loose"',
            "tempo_bpm": np.nan,
            "run": 0,
            "attack": True,
            "bridged": False,
            "contact_s": 10.06,
            "clears": down,
            "attack_mps2": 40.0,
            "sparc": -1.5,
            "ldlj": -5.5,
        }
    )
    return table[[column.name for column in STROKE_COLUMNS]]


def result() -> SessionResult:
    block = BlockSummary(
        index=0, start_s=10.0, end_s=40.0, posture="A", tempo_bpm=120.0, notes_per_beat=4.0, drill="", wanted="up",
        strokes=3, strokes_per_s=8.0, tilt_mean_deg=-12.0, tilt_sd_deg=1.0, tilt_ci95_deg=(-14.0, -10.0),
        tilt_offset_se_deg=0.9, tilt_mean_se_deg=0.1, tilt_side="up", clearing_stroke="up", share_clearing=0.98,
        span_mm=15.0, bow_mm=float("nan"), lift_mm=None,
    )  # fmt: skip
    strokes = strokes_table()
    return SessionResult(
        rate_hz=400.0,
        duration_s=60.0,
        start_s=10.0,
        lost_samples=3,
        clipped_samples=0,
        reference=ReferenceSummary(
            "gestures",
            (GestureQuality("across", 1.0, 6.0, "A", 10.0, 60.0, 0.98, True, ""),),
            {"across": 1, "along": 1, "pivot": 1},
        ),
        tilt_offset_se_deg=0.9,
        lever_mm=(60.0, 10.0, -25.0),
        lever_se_mm=(float("inf"), 1.0, 1.0),
        warnings=("3 samples are missing",),
        blocks=(block,),
        strokes=strokes,
        paths_mm=np.zeros((len(strokes), 8, 3), np.float32),
        events=(Event(41.0, 41.0, "rating", rating=8.0), Event(42.0, 43.0, "hurt", "thumb")),
        instrument=Instrument(),
        player=Player(),
        cautions=("Stop when it hurts.",),
        settings={"strokes": {"prominence_mm": np.float64(2.5), "orders": (1, 2)}, "grid": np.arange(2)},
        version="0.1.0",
        log_hash="ab" * 32,
    )
