"""Stills, reference gestures and play found in the signals of a session that nobody marked.

Windows of two seconds are looked at, four a second. A window in which nothing moves is still; one far stiller than any
hand is the sensor lying off the hand. A hand that rocks about two axes and goes nowhere straight is in ``pivot``; one
that goes straight to and fro about twice a second, far, is in ``across`` or ``along``; one that goes to and fro in a
narrow band of frequency after the gestures plays. Like windows in a row are one event. Which of two straight gestures
went across the strings is told by the vertical while the instrument is held upright: ``across`` runs up and down,
``along`` does not. Held flat, only the strings' scraping tells, and the pair is to be asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.model.records import OFF_HAND, BoolArray, Event, EventKind, FloatArray, FloatArray32, IntArray
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.rotation import rotate
from analysis.motion.stillness import still_gyro_bias
from analysis.motion.tip_path import GRAVITY_MPS2, Band
from analysis.signal.sensor_errors import SensorErrors
from analysis.signal.working_grid import Signals

CORE_SHARE = 0.55
PIVOT_TRIM_S = 0.6
"""Setting the tip down and lifting it must not count as a tip that slips."""


@dataclass(frozen=True)
class FindSettings:
    """What tells one window from another; simulated sessions lie clear of every limit.

    Speeds, distances and angles are RMS over a window of ``window_s``; a straight way of 8 mm RMS is 23 mm long.
    """

    window_s: float = 2.0
    hop_s: float = 0.25
    still_radps: float = 0.13
    still_mps2: float = 0.8
    table_radps: float = 0.008
    least_still_s: float = 2.0
    pivot_second_deg: float = 3.0
    pivot_s: tuple[float, float] = (4.0, 30.0)
    straight_ratio: float = 4.0
    straight_mm: float = 7.0
    straight_hz: tuple[float, float] = (1.1, 3.4)
    straight_s: tuple[float, float] = (2.2, 20.0)
    same_way: float = 0.85
    upright_deg: float = 45.0
    level_deg: float = 33.0
    play_mm: float = 1.0
    play_hz: tuple[float, float] = (0.7, 11.0)
    narrow: float = 2.2
    play_least_s: float = 5.0
    play_pause_s: float = 2.0


@dataclass(frozen=True)
class FoundEvent:
    """An event as the signals show it; ``sure`` from 0 to 1, ``why`` in a few words."""

    event: Event
    sure: float
    why: str


@dataclass(frozen=True)
class FoundEvents:
    """All that was found, in time order; ``pair_unclear`` where ``across`` and ``along`` may be the other way round.

    Attributes
    ----------
    found : tuple of FoundEvent
    pair_unclear : bool
    """

    found: tuple[FoundEvent, ...]
    pair_unclear: bool

    @property
    def events(self) -> tuple[Event, ...]:
        """The events alone."""
        return tuple(found.event for found in self.found)


@dataclass(frozen=True)
class _Windows:
    """Measures of every window; ``axis`` (k, 3) is the way it goes, in the world."""

    start_s: FloatArray
    end_s: FloatArray
    turning: FloatArray
    moving: FloatArray
    extent_mm: FloatArray
    ratio: FloatArray
    axis: FloatArray
    cycle_hz: FloatArray
    narrow: FloatArray
    rocking_deg: FloatArray
    scrape: FloatArray

    def event(self, first: int, last: int, kind: EventKind, label: str = "") -> Event:
        """Windows ``first:last`` as one event: a window reaches over its event's ends by half of itself at most."""
        trim = 0.35 * float(self.end_s[first] - self.start_s[first])
        return Event(float(self.start_s[first]) + trim, float(self.end_s[last - 1]) - trim, kind, label)


