"""Staircases: convergence against published points, and invented players who learn, tire and plateau."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.stats import norm

from analysis.model.errors import InputError
from analysis.model.records import FloatArray
from analysis.questions.staircase import StaircaseSettings, WeightedUpDown, start_staircase

BURST_S, PAUSE_S, MINUTES = 12.0, 8.0, 10.0


@pytest.mark.parametrize("target", [0.5, 0.75, 0.9])
def test_the_weighted_up_down_comes_to_rest_at_its_target(target: float) -> None:
    """Kaernbach 1991: steps in the ratio (1 - p) : p rest at the level where a trial holds with chance p."""
    rng = np.random.default_rng(7)
    held, staircase = [], WeightedUpDown(0.0, 0.02 * (1 - target) / 0.5, target)
    for _ in range(40_000):
        held.append(rng.random() < 1 / (1 + np.exp(4 * staircase.level)))
        staircase = staircase.after(held[-1])
    assert np.mean(held[4000:]) == pytest.approx(target, abs=0.01)


def test_step_ratio_for_three_quarters_is_one_to_three() -> None:
    """Kaernbach 1991: for 75 %, down three steps after a wrong answer, up one after a right one."""
    assert WeightedUpDown(0.0, 2.0, 0.75).step_down == pytest.approx(6.0)


def _watson_pelli(distance: FloatArray, _width: FloatArray) -> FloatArray:
    """Their function of contrast in 20 dB units (log10), with beta 3.5, gamma .5, delta .01; harder is lower."""
    log10 = -distance / np.log(10)
    weibull = 1 - np.exp(-(10 ** (3.5 * np.clip(log10, -3, 3))))
    return np.asarray(0.01 * 0.5 + 0.99 * (0.5 + 0.5 * weibull))


def test_the_bayesian_staircase_is_as_efficient_as_its_trials_allow() -> None:
    """Watson and Pelli 1983: of two alternatives the best trials are near 92 % right, and the spread of the estimate
    after n trials comes near the ideal of Taylor and Creelman 1967, a constant over the root of n (from memory)."""
    x = np.linspace(-0.6, 0.6, 2401)
    p = _watson_pelli(-x, x)
    information = np.gradient(p, x) ** 2 / (p * (1 - p))
    assert p[information.argmax()] == pytest.approx(0.92, abs=0.02)
    trials, found = 100, []
    best = x[information.argmax()]
    settings = StaircaseSettings(widths=(1.0,), correlation=0.0, wander=0.0)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        truth = rng.normal(0.0, 0.2)
        staircase = replace(start_staircase(1.0, 0.3, settings), share=_watson_pelli)
        for _ in range(trials):
            level = np.log(staircase.estimate.tempo) - best
            right = rng.random() < _watson_pelli(np.array(level - truth), np.array(1.0))
            staircase = staircase.tell(float(np.exp(level)), int(right), 1)
        found.append(np.log(staircase.estimate.tempo) - truth)
    ideal = 1 / np.sqrt(trials * information.max())
    assert 0.8 * ideal < float(np.std(found)) < 1.5 * ideal
    assert abs(np.mean(found)) < 3 * ideal / np.sqrt(60) + 0.2 * ideal


@dataclass(frozen=True)
class InventedPlayer:
    """Margin beyond the dead band in degrees, falling along a bent curve; nothing of it is the staircase's model."""

    speed: float
    slope: float
    scatter_deg: float
    block_deg: float
    learns: float
    tires: float

    def margin_deg(self, tempo: float, minute: float) -> float:
        form = self.learns * (1 - np.exp(-minute / 3)) - self.tires * max(0.0, minute - 5) / 5
        beyond = np.log(tempo / self.speed) - form
        return float(12 - self.slope * np.logaddexp(0, 12 * (beyond + 0.15)) / 12)

    def hold_tempo(self, minute: float) -> float:
        """Where 95 of 100 strokes lie above 0, over blocks and strokes."""
        tempi = np.exp(np.linspace(np.log(40), np.log(320), 4000))
        need = norm.ppf(0.95) * np.hypot(self.scatter_deg, self.block_deg)
        return float(tempi[np.argmin([abs(self.margin_deg(t, minute) - need) for t in tempi])])

    def burst(self, tempo: float, minute: float, rng: np.random.Generator) -> tuple[int, int]:
        strokes = int(BURST_S * tempo / 15)
        noise = np.empty(strokes)
        noise[0] = rng.normal()
        for i in range(1, strokes):
            noise[i] = 0.5 * noise[i - 1] + np.sqrt(0.75) * rng.normal()
        level = self.margin_deg(tempo, minute) + self.block_deg * rng.normal()
        return int((level + self.scatter_deg * noise > 0).sum()), strokes


def draw_player(rng: np.random.Generator) -> InventedPlayer:
    return InventedPlayer(
        speed=float(rng.uniform(80, 200)),
        slope=float(np.exp(rng.uniform(np.log(12), np.log(80)))),
        scatter_deg=float(rng.uniform(2, 4)),
        block_deg=float(rng.uniform(0.5, 3.0)),
        learns=float(rng.choice([0.0, 0.05, 0.1, 0.2])),
        tires=float(rng.choice([0.0, 0.03, 0.08, 0.15])),
    )


def find_hold_error(seed: int) -> float:
    """Error of the hold tempo, as a logarithm, after ten minutes with the pauses; the truth is that of the end."""
    rng = np.random.default_rng(seed)
    player = draw_player(rng)
    staircase = start_staircase(player.speed * float(np.exp(rng.normal(-0.1, 0.15))), 0.2)
    minute, each = 0.0, (BURST_S + PAUSE_S) / 60
    while minute + each <= MINUTES:
        tempo = staircase.next_tempo
        staircase = staircase.tell(tempo, *player.burst(tempo, minute, rng))
        minute += each
    return float(np.log(staircase.estimate.tempo / player.hold_tempo(minute)))


def test_ten_minutes_find_the_hold_tempo_of_players_who_learn_tire_and_plateau() -> None:
    errors = np.abs([find_hold_error(seed) for seed in range(80)])
    assert np.median(errors) < 0.05
    assert np.quantile(errors, 0.9) < 0.12


def test_never_more_than_one_rung_above_what_was_held() -> None:
    staircase = start_staircase(200.0, 0.2).tell(100.0, 100, 100)
    assert staircase.next_tempo <= 105.0 + 1e-9
    failed = start_staircase(200.0, 0.2).tell(100.0, 40, 100)
    assert failed.next_tempo <= 100 / 1.05 + 1e-9


@pytest.mark.parametrize(("tempo", "held", "strokes"), [(0.0, 1, 2), (np.nan, 1, 2), (90.0, 3, 2), (90.0, 0, 0)])
def test_bursts_that_cannot_be_are_refused(tempo: float, held: int, strokes: int) -> None:
    with pytest.raises(InputError, match="expected a tempo above 0"):
        start_staircase(90.0).tell(tempo, held, strokes)


def test_steps_and_targets_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="expected a target"):
        WeightedUpDown(0.0, 0.1, 1.0)
    with pytest.raises(InputError, match="known to"):
        start_staircase(90.0, 3.0)
