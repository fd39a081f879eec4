"""``strokeplane next``: the next evening's plan, from what was played."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.plan import REPLACE, output_option
from logger.terminal.say import show

if TYPE_CHECKING:
    from logger.practice.ability import Ability
    from logger.practice.next_plan import NextPlan


@click.command("next")
@click.argument("paths", metavar="[FOLDER|SESSION...]", nargs=-1, type=click.Path(path_type=Path))
@click.option("--posture", help="Practise this posture.")
@click.option("--pair", nargs=2, metavar="LOW HIGH", help="Switch between these two postures.")
@click.option("--tempo", "tempo_bpm", type=click.FloatRange(20, 400), help="Fastest tempo, BPM.")
@click.option("--minutes", type=click.FloatRange(1, 180), help="Minutes of play.")
@click.option("--size", "span_mm", type=click.FloatRange(2, 100), help="Size of the stroke, mm.")
@click.option("--switches/--no-switches", default=None, help="Switch postures, or not.")
@click.option("--player", help="Whose evenings, if no session says [default: who plays now].")
@click.option("--keep/--no-keep", default=True, show_default=True, help="Remember the evening for the next time.")
@output_option
def command(
    paths: tuple[Path, ...],
    posture: str | None,
    pair: tuple[str, str] | None,
    tempo_bpm: float | None,
    minutes: float | None,
    span_mm: float | None,
    switches: bool | None,
    player: str | None,
    keep: bool,
    output: Path | None,
) -> None:
    """Plan the next evening from what you played, with a reason for every choice.

    SESSION... are evenings of one player, in the order played; of a FOLDER the newest session is taken. With neither,
    the plan follows from the evenings kept. Every choice can be overruled by an option.
    """
    from logger.files.atomic_file import check_absent
    from logger.practice.next_plan import Wishes, plan_next

    if output is not None:
        check_absent(output, bool(click.get_current_context().meta.get(REPLACE)))
    ability, cautions = _ability(paths, player, keep)
    wishes = Wishes(posture, pair, tempo_bpm, minutes, span_mm, switches)
    _give(plan_next(ability, wishes, date.today().isoformat()), cautions, output)


def _ability(paths: tuple[Path, ...], player: str | None, keep: bool) -> tuple[Ability, tuple[str, ...]]:
    """What the player can do after these sessions, and the cautions that go with it."""
    from analysis.model.cautions import session_cautions
    from logger.player.ability_file import keep_evenings, learn_evenings, load_ability
    from logger.player.player_profile import load_active

    if not paths:
        active = load_active()
        name = player or (active.player.name if active else "")
        return load_ability(name), session_cautions((), from_gestures=True)
    from analysis.model.errors import InputError
    from analysis.questions.block_table import check_one_player
    from analysis.report.session_answers import answer_session
    from logger.many.analyse import analyse_with_progress
    from logger.practice.tonight import day_of, reduce_evening
    from logger.report.answer_output import all_cautions
    from logger.session.session_file import read_session

    results = analyse_with_progress([_session(path) for path in paths])
    check_one_player(results)
    name = results[0].player.name
    if player is not None and name and player != name:
        raise InputError(
            expected=f"evenings of {player}",
            found=f"those of {name}",
            next_step="name sessions of one player",
        )
    name = name or player or ""
    days = [day_of(read_session(_session(path))) for path in paths]
    played = [reduce_evening(result, answer_session(result), day) for result, day in zip(results, days, strict=True)]
    ability = learn_evenings(name, played)
    if keep and name:
        keep_evenings(name, ability)
    return ability, all_cautions(results)


def _session(path: Path) -> Path:
    """The session itself, or a folder's newest."""
    from analysis.model.errors import InputError

    if not path.is_dir():
        return path
    found = sorted(path.rglob("*.mcap"), key=lambda file: (file.stat().st_mtime, file.name))
    if not found:
        raise InputError(
            expected=f"session files (.mcap) in {path}",
            found="none",
            next_step="record or import one into it",
        )
    return found[-1]


def _give(found: NextPlan, cautions: tuple[str, ...], output: Path | None) -> None:
    """Print the plan below its reasons and cautions, as comments; or write it, and say them."""
    from logger.files.atomic_file import write_text_atomic
    from logger.player.tomorrow import next_text
    from logger.terminal.plan_text import describe_plan, wrap

    text = next_text(found, cautions)
    if output is None:
        show(text, end=False)
        return
    write_text_atomic(output, text)
    show(wrap(f"{output}: {describe_plan(found.plan)}"))
    for sentence in dict.fromkeys((*found.reasons, *cautions)):
        show(wrap(sentence))
