"""A session from a Motion-BIDS recording: exactly, if strokeplane wrote it, or as another sensor's log.

Of another's recording the accelerometer and gyroscope of one tracked point are taken. Their values become whole
numbers of a fine decimal step, as with a CSV (``logger.import_csv``). Rows with n/a are gaps.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.errors import InputError, SessionFileError
from analysis.events import check_events
from analysis.model import EVENT_KINDS, Event, FloatArray, IntArray, RawSamples, SensorProfile, Session
from analysis.si_units import si_to_counts
from logger.check_bids import (
    check_recording,
    find_companion,
    read_channel_notes,
    read_channels,
    read_sidecar,
    read_tsv,
)
from logger.column_map import ACCEL_UNITS, GYRO_UNITS, Triad
from logger.events_csv import read_event
from logger.import_parquet import whole_counts
from logger.motion_bids import EVENT_FIELDS, MISSING, ONSET_DECIMALS, OWN_FIELD
from logger.saturation import find_clipping
from logger.session_records import SessionHead, decode_head

TICK_HZ = 1e9


def import_bids(path: Path, point: str | None = None) -> Session:
    """Read one recording of a data set into a session.

    Parameters
    ----------
    path : Path
        Its ``motion.tsv``.
    point : str, optional
        The tracked point to take, where there are several.

    Returns
    -------
    Session

    Raises
    ------
    InputError
        What it needs is missing, contradictory, or was changed since strokeplane wrote it.
    """
    if not path.is_file():
        raise InputError(f"{path}: expected a file of a Motion-BIDS data set, found none; check its name")
    check_recording(path)
    rows = read_channels(path)
    chosen = _choose(path, rows, point)
    table = _read_rows(path)
    known = np.isfinite(table[:, chosen])
    kept = np.flatnonzero(known.all(axis=1))
    if kept.size < 2:
        raise InputError(f"{path}: expected at least 2 rows of numbers, found {kept.size}; export or copy it again")
    si = np.ascontiguousarray(table[np.ix_(kept, np.array(chosen))].T)
    at = next((number for number, row in enumerate(rows) if row["type"] == "LATENCY"), None)
    latency = None if at is None else table[kept, at]
    own = read_channel_notes(path).get(OWN_FIELD)
    if own is not None:
        session = _own_session(path, own, kept, si, latency)
        start_s = float(session.raw.ticks[0] / session.profile.tick_hz)
    else:
        session = _foreign_session(path, [rows[column] for column in chosen], kept, si, latency)
        partly = int((known.any(axis=1) & ~known.all(axis=1)).sum())
        if partly:
            note = f"{partly} rows of {path.name} lack some axes and count as missing."
            session = replace(session, warnings=(*session.warnings, note))
        start_s = 0.0
    events, skipped = _read_events(path, start_s)
    notes = (f"{skipped} events of kinds that strokeplane does not know were left out.",) if skipped else ()
    return replace(session, events=events, warnings=(*session.warnings, *notes))


def _choose(path: Path, rows: Sequence[Mapping[str, str]], point: str | None) -> list[int]:
    """Columns of accelerometer and gyroscope, x, y, z each, of one tracked point."""
    places: dict[str, dict[tuple[str, str], int]] = {}
    for number, row in enumerate(rows):
        if row["type"] in ("ACCEL", "GYRO"):
            places.setdefault(row["tracked_point"], {})[row["type"], row["component"]] = number
    wanted = [(kind, axis) for kind in ("ACCEL", "GYRO") for axis in "xyz"]
    whole = {name: [found[key] for key in wanted] for name, found in places.items() if set(wanted) <= set(found)}
    if not whole:
        raise InputError(
            f"{path}: expected three channels of type ACCEL and three of type GYRO (x, y, z) at one tracked "
            "point, found none such; strokeplane needs both"
        )
    if point is None and len(whole) > 1:
        raise InputError(f"{path}: sensors at {', '.join(whole)}; name the one on the picking hand with --point")
    if point is not None and point not in whole:
        raise InputError(f"{path}: no whole sensor at {point!r}; name one of {', '.join(whole)} with --point")
    columns = whole[point or next(iter(whole))]
    for triad in (columns[:3], columns[3:]):
        if len({rows[column]["units"] for column in triad}) > 1:
            raise InputError(
                f"{path}: expected one unit for the three axes of a sensor, found several; correct channels.tsv"
            )
    return columns


def _read_rows(path: Path) -> FloatArray:
    """All of ``motion.tsv`` as numbers, n/a as NaN; its shape is checked before."""
    try:
        table = pd.read_csv(path, sep="\t", header=None, na_values=[MISSING], keep_default_na=False, dtype=np.float64)
    except ValueError as error:
        raise InputError(f"{path}: expected numbers or n/a in every cell ({error}); correct the cell") from error
    values = table.to_numpy()
    if np.isinf(values).any():
        raise InputError(f"{path}: expected finite numbers, found an infinite one; correct the cell")
    return values


def _own_session(path: Path, own: Any, kept: IntArray, si: FloatArray, latency: FloatArray | None) -> Session:
    """A session that strokeplane wrote: ticks and counts as they were."""
    try:
        head, _ = decode_head(json.dumps(own["Session"]).encode())
        first_tick, first_sequence = int(own["FirstTick"]), int(own["FirstSequence"])
    except (KeyError, TypeError, ValueError, SessionFileError) as error:
        raise InputError(
            f"{path}: the field {OWN_FIELD} of its channels.json cannot be used ({error}); export the session again"
        ) from error
    if latency is None or not np.isfinite(latency).all():
        raise InputError(f"{path}: expected a time in every row (channel LATENCY), found none; export it again")
    ticks = np.rint(latency * head.profile.tick_hz).astype(np.int64) + first_tick
    counts = whole_counts(si_to_counts(si, head.profile, head.calibration), path)
    raw = RawSamples(ticks, kept - kept[0] + first_sequence, _host_times(path, kept.size), counts)
    return Session(raw, **{field.name: getattr(head, field.name) for field in fields(SessionHead)})


def _foreign_session(
    path: Path, rows: Sequence[Mapping[str, str]], kept: IntArray, values: FloatArray, latency: FloatArray | None
) -> Session:
    """Another program's recording: times and values as whole numbers of fine steps."""
    accel, gyro = _triad(rows[:3], ACCEL_UNITS), _triad(rows[3:], GYRO_UNITS)
    values[:3] /= accel.step
    values[3:] /= gyro.step
    if np.abs(values).max() >= 2.0**31:
        raise InputError(
            f"{path}: expected values that a sensor can send, found one far beyond; check channels.tsv's units"
        )
    counts = np.ascontiguousarray(np.rint(values).astype(np.int32).T)
    record = read_sidecar(path)
    effective = record.get("SamplingFrequencyEffective")
    rate_hz = float(effective if isinstance(effective, int | float) and effective > 0 else record["SamplingFrequency"])
    time_s = kept / rate_hz if latency is None or not np.isfinite(latency).all() else latency
    ticks = np.rint(time_s * TICK_HZ).astype(np.int64)
    clips, warnings = find_clipping(counts, accel, gyro)
    profile = SensorProfile(
        name="imported",
        rate_hz=rate_hz,
        accel_mps2_per_count=accel.si_per_count,
        gyro_radps_per_count=gyro.si_per_count,
        tick_hz=TICK_HZ,
        accel_clip_counts=clips[0],
        gyro_clip_counts=clips[1],
    )
    raw = RawSamples(ticks, kept.astype(np.int64), _host_times(path, kept.size), counts)
    return Session(raw, profile, warnings=tuple(warnings), metadata={"imported_from": path.name})


