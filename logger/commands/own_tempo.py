"""Where the tempi of practice come from: the player's own hold, a question, or twenty seconds of free play."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from logger.terminal.say import show

if TYPE_CHECKING:
    from fractions import Fraction

    from analysis.drills.notes import Phrase
    from analysis.drills.practice_form import PracticeForm
    from analysis.drills.tuning import Tuning
    from analysis.model.records import SessionResult


class Purpose(NamedTuple):
    """What a plan is for, as shares of the hold tempo: its first tempo, its last, and how many rungs between."""

    first: float
    last: float
    rungs: int


# The author's choices. A ladder must reach past the hold to find it; what is new is learnt well below it.
LADDER = Purpose(0.8, 1.25, 6)
SWITCH = Purpose(0.7, 0.9, 3)
POSTURES = Purpose(0.9, 0.9, 1)
LONG = Purpose(0.7, 0.7, 1)

TOO_SLOW_BPM, TOO_FAST_BPM = 20.0, 400.0


def tempo_options(ladder: bool) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add what says how fast to practise: one tempo, or a ladder."""
    options = [
        click.option("--tempo", type=float, help=f"{'First tempo' if ladder else 'Tempo of all blocks'}, BPM."),
        click.option(
            "--hold",
            "hold",
            metavar="SESSION",
            multiple=True,
            type=click.Path(path_type=Path),
            help="Take the tempo from this session: its hold tempo, or how fast you played freely.",
        ),
    ]
    if ladder:
        options += [
            click.option("--to", "last", type=float, help="Last tempo of the ladder, BPM."),
            click.option("--step", type=float, help="Step of the ladder, BPM."),
        ]

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def find_tempi(
    purpose: Purpose,
    notes_per_beat: Fraction | float,
    tempo: float | None,
    hold: tuple[Path, ...],
    last: float | None = None,
    step: float | None = None,
) -> tuple[float, ...]:
    """Return the tempi of a plan.

    Raises
    ------
    InputError
        If nothing says how fast, and nobody can be asked; with what to do.
    """
    from analysis.drills.practice_form import tempo_ladder

    own = None if tempo is not None else _own_tempo(float(notes_per_beat), hold)
    first = tempo if tempo is not None else round((own or 0.0) * purpose.first)
    if last is None:
        # A first tempo alone says no more than itself, but for a ladder, which needs several.
        top = own * purpose.last if own is not None else first * (purpose.last / purpose.first)
        last = float(round(top)) if own is not None or purpose is LADDER else first
    if step is None:
        step = max(1.0, float(round(abs(last - first) / max(purpose.rungs - 1, 1)))) * (1 if last >= first else -1)
    return tempo_ladder(float(first), float(last), step)


def _own_tempo(notes_per_beat: float, hold: tuple[Path, ...]) -> float:
    """Return how fast the player can play, in BPM."""
    from analysis.model.errors import InputError

    if hold:
        from logger.many.analyse import analyse_with_progress

        speed, words = speed_of(analyse_with_progress(hold))
        tempo = 60 * speed / notes_per_beat
        show(f"{words}: {tempo:.0f} BPM at {notes_per_beat:g} notes a beat.", err=True)
    elif sys.stdin.isatty():
        tempo = click.prompt(
            "How fast can you play this and stay at ease, in BPM?", type=click.FloatRange(TOO_SLOW_BPM, TOO_FAST_BPM)
        )
    else:
        raise InputError(
            "nothing says how fast you play",
            expected="--tempo BPM, or --hold with a session of yours",
            next_step="or play freely for 20 s: strokeplane plan new free -o free.toml, strokeplane live free.toml, "
            "and give that session to --hold",
        )
    if not TOO_SLOW_BPM <= tempo <= TOO_FAST_BPM:
        raise InputError(
            "the tempo is out of bounds",
            expected=f"{TOO_SLOW_BPM:g} to {TOO_FAST_BPM:g} BPM",
            found=f"{tempo:.0f} BPM",
            next_step="give other notes a beat with --notes-per-beat, or say --tempo",
        )
    return float(tempo)