def find_events(signals: Signals, settings: FindSettings | None = None) -> FoundEvents:
    """Find what was done when.

    Parameters
    ----------
    signals : Signals
    settings : FindSettings, optional

    Returns
    -------
    FoundEvents
        Empty where nothing is told apart; nothing is claimed of what lies between.
    """
    settings = settings or FindSettings()
    motion = build_motion(still_gyro_bias(signals, []), SensorErrors.none())
    if motion.grid.duration_s < 2 * settings.window_s:
        return FoundEvents((), False)
    windows = _windows(motion, settings)
    stills = _stills(windows, settings)
    straight = _straight(windows, settings)
    # What a hand does before it last holds still ahead of the gestures is the strapping on.
    first_s = straight[0].found.event.start_s if straight else np.inf
    ready_s = max((f.event.end_s for f in stills if f.event.end_s < first_s + 1.0), default=-np.inf)
    pivots = [p for p in _pivots(windows, settings) if p.event.start_s > ready_s - 1.0]
    pairs, unclear = _across_or_along(straight, settings)
    gestures = [*pairs, *pivots] if straight else []
    last_s = max((g.event.end_s for g in gestures), default=ready_s)
    play = _play(windows, last_s, settings)
    chosen = _useful_stills(stills, [*gestures, *play])
    return FoundEvents(_apart([*chosen, *gestures, *play]), unclear)


def _apart(found: Sequence[FoundEvent]) -> tuple[FoundEvent, ...]:
    """In time order; where windows made two events overlap, they meet in the middle."""
    ordered = sorted(found, key=lambda f: f.event.start_s)
    for at, (one, other) in enumerate(pairwise(ordered)):
        if other.event.start_s < one.event.end_s:
            meet = 0.5 * (max(one.event.start_s, other.event.start_s) + min(one.event.end_s, other.event.end_s))
            ordered[at] = replace(ordered[at], event=replace(ordered[at].event, end_s=meet))
            ordered[at + 1] = replace(other, event=replace(other.event, start_s=meet))
    return tuple(f for f in ordered if _length_s(f.event) > 0.5)


def _windows(motion: Motion, settings: FindSettings) -> _Windows:
    hz = motion.grid.rate_hz
    width, hop = round(settings.window_s * hz), max(1, round(settings.hop_s * hz))
    first = np.arange(0, motion.grid.size - width + 1, hop)
    path = motion.displacement(0, motion.grid.size, np.zeros(3), Band(0.6, 4, 12.0))
    speed = np.gradient(path, 1 / hz, axis=0)
    pull = np.gradient(speed, 1 / hz, axis=0)
    turned = np.cumsum(motion.gyro_radps, axis=0) / hz
    turned -= uniform_filter1d(turned, round(2.5 * hz), axis=0)
    free = rotate(motion.quat_wxyz, motion.accel_mps2)
    free[:, 2] -= GRAVITY_MPS2

    def rms(values: FloatArray) -> FloatArray:
        return np.sqrt(np.maximum(_means(np.einsum("ij,ij->i", values, values)[:, None], first, width)[:, 0], 0.0))

    sizes, axes = np.linalg.eigh(_spread_of(path, first, width))
    extent = 1e3 * np.sqrt(np.maximum(sizes, 0.0))
    rocking = np.degrees(np.sqrt(np.maximum(np.linalg.eigvalsh(_spread_of(turned, first, width)), 0.0)))
    along = np.take_along_axis(axes, np.full((first.size, 3, 1), 2), axis=2)[:, :, 0]
    quick = rms(speed) / np.maximum(rms(path), 1e-9) / (2 * np.pi)
    attack = motion.attack_mps2
    return _Windows(
        start_s=np.asarray(motion.grid.time_at(first)),
        end_s=np.asarray(motion.grid.time_at(first + width)),
        turning=rms(motion.gyro_radps),
        moving=rms(free),
        extent_mm=extent[:, 2],
        ratio=extent[:, 2] / np.maximum(extent[:, 1], 1e-9),
        axis=along,
        cycle_hz=quick,
        narrow=rms(pull) / np.maximum(rms(speed), 1e-9) / (2 * np.pi) / np.maximum(quick, 1e-9),
        rocking_deg=rocking[:, 1],
        scrape=np.zeros(first.size) if attack is None else _means(attack[:, None], first, width)[:, 0],
    )


def _means(values: FloatArray | FloatArray32, first: IntArray, width: int) -> FloatArray:
    total = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0, dtype=np.float64)])
    return np.asarray((total[first + width] - total[first]) / width)


