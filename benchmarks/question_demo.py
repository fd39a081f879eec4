"""A long demo of an invented scenario: a mandolin player's weeks, made anew, all seven questions beside their truth.

Run: python -m benchmarks.question_demo [FOLDER]. Without a folder nothing is kept.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.model.records import Instrument, Player, Session
from analysis.pipeline import analyse_session
from analysis.questions.clearing import judge_clearing
from analysis.questions.consistency import measure_consistency
from analysis.questions.hold import find_hold_tempo
from analysis.questions.posture import compare_postures
from analysis.questions.posture_words import say_comparison
from analysis.questions.progress import WEEK_S, follow_progress
from analysis.report.answer_sentences import say_clearing, say_consistency, say_hold
from analysis.report.progress_sections import say_trend
from analysis.report.tension_sections import say_level
from analysis.synthesis.draw import draw_hand, random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from analysis.tension.assessment import measure_tension
from benchmarks.drill_sessions import draw_player, judged
from benchmarks.question_players import SpeedPlayer
from logger.many.analyse import analyse_file
from logger.many.session_cache import summarise_folder
from logger.session.session_file import write_session

NOTE = "synthetic: an invented mandolin player and her invented tune"
MANDOLIN = Instrument("mandolin", 8, 4, (11.0, 11.0, 11.0), None, 1.5)
RESTING = Posture("hand resting")
LIFTED = Posture("hand lifted", yaw_deg=15.0, grip_change_mm=(3.0, 3.0, 2.65))
TEMPI = (80.0, 92.0, 104.0, 116.0, 128.0, 140.0, 152.0, 164.0)
WEEKS = 6
GAIN_PER_WEEK = 0.45
SEED = 20
TILT_GAP_DEG, SPREAD_DEG = 5.0, 3.2


@dataclass(frozen=True)
class Check:
    """One figure of the demo: the interval that was given, the truth, and the answer in words."""

    question: str
    figure: str
    low: float
    high: float
    true: float
    answer: str

    @property
    def agrees(self) -> bool:
        """Whether the truth lies in the interval."""
        return self.low <= self.true <= self.high


def player_of_week(week: int) -> SpeedPlayer:
    """How her tilt falls with speed in that week."""
    return SpeedPlayer(20.0, 15.0, 7.6 + GAIN_PER_WEEK * week, 0.5, 1.2, 0.3, 0.5, 0.5)


def hold_of_week(week: int) -> float:
    """True hold tempo (strokes/s) on the mandolin, whose dead band differs from the guitar's."""
    player = player_of_week(week)
    speeds = np.linspace(4.0, 13.0, 9001)
    sd = np.sqrt(player.scatter**2 + player.block_sd**2 + player.wander**2)
    margin = np.array([player.tilt_deg(float(v)) for v in speeds]) - MANDOLIN.dead_band_deg - 1.6449 * sd
    return float(speeds[np.flatnonzero(margin >= 0)[-1]])


def _scenario(blocks: Sequence[PlayBlock], repetitions: int) -> Scenario:
    return replace(
        random_scenario(SEED, rate_hz=200.0),
        instrument=MANDOLIN,
        player=Player("invented mandolin player"),
        hand=None,
        blocks=tuple(blocks),
        postures=(RESTING, LIFTED),
        gestures=GesturePlan(repetitions=repetitions),
        rest_s=(3.0, 5.0),
        metadata={"note": NOTE},
    )


def ladder_of_week(week: int) -> SimulatedSession:
    """Her ladder of tempi in that week, and its truth."""
    rng = np.random.default_rng([SEED, week])
    player = player_of_week(week)
    blocks = [
        PlayBlock(
            tempo_bpm=float(bpm),
            notes_per_beat=4.0,
            tilt_deg=player.tilt_deg(bpm / 15) + player.block_sd * rng.normal(),
            tilt_scatter_deg=player.scatter,
            tilt_wander_deg=player.wander,
            span_mm=24.0,
            duration_s=8.0,
            posture=RESTING.label,
            drill="tune",
            wanted="down",
        )
        for bpm in rng.permutation(TEMPI)
    ]
    # The strap sits alike every week: sessions with the sensor in another place are never one series.
    hand = draw_hand(np.random.default_rng(SEED))
    return simulate(replace(_scenario(blocks, 3), hand=hand), SEED + week)


def posture_session() -> tuple[Session, float, float]:
    """Both postures in one evening of the last week; true difference of mean tilt and of spread (lifted - resting)."""
    rng = np.random.default_rng([SEED, 99])
    blocks = [
        PlayBlock(
            tempo_bpm=112.0,
            notes_per_beat=4.0,
            tilt_deg=19.0 - TILT_GAP_DEG * (p == "B") + 0.3 * rng.normal(),
            tilt_scatter_deg=SPREAD_DEG if p == "B" else 1.2,
            tilt_wander_deg=0.5,
            span_mm=24.0,
            duration_s=12.0,
            posture=LIFTED.label if p == "B" else RESTING.label,
            drill="exchange",
            wanted="down",
        )
        for p in "ABBABAABABBA"
    ]
    made = simulate(_scenario(blocks, 1), SEED + 50)
    true = made.truth.blocks
    lifted = (true["posture"] == LIFTED.label).to_numpy()
    gap, spread = (
        float(true.loc[lifted, name].mean() - true.loc[~lifted, name].mean())
        for name in ("tilt_mean_deg", "tilt_sd_deg")
    )
    return _dated(made.session, WEEKS - 1, hours=3.0), gap, spread


