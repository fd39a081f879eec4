"""From stills and reference gestures to levers, a corrected motion, the heading drift and one frame per posture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.consistency.stills import BiasHistory, follow_bias, less_drift
from analysis.model.errors import GestureError
from analysis.model.records import Event, GestureQuality, Session
from analysis.motion.hand_motion import Motion, build_motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings
from analysis.motion.orientation import gapless_parts
from analysis.motion.rotation import matrices, yaw_matrix
from analysis.motion.stillness import mean_still_accel
from analysis.reference.accel_gain import accel_gains
from analysis.reference.epochs import Splits, epoch_label, label_epochs, posture_of, rolled_sets, split_epochs, times_of
from analysis.reference.frame import Frame, HeldLever, build_frame
from analysis.reference.gesture_directions import Direction, GestureSettings, measure_direction
from analysis.reference.hand_frame import hand_frame
from analysis.reference.hand_yaw import fit_heading, see_yaws
from analysis.reference.lever import LeverFit, LeverSettings, PivotWindow, borrow_lever, fit_levers
from analysis.reference.mounting import MountingChange, find_changes, see_poses, suspect_turns
from analysis.reference.mounting_strings import strings_felt, strings_told
from analysis.reference.pivots import ReferenceSettings, lever_prior, usable_pivots
from analysis.reference.soundboard import Soundboard, see_soundboard, settle_roll
from analysis.signal.working_grid import Signals


@dataclass(frozen=True)
class Reference:
    """What the gestures gave.

    Attributes
    ----------
    frames : mapping of str to Frame
        By posture; ``""`` serves strokes without one. Where gestures were repeated after a change of the mounting, by
        :func:`analysis.reference.epochs.epoch_label`.
    lever_fit : LeverFit
    drift : HeadingDrift
    qualities : tuple of GestureQuality
    warnings : tuple of str
    changes : tuple of MountingChange
        Where the sensor moved on the hand.
    splits : Splits
        Times of them, by posture.
    """

    frames: Mapping[str, Frame]
    lever_fit: LeverFit
    drift: HeadingDrift
    qualities: tuple[GestureQuality, ...]
    warnings: tuple[str, ...]
    changes: tuple[MountingChange, ...] = ()
    splits: Splits = field(default_factory=dict)

    def frame(self, posture: str, at_s: float | None = None) -> Frame:
        """Frame of a posture at a time, or the session's first where the posture has none of its own.

        Without a time the latest: gestures repeated after a change of the mounting replace the old ones from there on.

        Parameters
        ----------
        posture : str
        at_s : float, optional
            Log time.

        Returns
        -------
        Frame
        """
        label = epoch_label(posture, np.inf if at_s is None else at_s, self.splits)
        return self.frames.get(label) or self.frames.get(posture) or next(iter(self.frames.values()))


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
    changes : tuple of MountingChange
    splits : mapping of str to tuple of float
        By posture: the times from which its gestures were made anew after a change.
    board : Soundboard or None
        By stills on it.
    """

    directions: tuple[Direction, ...]
    lever_fit: LeverFit
    grips: tuple[str, ...]
    known_lever: bool
    heading: HeadingSettings
    qualities: tuple[GestureQuality, ...]
    warnings: tuple[str, ...]
    changes: tuple[MountingChange, ...] = ()
    splits: Splits = field(default_factory=dict)
    board: Soundboard | None = None


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
    # A sensor that sits differently points elsewhere about the vertical too: that is no drift.
    events = label_epochs(session.events, times_of(gestures.changes))
    drift = _drift(motion, events, gestures.directions, gestures.heading)
    return motion, complete_reference(motion, session, gestures, drift, settings)


