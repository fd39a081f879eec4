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
from scipy.stats import t as t_distribution

from analysis.model.doubts import Doubt
from analysis.model.number_words import clock, name_blocks
from analysis.model.records import Event, FloatArray
from analysis.motion.hand_motion import Motion
from analysis.motion.heading_drift import HeadingDrift, HeadingSettings
from analysis.motion.orientation import heading_between
from analysis.motion.rotation import matrices
from analysis.reference.frame import Frame
from analysis.reference.mounting import drift_part
from analysis.reference.session_reference import Reference


@dataclass(frozen=True)
class BodySettings:
    """When the body counts as turned.

    ``turn_deg`` is the least turn worth a word, ``turn_sd`` how many times its own error it must be. ``suspect`` is the
    chance of so large a turn from the gestures to all play after them, from ``suspect_deg`` on, by this hand's own
    scatter, from which on the interval is widened; ``settle_deg`` the scatter expected beforehand.

    Attributes
    ----------
    turn_deg : float
    turn_sd : float
    turn_windows : int
        Windows on each side by which a turn is judged, at most.
    away_deg : float
        Least turn of a block against its gestures worth a word: hands that find their place to 4 deg stay below 13.
    suspect_deg, settle_deg, suspect : float
    oblique : float
        Part of a turn that reaches the tilt because strokes run obliquely over the strings.
    """

    turn_deg: float = 10.0
    turn_sd: float = 4.0
    turn_windows: int = 3
    away_deg: float = 15.0
    suspect_deg: float = 5.0
    settle_deg: float = 2.5
    suspect: float = 0.005
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
    seen = {
        index: since
        for index, block in enumerate(blocks)
        if index not in known and (since := _since_gestures(motion, reference, blocks, block)) is not None
    }
    away = {index: since.turned_deg for index, since in seen.items() if abs(since.turned_deg) >= settings.away_deg}
    suspected = _suspected(seen, away, blocks, settings)
    doubts = []
    if away:
        # A hand that settles anew for each block hides part of one turn in some of them.
        postures = {(blocks[i].posture, np.sign(deg)) for i, deg in away.items()}
        away |= {
            i: since.turned_deg
            for i, since in seen.items()
            if (blocks[i].posture, np.sign(since.turned_deg)) in postures
            and abs(since.turned_deg) >= 0.5 * settings.away_deg
        }
        doubts.append(_away_doubt(dict(sorted(away.items())), reference, blocks))
    if suspected:
        doubts.append(_suspicion(suspected, reference, blocks))
    return doubts


def _away_doubt(away: dict[int, float], reference: Reference, blocks: Sequence[Event]) -> Doubt:
    most_deg, worth = _largest(away, reference, blocks)
    places = name_blocks(list(away))
    fault = (
        f"in {places} the hand points {most_deg:.0f} deg away, about the vertical, from where it did in the gestures"
    )
    evidence = (
        "a hand that comes back to its place turns less: player and instrument may have turned with it, and tilts may "
        f"be {worth:.1f} deg off"
    )
    change = "keep the chair where it is, or repeat across and along"
    return Doubt("turn", "likely", fault, evidence, change, tuple(away), se_deg=worth / 1.96)


def _suspicion(turned: dict[int, float], reference: Reference, blocks: Sequence[Event]) -> Doubt:
    """What only widens the interval: a hand that settles anew does it too, seldom."""
    most_deg, worth = _largest(turned, reference, blocks)
    return Doubt(
        "attitude",
        "sure",
        "the hand pointed elsewhere in play than at the gestures",
        f"it turned by {most_deg:.0f} deg about the vertical, as if the chair had turned; a hand that settles "
        f"differently does the same; if the instrument turned too, tilts are up to {worth:.1f} deg off",
        "if you turned, repeat across and along",
        tuple(turned),
        se_deg=worth / 1.96,
    )


def _largest(turned: dict[int, float], reference: Reference, blocks: Sequence[Event]) -> tuple[float, float]:
    """The largest of these turns by block, and the most that one is worth in tilt, deg."""
    worth = max(_worth_deg(deg, reference.frame(blocks[i].posture, blocks[i].start_s)) for i, deg in turned.items())
    return max(map(abs, turned.values())), worth


def _suspected(
    seen: dict[int, _SinceGestures], away: dict[int, float], blocks: Sequence[Event], settings: BodySettings
) -> dict[int, float]:
    """Turns from the gestures to all blocks that follow them, larger than this hand's own scatter mostly makes them."""
    suspected: dict[int, float] = {}
    found = {blocks[i].posture for i in away}
    groups: dict[tuple[str, float], dict[int, _SinceGestures]] = {}
    for i, since in seen.items():
        if blocks[i].posture not in found:
            groups.setdefault((blocks[i].posture, since.times_s[0]), {})[i] = since
    for own in groups.values():
        gestures = next(iter(own.values()))
        turned = np.array([since.turned_deg for since in own.values()])
        middle_s = [0.5 * (blocks[i].start_s + blocks[i].end_s) for i in own]
        n, k = gestures.own_deg.size, turned.size
        # Two means are told from n + k poses; the assumed unrest counts as two poses' worth of evidence.
        freedom = n + k
        squares = n * gestures.own_deg.var() + k * turned.var() + 2 * settings.settle_deg**2
        part = 1 / n + 1 / k + drift_part(np.concatenate([gestures.times_s, middle_s]), n)
        shift = float(turned.mean() - gestures.own_deg.mean())
        chance = 2 * t_distribution.sf(abs(shift) / np.sqrt(squares / freedom * part), freedom)
        if abs(shift) >= settings.suspect_deg and chance < settings.suspect:
            suspected |= dict.fromkeys(own, shift)
    return dict(sorted(suspected.items()))


@dataclass(frozen=True)
class _SinceGestures:
    """Turn of a block about the vertical against its gestures' mean, drift taken out, and the gestures' own turns."""

    turned_deg: float
    own_deg: FloatArray
    times_s: FloatArray


def _since_gestures(
    motion: Motion, reference: Reference, blocks: Sequence[Event], block: Event
) -> _SinceGestures | None:
    """None without gestures before the block."""
    before = [q for q in reference.qualities if q.posture in (block.posture, "") and q.end_s <= block.start_s]
    before = [q for q in before if q.posture == block.posture] or before
    played_s = max((b.end_s for b in blocks if before and b.end_s <= before[-1].start_s), default=-np.inf)
    latest = [gesture for gesture in before if gesture.start_s >= played_s]
    if not latest:
        return None
    spans_s = [(each.start_s, each.end_s) for each in latest] + [(block.start_s, block.end_s)]
    poses = [_mean_rotation(motion, start_s + 0.5, end_s - 0.5) for start_s, end_s in spans_s]
    mean = np.mean(poses[:-1], axis=0)
    yaw = np.array([heading_between(mean, pose) for pose in poses])
    times_s = np.array(spans_s).mean(axis=1)
    drift_rad = reference.drift.mean_rad(np.append(times_s, times_s[:-1].mean()))
    turned = (np.degrees(yaw - (drift_rad[:-1] - drift_rad[-1])) + 180.0) % 360.0 - 180.0
    return _SinceGestures(float(turned[-1]), turned[:-1], times_s[:-1])


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
