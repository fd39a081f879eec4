r"""How well the stills tell the gyroscope's bias, and how the bias drifts afterwards.

On a table a still shows the bias and the sensor's noise. On a lap it moves: the mean rate is bias plus a real turn.
What turns gravity is seen by the accelerometer and shows how much moved (C3); the turn about the vertical is unseen,
and taken to be as large.

.. math:: \theta_h / T = \bar\omega_h - b_h, \qquad
          \mathrm{se}(b)^2 = \overline{\omega_h}^2_{\text{seen}} + \sigma_w^2 / T                       (C3)

Afterwards the horizontal part of the bias is followed by gravity: over windows of 20 s the gyroscope's own attitude
``R`` turns the accelerometer's mean by ``(\int R\,\delta b) \times g`` (C4). The windows' biases are joined by a random
walk whose size they tell themselves. The part along gravity is left to other stills off the hand, whose mean rate is
the bias on all axes, and to the hand's heading, which is told how large the walk is.

References
----------
Rauch, Tung and Striebel, AIAA Journal 3, 1965, for the smoother (here as one banded system).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from analysis.model.records import NOT_WORN, Event, FloatArray
from analysis.motion.orientation import gapless_parts, integrate_rotations
from analysis.motion.rotation import matrices
from analysis.motion.stillness import stillest_window
from analysis.signal.pieces import all_sound, thinned
from analysis.signal.working_grid import Signals

QUIET_MEAN_S = 0.1
QUIET_DPS = 0.15
"""A table lets the means over 0.1 s vary by less; a lap or a hand by more."""
HAND_DPS = 12.0
FOLLOW_S = 20.0
FOLLOW_HZ = 25.0
MEAN_S = 2.0
MEAN_SD_RAD = 0.012
"""Least scatter (rad) of gravity's direction in means over two seconds: what a quiet hand leaves."""
WALKS_DPS_RTS = (0.0, 0.002, 0.005, 0.01, 0.02, 0.05)
WALK_GAIN = 6.0
"""A walk is believed where it lowers -log likelihood by this (about 3.5 standard errors)."""
LEAST_WINDOWS = 3
START_SD_RADPS = np.radians(0.02)
LEAST_STEP_S = 1e-3


@dataclass(frozen=True)
class StillQuality:
    """How still a still was.

    Attributes
    ----------
    moving_dps : float
        RMS of the rate's means over 0.1 s about their mean, all axes together.
    noise_dps : float
        What the sensor's own white noise adds to that.
    bias_se_dps : float
        Standard error of the bias about the vertical, by (C3).
    quiet : bool
        As quiet as on a table.
    """

    moving_dps: float
    noise_dps: float
    bias_se_dps: float
    quiet: bool

    def limit_dps(self, off_hand: bool) -> float:
        """The most that ``moving_dps`` may be: on a table, or on a hand that breathes."""
        return max(QUIET_DPS, 2.0 * self.noise_dps) if off_hand else HAND_DPS

    def good(self, off_hand: bool) -> bool:
        """Whether it will do."""
        return self.moving_dps <= self.limit_dps(off_hand)


@dataclass(frozen=True)
class BiasHistory:
    """The gyroscope's bias over a session, less that of its still.

    Attributes
    ----------
    start_se_dps : float
        Of the still's own bias about the vertical.
    walk_dps_rts : float
        Size of the random walk after it; 0 where none is seen.
    time_s : float64 (k,)
    bias_radps : float64 (k, 3)
        Sensor axes.
    """

    start_se_dps: float
    walk_dps_rts: float
    time_s: FloatArray
    bias_radps: FloatArray


