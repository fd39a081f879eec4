"""``strokeplane batch``: many sessions into one table of strokes and one of blocks."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.terminal.say import say

if TYPE_CHECKING:
    from logger.many.batch import BatchResult, Forecast

SHOWN = 20
INTERRUPTED = 130


@click.command("batch")
@click.argument("places", metavar="DIR|GLOB...", nargs=-1, required=True)
@click.option(
    "-o",
    "--output",
    "folder",
    metavar="OUTDIR",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder for the tables; a new or empty one, or one of an earlier batch.",
)
@click.option("-j", "--jobs", type=click.IntRange(1), help="Sessions analysed at a time [default: one a core].")
@click.option("--dask", "address", metavar="ADDRESS", help="Let the workers of this Dask cluster do it.")
@click.option("--dry-run", is_flag=True, help="Only say what is left to do, and measure what a session costs.")
def command(places: tuple[str, ...], folder: Path, jobs: int | None, address: str | None, dry_run: bool) -> None:
    """Analyse many sessions; write strokes.parquet, blocks.parquet and sessions.csv.

    Places are folders of session files (and the folders in them), patterns in quotes, or files. What was analysed
    before is not analysed again; a session that cannot be used is listed and stops no other.
    """
    from logger.files.arrow_tables import need_pyarrow
    from logger.many.batch import check_folder, find_sessions, forecast_batch, run_batch
    from logger.many.session_work import local_crew
    from logger.terminal.progress_bar import show_progress

    if jobs is not None and address is not None:
        raise click.UsageError("--jobs is for this computer, --dask for a cluster; give one of them")
    named = find_sessions(places)
    check_folder(folder)
    need_pyarrow()
    if dry_run:
        _say_forecast(forecast_batch(named, folder))
        return
    try:
        with contextlib.ExitStack() as stack:
            crew = local_crew(jobs, len(named))
            if address is not None:
                from logger.many.dask_cluster import open_cluster

                crew = stack.enter_context(open_cluster(address))
            result = run_batch(named, folder, crew, stack.enter_context(show_progress()))
    except KeyboardInterrupt:
        say("Stopped. What was done is kept: the same command goes on from there.", err=True)
        raise click.exceptions.Exit(INTERRUPTED) from None
    _say_result(result, folder)


def _say_forecast(forecast: Forecast) -> None:
    left = forecast.sessions - forecast.known
    say(
        f"{forecast.sessions} sessions, {forecast.known} of them known from before; {left} to analyse "
        f"({forecast.megabytes:.1f} MB)."
    )
    if forecast.sample:
        say(
            f"Cost: {forecast.sample} took {forecast.sample_s:.2f} s of one worker; all {left} about "
            f"{_duration(forecast.left_s)} of one, divided by however many there are."
        )


def _say_result(result: BatchResult, folder: Path) -> None:
    from analysis.model.cautions import HAND_ONLY, HURT, NOT_MEDICAL, STOP
    from logger.many.batch_tables import BLOCKS_NAME, SESSIONS_NAME, STROKES_NAME

    count, done = result.count, result.done
    say(
        f"{count.used} of {result.sessions} sessions: {count.strokes} strokes in {folder / STROKES_NAME}, "
        f"{count.blocks} blocks in {folder / BLOCKS_NAME}."
    )
    cost = f", {done.worker_s / done.computed:.2f} s of one worker each" if done.computed else ""
    say(f"{done.computed} analysed now{cost}; {done.kept} known from before; {_duration(result.seconds)} went by.")
    if count.problems:
        say(f"{len(count.problems)} left out (all are in {folder / SESSIONS_NAME}):")
        for sentence in count.problems[:SHOWN]:
            say(f"- {sentence}", indent="  ")
        if len(count.problems) > SHOWN:
            say(f"- and {len(count.problems) - SHOWN} more", indent="  ")
    if count.hand_only:
        say(f"! {count.hand_only} sessions: {HAND_ONLY}", indent="  ")
    if count.hurt:
        say(f"! {count.hurt} sessions: {HURT}", indent="  ")
    say(f"! {STOP}\n! {NOT_MEDICAL}", indent="  ")


def _duration(seconds: float) -> str:
    if seconds < 120.0:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200.0 else f"{seconds / 3600:.1f} h"
