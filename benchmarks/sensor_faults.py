"""Regimes of the doubts' benchmark: a sensor with one fault each, made in the counts of a sound session."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.records import FloatArray, Session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan
from analysis.synthesis.simulate import SimulatedSession, simulate

Change = Callable[[FloatArray, FloatArray, Session], FloatArray]


@dataclass(frozen=True)
class SensorRegime:
    """A named way to draw a session, with its truth, from a seed."""

    name: str
    draw: Callable[[int], SimulatedSession]


def draw_sound(seed: int) -> SimulatedSession:
    """A sound session: seed, speed, player, rate and grade vary."""
    rng = np.random.default_rng([seed, 0xD0B7])
    scenario = random_scenario(seed, float(rng.choice([2.0, 4.0, 8.0, 12.0])), 15.0, span_mm=None, blocks=2)
    scenario = replace(scenario, gestures=GesturePlan(repetitions=2))  # One across alone would take every sure away.
    ruler = 5.0 if rng.random() < 0.6 else None
    grade = "good" if rng.random() < 0.5 else "cheap"
    rate_hz = float(rng.choice([100.0, 200.0, 400.0]))
    return simulate(replace(scenario, rate_hz=rate_hz, grade=grade, ruler_sd_mm=ruler), seed)


def spoilt(name: str, change: Change) -> SensorRegime:
    """A regime whose counts (n, 6) are changed, given times (s) and session."""

    def make(seed: int) -> SimulatedSession:
        made = draw_sound(seed)
        session = made.session
        time_s = session.raw.ticks / session.profile.tick_hz
        counts = change(session.raw.counts.astype(np.float64), time_s, session)
        raw = replace(session.raw, counts=np.rint(np.clip(counts, -(2**31), 2**31 - 1)).astype(np.int32))
        return replace(made, session=replace(session, raw=raw))

    return SensorRegime(name, make)


def times(*factors: float) -> Change:
    """Each column times its factor."""
    return lambda counts, _time, _session: counts * np.array(factors)


def columns(*order: int) -> Change:
    """Columns in another order."""
    return lambda counts, _time, _session: counts[:, list(order)]


def late(delay_s: float) -> Change:
    """The gyroscope's samples later."""
    return lambda counts, _time, session: np.hstack(
        [counts[:, :3], np.roll(counts[:, 3:], round(delay_s * session.profile.rate_hz), axis=0)]
    )


