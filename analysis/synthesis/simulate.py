"""Simulate a whole session: samples as a sensor would send them, and the truth beside them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.model.records import BoolArray, Event, FloatArray, RawSamples, Session
from analysis.synthesis.companion import CompanionTruth, record_companion
from analysis.synthesis.disturbance import Disturbance, disturb, hang
from analysis.synthesis.draw import draw_attitude, draw_hand, hand_matrix, string_heights_mm
from analysis.synthesis.grades import GRADES, SensorGrade
from analysis.synthesis.performance import Performance, film
from analysis.synthesis.rotation import matrix
from analysis.synthesis.scenario import Attitude, Hand, Scenario
from analysis.synthesis.script import Streams, perform
from analysis.synthesis.sensor import Electronics, SensorTruth, draw_sensor, on_hand, profile_of, sample_times, sense
from analysis.synthesis.truth import hand_tilts_deg, stroke_table

_CHUNK = 16_000
_EPOCH_S = 1.75e9


@dataclass(frozen=True)
class TruePath:
    """The true motion at log times: tip in the instrument's frame, sensor's and instrument's attitudes (n, 4)."""

    time_s: FloatArray
    tip_mm: FloatArray
    sensor_mm: FloatArray
    sensor_quat_wxyz: FloatArray
    instrument_quat_wxyz: FloatArray


@dataclass(frozen=True)
class Truth:
    """What really happened, on the log's own time.

    Attributes
    ----------
    strokes : DataFrame
        start_s, end_s, block, direction, tilt_deg, span_mm, bow_mm, lift_mm, contact_s, attack, string_change (the
        next note is on another string), in_change (the hand moves between strings during this stroke), course,
        posture.
    blocks : DataFrame
        index, start_s, end_s, posture, strokes, strokes_per_s, tilt_mean_deg, tilt_sd_deg (strokes in changes left
        out), span_mm, bow_mm, lift_mm (of the stroke that ends higher).
    lever_mm : dict of posture to (3,)
        Sensor to tip in sensor axes.
    axes_world : float64 (3, 3)
        Rows: the instrument's X, Y, Z in the simulated world without sway.
    hand_to_instrument : float64 (3, 3)
        Sensor axes to instrument axes at the hand's reference attitude.
    sensor : SensorTruth
        The sensor's errors as drawn.
    hand, attitude
        As drawn or given.
    lost_samples : int
    companion : CompanionTruth or None
        How the sensor on the instrument really sits, where there is one.
    """

    strokes: pd.DataFrame
    blocks: pd.DataFrame
    lever_mm: dict[str, FloatArray]
    axes_world: FloatArray
    hand_to_instrument: FloatArray
    sensor: SensorTruth
    hand: Hand
    attitude: Attitude
    lost_samples: int
    performance: Performance
    companion: CompanionTruth | None = None

    def path(self, time_s: FloatArray) -> TruePath:
        """Return the true motion at log times (n,)."""
        pose = self.performance.pose((np.asarray(time_s, dtype=float) - self.sensor.start_s) / self.sensor.tick_scale)
        turned = np.broadcast_to(pose.instrument_quat, pose.sensor_quat.shape)
        return TruePath(time_s, 1e3 * pose.tip_m.T, 1e3 * pose.sensor_m.T, pose.sensor_quat.T, turned.T)

    def hand_tilts_deg(self) -> FloatArray:
        """Return each stroke's tilt (n,) as the hand makes it, against the instrument as it lay at the gestures."""
        strokes = self.strokes.copy()
        for name in ("start_s", "end_s"):
            strokes[name] = (strokes[name] - self.sensor.start_s) / self.sensor.tick_scale
        return hand_tilts_deg(self.performance, strokes)


@dataclass(frozen=True)
class SimulatedSession:
    """A session and its truth.

    Attributes
    ----------
    session : Session
    truth : Truth
    """

    session: Session
    truth: Truth


