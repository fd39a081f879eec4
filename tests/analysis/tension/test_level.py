"""The caution level: false alarms, power, what outranks it, what it refuses; wander, tempo and posture allowed for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special

from analysis.model.cautions import HURT, STOP
from analysis.model.errors import InputError
from analysis.model.records import Event
from analysis.tension.caution_level import LevelSettings, assess_tension
from analysis.tension.marker_drift import drift_chance, estimate_drifts, normal_scores, prepare_drifts
from benchmarks.tension_tables import KINDS, Steadiness, draw_blocks, steady_kind
from tests.analysis.tension.played import rating

QUIET = Steadiness(0.0, 1.0, 0.2)


def blocks(seed: int, kind: str = KINDS[1], drift: dict[str, float] | None = None, onset: float = 0.0) -> pd.DataFrame:
    rng = np.random.default_rng([seed, 77])
    return draw_blocks(rng, steady_kind(kind, rng), drift, onset)


def test_steady_play_is_steady() -> None:
    """The full measurement is in the benchmark; of 24 sessions, more than four alarms would have p < 0.01 at 5 %."""
    levels = [assess_tension(blocks(seed, KINDS[seed % 4]), finished=True).level for seed in range(24)]
    assert sum(level != "steady" for level in levels) <= 4


def test_a_large_drift_is_seen_named_and_in_time() -> None:
    for seed in range(5):
        found = assess_tension(blocks(seed, drift={"tremor_mps2": 6.0}), finished=True)
        assert found.level == "ease off"
        assert found.since_min is not None
        assert found.since_min <= 105
        assert found.reasons[0].startswith("tremor at rest +")
        assert "diagnos" not in " ".join((found.sentence, *found.reasons))


def test_a_drift_for_the_better_is_no_alarm() -> None:
    drift = {"tremor_mps2": -3.0, "ldlj": -3.0, "span_spread_pct": -3.0, "motor_pct": -3.0}
    levels = [assess_tension(blocks(seed, drift=drift), finished=True).level for seed in range(8)]
    assert levels.count("steady") >= 7


def test_every_look_is_the_same_live_and_afterwards() -> None:
    whole = blocks(3, drift={"motor_pct": 5.0})
    afterwards = assess_tension(whole, finished=False)
    start = whole["start_s"].min()
    reached: list[str | None] = []
    for minutes in (25, 50, 80, 110, 125):
        now = assess_tension(whole[whole["end_s"] <= start + 60 * minutes])
        assert now.looks == afterwards.looks[: len(now.looks)]
        assert now.next_look_min > max(look.minute for look in now.looks)
        reached.append(now.level)
    order = {"steady": 0, "watch": 1, "ease off": 2}
    ranks = [order[level] for level in reached if level is not None]
    assert ranks == sorted(ranks)
    assert ranks[-1] > 0


def test_what_is_spent_over_two_hours_is_five_percent() -> None:
    """By drawn series of seven markers whose looks hang together as slopes do, which the recursion knows nothing of."""
    looks = assess_tension(blocks(4), finished=True).looks
    information = np.array([look.minute for look in looks]) ** 3
    steps = np.random.default_rng(3).normal(size=(100_000, 7, len(looks))) * np.sqrt(np.diff(information, prepend=0.0))
    p = 7 * special.ndtr(-(np.cumsum(steps, axis=2) / np.sqrt(information)).max(axis=1))
    alarmed = (p <= [look.allowed for look in looks]).any(axis=1)
    assert alarmed.mean() == pytest.approx(LevelSettings().false_alarms, abs=0.004)


def test_nothing_is_said_before_the_first_look() -> None:
    assert assess_tension(blocks(5).iloc[:0]).level is None
    early = blocks(5).iloc[:8]
    assert assess_tension(early).level is None
    assert assess_tension(early).next_look_min == 20


def test_discomfort_outranks_every_marker() -> None:
    hurt = Event(100.0, 100.0, "hurt")
    for events in ((hurt,), (rating(1.0, "discomfort"),), (rating(3.0, "Pain in the thumb"),)):
        for table in (blocks(6), blocks(6).iloc[:0]):
            found = assess_tension(table, events, finished=True)
            assert found.hurt
            assert found.level == "ease off"
            assert HURT in found.sentence
            assert STOP in found.sentence
            assert "clinician" in found.sentence
            assert found.reasons[0].startswith("you ")
    assert not assess_tension(blocks(6), (rating(0.0, "discomfort"),), finished=True).hurt


def test_a_high_rating_is_the_players_own_alarm() -> None:
    assert assess_tension(blocks(6), (rating(8.0),), finished=True).level == "ease off"
    assert assess_tension(blocks(6), (rating(8.0),), finished=True).reasons[0] == "you rated tension 8 of 10"
    assert assess_tension(blocks(6), (rating(4.0),), finished=True).level == "steady"


@pytest.mark.parametrize("value", [-1.0, 11.0])
def test_ratings_out_of_range_are_refused(value: float) -> None:
    with pytest.raises(InputError, match="expected ratings from 0 to 10"):
        assess_tension(blocks(6), (rating(value),))


def test_tempo_and_posture_are_no_drift() -> None:
    """A marker that hangs on tempo alone, tempo rising and falling; a posture that comes late; both unmistakable."""
    rng = np.random.default_rng(1)
    table = draw_blocks(rng, QUIET)
    n = len(table)
    pace = 8 * np.exp(0.3 * np.sin(np.linspace(0, 5, n)))
    table = table.assign(strokes_per_s=pace, posture=np.where(np.arange(n) % 3 == 0, "A", "B"))
    offset = (table["posture"] == "B").to_numpy()
    table["span_spread_pct"] = 5 * np.exp(2 * np.log(pace / 8) + offset + 0.05 * rng.normal(size=n))
    assert assess_tension(table, finished=True).level == "steady"


def test_a_tempo_that_only_rises_cannot_be_told_from_time() -> None:
    table = draw_blocks(np.random.default_rng(2), QUIET)
    minute = (table["start_s"] + table["end_s"]).to_numpy()
    table = table.assign(strokes_per_s=6 * np.exp(minute / minute.max()), posture="A")
    found = assess_tension(table, finished=True)
    assert found.level is None
    assert all(look.p is None for look in found.looks)
    assert "cannot be told" in found.sentence


def test_slow_wander_costs_power_but_raises_few_alarms() -> None:
    """Wander of ten minutes would look like drift to a test that takes blocks for independent."""
    from scipy import stats

    naive, alarms = [], 0
    for seed in range(16):
        table = blocks(seed, KINDS[2])
        alarms += assess_tension(table, finished=True).level != "steady"
        naive += [stats.linregress(table["start_s"], table[key]).pvalue for key in ("sparc", "ldlj", "motor_pct")]
    assert alarms <= 3
    assert np.mean(np.array(naive) < 0.05) > 0.15


def test_p_is_never_too_small_where_blocks_are_independent() -> None:
    """Too large it may be: of two wanders that fit nearly alike, the one that asks for more evidence is taken."""
    rng = np.random.default_rng(20)
    chances = []
    for k in range(60):
        table = draw_blocks(rng, QUIET, minutes=45.0).assign(posture="A", strokes_per_s=8.0, rating=np.nan)
        chances.append(drift_chance(prepare_drifts(table), 199, k, enough=1000))
    assert np.mean(chances) >= 0.4
    assert np.mean(np.array(chances) <= 0.1) <= 0.2


def test_trends_and_their_intervals() -> None:
    covered = told = 0
    for seed in range(12):
        table = blocks(seed, drift={"tremor_mps2": 2.0})
        for drift in estimate_drifts(prepare_drifts(table)):
            if drift.marker.key == "tremor_mps2":
                covered += drift.per_hour.low <= 2.0 * 0.15 <= drift.per_hour.high
                told += 1
    assert told == 12
    assert covered >= 9


def test_normal_scores_of_students_t() -> None:
    """Two-sided 5 % points of Student's t, any table: 2.571 (5), 2.228 (10), 2.042 (30)."""
    for free, point in ((5, 2.571), (10, 2.228), (30, 2.042)):
        assert normal_scores(np.array([point]), free)[0] == pytest.approx(1.96, abs=0.002)


def test_one_odd_block_is_no_drift() -> None:
    table = draw_blocks(np.random.default_rng(8), QUIET)
    table.loc[len(table) - 1, ["span_spread_pct", "motor_pct", "tilt_spread_deg"]] = 500.0
    assert assess_tension(table, finished=True).level == "steady"


def test_a_tempo_that_rises_all_evening_is_never_called_steady() -> None:
    """The first look could tell drift from tempo by chance; what it saw says nothing of the evening."""
    told = 0
    for seed in range(6):
        rng = np.random.default_rng([seed, 78])
        table = draw_blocks(rng, QUIET, minutes=100.0)
        share = np.linspace(0, 1, len(table))
        table = table.assign(
            posture="A",
            strokes_per_s=8.0 * (1 + 0.5 * share) * np.exp(0.01 * rng.normal(size=len(table))),
            motor_pct=table["motor_pct"] + 3 * share,
        )
        found = assess_tension(table, finished=True)
        told += found.level is None and "cannot be told" in found.sentence
        assert found.level != "steady"
    assert told >= 4
