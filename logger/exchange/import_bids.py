"""A session from a Motion-BIDS recording: exactly, if strokeplane wrote it, or as another sensor's log.

Of another's recording the accelerometer and gyroscope of one tracked point are taken. Their values become whole
numbers of a fine decimal step, as with a CSV (``logger.exchange.import_csv``). Rows with n/a are gaps.
"""

from __future__ import annotations

import glob
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.model.errors import InputError, SessionFileError
from analysis.model.events import check_events
from analysis.model.records import EVENT_KINDS, Event, FloatArray, IntArray, RawSamples, SensorProfile, Session
from analysis.signal.si_units import si_to_counts
from logger.exchange.check_bids import (
    MOTION,
    check_recording,
    find_companion,
    read_channel_notes,
    read_channels,
    read_sidecar,
    read_tsv,
)
from logger.exchange.import_parquet import whole_counts
from logger.exchange.motion_bids import EVENT_FIELDS, MISSING, ONSET_DECIMALS, OWN_FIELD, STREAM_FIELD
from logger.exchange.saturation import find_clipping
from logger.files.events_csv import read_event
from logger.player.column_map import ACCEL_UNITS, GYRO_UNITS, Triad
from logger.session.heads import session_of
from logger.session.session_records import SessionHead, StreamHead, decode_head

TICK_HZ = 1e9
ROWS_PER_PART = 1 << 16

ToCounts = Callable[[FloatArray, int], NDArray[np.int32]]
"""Values (6, n) and the number of the first sample to counts (n, 6)."""


@dataclass(frozen=True)
class MotionRows:
    """The rows of ``motion.tsv`` in which all six axes are known.

    Attributes
    ----------
    kept : int64 (n,)
        Their places in the file.
    counts : int32 (n, 6)
    latency : float64 (n,) or None
        Seconds since the first row; None without such a channel, or where some are missing.
    partly : int
        Rows that lack some axes.
    """

    kept: IntArray
    counts: NDArray[np.int32]
    latency: FloatArray | None
    partly: int


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
        raise InputError(
            expected="a file of a Motion-BIDS data set",
            found="none",
            next_step="check its name",
            file=str(path),
        )
    check_recording(path)
    rows = read_channels(path)
    chosen = _choose(path, rows, point)
    latency = next((number for number, row in enumerate(rows) if row["type"] == "LATENCY"), None)
    columns = [*chosen] if latency is None else [*chosen, latency]
    own = read_channel_notes(path).get(OWN_FIELD)
    if own is not None:
        session = _own_session(path, own, columns)
        start_s = float(session.raw.ticks[0] / session.profile.tick_hz)
    else:
        session = _foreign_session(path, [rows[column] for column in chosen], columns)
        start_s = 0.0
    events, skipped = _read_events(path, start_s)
    notes = (f"{skipped} events of kinds that strokeplane does not know were left out.",) if skipped else ()
    # The mark stands in scans.tsv, which other programs keep, too: nobody's recording comes of a simulation.
    mark = {"synthetic": "true"} if _scan_row(path).get("synthetic") == "true" else {}
    metadata = {**session.metadata, **mark}
    return replace(session, events=events, warnings=(*session.warnings, *notes), metadata=metadata)


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
            expected="three channels of type ACCEL and three of type GYRO (x, y, z) at one tracked point",
            found="none such",
            next_step="strokeplane needs both",
            file=str(path),
        )
    if point is None and len(whole) > 1:
        raise InputError(
            f"sensors at {', '.join(whole)}",
            next_step="name the one on the picking hand with --point",
            file=str(path),
        )
    if point is not None and point not in whole:
        raise InputError(
            f"no whole sensor at {point!r}",
            next_step=f"name one of {', '.join(whole)} with --point",
            file=str(path),
        )
    columns = whole[point or next(iter(whole))]
    for triad in (columns[:3], columns[3:]):
        if len({rows[column]["units"] for column in triad}) > 1:
            raise InputError(
                expected="one unit for the three axes of a sensor",
                found="several",
                next_step="correct channels.tsv",
                file=str(path),
            )
    return columns


