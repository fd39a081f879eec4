"""From stills and reference gestures to levers, a corrected motion, the heading drift and one frame a posture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.errors import GestureError
from analysis.model.records import Event, FloatArray, GestureQuality, Session
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings
from analysis.motion.orientation import gapless_parts, integrate_rotation
from analysis.motion.rotation import matrices, yaw_matrix
from analysis.motion.stillness import mean_still_accel, still_gyro_bias
from analysis.reference.frame import Frame, build_frame
from analysis.reference.gesture_directions import Direction, GestureSettings, measure_direction
from analysis.reference.hand_frame import hand_frame
from analysis.reference.hand_yaw import fit_heading, see_yaws
from analysis.reference.lever import LeverFit, LeverSettings, PivotWindow, borrow_lever, fit_levers
from analysis.signal.working_grid import Signals

MIN_PIVOT_S = 2.0


@dataclass(frozen=True)
class ReferenceSettings:
    """Settings of every step that leads to the frame."""

    lever: LeverSettings = field(default_factory=LeverSettings)
    gestures: GestureSettings = field(default_factory=GestureSettings)
    heading: HeadingSettings = field(default_factory=HeadingSettings)


@dataclass(frozen=True)
class Reference:
    """What the gestures gave.

    Attributes
    ----------
    frames : mapping of str to Frame
        By posture; ``""`` serves strokes without one.
    lever_fit : LeverFit
    drift : HeadingDrift
    qualities : tuple of GestureQuality
    warnings : tuple of str
    """

    frames: Mapping[str, Frame]
    lever_fit: LeverFit
    drift: HeadingDrift
    qualities: tuple[GestureQuality, ...]
    warnings: tuple[str, ...]

    def frame(self, posture: str) -> Frame:
        """Frame of a posture, or the session's first where the posture has none of its own."""
        return self.frames.get(posture) or next(iter(self.frames.values()))


@dataclass(frozen=True)
class Gestures:
    """What the gestures of a session measured, before the heading's drift turns their directions into frames.

    Attributes
    ----------
    directions : tuple of Direction
    lever_fit : LeverFit
    grips : tuple of str
        Posture of each of its levers.
    known_lever : bool
    heading : HeadingSettings
        With the rate that this sensor's bias leaves, and the gaps of the log.
    qualities : tuple of GestureQuality
    warnings : tuple of str
    """

    directions: tuple[Direction, ...]
    lever_fit: LeverFit
    grips: tuple[str, ...]
    known_lever: bool
    heading: HeadingSettings
    qualities: tuple[GestureQuality, ...]
    warnings: tuple[str, ...]


def establish_reference(signals: Signals, session: Session, settings: ReferenceSettings) -> tuple[Motion, Reference]:
    """Solve levers and sensor errors, run the orientation filter, measure the gestures, build the frames.

    Parameters
    ----------
    signals : Signals
    session : Session
        Its events, lever and instrument are used.
    settings : ReferenceSettings

    Returns
    -------
    motion : Motion
    reference : Reference
    """
    motion, gestures = measure_gestures(signals, session, settings)
    drift = _drift(motion, session.events, gestures.directions, gestures.heading)
    return motion, complete_reference(motion, session, gestures, drift, settings)


