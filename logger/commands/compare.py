"""``strokeplane compare``: which posture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.answer_options import output_options, session_arguments

if TYPE_CHECKING:
    from analysis.questions.posture import Margins

FIELDS = {
    "tilt": "tilt_deg",
    "spread": "spread_deg",
    "size": "size_mm",
    "lift": "lift_mm",
    "clears": "clears_of_100",
    "timing": "timing_pct",
    "hold": "hold_strokes_per_s",
}


def _read_margins(_context: click.Context, _option: click.Parameter, given: Sequence[str]) -> Margins:
    from analysis.questions.posture import Margins

    found: dict[str, float] = {}
    for text in given:
        name, _, value = text.partition("=")
        if name not in FIELDS:
            raise click.BadParameter(f"expected NAME=VALUE with one of {', '.join(FIELDS)}, found {text!r}")
        try:
            found[FIELDS[name]] = float(value)
        except ValueError as error:
            raise click.BadParameter(f"expected a number behind {name}=, found {value!r}") from error
        if not 0 < found[FIELDS[name]] < float("inf"):
            raise click.BadParameter(f"expected a margin above 0, found {text!r}")
    return Margins(**found)


@click.command("compare")
@session_arguments
@click.option(
    "--posture", "postures", multiple=True, help="One of the two postures; give it twice where there are more."
)
@click.option(
    "--margin",
    "margins",
    metavar="NAME=VALUE",
    multiple=True,
    callback=_read_margins,
    help="Difference within which two postures count as the same, for one quantity; may be given for each: tilt=3 "
    "(degrees), spread=2 (degrees), size=2 (mm), lift=1 (mm), clears=10 (of 100), timing=2 (%), hold=0.5 (strokes/s). "
    "These are the defaults, choices of this program without a source.",
)
@output_options
def command(
    sessions: tuple[Path, ...],
    postures: tuple[str, ...],
    margins: Margins,
    json_path: Path | None,
    html: Path | None,
) -> None:
    """Compare two postures and find out which to play: tilt, spread, size, lift, clearing, timing, hold, switches.

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
    comparison = compare_postures(results, postures, PostureSettings(margins))
    sections = [comparison_section(comparison)]
    put_out("Postures", sections, {"comparison": comparison}, all_cautions(results), (json_path, html))
