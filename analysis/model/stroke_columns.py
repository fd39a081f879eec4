"""The per-stroke table: every column's name, unit, dtype and meaning, listed once."""

from __future__ import annotations

from typing import NamedTuple


class Column(NamedTuple):
    """One column of a table.

    Attributes
    ----------
    name : str
    unit : str
        Empty where there is none.
    dtype : str
        As pandas names it.
    meaning : str
    """

    name: str
    unit: str
    dtype: str
    meaning: str


STROKE_COLUMNS: tuple[Column, ...] = (
    Column("start_s", "s", "float64", "turn at which the stroke starts, log time"),
    Column("end_s", "s", "float64", "turn at which the stroke ends, log time"),
    Column("block", "", "Int64", "its play event in time order, from 0; empty outside any block"),
    Column("direction", "", "str", "down or up"),
    Column("tilt_deg", "deg", "float64", "angle of the downstroke's direction out of the string plane"),
    Column("tilt_se_deg", "deg", "float64", "standard error of tilt_deg, the stroke's own part only"),
    Column("span_mm", "mm", "float64", "length of the tip's path from turn to turn in the end view"),
    Column("bow_mm", "mm", "float64", "how far the path bends away from its chord; positive lifts at both ends"),
    Column("lift_mm", "mm", "float64", "tip's height one spacing past the contact (or at its end), less depth"),
    Column("string_change", "", "str", "true, false or unknown: does the next note stand on another string"),
    Column("strokes_per_s", "1/s", "float64", "local stroke rate"),
    Column("posture", "", "str", "the block's posture label"),
    Column("tempo_bpm", "1/min", "float64", "the block's tempo; empty where none was given"),
    # From here on: in the analysis' table, not in the strokes CSV.
    Column("run", "", "int64", "index of the unbroken run of play it belongs to"),
    Column("attack", "", "bool", "a pick attack was found inside the stroke"),
    Column("contact_s", "s", "float64", "moment of string contact: the attack, or mid-stroke where none is found"),
    Column("clears", "", "bool", "lift_mm > 0"),
    Column("attack_mps2", "m/s2", "float64", "peak of the pick attack, acceleration above 60 Hz; empty without one"),
    Column("sparc", "", "float64", "spectral arc length of the stroke's speed; further below 0 is less smooth"),
    Column("ldlj", "", "float64", "log dimensionless jerk of the stroke's speed; further below 0 is less smooth"),
    Column("main_tilt_deg", "deg", "float64", "as tilt_deg, but of the direction along which the path varies most"),
    Column("bridged", "", "bool", "a few samples are missing inside the stroke and were bridged"),
)

SYNTHETIC_COLUMN = Column("synthetic", "", "str", "true: a simulator made the session, nobody played it")
"""Last in every CSV table of a simulated session, and in none of a session that somebody played."""

STROKE_CSV_COLUMNS: tuple[str, ...] = tuple(c.name for c in STROKE_COLUMNS[:13])
