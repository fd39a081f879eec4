"""MAP.toml: which columns of a sensor's CSV mean what; ``docs/import.md`` explains every key."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal, cast

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player
from logger.files.atomic_file import reason
from logger.files.nested_text import load_toml
from logger.files.toml_table import Table
from logger.sources.device_profile import G_MPS2

TimeUnit = Literal["s", "ms", "us", "ns", "date", "ticks"]
SensorPlace = Literal["hand", "forearm"]

# SI size of one unit, and of the fine step in which its values are stored: decimal in the column's own unit, and far
# below a cheap sensor's noise (about 1e-4 g and 1e-2 deg/s in each sample).
ACCEL_UNITS = {"g": (G_MPS2, 1e-6), "mg": (1e-3 * G_MPS2, 1e-3), "m/s2": (1.0, 1e-5)}
GYRO_UNITS = {"deg/s": (math.radians(1.0), 1e-5), "mdps": (1e-3 * math.radians(1.0), 1e-2), "rad/s": (1.0, 1e-7)}


@dataclass(frozen=True)
class Triad:
    """Three columns of one sensor.

    Attributes
    ----------
    columns : (str, str, str)
        Names of the x, y, z columns.
    unit : str
    step : float
        Units in one stored count (1 where the column holds counts).
    si_per_count : float
        m/s^2 or rad/s in one stored count.
    file : str
        Table that holds them, where a log has several; empty: the only one.
    time_column : str
        Where it differs from the map's.
    """

    columns: tuple[str, str, str]
    unit: str
    step: float
    si_per_count: float
    file: str = ""
    time_column: str = ""


@dataclass(frozen=True)
class ColumnMap:
    """A read MAP.toml; None where a key was left out.

    Attributes
    ----------
    path : Path
        Of the MAP.toml.
    time_column : str
    time_unit : TimeUnit
    tick_hz : float or None
    accel : Triad
    gyro : Triad
    rate_hz : float or None
    lever_mm : (float, float, float) or None
    player : Player
    instrument : Instrument
    nanoseconds_column : str
    gravity : Triad or None
    date : datetime or None
        Of the recording.
    posture : str
    sensor_place : SensorPlace
    """

    path: Path
    time_column: str
    time_unit: TimeUnit
    tick_hz: float | None
    accel: Triad
    gyro: Triad
    rate_hz: float | None
    lever_mm: tuple[float, float, float] | None
    player: Player
    instrument: Instrument
    nanoseconds_column: str = ""
    gravity: Triad | None = None
    date: datetime | None = None
    posture: str = ""
    sensor_place: SensorPlace = "hand"

    @property
    def columns(self) -> tuple[str, ...]:
        """Time, accelerometer x y z, gyroscope x y z."""
        return (self.time_column, *self.accel.columns, *self.gyro.columns)

    @property
    def triads(self) -> tuple[Triad, ...]:
        """Acceleration, turning rate and, where acceleration lacks it, gravity."""
        return (self.accel, self.gyro) if self.gravity is None else (self.accel, self.gyro, self.gravity)


def read_column_map(path: Path) -> ColumnMap:
    """Read and check a MAP.toml.

    Parameters
    ----------
    path : Path
        Of the TOML file.

    Returns
    -------
    ColumnMap

    Raises
    ------
    InputError
        No such file, not TOML, a key that is missing, unknown, out of bounds, or that contradicts another.
    """
    try:
        values = load_toml(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path} is not UTF-8 text (byte {error.start})",
            next_step="save it as UTF-8",
        ) from error
    except ValueError as error:
        raise InputError(
            f"{path} is not valid TOML ({error})",
            next_step="correct that line",
        ) from error
    root = Table(values, str(path), InputError)
    time, sensor = root.table("time"), root.table("sensor", optional=True)
    unit = cast(TimeUnit, time.choice("unit", ("s", "ms", "us", "ns", "date", "ticks")))
    person, session = root.table("player", optional=True), root.table("session", optional=True)
    gravity = root.table("gravity") if root.has("gravity") else None
    read = ColumnMap(
        path=path,
        time_column=time.text("column").strip(),
        time_unit=unit,
        tick_hz=_paired(time, "tick_hz", unit == "ticks", "unit is ticks"),
        accel=_read_triad(root.table("accel"), ACCEL_UNITS, sensor, "accel_per_g", G_MPS2),
        gyro=_read_triad(root.table("gyro"), GYRO_UNITS, sensor, "gyro_per_dps", math.radians(1.0)),
        rate_hz=sensor.number_or_none("rate_hz", 1.0, 100_000.0),
        lever_mm=_triple(sensor.numbers("lever_mm", 3, -300.0, 300.0)) if sensor.has("lever_mm") else None,
        player=replace(read_player(person), name=person.text("name", "")),
        instrument=read_instrument(root.table("instrument", optional=True)),
        nanoseconds_column=time.text("nanoseconds", "").strip(),
        gravity=None if gravity is None else _read_triad(gravity, ACCEL_UNITS, sensor, "accel_per_g", G_MPS2),
        date=_read_date(session),
        posture=session.text("posture", ""),
        sensor_place=cast(SensorPlace, session.choice("sensor", ("hand", "forearm")))
        if session.has("sensor")
        else "hand",
    )
    root.refuse_unknown()
    one_file = len({triad.file for triad in read.triads}) == 1
    twice = sorted({name for name in read.columns if read.columns.count(name) > 1}) if one_file else []
    if twice:
        raise root.error(f"column {twice[0]!r} is used twice; time and the six axes need seven different columns")
    return read


def _read_triad(
    table: Table, units: dict[str, tuple[float, float]], sensor: Table, scale_key: str, base: float
) -> Triad:
    """Three columns and their unit; ``base`` is the SI size of the unit that the scale key counts in."""
    columns = tuple(name.strip() for name in table.texts("columns"))
    if len(columns) != 3:
        raise table.error(f"columns must name three columns, x, y, z, not {len(columns)}")
    unit = table.choice("unit", (*units, "counts"))
    per_unit = _paired(sensor, scale_key, unit == "counts", "the unit is counts")
    where = (table.text("file", ""), table.text("time", "").strip())
    if per_unit is not None:
        return Triad((columns[0], columns[1], columns[2]), unit, 1.0, base / per_unit, *where)
    si, step = units[unit]
    return Triad((columns[0], columns[1], columns[2]), unit, step, si * step, *where)


def _read_date(session: Table) -> datetime | None:
    """When the session was played, as a TOML date or a text that is one."""
    value = session.date("date")
    return value if value is None or value.tzinfo is not None else value.astimezone()


def _paired(table: Table, key: str, wanted: bool, when: str) -> float | None:
    """A positive number that must be there in one case and must not be there in the other."""
    if table.has(key) and not wanted:
        raise table.error(f"{key} is only for when {when}; remove it or correct the unit")
    if not table.has(key) and wanted:
        raise table.error(f"{key} is missing; it is needed when {when}")
    return table.number_or_none(key, 1e-3, 1e12)


def _triple(values: tuple[float, ...]) -> tuple[float, float, float]:
    x, y, z = values
    return (x, y, z)


def read_player(table: Table) -> Player:
    """Who plays, from a [player] table."""
    handed = table.choice("handed", ("right", "left")) if table.has("handed") else "right"
    return Player(handed="left" if handed == "left" else "right")


def read_instrument(table: Table) -> Instrument:
    """The strings; what is left out is taken from :class:`Instrument`, or follows from what is given."""
    usual = Instrument()
    spacings = table.list_length("spacing_mm")
    strings = table.integer("strings", 1, 100) if table.has("strings") else None
    if table.has("courses"):
        courses = table.integer("courses", 2, 100)
    elif spacings is not None:
        courses = spacings + 1
    else:
        courses = max(2, strings or usual.courses)
    strings = courses if strings is None else strings
    if strings < courses:
        raise table.error(f"strings = {strings} and courses = {courses} contradict each other; a course has a string")
    if spacings is not None:
        spacing = table.numbers("spacing_mm", courses - 1, 0.5, 100.0)
    else:
        one = table.number("spacing_mm", 0.5, 100.0) if table.has("spacing_mm") else usual.mean_spacing_mm
        spacing = (one,) * (courses - 1)
    depth = table.number_or_none("plectrum_depth_mm", 0.05, 20.0)
    held = table.choice("held", ("upright", "flat")) if table.has("held") else usual.held
    return Instrument(
        strings=strings,
        courses=courses,
        spacing_mm=spacing,
        radius_mm=table.number_or_none("radius_mm", 10.0, 100_000.0),
        plectrum_depth_mm=usual.plectrum_depth_mm if depth is None else depth,
        held="flat" if held == "flat" else "upright",
    )