def turned(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
    """Both parts turned by 90 deg about z from just before the first block."""
    start_s = next(event.start_s for event in session.events if event.kind == "play") - 1.0
    after = time_s > start_s
    counts[after] = counts[after][:, [1, 0, 2, 4, 3, 5]] * [1, -1, 1, 1, -1, 1]
    return counts


def turned_about_gravity(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
    """The sensor slips round the hand by 90 deg about the vertical, within a second before the first block.

    Gravity stays put in it; its gyroscope feels the turn.
    """
    play = next(event for event in session.events if event.kind == "play")
    up = counts[(time_s > play.start_s) & (time_s < play.end_s), :3].mean(axis=0)
    up /= np.linalg.norm(up)
    done = np.clip(time_s - play.start_s + 2.0, 0.0, 1.0)
    angle, rate = 0.5 * np.pi * done**2 * (3 - 2 * done), 0.5 * np.pi * 6 * done * (1 - done)
    turn = Rotation.from_rotvec(angle[:, None] * up)
    felt = turn.apply(counts[:, 3:]) - rate[:, None] * up / session.profile.gyro_radps_per_count
    return np.hstack([turn.apply(counts[:, :3]), felt])


def frozen(column: int) -> Change:
    """One column keeps its value from the first second of play on."""

    def change(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
        start_s = next(event.start_s for event in session.events if event.kind == "play") + 1.0
        first = int(np.searchsorted(time_s, start_s))
        counts[first:, column] = counts[first, column]
        return counts

    return change


def halved_later(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
    """The gyroscope's range doubles, undeclared, between the first block and the second."""
    second = [event for event in session.events if event.kind == "play"][1]
    counts[time_s > second.start_s - 1.0, 3:] *= 0.5
    return counts


def ever_later(delay_s: float) -> Change:
    """The gyroscope's samples come later and later, up to the end of the session."""

    def change(counts: FloatArray, time_s: FloatArray, _session: Session) -> FloatArray:
        late_s = delay_s * (time_s - time_s[0]) / (time_s[-1] - time_s[0])
        for column in range(3, 6):
            counts[:, column] = np.interp(time_s - late_s, time_s, counts[:, column])
        return counts

    return change


def drifting(rate_dps_per_min: float) -> Change:
    """The gyroscope's bias drifts."""

    def change(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
        drift = np.radians(rate_dps_per_min) / 60 * (time_s - time_s[0]) / session.profile.gyro_radps_per_count
        counts[:, 3:] += drift[:, None] * np.array([1.0, -0.8, 0.6])
        return counts

    return change


def on_lap(counts: FloatArray, time_s: FloatArray, session: Session) -> FloatArray:
    """The first still moves slowly: about 1 deg/s, up to 1 Hz, in both parts of the sensor."""
    rng = np.random.default_rng(len(time_s))
    still = session.events[0]
    inside = (time_s > still.start_s - 1) & (time_s < still.end_s + 1)
    t = time_s[inside, None]
    rate = sum(
        np.radians(0.5) * rng.normal(size=3) * np.sin(2 * np.pi * f * t + rng.uniform(0, 6, 3))
        for f in rng.uniform(0.05, 1.0, 6)
    )
    angle = np.cumsum(rate, axis=0) / session.profile.rate_hz
    counts[inside, :3] -= np.cross(angle - angle[0], counts[inside, :3])
    counts[inside, 3:] += rate / session.profile.gyro_radps_per_count
    return counts


REGIMES = (
    SensorRegime("sound sensors of all rates", draw_sound),
    *(spoilt(f"gyroscope {'xyz'[i]} flipped", times(*np.where(np.arange(6) == 3 + i, -1.0, 1.0))) for i in range(3)),
    *(spoilt(f"accelerometer {'xyz'[i]} flipped", times(*np.where(np.arange(6) == i, -1.0, 1.0))) for i in range(3)),
    spoilt("gyroscope x, y exchanged", columns(0, 1, 2, 4, 3, 5)),
    spoilt("accelerometer y, z exchanged", columns(0, 2, 1, 3, 4, 5)),
    spoilt("gyroscope left-handed", times(1, 1, 1, -1, -1, -1)),
    spoilt("gyroscope half scale", times(1, 1, 1, 0.5, 0.5, 0.5)),
    spoilt("gyroscope 1.15 scale", times(1, 1, 1, 1.15, 1.15, 1.15)),
    spoilt("gyroscope in deg/s read as rad/s", times(1, 1, 1, 57.3, 57.3, 57.3)),
    *(spoilt(f"gyroscope {'xyz'[i]} dead", times(*np.where(np.arange(6) == 3 + i, 0.0, 1.0))) for i in range(3)),
    *(spoilt(f"accelerometer {'xyz'[i]} half scale", times(*np.where(np.arange(6) == i, 0.5, 1.0))) for i in range(3)),
    spoilt("gyroscope y frozen in play", frozen(4)),
    spoilt("accelerometer x frozen in play", frozen(0)),
    spoilt("gyroscope 40 ms late", late(0.04)),
    spoilt("accelerometer 40 ms late", late(-0.04)),
    spoilt("turned by 90 deg after the gestures", turned),
    spoilt("turned by 90 deg about gravity after the gestures", turned_about_gravity),
    spoilt("accelerometer's overall sign (unseen, harmless)", times(-1, -1, -1, 1, 1, 1)),
    spoilt("first still on the lap", on_lap),
    spoilt("gyroscope drifts .1 (deg/s)/min", drifting(0.1)),
    spoilt("gyroscope's range doubles before the second block", halved_later),
    spoilt("gyroscope's delay grows to 30 ms", ever_later(0.03)),
)
