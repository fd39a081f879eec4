"""``strokeplane calibrate``: measure a sensor's errors and keep them for all later recordings."""

from __future__ import annotations

import datetime
import json
from typing import TYPE_CHECKING

import click

from logger.commands.sensor_options import role_option, sensor_options, source_from_options
from logger.terminal.say import say, show, show_document

if TYPE_CHECKING:
    import threading

    from analysis.model.records import Calibration, SensorProfile
    from analysis.signal.allan import NoiseTerms
    from analysis.signal.calibration import AccelerometerFit, StillMean
    from logger.record.collect import Collector
    from logger.terminal.keys import Keys

STILL_S = 10.0
POSITION_S = 3.0
EDGE_POSITIONS = 6


@click.command("calibrate")
@sensor_options
@role_option
@click.option("--positions/--still-only", default=True, help="Six resting positions, or only the turning bias.")
@click.option("--edges", is_flag=True, help="Six more positions on edges and corners: sharper cross-axis terms.")
@click.option(
    "--latitude",
    type=click.FloatRange(-90, 90),
    default=45.0,
    show_default=True,
    help="Latitude of this place, degrees.",
)
@click.option(
    "--height",
    "height_m",
    type=click.FloatRange(-500, 9000),
    default=100.0,
    show_default=True,
    help="Height above the sea, metres.",
)
@click.option(
    "--allan", "allan_s", type=click.FloatRange(10), help="Then record a still of so many seconds for its noise."
)
@click.option("--pace", type=click.FloatRange(0.05, 10), default=1.0, help="Stretch (or shorten) the steps.")
@click.option("--dry-run", is_flag=True, help="Show the result, and keep nothing.")
def calibrate_command(
    source_text: str,
    profile_name: str,
    rate_hz: float | None,
    ranges: tuple[int, int] | None,
    speed: float,
    role: str,
    positions: bool,
    edges: bool,
    latitude: float,
    height_m: float,
    allan_s: float | None,
    pace: float,
    dry_run: bool,
) -> None:
    """Calibrate a sensor: its turning bias at rest, its accelerometer in six positions.

    Let it run for five minutes first, so that it is warm. Each result is kept with the sensor's id and applied to all
    recordings from then on, wherever it sits; the role is only noted. What cannot be right is refused, and nothing is
    changed.
    """
    from analysis.signal.calibration import normal_gravity_mps2
    from logger.record.collect import collecting
    from logger.terminal.end_signals import ended_by_signals
    from logger.terminal.keys import open_keys

    gravity = normal_gravity_mps2(latitude, height_m)
    source = source_from_options(source_text, profile_name, rate_hz, ranges, speed)
    show(f"Looking for {source.name} ...", err=True)
    noise: NoiseTerms | None = None
    with ended_by_signals() as stopping, collecting(source) as (collector, info), open_keys() as keys:
        desk = _Desk(collector, info.profile.sensor, keys, stopping, pace)
        still = desk.still("Lay the sensor on a level table and do not touch table or cable.", STILL_S)
        fit = desk.positions(still, gravity, edges) if positions else None
        if allan_s is not None:
            noise = desk.noise(allan_s)
    details = {**_details(still, fit, noise, gravity), "role": role}
    calibration = _calibration(still, fit)
    _show(still, fit, noise)
    _keep(info.profile.sensor, calibration, details, dry_run)


