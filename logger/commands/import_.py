"""``strokeplane import``: another program's log, or an export, to a session file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.terminal.say import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.model.records import Session

MOTION = "_motion.tsv"


@click.command("import")
@click.argument("source", metavar="SOURCE", type=click.Path(path_type=Path))
@click.option(
    "--columns",
    "map_path",
    metavar="MAP.toml",
    type=click.Path(path_type=Path),
    help="Which columns of a CSV hold time, accelerometer and gyroscope, and in what units.",
)
@click.option(
    "--events",
    "events_path",
    metavar="EVENTS.csv",
    type=click.Path(path_type=Path),
    help="What was done when: reference gestures, play, rest, ratings. For a CSV.",
)
@click.option("--point", metavar="NAME", help="Tracked point of the picking hand, where a BIDS recording has several.")
@click.option(
    "-o",
    "--output",
    metavar="SESSION.mcap",
    type=click.Path(path_type=Path),
    required=True,
    help="The session file to write; for a whole BIDS data set, a folder.",
)
@click.option("--replace", is_flag=True, help="Write over session files that are there.")
def import_command(
    source: Path, map_path: Path | None, events_path: Path | None, point: str | None, output: Path, replace: bool
) -> None:
    """Turn any sensor's CSV, a Motion-BIDS recording or exported Parquet into a session file.

    SOURCE is a CSV (then --columns is needed), a ..._motion.tsv, the folder of a BIDS data set, or a .signals.parquet
    that strokeplane exported. In a CSV, columns may be separated by comma, semicolon or tab, with decimal point or
    decimal comma. All times stay on the file's own time column. Lines that cannot be used are named; then nothing is
    written.
    """
    from logger.files.atomic_file import check_absent
    from logger.terminal.progress_bar import part_of, show_progress

    is_csv = not (source.is_dir() or source.name.endswith(MOTION) or source.suffix.lower() == ".parquet")
    if is_csv and map_path is None:
        raise click.UsageError("Missing option '--columns': a CSV needs a MAP.toml that names its columns")
    if not is_csv and (map_path is not None or events_path is not None):
        raise click.UsageError("--columns and --events are for a CSV; this source names its columns and events itself")
    if point is not None and not (source.is_dir() or source.name.endswith(MOTION)):
        raise click.UsageError("--point is for a BIDS recording")
    tasks = _tasks(source, output)
    for path, target in tasks:
        check_absent(target, replace or target == path)
    said = []
    with show_progress() as progress:
        for number, (path, target) in enumerate(tasks):
            told = part_of(progress, number / len(tasks), (number + 1) / len(tasks))
            said.append(_import_one(path, target, (map_path, events_path, point), told))
    for warnings, sentence in said:
        for warning in warnings:
            say(f"Note: {warning}", err=True)
        say(sentence)


def _tasks(source: Path, output: Path) -> list[tuple[Path, Path]]:
    """What to read and what to write: one file, or every recording of a data set."""
    from analysis.model.errors import InputError, OutputError
    from logger.exchange.check_bids import find_recordings

    if not source.is_dir():
        return [(source, output)]
    recordings = find_recordings(source)
    if not recordings:
        raise InputError(
            f"{source}: expected a Motion-BIDS data set (sub-*/.../*{MOTION}), found none; name its top folder"
        )
    if len(recordings) == 1 and output.suffix == ".mcap":
        return [(recordings[0], output)]
    if output.suffix == ".mcap" or output.is_file():
        raise OutputError(f"{source} holds {len(recordings)} recordings; name a folder to write the sessions into")
    return [(path, output / f"{path.name.removesuffix(MOTION)}.mcap") for path in recordings]


def _import_one(
    source: Path,
    output: Path,
    options: tuple[Path | None, Path | None, str | None],
    progress: Callable[[str, float], None],
) -> tuple[tuple[str, ...], str]:
    """Read one session and write it; return its warnings and what to say."""
    from logger.exchange.import_csv import count_missing
    from logger.files.atomic_file import check_writable, make_folder
    from logger.session.session_file import write_session

    if source.name.endswith(MOTION):
        make_folder(output.parent)
    check_writable(output, inputs=[path for path in (source, *options[:2]) if path is not None])
    session = _read(source, options, progress)
    progress(f"Writing {output.name}", 1.0)
    write_session(output, session)
    raw, profile = session.raw, session.profile
    missing, gaps = count_missing(raw)
    return session.warnings, (
        f"Wrote {output}: {raw.ticks.size} samples at {profile.rate_hz:.6g}/s, "
        f"{(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz:.1f} s, {missing} missing in {gaps} gaps, "
        f"{len(session.events)} events."
    )


def _read(
    source: Path, options: tuple[Path | None, Path | None, str | None], progress: Callable[[str, float], None]
) -> Session:
    """Read one session by its kind."""
    map_path, events_path, point = options
    progress(f"Reading {source.name}", 0.0)
    if source.name.endswith(MOTION):
        from logger.exchange.import_bids import import_bids

        return import_bids(source, point)
    if map_path is None:
        from logger.exchange.import_parquet import import_parquet

        return import_parquet(source)
    from logger.exchange.import_csv import import_csv

    return import_csv(source, map_path, events_path, lambda share: progress(f"Reading {source.name}", share))
