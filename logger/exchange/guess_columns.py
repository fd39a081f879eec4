"""Which columns of a table are time, acceleration, gravity and turning rate, by their names or by what they hold."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.records import FloatArray
from logger.files.loose_table import LooseTable

ROLES = ("accel", "linear", "gravity", "gyro")
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
ACCEL_WORDS = {"g": "g", "gs": "g", "mg": "mg", "m/s2": "m/s2", "m/s/s": "m/s2", "mps2": "m/s2", "ms2": "m/s2"}
GYRO_WORDS = {
    "deg/s": "deg/s", "dps": "deg/s", "degps": "deg/s", "degs": "deg/s", "/s": "deg/s", "degreespersecond": "deg/s",
    "mdps": "mdps", "rad/s": "rad/s", "rads": "rad/s", "radps": "rad/s", "rps": "rad/s",
}  # fmt: skip
TIME_WORDS = {
    "s": "s", "sec": "s", "secs": "s", "seconds": "s", "ms": "ms", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "us": "us", "µs": "us", "usec": "us", "micros": "us", "microseconds": "us", "ns": "ns", "nsec": "ns",
    "nanos": "ns", "nanoseconds": "ns", "nanosec": "ns",
}  # fmt: skip
OTHER = re.compile(r"mag|quat|orient|roll|pitch|yaw|temp|press|baro|light|gps|euler|heading|steps|battery")
PLAUSIBLE_RATE_HZ = (8.0, 8000.0)
TURN_AXES = {"beta": 0, "gamma": 1, "alpha": 2}
"""Rotation rates of a browser's DeviceMotionEvent (W3C Device Orientation and Motion): about x, y and z."""


@dataclass(frozen=True)
class Triple:
    """Three columns of one sensor in one table; ``unit`` is empty where the names do not tell it."""

    table: int
    columns: tuple[str, str, str]
    unit: str = ""


@dataclass(frozen=True)
class TimeColumn:
    """A column of time; ``nanoseconds`` is a second one that holds the part below a second."""

    name: str
    unit: str
    nanoseconds: str = ""


@dataclass(frozen=True)
class Guess:
    """Columns by role, and the time column of every table that is used."""

    triples: dict[str, Triple]
    times: dict[int, TimeColumn]
    by_content: bool = False


def guess_columns(tables: Sequence[LooseTable]) -> Guess:
    """Guess the columns of one log's tables.

    Returns
    -------
    Guess
        With every role that was found; it is for the caller to say what is missing.
    """
    triples: dict[str, Triple] = {}
    for number, table in enumerate(tables):
        if table.headed:
            for role, triple in _by_name(number, table).items():
                triples.setdefault(role, triple)
    by_content = False
    if len(tables) == 1 and not {"gyro"} & set(triples):
        found = _by_content(tables[0], triples)
        by_content = bool(found)
        triples |= found
    times = {}
    for number in {triple.table for triple in triples.values()}:
        time = guess_time(tables[number], {c for t in triples.values() if t.table == number for c in t.columns})
        if time is not None:
            times[number] = time
    return Guess(triples, times, by_content)


def _by_name(number: int, table: LooseTable) -> dict[str, Triple]:
    """Triples by the names of columns, or by the file's name where columns are called x, y, z."""
    found: dict[str, dict[int, tuple[str, str]]] = {}
    for name in table.columns:
        if name in table.texts or name in table.dates:
            continue
        bare, unit = split_unit(name)
        axis = _axis(bare)
        role = _role(bare) or (_role(table.name.lower().rsplit(".", 1)[0]) if axis is not None else None)
        if role is None or axis is None:
            continue
        found.setdefault(role, {}).setdefault(axis, (name, unit))
    triples = {}
    for role, axes in found.items():
        if sorted(axes) == [0, 1, 2]:
            words = GYRO_WORDS if role == "gyro" else ACCEL_WORDS
            units = {words.get(axes[k][1], "") for k in range(3)}
            unit = units.pop() if len(units) == 1 else ""
            if not unit and role == "gyro" and any("alpha" in axes[k][0].lower() for k in range(3)):
                unit = "deg/s"
            triples[role] = Triple(number, (axes[0][0], axes[1][0], axes[2][0]), unit)
    return triples


