"""Sessions over weeks: change against the session-to-session error, and who needs attention."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM

from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.number_words import MINUS
from analysis.model.records import Event
from analysis.questions.attention import SET_ANEW
from analysis.questions.progress import DAY_S, WEEK_S, MeasureTrend, PlayerProgress, follow_progress
from analysis.questions.session_summary import GroupSummary, SessionSummary
from analysis.questions.summarise_session import check_ratings, summarise_session
from analysis.report.progress_sections import in_bpm, progress_sections, say_progress, say_trend
from benchmarks.question_players import SpeedPlayer, draw_ladder
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session

START_S = 1.75e9
GROUP = GroupSummary(
    "tune", "A", 8, 900, 8.0, 4.0, 18.0, 0.8, 2.0, 16.0, 0.97, 2.5, "inside", 9.0, 8.6, 9.4
)  # fmt: skip
SESSION = SessionSummary("s", "invented", START_S, 12.0, 20.0, 1, 8.0, (), False, True, 0.0, (GROUP,))


def weeks(holds: Sequence[float], player: str = "invented", **more: object) -> list[SessionSummary]:
    """One session a week with these hold tempi; the last one with ``more``."""
    sessions = [
        replace(
            SESSION,
            name=f"{player} {i}",
            player=player,
            started_s=START_S + i * WEEK_S,
            groups=(replace(GROUP, hold_strokes_per_s=float(hold)),),
        )
        for i, hold in enumerate(holds)
    ]
    return [*sessions[:-1], replace(sessions[-1], **more)]  # type: ignore[arg-type]


def trend(player: PlayerProgress, name: str) -> MeasureTrend:
    return next(t for t in player.trends if t.name == name)


def test_a_change_beyond_the_session_error_is_called_better() -> None:
    rng = np.random.default_rng(1)
    (player,) = follow_progress(weeks(8.0 + 0.25 * np.arange(12) + 0.2 * rng.normal(size=12)))
    hold = trend(player, "hold tempo")
    assert hold.verdict == "better"
    assert hold.per_week == pytest.approx(0.25, abs=0.06)
    assert hold.change is not None
    assert hold.change.low < 0.25 * 11 < hold.change.high
    assert hold.session_sd == pytest.approx(0.2, rel=0.5)
    assert hold.smallest_change == pytest.approx(1.96 * 2**0.5 * (hold.session_sd or 0))
    assert "better" in say_trend(hold)
    assert player.attention.reasons == ("hold tempo is getting better",)


def test_without_a_change_hardly_any_player_is_called_better_or_worse() -> None:
    rng = np.random.default_rng(2)
    called = 0
    for _ in range(600):
        (player,) = follow_progress(weeks(9.0 + 0.3 * rng.normal(size=8)))
        called += trend(player, "hold tempo").verdict in ("better", "worse")
    # Of 600 at 5 %, more than 45 or fewer than 15 would come once in 300.
    assert 15 <= called <= 45


def test_power_never_falls_with_more_sessions() -> None:
    """The same gain from first to last session, three session errors, seen in 6, 12 and 24 sessions."""
    rng = np.random.default_rng(3)
    found = []
    for count in (6, 12, 24):
        verdicts = []
        for _ in range(120):
            (player,) = follow_progress(weeks(9.0 + np.linspace(0, 0.9, count) + 0.3 * rng.normal(size=count)))
            verdicts.append(trend(player, "hold tempo").verdict == "better")
        found.append(np.mean(verdicts))
    assert found[0] < found[1] < found[2]
    assert found[2] > 0.75


def test_the_line_is_that_of_a_mixed_model() -> None:
    """Blocks within sessions as a mixed model of statsmodels sees them: a line, and an error for each session."""
    rng = np.random.default_rng(4)
    count, blocks = 24, 5
    session = np.repeat(np.arange(count), blocks)
    values = (
        9.0 + 0.03 * session + np.repeat(0.3 * rng.normal(size=count), blocks) + 0.4 * rng.normal(size=session.size)
    )
    outside = MixedLM(values, np.column_stack([np.ones(session.size), session]), groups=session).fit(reml=True)
    (player,) = follow_progress(weeks(values.reshape(count, blocks).mean(axis=1)))
    hold = trend(player, "hold tempo")
    assert hold.per_week == pytest.approx(outside.fe_params[1], rel=1e-3)
    assert hold.change is not None
    assert hold.change.se / (count - 1) == pytest.approx(outside.bse_fe[1], rel=0.02)


def test_two_instruments_or_two_places_of_the_sensor_are_never_one_series() -> None:
    """A jump that comes with another instrument, or with the sensor on the wrist, is no progress."""
    jumped = weeks([8.0, 8.1, 7.9, 8.0, 10.0, 10.1, 9.9, 10.0])
    other = [replace(s, instrument="a second one" if i >= 4 else "first") for i, s in enumerate(jumped)]
    wrist = [replace(s, lever_mm=(60.0, 0.0, 0.0) if i >= 4 else (30.0, 0.0, 4.0)) for i, s in enumerate(jumped)]
    for sessions in (other, wrist):
        (player,) = follow_progress(sessions)
        holds = [t for t in player.trends if t.name == "hold tempo"]
        assert [len(t.points) for t in holds] == [4, 4]
        assert {t.verdict for t in holds} == {"no change shown"}
        assert len({t.setup for t in holds}) == 2


def tilts(values: Sequence[float], **more: object) -> list[SessionSummary]:
    """One session a week with these mean tilts, each known to 0.8 deg."""
    sessions = weeks([9.0] * len(values))
    return [
        replace(s, dead_band_deg=10.8, groups=(replace(GROUP, tilt_deg=float(tilt), **more),))  # type: ignore[arg-type]
        for s, tilt in zip(sessions, values, strict=True)
    ]


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (18.0 - 0.6 * np.arange(8), "falls toward the dead band, from 18.0° to 13.8°"),
        (-18.0 + 0.6 * np.arange(8), f"falls toward the dead band, from {MINUS}18.0° to {MINUS}13.8°"),
        (18.0 - 1.2 * np.arange(8), "has fallen into the dead band, from 18.0° to 9.6°"),
        ((24.0, 14.0), "falls toward the dead band, from 24.0° to 14.0°"),
        ((20.0, 21.0, 20.5, 19.5, 20.2, 20.4, 13.0), "falls toward the dead band"),
        ((20.0, -15.0), f"turned over to the other side, from 20.0° to {MINUS}15.0°"),
    ],
)
def test_a_tilt_that_falls_toward_the_dead_band_is_not_on_course(values: Sequence[float], said: str) -> None:
    (player,) = follow_progress(tilts(values))
    assert player.attention.word == "look"
    assert said in player.attention.reasons[0]
    assert player.attention.next_step == SET_ANEW
    assert f"Next: {SET_ANEW}." in say_progress(player)


@pytest.mark.parametrize("values", [(14.0, 24.0), (20.0, 21.0, 20.5, 19.6), -18.0 - 1.2 * np.arange(8)])
def test_a_tilt_that_stays_or_grows_is_on_course(values: Sequence[float]) -> None:
    (player,) = follow_progress(tilts(values))
    assert player.attention.word == "on course"


def test_a_steady_tilt_is_hardly_ever_said_to_fall() -> None:
    """Each session's error is drawn from the standard error that it states; five of 100 is what 95 % lets pass."""
    rng = np.random.default_rng(11)
    called = sum(
        "tilt" in " ".join(player.attention.reasons)
        for count in (2, 3, 4, 6)
        for _ in range(150)
        for player in follow_progress(tilts(20.0 + 0.8 * rng.normal(size=count)))
    )
    assert called <= 0.05 * 600 + 2 * (600 * 0.05 * 0.95) ** 0.5


