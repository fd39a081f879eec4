"""``strokeplane analyse``: from a session file to the answer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.sound_options import sound_options
from logger.terminal.say import say, show, show_document

if TYPE_CHECKING:
    from analysis.findings.arbiter import SessionFindings

STDOUT = Path("-")


@click.command("analyse")
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option(
    "--strokes", metavar="FILE.csv", type=click.Path(path_type=Path), help="Write one row for each stroke to this file."
)
@click.option(
    "--json",
    "json_path",
    metavar="FILE|-",
    type=click.Path(path_type=Path, allow_dash=True),
    help="Write the answer as JSON to this file; - prints it, and nothing else.",
)
@click.option("--html", metavar="FILE", type=click.Path(path_type=Path), help="Write the report to this file.")
@click.option("--light", is_flag=True, help="Put the report's plotting library beside it, once for the whole folder.")
@click.option(
    "--raps/--no-raps",
    default=True,
    show_default=True,
    help="Let three raps start and end a block where none is marked.",
)
@click.option(
    "--instrument/--no-instrument",
    default=True,
    show_default=True,
    help="Listen to the sensor on the instrument, where the session has one.",
)
@click.option(
    "--remember/--no-remember", default=True, show_default=True, help="Remember the lever arm of a known player."
)
@sound_options
def analyse_command(
    session: Path,
    strokes: Path | None,
    json_path: Path | None,
    html: Path | None,
    light: bool,
    raps: bool,
    instrument: bool,
    remember: bool,
    sound: Path | None,
    tuning: str | None,
) -> None:
    """Find out on which side your stroke leaves the strings, by how much, how steadily, and how sure that is.

    SESSION is a session file (.mcap). The verdict is printed; the options write more.
    """
    import shutil

    from analysis.findings.arbiter import weigh_session
    from logger.commands.sound_options import hear_or_say, render_heard
    from logger.many.analyse import analyse_file
    from logger.sound.sound_file import read_sound
    from logger.terminal.progress_bar import show_progress

    _check_outputs((session,) if sound is None else (session, sound), (strokes, json_path, html))
    take = None if sound is None else read_sound(sound)
    with show_progress() as progress:
        found = analyse_file(session, progress, raps, instrument)
        heard, silent = hear_or_say(take, tuning, session, found)
        progress("Writing", 1.0)
        findings = weigh_session(found.result, found.session.metadata, heard)
        _write(findings, (strokes, json_path, html), light)
    if remember:
        from logger.player.player_profile import remember_edges, remember_lever

        for said in (remember_lever(found.session, found.result), remember_edges(found.session, found.result)):
            if said:
                say(said, err=True)
    if json_path != STDOUT:
        from logger.terminal.terminal_verdict import render_verdict

        show(render_verdict(findings, min(100, shutil.get_terminal_size().columns)))
        if heard is not None:
            say("\n" + render_heard(heard))
        elif silent:
            say("\n" + silent)


def _check_outputs(inputs: tuple[Path, ...], paths: tuple[Path | None, Path | None, Path | None]) -> None:
    """Find out before the work what would keep strokes, JSON or report from being written."""
    from logger.files.own_result import check_result, is_json, is_page
    from logger.report.result_files import STROKES_SIGN

    signs = zip(paths, (STROKES_SIGN, is_json, is_page), strict=True)
    given = [(path, sign) for path, sign in signs if path is not None and path != STDOUT]
    for path, sign in given:
        check_result(path, sign, inputs)
    if len({path.resolve() for path, _ in given}) < len(given):
        raise click.UsageError("two of --strokes, --json and --html name the same file")


def _write(found: SessionFindings, paths: tuple[Path | None, Path | None, Path | None], light: bool) -> None:
    """Write what was asked for: strokes, JSON, report."""
    from logger.report.result_files import render_result_json, write_result_json, write_strokes_csv

    strokes, json_path, html = paths
    if strokes is not None:
        write_strokes_csv(found.result, strokes)
    if json_path == STDOUT:
        show_document(render_result_json(found))
    elif json_path is not None:
        write_result_json(found, json_path)
    if html is not None:
        from logger.report.session_page import write_report

        write_report(found, html, light)
