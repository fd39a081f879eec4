"""``strokeplane verify``: whether session files are whole; what is sound of a damaged one as a new file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.terminal.say import say

if TYPE_CHECKING:
    from logger.session.verify import FileCheck, StreamCheck


@click.command("verify")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--repair",
    metavar="NEW.mcap",
    type=click.Path(path_type=Path),
    help="Write everything that is sound in FILE to this new file.",
)
def command(files: tuple[Path, ...], repair: Path | None) -> None:
    """Check whether session files are whole: versions, checksums, chunks, gaps, clock.

    The exit code is 1 if one is damaged or cannot be read. Nothing is ever changed in FILE.
    """
    from analysis.model.errors import SessionFileError
    from logger.session.verify import verify_file

    if repair is not None:
        if len(files) != 1:
            raise click.UsageError("--repair takes one FILE at a time")
        _check_new(repair)
    bad = 0
    for path in files:
        try:
            check = verify_file(path)
        except SessionFileError as error:
            say(f"{error}.", indent="  ")
            bad += 1
            continue
        bad += not check.sound
        for line in describe(check):
            say(line, indent="  ")
        if repair is not None:
            _repair(path, repair)
            return
    if bad:
        click.get_current_context().exit(1)


def describe(check: FileCheck) -> list[str]:
    """Lines about one file, the verdict first."""
    verdict = "whole" if check.sound else "DAMAGED"
    lines = [
        f"{check.path}: {verdict}; format {check.version}, {check.size_bytes} bytes, {check.chunks} chunks, "
        f"{check.events} events; SHA-256 {check.sha256}"
    ]
    lines += [f"  {_stream(stream)}" for stream in check.streams]
    lines += [f"  Damage: {sentence}" for sentence in check.damage]
    lines += [f"  Noted when written: {sentence}" for sentence in check.written_warnings]
    return lines


def _stream(stream: StreamCheck) -> str:
    parts = [f"{stream.samples} samples in {stream.duration_s:.1f} s"]
    if stream.rate_hz == stream.rate_hz:
        parts.append(f"{stream.rate_hz:.6g}/s")
    parts.append(f"{stream.missing} missing in {stream.gaps} gaps" if stream.gaps else "no gaps")
    if stream.backward:
        parts.append(f"{stream.backward} ticks do not grow")
    if stream.clock_ppm == stream.clock_ppm:
        parts.append(f"its clock runs {stream.clock_ppm:+.0f} ppm against the computer's")
    return f"{stream.name}: " + ", ".join(parts)


def _check_new(path: Path) -> None:
    from analysis.model.errors import OutputError
    from logger.files.atomic_file import check_writable

    check_writable(path)
    if path.exists():
        raise OutputError("the file is there; a repair never replaces one", next_step="name a new file", file=str(path))


def _repair(source: Path, target: Path) -> None:
    """Write what is sound into a new file; what was lost stays told in it."""
    from logger.session.session_file import read_session, write_session

    session = read_session(source)
    write_session(target, session)
    counts = [f"{session.raw.ticks.size} samples"]
    counts += [f"{stream.raw.ticks.size} on the {stream.role}" for stream in session.streams]
    say(f"Wrote {target}: {', '.join(counts)}, {len(session.events)} events; {source} is as it was.")