def test_a_tilt_in_the_dead_band_is_seen_where_clearing_cannot_be_told() -> None:
    (player,) = follow_progress(tilts([6.0], share_clearing=None))
    assert player.attention.word == "look"
    assert player.attention.reasons[0].startswith("the tilt lay in the dead band in the last session")


def test_without_reference_gestures_no_tilt_is_followed() -> None:
    """Against the hand's own mean plane every tilt is near zero: that is no fall."""
    sessions = tilts([20.0, 21.0, 20.0, 0.1])
    sessions[-1] = replace(sessions[-1], frame_known=False)
    (player,) = follow_progress(sessions)
    assert player.attention.reasons == ("no usable reference gestures in the last session",)
    assert len(trend(player, "mean tilt").points) == 3


REASONS = {
    "discomfort was reported": {"hurt": True},
    "rated 8 of 10": {"ratings": (("tension", 8.0),)},
    "clears too seldom": {"groups": (replace(GROUP, share_clearing=0.3),)},
    "no usable reference gestures": {"frame_known": False},
    "without a break": {"longest_play_min": 45.0},
    "samples were lost": {"lost_share": 0.2},
}


@pytest.mark.parametrize("said", REASONS)
def test_every_reason_has_one_thing_to_do_that_fits_it(said: str) -> None:
    """The step belongs to the reason itself; none falls back on that of another."""
    (player,) = follow_progress(weeks([9.0] * 2, **REASONS[said]))
    assert said in player.attention.reasons[0]
    steps = {follow_progress(weeks([9.0] * 2, **more))[0].attention.next_step for more in REASONS.values()}
    assert len(steps) == len(REASONS)
    assert say_progress(player).count("Next: ") == 1