def _spread_of(values: FloatArray, first: IntArray, width: int) -> FloatArray:
    """Covariance (k, 3, 3) of every window."""
    products = np.einsum("ni,nj->nij", values, values).reshape(-1, 9)
    mean = _means(values, first, width)
    return _means(products, first, width).reshape(-1, 3, 3) - mean[:, :, None] * mean[:, None, :]


def _runs(mask: BoolArray, most_missing: int = 1) -> list[tuple[int, int]]:
    """Runs of like windows; one that differs among them is overlooked."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))).reshape(-1, 2)
    joined: list[tuple[int, int]] = []
    for a, b in edges.tolist():
        if joined and a - joined[-1][1] <= most_missing:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def _length_s(event: Event) -> float:
    return event.end_s - event.start_s


def _stills(windows: _Windows, settings: FindSettings) -> list[FoundEvent]:
    calm = (windows.turning < settings.still_radps) & (windows.moving < settings.still_mps2)
    table = calm & (windows.turning < settings.table_radps)
    found = []
    for mask, label, limit in ((table, OFF_HAND, settings.table_radps), (calm & ~table, "", settings.still_radps)):
        for first, last in _runs(mask, 0):
            event = replace(
                windows.event(first, last, "still", label),
                start_s=float(windows.start_s[first]),
                end_s=float(windows.end_s[last - 1]),
            )
            usual = float(np.median(windows.turning[first:last]))
            why = f"turned by {np.degrees(usual):.2g} deg/s for {_length_s(event):.1f} s"
            found.append(FoundEvent(event, _margin(usual, limit, 2.0), why))
    return [f for f in found if _length_s(f.event) >= settings.least_still_s]


def _useful_stills(stills: Sequence[FoundEvent], moving: Sequence[FoundEvent]) -> list[FoundEvent]:
    """The longest off the hand, and the last on it, before the first gesture; stills must not overlap."""
    first = min((f.event.start_s for f in moving), default=np.inf)
    before = [f for f in stills if f.event.start_s < first - 1.0]
    table = sorted((f for f in before if f.event.label == OFF_HAND), key=lambda f: -_length_s(f.event))[:1]
    end_s = table[0].event.end_s if table else -np.inf
    hand = [f for f in before if f.event.label != OFF_HAND and f.event.start_s >= end_s - 1.0][-1:]
    cut = [replace(f, event=replace(f.event, start_s=max(f.event.start_s, end_s), end_s=min(f.event.end_s, first)))
           for f in hand]  # fmt: skip
    return [*table, *(f for f in cut if _length_s(f.event) >= 1.0)]


@dataclass(frozen=True)
class _Straight:
    """A straight gesture, its way's angle from level, and how much it scrapes meanwhile."""

    found: FoundEvent
    elevation_deg: float
    scrape: float


