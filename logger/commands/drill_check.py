"""``strokeplane drill check``: whether each string change cleared."""

from __future__ import annotations

from pathlib import Path

import click

from logger.commands.answer_options import json_option
from logger.commands.sound_options import sound_options
from logger.terminal.say import say


@click.command("check", short_help="See which string changes of a SESSION cleared.")
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option(
    "--changes", metavar="FILE.csv", type=click.Path(path_type=Path), help="Write one row for each string change."
)
@json_option
@sound_options
def check_command(
    session: Path, changes: Path | None, json_path: Path | None, sound: Path | None, tuning: str | None
) -> None:
    """See which string changes of a SESSION cleared the strings, and which one is the weakest.

    The drill of a block is a PHRASE, or a name whose phrase the session knows.
    """
    from analysis.drills.session_changes import judge_drills
    from analysis.model.cautions import HURT, NOT_MEDICAL, STOP, discomfort
    from analysis.model.errors import InputError
    from logger.commands.sound_options import hear_or_say, render_heard
    from logger.files.own_result import check_result
    from logger.many.analyse import analyse_file
    from logger.practice.practice_files import CHANGES_SIGN, write_changes
    from logger.report.answer_output import STDOUT, check_outputs, put_json
    from logger.sound.sound_file import read_sound
    from logger.terminal.drill_text import describe_block, join_parts, tell_block
    from logger.terminal.progress_bar import show_progress

    inputs = (session,) if sound is None else (session, sound)
    check_outputs(json_path, None, inputs)
    if changes is not None:
        check_result(changes, CHANGES_SIGN, inputs)
    take = None if sound is None else read_sound(sound)
    with show_progress() as progress:
        found = analyse_file(session, progress)
        heard, silent = hear_or_say(take, tuning, session, found)
        emissions = None if heard is None else heard.emissions
        blocks, problems = judge_drills(found.result, found.session.metadata, heard=emissions)
    if not blocks and not problems:
        raise InputError(
            "no block names a drill",
            next_step="give a block's drill as a phrase such as '4x2 3x2'.",
            file=str(session),
        )
    if not blocks:
        raise InputError(f"{session}: " + " ".join(problems))
    cautions = (*((HURT,) if discomfort(found.session.events) else ()), STOP, NOT_MEDICAL)
    if json_path is not None:
        put_json({"drills": [tell_block(block) for block in blocks], "problems": problems}, cautions, json_path)
    if json_path != STDOUT:
        listened = (render_heard(heard),) if heard is not None else (silent,) if silent else ()
        say(join_parts([*(describe_block(block) for block in blocks), *problems, *listened]), indent="  ")
        say("\n" + "\n".join(f"! {caution}" for caution in cautions), indent="  ")
    if changes is not None:
        write_changes(changes, blocks)