def measure_gestures(signals: Signals, session: Session, settings: ReferenceSettings) -> tuple[Motion, Gestures]:
    """Solve levers and sensor errors, run the orientation filter, measure the gestures' directions."""
    events = session.events
    signals = still_gyro_bias(signals, events)
    prior = lever_prior(session, settings.lever)
    pivots, warnings = _usable_pivots(signals, events, prior, settings)
    grips = sorted({event.posture for event, _, _ in pivots}) or [""]
    windows = [
        PivotWindow(signals.accel_mps2[part], signals.gyro_radps[part], grips.index(event.posture))
        for event, parts, _ in pivots
        for part in parts
    ]
    stills = [mean_still_accel(signals, event) for event in events if event.kind == "still"]
    fit = fit_levers(windows, stills, signals.grid.rate_hz, [prior] * len(grips), settings.lever)
    fit, grips, borrowed = _lend_levers(fit, grips, events, settings.lever)
    motion = build_motion(signals, fit.errors)
    directions = []
    for event in (e for e in events if e.kind in ("across", "along")):
        grip = _grip_of(event.posture, grips)
        wanted = settings_for_strings(settings.gestures, session) if event.kind == "across" else settings.gestures
        directions.append(replace(measure_direction(motion, event, fit.levers_m[grip], wanted), grip=grip))
    rate_dps = float(np.hypot(settings.heading.rate_dps, _vertical_bias_sd_dps(motion, fit, directions)))
    gaps = [part.start for part in gapless_parts(motion.grid)[1:]]
    jumps_s = tuple(float(time) for time in motion.grid.time_at(np.array(gaps)))
    known_lever = bool(windows) or session.lever_mm is not None
    qualities = sorted([d.quality for d in directions] + [q for _, _, q in pivots], key=lambda q: q.start_s)
    heading = replace(settings.heading, rate_dps=rate_dps, jumps_s=jumps_s)
    said = (*warnings, *borrowed)
    return motion, Gestures(tuple(directions), fit, tuple(grips), known_lever, heading, tuple(qualities), said)


def complete_reference(
    motion: Motion, session: Session, gestures: Gestures, drift: HeadingDrift, settings: ReferenceSettings
) -> Reference:
    """Frames from the gestures, given how the heading drifted; ``motion`` reaches over the gestures."""
    levers = (gestures.lever_fit, gestures.grips, gestures.known_lever)
    frames, more = _frames(motion, session, gestures.directions, drift, levers, settings)
    return Reference(frames, gestures.lever_fit, drift, gestures.qualities, (*gestures.warnings, *more))


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


def judge_pivot(
    signals: Signals, event: Event, prior: tuple[FloatArray, float], settings: ReferenceSettings
) -> PivotJudgement:
    """Whether a pivot rocks enough, about one spot, without gaps.

    Parameters
    ----------
    signals : Signals
        Less the gyroscope's bias.
    event : Event
    prior : (float64 (3,), float)
        Lever and its standard deviation, m.
    settings : ReferenceSettings
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


def _usable_pivots(
    signals: Signals, events: Sequence[Event], prior: tuple[FloatArray, float], settings: ReferenceSettings
) -> tuple[list[tuple[Event, list[slice], GestureQuality]], tuple[str, ...]]:
    """Pivots that rock enough about one spot, each as its gapless parts, with its quality; else a sentence."""
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
    """Parts of ``first:last`` of at least 2 s without a gap; two samples beside a gap are left out with it."""
    sound = np.ones(max(0, last - first), dtype=np.int8)
    for gap in np.flatnonzero(~signals.grid.valid[first:last]):
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


def lever_prior(session: Session, settings: LeverSettings) -> tuple[FloatArray, float]:
    """Lever (3,) that a session expects before its pivot, and its standard deviation an axis, metres."""
    if session.lever_mm is None:
        return np.zeros(3), 1e-3 * settings.free_lever_mm
    spread = session.lever_sd_mm if session.lever_sd_mm is not None else settings.ruler_sd_mm
    return 1e-3 * np.asarray(session.lever_mm), 1e-3 * spread


def _lend_levers(
    fit: LeverFit, grips: Sequence[str], events: Sequence[Event], settings: LeverSettings
) -> tuple[LeverFit, list[str], list[str]]:
    """Lend another posture's lever to every posture that has no pivot; a sentence says so."""
    grips, warnings = list(grips), []
    used = sorted({event.posture for event in events if event.kind in ("play", "across", "along")})
    for posture in used if "" not in grips else ():
        if posture and posture not in grips:
            fit = borrow_lever(fit, 0, settings)
            warnings.append(
                f"posture {posture!r} has no usable pivot: the plectrum is taken to be gripped as in posture "
                f"{grips[0]!r}, which may put its tilt a degree or two off; record pivot in each posture"
            )
            grips.append(posture)
    return fit, grips, warnings


