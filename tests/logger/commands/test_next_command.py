"""``strokeplane next``: from a shipped evening to a plan that can be played; what is kept, and bad input."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.cautions import STOP
from analysis.model.errors import InputError
from analysis.report.session_answers import answer_session
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session
from logger.cli import cli
from logger.player.ability_file import ability_path, keep_evenings, load_ability
from logger.practice.ability import Ability
from logger.practice.plan import parse_plan, read_plan
from logger.practice.tonight import reduce_evening

SAMPLE = Path(__file__).parents[3] / "sample_logs" / "level_at_speed.mcap"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "home"))


def drawn_ability() -> Ability:
    """An evening drawn as tables: two postures by turns, the faster blocks flat."""
    blocks = [
        DrawnBlock("high" if i % 2 else "low", v, 4.0, (-14.0 if i % 2 else 24.0) if v < 9 else 4.0, tempo_bpm=15 * v,
                   notes_per_beat=4.0)
        for v in (6.0, 7.0, 8.0, 10.0)
        for i in range(4)
    ]  # fmt: skip
    result = draw_session(blocks, Drawing(rest_s=2.0), np.random.default_rng(4))
    return Ability().after(reduce_evening(result, answer_session(result)))


def test_an_evening_is_reduced_and_kept_whole() -> None:
    ability = drawn_ability()
    held = {p.posture: p.held_bpm for p in ability.postures}
    assert held["low"] == pytest.approx(120.0, rel=0.02)
    assert {p.wanted for p in ability.postures} == {"down", "up"}
    assert ability.switches
    keep_evenings("invented", ability)
    assert load_ability("invented") == ability
    keep_evenings("another", Ability())
    assert load_ability("invented") == ability
    assert load_ability("nobody") == Ability()


def test_next_follows_from_what_is_kept_and_prints_a_plan(tmp_path: Path) -> None:
    keep_evenings("invented", drawn_ability())
    answer = CliRunner().invoke(cli, ["next", "--player", "invented"])
    assert answer.exit_code == 0, answer.output
    assert "# Posture high" in answer.output
    assert f"# {STOP}"[:40] in answer.output
    plan = parse_plan(answer.output, "printed")
    path = tmp_path / "plan.toml"
    said = CliRunner().invoke(cli, ["next", "--player", "invented", "--tempo", "93", "-o", str(path)])
    assert said.exit_code == 0, said.output
    assert "as you said" in " ".join(said.output.split())
    assert read_plan(path).play_s == pytest.approx(plan.play_s, rel=0.5)
    again = CliRunner().invoke(cli, ["next", "--player", "invented", "-o", str(path)])
    assert "exists" in str(again.exception)


def test_a_shipped_session_gives_a_plan() -> None:
    answer = CliRunner().invoke(cli, ["next", str(SAMPLE), "--no-keep"])
    assert answer.exit_code == 0, answer.output
    assert parse_plan(answer.output, "printed").play_s <= 5 * 60 + 20
    assert not ability_path().exists()


def test_a_damaged_or_newer_file_is_left_as_it_is() -> None:
    keep_evenings("invented", drawn_ability())
    path = ability_path()
    content = json.loads(path.read_text(encoding="utf-8"))
    newer = json.dumps(content | {"version": 99})
    bent = json.loads(json.dumps(content))
    bent["player"]["invented"][0]["minutes"] = "many"
    for text, said in ((newer, "newer"), ("{", "cannot be read"), (json.dumps(bent), "minutes must be a number")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=said):
            keep_evenings("invented", Ability())
        assert path.read_text(encoding="utf-8") == text


def test_nothing_kept_and_an_empty_folder(tmp_path: Path) -> None:
    assert "play one first" in str(CliRunner().invoke(cli, ["next"]).exception)
    assert "found none" in str(CliRunner().invoke(cli, ["next", str(tmp_path)]).exception)
