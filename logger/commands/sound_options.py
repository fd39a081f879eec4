"""Options of the commands that can hear a session, and what they do with them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from analysis.model.records import Session, SessionResult
    from analysis.sound.records import Sound
    from analysis.sound.witness import Heard

TUNING_HELP = (
    "Name of a usual tuning, or open strings such as 'E2 A2 D3 G3 B3 E4', the string that a downstroke meets first "
    "in front [default: the instrument's usual one]."
)


def sound_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--sound`` and ``--tuning``."""
    for option in (
        click.option("--tuning", metavar="TEXT", help="With --sound: " + TUNING_HELP),
        click.option(
            "--sound",
            metavar="FILE",
            type=click.Path(path_type=Path),
            help="Hear this recording of the session (WAV, FLAC, OGG): notes counted, timed, and told apart by pitch.",
        ),
    ):
        command = option(command)
    return command


def hear_file(sound: Sound, tuning: str | None, recording: Session, result: SessionResult) -> Heard:
    """Hear a session.

    Parameters
    ----------
    sound : Sound
    tuning : str or None
        As ``--tuning``.
    recording : Session
    result : SessionResult

    Raises
    ------
    InputError
        If the tuning cannot be read.
    """
    from dataclasses import replace

    from analysis.drills.tuning import read_tuning
    from analysis.sound.session_sound import hear_session, usual_tuning
    from analysis.stroke.raps import find_session_raps

    strings = usual_tuning(result.instrument) if tuning is None else read_tuning(tuning)
    raps = tuple((three.first_s, three.last_s) for three in find_session_raps(recording))
    heard = hear_session(result, recording.metadata, sound, strings, raps)
    remarks = (*sound.remarks, *heard.remarks)
    if strings is None and not heard.obstacle:
        remarks += ("The tuning is not known, so notes are counted and timed only; say it with --tuning.",)
    return replace(heard, remarks=remarks)


def render_heard(heard: Heard, width: int = 80) -> str:
    """What the sound says, a line or more a sentence."""
    import textwrap

    from analysis.report.sound_sections import sound_sentences

    return "\n".join(textwrap.fill(sentence, width, subsequent_indent="  ") for sentence in sound_sentences(heard))