def _read_rows(path: Path, columns: Sequence[int], to_counts: ToCounts) -> MotionRows:
    """Columns of six axes and, where there is one, of the time; part by part, so that hours need little memory."""
    kept, counts, latency = [], [], []
    read = partly = samples = 0
    for table in _read_parts(path):
        axes = table[:, columns[:6]]
        known = np.isfinite(axes)
        rows = np.flatnonzero(known.all(axis=1))
        partly += int(known.any(axis=1).sum()) - rows.size
        counts.append(to_counts(np.ascontiguousarray(axes[rows].T), samples))
        kept.append(rows + read)
        latency += [table[rows, column] for column in columns[6:]]
        read, samples = read + len(table), samples + rows.size
    if samples < 2:
        raise InputError(
            expected="at least 2 rows of numbers",
            found=f"{samples}",
            next_step="export or copy it again",
            file=str(path),
        )
    times = np.concatenate(latency) if latency else None
    if times is not None and not np.isfinite(times).all():
        times = None
    return MotionRows(np.concatenate(kept), np.concatenate(counts), times, partly)


def _read_parts(path: Path) -> Iterator[FloatArray]:
    """``motion.tsv`` as numbers, n/a as NaN; its shape is checked before."""
    try:
        with pd.read_csv(
            path,
            sep="\t",
            header=None,
            na_values=[MISSING],
            keep_default_na=False,
            dtype=np.float64,
            chunksize=ROWS_PER_PART,
        ) as parts:
            for part in parts:
                values = part.to_numpy()
                if np.isinf(values).any():
                    raise InputError(
                        expected="finite numbers",
                        found="an infinite one",
                        next_step="correct the cell",
                        file=str(path),
                    )
                yield values
    except ValueError as error:
        raise InputError(
            f"expected numbers or n/a in every cell ({error})",
            next_step="correct the cell",
            file=str(path),
        ) from error


def _own_session(path: Path, own: Any, columns: Sequence[int]) -> Session:
    """A session that strokeplane wrote: ticks and counts as they were, of every sensor of it that lies beside."""
    if isinstance(own, dict) and STREAM_FIELD in own:
        raise InputError(
            expected="the recording of the playing hand",
            found="that of another sensor of its session",
            next_step="name the hand's motion.tsv beside it; this one comes along",
            file=str(path),
        )
    try:
        head, _ = decode_head(json.dumps(own["Session"]).encode())
    except (KeyError, TypeError, ValueError, SessionFileError) as error:
        raise _unusable(path, error) from error
    raw = _own_samples(path, own, columns, head)
    streams, samples, told = [], [], list(head.warnings)
    beside = _streams_beside(path)
    for number, each in enumerate(head.streams, start=1):
        if number not in beside:
            told.append(f"The samples of the {each.role}'s sensor are not in the data set.")
            continue
        other, notes = beside[number]
        rows = read_channels(other)
        latency = [at for at, row in enumerate(rows) if row["type"] == "LATENCY"]
        samples.append(_own_samples(other, notes, [*_choose(other, rows, None), *latency[:1]], each))
        streams.append(each)
    head = replace(head, streams=tuple(streams), warnings=tuple(told))
    return session_of(head, raw, (), samples)


def _own_samples(path: Path, own: Any, columns: Sequence[int], head: SessionHead | StreamHead) -> RawSamples:
    """One sensor's ticks and counts."""
    try:
        first_tick, first_sequence = int(own["FirstTick"]), int(own["FirstSequence"])
    except (KeyError, TypeError, ValueError) as error:
        raise _unusable(path, error) from error

    def to_counts(si: FloatArray, first: int) -> NDArray[np.int32]:
        return whole_counts(si_to_counts(si, head.profile, head.calibration), path, first)

    rows = _read_rows(path, columns, to_counts)
    if rows.latency is None:
        raise InputError(
            expected="a time in every row (channel LATENCY)",
            found="none",
            next_step="export it again",
            file=str(path),
        )
    ticks = _ticks(path, rows.latency, head.profile.tick_hz, first_tick)
    sequence = rows.kept - rows.kept[0] + first_sequence
    return RawSamples(ticks, sequence, _host_times(path, sequence.size), rows.counts)


def _unusable(path: Path, error: Exception) -> InputError:
    return InputError(
        f"the field {OWN_FIELD} of its channels.json cannot be used ({error})",
        next_step="export the session again",
        file=str(path),
    )


def _streams_beside(path: Path) -> dict[int, tuple[Path, Any]]:
    """Recordings of further sensors of the same session, by the number of their stream."""
    found = {}
    stem = path.name.split("_tracksys-")[0]
    for other in sorted(path.parent.glob(f"{glob.escape(stem)}_tracksys-*{MOTION}")):
        own = read_channel_notes(other).get(OWN_FIELD)
        if isinstance(own, dict) and isinstance(own.get(STREAM_FIELD), int):
            check_recording(other)
            found[own[STREAM_FIELD]] = (other, own)
    return found


