r"""Play that changes between two tilts by groups of strokes: recognised, never averaged into one that nobody played.

Two explanations of a block's tilts ``y_i`` compete. One tilt that wanders,

.. math:: y_i = \mu + u_i + e_i , \qquad u_i = \phi u_{i-1} + w_i                                          (10)

by a Kalman filter, and two tilts with a hidden switch,

.. math:: y_i = \mu_{z_i} + e_i , \qquad P(z_i \neq z_{i-1}) = 1 / L                                        (11)

by the forward pass of a hidden Markov model. A stroke at a switch may lie half way, as it joins a turn of the one tilt
to a turn of the other: it is then of neither. Both have four parameters, so their likelihoods compare as they are. Two
tilts are said only where they also lie apart by more than their strokes scatter, and change more than twice.

References
----------
Rabiner, Proc. IEEE 77, 1989, 257-286, for the forward-backward sums and the re-estimation; Harvey, Forecasting,
Structural Time Series Models and the Kalman Filter, 1989, section 3.4, for the likelihood of (10).
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import truediv

import numpy as np
from scipy.optimize import minimize

from analysis.model.records import BoolArray, FloatArray, IntArray, TiltGroup

ROUNDS = 40
SCREEN_SD = 2.9
"""Tilts that are not split further apart than this are those of one group: no need to fit two."""


@dataclass(frozen=True)
class MixedSettings:
    """When two tilts are said.

    ``gain`` is the log likelihood by which two tilts must explain the strokes better than one that wanders;
    ``apart_sd`` and ``apart_deg`` how far they lie apart at least; ``visits`` how often each is played; ``least_run``
    is the mean length of either's groups: single strokes aside, as at changes of string, are none. ``most_strokes``
    bounds what is looked at.
    """

    gain: float = 10.0
    apart_sd: float = 3.0
    apart_deg: float = 4.0
    visits: int = 2
    least_run: float = 3.0
    most_strokes: int = 600


def find_groups(tilt_deg: FloatArray, down: BoolArray, settings: MixedSettings) -> tuple[TiltGroup, ...]:
    """The two tilts of a block that changes between them; nothing for a block of one tilt, however it wanders.

    Parameters
    ----------
    tilt_deg : float64 (n,)
        Strokes in time order.
    down : bool (n,)
        Downstrokes; what they differ from upstrokes by is left out.
    settings : MixedSettings

    Returns
    -------
    tuple of TiltGroup
        Two, the larger tilt first, or none.

    Examples
    --------
    >>> noise = 0.8 * np.random.default_rng(1).normal(size=160)
    >>> down = np.arange(160) % 2 == 0
    >>> groups = find_groups(np.where(np.arange(160) // 8 % 2, 15.0, -15.0) + noise, down, MixedSettings())
    >>> [round(group.tilt_deg) for group in groups], groups[0].mean_run
    ([15, -15], 8.0)
    >>> find_groups(10 + noise, down, MixedSettings())
    ()
    """
    tilt = tilt_deg[: settings.most_strokes]
    if tilt.size < 4 * settings.visits or np.ptp(tilt) < settings.apart_deg:
        return ()
    y = _without_direction(tilt, down[: tilt.size])
    if _split_apart_sd(y) < SCREEN_SD:
        return ()
    fit = _fit_switching(y)
    low, high = sorted(fit.means)
    if high - low < max(settings.apart_deg, settings.apart_sd * fit.sd):
        return ()
    upper = fit.share > 0.5
    runs = np.split(np.arange(y.size), np.flatnonzero(np.diff(upper.astype(np.int8))) + 1)
    visits = [sum(bool(upper[run[0]]) is which for run in runs) for which in (True, False)]
    strokes = (np.count_nonzero(upper), np.count_nonzero(~upper))
    if min(visits) < settings.visits or min(map(truediv, strokes, visits)) < settings.least_run:
        return ()
    if fit.log_likelihood - _wandering_log_likelihood(y) < settings.gain:
        return ()
    clear = fit.between < 0.5
    return tuple(_group(tilt, [run for run in runs if bool(upper[run[0]]) is which], clear) for which in (True, False))


def _split_apart_sd(y: FloatArray) -> float:
    """How far two halves of the tilts lie apart, in standard deviations within them: 2.65 for a normal distribution."""
    upper = y > 0.5 * (np.percentile(y, 10) + np.percentile(y, 90))
    if upper.all() or not upper.any():
        return 0.0
    within = np.where(upper, y - y[upper].mean(), y - y[~upper].mean())
    return float((y[upper].mean() - y[~upper].mean()) / max(float(within.std()), 1e-9))


def _without_direction(tilt: FloatArray, down: BoolArray) -> FloatArray:
    """Tilts less what downstrokes have more than upstrokes, each against its neighbours of the other direction."""
    if down.all() or not down.any():
        return tilt
    inner = 0.5 * (tilt[:-2] + tilt[2:]) - tilt[1:-1]
    apart = np.median(np.where(down[1:-1], -inner, inner))
    return np.asarray(tilt - np.where(down, 0.5, -0.5) * apart)


def _group(tilt: FloatArray, runs: list[IntArray], clear: BoolArray) -> TiltGroup:
    """One tilt: its runs are what varies independently; strokes between both tilts say nothing of either."""
    own = [run[clear[run]] for run in runs if clear[run].any()]
    members = np.concatenate(own)
    means = np.array([tilt[run].mean() for run in own])
    sizes = np.array([run.size for run in own], dtype=np.float64)
    mean = float(tilt[members].mean())
    weight = sizes / sizes.sum()
    spread = float(weight**2 @ (means - mean) ** 2) * len(own) / max(1, len(own) - 1)
    se = np.sqrt(max(spread, float(tilt[members].var(ddof=1)) / members.size))
    return TiltGroup(mean, float(se), None, int(members.size), len(runs), float(np.mean([run.size for run in runs])))


@dataclass(frozen=True)
class _Switching:
    """Both means, the scatter, each stroke's probability of the larger mean (n,), and of lying between them (n,)."""

    means: FloatArray
    sd: float
    share: FloatArray
    between: FloatArray
    log_likelihood: float


def _fit_switching(y: FloatArray) -> _Switching:
    """Equation (11) by expectation and maximisation, from the halves of the tilts."""
    middle = 0.5 * (np.percentile(y, 10) + np.percentile(y, 90))
    means = np.array([np.median(y[y <= middle]), np.median(y[y > middle])])
    sd, leave = max(float(y.std()) / 3, 0.05), 1 / 8
    likelihood, share, between = -np.inf, np.zeros(y.size), np.zeros(y.size)
    for _ in range(ROUNDS):
        levels = np.append(means, means.mean())
        density = np.exp(-0.5 * ((y[:, None] - levels) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) + 1e-12
        gamma, switches, now = _forward_backward(density, leave)
        weight = gamma[:, :2] / np.maximum(gamma[:, :2].sum(axis=0), 1e-9)
        means = (weight * y[:, None]).sum(axis=0)
        levels = np.append(means, means.mean())
        sd = max(float(np.sqrt((gamma * (y[:, None] - levels) ** 2).sum() / y.size)), 0.05)
        leave = float(np.clip(switches / max(1, y.size - 1), 1e-3, 0.5))
        share, between = gamma[:, int(means.argmax())] + 0.5 * gamma[:, 2], gamma[:, 2]
        if now - likelihood < 1e-4:
            break
        likelihood = now
    return _Switching(means, sd, share, between, now)


def _forward_backward(density: FloatArray, leave: float) -> tuple[FloatArray, float, float]:
    """Probabilities (n, 3) of lying at either mean or between them, expected number of switches, log likelihood.

    ``density`` (n, 3) of both means and of half way. A stroke that switches is as likely half way as at the new mean.
    """
    n = len(density)
    step = np.empty((n, 2, 2))
    for z in (0, 1):
        step[:, z, z] = (1 - leave) * density[:, z]
        step[:, 1 - z, z] = 0.5 * leave * (density[:, z] + density[:, 2])
    ahead, scale = np.empty((n, 2)), np.empty(n)
    now = np.array([0.5, 0.5])
    for i in range(n):
        now = now @ step[i] if i else now * density[0, :2]
        scale[i] = now.sum()
        now = now / scale[i]
        ahead[i] = now
    behind = np.ones((n, 2))
    for i in range(n - 2, -1, -1):
        behind[i] = step[i + 1] @ behind[i + 1] / scale[i + 1]
    gamma = ahead * behind
    gamma /= gamma.sum(axis=1, keepdims=True)
    other = ahead[:-1, ::-1] * step[1:, [1, 0], [0, 1]] * behind[1:] / scale[1:, None]
    half = other * density[1:, 2:] / (density[1:, :2] + density[1:, 2:])
    at = gamma - np.vstack([np.zeros(2), half])
    between = np.append(0.0, half.sum(axis=1))
    return np.column_stack([at, between]), float(other.sum()), float(np.log(scale).sum())


def _wandering_log_likelihood(y: FloatArray) -> float:
    """Largest log likelihood of equation (10)."""
    centred = y - y.mean()
    variance = float(centred.var())

    def cost(parameters: FloatArray) -> float:
        phi = 1 / (1 + np.exp(-parameters[0]))
        return -_kalman(centred, phi, variance * np.exp(parameters[1]), variance * np.exp(parameters[2]))

    starts = (np.array([3.0, -2.0, -1.0]), np.array([1.5, -0.7, -3.0]))
    return -min(float(minimize(cost, start, method="Nelder-Mead", options={"maxfev": 80}).fun) for start in starts)


def _kalman(y: FloatArray, phi: float, noise: float, moved: float) -> float:
    """Log likelihood of a first-order wander seen through noise."""
    state, spread = 0.0, moved / max(1e-6, 1 - phi * phi)
    total = 0.0
    for value in y.tolist():
        seen = spread + noise
        error = value - state
        total -= 0.5 * (np.log(2 * np.pi * seen) + error * error / seen)
        gain = spread / seen
        state = phi * (state + gain * error)
        spread = phi * phi * (1 - gain) * spread + moved
    return float(total)
