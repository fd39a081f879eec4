"""Every check of a sensor against itself, on one log: what is wrong, and what it means for what may be claimed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.consistency.axes import NAMES, Agreement, compare_streams
from analysis.consistency.channels import (
    Restlessness,
    find_frozen,
    measure_restlessness,
    quietest,
    weigh_saturation,
)
from analysis.consistency.gravity_jumps import find_gravity_jumps
from analysis.consistency.stream_map import cut_windows
from analysis.model.doubts import Certainty, Doubt
from analysis.model.errors import InputError
from analysis.model.records import OFF_HAND, Event, FloatArray, Session
from analysis.motion.stillness import still_gyro_bias
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.timebase import Timebase, fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals

GRAVITY_OFF = 0.10
SPAN_MM = 15.0
"""The stroke against which a false path is set."""
OPEN_DEG, LIKELY_DEG = 6.0, 2.0
NOISY = 3.0
GESTURES = ("across", "along", "pivot")
WIDE_DELAY_S = 0.2


@dataclass(frozen=True)
class SensorJudgement:
    """What one log says of its sensor.

    Attributes
    ----------
    agreement : Agreement
    doubts : tuple of Doubt
        The strictest first, empty for a sound sensor.
    """

    agreement: Agreement
    doubts: tuple[Doubt, ...]

    @property
    def delay_s(self) -> float:
        """By which the gyroscope's samples are to be read later."""
        return self.agreement.delay_s

    @property
    def tested(self) -> str:
        """Which axes were turned enough to be tested, as a sentence."""
        tested = self.agreement.tested
        if len(tested) == len(NAMES):
            return "All three axes were turned enough to be tested against each other."
        rest = ", ".join(name for name in NAMES if name not in tested)
        if not tested:
            return "No axis was turned enough to be tested: turn the sensor slowly about all three by 30 deg or more."
        return (
            f"Only {' and '.join(tested)} {'were' if len(tested) > 1 else 'was'} turned enough to be tested: turn the "
            f"sensor slowly about {rest} too, by 30 deg or more."
        )


def judge_log(session: Session) -> SensorJudgement:
    """Judge a log by itself: at import, after a check, at the end of a recording. Never raises for a bad sensor."""
    try:
        timebase = fit_timebase(session.raw, session.profile)
        signals = prepare_signals(session, timebase)
    except InputError as error:
        expected, _, rest = str(error).partition(", found ")
        evidence, _, change = rest.partition("; ")
        found = f"found {evidence}" if rest else "so the log cannot be read"
        doubt = Doubt("sensor", "open", expected, found, change or "check the log")
        return SensorJudgement(Agreement(0, (), None), (doubt,))
    return judge_sensor(session, timebase, signals)


def judge_sensor(session: Session, timebase: Timebase, signals: Signals) -> SensorJudgement:
    """Judge the sensor of a session.

    Parameters
    ----------
    session : Session
        Its events in order; without events only what needs none is judged.
    timebase : Timebase
    signals : Signals
        As prepared: the gyroscope's bias still in.
    """
    signals = still_gyro_bias(signals, session.events)
    windows = cut_windows(signals.accel_mps2, signals.gyro_radps, signals.valid, signals.rate_hz)
    agreement = compare_streams(windows)
    # A dead axis, or exchanged ones, spoil every further measure: the first cause is named alone.
    doubts = _frozen(session) or _axes(agreement)
    if not doubts or doubts[0].kind == "sensor delay":
        doubts += [
            *_gravity(signals, session.events),
            *_stills(signals, session),
            *_saturation(session, timebase),
            *_jumps(signals, session.events),
            *_untested(agreement, signals),
        ]
    order = ("open", "likely", "sure")
    return SensorJudgement(agreement, tuple(sorted(doubts, key=lambda doubt: order.index(doubt.cap))))


def _axes(agreement: Agreement) -> list[Doubt]:
    if agreement.fault:
        return [Doubt("sensor axes", "open", agreement.fault, agreement.evidence, agreement.change)]
    late = agreement.delay_s
    if not late or agreement.map is None:
        return []
    first, second = ("accelerometer", "gyroscope") if late > 0 else ("gyroscope", "accelerometer")
    wide = abs(late) > WIDE_DELAY_S
    return [
        Doubt(
            "sensor delay",
            "open" if wide else "likely",
            f"the {second}'s samples come {1e3 * abs(late):.0f} ms after the {first}'s",
            f"so read, both tell of the same motion, to {1e3 * agreement.map.delay_se_s:.1f} ms"
            + ("" if wide else "; they were moved by that"),
            "stamp both at one time in the sensor, or read both from one register block",
        )
    ]