def measure_gestures(signals: Signals, session: Session, settings: ReferenceSettings) -> tuple[Motion, Gestures]:
    """Solve levers and sensor errors, run the orientation filter, measure the gestures' directions.

    Gestures that were repeated after the mounting changed are kept apart from the older ones, and replace them.

    Parameters
    ----------
    signals : Signals
        The gyroscope less its bias in the still; m/s2 and rad/s.
    session : Session
        Its events in order.
    settings : ReferenceSettings

    Returns
    -------
    (Motion, Gestures)
        Motion over the whole session, and what the gestures tell.
    """
    history = follow_bias(signals, session.events)
    signals, settings = less_drift(signals, history), _with_bias(settings, history)
    poses, strings = see_poses(signals, session.events), strings_told(session)
    changes = find_changes(poses, settings.mounting, strings)
    splits = split_epochs(session.events, changes)
    motion, gestures = _measure(signals, session, splits, settings)
    rolled = rolled_sets(gestures.directions, session.events, settings.gestures)
    both = split_epochs(session.events, (*changes, *rolled))
    if both != splits:
        motion, gestures = _measure(signals, session, both, settings)
    board = see_soundboard(signals, session)
    along = strings_felt(motion, gestures.directions)
    suspects = suspect_turns(poses, (*changes, *rolled), settings.mounting, along, strings)
    return motion, replace(gestures, changes=(*changes, *rolled, *suspects), board=board)


def _measure(
    signals: Signals, session: Session, splits: Splits, settings: ReferenceSettings
) -> tuple[Motion, Gestures]:
    """Measure the gestures of every epoch by themselves, ``signals`` less the gyroscope's bias."""
    events = label_epochs(session.events, splits)
    prior = lever_prior(session, settings.lever)
    pivots, warnings = usable_pivots(signals, events, prior, settings)
    grips = sorted({event.posture for event, _, _ in pivots}) or [""]
    windows = [
        PivotWindow(signals.accel_mps2[part], signals.gyro_radps[part], grips.index(event.posture))
        for event, parts, _ in pivots
        for part in parts
    ]
    stills = [mean_still_accel(signals, event) for event in events if event.kind == "still"]
    asked = (windows, stills, signals.grid.rate_hz, [prior] * len(grips), settings.lever)
    fit = replace(fit_levers(*asked), accel_gains=accel_gains(*asked))
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
    said_of = [d.quality for d in directions] + [q for _, _, q in pivots]
    qualities = sorted((replace(q, posture=posture_of(q.posture)) for q in said_of), key=lambda q: q.start_s)
    heading = replace(settings.heading, rate_dps=rate_dps, jumps_s=jumps_s)
    said = (*warnings, *borrowed)
    return motion, Gestures(
        tuple(directions), fit, tuple(grips), known_lever, heading, tuple(qualities), said, (), splits
    )


def _with_bias(settings: ReferenceSettings, history: BiasHistory) -> ReferenceSettings:
    """Settings that know how well the still told the gyroscope's bias, and how it walked since."""
    lever = replace(settings.lever, gyro_bias_dps=float(np.hypot(settings.lever.gyro_bias_dps, history.start_se_dps)))
    walk = float(np.hypot(settings.heading.walk_dps_rts, history.walk_dps_rts))
    return replace(settings, lever=lever, heading=replace(settings.heading, walk_dps_rts=walk))


def complete_reference(
    motion: Motion, session: Session, gestures: Gestures, drift: HeadingDrift, settings: ReferenceSettings
) -> Reference:
    """Frames from the gestures, given how the heading drifted; ``motion`` reaches over the gestures.

    Parameters
    ----------
    motion : Motion
    session : Session
    gestures : Gestures
        As :func:`measure_gestures` gives them.
    drift : HeadingDrift
        Of the heading, rad against log time.
    settings : ReferenceSettings

    Returns
    -------
    Reference
    """
    labelled = replace(session, events=label_epochs(session.events, gestures.splits))
    frames, more = _frames(motion, labelled, gestures, drift, settings)
    said = (*gestures.warnings, *more)
    return Reference(frames, gestures.lever_fit, drift, gestures.qualities, said, gestures.changes, gestures.splits)