def simulate(
    scenario: Scenario,
    seed: int,
    on_progress: Callable[[float], None] = lambda part: None,
    disturbance: Callable[[Performance], Disturbance] | None = None,
) -> SimulatedSession:
    """Simulate one session.

    Parameters
    ----------
    scenario : Scenario
    seed : int
        The same scenario and seed give the same session, to the bit on one machine.
    on_progress : callable, optional
        Told the part of the samples that are done, 0 to 1.
    disturbance : callable, optional
        What happens beside the playing, given the performance that it befalls.

    Returns
    -------
    SimulatedSession

    Examples
    --------
    >>> from analysis.synthesis.scenario import PlayBlock, Scenario
    >>> from analysis.synthesis.simulate import simulate
    >>> made = simulate(Scenario(blocks=(PlayBlock(strokes_per_s=8, duration_s=2),)), seed=1)
    >>> len(made.truth.strokes)
    16
    """
    streams = Streams.of(seed)
    hand = draw_hand(streams.person, scenario.player.handed) if scenario.hand is None else scenario.hand
    attitude = draw_attitude(streams.person) if scenario.attitude is None else scenario.attitude
    grade = _grade(scenario)
    sensor = draw_sensor(streams.sensor, grade, scenario.rate_hz, scenario.recording)
    performance = perform(scenario, hand, attitude, streams)
    if scenario.camera is not None:
        performance = film(performance, scenario.camera, seed)
    if disturbance is not None:
        performance = disturb(performance, disturbance(performance))
    raw, lost = _record(performance, sensor, scenario, streams, on_progress)
    strokes = stroke_table(performance, scenario.instrument)
    for name in ("start_s", "end_s", "contact_s"):
        if name in strokes:
            strokes[name] = sensor.start_s + sensor.tick_scale * strokes[name]
    lever = {label: 1e3 * value for label, value in performance.lever_m.items()}
    truth = Truth(
        strokes=strokes,
        blocks=_block_table(strokes),
        lever_mm=lever,
        axes_world=matrix(performance.instrument).T,
        hand_to_instrument=hand_matrix(hand),
        sensor=sensor,
        hand=hand,
        attitude=attitude,
        lost_samples=lost,
        performance=performance,
    )
    session = _session(scenario, seed, raw, truth, grade)
    if scenario.instrument_sensor is not None:
        stream, companion = record_companion(
            performance, scenario.instrument_sensor, sensor, scenario.gravity_mps2, seed
        )
        session, truth = replace(session, streams=(stream,)), replace(truth, companion=companion)
    return SimulatedSession(session, truth)


def _grade(scenario: Scenario) -> SensorGrade:
    return scenario.grade if isinstance(scenario.grade, SensorGrade) else GRADES[scenario.grade]


def _session(scenario: Scenario, seed: int, raw: RawSamples, truth: Truth, grade: SensorGrade) -> Session:
    first = next(iter(truth.lever_mm.values()))
    lever = None
    if scenario.ruler_sd_mm is not None:
        measured = first + scenario.ruler_sd_mm * np.random.default_rng([seed, 0x7]).normal(size=3)
        lever = (float(measured[0]), float(measured[1]), float(measured[2]))
    measured_mm = {}
    if scenario.gestures.soundboard:
        error = 0.25 * np.random.default_rng([seed, 0x2173]).normal(size=2)
        measured_mm["soundboard.heights_mm"] = " ".join(
            f"{height + off:.1f}" for height, off in zip(string_heights_mm(seed), error, strict=True)
        )
    return Session(
        raw=raw,
        profile=profile_of(grade, scenario.rate_hz),
        player=scenario.player,
        instrument=scenario.instrument,
        events=tuple(_in_log_time(event, truth.sensor) for event in truth.performance.events),
        lever_mm=lever,
        lever_sd_mm=scenario.ruler_sd_mm,
        metadata={"synthetic": "true", "seed": str(seed), **measured_mm, **scenario.metadata},
    )


def _in_log_time(event: Event, sensor: SensorTruth) -> Event:
    start, end = (sensor.start_s + sensor.tick_scale * t for t in (event.start_s, event.end_s))
    return replace(event, start_s=start, end_s=end)


