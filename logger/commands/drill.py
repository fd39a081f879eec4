"""``strokeplane drill``: phrases, their twins, practice material, and whether each string change cleared."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.commands.sound_options import sound_options
from logger.terminal.say import say

if TYPE_CHECKING:
    from analysis.drills.phrases import Phrase
    from analysis.drills.tuning import Tuning

TUNING_HELP = (
    "Name of a usual tuning, or open strings such as 'E2 A2 D3 G3 B3 E4', the string that a downstroke meets first "
    "in front."
)


def phrase_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what says which phrase is meant."""
    for option in (
        click.option("--once", is_flag=True, help="With --tab: the phrase is played once, not looped."),
        click.option("--first", type=click.Choice(["down", "up"]), help="First stroke of the phrase [default: down]."),
        click.option(
            "--tab", metavar="FILE", type=click.Path(path_type=Path), help="Read the phrase from this text tab."
        ),
        click.option("--tuning", default="guitar", show_default=True, help=TUNING_HELP),
        click.argument("phrase", required=False),
    ):
        command = option(command)
    return command


@click.group("drill")
def command() -> None:
    """Work on phrases: which stroke comes before each string change, and did it clear.

    A PHRASE is one line of text: '4x2 3x2' is two notes on string 4, then two on string 3; '4:5-7 3:4-7' names the
    frets. String 1 is the top line of a tab. Put 'up' in front to start on an upstroke, 'once' behind if it does not
    loop.
    """


@command.command("show", short_help="Say which stroke a PHRASE demands, and whether it suits you.")
@phrase_options
@click.option(
    "--clearing",
    type=click.Choice(["down", "up", "both", "level"]),
    help="The stroke that clears in your hand; without it all four are told.",
)
def show_command(
    phrase: str | None, tuning: str, tab: Path | None, first: str | None, once: bool, clearing: Any
) -> None:
    """Say which stroke a PHRASE demands at its string changes, and whether that suits your hand."""
    from analysis.drills.phrases import read_demand
    from logger.terminal.drill_text import describe_phrase, describe_suit

    read, strings = _read(phrase, tuning, tab, first, once)
    click.echo(describe_phrase(read, strings, "Phrase"))
    click.echo("\n" + describe_suit(read_demand(read), clearing))


@command.command("twin", short_help="Show the twin of a PHRASE, which demands the other stroke.")
@phrase_options
def twin_command(phrase: str | None, tuning: str, tab: Path | None, first: str | None, once: bool) -> None:
    """Show the twin of a PHRASE: the same notes, but every change follows the other stroke."""
    from analysis.drills.phrases import make_twin
    from logger.terminal.drill_text import describe_phrase

    read, strings = _read(phrase, tuning, tab, first, once)
    click.echo(describe_phrase(make_twin(read), strings, "Twin"))