def _straight(windows: _Windows, settings: FindSettings) -> list[_Straight]:
    """Straight gestures, with their way's elevation (deg) and the scraping meanwhile."""
    low, high = settings.straight_hz
    straight = (
        (windows.ratio >= settings.straight_ratio)
        & (windows.extent_mm >= settings.straight_mm)
        & (windows.cycle_hz >= low)
        & (windows.cycle_hz <= high)
    )
    found = []
    for begin, end in _runs(straight):
        for start, stop in _one_way(windows.axis, begin, end, settings.same_way):
            first, last = _core(windows.extent_mm, start, stop)
            event = windows.event(first, last, "across")
            if not settings.straight_s[0] <= _length_s(event) <= settings.straight_s[1]:
                continue
            axis = windows.axis[(first + last) // 2]
            elevation = float(np.degrees(np.arcsin(min(1.0, abs(axis[2])))))
            ratio = float(np.median(windows.ratio[first:last]))
            cycle = float(np.median(windows.cycle_hz[first:last]))
            why = f"straight, {cycle:.1f} a second, {elevation:.0f} deg from level"
            scrape = float(np.median(windows.scrape[first:last]))
            sure = _margin(settings.straight_ratio, ratio, 1.6)
            found.append(_Straight(FoundEvent(event, sure, why), elevation, scrape))
    return found


def _one_way(axis: FloatArray, begin: int, end: int, same: float) -> list[tuple[int, int]]:
    """Parts of a run that go one way."""
    alike = np.abs(np.einsum("ij,ij->i", axis[begin : end - 1], axis[begin + 1 : end])) >= same
    cuts = [begin, *(np.flatnonzero(~alike) + begin + 1).tolist(), end]
    return [(a, b) for a, b in pairwise(cuts) if b > a]


def _core(strength: FloatArray, first: int, last: int) -> tuple[int, int]:
    """The part of a run between its first and last window of full strength: what leads in and out is none of it."""
    strong = np.flatnonzero(strength[first:last] >= CORE_SHARE * np.quantile(strength[first:last], 0.7))
    return first + int(strong[0]), first + int(strong[-1]) + 1


def _pivots(windows: _Windows, settings: FindSettings) -> list[FoundEvent]:
    rocking = (windows.rocking_deg >= settings.pivot_second_deg) & (windows.ratio < settings.straight_ratio)
    found = []
    for begin, end in _runs(rocking):
        first, last = _core(windows.rocking_deg, begin, end)
        event = windows.event(first, last, "pivot")
        event = replace(event, start_s=event.start_s + PIVOT_TRIM_S, end_s=event.end_s - PIVOT_TRIM_S)
        if settings.pivot_s[0] <= _length_s(event) <= settings.pivot_s[1]:
            angle = float(np.median(windows.rocking_deg[first:last]))
            why = f"rocked by {angle:.0f} deg about a second axis"
            found.append(FoundEvent(event, _margin(settings.pivot_second_deg, angle, 1.6), why))
    return found


def _across_or_along(straight: Sequence[_Straight], settings: FindSettings) -> tuple[list[FoundEvent], bool]:
    """Tell both by the vertical, else by the scraping over the strings, and then say that it is unclear."""
    steep = any(each.elevation_deg >= settings.upright_deg for each in straight)
    scrapes = [each.scrape for each in straight]
    middle = 0.5 * (min(scrapes) + max(scrapes)) if scrapes else 0.0
    found: list[FoundEvent] = []
    unclear = False
    for each in straight:
        item, elevation, scrape = each.found, each.elevation_deg, each.scrape
        kind: EventKind = "along"
        if elevation >= settings.upright_deg:
            kind, told = "across", _margin(settings.upright_deg, elevation, 1.25)
        elif steep and elevation <= settings.level_deg:
            told = _margin(max(elevation, 1.0), settings.level_deg, 1.5)
        else:
            kind, told, unclear = ("across" if scrape > middle else "along"), 0.2, True
        found.append(FoundEvent(replace(item.event, kind=kind), min(item.sure, told), item.why))
    return found, unclear


def _play(windows: _Windows, after_s: float, settings: FindSettings) -> list[FoundEvent]:
    """To and fro in a narrow band of frequency, after the gestures."""
    low, high = settings.play_hz
    playing = (
        (windows.extent_mm >= settings.play_mm)
        & (windows.cycle_hz >= low)
        & (windows.cycle_hz <= high)
        & (windows.narrow < settings.narrow)
        & (windows.start_s >= after_s)
    )
    found = []
    for first, last in _runs(playing, round(settings.play_pause_s / settings.hop_s)):
        event = windows.event(first, last, "play")
        if _length_s(event) >= settings.play_least_s:
            narrow = float(np.median(windows.narrow[first:last]))
            why = f"about {2 * float(np.median(windows.cycle_hz[first:last])):.1f} strokes a second"
            found.append(FoundEvent(event, _margin(narrow, settings.narrow, 1.4), why))
    return found


def _margin(low: float, high: float, enough: float) -> float:
    """0.5 where a value just reaches its limit, 1 where it is ``enough`` times beyond it."""
    return float(np.clip(0.5 + 0.5 * (high / max(low, 1e-12) - 1) / (enough - 1), 0.0, 1.0))
