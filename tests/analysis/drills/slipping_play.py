"""Drills played with slips, drawn as strokes and paths; no sensor, no code or assumption of the alignment.

The hand alternates strictly; a slip plays a note twice, leaves one out, or begins on the other side. The hand glides
from string to string between the notes, at its own moment; the tip swings about it on a tilted chord. What the analysis
would see is that motion without its slow part (a Butterworth filter, second order, both ways, at 0.5 of the cycle
rate or 1 Hz), cut at its turns, with noise. The true height is the tip's over every string's line between two contacts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import signal
from scipy.interpolate import PchipInterpolator

from analysis.drills.phrases import Phrase
from analysis.model.records import Instrument

RATE_HZ = 400.0
POINTS = 33


@dataclass(frozen=True)
class SlippingPlayer:
    """How somebody plays a drill; lengths in mm, angles in degrees."""

    notes: int = 120
    notes_per_s: float = 8.0
    slips: float = 1 / 30
    starts_other_way: float = 0.2
    unevenness: float = 0.05
    tilt_deg: float = 18.0
    tilt_scatter_deg: float = 1.0
    span_mm: float = 22.0
    way_noise_mm: float = 1.5
    attack: float = 0.97
    depth_sd_mm: float = 0.3


def draw_slipping_player(rng: np.random.Generator) -> SlippingPlayer:
    """A player of any tilt, tempo and span."""
    return SlippingPlayer(
        notes=int(rng.integers(80, 200)),
        notes_per_s=rng.uniform(4, 11),
        tilt_deg=rng.choice([-1, 1]) * rng.uniform(2, 28),
        unevenness=rng.uniform(0.03, 0.1),
        span_mm=rng.uniform(15, 28),
        tilt_scatter_deg=rng.uniform(0.5, 1.5),
        way_noise_mm=rng.uniform(0.7, 2.0),
        depth_sd_mm=rng.uniform(0.2, 0.6),
    )


@dataclass(frozen=True)
class SlippedPlay:
    """Strokes, paths (n, k, 3) in mm, and for each stroke its note, string and true height to the next (or NaN)."""

    strokes: pd.DataFrame
    paths_mm: np.ndarray
    note: np.ndarray
    string: np.ndarray
    height_mm: np.ndarray


def play_slipping(phrase: Phrase, instrument: Instrument, player: SlippingPlayer, seed: int) -> SlippedPlay:
    """Play a phrase, loops and all."""
    rng = np.random.default_rng([seed, 0x511])
    note = _choose_notes(player, rng)
    n = len(note)
    string = np.array([phrase.string_at(int(j)) for j in note])
    y, z = _strings(instrument)
    first_down = (phrase.first_stroke == "down") != (rng.random() < player.starts_other_way)
    down = (np.arange(n) % 2 == 0) == first_down
    period = 1 / player.notes_per_s
    contact = 5.0 + np.arange(n) * period + rng.normal(0, player.unevenness * period, n)
    contact = np.maximum.accumulate(contact + np.arange(n) * 1e-6)
    contact[1:] = np.where(np.diff(contact) < 0.4 * period, contact[:-1] + 0.4 * period, contact[1:])
    turn = np.concatenate([[contact[0] - period / 2], (contact[1:] + contact[:-1]) / 2, [contact[-1] + period / 2]])
    turn[1:-1] += rng.normal(0, 0.03 * period, n - 1)
    time = np.arange(turn[0] - 1, turn[-1] + 1, 1 / RATE_HZ)
    # The hand glides around the turn, sooner or later, over a part of the time between two notes.
    glide_at = turn[1:-1] + rng.normal(0, 0.08 * period, n - 1)
    width = rng.uniform(0.5, 0.95) * period / 2
    knots = np.column_stack([glide_at - width, glide_at + width]).ravel()
    level_y = np.repeat(y[string - 1], 2)[1:-1]
    depth = instrument.plectrum_depth_mm + rng.normal(0, player.depth_sd_mm, n)
    level_z = np.repeat(z[string - 1] - depth, 2)[1:-1]
    order = np.maximum.accumulate(knots + 1e-9 * np.arange(len(knots)))
    order += 1e-7 * np.arange(len(order))
    hand = np.column_stack(
        [PchipInterpolator(order, level)(np.clip(time, order[0], order[-1])) for level in (level_y, level_z)]
    )
    half = 0.5 * player.span_mm * np.exp(rng.normal(0, 0.08, n + 1))
    ends = np.where(np.concatenate([down, [not down[-1]]]), -1.0, 1.0) * half
    along_knots = np.empty(2 * n + 1)
    along_knots[0::2], along_knots[1::2] = ends, 0.0
    moments = np.empty(2 * n + 1)
    moments[0::2], moments[1::2] = turn, contact
    along = PchipInterpolator(moments, along_knots)(np.clip(time, turn[0], turn[-1]))
    tilt = np.radians(player.tilt_deg + np.interp(time, contact, rng.normal(0, player.tilt_scatter_deg, n)))
    tip = hand + np.column_stack([along * np.cos(tilt), along * np.sin(tilt)])
    heights = _true_heights(time, tip, contact, (y, z))
    heights[np.append(string[1:] == string[:-1], True)] = np.nan
    return _measure(_Motion(time, tip, contact, turn, down, period), player, rng, (note, string, heights))


def _choose_notes(player: SlippingPlayer, rng: np.random.Generator) -> np.ndarray:
    note, place = [], 0
    while len(note) < player.notes:
        note.append(place)
        if rng.random() < player.slips:
            place += int(rng.choice([0, 2]))
        else:
            place += 1
    return np.array(note)


def _strings(instrument: Instrument) -> tuple[np.ndarray, np.ndarray]:
    gaps = np.asarray(instrument.spacing_mm)[::-1]
    y = -np.concatenate([[0.0], np.cumsum(gaps)])
    y = y - y.mean()
    z = (
        np.zeros_like(y)
        if instrument.radius_mm is None
        else np.sqrt(instrument.radius_mm**2 - y**2) - instrument.radius_mm
    )
    return y, z


def _true_heights(time, tip, contact, strings) -> np.ndarray:
    found = np.full(len(contact), np.nan)
    for i in range(len(contact) - 1):
        part = (time > contact[i] + 0.004) & (time < contact[i + 1] - 0.004)
        way = tip[part]
        over = [
            way[c, 1] - strings[1][k]
            for k in range(len(strings[0]))
            for c in np.flatnonzero((way[:-1, 0] - strings[0][k]) * (way[1:, 0] - strings[0][k]) <= 0)
        ]
        found[i] = min(over, default=np.nan)
    return found


@dataclass(frozen=True)
class _Motion:
    time: np.ndarray
    tip: np.ndarray
    contact: np.ndarray
    turn: np.ndarray
    down: np.ndarray
    period_s: float


def _measure(motion: _Motion, player: SlippingPlayer, rng: np.random.Generator, truth) -> SlippedPlay:
    corner = min(0.85 * 0.5 / motion.period_s, 1.0)
    sos = signal.butter(2, corner, "highpass", fs=RATE_HZ, output="sos")
    noise = signal.sosfiltfilt(
        signal.butter(2, [0.8, 6.0], "bandpass", fs=RATE_HZ, output="sos"),
        rng.normal(size=(len(motion.time), 2)),
        axis=0,
    )
    noise *= player.way_noise_mm / noise.std()
    noise[:, 1] *= 0.15
    seen = signal.sosfiltfilt(sos, motion.tip, axis=0) + noise
    n = len(motion.contact)
    paths = np.zeros((n, POINTS, 3))
    for i in range(n):
        at = np.linspace(motion.turn[i], motion.turn[i + 1], POINTS)
        for k in range(2):
            paths[i, :, 1 + k] = np.interp(at, motion.time, seen[:, k])
    paths -= paths.mean(axis=1, keepdims=True)
    heard = motion.contact + rng.normal(0, 0.002, n)
    attack = rng.random(n) < player.attack
    table = pd.DataFrame(
        {
            "start_s": motion.turn[:-1],
            "end_s": motion.turn[1:],
            # Without an attack nobody knows the contact; the table then says midway.
            "contact_s": np.where(attack, heard, 0.5 * (motion.turn[:-1] + motion.turn[1:])),
            "direction": np.where(motion.down, "down", "up"),
            "attack": attack,
            "tilt_se_deg": 0.5,
            "span_mm": np.ptp(paths[:, :, 1], axis=1),
        }
    )
    return SlippedPlay(table, paths, *truth)