def _grip_of(posture: str, grips: Sequence[str]) -> int:
    """The posture's own grip, else the unlabelled one, else the first."""
    for name in (posture, ""):
        if name in grips:
            return list(grips).index(name)
    return 0


def settings_for_strings(settings: GestureSettings, session: Session) -> GestureSettings:
    """``across`` goes over all strings: less than half of the way, and something else was marked, play perhaps."""
    least_mm = 0.5 * float(sum(session.instrument.spacing_mm))
    return replace(settings, min_extent_mm=max(settings.min_extent_mm, least_mm))


def _drift(
    motion: Motion, events: Sequence[Event], directions: Sequence[Direction], settings: HeadingSettings
) -> HeadingDrift:
    """Heading drift from the hand's yaw in play and gestures, and the azimuth of ``along``."""
    return fit_heading(see_yaws(motion, events, settings), directions, motion.grid.start_s, settings)


def _vertical_bias_sd_dps(motion: Motion, fit: LeverFit, directions: Sequence[Direction]) -> float:
    """What is left of the gyroscope's bias about the vertical, as the hand is held in the gestures (or throughout)."""
    at = [motion.grid.index_at(d.time_s) for d in directions if d.usable] or [motion.grid.size // 2]
    up = matrices(motion.quat_wxyz[at])[:, 2].mean(axis=0)
    return float(np.degrees(fit.covariance.gyro_bias_sd_radps(up)))


def _frames(
    motion: Motion,
    session: Session,
    directions: Sequence[Direction],
    drift: HeadingDrift,
    levers: tuple[LeverFit, Sequence[str], bool],
    settings: ReferenceSettings,
) -> tuple[dict[str, Frame], tuple[str, ...]]:
    """One frame a posture; the hand's own where the gestures do not suffice, with the reason."""
    fit, grips, known_lever = levers
    warnings = [
        f"{d.kind} at {d.quality.start_s:.1f} s was left out: {d.quality.remark}" for d in directions if not d.usable
    ]
    usable = [d for d in directions if d.usable]
    missing = [kind for kind in ("across", "along") if not any(d.kind == kind for d in usable)]
    if not known_lever:
        missing.append("pivot (or a ruler's lever_mm)")
    postures = sorted({event.posture for event in session.events if event.kind == "play"}) or [""]
    if missing:
        warnings.append(
            f"no instrument frame: {', '.join(missing)} missing or not usable; tilt is only against the hand's own "
            "mean plane. Record still, across, along and pivot before playing"
        )
        return {p: hand_frame(motion, session, fit.levers_m[0]) for p in postures[:1]}, tuple(warnings)
    # One instrument for all postures: the mean arm tells its near side where a single hand, turned far, would not.
    back = drift.mean_rad(np.array([d.time_s for d in usable]))
    arm_m = np.mean([yaw_matrix(-angle) @ d.arm_m for angle, d in zip(back, usable, strict=True)], axis=0)
    frames = {}
    for posture in postures:
        along, across = _of_posture(usable, "along", posture), _of_posture(usable, "across", posture)
        grip = _grip_of(posture, grips)
        try:
            frames[posture] = build_frame(
                posture,
                along,
                across,
                drift,
                (fit.levers_m[grip], grip, arm_m),
                session.instrument.held,
                settings.gestures.min_angle_deg,
            )
        except GestureError as error:
            warnings.append(f"no instrument frame for posture {posture!r}: {error}")
    if not frames:
        return {postures[0]: hand_frame(motion, session, fit.levers_m[0])}, tuple(warnings)
    return frames, tuple(warnings)


def _of_posture(directions: Sequence[Direction], kind: str, posture: str) -> list[Direction]:
    """Gestures of the posture itself, else those without a label, else all."""
    of_kind = [d for d in directions if d.kind == kind]
    for name in (posture, ""):
        own = [d for d in of_kind if d.posture == name]
        if own:
            return own
    return of_kind
