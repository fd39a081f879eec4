"""TOML and JSON that anybody may have written: what is nested beyond sense is a ValueError, like any other mistake."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any, NoReturn

LONGEST_TOML = 1 << 20
"""Characters; the longest practice plan has a hundredth of it."""
LONG_KEY = re.compile(r"""(?<![\w"'-])(?:[\w"'-]++\s*+\.\s*+){20}""")
"""Each dot of a key is a table in a table, whose names the parser keeps one by one."""


def load_toml(text: str) -> dict[str, Any]:
    """Parse TOML.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict of str to Any

    Raises
    ------
    ValueError
        No TOML, too long, or nested too deeply; ``tomllib.TOMLDecodeError`` is one.
    """
    if len(text) > LONGEST_TOML:
        raise ValueError(f"{len(text)} characters are more than any settings have")
    if LONG_KEY.search(text):
        raise ValueError("a key is nested too deeply")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def load_json(text: str | bytes) -> Any:
    """Parse JSON; NaN and infinity, which no JSON has, are refused.

    Parameters
    ----------
    text : str or bytes
        UTF-8.

    Returns
    -------
    Any

    Raises
    ------
    ValueError
        No JSON, or nested too deeply.
    """
    try:
        return json.loads(text, parse_constant=_refuse)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number in JSON")
