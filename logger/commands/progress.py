"""``strokeplane progress``: sessions over weeks, and which player needs attention."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click

from logger.commands.answer_options import output_options


@click.command("progress")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--player", help="Only this player; all of them, who needs attention first, if left out.")
@click.option(
    "--today",
    metavar="YYYY-MM-DD",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Count days back from this date [default: the newest session].",
)
@click.option("--jobs", type=click.IntRange(1), help="Sessions analysed at a time [default: one a core].")
@click.option(
    "--without-names",
    is_flag=True,
    help="Call the players p01, p02, ..., for a page to pass on; --player still takes the name.",
)
@output_options
def command(
    folder: Path,
    player: str | None,
    today: datetime | None,
    jobs: int | None,
    without_names: bool,
    json_path: Path | None,
    html: Path | None,
) -> None:
    """See what has changed over the weeks, beyond the difference between any two sessions.

    DIR holds session files, in folders or not. Their summaries are kept in it, so that only new and changed sessions
    are analysed.
    """
    from logger.many.session_cache import summarise_folder
    from logger.report.answer_output import check_outputs
    from logger.report.progress_page import only_player, put_out_progress
    from logger.terminal.progress_bar import show_progress

    check_outputs(json_path, html, ())
    with show_progress() as tell:
        found = summarise_folder(folder, jobs, tell)
    wanted = found if player is None else only_player(found, player)
    if without_names:
        from logger.exchange.without_names import summaries_without_names

        # Labels are those of all players: one who is shown alone keeps the label that all know.
        hashes = {summary.log_hash for summary in wanted.summaries}
        nameless = summaries_without_names(found)
        wanted = replace(nameless, summaries=tuple(s for s in nameless.summaries if s.log_hash in hashes))
    now_s = today.timestamp() if today else None
    put_out_progress(wanted, now_s, (json_path, html))