def speed_of(results: list[SessionResult]) -> tuple[float, str]:
    """Return the player's own speed, strokes a second, and how it was found: the hold tempo, else free play.

    Raises
    ------
    NotEnoughDataError
        If no block has strokes.
    """
    import numpy as np

    from analysis.model.errors import NotEnoughDataError, StrokeplaneError
    from analysis.questions.hold import find_hold_tempo

    try:
        found = find_hold_tempo(results)
        words = {
            "inside": "Your hold tempo",
            "at least": "Your hold tempo is at least",
            "below": "Your hold tempo is below",
        }
        return found.strokes_per_s, words[found.bound]
    except StrokeplaneError:
        free = [b.strokes_per_s for r in results for b in r.blocks if b.strokes and b.strokes_per_s]
    if not free:
        raise NotEnoughDataError(
            "the session has no block with strokes", next_step="play freely for 20 s and give that"
        )
    return float(np.median(free)), "How fast you played"


def own_tuning(chosen: str | None) -> Tuning:
    """Return the tuning that was asked for, or the usual one of the player's instrument.

    Raises
    ------
    InputError
        If the instrument has no usual tuning.
    """
    from analysis.drills.tuning import read_tuning, usual_tuning
    from analysis.model.records import Instrument
    from logger.player.player_profile import load_active

    if chosen is not None:
        return read_tuning(chosen)
    profile = load_active()
    return usual_tuning(Instrument() if profile is None else profile.instrument)


WAYS = ("first stroke", "slur", "pickup", "one note more", "rest", "one note later")
"""As analysis.drills.twins has them; written out, so that --help need not load the analysis."""


def practice_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what says how a phrase and its twin are practised."""
    for option in (
        click.option(
            "--postures", nargs=2, default=("A", "B"), show_default=True, help="Postures for phrase and twin."
        ),
        click.option("--way", type=click.Choice(WAYS), help="How to make the twin [default: the smallest change]."),
        click.option("--bar", "beats_per_bar", type=int, help="Beats in a bar [default: the phrase's metre, or 4]."),
        click.option("--count-in", "count_in_beats", type=int, help="Beats of count-in [default: a bar]."),
        click.option("--rest", "rest_beats", type=int, help="Beats of rest between phrase and twin [default: a bar]."),
        click.option("--repeats", type=int, help="Passes before the switch, instead of seconds."),
        click.option(
            "--seconds", "section_s", default=15.0, show_default=True, help="Seconds of play before the switch."
        ),
        click.option("--notes-per-beat", help="4, 1.5 or 3/2 [default: the phrase's metre, or 4]."),
    ):
        command = option(command)
    return tempo_options(ladder=True)(command)


def practice_of(phrase: Phrase, chosen: dict[str, Any]) -> tuple[Phrase, PracticeForm]:
    """Return the twin of a phrase and how both are practised, from what :func:`practice_options` gave."""
    from analysis.drills.practice_form import PracticeForm, read_notes_per_beat
    from analysis.drills.twins import find_counterpart

    other = find_counterpart(phrase, chosen.pop("way"))
    show(f"Twin: {other.change}", err=True)
    metre, given, bar = phrase.metre, chosen.pop("notes_per_beat"), chosen.pop("beats_per_bar")
    rate = read_notes_per_beat(given or ("4" if metre is None else str(metre.units_per_beat)))
    pace = {name: chosen.pop(name) for name in ("tempo", "hold", "last", "step")}
    tempi = find_tempi(SWITCH, rate, **pace)
    beats = bar or (4 if metre is None else metre.beats_per_bar)
    return other.phrase, PracticeForm(tempi_bpm=tempi, notes_per_beat=rate, beats_per_bar=beats, **chosen)
