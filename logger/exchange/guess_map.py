"""A MAP.toml for a log that came without one: columns guessed, units checked against gravity and by how both turn."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import FloatArray, Instrument, Player
from analysis.signal.turn_check import TurnCheck, check_turns
from logger.exchange.guess_columns import Guess, TimeColumn, Triple, guess_columns
from logger.exchange.sensor_streams import join_streams, read_stream, sensors_alone, settle
from logger.files.loose_table import LooseTable
from logger.player.column_map import ACCEL_UNITS, GYRO_UNITS, ColumnMap, TimeUnit, Triad
from logger.sources.device_profile import G_MPS2

GRAVITY_G = (0.75, 1.33)
LACKING = 0.5
"""Acceleration whose mean is a smaller part of gravity's has no gravity in it."""
COUNTS_PER_G = tuple(2.0**bits for bits in range(8, 17))
COUNTS_PER_DPS = (8.75**-1 * 1000, 17.5**-1 * 1000, 35**-1 * 1000, 70**-1 * 1000, 16.4, 32.8, 65.5, 131.0, 262.4)
"""Of common parts, for ranges of 245 to 2000 deg/s (their datasheets); the nearest to what the turns show is taken."""
UNIT_RATIO = 1.35
AGREES = 0.5
ENOUGH_ROWS = 60_000
MOST_HZ = 1e5
"""No motion sensor is quicker."""


@dataclass(frozen=True)
class GuessedMap:
    """A map as guessed; ``table`` shows it a line a sensor: what, columns, unit, what says so.

    Attributes
    ----------
    columns : ColumnMap
    table : tuple[tuple[str, str, str, str], ...]
    notes : tuple of str
        Sentences on what was guessed.
    """

    columns: ColumnMap
    table: tuple[tuple[str, str, str, str], ...]
    notes: tuple[str, ...]


def guess_map(tables: Sequence[LooseTable], path: Path) -> GuessedMap:
    """Guess what a log's columns are.

    Raises
    ------
    InputError
        A sensor or the time is not found, or gravity is not there: what was found is named.
    """
    tables = [part for table in tables for part in split_by_label(table)]
    guess = guess_columns(tables)
    accel, gravity = _acceleration(guess, tables, path)
    if accel is None or "gyro" not in guess.triples:
        raise InputError(_missing(guess, tables, path))
    gyro = guess.triples["gyro"]
    for triple in (accel, gyro, *([gravity] if gravity else [])):
        if triple.table not in guess.times:
            raise InputError(
                f"{tables[triple.table].name}: expected a column of times that run on, found none among "
                f"{', '.join(map(repr, tables[triple.table].columns[:12]))}",
                next_step="name it with --columns",
            )
    sensors = _Sensors(accel, gyro, gravity)
    draft = _draft(tables, guess, sensors, path)
    return _with_units(draft, guess, sensors, _excerpt(tables, draft), tables)


def split_by_label(table: LooseTable) -> list[LooseTable]:
    """One table a sensor, where a column of words says which sensor each row is of."""
    for name, words in table.texts.items():
        kinds = sorted(set(words.tolist()))
        told = [kind for kind in kinds if any(part in kind.lower() for part in ("acc", "gyr", "grav", "rot"))]
        if len(told) >= 2 and len(kinds) <= 12:
            parts = []
            for kind in told:
                rows = words == kind
                others = {k: w[rows] for k, w in table.texts.items() if k != name}
                parts.append(replace(table, name=kind, values=table.values[rows], rows=table.rows[rows], texts=others))
            return parts
    return [table]


def _acceleration(guess: Guess, tables: Sequence[LooseTable], path: Path) -> tuple[Triple | None, Triple | None]:
    """Total acceleration, or that without gravity and gravity beside it."""
    found = guess.triples
    if "accel" in found:
        # Some phones call it acceleration, and mean that without gravity.
        lacks = "gravity" in found and _mean_length(found["accel"], tables) < LACKING * _mean_length(
            found["gravity"], tables
        )
        return found["accel"], found["gravity"] if lacks else None
    if "linear" in found and "gravity" in found:
        return found["linear"], found["gravity"]
    if "linear" in found:
        raise InputError(
            expected="acceleration with gravity in it",
            found=f"only acceleration without ({', '.join(found['linear'].columns)})",
            next_step="export gravity or the total acceleration as well",
            file=str(path),
        )
    return None, None