def _dated(session: Session, week: int, hours: float = 0.0) -> Session:
    shift = week * WEEK_S + 3600.0 * hours
    return replace(session, raw=replace(session.raw, host_time_s=session.raw.host_time_s + shift))


def run_demo(folder: Path) -> list[Check]:
    """Write the sessions into a folder, ask all seven questions, and set the truth beside the answers."""
    for week in range(WEEKS):
        made = ladder_of_week(week)
        write_session(folder / f"week-{week}.mcap", _dated(made.session, week))
    postures, gap, spread = posture_session()
    write_session(folder / "postures.mcap", postures)
    checks = _last_ladder(folder / f"week-{WEEKS - 1}.mcap", made.truth.strokes)
    checks += _postures(folder / "postures.mcap", gap, spread)
    checks += _drill() + _evening()
    progress = follow_progress(summarise_folder(folder).summaries)[0]
    hold = next(t for t in progress.trends if t.name == "hold tempo" and t.drill == "tune")
    if hold.change is not None:
        gained = hold_of_week(WEEKS - 1) - hold_of_week(0)
        change = hold.change
        checks.append(
            Check("better?", "hold tempo gained, strokes/s", change.low, change.high, gained, say_trend(hold))
        )
    return checks


def _last_ladder(path: Path, truth: pd.DataFrame) -> list[Check]:
    result = analyse_file(path).result
    hold = find_hold_tempo([result])
    low, high = hold.low or 0.0, hold.high or np.inf
    steady = measure_consistency([result])
    clearing = judge_clearing([result])
    within = float(np.sqrt(truth.groupby("block")["tilt_deg"].var().mean()))
    true_share = float((truth.loc[truth["direction"] == "down", "lift_mm"] > 0).mean())
    share, spread = clearing.share, steady.within_sd_deg
    return [
        Check("holds?", "hold tempo, strokes/s", low, high, hold_of_week(WEEKS - 1), say_hold(hold)),
        Check("steady?", "spread within blocks, deg", spread.low, spread.high, within, say_consistency(steady)),
        Check("clears?", "share that passes", share.low or 0.0, share.high or 1.0, true_share, say_clearing(clearing)),
    ]


def _postures(path: Path, gap: float, spread: float) -> list[Check]:
    found = compare_postures([analyse_file(path).result], (RESTING.label, LIFTED.label))
    by_key = {m.key: m.difference for m in found.measures}
    tilt, sd = by_key["tilt_deg"], by_key["tilt_sd_deg"]
    said = say_comparison(found)
    return [
        Check("which?", "mean tilt, lifted less resting, deg", tilt.low, tilt.high, gap, said),
        Check("which?", "spread, lifted less resting, deg", sd.low, sd.high, spread, said),
    ]


def _drill() -> list[Check]:
    """A drill of hers: as many verdicts are right as their probabilities say."""
    changes = judged([(draw_player(SEED), SEED)], 10.0)
    told = changes[changes["true_mm"].notna() & (changes["verdict"] != "not known")]
    chance = told["probability"].to_numpy(np.float64)
    right = float(((told["verdict"] == "cleared") == (told["true_mm"] > 0)).mean())
    # At least one may go wrong, however sure all are.
    low = (chance.sum() - 2 * np.sqrt(max(1.0, float(np.sum(chance * (1 - chance)))))) / len(chance)
    said = (
        f"Of {len(changes)} string changes {len(told)} can be told; {100 * chance.mean():.0f} of 100 should be right."
    )
    return [Check("cleared?", "share of verdicts that are right", float(low), 1.0, right, said)]


def _evening() -> list[Check]:
    """Half an hour in which her tremor at rest trebles: the trend of its marker, and that the level is an alarm."""
    count, grown = 60, 3.0
    blocks = [
        PlayBlock(strokes_per_s=8.0, duration_s=15.0, span_mm=24.0, tremor=float(grown ** (i / (count - 1))))
        for i in range(count)
    ]
    scenario = replace(_scenario(blocks, 1), postures=(RESTING,), rest_s=(8.0, 12.0), rest_still_s=4.0)
    scenario = replace(scenario, blocks=tuple(replace(b, posture=RESTING.label) for b in scenario.blocks))
    found = measure_tension(analyse_session(simulate(scenario, SEED + 70).session))
    tremor = next(trend.drift for trend in found.trends if trend.marker.key == "tremor_mps2")
    alarm, said = float(found.level.level in ("watch", "ease off")), say_level(found.level)
    checks = [Check("tension?", "alarm (1) or none (0)", alarm, alarm, 1.0, said)]
    if tremor is not None:
        change = tremor.over_session
        low, high = np.exp(change.low), np.exp(change.high)
        checks.append(Check("tension?", "tremor at last against at first", low, high, grown, said))
    return checks


def main() -> None:
    """Print every figure with its interval and its truth."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        checks = run_demo(folder)
    print("| question | figure | 95 % interval | truth | agrees |\n| --- | --- | --- | --- | --- |")
    for check in checks:
        interval = f"{check.low:.2f} to {check.high:.2f}"
        agrees = "yes" if check.agrees else "NO"
        print(f"| {check.question} | {check.figure} | {interval} | {check.true:.2f} | {agrees} |")
    print()
    for answer in dict.fromkeys(check.answer for check in checks):
        print(answer)


if __name__ == "__main__":
    main()
