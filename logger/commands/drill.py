"""``strokeplane drill``: phrases, their twins, practice material, and whether each string change cleared."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.commands.drill_check import check_command
from logger.commands.own_tempo import WAYS, own_tuning, practice_of, practice_options
from logger.terminal.say import say, show

if TYPE_CHECKING:
    from analysis.drills.notes import Phrase
    from analysis.drills.tuning import Tuning
    from logger.practice.midi_reading import ReadSettings

TUNING_HELP = (
    "Name of a usual tuning, or open strings such as 'E2 A2 D3 G3 B3 E4', the string that a downstroke meets first "
    "in front."
)


def phrase_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what says which phrase is meant."""
    for option in (
        click.option("--part", type=click.IntRange(min=1), help="With --from: track or part of the file, from 1."),
        click.option("--once", is_flag=True, help="With --from: the phrase is played once, not looped."),
        click.option("--first", type=click.Choice(["down", "up"]), help="First stroke of the phrase [default: down]."),
        click.option(
            "--from",
            "source",
            metavar="FILE",
            type=click.Path(path_type=Path),
            help="Read the phrase from this file: text tab, MIDI or MusicXML.",
        ),
        click.option("--tuning", help=f"{TUNING_HELP} [default: your instrument's]"),
        click.argument("phrase", required=False),
    ):
        command = option(command)

    @functools.wraps(command)
    def read_first(
        phrase: str | None,
        tuning: str | None,
        source: Path | None,
        first: Any,
        once: bool,
        part: int | None,
        **more: Any,
    ) -> Any:
        clearing = more.get("clearing")
        read, strings = _read(phrase, own_tuning(tuning), source, _settings(first, once, part, clearing))
        return command(read=read, strings=strings, **more)

    return read_first


@click.group("drill")
def command() -> None:
    """Work on phrases: which stroke comes before each string change, and whether it cleared.

    A PHRASE is one line of text: '4x2 3x2' is two notes on string 4, then two on string 3; '4:5-7 3:4-7' names the
    frets. String 1 is the top line of a tab. Put 'up' in front to start on an upstroke, and 'once' at the end if it
    does not loop. '4:5h7 r 3:4' has a slur and a rest. Or bring a file with --from: text tab, MIDI, MusicXML.
    """


@command.command("show", short_help="See which stroke a PHRASE demands, and whether it suits you.")
@phrase_options
@click.option(
    "--clearing",
    type=click.Choice(["down", "up", "both", "level"]),
    help="The stroke that clears in your hand; if left out, you are told about all four.",
)
def show_command(read: Phrase, strings: Tuning, clearing: Any) -> None:
    """See which stroke a PHRASE demands at its string changes, and whether that suits your hand."""
    from analysis.drills.phrases import read_demand
    from logger.terminal.drill_text import describe_phrase, describe_suit

    show(describe_phrase(read, strings, "Phrase"))
    show("\n" + describe_suit(read_demand(read), clearing))


@command.command("twin", short_help="Show the twins of a PHRASE, which demand the other stroke.")
@phrase_options
@click.option("--way", type=click.Choice(WAYS), help="Show only the twin made in this way, in full.")
def twin_command(read: Phrase, strings: Tuning, way: Any) -> None:
    """Show the twins of a PHRASE, the smallest musical change first: in each, every change follows the other stroke."""
    from analysis.drills.twins import find_twin, list_twins
    from logger.terminal.drill_text import describe_phrase, describe_twins

    if way is None:
        show(describe_twins(list_twins(read)))
    else:
        show(describe_phrase(find_twin(read, way).phrase, strings, "Twin"))