def _mean_length(triple: Triple, tables: Sequence[LooseTable]) -> float:
    """Length of the mean vector, in the columns' own unit."""
    return float(np.linalg.norm([np.nanmean(tables[triple.table].column(name)) for name in triple.columns]))


def _missing(guess: Guess, tables: Sequence[LooseTable], path: Path) -> str:
    lacking = " and ".join(
        word for role, word in (("accel", "an accelerometer"), ("gyro", "a gyroscope")) if role not in guess.triples
    )
    seen = "; ".join(f"{t.name}: {', '.join(t.columns[:14])}" for t in tables[:6])
    return (
        f"{path}: expected three columns of each sensor, found none that could be {lacking} ({seen[:400]}); name the "
        "columns in a MAP.toml and give it with --columns"
    )


@dataclass(frozen=True)
class _Sensors:
    """The three columns of each sensor, and of gravity where the acceleration lacks it."""

    accel: Triple
    gyro: Triple
    gravity: Triple | None

    @property
    def triples(self) -> list[Triple]:
        return [each for each in (self.accel, self.gyro, self.gravity) if each is not None]


@dataclass(frozen=True)
class _Excerpt:
    """Acceleration and turning rate (n, 3) in the columns' own units, and their rate."""

    accel: FloatArray
    gyro: FloatArray
    rate_hz: float


def _draft(tables: Sequence[LooseTable], guess: Guess, sensors: _Sensors, path: Path) -> ColumnMap:
    """The map without units of the sensors yet: counts of one."""
    accel, gyro, gravity = sensors.accel, sensors.gyro, sensors.gravity
    main = guess.times[accel.table]
    units = {guess.times[t.table].unit for t in sensors.triples}
    several = len({t.table for t in sensors.triples}) > 1
    if len(units) > 1:
        raise InputError(
            expected="one unit of time in all files",
            found=f"{' and '.join(sorted(units))}",
            next_step="name the time columns in a MAP.toml and give it with --columns",
            file=str(path),
        )

    def triad(triple: Triple) -> Triad:
        time: TimeColumn = guess.times[triple.table]
        file = tables[triple.table].name if several else ""
        return Triad(triple.columns, "counts", 1.0, 1.0, file, time.name if time.name != main.name else "")

    unit: TimeUnit = main.unit  # type: ignore[assignment]
    return ColumnMap(
        path=path, time_column=main.name, time_unit=unit, tick_hz=None, accel=triad(accel), gyro=triad(gyro),
        rate_hz=None, lever_mm=None, player=Player(), instrument=Instrument(), nanoseconds_column=main.nanoseconds,
        gravity=None if gravity is None else triad(gravity),
    )  # fmt: skip


