"""Every check of a sensor against itself, on one log: what is wrong, and what it means for what may be claimed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.consistency.axes import NAMES, Agreement, compare_streams
from analysis.consistency.block_doubts import deaf_axes, gravity_in_play, turns_in_play
from analysis.consistency.channel_doubts import (
    GESTURES,
    NOISE,
    SHAKEN,
    frozen_axes,
    gravity_length,
    moved_first_still,
    restless_stills,
    saturated_play,
)
from analysis.consistency.gravity_jumps import find_gravity_jumps
from analysis.consistency.stream_map import cut_windows
from analysis.model.doubts import CERTAINTIES, Doubt
from analysis.model.errors import InputError
from analysis.model.records import BoolArray, Event, Session
from analysis.motion.stillness import still_gyro_bias
from analysis.signal.timebase import Timebase, fit_timebase
from analysis.signal.working_grid import SLOW_BRIDGED_S, Signals, prepare_signals

UNTESTED = "sensor axes untested"
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

    def with_stills(self, seen: Signals, session: Session) -> SensorJudgement:
        """The judgement with its noise judged on what a sensor on the instrument leaves of the hand's signals.

        A foot that taps shakes hand and instrument as one; that is no noise of the sensor, which stays when their
        common motion is taken out.

        Parameters
        ----------
        seen : Signals
            As seen from the instrument, less what shook both sensors.
        session : Session

        Returns
        -------
        SensorJudgement
        """
        restless = (NOISE, SHAKEN)
        if not any(doubt.kind in restless for doubt in self.doubts):
            return self
        left = iter(restless_stills(seen, session))
        doubts = (next(left, None) if doubt.kind in restless else doubt for doubt in self.doubts)
        return replace(self, doubts=tuple(doubt for doubt in doubts if doubt is not None))

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
    """Judge a log by itself: at import, after a check, at the end of a recording. Never raises for a bad sensor.

    Parameters
    ----------
    session : Session
        With its raw samples; events may be missing.

    Returns
    -------
    SensorJudgement
        A log that cannot be read becomes one doubt that leaves everything open.
    """
    try:
        timebase = fit_timebase(session.raw, session.profile)
        signals = still_gyro_bias(prepare_signals(session, timebase), session.events)
    except InputError as error:
        facts = error.facts
        fault = error.problem or f"this is not {facts.get('expected', 'a log that can be read')}"
        evidence = f"found {facts['found']}" if "found" in facts else "the log cannot be read"
        doubt = Doubt("sensor", "open", fault, evidence, facts.get("next_step", "check the log"))
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
        The gyroscope less its bias in the still.

    Returns
    -------
    SensorJudgement
        The doubts, the strictest first.
    """
    whole = signals.grid.whole(SLOW_BRIDGED_S)
    windows = cut_windows(signals.accel_mps2, signals.gyro_radps, whole, signals.grid.rate_hz)
    agreement = compare_streams(windows)
    # A dead axis, or exchanged ones, spoil every further measure: the first cause is named alone.
    doubts = frozen_axes(session) or _axes(agreement) or deaf_axes(signals, session.events)
    if not doubts or doubts[0].kind == "sensor delay":
        doubts += [
            *gravity_length(signals, session.events),
            *gravity_in_play(signals, session.events),
            *turns_in_play(signals, session.events),
            *restless_stills(signals, session),
            *moved_first_still(signals, session.events),
            *saturated_play(session, timebase),
            *_jumps(signals, whole, session.events),
            *_untested(agreement, signals),
        ]
    return SensorJudgement(agreement, tuple(sorted(doubts, key=lambda doubt: CERTAINTIES.index(doubt.cap))))


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
            UNTESTED,
            "likely",
            f"the axes of the sensor could not be tested against each other ({', '.join(rest)})",
            f"{agreement.windows} stretches of motion in {signals.grid.duration_s:.0f} s turn the sensor enough, "
            "but not about these axes",
            "record pivot, rocking the hand about all axes",
        )
    ]


def _jumps(signals: Signals, whole: BoolArray, events: Sequence[Event]) -> list[Doubt]:
    """Axes that were exchanged in the middle: blocks after it whose gestures were made before it."""
    plays = [event for event in events if event.kind == "play"]
    gestures = [event for event in events if event.kind in GESTURES]
    doubts = []
    for jump in find_gravity_jumps(signals.accel_mps2, signals.gyro_radps, whole, signals.grid.rate_hz):
        at = signals.grid.time_at(jump.index)
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
