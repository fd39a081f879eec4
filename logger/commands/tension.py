"""``strokeplane tension``: does anything change over a long session."""

from __future__ import annotations

from pathlib import Path

import click

from logger.commands.answer_options import output_options


@click.command("tension")
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option(
    "--break-every",
    type=click.FloatRange(0, min_open=True),
    default=30.0,
    show_default=True,
    help="Minutes in which one break was planned, the break included.",
)
@click.option(
    "--break-minutes",
    type=click.FloatRange(0, min_open=True),
    default=5.0,
    show_default=True,
    help="Length of a planned break.",
)
@output_options
def command(session: Path, break_every: float, break_minutes: float, json_path: Path | None, html: Path | None) -> None:
    """See whether tremor, smoothness, evenness, timing or attack drift away from how a long session began.

    SESSION is a session file of twenty minutes or more. Reported discomfort outranks whatever the markers say.
    """
    from analysis.report.tension_sections import tension_section
    from analysis.tension.assessment import measure_tension
    from logger.many.analyse import analyse_with_progress
    from logger.report.answer_output import check_outputs, put_out

    check_outputs(json_path, html, (session,))
    result = analyse_with_progress((session,))[0]
    tension = measure_tension(result, break_every, break_minutes)
    section = tension_section(tension, pictures=html is not None)
    put_out("Tension", [section], {"tension": tension}, result.cautions, (json_path, html))
