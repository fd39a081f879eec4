"""``strokeplane plan``: make, check and show practice plans."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.commands.own_tempo import (
    LADDER,
    LONG,
    POSTURES,
    find_tempi,
    practice_of,
    practice_options,
    tempo_options,
)
from logger.terminal.say import show

if TYPE_CHECKING:
    from logger.practice.plan import Plan, PlanBlock

REPLACE = "strokeplane.plan.replace"


def output_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add where the plan goes, and whether it may take the place of one that is there."""
    where = click.option(
        "-o", "--output", type=click.Path(path_type=Path), help="File to write [default: print the plan]."
    )
    # Kept beside the parameters: all else that a command gets goes into its blocks.
    over = click.option(
        "--replace", is_flag=True, expose_value=False, callback=_keep_replace, help="Write over an existing plan."
    )
    return where(over(command))


def _keep_replace(ctx: click.Context, _option: click.Parameter, given: bool) -> None:
    ctx.meta[REPLACE] = given


def block_options(seconds: float) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add what all blocks of a made plan share; so many seconds of play unless the player says otherwise."""
    options = (
        click.option("--wanted", type=click.Choice(["down", "up"]), help="The stroke that should clear the strings."),
        click.option("--drill", default="", help="Phrase to play, such as '4x2 3x2'."),
        click.option(
            "--bar", "beats_per_bar", default=4, show_default=True, help="Beats in a bar: the click's accents."
        ),
        click.option("--count-in", "count_in_beats", default=4, show_default=True, help="Beats of count-in."),
        click.option("--notes-per-beat", default=4.0, show_default=True, help="Strokes on each beat."),
        click.option("--rest", "rest_s", default=20.0, show_default=True, help="Seconds of rest after each block."),
        click.option("--seconds", default=seconds, show_default=True, help="Seconds of play in each block."),
    )

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in options:
            command = option(command)
        return command

    return add


@click.group("plan")
def command() -> None:
    """Practice plans: blocks of play with posture, tempo and rest, for the guided session.

    A plan is a TOML file. Make one with `plan new`, change it in any editor, check it with `plan check`.
    """


@command.group("new")
def new_command() -> None:
    """Make a plan from a pattern; print it, or write it to a file."""


@new_command.command("ladder", short_help="Tempo ladder: the same block at rising tempi.")
@tempo_options(ladder=True)
@click.option("--posture", default="A", show_default=True, help="Label of the posture.")
@block_options(30.0)
@output_option
def ladder_command(
    tempo: float | None,
    hold: tuple[Path, ...],
    last: float | None,
    step: float | None,
    output: Path | None,
    **same: Any,
) -> None:
    """Tempo ladder: the same block at rising tempi, to find how fast the stroke holds."""
    from logger.practice.plan_orders import plan_ladder

    tempi = find_tempi(LADDER, same["notes_per_beat"], tempo, hold, last, step)
    _give(plan_ladder(_block(tempo_bpm=tempi[0], **same), tempi), output)


@new_command.command("free", short_help="Free play without a click: how fast do you play?")
@click.option("--seconds", default=20.0, show_default=True, help="Seconds of play.")
@output_option
def free_command(seconds: float, output: Path | None) -> None:
    """Free play without a click, at an easy speed: its session gives --hold a tempo to start from."""
    from logger.practice.plan import Plan

    _give(Plan("Free play", (_block(seconds=seconds, note="Play what you like, at a speed that stays easy."),)), output)


@new_command.command("postures", short_help="Two POSTURES in balanced order with equal rests.")
@click.argument("postures", nargs=2)
@tempo_options(ladder=False)
@click.option("--rounds", default=1, show_default=True, help="Rounds of eight blocks: A B B A and its mirror.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="Which of the two starts each round; another seed, another start [default: drawn by lot].",
)
@block_options(30.0)
@output_option
def postures_command(
    postures: tuple[str, str],
    tempo: float | None,
    hold: tuple[Path, ...],
    rounds: int,
    seed: int | None,
    output: Path | None,
    **same: Any,
) -> None:
    """Two POSTURES in balanced order with equal rests, so that neither order nor fatigue favours one."""
    import secrets

    from logger.practice.plan_orders import plan_postures

    lot = secrets.randbelow(2**31) if seed is None else seed
    (bpm,) = find_tempi(POSTURES, same["notes_per_beat"], tempo, hold)
    _give(plan_postures(_block(tempo_bpm=bpm, **same), postures, rounds, lot), output)


@new_command.command("switch", short_help="Switch-over: a PHRASE, then its twin in another posture.")
@click.argument("phrase")
@practice_options
@output_option
def switch_command(phrase: str, output: Path | None, **chosen: Any) -> None:
    """Switch-over: a PHRASE for some seconds, a bar of rest, then its twin in the other posture."""
    from analysis.drills.phrases import read_phrase
    from analysis.drills.practice_form import lay_out
    from logger.practice.plan import MOST_STRINGS
    from logger.practice.plan_orders import plan_practice

    read = read_phrase(phrase, MOST_STRINGS)
    twin, form = practice_of(read, chosen)
    _give(plan_practice(lay_out(read, twin, form), "Switch-over"), output)


@new_command.command("long")
@click.option("--minutes", default=40.0, show_default=True, help="Minutes of play in all.")
@click.option("--break-every", default=15.0, show_default=True, help="Minutes of play between breaks.")
@click.option("--break-seconds", default=180.0, show_default=True, help="Seconds of a break.")
@tempo_options(ladder=False)
@click.option("--posture", default="A", show_default=True, help="Label of the posture.")
@block_options(120.0)
@output_option
def long_command(
    minutes: float,
    break_every: float,
    break_seconds: float,
    tempo: float | None,
    hold: tuple[Path, ...],
    output: Path | None,
    **same: Any,
) -> None:
    """Long session: many blocks, with breaks away from the instrument."""
    from logger.practice.plan_orders import plan_long

    (bpm,) = find_tempi(LONG, same["notes_per_beat"], tempo, hold)
    _give(plan_long(_block(tempo_bpm=bpm, **same), minutes, break_every, break_seconds), output)


@command.command("check")
@click.argument("plans", metavar="PLAN...", nargs=-1, required=True, type=click.Path(path_type=Path))
def check_command(plans: tuple[Path, ...]) -> None:
    """Check whether PLANs can be played, and what they would hardly answer."""
    from logger.practice.plan import read_plan
    from logger.practice.plan_orders import find_remarks
    from logger.terminal.plan_text import describe_plan, wrap

    for path in plans:
        plan = read_plan(path)
        show(wrap(f"{path}: {describe_plan(plan)}"))
        for remark in find_remarks(plan):
            show(wrap(f"Note: {remark}"))


@command.command("show")
@click.argument("path", metavar="PLAN", type=click.Path(path_type=Path))
def show_command(path: Path) -> None:
    """Show a PLAN's blocks as a table."""
    from logger.practice.plan import read_plan
    from logger.terminal.plan_text import show_plan

    show(show_plan(read_plan(path)))


def _block(**values: Any) -> PlanBlock:
    from logger.practice.plan import PlanBlock

    return PlanBlock(**values)


def _give(plan: Plan, output: Path | None) -> None:
    from logger.files.atomic_file import write_text_atomic
    from logger.practice.plan import check_plan_target, render_plan
    from logger.terminal.plan_text import describe_plan, wrap

    if output is None:
        show(render_plan(plan), end=False)
        return
    check_plan_target(output, bool(click.get_current_context().meta.get(REPLACE)))
    write_text_atomic(output, render_plan(plan))
    show(wrap(f"{output}: {describe_plan(plan)}"))
