"""How a reference gesture is going, and whether it was good enough, by the measures of the analysis itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.consistency.judge import UNTESTED, judge_log
from analysis.consistency.stills import measure_still
from analysis.model.errors import InputError
from analysis.model.records import FACE_DOWN, OFF_HAND, SOUNDBOARD, Event, FloatArray
from analysis.motion.hand_motion import build_motion
from analysis.motion.stillness import still_gyro_bias
from analysis.reference.gesture_directions import measure_direction
from analysis.reference.lever import LeverPrior, PivotWindow, fit_levers
from analysis.reference.pivots import judge_pivot, lever_prior
from analysis.reference.session_reference import settings_for_strings
from analysis.signal.sensor_errors import SensorErrors, lever_of
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals
from logger.guide.asked_gestures import MOVED_STILL
from logger.guide.shown import GestureLive
from logger.sliding.estimator import LiveEstimator

LEAST_CYCLES = 3.0


@dataclass(frozen=True)
class ToAndFro:
    """How often to and fro is enough, and what is called slow or quick (1/s)."""

    cycles: float
    slow_per_s: float = 1.2
    quick_per_s: float = 3.2


def wanted_of(kind: str, seconds: float) -> ToAndFro:
    """Five strokes through the air, about one a second; elsewhere half of two a second are enough."""
    return ToAndFro(5.0, 0.5, 1.8) if kind == "side check" else ToAndFro(round(seconds))


MARGIN_S = 1.0
MOVED_CHI2 = 16.27
"""Chi-square with three degrees of freedom exceeds this once in a thousand."""
MOVED_WORDS = "Good, but the sensor sits in a different place from last time: once more, for longer."
LEAST_ROCKING_DPS, WANTED_ROCKING = 3.0, 2.0
"""RMS rate about the second axis of ``rock``: with less the analysis cannot tell one direction; twice that is asked."""
KNOWN_LEVER_M = 0.02
"""A lever known to this (standard deviation) says how far the tip moves; else the sensor's own way is judged."""


class GestureCheck:
    """Judge gestures one by one as they are done.

    Parameters
    ----------
    estimator : LiveEstimator
    """

    def __init__(self, estimator: LiveEstimator) -> None:
        self._estimator = estimator
        self._bias = np.zeros(3)
        self._face_up: FloatArray | None = None

    def judge(self, event: Event, seconds: float, done: bool) -> GestureLive:
        """Say how a gesture stands.

        Parameters
        ----------
        event : Event
            On log time; its end is now where it goes on.
        seconds : float
            How long it lasts in all.
        done : bool
            It is over: the last word.
        """
        signals = self._signals(event)
        if signals is None:
            return GestureLive(event.kind, False if done else None, _lost_words(done), done=done)
        if event.kind == "still":
            return self._still(signals, event, done)
        signals = replace(signals, gyro_radps=signals.gyro_radps - self._bias)
        if event.kind == "pivot":
            return self._pivot(signals, event, done)
        if event.kind == "rock":
            return rocked(signals, event, done)
        return self._to_and_fro(signals, event, seconds, done)

    def _signals(self, event: Event) -> Signals | None:
        context, store = self._estimator.context, self._estimator.store
        raw = store.since(int((event.start_s - MARGIN_S) * context.profile.tick_hz))
        try:
            signals = prepare_signals(replace(context, raw=raw), fit_timebase(raw, context.profile))
        except InputError:  # Too little yet, or a sensor that started anew.
            return None
        there = signals.grid.valid[signals.grid.slice_of(event.start_s, event.end_s)]
        return signals if there.size and there.mean() > 0.9 else None

    def _still(self, signals: Signals, event: Event, done: bool) -> GestureLive:
        part = signals.grid.slice_of(event.start_s, event.end_s)
        found = measure_still(signals.accel_mps2[part], signals.gyro_radps[part], signals.grid.rate_hz)
        off_hand = event.label == OFF_HAND
        # Half marks at the limit.
        stillness = 1.0 / (1.0 + found.moving_dps / found.limit_dps(off_hand))
        good = found.good(off_hand)
        if done and good:
            bias = still_gyro_bias(signals, (event,))
            self._bias = (signals.gyro_radps - bias.gyro_radps)[0] if off_hand else self._bias
        words = "Still enough." if good else MOVED_STILL if off_hand else "Hold the hand stiller."
        if event.label in (SOUNDBOARD, FACE_DOWN):
            up = signals.accel_mps2[part].mean(axis=0)
            good, words = self._on_soundboard(up, event.label, good)
        return GestureLive("still", good, words, stillness=stillness, done=done)

    def _on_soundboard(self, up_mps2: FloatArray, label: str, still: bool) -> tuple[bool, str]:
        """Whether the sensor lies as asked: face down, its z axis has turned over since it lay face up."""
        if not still:
            return False, "Hold the instrument stiller, and the sensor flat on it."
        if label == SOUNDBOARD:
            self._face_up = up_mps2
            return True, "Still enough."
        if self._face_up is not None and up_mps2[2] * self._face_up[2] > 0.0:
            return False, "It is not turned over: lay its upper face on the soundboard."
        return True, "Still enough."

    def _to_and_fro(self, signals: Signals, event: Event, seconds: float, done: bool) -> GestureLive:
        settings, session = self._estimator.settings.chain.reference, self._estimator.context
        prior = lever_prior(session, settings.lever)
        known = prior.sd_m <= KNOWN_LEVER_M
        wanted = (
            settings_for_strings(settings.gestures, session) if known and event.kind == "across" else settings.gestures
        )
        motion = build_motion(signals, SensorErrors.none())
        found = measure_direction(motion, event, prior.mean_m if known else np.zeros(3), wanted)
        quality = found.quality
        played_s = max(event.end_s - event.start_s - 2 * wanted.trim_s, 0.1)
        per_s = quality.cycles / played_s
        asked = wanted_of(event.kind, seconds)
        speed = "slow" if per_s < asked.slow_per_s else "quick" if per_s > asked.quick_per_s else "right"
        enough = quality.cycles >= LEAST_CYCLES
        sentence = _sentence(quality.usable and enough, quality.remark, speed if quality.usable else "")
        early = not done and not quality.usable
        return GestureLive(
            event.kind,
            None if early else quality.usable and enough,
            "" if early else sentence,
            cycles=quality.cycles,
            cycles_wanted=asked.cycles,
            straightness=quality.straightness if quality.cycles else None,
            extent_mm=quality.extent_mm if quality.cycles else None,
            cycles_per_s=per_s if quality.cycles else None,
            speed_words=speed if quality.cycles else "",
            done=done,
        )

    def _pivot(self, signals: Signals, event: Event, done: bool) -> GestureLive:
        settings = self._estimator.settings.chain.reference
        trims = replace(settings, lever=replace(settings.lever, iterations=settings.lever.iterations if done else 1))
        pivot = judge_pivot(signals, event, lever_prior(self._estimator.context, settings.lever), trims)
        coverage = _coverage(pivot.rocking_deg, settings.gestures.min_pivot_deg)
        if not done:
            weak = bool(coverage) and coverage[1] < 1.0
            words = "Rock further, and about every axis." if weak else "" if not coverage else "Go on like this."
            return GestureLive("pivot", None, words, coverage=coverage)
        if pivot.remark:
            return GestureLive("pivot", False, _plain(pivot.remark), coverage=coverage, done=True)
        moved = self._moved(signals, pivot.parts)
        return GestureLive("pivot", True, MOVED_WORDS if moved else "Good.", coverage=coverage, done=True, moved=moved)

    def _moved(self, signals: Signals, parts: Sequence[slice]) -> bool:
        """Whether the pivot, taken by itself, contradicts the remembered lever arm: the sensor sits elsewhere."""
        context, settings = self._estimator.context, self._estimator.settings.chain.reference.lever
        if context.lever_mm is None or context.lever_sd_mm is None:
            return False
        windows = [PivotWindow(signals.accel_mps2[part], signals.gyro_radps[part], 0) for part in parts]
        unknown = LeverPrior(np.zeros(3), 1e-3 * settings.free_lever_mm)
        fit = fit_levers(windows, [], signals.grid.rate_hz, [unknown], settings)
        off_mm = 1e3 * fit.levers_m[0] - np.asarray(context.lever_mm)
        own = lever_of(0)
        known_mm2 = context.lever_sd_mm**2 + settings.regrip_mm**2
        spread_mm2 = 1e6 * fit.covariance.matrix[own, own] + known_mm2 * np.eye(3)
        return float(off_mm @ np.linalg.solve(spread_mm2, off_mm)) > MOVED_CHI2


