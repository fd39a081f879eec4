r"""A turn of player and instrument together about the vertical: seen in the hand's slow motion while it plays.

A chair that turns takes the heading of the strings with it, and no gyroscope on the hand can tell that from a hand that
turns on its arm; only that it is too large for one. With windows of play before and after,

.. math:: \hat\psi = \bar y_{after} - \bar y_{before}, \qquad
          \sigma^2 = 2 \left( s_v^2 \, k^{-1} + s_u^2 (1 - e^{-T / \tau_u}) \right)                            (9)

for ``k`` windows on either side, ``T`` apart, with the wander of :mod:`analysis.motion.heading_drift`. Between the
gestures and a block the hand leaves the strings and comes back: there it must point elsewhere by ``away_deg``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.doubts import Doubt
from analysis.model.number_words import clock
from analysis.model.records import Event, FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings
from analysis.motion.orientation import heading_between
from analysis.motion.rotation import matrices
from analysis.reference.frame import Frame
from analysis.reference.session_reference import Reference


@dataclass(frozen=True)
class BodySettings:
    """When the body counts as turned.

    ``turn_deg`` is the least turn worth a word, ``turn_sd`` how many times its own error it must be.

    Attributes
    ----------
    turn_deg : float
    turn_sd : float
    turn_windows : int
        Windows on each side by which a turn is judged, at most.
    away_deg : float
        Least turn of a block against its gestures worth a word: hands that find their place to 4 deg stay below 13.
    oblique : float
        Part of a turn that reaches the tilt because strokes run obliquely over the strings.
    """

    turn_deg: float = 10.0
    turn_sd: float = 4.0
    turn_windows: int = 3
    away_deg: float = 15.0
    oblique: float = 0.36


def doubt_body(
    motion: Motion, reference: Reference, blocks: Sequence[Event], settings: BodySettings
) -> tuple[Doubt, ...]:
    """Doubts on blocks in which the player turned with the instrument.

    Parameters
    ----------
    motion : Motion
    reference : Reference
    blocks : sequence of Event
    settings : BodySettings

    Returns
    -------
    tuple of Doubt
        Empty where the player kept his place.
    """
    doubts = []
    turned: set[int] = set()
    for index, event in enumerate(blocks):
        found = find_turn(motion, event, reference.drift, settings)
        if found is not None:
            frame = reference.frame(event.posture, event.start_s)
            doubts.append(_turn_doubt(found, blocks, index, frame, motion.grid.start_s))
            turned.update(doubts[-1].blocks or ())
    return (*doubts, *_away_doubts(motion, reference, blocks, settings, turned))


@dataclass(frozen=True)
class Turn:
    """A turn about the vertical while playing."""

    time_s: float
    turned_deg: float


def find_turn(motion: Motion, block: Event, drift: HeadingDrift, settings: BodySettings) -> Turn | None:
    """The largest turn about the vertical within a block, where it is too large for a hand's own, equation (9)."""
    heading = drift.settings
    width_s, k = heading.window_s, settings.turn_windows
    # A block may be marked beyond the end of the log.
    end_s = min(block.end_s, float(motion.grid.time_at(motion.grid.size)))
    starts = np.arange(block.start_s + 0.5, end_s - 0.5 - width_s, width_s)
    if starts.size < 2:
        return None
    means = [_mean_rotation(motion, float(start), float(start) + width_s) for start in starts]
    middle_s = starts + 0.5 * width_s
    yaw = np.unwrap([heading_between(means[0], mean) for mean in means])
    yaw = np.degrees(yaw - drift.mean_rad(middle_s))
    # A turn that takes a while is half over in the windows beside it. Towards the ends of a block fewer are left.
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(yaw, k - 1, constant_values=np.nan), k)
    medians = np.nanmedian(beside, axis=1)
    at = np.arange(1, starts.size)
    turned = medians[at + k - 1] - medians[at - 1]
    windows = np.minimum(np.minimum(at, starts.size - at), k)
    least = [max(settings.turn_deg, settings.turn_sd * _turn_sd_deg(n, heading)) for n in range(k + 1)[1:]]
    turned[np.abs(turned) < np.array(least)[windows - 1]] = 0.0
    best = int(np.abs(turned).argmax())
    return Turn(float(starts[at[best]]), float(turned[best])) if turned[best] else None


