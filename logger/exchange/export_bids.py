"""Sessions of several players as one Motion-BIDS data set: there completely, or not at all.

Rows of ``motion.tsv`` stand on the even grid that the analysis uses, too. A sample that is missing is a row of ``n/a``,
never one made up.
"""

from __future__ import annotations

import contextlib
import secrets
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.model.cautions import is_simulated
from analysis.model.errors import InputError, OutputError
from analysis.model.records import Player
from logger.exchange.bids_documents import (
    dataset_documents,
    derivative_documents,
)
from logger.exchange.bids_recording import (
    DERIVATIVES,
    BidsSettings,
    ExportedRecording,
    export_recording,
    started_s,
    write_documents,
)
from logger.exchange.check_bids import DESCRIPTION, check_dataset, read_json
from logger.exchange.motion_bids import Place, make_label, participant_labels, session_labels
from logger.exchange.without_names import number_players
from logger.files.atomic_file import reason
from logger.session.session_file import read_session
from logger.terminal.progress_bar import part_of


@dataclass(frozen=True)
class _Known:
    """What must be known of every session before the first is written."""

    player: Player
    log_hash: str
    started_s: float
    synthetic: bool


def export_bids(
    sessions: Sequence[Path],
    folder: Path,
    settings: BidsSettings,
    progress: Callable[[str, float], None] = lambda _stage, _share: None,
) -> list[ExportedRecording]:
    """Write a data set.

    Parameters
    ----------
    sessions : sequence of Path
    folder : Path
        New, empty, or (with ``replace``) a data set of ours.
    settings : BidsSettings
    progress : callable
        Told the stage and the share done.

    Returns
    -------
    list of ExportedRecording
        In the order given.

    Raises
    ------
    InputError, SessionFileError, TimebaseError
        A session that cannot be read or placed on an even grid, or players that cannot be told apart.
    OutputError
        The folder holds something else, or cannot be written.
    """
    if make_label(settings.task) != settings.task or not settings.task:
        raise InputError(
            expected="a task of letters and digits",
            found=f"{settings.task!r}",
            next_step="name it so",
        )
    _check_folder(folder, settings.replace)
    known = _look_at(sessions, progress)
    chosen = settings.participants
    if settings.without_names:
        chosen = number_players([(k.player.name, k.log_hash) for k in known], chosen)
    labels = participant_labels([(k.player, str(path)) for k, path in zip(known, sessions, strict=True)], chosen)
    numbers = session_labels(labels, [k.started_s for k in known])
    hands = {label: k.player.handed for label, k in zip(labels, known, strict=True)}
    exported = []
    with _staged(folder) as top:
        for at, (path, label, number) in enumerate(zip(sessions, labels, numbers, strict=True)):
            part = part_of(progress, at / len(sessions), (at + 1) / len(sessions), path.name)
            exported.append(export_recording(path, Place(label, number, settings.task), top, settings, part))
        write_documents(top, dataset_documents(hands, any(k.synthetic for k in known)))
        if (top / DERIVATIVES).exists():
            write_documents(top / DERIVATIVES, derivative_documents(any(k.synthetic for k in known)))
        progress("checking", 1.0)
        faults = check_dataset(top)
        if faults:
            raise OutputError(
                f"the data set came out wrong and was not kept ({faults[0]})",
                next_step="please report this",
            )
    return exported


def _look_at(sessions: Sequence[Path], progress: Callable[[str, float], None]) -> list[_Known]:
    """Read every session for who plays and when."""
    known: list[_Known] = []
    for number, path in enumerate(sessions):
        progress(f"{path.name}: looking", number / len(sessions))
        session = read_session(path)
        if any(session.log_hash == other.log_hash for other in known):
            raise InputError(
                f"{path} holds the same session as one named before it",
                next_step="name each session once",
            )
        known.append(_Known(session.player, session.log_hash, started_s(session), is_simulated(session.metadata)))
    return known


def _check_folder(folder: Path, replace: bool) -> None:
    """See that the folder may be written."""
    if folder.is_file():
        raise OutputError(
            f"{folder} is a file",
            next_step="name a folder for the data set",
        )
    if not folder.resolve().parent.is_dir():
        raise OutputError(
            f"{folder} cannot be made: there is no folder {folder.resolve().parent}",
            next_step="make it first",
        )
    if not folder.exists() or not any(folder.iterdir()):
        return
    if not replace:
        raise OutputError(
            f"{folder} is not empty",
            next_step="name a new folder, or give --replace to replace a data set of ours",
        )
    made_by = read_json(folder / DESCRIPTION).get("GeneratedBy") if (folder / DESCRIPTION).exists() else None
    if not isinstance(made_by, list) or not any(
        isinstance(m, dict) and m.get("Name") == "strokeplane" for m in made_by
    ):
        raise OutputError(
            f"{folder} holds something that strokeplane did not write",
            next_step="name a new folder",
        )


@contextlib.contextmanager
def _staged(folder: Path) -> Iterator[Path]:
    """A folder beside ``folder`` to write into; it takes its place once all is written."""
    target = folder.resolve()
    staged = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        staged.mkdir()
        try:
            yield staged
            if target.exists():
                old = staged.with_suffix(".old")
                target.rename(old)
                staged.rename(target)
                shutil.rmtree(old)
            else:
                staged.rename(target)
        finally:
            shutil.rmtree(staged, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written ({reason(error)})",
            next_step="name another folder",
        ) from error