def _lend_levers(
    fit: LeverFit, grips: Sequence[str], events: Sequence[Event], settings: LeverSettings
) -> tuple[LeverFit, list[str], list[str]]:
    """Lend another posture's lever to every posture that has no pivot; a sentence says so."""
    grips, warnings = list(grips), []
    used = sorted({event.posture for event in events if event.kind in ("play", "across", "along")})
    for posture in used if "" not in grips else ():
        if posture and posture not in grips:
            lender = _grip_of(posture_of(posture), grips)
            fit = borrow_lever(fit, lender, settings)
            when = "" if posture == posture_of(posture) else ", repeated after sensor or instrument moved,"
            warnings.append(
                f"posture {posture_of(posture)!r}{when} has no usable pivot: the plectrum is taken to be gripped as in "
                f"posture {posture_of(grips[lender])!r}, which may put its tilt a degree or two off; record pivot in "
                "each posture"
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
    """``across`` goes over all strings: less than half of the way, and something else was marked, play perhaps.

    Parameters
    ----------
    settings : GestureSettings
    session : Session
        Its instrument's spacing counts, mm.

    Returns
    -------
    GestureSettings
    """
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
    gestures: Gestures,
    drift: HeadingDrift,
    settings: ReferenceSettings,
) -> tuple[dict[str, Frame], tuple[str, ...]]:
    """One frame a posture; the hand's own where the gestures do not suffice, with the reason."""
    directions, fit, grips = gestures.directions, gestures.lever_fit, gestures.grips
    warnings = [
        f"{d.kind} at {d.quality.start_s:.1f} s was left out: {d.quality.remark}" for d in directions if not d.usable
    ]
    usable = [d for d in directions if d.usable]
    missing = [kind for kind in ("across", "along") if not any(d.kind == kind for d in usable)]
    if not gestures.known_lever:
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
    frames, refused = {}, []
    for posture in postures:
        along, across = _of_posture(usable, "along", posture), _of_posture(usable, "across", posture)
        grip = _grip_of(posture, grips)
        try:
            frames[posture] = _on_board(
                session,
                gestures.board,
                settings.gestures,
                build_frame(
                    posture,
                    along,
                    across,
                    drift,
                    HeldLever(fit.levers_m[grip], grip, arm_m),
                    session.instrument.held,
                    settings.gestures.min_angle_deg,
                ),
            )
        except GestureError as error:
            warnings.append(f"no instrument frame for posture {posture_of(posture)!r}: {error}")
            refused.append(posture)
    if not frames:
        return {postures[0]: hand_frame(motion, session, fit.levers_m[0])}, tuple(warnings)
    # The strings are those of the other postures, the plectrum is held as in its own; the doubts say so.
    lender = next(iter(frames.values()))
    for posture in (p for p in refused if p == posture_of(p)):
        grip = _grip_of(posture, grips)
        frames[posture] = replace(lender, posture=posture, lever_m=fit.levers_m[grip], grip=grip)
    return frames, tuple(warnings)


def _on_board(session: Session, board: Soundboard | None, settings: GestureSettings, frame: Frame) -> Frame:
    """The frame with its roll about the strings as stills on the soundboard show it."""
    if board is None or not frame.across:
        return frame
    axes, weight = settle_roll(frame.axes, board, settings.across_slope_deg / float(np.sqrt(len(frame.across))))
    return replace(frame, axes=axes, board_weight=weight, board_sd_deg=board.sd_deg)


def _of_posture(directions: Sequence[Direction], kind: str, posture: str) -> list[Direction]:
    """Gestures of the posture itself, else those without a label, else all."""
    of_kind = [d for d in directions if d.kind == kind]
    for name in (posture, ""):
        own = [d for d in of_kind if d.posture == name]
        if own:
            return own
    return of_kind