def test_a_hold_tempo_is_said_in_beats_a_minute_with_its_notes_a_beat_and_since_when() -> None:
    (player,) = follow_progress(weeks([8.0, 8.4, 8.9, 9.4, 9.9]))
    said = say_trend(in_bpm(trend(player, "hold tempo")))
    assert "148.5 BPM at 4 notes a beat on 2025-07-13" in said
    assert "since 2025-06-15" in said
    mixed = weeks([8.0, 8.4, 8.9, 9.4])
    mixed[0] = replace(mixed[0], groups=(replace(mixed[0].groups[0], notes_per_beat=3.0),))
    (player,) = follow_progress(mixed)
    assert "9.4 strokes/s" in say_trend(in_bpm(trend(player, "hold tempo")))


def test_three_sessions_are_too_few_and_say_so() -> None:
    (player,) = follow_progress(weeks([8.0, 9.0, 10.0]))
    hold = trend(player, "hold tempo")
    assert hold.verdict == "too few sessions"
    assert "too few to tell a change" in say_trend(hold)


def test_a_hold_tempo_beyond_the_ladder_is_shown_but_not_fitted() -> None:
    sessions = weeks([8.0, 8.1, 8.0, 8.2, 8.1])
    bound = replace(sessions[-1].groups[0], hold_bound="at least", hold_strokes_per_s=12.0, hold_high=None)
    (player,) = follow_progress([*sessions[:-1], replace(sessions[-1], groups=(bound,))])
    hold = trend(player, "hold tempo")
    assert hold.points[-1].bound == "at least"
    assert hold.verdict == "beyond the ladder"
    assert hold.change is None
    assert "at least 12.0" in say_trend(hold)
    assert "add faster ones" in say_trend(hold)
    assert player.attention.reasons == ("hold tempo lies beyond the fastest tempo played",)
    assert player.attention.next_step == "add faster tempi to the ladder"


def test_sessions_of_one_day_count_as_one() -> None:
    """Four sessions of one evening share its form: no change is told from them, however alike they are."""
    one_day = [replace(s, started_s=START_S + 3600 * i) for i, s in enumerate(weeks([8.0, 8.5, 9.0, 9.5]))]
    (player,) = follow_progress(one_day)
    assert trend(player, "hold tempo").verdict == "too few sessions"
    twice = [replace(s, started_s=(s.started_s or 0) + 3600) for s in weeks([8.2, 8.3, 8.1, 8.4])]
    (player,) = follow_progress([*weeks([8.0, 8.1, 7.9, 8.2]), *twice])
    (alone,) = follow_progress(weeks([8.1, 8.2, 8.0, 8.3]))
    both, single = (trend(one, "hold tempo").change for one in (player, alone))
    assert both is not None
    assert single is not None
    assert (both.value, both.df) == pytest.approx((single.value, single.df))


def test_drills_and_postures_are_followed_apart() -> None:
    sessions = weeks([8.0] * 5)
    other = replace(GROUP, drill="scale", hold_bound="", hold_strokes_per_s=None)
    (player,) = follow_progress([replace(s, groups=(*s.groups, other)) for s in sessions])
    assert {(t.drill, t.posture) for t in player.trends} == {("tune", "A"), ("scale", "A"), ("", "")}
    assert not any(t.name == "hold tempo" and t.drill == "scale" for t in player.trends)
    titles = [s.title for s in progress_sections(player, "p", pictures=False)]
    assert titles == ["Drill tune, posture A", "Drill scale, posture A", "All play"]


def test_minutes_breaks_and_ratings_are_followed_over_whole_sessions() -> None:
    rated = [
        replace(s, ratings=(("tension", float(i)),), minutes_played=10.0 + 2 * i)
        for i, s in enumerate(weeks([9.0] * 6))
    ]
    (player,) = follow_progress(rated)
    assert trend(player, "highest rating").verdict == "worse"
    assert trend(player, "minutes played").verdict == "changed"
    assert trend(player, "longest play without a break").verdict == "no change shown"
    assert "highest rating is getting worse" in player.attention.reasons


