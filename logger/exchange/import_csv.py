"""A sensor's CSV to a session: columns by a map, values as integer counts, times as ticks, nothing shifted.

Physical values become counts of a fine decimal step (:data:`logger.player.column_map.ACCEL_UNITS`, ``GYRO_UNITS``): a
value with no more decimals than the step is kept exactly, any other is rounded by half a step, hundreds of times below
the noise of a cheap sensor.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import Event, FloatArray, IntArray, RawSamples, SensorProfile, Session
from analysis.signal.timebase import RATE_TOLERANCE, mean_step
from logger.exchange.saturation import find_clipping
from logger.files.csv_table import find_layout, read_columns
from logger.files.events_csv import check_within, read_events
from logger.player.column_map import ColumnMap, Triad, read_column_map
from logger.sources.device_profile import G_MPS2

TICKS_PER_UNIT = {"s": (1e6, 1e9), "ms": (1e3, 1e6), "us": (1.0, 1e3)}
"""Micro- and nanoseconds in one unit of time."""
EXACT_INTEGER = 2.0**53
PLAUSIBLE_MEDIAN_G = (0.2, 5.0)


def import_csv(
    path: Path, map_path: Path, events_path: Path | None = None, progress: Callable[[float], None] = lambda share: None
) -> Session:
    """Read a sensor's CSV into a session.

    Parameters
    ----------
    path, map_path, events_path : Path
        The log, its MAP.toml and, if there is one, its EVENTS.csv.
    progress : callable
        Told the share of the log that is read.

    Returns
    -------
    Session
        ``warnings`` tells what was odd but could be used.

    Raises
    ------
    InputError
        With file, row where there is one, and what to do.
    """
    columns = read_column_map(map_path)
    events = () if events_path is None else read_events(events_path)
    layout = find_layout(path, columns.columns)
    values, rows = read_columns(layout, columns.columns, progress)
    if len(rows) < 2:
        raise InputError(
            f"{path}: expected at least 2 rows of numbers below the header, found {len(rows)}; check the file"
        )
    ticks, tick_hz = _ticks(values[:, 0], rows, columns, path)
    counts = np.empty((len(rows), 6), dtype=np.int32)
    counts[:, :3] = _counts(values[:, 1:4], columns.accel, rows, path)
    counts[:, 3:] = _counts(values[:, 4:7], columns.gyro, rows, path)
    ticks, counts, warnings = _drop_repeats(ticks, counts, rows, path)
    rate_hz = _checked_rate(ticks, tick_hz, columns, path)
    raw = RawSamples(ticks, _sequence(ticks, tick_hz / rate_hz), np.full(ticks.size, np.nan), counts)
    clips, clip_warnings = find_clipping(counts, columns.accel, columns.gyro)
    warnings += clip_warnings + _unit_warnings(counts, columns)
    if events_path is not None:
        warnings += check_within(events, ticks[0] / tick_hz, ticks[-1] / tick_hz, events_path)
    profile = SensorProfile(
        name="imported",
        rate_hz=columns.rate_hz or rate_hz,
        accel_mps2_per_count=columns.accel.si_per_count,
        gyro_radps_per_count=columns.gyro.si_per_count,
        tick_hz=tick_hz,
        accel_clip_counts=clips[0],
        gyro_clip_counts=clips[1],
    )
    return _session(raw, profile, columns, events, warnings, path)


def _session(
    raw: RawSamples,
    profile: SensorProfile,
    columns: ColumnMap,
    events: tuple[Event, ...],
    warnings: list[str],
    path: Path,
) -> Session:
    return Session(
        raw=raw,
        profile=profile,
        player=columns.player,
        instrument=columns.instrument,
        events=events,
        lever_mm=columns.lever_mm,
        warnings=tuple(warnings),
        metadata={"imported_from": path.name, "column_map": columns.path.name},
    )


def _ticks(time: FloatArray, rows: IntArray, columns: ColumnMap, path: Path) -> tuple[IntArray, float]:
    """Times as whole ticks: the column's own, or micro- or nanoseconds, whichever keeps what the column resolves."""
    name = columns.time_column
    if columns.tick_hz is not None:
        bad = (time != np.rint(time)) | (np.abs(time) > EXACT_INTEGER)
        if bad.any():
            at = int(np.argmax(bad))
            raise InputError(
                f"{path}, row {rows[at]}: expected whole ticks below {EXACT_INTEGER:.0f} in column {name!r}, found "
                f"{time[at]:.17g}; correct the cell, or state another time unit"
            )
        ticks, tick_hz = time.astype(np.int64), columns.tick_hz
    else:
        micro, nano = (time * per_unit for per_unit in TICKS_PER_UNIT[columns.time_unit])
        # What double precision itself cannot tell from a whole number of microseconds is one.
        whole = np.abs(micro - np.rint(micro)) <= 4 * np.finfo(np.float64).eps * np.maximum(np.abs(micro), 1.0)
        tick_hz = 1e6 if whole.all() else 1e9
        scaled = micro if tick_hz == 1e6 else nano
        beyond = np.abs(scaled) >= 2.0**63
        if beyond.any():
            at = int(np.argmax(beyond))
            raise InputError(
                f"{path}, row {rows[at]}: time {time[at]:g} {columns.time_unit} is out of bounds; check the unit"
            )
        ticks = np.rint(scaled).astype(np.int64)
    back = np.diff(ticks) < 0
    if back.any():
        at = int(np.argmax(back)) + 1
        raise InputError(
            f"{path}, row {rows[at]}: expected times that never go backwards, found {time[at]:.17g} after "
            f"{time[at - 1]:.17g} in column {name!r}; sort the rows, or cut the file where the sensor restarted or its "
            "counter wrapped"
        )
    return ticks, tick_hz