def _excerpt(tables: Sequence[LooseTable], draft: ColumnMap) -> _Excerpt:
    """Acceleration and turning rate in the columns' own units over some minutes, and their rate."""
    by_name = {table.name: table for table in tables}
    parts = []
    one = by_name[draft.accel.file] if draft.accel.file else tables[0]
    if not draft.accel.file and not sensors_alone(one, draft.accel, draft.gyro):
        middle = max(0, (len(one.rows) - ENOUGH_ROWS) // 2)
        cut = slice(middle, middle + ENOUGH_ROWS)
        table = replace(one, values=one.values[cut], rows=one.rows[cut])
        done = settle(read_stream(table, (draft.accel, draft.gyro), draft)[0])
        rate = done.stream.tick_hz / float(np.median(np.diff(done.stream.ticks)) or 1.0)
        rate = done.base.grid.rate_hz if done.base else rate
        return _Excerpt(done.stream.values[:, :3], done.stream.values[:, 3:], rate)
    for triad in draft.triads:
        table = by_name[triad.file] if triad.file else one
        parts.append(settle(read_stream(table, (triad,), draft)[0]))
    accel = parts[0]
    if draft.gravity is not None:
        joined, _ = join_streams(parts[0], parts[2])
        accel = replace(
            joined, stream=replace(joined.stream, values=joined.stream.values[:, :3] + joined.stream.values[:, 3:])
        )
    both, _ = join_streams(accel, parts[1])
    rate = both.base.grid.rate_hz if both.base else 1.0
    return _Excerpt(both.stream.values[:ENOUGH_ROWS, :3], both.stream.values[:ENOUGH_ROWS, 3:], rate)


def _with_units(
    draft: ColumnMap,
    guess: Guess,
    sensors: _Sensors,
    values: _Excerpt,
    tables: Sequence[LooseTable],
) -> GuessedMap:
    accel, gyro, rate_hz = values.accel, values.gyro, values.rate_hz
    if not rate_hz <= MOST_HZ:
        raise InputError(
            expected=f"times of at most {MOST_HZ:g} samples/s",
            found=f"{rate_hz:.3g}",
            next_step="name the time column and its unit in a MAP.toml and give it with --columns",
            file=str(draft.path),
        )
    notes: list[str] = []
    second = max(1, round(rate_hz))
    whole = accel[: len(accel) // second * second].reshape(-1, second, 3).mean(axis=1)
    usual = float(np.median(np.linalg.norm(whole if len(whole) else accel, axis=1)))
    accel_unit, accel_per_g, why_accel = _accel_unit(sensors.accel.unit, usual, accel, draft.path)
    turns = check_turns(accel, gyro, rate_hz)
    gyro_unit, gyro_per_dps, why_gyro = _gyro_unit(sensors.gyro.unit, turns, gyro, accel_unit, draft.path)
    if turns is None:
        notes.append("the sensor hardly turned: whether its axes belong together could not be checked")
    elif turns.agreement < AGREES:
        notes.append(
            f"the gyroscope does not turn as gravity does in the accelerometer's axes (agreement "
            f"{max(0.0, turns.agreement):.2f} of 1): check which columns are x, y, z and their signs"
        )
    if guess.by_content:
        notes.append("the columns have no names that tell: they were told apart by gravity alone; check them")

    def unit(triad: Triad, name: str, per: float | None, units: dict[str, tuple[float, float]], base: float) -> Triad:
        if per is not None:
            return replace(triad, unit="counts", step=1.0, si_per_count=base / per)
        si, step = units[name]
        return replace(triad, unit=name, step=step, si_per_count=si * step)

    columns = replace(
        draft,
        accel=unit(draft.accel, accel_unit, accel_per_g, ACCEL_UNITS, G_MPS2),
        gyro=unit(draft.gyro, gyro_unit, gyro_per_dps, GYRO_UNITS, math.radians(1.0)),
        gravity=None if draft.gravity is None else unit(draft.gravity, accel_unit, accel_per_g, ACCEL_UNITS, G_MPS2),
    )
    time = f"{draft.time_unit}" + (" and nanoseconds" if draft.nanoseconds_column else "")
    zero = _zero(tables, draft)
    lines = [
        ("time", _listed(draft.time_column, draft.nanoseconds_column), time, f"{rate_hz:.4g} samples/s, {zero}"),
        ("accelerometer", _where(columns.accel), accel_unit, why_accel),
        ("gyroscope", _where(columns.gyro), gyro_unit, why_gyro),
    ]
    if columns.gravity is not None:
        lines.insert(2, ("gravity", _where(columns.gravity), accel_unit, "added to the acceleration without it"))
    return GuessedMap(columns, tuple(lines), tuple(notes))


def _zero(tables: Sequence[LooseTable], draft: ColumnMap) -> str:
    first = next(t for t in tables if draft.time_column in t.columns)
    start = float(first.column(draft.time_column)[0])
    size = {"s": 1.0, "date": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}[draft.time_unit]
    return "since 1970" if 1e9 <= start * size < 4e9 else "from a zero of its own"


def _listed(*names: str) -> str:
    return ", ".join(name for name in names if name)


def _where(triad: Triad) -> str:
    return _listed(*triad.columns) + (f" in {triad.file}" if triad.file else "")


def _accel_unit(named: str, usual: float, accel: FloatArray, path: Path) -> tuple[str, float | None, str]:
    """Unit of acceleration by its name and by gravity, which must be there."""
    sizes = {"g": 1.0, "m/s2": G_MPS2, "mg": 1000.0}
    fits = [u for u, size in sizes.items() if GRAVITY_G[0] * size < usual < GRAVITY_G[1] * size]
    if named and named in fits:
        return named, None, f"its name says so, gravity reads {usual:.4g}"
    whole = bool((accel == np.rint(accel)).all())
    if fits and not (whole and "mg" in fits and _near(usual, COUNTS_PER_G, 1.06) is not None):
        said = f"gravity reads {usual:.4g}" + (f", although its name says {named}" if named else "")
        return fits[0], None, said
    per_g = _near(usual, COUNTS_PER_G, 1.15) if whole else None
    if per_g is not None:
        return "counts", per_g, f"whole numbers, gravity reads {usual:.4g}: {per_g:g} to a g"
    raise InputError(
        expected="an accelerometer that reads gravity: about 1 g, 9.8 m/s2 or 1000 mg most of the time",
        found=f"{usual:.4g}",
        next_step="export the total acceleration, or name columns and units in a MAP.toml and give it with --columns",
        file=str(path),
    )


def _gyro_unit(
    named: str, turns: TurnCheck | None, gyro: FloatArray, accel_unit: str, path: Path
) -> tuple[str, float | None, str]:
    """Unit of turning by its name and by how gravity turned meanwhile."""
    sizes = {"rad/s": 1.0, "deg/s": math.radians(1.0), "mdps": 1e-3 * math.radians(1.0)}
    seen = turns is not None and turns.agreement > AGREES
    if named:
        if seen and turns is not None and not 1 / UNIT_RATIO < turns.unit_radps / sizes[named] < UNIT_RATIO:
            return named, None, "its name says so; gravity turned by another amount: check it"
        return named, None, "its name says so" + (", gravity turned as much" if seen else "")
    if turns is not None and seen:
        for unit, size in sizes.items():
            if 1 / UNIT_RATIO < turns.unit_radps / size < UNIT_RATIO:
                return unit, None, f"gravity turned as much (agreement {turns.agreement:.2f} of 1)"
        per_dps = _near(math.radians(1.0) / turns.unit_radps, COUNTS_PER_DPS, 1.2)
        if per_dps is not None and (gyro == np.rint(gyro)).all():
            return "counts", per_dps, f"whole numbers, by how gravity turned: {per_dps:.4g} to a deg/s"
        raise InputError(
            expected="a gyroscope in rad/s or deg/s",
            found=f"a unit of {math.degrees(turns.unit_radps):.3g} deg/s, by how gravity turned meanwhile",
            next_step="name columns and units in a MAP.toml and give it with --columns",
            file=str(path),
        )
    if accel_unit == "counts":
        raise InputError(
            "the gyroscope's counts to a deg/s cannot be told, because the sensor hardly turned",
            next_step="give gyro_per_dps in a MAP.toml with --columns",
            file=str(path),
        )
    largest = float(np.abs(gyro).max())
    unit = "rad/s" if largest < 40 and accel_unit == "m/s2" else "deg/s"
    return unit, None, f"only its size tells (at most {largest:.3g}): check it"


def _near(value: float, choices: Sequence[float], ratio: float) -> float | None:
    best = min(choices, key=lambda choice: abs(math.log(max(value, 1e-12) / choice)))
    return best if 1 / ratio < value / best < ratio else None


def map_text(columns: ColumnMap, source: str) -> str:
    """MAP.toml of a map.

    Parameters
    ----------
    columns : ColumnMap
    source : str
        Name of the file it was guessed for.

    Returns
    -------
    str
        TOML, with a remark in front.
    """
    quote = json.dumps
    lines = [f"# Guessed for {source}; correct what is wrong and give it with --columns.", "[time]"]
    lines += [f"column = {quote(columns.time_column)}", f"unit = {quote(columns.time_unit)}"]
    if columns.nanoseconds_column:
        lines.append(f"nanoseconds = {quote(columns.nanoseconds_column)}")
    for name, triad in (("accel", columns.accel), ("gyro", columns.gyro), ("gravity", columns.gravity)):
        if triad is None:
            continue
        lines += ["", f"[{name}]", f"columns = {json.dumps(list(triad.columns))}", f"unit = {quote(triad.unit)}"]
        lines += [f"file = {quote(triad.file)}"] * bool(triad.file)
        lines += [f"time = {quote(triad.time_column)}"] * bool(triad.time_column)
    scales = []
    if columns.accel.unit == "counts":
        scales.append(f"accel_per_g = {G_MPS2 / columns.accel.si_per_count:.10g}")
    if columns.gyro.unit == "counts":
        scales.append(f"gyro_per_dps = {math.radians(1.0) / columns.gyro.si_per_count:.10g}")
    if scales:
        lines += ["", "[sensor]", *scales]
    lines += [
        "", "# [player]", '# name = ""', '# handed = "right"', "# [session]", "# date = 2026-01-31T18:30:00",
        '# posture = ""', '# sensor = "hand"   # or "forearm": then no tilt is claimed', "",
    ]  # fmt: skip
    return "\n".join(lines)
