"""Parts of a report: a title, a sentence, and a picture or a table. What does not apply is not there.

A new question to a session adds its answer to the report as one more :class:`Section`; it needs to know nothing of
how the page is made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import plotly.graph_objects as go


@dataclass(frozen=True)
class Picture:
    """One figure with its text alternative, a sentence or two for those who cannot see it."""

    figure: go.Figure
    description: str


@dataclass(frozen=True)
class Choice:
    """One of several alternatives of which the page shows one at a time; its pictures stand side by side.

    Attributes
    ----------
    label : str
        Empty where there is only one.
    pictures : tuple of Picture
    note : str
        A sentence below.
    """

    label: str
    pictures: tuple[Picture, ...]
    note: str = ""


@dataclass(frozen=True)
class Table:
    """A small table of texts; the first column names the row.

    Attributes
    ----------
    caption : str
        Above the table.
    columns : tuple of str
    rows : tuple[tuple[str, ...], ...]
        As many cells each as there are columns.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Section:
    """One part of the report.

    Attributes
    ----------
    id : str
        Letters and hyphens, unique in the report.
    title : str
        A few plain words.
    sentence : str
        What the picture or table says, in one or two sentences.
    choices : tuple of Choice
        None: no picture. One: that picture. Several: the player picks.
    table : Table, optional
    notes : tuple of str
        Further sentences, below.
    """

    id: str
    title: str
    sentence: str
    choices: tuple[Choice, ...] = ()
    table: Table | None = None
    notes: tuple[str, ...] = ()