def test_players_stand_in_the_order_in_which_they_need_attention() -> None:
    long = replace(SESSION, longest_play_min=55.0)
    found = follow_progress(
        [
            *weeks([9.0] * 4, "on course", ratings=(("tension", 2.0),)),
            *weeks([9.0] * 4, "hurt", hurt=True),
            *weeks([11.0, 10.5, 10.0, 9.5, 9.0, 8.5], "worse"),
            replace(long, player="long play", started_s=START_S + 5 * WEEK_S),
            *weeks([9.0] * 2, "away"),
            *weeks([9.0] * 6, "tense", ratings=(("tension", 8.0),)),
        ],
        now_s=START_S + 5 * WEEK_S,
    )
    order = [(player.player, player.attention.word) for player in found]
    assert order[0] == ("hurt", "at once")
    assert {order[1][0], order[2][0]} == {"worse", "tense"}
    assert order[3] == ("long play", "look")
    assert dict(order)["away"] == "remind"
    by_name = {player.player: player.attention.reasons for player in found}
    assert "clinician" in by_name["hurt"][0]
    assert by_name["worse"][0] == "hold tempo is getting worse"
    assert by_name["tense"][0] == "rated 8 of 10 in the last session"
    assert "55 minutes without a break" in by_name["long play"][0]
    assert "last played 28 days ago" in by_name["away"][0]
    assert all("(no name)" not in say_progress(player) for player in found)


def test_ratings_that_rise_are_told_although_none_is_high() -> None:
    sessions = [
        replace(s, ratings=(("tension", float(r)),)) for s, r in zip(weeks([9.0] * 4), (1, 2, 1, 5), strict=True)
    ]
    (player,) = follow_progress(sessions)
    assert player.attention.reasons[0] == "ratings rose from 1 to 5 of 10"


def test_discomfort_long_ago_is_no_longer_urgent() -> None:
    sessions = weeks([9.0] * 6)
    sessions[0] = replace(sessions[0], hurt=True)
    (player,) = follow_progress(sessions)
    assert player.attention.urgency < 4
    # Unless it is the last that was heard of the player.
    (gone,) = follow_progress(sessions[:1], now_s=START_S + 5 * WEEK_S)
    assert gone.attention.urgency == 4


def test_sessions_without_a_date_are_in_no_trend() -> None:
    sessions = [*weeks([9.0] * 4), replace(SESSION, name="undated", started_s=None)]
    (player,) = follow_progress(sessions)
    assert player.undated == 1
    assert len(player.sessions) == 5
    assert len(trend(player, "hold tempo").points) == 4


def test_no_session_is_refused() -> None:
    with pytest.raises(NotEnoughDataError, match="found none"):
        follow_progress([])


def test_a_session_is_reduced_to_its_numbers() -> None:
    player = SpeedPlayer(22, 18, 9.5, 0.8, scatter=1.5, block_sd=0.3, wander=0.5, frame_se=0.4)
    result = draw_ladder(player, 8, np.random.default_rng(3), seconds=10.0)
    found = summarise_session(result, "evening.mcap", START_S)
    (group,) = found.groups
    assert (group.posture, group.blocks) == ("A", 8)
    assert group.hold_bound == "inside"
    assert group.hold_strokes_per_s == pytest.approx(player.hold_strokes_per_s, rel=0.1)
    assert found.minutes_played == pytest.approx(8 * 10.6 / 60, rel=0.02)
    assert found.breaks == 0


def test_breaks_are_rests_of_two_minutes() -> None:
    result = draw_session([DrawnBlock(seconds=60.0)] * 4, Drawing(rest_s=130.0), np.random.default_rng(4))
    found = summarise_session(result, "s", None)
    assert found.breaks == 3
    assert found.longest_play_min == pytest.approx(1.01, abs=0.05)
    short = draw_session([DrawnBlock(seconds=60.0)] * 4, Drawing(rest_s=20.0), np.random.default_rng(4))
    assert summarise_session(short, "s", None).longest_play_min == pytest.approx(5.0, abs=0.1)


@pytest.mark.parametrize("rating", [-1.0, 10.5, float("nan"), None])
def test_ratings_out_of_range_are_refused(rating: float | None) -> None:
    with pytest.raises(InputError, match="expected ratings from 0 to 10"):
        check_ratings([Event(5.0, 5.0, "rating", "tension", rating=rating)])
    assert check_ratings([Event(5.0, 5.0, "rating", "tension", rating=10.0)]) == (("tension", 10.0),)


def test_days_are_counted_from_the_newest_session() -> None:
    sessions = [*weeks([9.0] * 2, "early"), replace(SESSION, player="late", started_s=START_S + 40 * DAY_S)]
    by_name = {player.player: player for player in follow_progress(sessions)}
    assert "last played 33 days ago" in by_name["early"].attention.reasons
