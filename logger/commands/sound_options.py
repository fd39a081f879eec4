"""Options of the commands that can hear a session, and what they do with them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from analysis.sound.records import Sound
    from analysis.sound.witness import Heard
    from logger.many.analyse import Analysed

TUNING_HELP = (
    "Name of a usual tuning, or open strings such as 'E2 A2 D3 G3 B3 E4', starting with the one that a downstroke "
    "meets first [default: the instrument's usual one]."
)


def sound_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--sound`` and ``--tuning``."""
    for option in (
        click.option("--tuning", metavar="TEXT", help="With --sound: " + TUNING_HELP),
        click.option(
            "--sound",
            metavar="FILE",
            type=click.Path(path_type=Path),
            help="Hear this recording of the session (WAV, FLAC, OGG): notes counted, timed, and told apart by pitch "
            "[default: the one that the page of the session recorded, if any].",
        ),
    ):
        command = option(command)
    return command


def hear_or_say(take: Sound | None, tuning: str | None, session: Path, found: Analysed) -> tuple[Heard | None, str]:
    """Hear the given take, or else the session's own sound; or say why that cannot be heard.

    Parameters
    ----------
    take : Sound or None
        Of ``--sound``.
    tuning : str or None
        As ``--tuning``.
    session : Path
    found : Analysed

    Returns
    -------
    heard : Heard or None
    words : str
    """
    from logger.session.session_file import read_session
    from logger.sound.session_take import hear_own, hear_take

    recording = found.session
    if take is not None or any(each.kind == "sound" for each in recording.attachments):
        recording = read_session(session)  # the raps are in the samples, which the analysis does not keep
    if take is not None:
        return hear_take(take, tuning, recording, found.result), ""
    return hear_own(session, recording, found.result)


def render_heard(heard: Heard, width: int = 80) -> str:
    """What the sound says, a line or more a sentence."""
    import textwrap

    from analysis.report.sound_sections import sound_sentences

    return "\n".join(textwrap.fill(sentence, width, subsequent_indent="  ") for sentence in sound_sentences(heard))
