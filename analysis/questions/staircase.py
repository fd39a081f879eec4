r"""Which tempo to play next, and which tempo holds: two adaptive staircases with a stated target.

**Weighted up-down.** One answer a trial, held or not. Up by ``s`` after a trial that held, down by ``d`` after one that
did not; the level comes to rest where both weigh the same,

.. math:: p^* s = (1 - p^*) d                                                                                  (1)

**Bayesian.** A trial is a burst of ``n`` strokes of which ``k`` held. The share that holds at log tempo :math:`x` is

.. math:: P(x) = (1 - \delta) \exp\left( \ln\frac{p^*}{1 - \delta} \, e^{(x - \theta) / w} \right)            (2)

so that :math:`P(\theta) = p^*`: the target, .95, is the definition of the hold tempo. Strokes of one burst share its
form of the moment, so ``k`` is beta-binomial with correlation :math:`\rho`. The posterior of :math:`\theta` and
:math:`w` is kept on a grid; between bursts :math:`\theta` may wander, so that a player who learns or tires is followed.
The next burst is played at the posterior mean, never more than one rung above what was held tonight.

References
----------
Kaernbach, Perception & Psychophysics 49, 1991, 227-229, for (1). Watson and Pelli, Perception & Psychophysics 33,
1983, 113-120, for the posterior on a grid and for (2), there of contrast. King-Smith et al., Vision Research 34, 1994,
885-912, for the mean, not the mode, as the next level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from analysis.model.errors import InputError
from analysis.model.records import FloatArray

HOLD_SHARE = 0.95
RUNG = 0.05
"""One rung: 5 % of tempo. Own choice."""

Share = Callable[[FloatArray, FloatArray], FloatArray]
"""Share that holds, of ``x - theta`` (log tempo) and the width."""


@dataclass(frozen=True)
class WeightedUpDown:
    """A staircase of one answer a trial, equation (1).

    Attributes
    ----------
    level : float
        Where the next trial is; a logarithm of tempo, say.
    step_up : float
        Step after a trial that held.
    target : float
        Share of trials that hold where the staircase comes to rest.
    """

    level: float
    step_up: float
    target: float = 0.75

    def __post_init__(self) -> None:
        if not 0 < self.target < 1 or not self.step_up > 0:
            raise InputError(
                expected="a target between 0 and 1 and a step above 0",
                found=f"{self.target} and {self.step_up}",
            )

    @property
    def step_down(self) -> float:
        """Step after a trial that did not hold.

        Examples
        --------
        >>> round(WeightedUpDown(0.0, 1.0, target=0.75).step_down, 9)
        3.0
        """
        return self.step_up * self.target / (1 - self.target)

    def after(self, held: bool) -> WeightedUpDown:
        """The staircase after one trial."""
        return replace(self, level=self.level + (self.step_up if held else -self.step_down))


def hold_share(distance: FloatArray, width: FloatArray) -> FloatArray:
    """Equation (2): share of strokes that hold ``distance`` beyond the hold tempo, in logarithms."""
    kept = 1 - LAPSE
    return np.asarray(kept * np.exp(np.log(HOLD_SHARE / kept) * np.exp(np.clip(distance / width, -60, 60))))


LAPSE = 0.005


@dataclass(frozen=True)
class StaircaseSettings:
    """Settings of the Bayesian staircase; ranges and spreads are own choices, as logarithms of tempo.

    Attributes
    ----------
    widths : tuple of float
        Values of ``w`` held possible: within 2.3 ``w`` beyond the hold tempo ten times as many strokes fail.
    correlation : float
        Of the strokes of one burst.
    wander : float
        Standard deviation of the change of the hold tempo from one burst to the next.
    rung : float
        Largest step above what was held tonight, as a share.
    step : float
        Of the grid.
    """

    widths: tuple[float, ...] = (0.02, 0.03, 0.045, 0.07, 0.1, 0.15)
    correlation: float = 0.06
    wander: float = 0.006
    rung: float = RUNG
    step: float = 0.01


@dataclass(frozen=True)
class HoldEstimate:
    """The hold tempo so far, in the unit of the tempi told; ``sd`` of its logarithm, 95 % interval.

    Attributes
    ----------
    tempo : float
    low, high : float
        Ends of the interval.
    sd : float
    """

    tempo: float
    low: float
    high: float
    sd: float


@dataclass(frozen=True)
class BayesStaircase:
    """Posterior of the hold tempo over a grid.

    Attributes
    ----------
    levels : float64 (n,)
        Log tempi.
    chance : float64 (m, n)
        Posterior, a row for each width; sums to 1.
    settings : StaircaseSettings
    share : Share
        Share of strokes that hold, from the distance in log tempo and the width.
    held : float or None
        Fastest tempo that was held, log; None while nothing was.
    slowest : float or None
        Slowest tempo that was played, log.
    """

    levels: FloatArray
    chance: FloatArray
    settings: StaircaseSettings
    share: Share = hold_share
    held: float | None = None
    slowest: float | None = None

    def tell(self, tempo: float, held: int, strokes: int) -> BayesStaircase:
        """The staircase after a burst of which so many strokes held.

        Raises
        ------
        InputError
            A tempo that is none, or counts that cannot be.

        Parameters
        ----------
        tempo : float
        held : int
        strokes : int

        Returns
        -------
        BayesStaircase
        """
        if not (np.isfinite(tempo) and tempo > 0 and strokes > 0 and 0 <= held <= strokes):
            raise InputError(
                expected="a tempo above 0 and held strokes among those played",
                found=f"{tempo:g}, {held} of {strokes}",
            )
        x = float(np.log(tempo))
        p = self.share(x - self.levels[None, :], np.array(self.settings.widths)[:, None])
        chance = self._wandered() * np.exp(_log_beta_binomial(held, strokes, p, self.settings.correlation))
        kept = held >= HOLD_SHARE * strokes
        fastest = x if kept and (self.held is None or x > self.held) else self.held
        slowest = x if self.slowest is None else min(self.slowest, x)
        return replace(self, chance=chance / chance.sum(), held=fastest, slowest=slowest)

    @property
    def estimate(self) -> HoldEstimate:
        """Median of the posterior with its 95 % interval."""
        own = self.chance.sum(axis=0)
        mean = float(own @ self.levels)
        low, middle, high = np.interp([0.025, 0.5, 0.975], np.cumsum(own) - 0.5 * own, self.levels)
        sd = float(np.sqrt(own @ (self.levels - mean) ** 2))
        return HoldEstimate(float(np.exp(middle)), float(np.exp(low)), float(np.exp(high)), sd)

    @property
    def next_tempo(self) -> float:
        """Tempo of the next burst: the posterior mean, at most one rung above what was held.

        Where nothing has held yet, one rung below the slowest that was played.
        """
        mean = float(self.chance.sum(axis=0) @ self.levels)
        rung = float(np.log1p(self.settings.rung))
        if self.held is not None:
            mean = min(mean, self.held + rung)
        elif self.slowest is not None:
            mean = min(mean, self.slowest - rung)
        return float(np.exp(mean))

    def _wandered(self) -> FloatArray:
        """The posterior one burst later: convolved with a normal distribution."""
        if self.settings.wander == 0:
            return self.chance
        reach = max(1, round(4 * self.settings.wander / self.settings.step))
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * self.settings.step / self.settings.wander) ** 2)
        kernel /= kernel.sum()
        moved = [np.convolve(row, kernel, mode="same") for row in self.chance]
        return np.asarray(np.maximum(np.array(moved), 1e-300), dtype=np.float64)


def start_staircase(tempo: float, sd: float = 0.25, settings: StaircaseSettings | None = None) -> BayesStaircase:
    """A staircase before its first burst.

    Parameters
    ----------
    tempo : float
        Where the hold tempo is expected.
    sd : float
        How sure that is: standard deviation of its logarithm.
    settings : StaircaseSettings, optional

    Returns
    -------
    BayesStaircase

    Raises
    ------
    InputError
        A tempo or a spread that is none.
    """
    if not (np.isfinite(tempo) and tempo > 0 and 0.005 <= sd <= 1.5):
        raise InputError(
            expected="a tempo above 0 known to 0.5 to 150 %",
            found=f"{tempo:g} known to {100 * sd:g} %",
        )
    settings = settings or StaircaseSettings()
    reach = 4 * sd + 0.3
    steps = int(np.ceil(reach / settings.step))
    offsets = settings.step * np.arange(-steps, steps + 1)
    prior = np.exp(-0.5 * (offsets / sd) ** 2)
    chance = np.tile(prior, (len(settings.widths), 1))
    return BayesStaircase(np.log(tempo) + offsets, chance / chance.sum(), settings)


def _log_beta_binomial(held: int, strokes: int, p: FloatArray, correlation: float) -> FloatArray:
    """Log likelihood, without what the counts alone add; a correlation of 0 is the binomial."""
    p = np.clip(p, 1e-6, 1 - 1e-6)
    if correlation == 0 or strokes == 1:
        return np.asarray(held * np.log(p) + (strokes - held) * np.log1p(-p))
    size = (1 - correlation) / correlation
    a, b = size * p, size * (1 - p)
    return np.asarray(special.betaln(held + a, strokes - held + b) - special.betaln(a, b))
