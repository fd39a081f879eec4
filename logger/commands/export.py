"""``strokeplane export``: sessions for other programs."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logger.commands.answer_options import session_arguments
from logger.terminal.say import say

if TYPE_CHECKING:
    from logger.exchange.bids_recording import BidsSettings
    from logger.exchange.export_files import FileKind
    from logger.exchange.without_names import Alias


@click.command("export")
@session_arguments
@click.option(
    "--to",
    "kind",
    type=click.Choice(["csv", "parquet", "bids"]),
    required=True,
    help="CSV for a spreadsheet, Parquet for a notebook, or one Motion-BIDS data set of all sessions.",
)
@click.option(
    "-o",
    "--output",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    required=True,
    help="The folder to write into; it is made if need be.",
)
@click.option("--raw", is_flag=True, help="Add the counts as the sensor sent them (CSV and Parquet).")
@click.option(
    "--strokes/--no-strokes", default=True, show_default=True, help="Analyse each session, and add strokes and blocks."
)
@click.option("--task", metavar="NAME", help="The data set's name for what was played (BIDS); picking if left out.")
@click.option(
    "--participant",
    "participants",
    metavar="NAME=LABEL",
    multiple=True,
    help="Call a player by another label (BIDS, or with --without-names); NAME is empty for sessions without a name.",
)
@click.option(
    "--without-names",
    is_flag=True,
    help="Call the players p01, p02, ..., and their files so, too; what was typed of a name goes, and the sound.",
)
@click.option("--sound", is_flag=True, help="Copy the sound that the session's page recorded, too (CSV and Parquet).")
@click.option("--replace", is_flag=True, help="Write over what an earlier export wrote there.")
def export_command(
    sessions: tuple[Path, ...],
    kind: str,
    output: Path,
    raw: bool,
    strokes: bool,
    task: str | None,
    participants: tuple[str, ...],
    without_names: bool,
    sound: bool,
    replace: bool,
) -> None:
    """Write sessions as CSV, Parquet or a Motion-BIDS data set: signals in SI units, events, strokes, blocks.

    SESSION... are session files (.mcap). Signals are calibrated. docs/export.md describes every file and column.
    """
    from logger.exchange.bids_recording import BidsSettings
    from logger.terminal.progress_bar import show_progress

    if kind != "bids" and (task is not None or (participants and not without_names)):
        raise click.UsageError("--task and --participant are for --to bids only")
    if without_names and sound:
        raise click.UsageError("--sound is not for --without-names: a voice is a name")
    if kind == "bids" and sound:
        raise click.UsageError("--sound is for csv and parquet; a BIDS data set holds motion only")
    if kind == "bids" and raw:
        raise click.UsageError("--raw is for csv and parquet; a BIDS data set gives the counts back without it")
    with show_progress() as progress:
        if kind == "bids":
            settings = BidsSettings(task or "picking", _labels(participants), strokes, replace, without_names)
            notes, said = _export_bids(sessions, output, settings, progress)
        else:
            choice = _Choice("csv" if kind == "csv" else "parquet", raw, strokes, sound, replace)
            if without_names:
                from logger.exchange.without_names import make_aliases

                choice = dataclasses.replace(choice, aliases=tuple(make_aliases(sessions, _labels(participants))))
            notes, said = _export_files(sessions, output, choice, progress)
    for note in notes:
        say(f"Note: {note}", err=True)
    for line in said:
        say(line)


def _labels(entries: tuple[str, ...]) -> dict[str, str]:
    """Labels by players' names."""
    labels = {}
    for entry in entries:
        name, equals, label = entry.rpartition("=")
        if not equals or not label:
            raise click.UsageError(f"--participant {entry!r}: expected NAME=LABEL")
        labels[name] = label
    return labels


@dataclass(frozen=True)
class _Choice:
    """What CSV and Parquet are written with."""

    kind: FileKind
    raw: bool
    strokes: bool
    sound: bool
    replace: bool
    aliases: tuple[Alias, ...] = ()


def _export_files(
    sessions: tuple[Path, ...],
    output: Path,
    choice: _Choice,
    progress: Callable[[str, float], None],
) -> tuple[list[str], list[str]]:
    """Write CSV or Parquet; return notes and what to say."""
    from logger.exchange.export_files import export_files, prepare_folder
    from logger.exchange.export_tables import load_source
    from logger.files.arrow_tables import need_pyarrow
    from logger.sound.session_take import copy_own_sounds
    from logger.terminal.progress_bar import part_of

    if choice.kind == "parquet":
        need_pyarrow()
    aliases = choice.aliases or (None,) * len(sessions)
    shown = [path if alias is None else alias.path for path, alias in zip(sessions, aliases, strict=True)]
    prepare_folder(output, shown, choice.kind, choice.replace)
    notes, said = [], []
    for number, path in enumerate(sessions):
        part = part_of(progress, number / len(sessions), (number + 1) / len(sessions), path.name)
        source = load_source(path, choice.strokes, part_of(part, 0.0, 0.6), aliases[number])
        written = export_files(source, output, choice.kind, choice.raw, part_of(part, 0.6, 1.0))
        said.append(f"Wrote into {output}: {', '.join(file.name for file in written)}")
        if choice.sound:
            copied = copy_own_sounds(path, source.session, output, choice.replace)
            said += [f"Wrote into {output}: {file.name}, the room's sound" for file in copied]
            notes += [] if copied else [f"{path}: no sound of the session's own lies beside it."]
        if source.remark:
            notes.append(source.remark)
    return notes, said


def _export_bids(
    sessions: tuple[Path, ...],
    output: Path,
    settings: BidsSettings,
    progress: Callable[[str, float], None],
) -> tuple[list[str], list[str]]:
    """Write a data set; return notes and what to say."""
    from logger.exchange.export_bids import export_bids

    exported = export_bids(sessions, output, settings, progress)
    notes, said = [], []
    for recording in exported:
        if recording.remark:
            notes.append(recording.remark)
        if recording.repeated:
            notes.append(
                f"{recording.session}: {recording.repeated} samples stood where another one stands, and were left out."
            )
        said += [
            f"{each.session.name}: {each.place.recording}, {each.rows} rows, {each.missing} of them missing (n/a) in "
            f"{each.gaps} gaps."
            for each in (recording, *recording.others)
        ]
    players = len({recording.place.participant for recording in exported})
    said.append(f"Wrote {output}: participants {players}, sessions {len(exported)}.")
    return notes, said
