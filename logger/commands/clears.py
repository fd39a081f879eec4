"""``strokeplane clears``: will it clear, and how small may the stroke become."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from logger.commands.answer_options import output_options, session_arguments


@click.command("clears")
@session_arguments
@click.option("--posture", help="Only this posture; all of them if left out.")
@click.option("--stroke", type=click.Choice(["down", "up"]), help="The stroke to judge, if the blocks do not say.")
@output_options
def command(
    sessions: tuple[Path, ...], posture: str | None, stroke: Any, json_path: Path | None, html: Path | None
) -> None:
    """See how many strokes pass the next string, by how much, and how small your stroke may be.

    SESSION... are session files of one player on one instrument.
    """
    from analysis.questions.clearing import judge_clearing
    from analysis.report.question_sections import clearing_section
    from logger.many.analyse import analyse_with_progress
    from logger.report.answer_output import all_cautions, check_outputs, each_posture, put_out

    check_outputs(json_path, html, sessions)
    results = analyse_with_progress(sessions)
    clears = each_posture(results, posture, lambda name: judge_clearing(results, name, stroke))
    put_out("Clearing", [clearing_section(clears)], {"clears": clears}, all_cautions(results), (json_path, html))