def split_unit(name: str) -> tuple[str, str]:
    """A column's name in small letters without its unit, and the unit as a word.

    Examples
    --------
    >>> split_unit("Acc X (m/s^2)"), split_unit("gyro_z_dps"), split_unit("ax")
    (('acc x', 'm/s2'), ('gyro_z', 'dps'), ('ax', ''))
    """
    lower = name.lower().strip()
    bracket = re.search(r"[\[({]([^\])}]*)[\])}]\s*$", lower)
    if bracket:
        return lower[: bracket.start()].strip(" _-."), _unit_word(bracket.group(1))
    parts = re.split(r"[\s_]+", lower)
    known = {**ACCEL_WORDS, **GYRO_WORDS, **TIME_WORDS}
    if len(parts) > 1 and _unit_word(parts[-1]) in known:
        return "_".join(parts[:-1]), _unit_word(parts[-1])
    return lower, ""


def _unit_word(text: str) -> str:
    plain = text.strip().replace(" ", "").replace("^", "").replace("²", "2").replace("°", "deg").replace("**", "")
    return (
        plain.replace("degrees", "deg").replace("degree", "deg").replace("sec", "s")
        if plain not in TIME_WORDS
        else plain
    )


def _axis(bare: str) -> int | None:
    """0, 1, 2 for x, y, z, or None."""
    for word, axis in TURN_AXES.items():
        if bare.endswith(word):
            return axis
    index = re.search(r"(?:\[|_|\s|value|axis)([012])\]?$", bare)
    if index:
        return int(index.group(1))
    end = re.search(
        r"(?:^|[^a-z]|acc|accel|acceleration|gyr|gyro|gravity|grav|rate|rot|omega|linear|[agw])([xyz])(?:[-_\s]?axis)?$",
        bare,
    )
    if end:
        return "xyz".index(end.group(1))
    start = re.match(r"([xyz])[-_\s]?(?:axis|acc|gyr|rot|ang|grav|lin|rate|omega)", bare)
    return "xyz".index(start.group(1)) if start else None


def _role(text: str) -> str | None:
    """Sensor that a column's or a file's name tells of."""
    plain = re.sub(r"[^a-z]", "", text.lower())
    if OTHER.search(plain) and not re.search(r"gyr|acc", plain):
        return None
    if re.search(r"lin(ear)?acc|linear|useracc|withoutg|nogravity|excl", plain) and "incl" not in plain:
        return "linear"
    if re.search(r"gyr|rot|omega|angular|angvel|alpha|beta|gamma|turnrate", plain) or re.fullmatch(r"[gw][xyz]", plain):
        return "gyro"
    if re.search(r"acc|force|incl(uding)?g", plain) or re.fullmatch(r"a[xyz]", plain):
        return "accel"
    return "gravity" if "grav" in plain else None


def guess_time(table: LooseTable, used: set[str]) -> TimeColumn | None:
    """The column of time: a date, or numbers that run on, by name first."""
    candidates = [name for name in table.columns if name not in used and name not in table.texts]
    dates = [name for name in candidates if name in table.dates]
    named = sorted((n for n in candidates if _time_rank(n) < 9 and _runs_on(table, n)), key=_time_rank)
    pair = _seconds_and_nanoseconds(table, candidates)
    if pair is not None:
        return pair
    unnamed = [name for name in candidates if name not in named and _runs_on(table, name)]
    for name in (*named, *dates, *unnamed):
        if name in table.dates:
            return TimeColumn(name, "date")
        unit = time_unit(table.column(name), split_unit(name)[1])
        if unit:
            return TimeColumn(name, unit)
    return None