def _triad(rows: Sequence[Mapping[str, str]], units: Mapping[str, tuple[float, float]]) -> Triad:
    """Three channels and the step that their values are kept in; m/s^2 is written m/s2 elsewhere."""
    unit = rows[0]["units"].replace("^", "")
    si, step = units[unit]
    names = tuple(row["name"] for row in rows)
    return Triad((names[0], names[1], names[2]), unit, step, si * step)


def _host_times(path: Path, size: int) -> FloatArray:
    """When the first sample was taken, by ``scans.tsv``; the others' arrival is not known."""
    host = np.full(size, np.nan)
    for scans in sorted(path.parent.parent.glob("*_scans.tsv")):
        for row in read_tsv(scans):
            moment = row.get("acq_time", MISSING)
            # Without a Z it is the time of an unknown place.
            if Path(row.get("filename", "")).name == path.name and moment.endswith("Z"):
                host[0] = datetime.fromisoformat(moment).timestamp()
    return host


def _read_events(path: Path, start_s: float) -> tuple[tuple[Event, ...], int]:
    """Events of kinds that are known, on the log's clock, and how many were left out."""
    companion = find_companion(path, "_events.tsv")
    if companion is None:
        return (), 0
    events, skipped = [], 0
    for number, cells in enumerate(read_tsv(companion), start=2):
        if cells.get("trial_type") not in EVENT_KINDS:
            skipped += 1
            continue
        try:
            onset, duration = float(cells["onset"]), float(cells["duration"])
        except (KeyError, ValueError) as error:
            raise InputError(
                f"{companion}, row {number}: expected numbers for onset and duration, found none; correct the cells"
            ) from error
        known = {name: cells[name] for name in EVENT_FIELDS if cells.get(name, MISSING) != MISSING}
        known |= {"kind": cells["trial_type"], "start_s": repr(round(start_s + onset, ONSET_DECIMALS))}
        known["end_s"] = repr(round(start_s + onset + duration, ONSET_DECIMALS))
        events.append(read_event(companion, number, known))
    try:
        check_events(events)
    except InputError as error:
        raise InputError(f"{companion}: {error}") from error
    return tuple(events), skipped
