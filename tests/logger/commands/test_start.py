"""The first five minutes: presets, players kept and read back, the remembered lever arm, the command."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player, RawSamples, SensorProfile, Session, SessionResult, TruthCheck
from logger.cli import cli
from logger.commands.start import start_command
from logger.guide.asked_gestures import choose_gestures, full_gestures
from logger.player.edges_seen import EdgeSeen
from logger.player.instrument_presets import find_preset, load_presets, with_outer_distance
from logger.player.player_profile import (
    RESTRAP_SD_MM,
    LeverSeen,
    PlayerProfile,
    Players,
    combine_levers,
    load_active,
    load_players,
    players_path,
    remember_edges,
    remember_lever,
    save_players,
)
from logger.player.setup_file import setup_of_player
from tests.analysis.report.make_result import Play, make_result


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path / "home"


def session_of(name: str, strap: str) -> Session:
    nothing = np.empty(0, dtype=np.int64)
    raw = RawSamples(nothing, nothing, np.empty(0), np.empty((0, 6), dtype=np.int32))
    profile = SensorProfile("test", 400.0, 1.0, 1.0, 1e6)
    return Session(raw, profile, player=Player(name), metadata={"strap": strap})


def result_with(lever: tuple[float, float, float], log: str, se: float = 1.0) -> SessionResult:
    made = make_result(Play(seconds=2.0))
    return replace(made, lever_mm=lever, lever_se_mm=(se, se, se), log_hash=log)


def test_presets_are_plausible_and_differ() -> None:
    presets = load_presets()
    assert len({preset.name for preset in presets.values()}) == len(presets) >= 10
    for preset in presets.values():
        assert 4 <= preset.courses <= preset.strings <= 12
        assert 8 <= preset.mean_spacing_mm <= 20
        assert 3 < preset.dead_band_deg < 15
    assert find_preset("mandolin").courses == 4
    assert find_preset("lap-steel-6").held == "flat"
    with pytest.raises(InputError, match="choose one of"):
        find_preset("kettle")


def test_an_own_measure_replaces_the_usual_spacing() -> None:
    measured = with_outer_distance(find_preset("guitar-6-steel"), 54.0)
    assert measured.spacing_mm == pytest.approx((10.8,) * 5)
    with pytest.raises(InputError, match="middle of one outer course"):
        with_outer_distance(measured, 5.0)


def test_players_come_back_as_they_were_kept() -> None:
    seen = LeverSeen("glove", "abc", (1.25, -70.5, 3.0), (1.0, 0.5, 0.7))
    edge = EdgeSeen("abc", 11.3, 12.5, 1.25)
    odd = PlayerProfile(Player('Zoë "Z" \\ \n[x]', "left"), find_preset("oud-11"), "glove", (seen,), (edge,))
    plain = PlayerProfile(Player("B"), Instrument())
    players = Players().with_profile(odd).with_profile(plain)
    save_players(players)
    assert load_players() == players
    assert load_active() == plain


def test_a_damaged_or_newer_file_is_a_clear_error() -> None:
    save_players(Players().with_profile(PlayerProfile(Player("A"), Instrument())))
    good = players_path().read_text(encoding="utf-8")
    for bad in ("version = ", good.replace("version = 2", "version = 3"), good.replace("handed", "handled")):
        players_path().write_text(bad, encoding="utf-8")
        with pytest.raises(InputError):
            load_players()


def test_the_next_sessions_spread_is_learned() -> None:
    rng = np.random.default_rng(2)
    true, between, own = np.array([5.0, -70.0, 10.0]), 1.0, 0.8
    seen = [
        LeverSeen("s", str(i), tuple(true + np.hypot(between, own) * rng.normal(size=3)), (own,) * 3) for i in range(12)
    ]
    first, last = combine_levers(seen[:1]), combine_levers(seen)
    assert first.sd_mm == pytest.approx(np.sqrt(2 * RESTRAP_SD_MM**2 / 2 + RESTRAP_SD_MM**2 + own**2))
    assert last.sd_mm < 0.6 * first.sd_mm
    assert last.sd_mm > between
    assert np.allclose(last.lever_mm, true, atol=1.0)


def test_a_session_is_remembered_once_and_only_for_whom_it_is() -> None:
    save_players(Players().with_profile(PlayerProfile(Player("A"), Instrument(), "glove")))
    said = remember_lever(session_of("A", "glove"), result_with((0.0, -70.0, 5.0), "one"))
    assert "A's glove" in said
    assert "70 mm" in said
    assert remember_lever(session_of("A", "glove"), result_with((0.0, -70.0, 5.0), "one")) == ""
    assert remember_lever(session_of("stranger", "glove"), result_with((0.0, -70.0, 5.0), "two")) == ""
    assert remember_lever(session_of("A", ""), result_with((0.0, -70.0, 5.0), "three")) == ""
    assert remember_lever(session_of("A", "glove"), result_with((0.0, -70.0, 5.0), "four", se=9.0)) == ""
    profile = load_active()
    assert profile is not None
    assert len(profile.levers) == 1


def test_angle_checks_are_kept_over_the_evenings_and_compared() -> None:
    save_players(Players().with_profile(PlayerProfile(Player("A"), Instrument(), "glove")))
    evenings = [(11.3, 12.3), (11.3, 10.1), (-8.0, -7.0)]
    for number, (stated, read) in enumerate(evenings):
        check = TruthCheck("angle check", 60.0, "A", stated, read, 1.0, True)
        result = replace(result_with((0.0, -70.0, 5.0), str(number)), checks=(check,))
        said = remember_edges(session_of("A", "glove"), result)
        assert said.endswith("An edge shows the hand, not free picking.")
        assert remember_edges(session_of("A", "glove"), result) == "", "an evening counts once"
        assert remember_edges(session_of("stranger", "glove"), result) == ""
    assert said.startswith("In 3 angle checks 0.3° more than the edge was read on average, from -1.2° to +1.0°.")
    profile = load_active()
    assert profile is not None
    assert [edge.stated_deg for edge in profile.edges] == [11.3, 11.3, -8.0]
    unread = TruthCheck("angle check", 60.0, "A", 11.3, None, None, None, "too crooked")
    lost = replace(result_with((0.0, -70.0, 5.0), "four"), checks=(unread,))
    assert remember_edges(session_of("A", "glove"), lost) == ""


def test_a_known_lever_makes_the_next_gestures_short() -> None:
    assert setup_of_player().lever_mm is None
    save_players(Players().with_profile(PlayerProfile(Player("A", "left"), find_preset("mandolin"), "glove")))
    assert setup_of_player().lever_mm is None
    for log in ("one", "two", "three"):
        remember_lever(session_of("A", "glove"), result_with((0.0, -70.0, 5.0), log))
    setup = setup_of_player()
    assert setup.player == Player("A", "left")
    assert setup.instrument.courses == 4
    assert setup.metadata["strap"] == "glove"
    assert setup.lever_mm == pytest.approx((0.0, -70.0, 5.0))
    assert setup.lever_sd_mm is not None
    short = choose_gestures(setup.lever_sd_mm)
    assert [g.seconds for g in short if not g.is_check] == [2.0, 2.0, 4.0, 4.0, 5.0]
    assert tuple(g for g in choose_gestures(None) if not g.is_check) == full_gestures()


def test_start_without_a_terminal_takes_what_the_options_say() -> None:
    done = CliRunner().invoke(
        start_command, ["--name", "A", "--handed", "left", "--instrument", "mandolin", "--outer-mm", "39", "--no-demo"]
    )
    assert done.exit_code == 0, done.output
    assert "back of the picking hand" in done.output
    assert "clinician" in done.output
    profile = load_active()
    assert profile is not None
    assert profile.player == Player("A", "left")
    assert profile.instrument.spacing_mm == pytest.approx((13.0,) * 3)
    assert all(line.isascii() and len(line) <= 80 for line in done.output.splitlines() if "players.toml" not in line)


def test_starting_again_keeps_what_is_not_changed() -> None:
    run = CliRunner()
    run.invoke(start_command, ["--name", "A", "--instrument", "ukulele", "--strap", "tape", "--no-demo"])
    run.invoke(start_command, ["--handed", "left", "--no-demo"])
    profile = load_active()
    assert profile is not None
    assert (profile.player, profile.strap) == (Player("A", "left"), "tape")
    assert profile.instrument.name == "ukulele"


def test_the_demo_writes_a_report(tmp_path: Path) -> None:
    done = CliRunner().invoke(start_command, ["--name", "A", "--demo", "--demo-to", "demo.html"])
    assert done.exit_code == 0, done.output
    assert "An invented player" in done.output
    assert "Next: Slow down to" in done.output
    assert "an invented player" in (tmp_path / "demo.html").read_text(encoding="utf-8")


def test_instruments_are_listed_within_80_columns() -> None:
    done = CliRunner().invoke(start_command, ["--list"])
    assert done.exit_code == 0
    lines = done.output.splitlines()
    assert [line.split()[0] for line in lines if not line.startswith(" ")] == list(load_presets())
    assert max(map(len, lines)) <= 80


def test_without_arguments_the_next_step_is_shown() -> None:
    done = CliRunner().invoke(cli, [])
    assert done.exit_code == 0
    assert "strokeplane start" in done.output
