"""``strokeplane import``: another program's log, or an export, to a session file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.terminal.say import say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analysis.model.records import Event, Session
    from analysis.reference.find_gestures import FoundEvents
    from logger.exchange.guess_map import GuessedMap

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
    help="What was done when: reference gestures, play, rest, ratings. For a table.",
)
@click.option("--point", metavar="NAME", help="Tracked point of the picking hand, where a BIDS recording has several.")
@click.option(
    "-o",
    "--output",
    metavar="SESSION.mcap",
    type=click.Path(path_type=Path),
    help="The session file to write, for a whole BIDS data set a folder; for a table, beside it if left out.",
)
@click.option("--replace", is_flag=True, help="Write over session files that are there.")
def import_command(
    source: Path, map_path: Path | None, events_path: Path | None, point: str | None, output: Path | None, replace: bool
) -> None:
    """Turn any sensor's table, a Motion-BIDS recording or exported Parquet into a session file.

    SOURCE is a table of numbers (CSV with any separator, gzip, Parquet), a folder or ZIP with a table a sensor, a
    ..._motion.tsv, the folder of a BIDS data set, or a .signals.parquet that strokeplane exported. Without --columns,
    columns and units are guessed, checked against gravity and shown; the MAP.toml that says the same is written beside
    the session. All times stay on the file's own time column. What is mended is told; what cannot be decided is named,
    and then nothing is written.
    """
    from logger.session.made_session import check_session_target
    from logger.terminal.progress_bar import part_of, show_progress

    is_table = _is_table(source)
    if not is_table and (map_path is not None or events_path is not None):
        raise click.UsageError(
            "--columns and --events are for a table; this source names its columns and events itself"
        )
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
            said.append(_import_one(path, target, (map_path, events_path, point), told))
    for shown, warnings, sentence in said:
        for line in shown:
            say(line)
        for warning in warnings:
            say(f"Note: {warning}", err=True)
        say(sentence)


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
    from logger.exchange.check_bids import find_recordings

    if not source.is_dir():
        return [(source, output)]
    recordings = find_recordings(source)
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


def _import_one(
    source: Path,
    output: Path,
    options: tuple[Path | None, Path | None, str | None],
    progress: Callable[[str, float], None],
) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """Read one session and write it; return what was guessed, its warnings and what to say."""
    from analysis.consistency.judge import UNTESTED, judge_log
    from logger.exchange.import_csv import count_missing
    from logger.files.atomic_file import check_writable, make_folder
    from logger.session.session_file import write_session

    if source.name.endswith(MOTION):
        make_folder(output.parent)
    if not source.is_dir():
        check_writable(output, inputs=[path for path in (source, *options[:2]) if path is not None])
    session, guessed, found = _read(source, options, progress)
    progress(f"Writing {output.name}", 1.0)
    shown = () if guessed is None else _show_guess(guessed, source, output)
    shown += () if found is None else _show_events(found, session.events, output)
    write_session(output, session)
    raw, profile = session.raw, session.profile
    missing, gaps = count_missing(raw)
    judgement = judge_log(session)
    # What is not tested is no fault of the file: it is said only where nothing worse is.
    doubts = tuple(doubt.sentence for doubt in judgement.doubts if doubt.kind != UNTESTED) or (judgement.tested,)
    return (
        shown,
        (*session.warnings, *doubts),
        (
            f"Wrote {output}: {raw.ticks.size} samples at {profile.rate_hz:.6g}/s, "
            f"{(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz:.1f} s, {missing} missing in {gaps} gaps, "
            f"{len(session.events)} events."
        ),
    )


def _show_guess(guessed: GuessedMap, source: Path, output: Path) -> tuple[str, ...]:
    """The guess as a short table; its MAP.toml is written beside the session, never over a file."""
    from logger.exchange.guess_map import map_text
    from logger.files.atomic_file import write_text_atomic

    widths = [max(len(line[column]) for line in guessed.table) for column in range(3)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(line, widths, strict=False)), line[3]])
        for line in guessed.table
    ]
    path = output.with_suffix(".map.toml")
    if path.exists():
        lines.append(f"{path} is there already and was left alone.")
    else:
        write_text_atomic(path, map_text(guessed.columns, source.name))
        lines.append(f"Guessed; {path} says so for --columns, to correct and to import again.")
    return tuple(lines)


def _show_events(found: FoundEvents, events: Sequence[Event], output: Path) -> tuple[str, ...]:
    """What was found in the signals; its table is written beside the session, never over a file."""
    from logger.exchange.find_marks import events_table, sure_word
    from logger.files.atomic_file import write_text_atomic

    lines = [
        f"{e.start_s:10.1f} to {e.end_s:.1f} s  {e.kind:7} {sure_word(f.sure):7} {e.label or f.why}"
        for e, f in zip(events, found.found, strict=True)
    ]
    path = output.with_suffix(".events.csv")
    if path.exists():
        lines.append(f"{path} is there already and was left alone; if it is right, import with --events {path}")
    else:
        write_text_atomic(path, events_table(events, found))
        lines.append(
            f"Found in the signals: until you confirm it, nothing is called sure. Correct {path} and import with "
            f"--events {path} --replace."
        )
    if found.pair_unclear:
        lines.append("Which of across and along went over the strings cannot be told: look at these two first.")
    return tuple(lines)


def _read(
    source: Path, options: tuple[Path | None, Path | None, str | None], progress: Callable[[str, float], None]
) -> tuple[Session, GuessedMap | None, FoundEvents | None]:
    """Read one session by its kind."""
    map_path, events_path, point = options
    progress(f"Reading {source.name}", 0.0)
    if source.name.endswith(MOTION):
        from logger.exchange.import_bids import import_bids

        return import_bids(source, point), None, None
    if _is_ours(source):
        from logger.exchange.import_parquet import import_parquet

        return import_parquet(source), None, None
    from logger.exchange.import_csv import import_tables

    found = import_tables(source, map_path, events_path, lambda share: progress(f"Reading {source.name}", share))
    return found.session, found.guessed, found.found