def _counts(values: FloatArray, triad: Triad, rows: IntArray, path: Path) -> IntArray:
    """Values as whole counts of the triad's step."""
    scaled = values / triad.step
    counts = np.rint(scaled)
    limit = np.iinfo(np.int32)
    bad = (counts < limit.min) | (counts > limit.max)
    if triad.unit == "counts":
        bad |= counts != values
    if bad.any():
        at, axis = (int(i) for i in np.argwhere(bad)[0])
        expected = (
            "whole counts" if triad.unit == "counts" else f"values within {limit.max * triad.step:g} {triad.unit}"
        )
        raise InputError(
            f"{path}, row {rows[at]}: expected {expected} in column {triad.columns[axis]!r}, found "
            f"{values[at, axis]:.17g}; correct the cell or the unit"
        )
    return counts.astype(np.int64)


def _drop_repeats(
    ticks: IntArray, counts: np.ndarray[tuple[int, int], np.dtype[np.int32]], rows: IntArray, path: Path
) -> tuple[IntArray, np.ndarray[tuple[int, int], np.dtype[np.int32]], list[str]]:
    """Keep a sample that stands in the file twice once; one time with two values is an error."""
    same_time = np.diff(ticks) == 0
    if not same_time.any():
        return ticks, counts, []
    differs = same_time & (np.diff(counts, axis=0) != 0).any(axis=1)
    if differs.any():
        at = int(np.argmax(differs)) + 1
        raise InputError(
            f"{path}, row {rows[at]}: expected one sample at a time, found other values than in row {rows[at - 1]} at "
            "the same time; remove the wrong row, or use a time column that tells samples apart"
        )
    if ticks[0] == ticks[-1]:
        raise InputError(f"{path}: expected times that advance, found one and the same in every row; check the column")
    keep = np.concatenate([[True], ~same_time])
    repeated = int(same_time.sum())
    first = int(rows[1:][same_time][0])
    warning = (
        f"{repeated} rows of {path.name} repeat the sample before them and were left out (the first is row {first})."
    )
    return ticks[keep], counts[keep], [warning]


def _checked_rate(ticks: IntArray, tick_hz: float, columns: ColumnMap, path: Path) -> float:
    """Samples a second by the times, compared with the map's."""
    rate_hz = tick_hz / mean_step(np.diff(ticks))
    if columns.rate_hz is not None and abs(columns.rate_hz / rate_hz - 1) > RATE_TOLERANCE:
        raise InputError(
            f"{path}: expected {columns.rate_hz:g} samples/s as rate_hz in {columns.path} says, found {rate_hz:.5g} by "
            f"column {columns.time_column!r}; correct rate_hz or the unit of time"
        )
    return rate_hz


def _sequence(ticks: IntArray, period_ticks: float) -> IntArray:
    """Sample numbers by the times: a step of two periods leaves one number out."""
    steps = np.maximum(np.rint(np.diff(ticks) / period_ticks), 1).astype(np.int64)
    return np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)


def count_missing(raw: RawSamples) -> tuple[int, int]:
    """Missing samples, and in how many gaps, by the sample numbers."""
    jumps = np.diff(raw.sequence) - 1
    return int(jumps.sum()), int((jumps > 0).sum())


def _unit_warnings(counts: np.ndarray[tuple[int, int], np.dtype[np.int32]], columns: ColumnMap) -> list[str]:
    """Say so where the numbers hardly fit the unit, or an axis never moves."""
    warnings = []
    acceleration_g = np.linalg.norm(counts[:, :3] * (columns.accel.si_per_count / G_MPS2), axis=1)
    median_g = float(np.median(acceleration_g))
    if not PLAUSIBLE_MEDIAN_G[0] <= median_g <= PLAUSIBLE_MEDIAN_G[1]:
        warnings.append(
            f"The accelerometer's usual reading is {median_g:.3g} g, where gravity makes it about 1 g: check the unit "
            f"of [accel], now {columns.accel.unit!r}."
        )
    still = [name for name, axis in zip(columns.columns[1:], counts.T, strict=True) if (axis == axis[0]).all()]
    if still:
        warnings.append(f"Nothing ever changes in {', '.join(repr(name) for name in still)}: check the columns.")
    return warnings
