"""``strokeplane steady``: is it consistent."""

from __future__ import annotations

from pathlib import Path

import click

from logger.commands.answer_options import output_options, session_arguments


@click.command("steady")
@session_arguments
@click.option("--posture", help="Only this posture; all of them if left out.")
@output_options
def command(sessions: tuple[Path, ...], posture: str | None, json_path: Path | None, html: Path | None) -> None:
    """See how far your strokes scatter, how evenly matched they are, and what change could be seen at all.

    SESSION... are session files of one player.
    """
    from analysis.questions.consistency import measure_consistency
    from analysis.report.question_sections import consistency_section
    from logger.many.analyse import analyse_with_progress
    from logger.report.answer_output import all_cautions, check_outputs, each_posture, put_out

    check_outputs(json_path, html, sessions)
    results = analyse_with_progress(sessions)
    steady = each_posture(results, posture, lambda name: measure_consistency(results, name))
    put_out("Consistency", [consistency_section(steady)], {"steady": steady}, all_cautions(results), (json_path, html))
