"""Sessions drawn as tables, not as samples: strokes with known truth for thousands of comparisons a minute.

What the estimator adds is put in by hand: one frame error a posture, and an error of every single stroke. The whole
chain is judged separately (``bench_questions``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from analysis.model.records import Event, GestureQuality, Instrument, Player, ReferenceSummary, SessionResult
from analysis.stroke.blocks import summarise_block
from analysis.stroke.tilt import lift_mm

POINTS = 17


@dataclass(frozen=True)
class DrawnBlock:
    """One block; ``tilt_deg`` as a function of minutes on task where it changes."""

    posture: str = "A"
    strokes_per_s: float = 8.0
    seconds: float = 20.0
    tilt_deg: float = 15.0
    scatter_deg: float = 1.5
    span_mm: float = 15.0
    bow_mm: float = 0.0
    timing_pct: float = 3.0
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    wanted: str | None = None
    drill: str = ""
    flipped_share: float = 0.0
    evenness_deg: float = 0.0
    slope_deg_per_min: float = 0.0


@dataclass(frozen=True)
class Drawing:
    """What is common to a session."""

    block_sd_deg: float = 0.5
    wander_deg: float = 0.7
    wander_s: float = 8.0
    frame_se_deg: float = 0.6
    stroke_error_deg: float = 0.5
    scatter_block_sd: float = 0.08
    rest_s: float = 10.0
    trend_deg: Callable[[float], float] = field(default=lambda minutes: 0.0)
    scatter_trend: Callable[[float], float] = field(default=lambda minutes: 1.0)
    own_gestures: bool = True
    player: str = "invented"
    instrument: Instrument = field(default_factory=Instrument)


def draw_session(blocks: Sequence[DrawnBlock], drawing: Drawing, rng: np.random.Generator) -> SessionResult:
    """One session with these blocks, its frame errors and its strokes drawn."""
    postures = sorted({b.posture for b in blocks})
    shift = {p: drawing.frame_se_deg * rng.normal() for p in postures}
    if not drawing.own_gestures:
        shift = dict.fromkeys(postures, shift[postures[0]])
    now, parts, events, paths = 30.0, [], [], []
    for index, block in enumerate(blocks):
        table, path = _strokes(block, index, now, drawing, shift[block.posture], rng)
        end = float(table["end_s"].iloc[-1])
        events.append(
            Event(
                now - 0.3, end + 0.3, "play", posture=block.posture, tempo_bpm=block.tempo_bpm,
                notes_per_beat=block.notes_per_beat, drill=block.drill, wanted=block.wanted,
            )
        )  # fmt: skip
        parts.append(table)
        paths.append(path)
        now = end + drawing.rest_s
    strokes = pd.concat(parts, ignore_index=True).astype({"block": "Int64"})
    summaries = tuple(
        summarise_block(i, e, strokes[strokes["block"] == i], drawing.frame_se_deg, True) for i, e in enumerate(events)
    )
    known = postures if drawing.own_gestures else postures[:1]
    gestures = tuple(
        GestureQuality(kind, 1.0, 6.0, p, 10.0, 50.0, 0.99, True)
        for p in known
        for kind in ("across", "along", "pivot")
    )
    return SessionResult(
        rate_hz=400.0, duration_s=now, start_s=0.0, lost_samples=0, clipped_samples=0,
        reference=ReferenceSummary("gestures", gestures, {k: len(known) for k in ("across", "along", "pivot")}),
        tilt_offset_se_deg=drawing.frame_se_deg, lever_mm=None, lever_se_mm=None, warnings=(), log_hash="",
        blocks=summaries,
        strokes=strokes, paths_mm=np.concatenate(paths).astype(np.float32), events=tuple(events),
        instrument=drawing.instrument, player=Player(drawing.player), cautions=(), settings={}, version="0",
    )  # fmt: skip


def _strokes(
    block: DrawnBlock, index: int, now: float, drawing: Drawing, shift: float, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray]:
    n = max(4, int(block.strokes_per_s * block.seconds))
    length = 1 / block.strokes_per_s
    turns = now + np.concatenate([[0.0], np.cumsum(length * (1 + 0.01 * block.timing_pct * rng.normal(size=n)))])
    start, end = turns[:-1], turns[1:]
    minutes = start / 60
    down = np.arange(n) % 2 == 0
    keep = np.exp(-length / drawing.wander_s)
    drive = np.sqrt(1 - keep**2) * rng.normal(size=n)
    drive[0] = rng.normal()
    scatter = block.scatter_deg * drawing.scatter_trend(float(minutes[0]))
    scatter *= np.exp(drawing.scatter_block_sd * rng.normal())
    true = block.tilt_deg + drawing.trend_deg(float(minutes[0])) + block.slope_deg_per_min * (minutes - minutes[0])
    true = true + drawing.block_sd_deg * rng.normal() + drawing.wander_deg * lfilter([1.0], [1.0, -keep], drive)
    true = true + scatter * rng.normal(size=n) + np.where(down, 0.5, -0.5) * block.evenness_deg
    # Slips come in stretches of six strokes, not singly.
    slips = np.repeat(rng.random(n // 6 + 1) < block.flipped_share, 6)[:n]
    true = np.where(slips, -true, true)
    seen = true + shift + drawing.stroke_error_deg * rng.normal(size=n)
    span = block.span_mm * np.clip(1 + 0.05 * rng.normal(size=n), 0.3, 2)
    path = straight_paths(seen, span, block.bow_mm + 0.1 * rng.normal(size=n), np.where(down, 1.0, -1.0))
    sign = np.where(down, 1.0, -1.0)
    contact = np.clip(0.5 + 0.04 * rng.normal(size=n), 0.3, 0.7)
    instrument = drawing.instrument
    lift = lift_mm(path, sign, contact, instrument.mean_spacing_mm, instrument.plectrum_depth_mm)
    table = pd.DataFrame(
        {
            "start_s": start, "end_s": end, "block": index, "direction": np.where(down, "down", "up"),
            "tilt_deg": seen, "tilt_se_deg": drawing.stroke_error_deg, "span_mm": span, "bow_mm": block.bow_mm,
            "lift_mm": lift, "string_change": "unknown", "strokes_per_s": 1 / (end - start), "posture": block.posture,
            "tempo_bpm": np.nan if block.tempo_bpm is None else block.tempo_bpm, "run": index, "attack": True,
            "contact_s": start + contact * (end - start), "clears": lift > 0, "true_tilt_deg": true,
        }
    )  # fmt: skip
    table["strokes_per_s"] = table["strokes_per_s"].rolling(9, center=True, min_periods=1).median()
    return table, path


def straight_paths(tilt_deg: np.ndarray, span_mm: np.ndarray, bow_mm: np.ndarray, sign: np.ndarray) -> np.ndarray:
    """Paths (n, 17, 3) of strokes with these tilts, lifted at both ends by ``bow_mm``."""
    u = -np.cos(np.linspace(0, np.pi, POINTS))
    tilt = np.radians(tilt_deg)[:, None]
    along = 0.5 * span_mm[:, None] * u * sign[:, None]
    rise = bow_mm[:, None] * (u**2 - 0.5)
    y = along * np.cos(tilt) - rise * np.sin(tilt)
    z = along * np.sin(tilt) + rise * np.cos(tilt)
    return np.stack([np.zeros_like(y), y, z], axis=2)
