"""``strokeplane next``: from a shipped evening to a plan that can be played; what is kept, and bad input."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.model.cautions import STOP
from analysis.model.errors import InputError
from analysis.questions.staircase import RUNG
from analysis.report.session_answers import answer_session
from benchmarks.question_tables import Drawing, DrawnBlock, draw_session
from logger.cli import cli
from logger.commands.next_evening import command
from logger.player.ability_file import ability_path, keep_evenings, load_ability
from logger.practice.ability import Ability
from logger.practice.next_plan import (
    BREAK_EVERY_MIN,
    BREAK_S,
    DOWN_BELOW,
    GROWTH,
    LEAST_MIN,
    MOST_MIN,
    REST_S,
    SMALLER,
    SWITCHES,
    UP_FROM,
    Wishes,
)
from logger.practice.plan import parse_plan, read_plan
from logger.practice.tonight import reduce_evening

ROOT = Path(__file__).parents[3]
SAMPLE = ROOT / "sample_logs" / "level_at_speed.mcap"
OVERRULING = {
    "--posture": ("low",), "--tempo": ("71",), "--size": ("13",), "--pair": ("low", "high"), "--switches": (),
    "--no-switches": (), "--minutes": ("23",),
}  # fmt: skip
"""Every option that overrules a choice, with a value that the rules would not choose."""
NOT_A_CHOICE = {"paths", "player", "keep", "output", "replace"}


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


def choices_told() -> list[tuple[str, str, str]]:
    """Rows of the documentation's table: choice, what it follows from, what overrules it."""
    page = (ROOT / "docs" / "plans.md").read_text(encoding="utf-8")
    rows = page.split("| choice | follows from | overruled by |\n")[1].split("\n\n")[0].splitlines()[1:]
    told = [[cell.strip() for cell in row.strip("|").split(" | ")] for row in rows]
    return [(choice, why, by) for choice, why, by in told]


def test_the_table_of_choices_names_every_option_that_overrules_one_and_no_other() -> None:
    told = [option for *_, by in choices_told() for option in re.findall(r"--[a-z-]+", by)]
    there = [o for p in command.params if p.name not in NOT_A_CHOICE for o in (*p.opts, *p.secondary_opts)]
    assert sorted(told) == sorted(there) == sorted(OVERRULING)
    assert {p.name for p in command.params} - NOT_A_CHOICE == {field.name for field in fields(Wishes)}
    assert [choice for choice, _, by in choices_told() if "--" not in by] == ["rest"], "the rests: lines of the plan"


@pytest.mark.parametrize("option", OVERRULING)
def test_each_of_them_overrules_its_choice(option: str) -> None:
    """On a day made easier for worry, so that the rules would choose no switches."""
    ability, worried = drawn_ability(), option != "--no-switches"
    last = replace(ability.evenings[-1], minutes=20.0, worry="tension was rated 8 of 10" if worried else "")
    keep_evenings("invented", replace(ability, evenings=(last,)))
    plain, wished = (
        CliRunner().invoke(cli, ["next", "--player", "invented", *more]) for more in ((), (option, *OVERRULING[option]))
    )
    assert wished.exit_code == 0, wished.output
    plans = [parse_plan(answer.output, "printed") for answer in (plain, wished)]
    assert plans[0] != plans[1]
    blocks = [block for block in plans[1].blocks if block.kind == "play"]
    seen = {
        "--posture": {b.posture for b in blocks} == {"low"},
        "--tempo": max(b.tempo_bpm or 0.0 for b in blocks) == 71.0,
        "--size": all("13 mm" in b.note for b in blocks if b.note),
        "--pair": {(a.posture, b.posture) for a, b in pairwise(blocks)} >= {("low", "high"), ("high", "low")},
        "--switches": any(b.rest_beats for b in blocks),
        "--no-switches": not any(b.rest_beats for b in blocks),
        "--minutes": plans[1].play_s > 1.4 * plans[0].play_s,
    }
    assert seen[option], wished.output


def test_the_tables_numbers_are_those_of_the_rules() -> None:
    told = {choice: why for choice, why, _ in choices_told()}
    assert f"one rung ({100 * RUNG:.0f} %)" in told["tempo"]
    assert f"{SWITCHES} switches a round" in told["pair, switches"]
    assert (UP_FROM, DOWN_BELOW) == (0.9, 0.75)
    assert "from nine in ten one rung faster, below three quarters three slower" in told["pair, switches"]
    assert (round(GROWTH, 3), round(SMALLER, 3), LEAST_MIN, MOST_MIN) == (1.1, 0.9, 5.0, 60.0)
    assert "a tenth above the median of the last four evenings; five at the least, sixty" in told["minutes"]
    assert told["rest"].startswith(f"{REST_S:.0f} s after a block")
    assert (BREAK_S / 60, BREAK_EVERY_MIN) == (3.0, 15.0)
    assert "three minutes every quarter of an hour" in told["rest"]
