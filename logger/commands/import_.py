"""``strokeplane import``: another program's log, or an export, to a session file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.heights_option import heights_option, with_heights
from logger.terminal.say import say

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.model.records import Session
    from logger.exchange.import_csv import Imported

MOTION = "_motion.tsv"


@click.command("import")
@click.argument("source", metavar="SOURCE", type=click.Path(path_type=Path))
@click.option(
    "--columns",
    "map_path",
    metavar="MAP.toml",
    type=click.Path(path_type=Path),
    help="Which columns hold time, accelerometer and gyroscope, and in what units; without it they are guessed.",
)
@click.option(
    "--events",
    "events_path",
    metavar="EVENTS.csv",
    type=click.Path(path_type=Path),
    help="What you did when: reference gestures, play, rest, ratings. For a table.",
)
@click.option(
    "--instrument",
    "instrument_path",
    metavar="LOG",
    type=click.Path(path_type=Path),
    help="The log of a second sensor, on the instrument: any table that SOURCE may be. A phone's will do.",
)
@click.option(
    "--instrument-columns",
    "instrument_map_path",
    metavar="MAP.toml",
    type=click.Path(path_type=Path),
    help="Columns and units of the instrument's log; without it they are guessed.",
)
@heights_option
@click.option("--point", metavar="NAME", help="Tracked point of the picking hand, where a BIDS recording has several.")
@click.option(
    "-o",
    "--output",
    metavar="SESSION.mcap",
    type=click.Path(path_type=Path),
    help="The session file to write, for a whole BIDS data set a folder; for a table, beside it if left out.",
)
@click.option("--replace", is_flag=True, help="Write over existing session files.")
def import_command(
    source: Path,
    map_path: Path | None,
    events_path: Path | None,
    instrument_path: Path | None,
    instrument_map_path: Path | None,
    heights_mm: tuple[float, float] | None,
    point: str | None,
    output: Path | None,
    replace: bool,
) -> None:
    """Turn any sensor's table, a Motion-BIDS recording or exported Parquet into a session file.

    SOURCE is a table of numbers (CSV with any separator, gzip, Parquet), a folder or ZIP with a table a sensor, a
    ..._motion.tsv, the folder of a BIDS data set, or a .signals.parquet that strokeplane exported. Without --columns,
    columns and units are guessed, checked against gravity and shown; the MAP.toml that says the same is written beside
    the session. All times stay on the file's own time column. What is mended is told; what cannot be decided is named,
    and then nothing is written. With --instrument the session holds both sensors, each on its own clock.
    """
    from logger.session.made_session import check_session_target
    from logger.terminal.progress_bar import part_of, show_progress

    is_table = _is_table(source)
    options = _Options(map_path, events_path, instrument_path, instrument_map_path, point, heights_mm)
    if not is_table and any((map_path, events_path, instrument_path)):
        raise click.UsageError(
            "--columns, --events and --instrument are for a table; this source names its columns, events and sensors "
            "itself"
        )
    if instrument_map_path is not None and instrument_path is None:
        raise click.UsageError("--instrument-columns is for the log that --instrument names")
    if point is not None and not (source.is_dir() or source.name.endswith(MOTION)):
        raise click.UsageError("--point is for a BIDS recording")
    if output is None and not is_table:
        raise click.UsageError("Missing option '-o': name the session file to write")
    tasks = [(source, output or beside(source))] if is_table else _tasks(source, output or source)
    for path, target in tasks:
        if target != path:
            check_session_target(target, replace)
    said = []
    with show_progress() as progress:
        for number, (path, target) in enumerate(tasks):
            told = part_of(progress, number / len(tasks), (number + 1) / len(tasks))
            said.append(_import_one(path, target, options, told))
    for each in said:
        for line in each.shown:
            say(line)
        for warning in each.warnings:
            say(f"Note: {warning}", err=True)
        say(each.sentence)


@dataclass(frozen=True)
class _Options:
    """What else was named on the command line."""

    map_path: Path | None
    events_path: Path | None
    instrument_path: Path | None
    instrument_map_path: Path | None
    point: str | None
    heights_mm: tuple[float, float] | None

    @property
    def inputs(self) -> list[Path]:
        """Files that are read and must not be written over."""
        named = (self.map_path, self.events_path, self.instrument_path, self.instrument_map_path)
        return [path for path in named if path is not None]


def beside(source: Path) -> Path:
    """Session file beside a table, named after it."""
    name = source.resolve().name
    stem = name if source.is_dir() else Path(name.removesuffix(".gz")).stem
    return source.parent / f"{stem}.mcap"


def _is_table(source: Path) -> bool:
    """Whether the source is a table of numbers, or a folder or ZIP of such tables."""
    from logger.exchange.check_bids import find_recordings

    if source.name.endswith(MOTION) or _is_ours(source):
        return False
    return not source.is_dir() or not find_recordings(source)


def _is_ours(source: Path) -> bool:
    """Whether a Parquet file is one that strokeplane exported."""
    if source.suffix.lower() != ".parquet" or not source.is_file():
        return False
    from logger.exchange.import_parquet import is_exported

    return is_exported(source)


def _tasks(source: Path, output: Path) -> list[tuple[Path, Path]]:
    """What to read and what to write: one file, or every recording of a data set."""
    from analysis.model.errors import InputError, OutputError
    from logger.exchange.check_bids import hand_recordings

    if not source.is_dir():
        return [(source, output)]
    recordings = hand_recordings(source)
    if not recordings:
        raise InputError(
            expected=f"a Motion-BIDS data set (sub-*/.../*{MOTION})",
            found="none",
            next_step="name its top folder",
            file=str(source),
        )
    if len(recordings) == 1 and output.suffix == ".mcap":
        return [(recordings[0], output)]
    if output.suffix == ".mcap" or output.is_file():
        raise OutputError(
            f"{source} holds {len(recordings)} recordings",
            next_step="name a folder to write the sessions into",
        )
    return [(path, output / f"{path.name.removesuffix(MOTION)}.mcap") for path in recordings]


@dataclass(frozen=True)
class _Said:
    """What there is to say of one import: what was guessed, warnings, and what was written."""

    shown: tuple[str, ...]
    warnings: tuple[str, ...]
    sentence: str


def _import_one(
    source: Path,
    output: Path,
    options: _Options,
    progress: Callable[[str, float], None],
) -> _Said:
    """Read one session and write it."""
    from analysis.consistency.judge import UNTESTED, judge_log
    from logger.exchange.import_words import count_missing, event_lines, guess_lines, stream_words
    from logger.files.atomic_file import check_writable, make_folder
    from logger.session.session_file import write_session

    if source.name.endswith(MOTION):
        make_folder(output.parent)
    if not source.is_dir():
        check_writable(output, inputs=[source, *options.inputs])
    read = _read(source, options, progress)
    session = read.session
    shown = () if read.guessed is None else guess_lines(read.guessed, source, output.with_suffix(".map.toml"))
    if options.instrument_path is not None:
        session, lines = _add_instrument(session, options, output, progress)
        shown += lines
    session = replace(session, metadata=with_heights(dict(session.metadata), options.heights_mm))
    progress(f"Writing {output.name}", 1.0)
    shown += () if read.found is None else event_lines(read.found, session.events, output)
    write_session(output, session)
    raw, profile = session.raw, session.profile
    missing, gaps = count_missing(raw)
    judgement = judge_log(session)
    # What is not tested is no fault of the file: it is said only where nothing worse is.
    doubts = tuple(doubt.sentence for doubt in judgement.doubts if doubt.kind != UNTESTED) or (judgement.tested,)
    return _Said(
        shown,
        (*session.warnings, *doubts),
        (
            f"Wrote {output}: {raw.ticks.size} samples at {profile.rate_hz:.6g}/s, "
            f"{(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz:.1f} s, {missing} missing in {gaps} gaps, "
            f"{len(session.events)} events." + "".join(stream_words(stream) for stream in session.streams)
        ),
    )


def _add_instrument(
    session: Session, options: _Options, output: Path, progress: Callable[[str, float], None]
) -> tuple[Session, tuple[str, ...]]:
    """The session with the instrument's log in it, and what was guessed of that."""
    from logger.exchange.import_instrument import add_instrument
    from logger.exchange.import_words import guess_lines

    path = options.instrument_path
    if path is None:
        return session, ()
    added = add_instrument(
        session, path, options.instrument_map_path, lambda share: progress(f"Reading {path.name}", share)
    )
    if added.guessed is None:
        return added.session, ()
    return added.session, guess_lines(added.guessed, path, output.with_suffix(".instrument.map.toml"))


def _read(source: Path, options: _Options, progress: Callable[[str, float], None]) -> Imported:
    """Read one session by its kind."""
    from logger.exchange.import_csv import Imported, import_tables

    progress(f"Reading {source.name}", 0.0)
    if source.name.endswith(MOTION):
        from logger.exchange.import_bids import import_bids

        return Imported(import_bids(source, options.point))
    if _is_ours(source):
        from logger.exchange.import_parquet import import_parquet

        return Imported(import_parquet(source))

    def told(share: float) -> None:
        progress(f"Reading {source.name}", share)

    return import_tables(source, options.map_path, options.events_path, told)