@command.command("read", short_help="Read a FILE of tab, MIDI or MusicXML, and keep what you correct.")
@click.argument("source", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--tuning", help=f"{TUNING_HELP} [default: your instrument's]")
@click.option("--part", type=click.IntRange(min=1), help="Track or part of the file, from 1.")
@click.option("--clearing", type=click.Choice(["down", "up"]), help="The stroke that clears in your hand.")
@click.option("--once", is_flag=True, help="The phrase is played once, not looped.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write the tab here, for you to change and bring back."
)
def read_command(
    source: Path, tuning: str | None, part: int | None, clearing: Any, once: bool, output: Path | None
) -> None:
    """Read a FILE of tab, MIDI or MusicXML, and list the lines that it could not read.

    If the file has only notes, strings and frets are chosen for the fewest string changes after the stroke that does
    not clear. The tab that it writes keeps every line that was not read, as a remark.
    """
    from logger.files.atomic_file import check_absent, write_text_atomic
    from logger.practice.music_reading import read_music
    from logger.terminal.drill_text import describe_reading, render_reading

    strings = own_tuning(tuning)
    if output is not None:
        check_absent(output, False)
    read = read_music(source, strings, _settings(None, once, part, clearing))
    say(describe_reading(read), indent="  ")
    text = render_reading(read, strings)
    if output is None:
        show("\n" + text, end=False)
    else:
        write_text_atomic(output, text)
        show(str(output))


@command.command("generate", short_help="Make up an original phrase, and its twin.")
@click.option("--tuning", help=f"{TUNING_HELP} [default: your instrument's]")
@click.option("--root", help="Root of the scale [default: your last string].")
@click.option("--degrees", help="Degrees of the scale that may sound [default: those that fit your open strings].")
@click.option(
    "--demand",
    type=click.Choice(["up", "down", "mixed"]),
    default="up",
    show_default=True,
    help="Stroke that every string change follows; mixed: both.",
)
@click.option(
    "--first",
    "first_stroke",
    type=click.Choice(["down", "up"]),
    default="down",
    show_default=True,
    help="First stroke of the phrase.",
)
@click.option("--notes", default=16, show_default=True, help="Notes of the loop, an even number.")
@click.option("--position", type=int, help="Lowest fret under the hand [default: where most notes lie].")
@click.option("--stretch", default=4, show_default=True, help="Frets that the hand spans.")
@click.option("--leap", default=9, show_default=True, help="Largest interval between two notes, in semitones.")
@click.option("--run", "max_run", default=4, show_default=True, help="Most notes in a row on one string.")
@click.option("--skip", default=1, show_default=True, help="Most strings that one change may cross.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0), help="Another seed, another phrase.")
def generate_command(
    tuning: str | None,
    root: str | None,
    degrees: str | None,
    position: int | None,
    seed: int,
    leap: int,
    skip: int,
    **chosen: Any,
) -> None:
    """Make up an original phrase that loops and lies under one hand position, and its twin."""
    from analysis.drills.phrase_generator import PhraseSettings, generate_twins
    from analysis.drills.tuning import own_position, own_scale, read_degrees, read_root
    from logger.terminal.drill_text import describe_phrase, join_parts

    strings = own_tuning(tuning)
    own_root, own_degrees = own_scale(strings)
    tones = own_degrees if degrees is None else read_degrees(degrees)
    start = own_root if root is None else read_root(root)
    if position is None:
        position = own_position(strings, start, tones, chosen["stretch"])
    settings = PhraseSettings(max_leap_semitones=leap, max_skip=skip, position=position, **chosen)
    pair = generate_twins(strings, start, tones, seed, settings)
    show(
        join_parts(describe_phrase(each, strings, title) for each, title in zip(pair, ("Phrase", "Twin"), strict=True))
    )


@command.command("write", short_help="Write a PHRASE and its twin as tab, MIDI, tracks and plan.")
@phrase_options
@click.option("-o", "--output", "folder", required=True, type=click.Path(path_type=Path), help="Folder for the files.")
@click.option("--replace", is_flag=True, help="Write over a plan that is there.")
@click.option("--name", default="Practice", show_default=True, help="Name of the practice.")
@practice_options
def write_command(read: Phrase, strings: Tuning, folder: Path, replace: bool, name: str, **chosen: Any) -> None:
    """Write practice material for a PHRASE and its twin: tab, MIDI file, a WAV track for every tempo, and a plan."""
    from analysis.drills.practice_form import lay_out
    from logger.practice.practice_files import write_material

    twin, form = practice_of(read, chosen)
    for path in write_material(folder, lay_out(read, twin, form), strings, name, replace).values():
        show(str(path))


command.add_command(check_command)


def _settings(first: Any, once: bool, part: int | None, clearing: Any) -> ReadSettings:
    from logger.practice.midi_reading import ReadSettings

    return ReadSettings(first, not once, part, clearing if clearing in ("down", "up") else None)


def _read(phrase: str | None, strings: Tuning, source: Path | None, settings: ReadSettings) -> tuple[Phrase, Tuning]:
    """Read the phrase from its text or from a file; what was not read is said."""
    from dataclasses import replace

    from analysis.drills.phrases import read_phrase
    from logger.practice.music_reading import read_music

    if (phrase is None) == (source is None):
        raise click.UsageError("Give a phrase such as '4x2 3x2', or a file with --from, not both.")
    if source is None:
        read = read_phrase(phrase or "", strings.strings)
        first = settings.first_stroke
        return (read if first is None else replace(read, first_stroke=first)), strings
    music = read_music(source, strings, settings)
    for remark in music.remarks:
        show(str(remark), err=True)
    return music.phrase, strings.with_capo(music.capo)
