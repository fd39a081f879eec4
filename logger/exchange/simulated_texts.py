"""A simulated session as texts for other programs: samples, events, the map of its columns, and the truth."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import asdict, fields

import numpy as np

from analysis.model.records import Session
from analysis.synthesis.scenario import Scenario
from analysis.synthesis.simulate import SimulatedSession
from logger.files.csv_cells import guarded

EVENT_FIELDS = (
    "start_s",
    "end_s",
    "kind",
    "label",
    "posture",
    "tempo_bpm",
    "notes_per_beat",
    "drill",
    "rating",
    "wanted",
)


def truth_json(made: SimulatedSession, scenario: Scenario, seed: int) -> str:
    """Return the truth of a session as JSON.

    Parameters
    ----------
    made : SimulatedSession
        The session with its truth.
    scenario : Scenario
        What it was made from.
    seed : int

    Returns
    -------
    str
    """
    truth = made.truth
    document = {
        "synthetic": True,
        "seed": seed,
        "scenario": asdict(scenario),
        "blocks": json.loads(truth.blocks.to_json(orient="records", double_precision=9)),
        "lever_mm": truth.lever_mm,
        "instrument_axes_world": truth.axes_world,
        "hand_to_instrument": truth.hand_to_instrument,
        "sensor": asdict(truth.sensor),
        "hand": asdict(truth.hand),
        "attitude": asdict(truth.attitude),
        "lost_samples": truth.lost_samples,
    }
    return json.dumps(document, indent=1, default=_plain, allow_nan=False) + "\n"


def imu_csv(session: Session) -> str:
    """Return the raw samples as CSV: ticks and counts.

    Parameters
    ----------
    session : Session

    Returns
    -------
    str
        With a header line.
    """
    rows = np.column_stack((session.raw.ticks, session.raw.counts))
    text = io.StringIO()
    text.write("tick,ax,ay,az,gx,gy,gz\n")
    np.savetxt(text, rows, fmt="%d", delimiter=",")
    return text.getvalue()


def map_toml(session: Session) -> str:
    """Return the column map that goes with :func:`imu_csv`.

    Parameters
    ----------
    session : Session
        Its sensor, lever, player and instrument.

    Returns
    -------
    str
        TOML.
    """
    profile, instrument = session.profile, session.instrument
    lines = [
        "# synthetic: an invented player",
        f'[time]\ncolumn = "tick"\nunit = "ticks"\ntick_hz = {profile.tick_hz!r}\n',
        '[accel]\ncolumns = ["ax", "ay", "az"]\nunit = "counts"\n',
        '[gyro]\ncolumns = ["gx", "gy", "gz"]\nunit = "counts"\n',
        f"[sensor]\nrate_hz = {profile.rate_hz!r}",
        f"accel_per_g = {9.80665 / profile.accel_mps2_per_count!r}",
        f"gyro_per_dps = {np.pi / 180 / profile.gyro_radps_per_count!r}",
    ]
    if session.lever_mm is not None:
        lines.append(f"lever_mm = {list(session.lever_mm)!r}")
    lines += [
        f'\n[player]\nhanded = "{session.player.handed}"\n',
        f"[instrument]\nstrings = {instrument.strings}\ncourses = {instrument.courses}",
        f"spacing_mm = {list(instrument.spacing_mm)!r}",
        f'plectrum_depth_mm = {instrument.plectrum_depth_mm!r}\nheld = "{instrument.held}"',
    ]
    if instrument.radius_mm is not None:
        lines.append(f"radius_mm = {instrument.radius_mm!r}")
    return "\n".join(lines) + "\n"


def events_csv(session: Session) -> str:
    """Return the events as the table that ``strokeplane import`` reads.

    Parameters
    ----------
    session : Session

    Returns
    -------
    str
        With a header line.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, EVENT_FIELDS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    for event in session.events:
        values = {f.name: getattr(event, f.name) for f in fields(event)}
        cells = {name: guarded(value) if isinstance(value, str) else value for name, value in values.items()}
        writer.writerow({name: "" if cell is None else cell for name, cell in cells.items()})
    return text.getvalue()


def _plain(value: object) -> object:
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no place in JSON")