def _record(
    performance: Performance,
    sensor: SensorTruth,
    scenario: Scenario,
    streams: Streams,
    on_progress: Callable[[float], None],
) -> tuple[RawSamples, int]:
    """Return the samples that arrive, and how many were lost."""
    grade = _grade(scenario)
    profile = profile_of(grade, scenario.rate_hz)
    t = sample_times(sensor, performance.duration_s, grade.warm_time_s)
    electronics = Electronics(sensor, grade, profile, streams.noise)
    carried = on_hand(performance)
    if scenario.mount is not None:
        carried = hang(carried, scenario.mount, scenario.gravity_mps2, performance.rap_s)
    counts = np.empty((t.size, 6), dtype=np.int32)
    for start in range(0, t.size, _CHUNK):
        rows = slice(start, start + _CHUNK)
        signal = sense(carried, t[rows], sensor, grade, scenario.gravity_mps2)
        counts[rows] = electronics.counts(t[rows], signal)
        on_progress(min(1.0, (start + _CHUNK) / t.size))
    rng = streams.host
    jitter = 1e-6 * scenario.recording.tick_jitter_us * np.abs(rng.normal(size=t.size))
    ticks = np.rint((sensor.start_s + sensor.tick_scale * (t + jitter)) * profile.tick_hz).astype(np.int64)
    host = _host_times(t, rng) if scenario.recording.host_times else np.full(t.size, np.nan)
    kept = _kept(t, scenario, rng)
    sequence = np.arange(t.size, dtype=np.int64)[kept] + int(rng.integers(0, 5000))
    return RawSamples(ticks[kept], sequence, host[kept], counts[kept]), int(t.size - np.count_nonzero(kept))


def _host_times(t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Arrival at the host: packets of eight samples, a few milliseconds late, never out of order."""
    packet = np.minimum((np.arange(t.size) // 8 + 1) * 8 - 1, t.size - 1)
    delay = 0.008 + rng.exponential(0.004, t.size // 8 + 1)[np.arange(t.size) // 8]
    arrival: FloatArray = _EPOCH_S + np.maximum.accumulate(t[packet] + delay)
    return arrival


def _kept(t: FloatArray, scenario: Scenario, rng: np.random.Generator) -> BoolArray:
    kept = rng.random(t.size) >= scenario.recording.lost_share
    minutes = (t[-1] - t[0]) / 60.0
    for _ in range(int(rng.poisson(scenario.recording.bursts_per_min * minutes))):
        start = rng.uniform(t[0], t[-1])
        kept[np.searchsorted(t, start) : np.searchsorted(t, start + rng.uniform(0.02, 0.2))] = False
    share = scenario.recording.lost_packets_share
    if share > 0.0:
        least, most = scenario.recording.packet_samples
        edges = np.cumsum(rng.integers(least, most + 1, t.size // least + 1))
        packet = np.searchsorted(edges, np.arange(t.size), side="right")
        kept &= (rng.random(edges.size + 1) >= share)[packet]
    kept[0] = kept[-1] = True
    return kept


def _block_table(strokes: pd.DataFrame) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    if strokes.empty:
        return pd.DataFrame(rows)
    for index, block in strokes.groupby("block", sort=True):
        clean = block[~block["in_change"]]
        seconds = float(block["end_s"].iloc[-1] - block["start_s"].iloc[0])
        rows.append(
            {
                "index": index,
                "start_s": block["start_s"].iloc[0],
                "end_s": block["end_s"].iloc[-1],
                "posture": block["posture"].iloc[0],
                "strokes": len(block),
                "strokes_per_s": len(block) / seconds,
                "tilt_mean_deg": clean["tilt_deg"].mean(),
                "tilt_sd_deg": clean["tilt_deg"].std(),
                "span_mm": clean["span_mm"].median(),
                "bow_mm": clean["bow_mm"].median(),
                "lift_mm": clean.groupby("direction")["lift_mm"].median().max(),
            }
        )
    return pd.DataFrame(rows)
