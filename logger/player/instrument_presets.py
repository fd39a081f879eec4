"""Instruments to start from: common measures by number of strings, in ``data/instruments.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from importlib import resources

from analysis.model.errors import InputError
from analysis.model.records import Instrument
from logger.files.toml_table import Table
from logger.player.column_map import read_instrument


@cache
def load_presets() -> dict[str, Instrument]:
    """Return every preset by its short name, in the order of the file.

    Returns
    -------
    dict of str to Instrument
    """
    text = (resources.files("logger") / "data" / "instruments.toml").read_text(encoding="utf-8")
    presets = {}
    for name, values in tomllib.loads(text).items():
        table = Table(values, f"instruments.toml [{name}]", InputError)
        title = table.text("name")
        presets[name] = replace(read_instrument(table), name=title)
        table.refuse_unknown()
    return presets


def find_preset(name: str) -> Instrument:
    """Return the preset of that short name.

    Parameters
    ----------
    name : str
        One of :func:`load_presets`' names.

    Returns
    -------
    Instrument

    Raises
    ------
    InputError
        If there is none, with the names that there are.
    """
    presets = load_presets()
    if name not in presets:
        raise InputError(
            f"there is no instrument {name!r}",
            next_step=f"choose one of {', '.join(presets)}",
        )
    return presets[name]


def with_outer_distance(instrument: Instrument, outer_mm: float) -> Instrument:
    """The same instrument with evenly spaced courses, ``outer_mm`` between the middles of the outer ones.

    Parameters
    ----------
    instrument : Instrument
        With at least two courses.
    outer_mm : float

    Returns
    -------
    Instrument

    Raises
    ------
    InputError
        If the courses would stand less than 3 mm or more than 40 mm apart.
    """
    gaps = instrument.courses - 1
    spacing = outer_mm / gaps
    if not 3.0 <= spacing <= 40.0:
        raise InputError(
            f"{outer_mm:g} mm across {instrument.courses} courses would put them {spacing:.1f} mm apart",
            next_step="measure from the middle of one outer course to the middle of the other, here about "
            f"{sum(instrument.spacing_mm):.0f} mm",
        )
    return replace(instrument, spacing_mm=(spacing,) * gaps)


def describe_instrument(instrument: Instrument) -> str:
    """An instrument in one line, for a person to check.

    Parameters
    ----------
    instrument : Instrument

    Returns
    -------
    str
        Distances in mm.
    """
    strings = f"{instrument.strings} strings"
    if instrument.courses != instrument.strings:
        strings += f" in {instrument.courses} courses"
    arch = "flat" if instrument.radius_mm is None else f"arch radius {instrument.radius_mm:g} mm"
    flat = ", lies on the lap" if instrument.held == "flat" else ""
    outer = sum(instrument.spacing_mm)
    return f"{instrument.name}: {strings}, outer courses {outer:.1f} mm apart, {arch}{flat}"