def _foreign_session(path: Path, channels: Sequence[Mapping[str, str]], columns: Sequence[int]) -> Session:
    """Another program's recording: times and values as whole numbers of fine steps."""
    accel, gyro = _triad(channels[:3], ACCEL_UNITS), _triad(channels[3:], GYRO_UNITS)
    steps = np.repeat([accel.step, gyro.step], 3)[:, None]

    def to_counts(values: FloatArray, first: int) -> NDArray[np.int32]:
        steps_each = values / steps
        if np.abs(steps_each).max(initial=0.0) >= 2.0**31:
            raise InputError(
                expected="values that a sensor can send",
                found="one far beyond",
                next_step="check channels.tsv's units",
                file=str(path),
            )
        return np.ascontiguousarray(np.rint(steps_each).astype(np.int32).T)

    rows = _read_rows(path, columns, to_counts)
    record = read_sidecar(path)
    effective = record.get("SamplingFrequencyEffective")
    rate_hz = float(effective if isinstance(effective, int | float) and effective > 0 else record["SamplingFrequency"])
    time_s = rows.kept / rate_hz if rows.latency is None else rows.latency
    ticks = _ticks(path, time_s, TICK_HZ)
    clips, warnings = find_clipping(rows.counts, accel, gyro)
    if rows.partly:
        warnings.append(f"{rows.partly} rows of {path.name} lack some axes and count as missing.")
    profile = SensorProfile(
        name="imported",
        rate_hz=rate_hz,
        accel_mps2_per_count=accel.si_per_count,
        gyro_radps_per_count=gyro.si_per_count,
        tick_hz=TICK_HZ,
        accel_clip_counts=clips[0],
        gyro_clip_counts=clips[1],
    )
    raw = RawSamples(ticks, rows.kept.astype(np.int64), _host_times(path, rows.kept.size), rows.counts)
    return Session(raw, profile, warnings=tuple(warnings), metadata={"imported_from": path.name})


def _ticks(path: Path, time_s: FloatArray, tick_hz: float, first: int = 0) -> IntArray:
    """Whole ticks; times that no clock of 64 bits gives are refused."""
    with np.errstate(over="ignore"):
        ticks = time_s * tick_hz + first
    if not (np.abs(ticks) < 2.0**62).all():
        raise InputError(
            expected="times in seconds since the first sample (channel LATENCY)",
            found="one far beyond",
            next_step="check the column",
            file=str(path),
        )
    return np.rint(ticks).astype(np.int64)


def _triad(rows: Sequence[Mapping[str, str]], units: Mapping[str, tuple[float, float]]) -> Triad:
    """Three channels and the step that their values are kept in; m/s^2 is written m/s2 elsewhere."""
    unit = rows[0]["units"].replace("^", "")
    si, step = units[unit]
    names = tuple(row["name"] for row in rows)
    return Triad((names[0], names[1], names[2]), unit, step, si * step)


def _host_times(path: Path, size: int) -> FloatArray:
    """When the first sample was taken, by ``scans.tsv``; the others' arrival is not known."""
    host = np.full(size, np.nan)
    moment = _scan_row(path).get("acq_time", MISSING)
    # Without a Z it is the time of an unknown place.
    if moment.endswith("Z"):
        host[0] = datetime.fromisoformat(moment).timestamp()
    return host


def _scan_row(path: Path) -> Mapping[str, str]:
    """What ``scans.tsv`` says of a recording; nothing where there is none."""
    rows = [row for scans in sorted(path.parent.parent.glob("*_scans.tsv")) for row in read_tsv(scans)]
    return next((row for row in reversed(rows) if Path(row.get("filename", "")).name == path.name), {})


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
                expected="numbers for onset and duration",
                found="none",
                next_step="correct the cells",
                file=str(companion),
                row=int(number),
            ) from error
        known = {name: cells[name] for name in EVENT_FIELDS if cells.get(name, MISSING) != MISSING}
        known |= {"kind": cells["trial_type"], "start_s": repr(round(start_s + onset, ONSET_DECIMALS))}
        known["end_s"] = repr(round(start_s + onset + duration, ONSET_DECIMALS))
        events.append(read_event(companion, number, known))
    try:
        check_events(events)
    except InputError as error:
        raise InputError(
            f"{error}",
            file=str(companion),
        ) from error
    return tuple(events), skipped
