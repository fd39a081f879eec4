"""``strokeplane compare``: which posture."""

from __future__ import annotations

from pathlib import Path

import click

from logger.commands.answer_options import output_options, session_arguments


@click.command("compare")
@session_arguments
@click.option(
    "--posture", "postures", multiple=True, help="One of the two postures; give it twice where there are more."
)
@click.option(
    "--margin",
    type=click.FloatRange(0, min_open=True),
    default=3.0,
    show_default=True,
    help="Difference of mean tilt, degrees, within which two postures count as the same.",
)
@output_options
def command(
    sessions: tuple[Path, ...],
    postures: tuple[str, ...],
    margin: float,
    json_path: Path | None,
    html: Path | None,
) -> None:
    """Say whether two postures differ in tilt, spread, hold tempo, timing and lift, and how fast they are switched.

    SESSION... are session files of one player with blocks of both postures in mixed order (ABBA), the reference
    gestures repeated in each posture.
    """
    from analysis.questions.posture import PostureSettings, compare_postures
    from analysis.report.question_sections import comparison_section
    from logger.many.analyse import analyse_with_progress
    from logger.report.answer_output import all_cautions, check_outputs, put_out

    if len(postures) not in (0, 2):
        raise click.UsageError(f"--posture is given {len(postures)} times; give it twice, or not at all")
    check_outputs(json_path, html, sessions)
    results = analyse_with_progress(sessions)
    comparison = compare_postures(results, postures, PostureSettings(tilt_margin_deg=margin))
    sections = [comparison_section(comparison)]
    put_out("Postures", sections, {"comparison": comparison}, all_cautions(results), (json_path, html))
