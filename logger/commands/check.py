"""``strokeplane check``: say whether sensor, strap and link are good enough."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, NamedTuple

import click

from logger.commands.sensor_options import role_option, say_offer, sensor_options, source_from_options
from logger.terminal.say import say, show

if TYPE_CHECKING:
    import threading

    from analysis.model.records import RawSamples
    from logger.record.collect import Collector
    from logger.sources.sensor_check import SensorFinding
    from logger.sources.stream import DeviceInfo
    from logger.terminal.keys import Keys


class Step(NamedTuple):
    """What is asked for, and for how long."""

    prompt: str
    seconds: float


# What the player does, and for how many seconds; a minute with the pauses between.
STEPS = {
    "still": Step("Lay the sensor on a level table with its z mark up, and do not touch table or cable.", 15.0),
    "turn": Step(
        "Pick it up, rock it slowly about all its axes, then turn it until its x mark points up. Hold it there.",
        9.0,
    ),
    "strokes": Step("Strap it on. Play your hardest strokes.", 8.0),
    "flick": Step("Flick the hand hard once, as if to shake off water, then hold it still in the air.", 5.0),
}
INSTRUMENT_STEPS = {
    "still": STEPS["still"],
    "turn": STEPS["turn"],
    "strokes": Step(
        "Clamp it to the head of the instrument, or put it into a pouch on the strap, never taped to lacquer. Play "
        "your hardest strokes.",
        8.0,
    ),
}


PRETENDED = (
    "Note: the simulated sensor plays its session from the start and does none of the following. What it says about "
    "link, rate and losses is true; that it is not still and shows no flick is only to be expected."
)


@click.command("check")
@sensor_options
@role_option
@click.option("--pace", type=click.FloatRange(0.05, 10), default=1.0, help="Stretch (or shorten) the steps.")
@click.option("--no-wait", is_flag=True, help="Go from step to step without waiting for a key.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
def check_command(
    source_text: str,
    profile_name: str,
    rate_hz: float | None,
    ranges: tuple[int, int] | None,
    speed: float,
    role: str,
    pace: float,
    no_wait: bool,
    as_json: bool,
) -> None:
    """Check a sensor, its strap and its link in about a minute.

    Reports true rate, losses, noise, range, axis marks, strap, delay and battery, each with what it costs in degrees of
    tilt where that can be said. Exit code 1 if the sensor is not usable. A sensor for the instrument is judged by what
    it is to see there: with --role instrument.
    """
    from logger.record.collect import collecting
    from logger.sources.sensor_check import worst
    from logger.terminal.end_signals import ended_by_signals
    from logger.terminal.keys import open_keys

    source = source_from_options(source_text, profile_name, rate_hz, ranges, speed)
    show(f"Looking for {source.name} ...", err=True)
    with ended_by_signals() as stopping, collecting(source) as (collector, info), open_keys() as keys:
        say_offer(source)
        if source_text.partition(":")[0] == "simulated":
            say(PRETENDED, err=True)
        steps = _Steps(collector, keys, stopping, pace, no_wait)
        stretches = steps.run(STEPS if role == "hand" else INSTRUMENT_STEPS)
        findings = _find(collector, info, stretches, role, at_pace=speed == 1.0)
    verdict = worst(findings)
    if as_json:
        show(json.dumps({"verdict": verdict, "findings": [asdict(finding) for finding in findings]}))
    else:
        _show(findings, verdict)
    if verdict == "not usable":
        raise SystemExit(1)


@dataclass(frozen=True)
class _Steps:
    """What the steps need, and how they are gone through."""

    collector: Collector
    keys: Keys
    stopping: threading.Event
    pace: float
    no_wait: bool

    def run(self, steps: Mapping[str, Step]) -> dict[str, RawSamples]:
        """Collect the stretch of each step."""
        from logger.record.collect import wait_for_key
        from logger.terminal.progress_bar import show_progress

        stretches = {}
        for name, (prompt, seconds) in steps.items():
            say(f"{prompt} ({seconds * self.pace:.0f} s{'' if self.no_wait else '; press a key to start'})", err=True)
            if not self.no_wait:
                wait_for_key(self.keys, self.stopping)
            with show_progress() as progress:
                stretches[name] = self.collector.collect(seconds * self.pace, _share(progress, name))
        return stretches


def _share(progress: Callable[[str, float], None], name: str) -> Callable[[float], None]:
    return lambda share: progress(name, share)


def _find(
    collector: Collector, info: DeviceInfo, stretches: dict[str, RawSamples], role: str, at_pace: bool
) -> list[SensorFinding]:
    """All findings; a replay at another pace than its own tells nothing of clock and delay."""
    from logger.sources import sensor_check as check
    from logger.sources.stream import join_samples

    sensor, fit = (collector.info or info).profile.sensor, collector.source.clock.fit() if at_pace else None
    everything = join_samples(list(stretches.values()))
    findings = check.check_rate(everything, sensor, fit, role)
    findings.append(check.check_losses(everything, collector.source.losses))
    link = check.check_link(collector.source.arrivals) if at_pace else None
    findings += [] if link is None else [link]
    still, mean = check.check_still(stretches["still"], sensor, role)
    findings += still
    if mean is not None:
        findings += check.check_turn(stretches["turn"], sensor, mean)
    findings.append(check.check_agreement(everything, sensor))
    findings.append(check.check_clipping(stretches["strokes"], sensor))
    if "flick" in stretches:
        wobble = check.measure_wobble(stretches["flick"], sensor)
        findings.append(check.check_wobble(wobble, stretches["strokes"], sensor))
    if at_pace:
        findings.append(check.check_latency(fit))
    battery = check.check_battery(collector.battery)
    return findings if battery is None else [*findings, battery]


def _show(findings: list[SensorFinding], verdict: str) -> None:
    for finding in findings:
        cost = "" if finding.tilt_deg is None else f"  (tilt: {finding.tilt_deg:.2f} deg)"
        say(f"{finding.verdict:>10}  {finding.name}: {finding.found}{cost}", indent=" " * 12)
        if finding.advice and finding.verdict != "ok":
            say(f"{'':>10}  -> {finding.advice}", indent=" " * 15)
    words = {
        "ok": "This sensor is good enough.",
        "usable": "This sensor can be used; the lines above say what it costs.",
        "not usable": "This sensor cannot be used as it is; the lines above say what to do.",
    }
    show(words[verdict])