def _mean_rotation(motion: Motion, start_s: float, end_s: float) -> FloatArray:
    """Mean attitude (3, 3); it changes slowly, so 25 samples a second are enough."""
    first = min(motion.grid.index_at(start_s), motion.grid.size - 1)
    last = max(motion.grid.index_at(end_s), first + 1)
    return np.asarray(matrices(motion.quat_wxyz[first : last : max(1, int(motion.grid.rate_hz // 25))]).mean(axis=0))


def _turn_sd_deg(windows: int, heading: HeadingSettings) -> float:
    """Equation (9)."""
    apart_s = windows * heading.window_s
    wander2 = heading.wander_deg**2 * (1 - np.exp(-apart_s / heading.wander_tau_s))
    return float(np.sqrt(2 * (heading.unrest_deg**2 / windows + wander2)))


def _away_doubts(
    motion: Motion, reference: Reference, blocks: Sequence[Event], settings: BodySettings, known: set[int]
) -> list[Doubt]:
    """Blocks in which the hand points elsewhere about the vertical than in their posture's latest gestures.

    A turn that came in a rest shows in nothing else. Blocks that a turn within a block touches are left out.
    """
    away: dict[int, float] = {}
    for index, block in enumerate(blocks):
        turned_deg = 0.0 if index in known else _turned_since_gestures_deg(motion, reference, blocks, block)
        if abs(turned_deg) >= settings.away_deg:
            away[index] = turned_deg
    if not away:
        return []
    most_deg = max(map(abs, away.values()))
    worth = max(_worth_deg(deg, reference.frame(blocks[i].posture, blocks[i].start_s)) for i, deg in away.items())
    names = f"block{'s' * (len(away) > 1)} " + ", ".join(str(index + 1) for index in away)
    fault = f"in {names} the hand points {most_deg:.0f} deg away, about the vertical, from where it did in the gestures"
    evidence = (
        "a hand that comes back to its place turns less: player and instrument may have turned with it, and tilts may "
        f"be {worth:.1f} deg off"
    )
    change = "keep the chair where it is, or repeat across and along"
    return [Doubt("turn", "likely", fault, evidence, change, tuple(away), se_deg=worth / 1.96)]


def _turned_since_gestures_deg(motion: Motion, reference: Reference, blocks: Sequence[Event], block: Event) -> float:
    """Turn of a block about the vertical against the latest gestures, drift taken out; 0 without any."""
    before = [q for q in reference.qualities if q.posture in (block.posture, "") and q.end_s <= block.start_s]
    before = [q for q in before if q.posture == block.posture] or before
    played_s = max((b.end_s for b in blocks if before and b.end_s <= before[-1].start_s), default=-np.inf)
    latest = [gesture for gesture in before if gesture.start_s >= played_s]
    if not latest:
        return 0.0
    pose = np.mean([_mean_rotation(motion, g.start_s + 0.5, g.end_s - 0.5) for g in latest], axis=0)
    middle_s = [0.5 * (block.start_s + block.end_s), np.mean([0.5 * (g.start_s + g.end_s) for g in latest])]
    drift_rad = reference.drift.mean_rad(np.array(middle_s))
    yaw = heading_between(pose, _mean_rotation(motion, block.start_s + 0.5, block.end_s - 0.5))
    return float((np.degrees(yaw - (drift_rad[0] - drift_rad[1])) + 180.0) % 360.0 - 180.0)


def _worth_deg(turned_deg: float, frame: Frame) -> float:
    """The frame turns about the vertical: by the neck's elevation, and by how obliquely strokes run to the strings."""
    return abs(turned_deg) * float(np.hypot(frame.axes[0, 2], BodySettings.oblique * frame.axes[1, 2]))


def _turn_doubt(turn: Turn, blocks: Sequence[Event], index: int, frame: Frame, start_s: float) -> Doubt:
    """The turn touches its own block and those of its posture after it, until the heading is known again."""
    posture = blocks[index].posture
    again = [d.time_s for d in frame.along if d.time_s > turn.time_s]
    until = min(again, default=np.inf)
    touched = tuple(
        i for i, event in enumerate(blocks) if i >= index and event.posture == posture and event.start_s < until
    )
    worth = _worth_deg(turn.turned_deg, frame)
    return Doubt(
        "turn",
        "likely",
        f"at {clock(turn.time_s - start_s)} the hand turned about the vertical by {abs(turn.turned_deg):.0f} deg",
        "that is more than a playing hand turns: player and instrument may have turned with it, and tilts may be "
        f"{worth:.1f} deg off",
        "keep the chair still, or repeat across and along",
        touched,
        se_deg=worth / 1.96,
    )
