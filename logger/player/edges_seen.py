"""Angle checks over the evenings: how an edge stood, what was read, and what both say of the readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.model.errors import InputError
from analysis.model.number_words import degrees
from analysis.model.records import SessionResult
from analysis.stroke.truth_checks import EDGE_NOTE, latest_checks
from logger.files.toml_table import Table

MOST_EVENINGS = 48


@dataclass(frozen=True)
class EdgeSeen:
    """What one evening's angle check read.

    Attributes
    ----------
    log_hash : str
        Of the session.
    stated_deg, read_deg, se_deg : float
        How the edge stood, what was read, its standard error.
    """

    log_hash: str
    stated_deg: float
    read_deg: float
    se_deg: float

    @property
    def off_deg(self) -> float:
        """Read less stated."""
        return self.read_deg - self.stated_deg


def edges_of(result: SessionResult) -> tuple[EdgeSeen, ...]:
    """The angle checks of a session that could be read.

    Parameters
    ----------
    result : SessionResult

    Returns
    -------
    tuple of EdgeSeen
    """
    return tuple(
        EdgeSeen(result.log_hash, check.stated_deg, check.read_deg, check.se_deg)
        for check in latest_checks(result.checks)
        if check.kind == "angle check"
        and check.stated_deg is not None
        and check.read_deg is not None
        and check.se_deg is not None
    )


def describe_edges(seen: Sequence[EdgeSeen]) -> str:
    """What all evenings' edges say, with what they do not say.

    Parameters
    ----------
    seen : sequence of EdgeSeen

    Returns
    -------
    str
        Empty where there are none.

    Examples
    --------
    >>> describe_edges([EdgeSeen("a", 11.0, 12.0, 1.0), EdgeSeen("b", 11.0, 13.0, 1.0)])
    'In 2 angle checks 1.5° more than the edge was read on average, from +1.0° to +2.0°. An edge shows the hand, not free picking.'
    """  # noqa: E501
    if not seen:
        return ""
    off = np.array([each.off_deg for each in seen])
    mean = float(off.mean())
    many = f"In {len(seen)} angle checks" if len(seen) > 1 else "In the angle check"
    spread = f" on average, from {off.min():+.1f}° to {off.max():+.1f}°" if len(seen) > 1 else ""
    return f"{many} {degrees(abs(mean))} {'more' if mean >= 0 else 'less'} than the edge was read{spread}. {EDGE_NOTE}"


def read_edge(entry: Mapping[str, Any], where: str) -> EdgeSeen:
    """One ``[[player.edge]]`` of the players' file.

    Raises
    ------
    InputError
    """
    table = Table(entry, f"{where} [[player.edge]]", InputError)
    stated_deg, read_deg = (table.number(key, -90.0, 90.0) for key in ("stated_deg", "read_deg"))
    seen = EdgeSeen(table.text("log", ""), stated_deg, read_deg, table.number("se_deg", 0.0, 90.0))
    table.refuse_unknown()
    return seen
