"""Records from JSON that any program may have written: each member of its dataclass's type, each number within sense.

A right checksum says that bytes are as they were written, not that their writer knew what it did.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from analysis.model.errors import SessionFileError

T = TypeVar("T")

TIME_S = (-1e12, 1e12)
SCALE = (1e-15, 1e6)
BOUNDS: Mapping[str, tuple[float, float]] = {
    "rate_hz": (0.01, 1e6),
    "tick_hz": (0.01, 1e12),
    "tick_bits": (1, 64),
    "accel_mps2_per_count": SCALE,
    "gyro_radps_per_count": SCALE,
    "accel_clip_counts": (1, 2**31),
    "gyro_clip_counts": (1, 2**31),
    "strings": (1, 100),
    "courses": (2, 100),
    "spacing_mm": (0.1, 1000.0),
    "radius_mm": (1.0, 1e6),
    "plectrum_depth_mm": (0.01, 100.0),
    "lever_mm": (-1e4, 1e4),
    "lever_sd_mm": (0.0, 1e4),
    "start_s": TIME_S,
    "end_s": TIME_S,
    "offset_s": TIME_S,
    "rate": (0.5, 2.0),
    "tempo_bpm": (1.0, 1000.0),
    "notes_per_beat": (0.05, 64.0),
    "rating": (0.0, 10.0),
}
"""Wider than what any of our own readers takes; any other number is finite."""
MOST = 2.0**63
HALVES = re.compile("[\ud800-\udfff]")


def build(kind: type[T], record: Any) -> T:
    """A dataclass from its JSON object; lists become tuples again.

    Parameters
    ----------
    kind : type
        The dataclass.
    record : Any
        As JSON gives it; members that are dataclasses may be built already.

    Returns
    -------
    T

    Raises
    ------
    SessionFileError
        Not an object, members that are unknown or missing, of another type or out of bounds.
    """
    known = {f.name for f in fields(kind)}  # type: ignore[arg-type]
    if not isinstance(record, dict) or set(record) - known:
        unknown = sorted(map(str, set(record) - known)) if isinstance(record, dict) else record
        raise SessionFileError(
            expected=f"the fields of {kind.__name__}",
            found=f"{unknown!r:.200}",
            next_step="update strokeplane to read the file",
        )
    hints = _hints(kind)  # type: ignore[arg-type]  # a dataclass is hashable
    for name, value in record.items():
        if not _fits(value, hints[name], BOUNDS.get(name, (-MOST, MOST))):
            raise SessionFileError(
                expected=f"{name} of {kind.__name__} {_wanted(name)}",
                found=f"{value!r:.60}",
                next_step="the file's writer is at fault",
            )
    try:
        return kind(**{name: _tuples(value) for name, value in record.items()})
    except TypeError as error:
        raise SessionFileError(
            f"{kind.__name__} lacks a field ({error})",
            next_step="the file's writer is at fault",
        ) from error


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _wanted(name: str) -> str:
    """What a member must be, in words."""
    if name not in BOUNDS:
        return "as docs/session-file.md says"
    low, high = BOUNDS[name]
    return f"from {low:g} to {high:g}"


def _fits(value: Any, hint: Any, bounds: tuple[float, float]) -> bool:
    """Whether a JSON value is of a type, its numbers within bounds."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint is float or hint is int:
        numeric = isinstance(value, (int, float) if hint is float else int) and not isinstance(value, bool)
        return numeric and bounds[0] <= value <= bounds[1] and math.isfinite(value)
    if origin is Literal:
        return isinstance(value, str) and value in inner
    if origin in (UnionType, Union):
        return any(_fits(value, part, bounds) for part in inner)
    if origin is tuple:
        if not isinstance(value, list | tuple):
            return False
        if inner[-1] is ...:
            return all(_fits(item, inner[0], bounds) for item in value)
        return len(value) == len(inner) and all(_fits(v, part, bounds) for v, part in zip(value, inner, strict=True))
    if origin is not None:  # a mapping of texts
        return isinstance(value, dict) and all(isinstance(item, str) for item in value.values())
    return isinstance(value, hint)


def whole_characters(text: str) -> str:
    """A text without halves of characters, which no file takes: from names that are no UTF-8."""
    return HALVES.sub("\N{REPLACEMENT CHARACTER}", text)


def _tuples(value: Any) -> Any:
    if isinstance(value, str):
        return whole_characters(value)
    if isinstance(value, dict):
        return {whole_characters(name): _tuples(item) for name, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value