@command.command("generate", short_help="Make up an original phrase, and its twin.")
@click.option("--tuning", default="guitar", show_default=True, help=TUNING_HELP)
@click.option("--root", default="A", show_default=True, help="Root of the scale.")
@click.option("--degrees", default="1 b3 4 5 b7", show_default=True, help="Degrees of the scale that may sound.")
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
@click.option("--position", default=5, show_default=True, help="Lowest fret under the hand.")
@click.option("--stretch", default=4, show_default=True, help="Frets that the hand spans.")
@click.option("--leap", default=9, show_default=True, help="Largest interval between two notes, in semitones.")
@click.option("--run", "max_run", default=4, show_default=True, help="Most notes in a row on one string.")
@click.option("--skip", default=1, show_default=True, help="Most strings that one change may cross.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0), help="Another seed, another phrase.")
def generate_command(tuning: str, root: str, degrees: str, seed: int, leap: int, skip: int, **chosen: Any) -> None:
    """Make up an original phrase that loops and lies under one hand position, and its twin."""
    from analysis.drills.phrase_generator import PhraseSettings, generate_twins
    from analysis.drills.tuning import read_degrees, read_root, read_tuning
    from logger.terminal.drill_text import describe_phrase, join_parts

    strings = read_tuning(tuning)
    settings = PhraseSettings(max_leap_semitones=leap, max_skip=skip, **chosen)
    pair = generate_twins(strings, read_root(root), read_degrees(degrees), seed, settings)
    click.echo(
        join_parts(describe_phrase(each, strings, title) for each, title in zip(pair, ("Phrase", "Twin"), strict=True))
    )


@command.command("write", short_help="Write a PHRASE and its twin as tab, MIDI, click and plan.")
@phrase_options
@click.option("-o", "--output", "folder", required=True, type=click.Path(path_type=Path), help="Folder for the files.")
@click.option("--replace", is_flag=True, help="Write over a plan that is there.")
@click.option("--name", default="Practice", show_default=True, help="Name of the practice.")
@click.option("--tempo", default=100.0, show_default=True, help="First tempo, BPM.")
@click.option("--to", "last", type=float, help="Last tempo of the ladder, BPM [default: the first].")
@click.option("--step", default=8.0, show_default=True, help="Step of the ladder, BPM.")
@click.option("--notes-per-beat", default="4", show_default=True, help="A whole number, 1.5 or 3/2.")
@click.option("--repeats", default=4, show_default=True, help="How often each phrase is played before the other.")
@click.option("--rest", "rest_beats", default=1, show_default=True, help="Beats of rest between phrase and twin.")
@click.option("--count-in", "count_in_beats", default=4, show_default=True, help="Beats of count-in for each tempo.")
@click.option("--bar", "beats_per_bar", default=4, show_default=True, help="Beats of a bar, for the click's accents.")
@click.option("--postures", nargs=2, default=("A", "B"), show_default=True, help="Postures for phrase and twin.")
def write_command(
    phrase: str | None,
    tuning: str,
    tab: Path | None,
    first: str | None,
    once: bool,
    folder: Path,
    replace: bool,
    name: str,
    notes_per_beat: str,
    **chosen: Any,
) -> None:
    """Write practice material for a PHRASE and its twin: text tab, MIDI file, WAV click and a practice plan."""
    from analysis.drills.phrases import make_twin, require_changes
    from analysis.drills.practice_form import PracticeForm, lay_out, read_notes_per_beat, tempo_ladder
    from logger.practice.practice_files import write_material

    read, strings = _read(phrase, tuning, tab, first, once)
    require_changes(read)
    tempo, last, step = chosen.pop("tempo"), chosen.pop("last"), chosen.pop("step")
    tempi = tempo_ladder(tempo, tempo if last is None else last, step)
    form = PracticeForm(tempi_bpm=tempi, notes_per_beat=read_notes_per_beat(notes_per_beat), **chosen)
    for path in write_material(folder, lay_out(read, make_twin(read), form), strings, name, replace).values():
        click.echo(path)


@command.command("check", short_help="Say which string changes of a SESSION cleared.")
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option("--changes", metavar="FILE.csv", type=click.Path(path_type=Path), help="Write one row a string change.")
@sound_options
def check_command(session: Path, changes: Path | None, sound: Path | None, tuning: str | None) -> None:
    """Say which string changes of a SESSION cleared the strings, and which change is the weakest.

    A block's drill is a PHRASE, or a name that the session knows one for.
    """
    from analysis.drills.session_changes import judge_drills
    from analysis.model.errors import InputError
    from logger.commands.sound_options import hear_file, render_heard
    from logger.files.own_result import check_result
    from logger.many.analyse import analyse_file
    from logger.practice.practice_files import CHANGES_SIGN, write_changes
    from logger.sound.sound_file import read_sound
    from logger.terminal.drill_text import describe_block, join_parts
    from logger.terminal.progress_bar import show_progress

    if changes is not None:
        check_result(changes, CHANGES_SIGN, (session,) if sound is None else (session, sound))
    take = None if sound is None else read_sound(sound)
    with show_progress() as progress:
        found = analyse_file(session, progress)
        heard = None if take is None else hear_file(take, tuning, found.session, found.result)
        emissions = None if heard is None else heard.emissions
        blocks, problems = judge_drills(found.result, found.session.metadata, heard=emissions)
    if not blocks and not problems:
        raise InputError(f"{session}: no block names a drill; give a block's drill as a phrase such as '4x2 3x2'.")
    if not blocks:
        raise InputError(f"{session}: " + " ".join(problems))
    listened = () if heard is None else (render_heard(heard),)
    say(join_parts([*(describe_block(block) for block in blocks), *problems, *listened]), indent="  ")
    if changes is not None:
        write_changes(changes, blocks)


def _read(phrase: str | None, tuning: str, tab: Path | None, first: str | None, once: bool) -> tuple[Phrase, Tuning]:
    """Read the phrase from its text or from a tab."""
    from dataclasses import replace

    from analysis.drills.phrases import read_phrase
    from analysis.drills.tab import read_tab
    from analysis.drills.tuning import read_tuning
    from analysis.model.errors import InputError

    strings = read_tuning(tuning)
    if (phrase is None) == (tab is None):
        raise click.UsageError("Give a phrase such as '4x2 3x2', or a text tab with --tab, not both.")
    if tab is None:
        read = read_phrase(phrase or "", strings.strings)
        return (read if first is None else replace(read, first_stroke="up" if first == "up" else "down")), strings
    try:
        text = tab.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{tab} cannot be read as text ({error}); name a text tab in UTF-8.") from error
    try:
        return read_tab(text, strings, "up" if first == "up" else "down", not once), strings
    except InputError as error:
        raise InputError(f"{tab}: {error}") from error
