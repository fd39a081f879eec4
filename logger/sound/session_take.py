"""The sound of a session: the take that its page recorded, found and proved by its hash, and any take heard with it."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

from analysis.drills.tuning import read_tuning
from analysis.model.errors import OutputError, SoundFileError
from analysis.model.records import Session, SessionResult
from analysis.model.session_parts import Attachment
from analysis.sound.records import Sound
from analysis.sound.session_sound import hear_session, usual_tuning
from analysis.sound.witness import Heard
from analysis.stroke.raps import find_session_raps
from logger.files.atomic_file import check_absent, open_atomic, reason
from logger.sound.sound_file import read_sound


def hear_take(sound: Sound, tuning: str | None, recording: Session, result: SessionResult) -> Heard:
    """Hear a session.

    Parameters
    ----------
    sound : Sound
    tuning : str or None
        As ``--tuning``.
    recording : Session
    result : SessionResult

    Returns
    -------
    Heard

    Raises
    ------
    InputError
        If the tuning cannot be read.
    """
    strings = usual_tuning(result.instrument) if tuning is None else read_tuning(tuning)
    raps = tuple((three.first_s, three.last_s) for three in find_session_raps(recording))
    heard = hear_session(result, recording.metadata, sound, strings, raps)
    remarks = (*sound.remarks, *heard.remarks)
    if strings is None and not heard.obstacle:
        remarks += ("The tuning is not known, so notes are counted and timed only; say it with --tuning.",)
    return replace(heard, remarks=remarks)


def own_sounds(path: Path, session: Session) -> list[Path]:
    """Files beside a session that are the sound of its own, by their bytes' hash, the longest first.

    Parameters
    ----------
    path : Path
        Of the session file.
    session : Session

    Returns
    -------
    list of Path
    """
    kept = [each for each in session.attachments if each.kind == "sound"]
    return [path.with_name(each.name) for each in sorted(kept, key=_size, reverse=True) if _is_there(path, each)]


def read_own_sound(path: Path, session: Session) -> Sound | None:
    """The longest sound of a session's own; None where it has none, or it does not lie beside the session any more.

    Parameters
    ----------
    path : Path
        Of the session file.
    session : Session

    Returns
    -------
    Sound or None

    Raises
    ------
    SoundFileError
        There is one, and it cannot be read.
    """
    found = own_sounds(path, session)
    return read_sound(found[0]) if found else None


def hear_own(path: Path, session: Session, result: SessionResult) -> tuple[Heard | None, str]:
    """Hear a session's own sound.

    Parameters
    ----------
    path : Path
        Of the session file.
    session : Session
    result : SessionResult

    Returns
    -------
    heard : Heard or None
    words : str
        Why there is none, where the session has a sound of its own.
    """
    try:
        sound = read_own_sound(path, session)
        heard = None if sound is None else hear_take(sound, None, session, result)
    except SoundFileError as error:
        return None, f"The session's own sound is not heard: {error}. Motion alone answers."
    if heard is None and any(each.kind == "sound" for each in session.attachments):
        return None, "The session's own sound does not lie beside it any more. Motion alone answers."
    return heard, ""


def copy_own_sounds(path: Path, session: Session, folder: Path, replace_old: bool) -> list[Path]:
    """Copy the sound of a session's own into a folder.

    Parameters
    ----------
    path : Path
        Of the session file.
    session : Session
    folder : Path
    replace_old : bool
        Whether a file of that name may be written over.

    Returns
    -------
    list of Path
        The copies.

    Raises
    ------
    OutputError
        There is a file of that name, or the folder cannot be written.
    """
    copies = []
    for sound in own_sounds(path, session):
        copy = folder / sound.name
        check_absent(copy, replace_old)
        with open_atomic(copy) as stream, sound.open("rb") as content:
            shutil.copyfileobj(content, stream)
        copies.append(copy)
    return copies


def delete_session(path: Path, sounds: list[Path]) -> None:
    """Delete a session file and the sound that belongs to it, the sound first.

    Parameters
    ----------
    path : Path
    sounds : list of Path
        As :func:`own_sounds` gives them.

    Raises
    ------
    OutputError
        A file cannot be deleted; the session stays until its sound is gone.
    """
    for each in (*sounds, path):
        try:
            each.unlink()
        except OSError as error:
            raise OutputError(f"{each} cannot be deleted ({reason(error)})", next_step="delete it by hand") from error


def _size(attachment: Attachment) -> int:
    return attachment.size_bytes


def _is_there(path: Path, attachment: Attachment) -> bool:
    beside = path.with_name(attachment.name)
    # A name is only a name: nothing outside the session's folder is looked at.
    if beside.parent != path.parent or not beside.is_file() or beside.stat().st_size != attachment.size_bytes:
        return False
    with beside.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest() == attachment.sha256