def _untested(agreement: Agreement, signals: Signals) -> list[Doubt]:
    if len(agreement.tested) == len(NAMES):
        return []
    rest = [name for name in NAMES if name not in agreement.tested]
    return [
        Doubt(
            "sensor axes untested",
            "likely",
            f"the axes of the sensor could not be tested against each other ({', '.join(rest)})",
            f"{agreement.windows} stretches of motion in {signals.valid.size / signals.rate_hz:.0f} s turn the sensor "
            "enough, and not about these axes",
            "record pivot, rocking the hand about all axes",
        )
    ]


def _frozen(session: Session) -> list[Doubt]:
    doubts = []
    for axis in find_frozen(session.raw, session.profile):
        state = "is dead" if axis.whole else "is frozen"
        blocks = None if axis.whole else _blocks_within(session.events, axis.start_s, axis.end_s)
        if blocks == ():
            continue
        doubts.append(
            Doubt(
                "sensor axis",
                "open",
                f"the {axis.axis} axis {state}",
                f"it keeps one value from {axis.start_s:.1f} to {axis.end_s:.1f} s while the axes beside it move",
                "check the column in MAP.toml, the wiring and the sensor",
                blocks,
            )
        )
    return doubts


def _gravity(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Length of gravity in the stills, or in the quietest two seconds."""
    lengths = [
        float(np.linalg.norm(signals.accel_mps2[part].mean(axis=0)))
        for _, part in _still_parts(signals, events, fallback=True)
    ]
    usual = float(np.median(lengths)) if lengths else GRAVITY_MPS2
    if abs(usual / GRAVITY_MPS2 - 1) < GRAVITY_OFF:
        return []
    return [
        Doubt(
            "sensor scale",
            "likely",
            f"the accelerometer reads {usual / GRAVITY_MPS2:.2f} times gravity at rest",
            f"{usual:.2f} m/s2 instead of 9.81",
            "run strokeplane calibrate, or correct accel_per_g in MAP.toml or the range in the device profile",
        )
    ]


def _stills(signals: Signals, session: Session) -> list[Doubt]:
    """Noise and tones, by the path that they make of a tip that stands still."""
    doubts = []
    for event, part in _still_parts(signals, session.events, fallback=False):
        found = measure_restlessness(
            signals.accel_mps2[part], signals.gyro_radps[part], signals.rate_hz, session.profile
        )
        cost_deg = _cost_deg(found.path_mm)
        noisy = event.label == OFF_HAND and _excess(found) > NOISY
        if cost_deg < LIKELY_DEG or not (noisy or found.tone_hz is not None or cost_deg > OPEN_DEG):
            continue
        what = f"a tone of {found.tone_hz:.0f} Hz" if found.tone_hz is not None and not noisy else "noise"
        than = f", {_excess(found):.0f} times the datasheet's noise" if noisy else ""
        doubts.append(
            Doubt(
                "sensor noise",
                _cap(cost_deg),
                f"the sensor shows {what} where nothing moves",
                f"in the still at {event.start_s:.1f} s a tip at rest seems to move by {found.path_mm:.1f} mm, "
                f"which is {cost_deg:.0f} deg on a stroke of {SPAN_MM:.0f} mm{than}",
                "check supply, wiring and mounting, and keep motors and loudspeakers away",
            )
        )
    return doubts[:1]


def _saturation(session: Session, timebase: Timebase) -> list[Doubt]:
    time_s = session.raw.ticks[timebase.kept] / session.profile.tick_hz
    doubts = []
    plays = [event for event in session.events if event.kind == "play"]
    for index, event in enumerate(plays):
        inside = (time_s >= event.start_s) & (time_s < event.end_s)
        if np.count_nonzero(inside) < 2.0 * timebase.rate_hz:
            continue
        found = weigh_saturation(
            session.raw.counts[timebase.kept[inside]], timebase.slot[inside], session.profile, timebase.rate_hz
        )
        cost_deg = 0.0 if found is None else float(np.degrees(np.arctan(found.bend)))
        if found is None or cost_deg < LIKELY_DEG:
            continue
        doubts.append(
            Doubt(
                "sensor range",
                _cap(cost_deg),
                "the strokes go beyond the sensor's range",
                f"{' and '.join(found.axes)} {'stand' if len(found.axes) > 1 else 'stands'} at the end in "
                f"{found.samples} samples of block {index + 1}, which bends the path by {cost_deg:.0f} deg or more",
                "choose a wider range in the sensor and its profile",
                (index,),
                se_deg=cost_deg,
            )
        )
    return doubts


def _jumps(signals: Signals, events: Sequence[Event]) -> list[Doubt]:
    """Axes that were exchanged in the middle: blocks after it whose gestures were made before it."""
    plays = [event for event in events if event.kind == "play"]
    gestures = [event for event in events if event.kind in GESTURES]
    doubts = []
    for jump in find_gravity_jumps(signals.accel_mps2, signals.gyro_radps, signals.valid, signals.rate_hz):
        at = float(signals.time_s(np.array([float(jump.index)]))[0])
        before = [gesture for gesture in gestures if gesture.start_s < at]
        after = tuple(i for i, event in enumerate(plays) if event.end_s > at)
        if gestures and (not before or not after):
            continue
        doubts.append(
            Doubt(
                "sensor turned",
                "open",
                "the sensor's axes were turned or exchanged in the middle of the log",
                f"at {at:.1f} s gravity turns by {jump.angle_deg:.0f} deg in the sensor's axes while the gyroscope "
                "tells of no such turn",
                "repeat across, along and pivot after every change of the sensor, and see whether it restarted",
                after or None,
            )
        )
    return doubts[:1]


def _still_parts(signals: Signals, events: Sequence[Event], fallback: bool) -> list[tuple[Event, slice]]:
    """The stills of at least a second; else, if wanted, the quietest two seconds."""
    parts = []
    for event in (e for e in events if e.kind == "still"):
        first, last = signals.index(event.start_s), signals.index(event.end_s)
        if last - first >= signals.rate_hz:
            parts.append((event, slice(first, last)))
    if not parts and fallback:
        part = quietest(signals.gyro_radps, signals.valid, signals.rate_hz)
        if part is not None:
            parts.append((Event(0.0, 0.0, "still"), part))
    return parts


def _blocks_within(events: Sequence[Event], start_s: float, end_s: float) -> tuple[int, ...] | None:
    """Blocks that a fault touches; None (all) where it touches a gesture or no block is marked."""
    plays = [event for event in events if event.kind == "play"]
    if not plays or any(e.start_s < end_s and e.end_s > start_s for e in events if e.kind in GESTURES):
        return None
    return tuple(i for i, event in enumerate(plays) if event.start_s < end_s and event.end_s > start_s)


def _cost_deg(path_mm: float) -> float:
    """Error of a stroke's tilt by a false path of this RMS: both ends of the stroke feel it."""
    return float(np.degrees(np.arctan2(np.sqrt(2.0) * path_mm, SPAN_MM)))


def _excess(found: Restlessness) -> float:
    return max(found.accel_excess or 0.0, found.gyro_excess or 0.0)


def _cap(cost_deg: float) -> Certainty:
    return "open" if cost_deg > OPEN_DEG else "likely"


def read_together(signals: Signals, delay_s: float) -> Signals:
    """The signals with the gyroscope read ``delay_s`` later, by the cubic through four samples."""
    if not delay_s:
        return signals
    n = len(signals.gyro_radps)
    at = np.clip(np.arange(n) + delay_s * signals.rate_hz, 1.0, n - 3.0)
    base = at.astype(np.int64)
    return replace(signals, gyro_radps=_lagrange(signals.gyro_radps, base, (at - base)[:, None]))


def _lagrange(values: FloatArray, base: np.ndarray, u: FloatArray) -> FloatArray:
    return np.asarray(
        -u * (u - 1) * (u - 2) / 6 * values[base - 1]
        + (u + 1) * (u - 1) * (u - 2) / 2 * values[base]
        - (u + 1) * u * (u - 2) / 2 * values[base + 1]
        + (u + 1) * u * (u - 1) / 6 * values[base + 2]
    )
