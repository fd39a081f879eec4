"""``strokeplane start``: the first five minutes. Asks who plays what, keeps it, shows how to wear the sensor."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from logger.terminal.say import show

if TYPE_CHECKING:
    from analysis.model.records import Instrument
    from logger.player.player_profile import PlayerProfile

WEAR = """\
How to wear the sensor

      fingers        1. Put it on the back of the picking hand, in the middle,
    | | | |             where the bones are and the skin moves least.
    | | | |_         2. Note which edge points to the fingers, and wear it
   |        | \\          that way every time.
   | [####] |  |     3. Strap it snugly: it must not wobble when you flick the
   |        | / thumb   hand, and not press, rub or leave a mark.
    \\______/         4. It must touch neither strings nor instrument.
      wrist          5. Run a cable up the forearm, with a loop of slack.
"""

DEMO_NAME = "strokeplane-demo.html"
DEMO_SECONDS = 20.0


@click.command("start")
@click.option("--name", help="A label of your own choice.")
@click.option("--handed", type=click.Choice(["right", "left"]), help="The hand that holds the plectrum.")
@click.option("--instrument", "preset", help="Short name of an instrument; --list shows them.")
@click.option(
    "--outer-mm", type=click.FloatRange(5, 400), help="Distance between the outer courses, as you measured it."
)
@click.option("--strap", help="Your label for how the sensor is fixed.")
@click.option("--list", "list_only", is_flag=True, help="List the instruments to choose from, and end.")
@click.option("--demo/--no-demo", default=None, help="Show a report of an invented session, or do not offer one.")
@click.option(
    "--demo-to", type=click.Path(dir_okay=False, path_type=Path), default=Path(DEMO_NAME), show_default=True,
    help="Where the demo's report goes.",
)  # fmt: skip
def start_command(
    name: str | None,
    handed: Literal["right", "left"] | None,
    preset: str | None,
    outer_mm: float | None,
    strap: str | None,
    list_only: bool,
    demo: bool | None,
    demo_to: Path,
) -> None:
    """Set up in five minutes: who plays, on what, and how the sensor is worn.

    No account, nothing leaves this computer. What options do not say is asked; without a terminal the usual is
    taken. Run it again to change something, or for another player.
    """
    from analysis.model.cautions import WEARING
    from logger.player.instrument_presets import describe_instrument, load_presets
    from logger.player.player_profile import load_players, save_players
    from logger.terminal.plan_text import wrap

    if list_only:
        for short, instrument in load_presets().items():
            told = describe_instrument(instrument)
            show(click.wrap_text(told, 80, initial_indent=f"{short:16}", subsequent_indent=" " * 16))
        return
    players = load_players()
    known = players.find(name if name is not None else players.active)
    profile = _ask(name, handed, preset, outer_mm, strap, known)
    path = save_players(players.with_profile(profile))
    who = f"{profile.player.name or 'you'}, {profile.player.handed}-handed"
    show(f"\nKept in {path}:")
    show(wrap(f"{who}, {describe_instrument(profile.instrument)}.") + "\n")
    show("\n".join([WEAR, *(wrap(f"! {caution}") for caution in WEARING), ""]))
    _say_next(profile)
    if demo is None and sys.stdin.isatty():
        demo = click.confirm("\nShow a report of an invented session now?", default=True)
    if demo:
        show_demo(profile, demo_to)


def _ask(
    name: str | None,
    handed: Literal["right", "left"] | None,
    preset: str | None,
    outer_mm: float | None,
    strap: str | None,
    known: PlayerProfile | None,
) -> PlayerProfile:
    """Ask for what is not given; the answers kept last time are the defaults."""
    from dataclasses import replace

    from analysis.model.records import Player
    from logger.player.instrument_presets import find_preset, with_outer_distance
    from logger.player.player_profile import DEFAULT_STRAP, PlayerProfile

    usual = known or PlayerProfile(Player("me"), find_preset("guitar-6-steel"))
    if name is None:
        name = _prompt("What shall we call you?", usual.player.name or "me")
    if handed is None:
        answer = _prompt("Which hand holds the plectrum?", usual.player.handed, click.Choice(["right", "left"]))
        handed = "left" if answer == "left" else "right"
    instrument = find_preset(preset) if preset is not None else usual.instrument
    if preset is None and sys.stdin.isatty() and (known is None or not click.confirm(
        f"Still on the {usual.instrument.name or 'same instrument'}?", default=True
    )):  # fmt: skip
        instrument = _choose_instrument()
    if outer_mm is None and sys.stdin.isatty() and instrument != usual.instrument:
        show("\nMeasure between the middles of the outer strings, where you pick.\nEnter keeps the usual value.")
        outer_mm = click.prompt("Distance, mm", default=round(sum(instrument.spacing_mm), 1), type=float)
    if outer_mm is not None and abs(outer_mm - sum(instrument.spacing_mm)) > 0.05:
        instrument = with_outer_distance(instrument, outer_mm)
    if strap is None:
        strap = usual.strap or DEFAULT_STRAP
    return replace(usual, player=Player(name, handed), instrument=instrument, strap=strap)


def _prompt(question: str, default: str, kind: click.Choice[str] | None = None) -> str:
    """Ask at a terminal; elsewhere the default is the answer."""
    if not sys.stdin.isatty():
        return default
    return str(click.prompt(question, default=default, type=kind))


def _choose_instrument() -> Instrument:
    from logger.player.instrument_presets import load_presets

    presets = list(load_presets().items())
    show("\nWhich instrument comes nearest?")
    for number, (_, instrument) in enumerate(presets, 1):
        show(f"{number:4}  {instrument.name}")
    number = click.prompt("Number", default=1, type=click.IntRange(1, len(presets)))
    return presets[number - 1][1]


def _say_next(profile: PlayerProfile) -> None:
    lever = profile.expected_lever()
    if lever is not None:
        show(
            f"Known from {lever.sessions} session{'s' * (lever.sessions > 1)} with this strap: where the plectrum's "
            "tip lies. The short gestures will do."
        )
    show("Next: strokeplane ports     where is the sensor?")
    show("      strokeplane check     is it good enough?")
    show("      strokeplane record -o evening.mcap")
    show("      strokeplane analyse evening.mcap --html evening.html")
    show("Away from a screen, three raps on the instrument's body start and end a block:")
    show("keep the hand still for a second before and after them.")


def show_demo(profile: PlayerProfile, path: Path) -> None:
    """Simulate a session of an invented player on this instrument, and write its report.

    Raises
    ------
    OutputError
        The report cannot be written.
    """
    from logger.files.own_result import check_result, is_page
    from logger.terminal.progress_bar import show_progress

    check_result(path, is_page)
    with show_progress() as progress:
        progress("making up a session", 0.0)
        from dataclasses import replace

        from analysis.findings.arbiter import weigh_session
        from analysis.synthesis.draw import random_scenario
        from analysis.synthesis.scenario import GesturePlan, PlayBlock
        from analysis.synthesis.simulate import simulate
        from logger.many.analyse import analyse_recording
        from logger.report.session_page import write_report
        from logger.terminal.terminal_verdict import render_verdict

        spacing = profile.instrument.mean_spacing_mm
        blocks = tuple(
            PlayBlock(tempo_bpm=tempo, notes_per_beat=4, tilt_deg=tilt, span_mm=2.4 * spacing, duration_s=DEMO_SECONDS)
            for tempo, tilt in ((90.0, 22.0), (110.0, 20.0), (130.0, 9.0))
        )
        drawn = random_scenario(11)
        scenario = replace(
            drawn,
            hand=drawn.hand if drawn.player.handed == profile.player.handed else None,
            instrument=profile.instrument,
            player=replace(profile.player, name="an invented player"),
            blocks=blocks,
            gestures=GesturePlan(repetitions=2),
        )
        made = simulate(scenario, 11)
        found = weigh_session(analyse_recording(made.session, progress).result)
        write_report(found, path)
    show("\nAn invented player, a simulated sensor:\n")
    show(render_verdict(found, 80))
    show(f"\nThe report is here: {path.resolve()}")
    if sys.stdout.isatty() and (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY") or os.name == "nt"):
        click.launch(path.resolve().as_uri())