class _Desk:
    """The steps at the desk, each refused and repeated until it is right."""

    def __init__(
        self, collector: Collector, sensor: SensorProfile, keys: Keys, stopping: threading.Event, pace: float
    ) -> None:
        self._collector, self._sensor, self._keys, self._stopping = collector, sensor, keys, stopping
        self._pace = pace

    def still(self, prompt: str, seconds: float) -> StillMean:
        """Average a still; a stretch that moved is asked for again."""
        from analysis.model.errors import InputError
        from analysis.signal.calibration import still_mean
        from logger.record.collect import wait_for_key
        from logger.sources.sensor_check import to_si

        while True:
            say(f"{prompt} ({seconds * self._pace:.0f} s; press a key to start, q to end)", err=True)
            wait_for_key(self._keys, self._stopping)
            raw = self._collector.collect(seconds * self._pace)
            try:
                return still_mean(*to_si(raw, self._sensor), self._sensor.rate_hz)
            except InputError as error:
                say(f"Not taken: {error}", err=True)

    def positions(self, first: StillMean, gravity_mps2: float, edges: bool) -> AccelerometerFit:
        """Go through the positions; the order is the player's, what is still missing is named."""
        from analysis.signal.calibration import FACES, face_up, fit_positions

        taken = [first]
        seen = {face_up(first.accel_mps2)}
        while missing := [face for face in FACES if face not in seen]:
            mean = self.still(f"Stand it against a box with one of these up: {', '.join(missing)}.", POSITION_S)
            face = face_up(mean.accel_mps2)
            if face is None or face in seen:
                show("Not taken: " + ("no axis points up" if face is None else f"{face} was taken already"), err=True)
                continue
            show(f"{face} taken.", err=True)
            taken.append(mean)
            seen.add(face)
        for number in range(EDGE_POSITIONS if edges else 0):
            taken.append(
                self.still(f"Lean it on an edge or corner, each time another ({number + 1} of 6).", POSITION_S)
            )
        bias = first.gyro_radps
        return fit_positions(taken, gravity_mps2, (float(bias[0]), float(bias[1]), float(bias[2])))

    def noise(self, seconds: float) -> NoiseTerms:
        """Record a long still and split the gyroscope's noise into its terms."""
        import numpy as np

        from analysis.signal.allan import NoiseTerms, fit_noise, oadev, octave_factors
        from logger.record.collect import wait_for_key
        from logger.sources.sensor_check import to_si

        say(f"Leave it lying for {seconds:.0f} s, best overnight. (press a key to start)", err=True)
        wait_for_key(self._keys, self._stopping)
        _, gyro = to_si(self._collector.collect(seconds), self._sensor)
        factors = octave_factors(len(gyro))
        axes = [fit_noise(oadev(gyro[:, i], self._sensor.rate_hz, factors)) for i in range(3)]

        def worst(values: list[float | None]) -> float | None:
            seen = [value for value in values if value is not None]
            return float(np.max(seen)) if seen else None

        return NoiseTerms(
            worst([a.white for a in axes]),
            worst([a.bias_instability for a in axes]),
            worst([a.random_walk for a in axes]),
        )


def _calibration(still: StillMean, fit: AccelerometerFit | None) -> Calibration:
    from analysis.model.records import Calibration

    if fit is not None:
        return fit.calibration
    x, y, z = (float(value) for value in still.gyro_radps)
    return Calibration(gyro_bias_radps=(x, y, z), source="still")


def _details(
    still: StillMean, fit: AccelerometerFit | None, noise: NoiseTerms | None, gravity_mps2: float
) -> dict[str, object]:
    details: dict[str, object] = {"gyro_bias_se_radps": still.gyro_se_radps.tolist(), "gravity_mps2": gravity_mps2}
    if fit is not None:
        details |= {
            "scale_se": fit.scale_se.tolist(),
            "cross_axis_se": fit.cross_axis_se.tolist(),
            "bias_se_mps2": fit.bias_se_mps2.tolist(),
            "residual_mps2": fit.residual_mps2,
        }
    if noise is not None:
        details["gyro_noise"] = {
            "white_radps_rthz": noise.white,
            "bias_instability_radps": noise.bias_instability,
            "random_walk": noise.random_walk,
        }
    return details


def _show(still: StillMean, fit: AccelerometerFit | None, noise: NoiseTerms | None) -> None:
    import numpy as np

    def line(name: str, values: np.ndarray, errors: np.ndarray, unit: str) -> None:
        cells = ", ".join(f"{value:+.3f} +- {error:.3f}" for value, error in zip(values, errors, strict=True))
        say(f"{name}: {cells} {unit}", indent="  ")

    line("turning bias x, y, z", np.degrees(still.gyro_radps), np.degrees(still.gyro_se_radps), "deg/s")
    if fit is not None:
        line("accelerometer bias x, y, z", fit.bias_mps2, fit.bias_se_mps2, "m/s2")
        line("scale error x, y, z", 100 * fit.scale_error, 100 * fit.scale_se, "%")
        line("cross-axis xy, xz, yz", 100 * fit.cross_axis, 100 * fit.cross_axis_se, "%")
        show(f"left over: {fit.residual_mps2:.4f} m/s2")
    if noise is not None:
        terms = {"white": noise.white, "bias instability": noise.bias_instability, "random walk": noise.random_walk}
        seen = [f"{name} {np.degrees(value):.5f}" for name, value in terms.items() if value is not None]
        say(f"gyroscope noise, worst axis, in deg and s: {', '.join(seen) or 'none seen'}")


def _keep(sensor: SensorProfile, calibration: Calibration, details: dict[str, object], dry_run: bool) -> None:
    from logger.player.calibration_store import save_version

    if dry_run:
        show_document(json.dumps(details) + "\n")
        return
    created = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    path = save_version(sensor, calibration, created, details)
    say(f"Kept in {path}; applied to all recordings of this sensor from now on.")
