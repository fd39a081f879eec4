"""Drills as a microphone hears them: notes with slips, and the strokes that a sensor on the hand finds beside them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.synthesis.plucked_string import PluckedNotes, StringModel, pluck_strings
from analysis.synthesis.sound_recording import RecordingChain, click_track, knock_track, record

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class SoundPlan:
    """How a drill is played and found.

    Attributes
    ----------
    strings, midi : tuple
        String and pitch of the phrase's notes.
    notes_per_s, notes
        Speed and number of strokes.
    slips : float
        Share of strokes at which the player repeats a note or leaves one out; strokes go on alternating.
    unevenness, ring_share, ring_s
        SD of a stroke's moment as a part of the interval; share of notes that ring on under others, and for how long.
    count_in, beat_notes
        Clicks before the first note, notes a beat; no click at all where ``click_level`` is 0.
    lead_s, rest_s, block_notes
        Silence before; after every ``block_notes`` notes a rest.
    raps : bool
        Three raps on the body before the play.
    unheard, unseen, ghosts : float
        Shares of strokes that give no sound; that the motion misses; that the motion sees and nobody played.
    seen_sd_s : float
        Error of the moments that the motion finds.
    offset_s, drift_ppm : float
        Sound time = offset + (1 + drift) motion time.
    """

    strings: tuple[int, ...]
    midi: tuple[float, ...]
    notes_per_s: float = 8.0
    notes: int = 480
    slips: float = 0.0
    unevenness: float = 0.04
    ring_share: float = 0.5
    ring_s: float = 0.35
    count_in: int = 4
    beat_notes: int = 4
    click_level: float = 0.0
    lead_s: float = 2.0
    rest_s: float = 4.0
    block_notes: int = 240
    raps: bool = False
    unheard: float = 0.0
    unseen: float = 0.0
    ghosts: float = 0.0
    seen_sd_s: float = 0.0033
    offset_s: float = 0.0
    drift_ppm: float = 0.0
    cents: float = 0.0
    model: StringModel = field(default_factory=StringModel)


@dataclass(frozen=True)
class HeardPlay:
    """A take and its truth.

    Attributes
    ----------
    sound : float64 (m,)
    rate_hz : float
    onset_s : float64 (k,)
        Moments of all notes that sound, sound time.
    onset_place : int64 (k,)
        Place of each in the phrase.
    contact_s : float64 (n,)
        Strokes as motion finds them, motion time.
    down : bool (n,)
    stroke_place : int64 (n,)
        Place in the phrase, -1 for a stroke that nobody played.
    blocks_s : tuple of (start, end)
        Motion time; each starts at its first note.
    raps_s : float64 (3,) or (0,)
        Sound time.
    click_s : float64 (c,)
        Sound time.
    """

    sound: FloatArray
    rate_hz: float
    onset_s: FloatArray
    onset_place: IntArray
    contact_s: FloatArray
    down: BoolArray
    stroke_place: IntArray
    blocks_s: tuple[tuple[float, float], ...]
    raps_s: FloatArray
    click_s: FloatArray


def slipped_places(count: int, phrase_notes: int, slips: float, rng: np.random.Generator) -> IntArray:
    """Place in the phrase of every stroke: on by one, but for slips, where a note comes twice or is left out."""
    slip = rng.random(count) < slips
    step = np.where(slip, np.where(rng.random(count) < 0.5, 0, 2), 1)
    step[0] = 0
    return np.asarray(np.cumsum(step) % phrase_notes, dtype=np.int64)


def play_drill(plan: SoundPlan, chain: RecordingChain, rate_hz: float, seed: int) -> HeardPlay:
    """Play and record a drill."""
    rng = np.random.default_rng([seed, 0x50])
    time_s, place, down, blocks, clicks = _lay_out(plan, rng)
    sounds = rng.random(time_s.size) >= plan.unheard
    duration_s = float(time_s[-1]) + 3.0
    to_sound = 1 + 1e-6 * plan.drift_ppm
    at = (plan.offset_s + to_sound * time_s)[sounds]
    strings, midi = np.array(plan.strings)[place], np.array(plan.midi, dtype=np.float64)[place]
    ring = np.where(rng.random(time_s.size) < plan.ring_share, plan.ring_s, 0.9 / plan.notes_per_s)
    notes = PluckedNotes(
        at,
        (midi + 0.01 * plan.cents)[sounds],
        strings[sounds],
        (rng.uniform(0.6, 1.4, time_s.size) * np.where(down, 1.1, 0.9))[sounds],
        ring[sounds],
    )
    length_s = plan.offset_s + to_sound * duration_s
    strings_sound = pluck_strings(notes, length_s, rate_hz, plan.model, rng)
    click_s = plan.offset_s + to_sound * clicks
    raps_s = plan.offset_s + to_sound * np.array([0.9, 1.25, 1.6]) if plan.raps else np.empty(0)
    extra = click_track(click_s, length_s, rate_hz, plan.click_level) + knock_track(raps_s, length_s, rate_hz, 4.0)
    sound = record(strings_sound, extra, rate_hz, chain, rng)
    contact, own = _seen(plan, time_s, rng)
    stroke_place = np.where(own >= 0, place[np.maximum(own, 0)], -1)
    seen_down = np.where(own >= 0, down[np.maximum(own, 0)], rng.random(own.size) < 0.5)
    return HeardPlay(sound, rate_hz, at, place[sounds], contact, seen_down, stroke_place, blocks, raps_s, click_s)


def _lay_out(
    plan: SoundPlan, rng: np.random.Generator
) -> tuple[FloatArray, IntArray, BoolArray, tuple[tuple[float, float], ...], FloatArray]:
    """Times, places, directions of all notes, the blocks, and the clicks, on the motion's clock."""
    period = 1 / plan.notes_per_s
    beat_s = plan.beat_notes * period
    now = plan.lead_s + (2.0 if plan.raps else 0.0)
    times, places, downs, blocks, clicks = [], [], [], [], []
    left = plan.notes
    while left > 0:
        count = min(left, plan.block_notes)
        start = now + plan.count_in * beat_s
        grid = start + period * np.arange(count)
        walk = np.cumsum(rng.normal(0, 0.5 * plan.unevenness * period, count))
        walk -= np.linspace(0, walk[-1], count)
        off = np.clip(walk, -0.25 * period, 0.25 * period) + 0.7 * plan.unevenness * period * rng.normal(size=count)
        times.append(grid + np.clip(off, -0.35 * period, 0.35 * period))
        places.append(slipped_places(count, len(plan.strings), plan.slips, rng))
        downs.append(np.arange(count) % 2 == 0)
        blocks.append((start, float(grid[-1]) + period))
        if plan.click_level > 0:
            clicks.append(now + beat_s * np.arange(plan.count_in + -(-count // plan.beat_notes)))
        now = blocks[-1][1] + plan.rest_s
        left -= count
    return (
        np.concatenate(times),
        np.concatenate(places),
        np.concatenate(downs),
        tuple(blocks),
        np.concatenate(clicks) if clicks else np.empty(0),
    )


def _seen(plan: SoundPlan, time_s: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, IntArray]:
    """Moments of the strokes that motion finds, and which of the played ones each is, -1 for none."""
    own = np.flatnonzero(rng.random(time_s.size) >= plan.unseen)
    contact = time_s[own] + rng.normal(0, plan.seen_sd_s, own.size)
    ghosts = rng.choice(time_s[:-1], rng.binomial(time_s.size, plan.ghosts)) + 0.5 / plan.notes_per_s
    when = np.concatenate([contact, ghosts])
    order = np.argsort(when, kind="stable")
    return when[order], np.concatenate([own, np.full(ghosts.size, -1)])[order]