def _time_rank(name: str) -> int:
    """How surely a name says time: smaller is surer."""
    bare = re.sub(r"[^a-zµ]", "", split_unit(name)[0])
    if re.search(r"elapsed", bare):
        return 1
    if re.search(r"timestamp|^time|time$|^t$|^ts$|^tick", bare):
        return 0
    return 2 if bare in TIME_WORDS or re.search(r"time|sec|milli|micro|nano|clock|epoch|date", bare) else 9


def _runs_on(table: LooseTable, name: str) -> bool:
    values = table.column(name)
    values = values[~np.isnan(values)]
    steps = np.diff(values)
    return bool(steps.size > 1 and (steps >= 0).mean() > 0.8 and (steps > 0).mean() > 0.05 and np.ptp(values) > 0)


def _seconds_and_nanoseconds(table: LooseTable, candidates: list[str]) -> TimeColumn | None:
    """Whole seconds in one column, the nanoseconds below them in another."""
    parts = [n for n in candidates if TIME_WORDS.get(_last_word(n)) == "ns" and np.nanmax(table.column(n)) < 1e9]
    whole = [n for n in candidates if TIME_WORDS.get(_last_word(n)) == "s"]
    for part in parts:
        for name in whole:
            values = table.column(name)
            if (
                (values == np.rint(values)).all()
                and np.nanmin(table.column(part)) >= 0
                and not _runs_on_far(table, part)
            ):
                return TimeColumn(name, "s", part)
    return None


def _runs_on_far(table: LooseTable, name: str) -> bool:
    return bool((np.diff(table.column(name)) >= 0).all())


def _last_word(name: str) -> str:
    bare, unit = split_unit(name)
    return unit or re.split(r"[\s_.\-]+", bare)[-1]


def time_unit(values: np.ndarray, word: str) -> str:
    """Unit of a time column: as its name says, as a time since 1970 must be, or as gives a plausible rate."""
    values = values[~np.isnan(values)]
    reach = max(1, min(200, values.size // 4))
    step = float(np.median(values[reach:] - values[:-reach])) / reach
    if step <= 0:
        return ""
    named = TIME_WORDS.get(word, "")
    fits = [u for u, size in TIME_UNITS.items() if PLAUSIBLE_RATE_HZ[0] <= 1 / (step * size) < PLAUSIBLE_RATE_HZ[1]]
    if named and named in fits:
        return named
    for unit, size in TIME_UNITS.items():
        if 1e9 <= float(np.median(values)) * size < 4e9 and unit in fits:
            return unit
    return fits[0] if fits else ""


def _varies(column: FloatArray) -> bool:
    """Whether a column may be a sensor's: it changes, or nothing of it is known."""
    known = column[~np.isnan(column)]
    return known.size == 0 or bool(np.ptp(known) > 0)


def _by_content(table: LooseTable, known: dict[str, Triple]) -> dict[str, Triple]:
    """Two neighbouring triples: the one whose length is steadier holds gravity."""
    time = guess_time(table, set())
    taken = {time.name, time.nanoseconds} if time else set()
    names = [n for n in table.columns if n not in taken and n not in table.texts and n not in table.dates]
    names = [n for n in names if _varies(table.column(n))]
    if len(names) < 6:
        return {}
    triples = [(names[k], names[k + 1], names[k + 2]) for k in (0, 3)]
    spread = [_spread(table, triple) for triple in triples]
    accel = int(np.argmin(spread))
    if known or not spread[accel] < 0.5:
        return {}
    first, second = (Triple(0, columns) for columns in (triples[accel], triples[1 - accel]))
    return {"accel": first, "gyro": second}


def _spread(table: LooseTable, columns: Sequence[str]) -> float:
    """Scatter of a triple's length against its median."""
    length = np.linalg.norm(np.stack([table.column(n) for n in columns], axis=1), axis=1)
    length = length[~np.isnan(length)]
    usual = float(np.median(length)) if length.size else 0.0
    return float(np.median(np.abs(length - usual))) / usual if usual > 0 else float("inf")