def rocked(signals: Signals, event: Event, done: bool) -> GestureLive:
    """How far hand and instrument were rocked about two axes, by the hand's turning rate.

    Parameters
    ----------
    signals : Signals
        The gyroscope's bias taken away.
    event : Event
    done : bool
        It is over: the last word.

    Returns
    -------
    GestureLive
    """
    rate = signals.gyro_radps[signals.grid.slice_of(event.start_s, event.end_s)]
    if len(rate) < signals.grid.rate_hz:
        return GestureLive("rock", False if done else None, "", done=done)
    rms_dps = np.degrees(np.linalg.svd(rate, compute_uv=False)[:2] / np.sqrt(len(rate)))
    coverage = tuple(np.clip(rms_dps / (WANTED_ROCKING * LEAST_ROCKING_DPS), 0.0, 1.0).tolist())
    enough = rms_dps[1] >= LEAST_ROCKING_DPS
    if not done:
        words = "Go on like this." if enough else "Rock about a second axis, too."
        return GestureLive("rock", None, words, coverage=coverage)
    words = "Good." if enough else "Rock further, about two axes: the neck up and down, the strings to and from you."
    return GestureLive("rock", bool(enough), words, coverage=coverage, done=True)


def sensor_notice(estimator: LiveEstimator, events: Sequence[Event]) -> str:
    """What all gestures together say against the sensor, as a sentence; empty where it agrees with itself."""
    raw = estimator.store.since(int(min(event.start_s for event in events) * estimator.context.profile.tick_hz))
    doubts = judge_log(replace(estimator.context, raw=raw, events=tuple(events))).doubts
    return next((doubt.sentence for doubt in doubts if doubt.kind != UNTESTED), "")


def _coverage(rocking_deg: tuple[float, ...], least_deg: float) -> tuple[float, ...]:
    """Part of the wanted rocking about each axis: twice the least that is usable about the second."""
    wanted = np.array([2.0, 1.0, 0.7]) * least_deg
    return tuple(np.clip(np.asarray(rocking_deg) / wanted, 0.0, 1.0).tolist()) if rocking_deg else ()


def _sentence(good: bool, remark: str, speed: str) -> str:
    if not good:
        return _plain(remark) if remark else "Not often enough to and fro; do it again, about twice a second."
    return {"slow": "Good; a little quicker is better still.", "quick": "Good; a little slower is better still."}.get(
        speed, "Good."
    )


def _plain(remark: str) -> str:
    """A remark of the analysis as a sentence."""
    return remark[0].upper() + remark[1:] + "."


def _lost_words(done: bool) -> str:
    return "Samples are missing; do it again once the sensor is back." if done else ""