def measure_still(accel: FloatArray, gyro: FloatArray, rate_hz: float) -> StillQuality:
    """Say how still a stretch is, and what its mean rate is worth as the bias.

    Parameters
    ----------
    accel, gyro : float64 (n, 3)
        m/s2 and rad/s, at least half a second.
    rate_hz : float

    Returns
    -------
    StillQuality
        deg/s.
    """
    factor = max(1, round(QUIET_MEAN_S * rate_hz))
    count = max(1, len(gyro) // factor)
    means = np.degrees(gyro[: count * factor].reshape(count, -1, 3).mean(axis=1))
    moving = float(np.sqrt(((means - means.mean(axis=0)) ** 2).sum(axis=1).mean()))
    white = np.degrees(np.sqrt((np.diff(gyro, 2, axis=0) ** 2).sum(axis=1).mean() / 6)) if len(gyro) > 2 else 0.0
    noise = float(white / np.sqrt(factor))
    length_s = len(gyro) / rate_hz
    third = max(1, len(accel) // 3)
    first, last = accel[:third].mean(axis=0), accel[-third:].mean(axis=0)
    turned = np.degrees(np.linalg.norm(np.cross(first, last)) / (np.linalg.norm(first) * np.linalg.norm(last)))
    # Two horizontal axes are seen, one vertical is not; the thirds' middles are two thirds of the still apart.
    seen = float(turned / np.sqrt(2.0) / (length_s * 2 / 3))
    quiet = moving <= max(QUIET_DPS, 2.0 * noise)
    # A slow turn hides in a mean; a fast one of size m over n independent tenths of a second leaves m / sqrt(n).
    left = float(np.hypot(noise, 0.0 if quiet else moving) / np.sqrt(count))
    return StillQuality(moving, noise, float(np.hypot(0.0 if quiet else seen, left)), quiet)


def judge_first_still(signals: Signals, events: Sequence[Event]) -> StillQuality | None:
    """The quality of the two seconds that the bias comes from; ``signals`` before or after it was taken off."""
    part = stillest_window(signals, events)
    if part.stop - part.start < 0.5 * signals.grid.rate_hz:
        return None
    return measure_still(signals.accel_mps2[part], signals.gyro_radps[part], signals.grid.rate_hz)


def follow_bias(signals: Signals, events: Sequence[Event]) -> BiasHistory:
    """Follow the gyroscope's bias by gravity (C4) and by every other still off the hand; ``signals`` less its bias.

    Parameters
    ----------
    signals : Signals
        m/s2 and rad/s, less the still's bias.
    events : sequence of Event
        In order.

    Returns
    -------
    BiasHistory
        Its standard error in deg/s, its drift since the still in rad/s, (k, 3) at (k,) times.
    """
    quality = judge_first_still(signals, events)
    part = stillest_window(signals, events)
    start_se = quality.bias_se_dps if quality is not None else 0.0
    known_s = signals.grid.time_at(0.5 * (part.start + part.stop))
    seen = (_seen_biases(signals), _still_biases(signals, events, part))
    times, pulls, information = (np.concatenate(both) for both in zip(*seen, strict=True))
    nothing = BiasHistory(start_se, 0.0, np.array([known_s]), np.zeros((1, 3)))
    if len(seen[0][0]) < LEAST_WINDOWS and not len(seen[1][0]):
        return nothing
    since = times - known_s
    fits = [_smooth(since, pulls, information, np.radians(walk), np.radians(start_se)) for walk in WALKS_DPS_RTS]
    best = int(np.argmin([cost for cost, _ in fits]))
    best = best if fits[0][0] - fits[best][0] > WALK_GAIN else 0
    if best == 0 and (quality is None or quality.quiet):
        return nothing
    order = np.argsort(times)
    return BiasHistory(start_se, WALKS_DPS_RTS[best], times[order], fits[best][1][order])


def less_drift(signals: Signals, history: BiasHistory) -> Signals:
    """The signals less the bias's drift since the still.

    Parameters
    ----------
    signals : Signals
    history : BiasHistory
        As :func:`follow_bias` gives it.

    Returns
    -------
    Signals
        Unchanged where no drift was found.
    """
    if not history.bias_radps.any():
        return signals
    time_s = signals.grid.time_at(np.arange(len(signals.gyro_radps), dtype=np.float64))
    drift = np.stack([np.interp(time_s, history.time_s, bias) for bias in history.bias_radps.T], axis=1)
    return replace(signals, gyro_radps=signals.gyro_radps - drift)


_Told = tuple[FloatArray, FloatArray, FloatArray]
"""Middle (k,), pull (k, 3) and information (k, 3, 3) of biases."""


def _still_biases(signals: Signals, events: Sequence[Event], known: slice) -> _Told:
    """What the quiet stills off the hand tell besides the one that the bias comes from."""
    times, pulls, information = [], [], []
    for event in (e for e in events if e.kind == "still" and e.label in NOT_WORN):
        part = signals.grid.slice_of(event.start_s, event.end_s)
        apart = part.stop <= known.start or part.start >= known.stop
        if not apart or part.stop - part.start < signals.grid.rate_hz or not signals.grid.valid[part].all():
            continue
        gyro = signals.gyro_radps[part]
        quality = measure_still(signals.accel_mps2[part], gyro, signals.grid.rate_hz)
        if quality.quiet:
            weight = 1.0 / (START_SD_RADPS**2 + np.radians(quality.bias_se_dps) ** 2)
            times.append(signals.grid.time_at(0.5 * (part.start + part.stop)))
            pulls.append(weight * gyro.mean(axis=0))
            information.append(weight * np.eye(3))
    return np.array(times), np.reshape(pulls, (-1, 3)), np.reshape(information, (-1, 3, 3))


def _seen_biases(signals: Signals) -> _Told:
    """What gravity tells of each window, by (C4)."""
    nothing = (np.empty(0), np.empty((0, 3)), np.empty((0, 3, 3)))
    factor = max(1, round(signals.grid.rate_hz / FOLLOW_HZ))
    rate = signals.grid.rate_hz / factor
    count, size = len(signals.grid.valid) // factor, round(FOLLOW_S * signals.grid.rate_hz / factor)
    # Over a long gap the hand turns unseen: a window ends there.
    parts = [(-(-part.start // factor), min(part.stop // factor, count)) for part in gapless_parts(signals.grid)]
    first = np.concatenate([np.arange(start, stop - size + 1, size) for start, stop in parts])
    rows = first[:, None] + np.arange(size)
    if not len(rows):
        return nothing
    rows = rows[all_sound(signals.grid.valid, factor)[rows].mean(axis=1) > 0.98]
    if not len(rows):
        return nothing
    accel, gyro = (thinned(x, factor)[rows] for x in (signals.accel_mps2, signals.gyro_radps))
    rotation = matrices(integrate_rotations(gyro, rate).reshape(-1, 4)).reshape(*gyro.shape, 3)
    force = np.einsum("knij,knj->kni", rotation, accel)
    turned = np.cumsum(rotation, axis=1) / rate
    step = round(MEAN_S * rate)
    means = size // step
    force, turned = (
        x[:, : means * step].reshape(len(rows), means, step, *x.shape[2:]).mean(axis=2) for x in (force, turned)
    )
    pulls, information = np.empty((len(rows), 3)), np.empty((len(rows), 3, 3))
    for k in range(len(rows)):
        pulls[k], information[k] = _one_window(force[k], turned[k])
    middles = signals.grid.time_at((rows.mean(axis=1) + 0.5) * factor)
    return middles, pulls, information


def _one_window(force: FloatArray, turned: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of ``force = g + (integral R b) x g``; the mean of each side is projected out."""
    gravity = force.mean(axis=0)
    length = float(np.linalg.norm(gravity))
    columns = np.stack([np.cross(turned[:, :, axis], gravity) for axis in range(3)], axis=2) / length
    target = (force - gravity) / length
    columns = columns - columns.mean(axis=0)
    a, y = columns.reshape(-1, 3), target.reshape(-1)
    solution = np.linalg.lstsq(a, y, rcond=1e-6)[0]
    left = y - a @ solution
    scatter2 = max(float(left @ left) / max(1, y.size - 6), MEAN_SD_RAD**2)
    information = a.T @ a / scatter2
    return a.T @ y / scatter2, information


def _smooth(
    since_s: FloatArray, pulls: FloatArray, information: FloatArray, walk: float, start_se: float
) -> tuple[float, FloatArray]:
    """-log likelihood (less a constant) and mean (k, 3) of a bias that walks both ways from its value at the still.

    With the prior's precision Q, the data's information L and their pulls p, the likelihood is
    ``(log|Q + L| - log|Q| - p' (Q + L)^-1 p) / 2``. A walk's Q has blocks beside the diagonal only: linear in k.
    """
    start_var = start_se**2 + START_SD_RADPS**2
    if walk == 0.0:
        whole, pull = np.eye(3) / start_var + information.sum(axis=0), pulls.sum(axis=0)
        mean = np.linalg.solve(whole, pull)
        cost = 0.5 * (float(np.linalg.slogdet(start_var * whole)[1]) - float(pull @ mean))
        return cost, np.tile(mean, (len(since_s), 1))
    order = np.argsort(since_s)
    still = int(np.searchsorted(since_s[order], 0.0))  # a place of its own among the windows, without data
    times = np.insert(since_s[order], still, 0.0)
    pulled = np.insert(pulls[order], still, 0.0, axis=0)
    step = 1.0 / (walk**2 * np.maximum(np.diff(times), LEAST_STEP_S))
    blocks = np.insert(information[order], still, np.eye(3) / start_var, axis=0)
    blocks[1:] += step[:, None, None] * np.eye(3)
    blocks[:-1] += step[:, None, None] * np.eye(3)
    bands = np.zeros((4, 3 * len(times)))
    for row in range(3):
        for column in range(row + 1):
            bands[row - column, column::3] = blocks[:, row, column]
    bands[3, :-3] = -np.repeat(step, 3)
    factor = linalg.cholesky_banded(bands, lower=True)
    mean = linalg.cho_solve_banded((factor, True), pulled.ravel())
    prior_log_det = 3.0 * float(np.log(step).sum() - np.log(start_var))
    cost = 0.5 * (2.0 * float(np.log(factor[0]).sum()) - prior_log_det - float(pulled.ravel() @ mean))
    found = np.empty((len(since_s), 3))
    found[order] = np.delete(mean.reshape(-1, 3), still, axis=0)
    return cost, found
