"""``strokeplane hold``: does it stay tilted at speed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from logger.commands.answer_options import output_options, session_arguments


@click.command("hold")
@session_arguments
@click.option("--posture", help="Only this posture; all of them if left out.")
@click.option("--drill", help="Only blocks of this drill.")
@click.option(
    "--wanted", type=click.Choice(["down", "up"]), help="The stroke that should clear, if the blocks do not say."
)
@output_options
def command(
    sessions: tuple[Path, ...],
    posture: str | None,
    drill: str | None,
    wanted: Any,
    json_path: Path | None,
    html: Path | None,
) -> None:
    """Find out up to what tempo your stroke stays tilted, and how it fails beyond that.

    SESSION... are session files of one player with blocks at three speeds or more.
    """
    from analysis.questions.hold import find_hold_tempo
    from analysis.report.question_sections import hold_section
    from logger.many.analyse import analyse_with_progress
    from logger.report.answer_output import all_cautions, check_outputs, each_posture, put_out

    check_outputs(json_path, html, sessions)
    results = analyse_with_progress(sessions)
    holds = each_posture(results, posture, lambda name: find_hold_tempo(results, name, wanted, drill=drill))
    put_out("Hold tempo", [hold_section(holds)], {"hold": holds}, all_cautions(results), (json_path, html))
