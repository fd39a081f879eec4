"""Which ``pivot`` gestures can be used, and the lever that is expected before one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.model.records import Event, FloatArray, GestureQuality, Session
from analysis.motion.heading_drift import HeadingSettings
from analysis.motion.orientation import integrate_rotation
from analysis.motion.rotation import matrices
from analysis.reference.gesture_directions import GestureSettings
from analysis.reference.lever import LeverPrior, LeverSettings, PivotWindow, fit_levers
from analysis.reference.mounting import MountingSettings
from analysis.signal.working_grid import SLOW_BRIDGED_S, Signals

MIN_PIVOT_S = 2.0


@dataclass(frozen=True)
class ReferenceSettings:
    """Settings of every step that leads to the frame.

    Attributes
    ----------
    lever : LeverSettings
        Lever and sensor errors from the pivots.
    gestures : GestureSettings
        What makes a gesture usable.
    mounting : MountingSettings
        When the sensor counts as moved on the hand.
    heading : HeadingSettings
        How the heading may drift.
    """

    lever: LeverSettings = field(default_factory=LeverSettings)
    gestures: GestureSettings = field(default_factory=GestureSettings)
    mounting: MountingSettings = field(default_factory=MountingSettings)
    heading: HeadingSettings = field(default_factory=HeadingSettings)


@dataclass(frozen=True)
class PivotJudgement:
    """What one pivot shows. ``remark`` says why it cannot be used; empty where it can.

    ``rocking_deg`` is the RMS rotation about the three principal axes, largest first; ``slip_ratio`` None where it was
    not asked for.
    """

    parts: tuple[slice, ...]
    rocking_deg: tuple[float, ...]
    slip_ratio: float | None
    remark: str


def judge_pivot(signals: Signals, event: Event, prior: LeverPrior, settings: ReferenceSettings) -> PivotJudgement:
    """Whether a pivot rocks enough, about one spot, without gaps.

    Parameters
    ----------
    signals : Signals
        Less the gyroscope's bias.
    event : Event
    prior : LeverPrior
    settings : ReferenceSettings

    Returns
    -------
    PivotJudgement
        Parts without gaps, rocking in deg, slip, and a remark where it will not do.
    """
    inner = signals.grid.slice_of(event.start_s + settings.lever.trim_s, event.end_s - settings.lever.trim_s)
    parts = tuple(_gapless(signals, inner.start, inner.stop))
    if not parts:
        return PivotJudgement((), (), None, "expected at least 2 s without a gap; repeat it for 9 s")
    longest = max(parts, key=lambda part: part.stop - part.start)
    rocking = tuple(np.degrees(_rocking_rad(signals.gyro_radps[longest], signals.grid.rate_hz)).tolist())
    if rocking[1] < settings.gestures.min_pivot_deg:
        remark = (
            f"expected rocking of about 15 deg about every axis, found {rocking[1]:.1f} deg about the second largest; "
            "keep the tip on one spot and rock the hand"
        )
        return PivotJudgement(parts, rocking, None, remark)
    windows = [PivotWindow(signals.accel_mps2[part], signals.gyro_radps[part], 0) for part in parts]
    slip = fit_levers(windows, [], signals.grid.rate_hz, [prior], settings.lever).slip_ratio
    remark = ""
    if slip > settings.gestures.max_slip_ratio:
        remark = (
            f"expected the tip to stay within 1 mm of its spot, found it moving by "
            f"{slip * settings.lever.slip_mm:.1f} mm or more; repeat it with the tip pressed on one spot, and mark "
            "only the time of the rocking"
        )
    return PivotJudgement(parts, rocking, slip, remark)


def usable_pivots(
    signals: Signals, events: Sequence[Event], prior: LeverPrior, settings: ReferenceSettings
) -> tuple[list[tuple[Event, list[slice], GestureQuality]], tuple[str, ...]]:
    """Pivots that rock enough about one spot; of the others a sentence.

    Parameters
    ----------
    signals : Signals
        Less the gyroscope's bias.
    events : sequence of Event
    prior : LeverPrior
    settings : ReferenceSettings

    Returns
    -------
    list of (Event, list of slice, GestureQuality)
        Each with its gapless parts, working samples.
    tuple of str
    """
    found, warnings = [], []
    for event in (e for e in events if e.kind == "pivot"):
        pivot = judge_pivot(signals, event, prior, settings)
        if pivot.remark:
            warnings.append(f"pivot at {event.start_s:.1f} s was left out: {pivot.remark}")
            continue
        unknown = (float("nan"),) * 3
        rocking = pivot.rocking_deg
        words = f"rocked {rocking[0]:.0f}, {rocking[1]:.0f}, {rocking[2]:.0f} deg (RMS, largest axis first)"
        quality = GestureQuality("pivot", event.start_s, event.end_s, event.posture, *unknown, True, words)
        found.append((event, list(pivot.parts), quality))
    return found, tuple(warnings)


def _gapless(signals: Signals, first: int, last: int) -> list[slice]:
    """Parts of ``first:last`` of at least 2 s without a long gap; two samples beside one are left out with it."""
    sound = np.ones(max(0, last - first), dtype=np.int8)
    for gap in np.flatnonzero(~signals.grid.whole(SLOW_BRIDGED_S)[first:last]):
        sound[max(0, gap - 2) : gap + 3] = 0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sound, [0]]))).reshape(-1, 2)
    return [slice(first + int(a), first + int(b)) for a, b in edges if b - a >= MIN_PIVOT_S * signals.grid.rate_hz]


def _rocking_rad(gyro: FloatArray, rate_hz: float) -> FloatArray:
    """RMS rotation about the three principal axes, largest first."""
    rotation = matrices(integrate_rotation(gyro, rate_hz))
    vector = 0.5 * np.stack(
        [
            rotation[:, 2, 1] - rotation[:, 1, 2],
            rotation[:, 0, 2] - rotation[:, 2, 0],
            rotation[:, 1, 0] - rotation[:, 0, 1],
        ],
        axis=1,
    )
    vector = vector - vector.mean(axis=0)
    return np.asarray(np.linalg.svd(vector, compute_uv=False) / np.sqrt(len(vector)))


def lever_prior(session: Session, settings: LeverSettings) -> LeverPrior:
    """Lever that a session expects before its pivot.

    Parameters
    ----------
    session : Session
        With the lever by ruler, mm, if it was measured.
    settings : LeverSettings

    Returns
    -------
    LeverPrior
        Metres; about 0 and wide where no lever was measured.
    """
    if session.lever_mm is None:
        return LeverPrior(np.zeros(3), 1e-3 * settings.free_lever_mm)
    spread = session.lever_sd_mm if session.lever_sd_mm is not None else settings.ruler_sd_mm
    return LeverPrior(1e-3 * np.asarray(session.lever_mm), 1e-3 * spread)
