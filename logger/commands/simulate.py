"""``strokeplane simulate``: write a session of an invented player, and the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress

from analysis.model.records import Instrument, Player
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import GesturePlan, PlayBlock, Posture, Recording, Scenario
from analysis.synthesis.simulate import simulate
from logger.exchange.simulated_texts import events_csv, imu_csv, map_toml, truth_json
from logger.files.csv_cells import guard_table
from logger.files.own_result import begins_with, begins_with_one, check_result, is_truth, write_result
from logger.practice.played_drill import played_drill
from logger.session.made_session import check_session_target
from logger.session.session_file import write_session
from logger.terminal.say import say

SECOND_POSTURE = Posture("B", yaw_deg=15.0, grip_change_mm=(4.0, -2.0, 2.2))
USUAL_REST_S = 8.0
"""About what a rest between blocks takes, for growth over the session."""
TRUTH_HEADER = (
    "start_s,end_s,block,direction,tilt_deg,span_mm,bow_mm,lift_mm,contact_s,"
    "attack,string_change,in_change,course,posture"
)
MADE_UP = "# synthetic: an invented player"
SIGNS = {
    ".truth.csv": begins_with_one(f"{TRUTH_HEADER},synthetic", TRUTH_HEADER),
    ".truth.json": is_truth,
    ".imu.csv": begins_with(MADE_UP),
    ".map.toml": begins_with(MADE_UP),
    ".events.csv": begins_with(MADE_UP),
}
"""The files beside the session, and how an older one is known."""
PER_BLOCK = ("tilt", "rate", "tempo", "span", "seconds", "bow", "wanted")


@click.command()
@click.option(
    "-o", "--output", type=click.Path(dir_okay=False, path_type=Path), required=True, help="Session to write."
)
@click.option("--tilt", type=float, multiple=True, default=(15.0,), show_default=True, help="Tilt of a block, degrees.")
@click.option("--rate", type=float, multiple=True, default=(8.0,), show_default=True, help="Strokes a second.")
@click.option("--tempo", type=float, multiple=True, help="Beats a minute; overrides --rate.")
@click.option(
    "--notes-per-beat",
    type=click.FloatRange(0, min_open=True),
    default=4.0,
    show_default=True,
    help="Strokes on each beat of --tempo.",
)
@click.option("--span", type=float, multiple=True, default=(15.0,), show_default=True, help="Length of a stroke, mm.")
@click.option("--bow", type=float, multiple=True, default=(0.0,), show_default=True, help="Bend of the path, mm.")
@click.option("--seconds", type=float, multiple=True, default=(30.0,), show_default=True, help="Length of a block.")
@click.option("--wanted", type=click.Choice(["down", "up"]), multiple=True, help="The stroke that should clear.")
@click.option("--string-change-every", type=click.IntRange(0), default=0, help="Strokes on each string; 0: one string.")
@click.option(
    "--attacks",
    type=click.FloatRange(0, 1),
    default=1.0,
    show_default=True,
    help="Share of strokes with a pick attack.",
)
@click.option("--times", type=click.IntRange(1), default=1, show_default=True, help="How often to play all blocks.")
@click.option(
    "--rest-still", type=click.FloatRange(0), default=0.0, help="Seconds for which the hand rests before each block."
)
@click.option(
    "--tension",
    type=click.FloatRange(0),
    default=0.0,
    help="Growth of tremor an hour as a share (1 doubles it); span and timing get uneven by a quarter of it.",
)
@click.option("--drill", default="", help="Drill of every block: a phrase is played, a name only noted.")
@click.option(
    "--posture-change", type=float, help="Play all again in posture B, its tilt changed by this many degrees."
)
@click.option(
    "--gestures",
    type=click.Choice(["full", "short"]),
    default="full",
    show_default=True,
    help="Length of the reference gestures.",
)
@click.option(
    "--repetitions", type=click.IntRange(0), default=1, show_default=True, help="Repetitions of the reference gestures."
)
@click.option("--sway", type=click.FloatRange(0), default=0.0, help="Slow sway of the instrument, degrees RMS.")
@click.option(
    "--handed", type=click.Choice(["right", "left"]), default="right", show_default=True, help="The player's hand."
)
@click.option(
    "--held",
    type=click.Choice(["upright", "flat"]),
    default="upright",
    show_default=True,
    help="How the instrument is held.",
)
@click.option(
    "--grade",
    type=click.Choice(["cheap", "good", "ideal"]),
    default="cheap",
    show_default=True,
    help="Quality of the sensor; ideal has no errors.",
)
@click.option("--rate-hz", type=click.FloatRange(20, 8000), default=400.0, show_default=True, help="Sample rate.")
@click.option(
    "--lost-share", type=click.FloatRange(0, 0.9), default=2e-4, show_default=True, help="Share of samples lost."
)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Another seed, another player.")
@click.option("--csv", "with_csv", is_flag=True, help="Also write the files that `strokeplane import` reads.")
@click.option("--replace", "may_replace", is_flag=True, help="Write over an existing session file.")
def command(output: Path, seed: int, with_csv: bool, may_replace: bool, **options: Any) -> None:
    """Write a session of an invented player whose strokes are known.

    Writes SESSION.mcap, and the truth beside it as SESSION.truth.csv and SESSION.truth.json. Options that describe
    a block may be given several times, once for each block. Everything is synthetic, and marked as such.
    """
    check_session_target(output, may_replace)
    beside = {suffix: output.with_suffix(suffix) for suffix in SIGNS if with_csv or ".truth" in suffix}
    for suffix, path in beside.items():
        check_result(path, SIGNS[suffix])
    scenario = scenario_from(seed, options)
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("simulating", total=1.0)
        made = simulate(scenario, seed, lambda part: progress.update(task, completed=part))
    write_session(output, made.session)
    texts = {
        ".truth.csv": guard_table(made.truth.strokes).assign(synthetic="true").to_csv(index=False, float_format="%.6f"),
        ".truth.json": truth_json(made, scenario, seed),
        ".imu.csv": f"{MADE_UP}\n{imu_csv(made.session)}",
        ".map.toml": map_toml(made.session),
        ".events.csv": f"{MADE_UP}\n{events_csv(made.session)}",
    }
    for suffix, path in beside.items():
        write_result(path, texts[suffix], SIGNS[suffix])
    blocks = len(made.truth.blocks)
    counted = f"{len(made.truth.strokes)} true strokes in {blocks} block{'s' * (blocks != 1)}"
    say(f"{output}: {counted} (synthetic)")


def scenario_from(seed: int, options: Mapping[str, Any]) -> Scenario:
    """Return the scenario that the options describe.

    Raises
    ------
    click.UsageError
        If an option for blocks is given neither once nor once for each block.
    """
    blocks = grow_tense(blocks_from(options) * options["times"], options["tension"])
    if options["posture_change"] is not None:
        change = float(options["posture_change"])
        blocks += tuple(replace(b, posture="B", tilt_deg=b.tilt_deg + change) for b in blocks)
    drawn = random_scenario(seed, rate_hz=options["rate_hz"])
    return replace(
        drawn,
        # The drawn hand may be a left one; another seed's stream draws the one asked for.
        hand=drawn.hand if drawn.player.handed == options["handed"] else None,
        grade=options["grade"],
        instrument=Instrument(held=options["held"]),
        player=Player(name="invented", handed=options["handed"]),
        blocks=blocks,
        postures=(Posture(), SECOND_POSTURE),
        gestures=GesturePlan(repetitions=options["repetitions"], length=options["gestures"]),
        recording=Recording(lost_share=options["lost_share"]),
        sway_deg=options["sway"],
        rest_still_s=options["rest_still"],
        metadata={"note": "synthetic: an invented player, made by strokeplane simulate"},
    )


def blocks_from(options: Mapping[str, Any]) -> tuple[PlayBlock, ...]:
    """Return one block for each repetition of the options that describe blocks."""
    count = max(len(options[name]) for name in PER_BLOCK)
    for name in PER_BLOCK:
        if len(options[name]) not in (0, 1, count):
            raise click.UsageError(f"--{name} is given {len(options[name])} times; give it once or {count} times")

    def pick(name: str, index: int) -> Any:
        given: Sequence[Any] = options[name]
        return given[index if len(given) > 1 else 0] if given else None

    blocks = []
    for i in range(count):
        tempo = pick("tempo", i)
        given = {"rate": pick("rate", i), "span": pick("span", i), "seconds": pick("seconds", i), "tempo": tempo}
        for name, value in given.items():
            if value is not None and not value > 0:
                raise click.UsageError(f"--{name} must be above zero, not {value:g}")
        blocks.append(
            PlayBlock(
                strokes_per_s=given["rate"],
                tilt_deg=pick("tilt", i),
                span_mm=given["span"],
                duration_s=given["seconds"],
                bow_mm=pick("bow", i),
                tempo_bpm=tempo,
                notes_per_beat=options["notes_per_beat"] if tempo is not None else None,
                wanted=pick("wanted", i),
                string_change_every=options["string_change_every"],
                attacks=options["attacks"],
                drill=options["drill"],
            )
        )
    return tuple(played_drill(block, Instrument().courses) for block in blocks)


def grow_tense(blocks: tuple[PlayBlock, ...], growth: float) -> tuple[PlayBlock, ...]:
    """Return the blocks with a tremor that grows by a share an hour, and an unevenness by a quarter of that share."""
    grown, seconds = [], 0.0
    for block in blocks:
        hours = seconds / 3600
        uneven = (1 + growth / 4) ** hours
        grown.append(
            replace(
                block,
                tremor=(1 + growth) ** hours,
                timing_noise=block.timing_noise * uneven,
                span_scatter=block.span_scatter * uneven,
            )
        )
        seconds += block.duration_s + USUAL_REST_S
    return tuple(grown)
