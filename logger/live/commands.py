"""What a page asks of the server, read with bounds on everything. The contract is in :mod:`logger.live.protocol`."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias, TypeGuard, cast, get_args

from analysis.model.errors import InputError

MAX_COMMAND_BYTES = 1024
"""Longest message that a page may send."""
MAX_TEXT = 80

SimpleName = Literal["next", "again", "skip", "pause", "hurt", "finish"]
ChoiceField = Literal[
    "player", "handed", "instrument", "truer", "heights_mm", "wanted", "posture", "tempo_bpm", "notes_per_beat"
]
NEEDS_SEEN = frozenset({"next", "again", "skip", "pause", "rate", "choose"})


@dataclass(frozen=True)
class Simple:
    """A command that is a word alone."""

    name: SimpleName
    seen: int | None = None


@dataclass(frozen=True)
class Rate:
    """An answer on the 0 to 10 scale."""

    value: int
    seen: int | None = None


@dataclass(frozen=True)
class Choose:
    """A choice of the set-up."""

    field: ChoiceField
    value: str
    seen: int | None = None


@dataclass(frozen=True)
class ClockQuestion:
    """A page asks for the time."""

    client_ms: float


Command: TypeAlias = Simple | Rate | Choose | ClockQuestion

_FIELDS: dict[str, frozenset[str]] = {
    **{name: frozenset({"seen"}) for name in get_args(SimpleName)},
    "rate": frozenset({"seen", "value"}),
    "choose": frozenset({"seen", "field", "value"}),
    "clock": frozenset({"client_ms"}),
}


def parse_command(text: str) -> Command:
    """Read a page's message.

    Parameters
    ----------
    text : str
        At most :data:`MAX_COMMAND_BYTES` in UTF-8.

    Returns
    -------
    Command

    Raises
    ------
    InputError
        Anything that is not exactly one of the commands above.

    Examples
    --------
    >>> parse_command('{"type": "rate", "value": 3, "seen": 7}')
    Rate(value=3, seen=7)
    """
    record = _object(text)
    kind = record.pop("type", None)
    if not isinstance(kind, str) or kind not in _FIELDS:
        raise InputError(
            expected="a command's type",
            found=f"{kind!r:.40}",
            next_step="reload the page",
        )
    unknown = set(record) - _FIELDS[kind]
    if unknown:
        raise InputError(
            f"expected no field {sorted(unknown)[0]!r:.40} in {kind!r}",
            next_step="reload the page",
        )
    if kind == "clock":
        return ClockQuestion(_number(record.get("client_ms"), -1e15, 1e15))
    seen = record.get("seen")
    if seen is not None and not (_is_whole(seen) and 0 <= seen < 2**53):
        raise InputError(
            expected="the step's number in 'seen'",
            found="another value",
            next_step="reload the page",
        )
    if seen is None and kind in NEEDS_SEEN:
        raise InputError(
            expected=f"the step's number in 'seen' of {kind!r}",
            found="none",
            next_step="reload the page",
        )
    if kind == "rate":
        value = record.get("value")
        if not (_is_whole(value) and 0 <= value <= 10):
            raise InputError(
                expected="a rating from 0 to 10",
                found="another value",
                next_step="press 0 to 9, or x for 10",
            )
        return Rate(value, seen)
    if kind == "choose":
        return Choose(*_choice(record), seen)
    return Simple(cast("SimpleName", kind), seen)


def _object(text: str) -> dict[str, Any]:
    if len(text.encode("utf-8", "surrogatepass")) > MAX_COMMAND_BYTES:
        raise InputError(
            expected=f"a message of at most {MAX_COMMAND_BYTES} bytes",
            found="more",
            next_step="reload the page",
        )
    try:
        record = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(
            expected="JSON",
            found="something else",
            next_step="reload the page",
        ) from error
    if not isinstance(record, dict):
        raise InputError(
            expected="a JSON object",
            found="another value",
            next_step="reload the page",
        )
    return record


def _choice(record: dict[str, Any]) -> tuple[ChoiceField, str]:
    field, value = record.get("field"), record.get("value")
    if field not in get_args(ChoiceField):
        raise InputError(
            expected="a field that can be chosen",
            found=f"{field!r:.40}",
            next_step="reload the page",
        )
    if not isinstance(value, str) or len(value) > MAX_TEXT or not value.isprintable():
        raise InputError(
            f"expected a choice of at most {MAX_TEXT} printable characters",
            next_step="choose one of those shown",
        )
    return cast("ChoiceField", field), value


def _is_whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(
            expected="a time in 'client_ms'",
            found="another value",
            next_step="reload the page",
        )
    return float(value)
