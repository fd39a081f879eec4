"""The verdict for a terminal: plain ASCII, as wide as asked, with a small end view."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

import numpy as np

from analysis.findings.arbiter import SessionFindings
from analysis.model.doubts import Certainty
from analysis.model.glossary import TERMS, Explainer
from analysis.model.number_words import block_number, clock, degrees, of_100, speed
from analysis.model.records import SessionResult
from analysis.report.data_quality import WATCHED
from analysis.report.verdict import Verdict, by_posture, is_block
from analysis.stroke.block_case import BlockCase, rows_of
from analysis.stroke.mean_paths import PathBand, measure_band, paths_from_contact, string_places
from logger.terminal.ascii_text import ASCII

NARROWEST = 40
SCALE: dict[Certainty, str] = {"sure": "[###]", "likely": "[## ]", "open": "[   ]"}
ROW_MM, COLUMN_MM = 1.0, 0.5
"""A terminal's character is about twice as high as wide: one scale both ways."""
DOWN, UP, BOTH, STRING = "\\", "/", "x", "O"
MOST_BLOCKS = 12
ALWAYS_SAID = ("Session offset", WATCHED)
"""Lines about the data that are worth their place even where all is well."""


def render_verdict(found: SessionFindings, width: int = 80) -> str:
    """The findings of a session as lines of ASCII text, none longer than ``width``: the answer, then what adds to it.

    Parameters
    ----------
    found : SessionFindings
    width : int
        Columns; at least 40.

    Returns
    -------
    str
    """
    width = max(NARROWEST, width)
    result, verdict = found.result, found.verdict
    body = [finding for finding in found.findings if finding.topic == "body"]
    parts = [
        *(_wrap(finding.claim, width) for finding in body),
        _wrap(verdict.sentence, width),
        "\n".join(_wrap(f"{SCALE[certainty]} {words}", width) for certainty, words in verdict.claims),
        _wrap(f"Next: {verdict.action}", width),
        draw_end_view_text(result, verdict, width),
        _blocks(verdict, result.start_s, width),
        _data(verdict, width),
        "\n".join(_wrap(f"Note: {warning}", width) for warning in result.warnings),
        _words(verdict, width),
        "\n".join(_wrap(caution, width, "! ") for caution in verdict.cautions if caution != verdict.action),
    ]
    return "\n\n".join(part for part in parts if part)


def _plain(text: str) -> str:
    return text.translate(ASCII).encode("ascii", "replace").decode("ascii")


def _wrap(text: str, width: int, lead: str = "") -> str:
    lines = textwrap.wrap(_plain(text), width - len(lead), break_long_words=True, break_on_hyphens=False)
    return "\n".join((lead if i == 0 else " " * len(lead)) + line for i, line in enumerate(lines))


def _words(verdict: Verdict, width: int) -> str:
    met = Explainer(TERMS).meet([verdict.sentence, verdict.certainty_words, verdict.tip_words, verdict.action])
    return "\n".join(_wrap(f"{term.word}: {term.meaning}.", width) for term in met)


def _data(verdict: Verdict, width: int) -> str:
    """What is less than good about the data, and what the session offset is."""
    worth_saying = [line for line in verdict.quality if line.grade != "good" or line.subject in ALWAYS_SAID]
    return "\n".join(_wrap(f"{line.subject}: {line.words} Cost: {line.cost}.", width) for line in worth_saying)


def _blocks(verdict: Verdict, start_s: float, width: int) -> str:
    """One line a block, in columns, as far as they fit."""
    rows = []
    for finding in verdict.blocks[:MOST_BLOCKS]:
        block = finding.summary
        tilt = f"tilt {degrees(block.tilt_mean_deg or 0.0)}" + (" against the hand" if verdict.against_hand else "")
        clears = "" if finding.share is None else f"{finding.stroke} clears {of_100(finding.share)}"
        pace = speed(block).replace("strokes a second", "strokes/s")
        cells = (
            f"block {block_number(block.index)}",
            clock(block.start_s - start_s),
            block.posture,
            pace,
            tilt,
            clears,
        )
        rows.append([_plain(cell) for cell in cells])
    if not rows:
        return ""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [
        "  ".join(cell.ljust(size) for cell, size in zip(row, widths, strict=True) if size).rstrip()[:width]
        for row in rows
    ]
    if len(verdict.blocks) > MOST_BLOCKS:
        lines.append(f"and {len(verdict.blocks) - MOST_BLOCKS} more blocks")
    return "\n".join(lines)


def draw_end_view_text(result: SessionResult, verdict: Verdict, width: int = 80) -> str:
    r"""End view in characters: ``O`` a string, ``\`` downstrokes, ``/`` upstrokes, ``x`` both, one scale both ways."""
    rows = focus_rows(result, verdict.focus, verdict)
    paths = paths_from_contact(result, rows)
    down = (result.strokes["direction"].iloc[rows] == "down").to_numpy()
    bands = {mark: measure_band(paths[which]) for mark, which in ((DOWN, down), (UP, ~down))}
    known = [(mark, band) for mark, band in bands.items() if band is not None]
    if not known:
        return ""
    strings = string_places(result.instrument) if result.reference.kind == "gestures" else []
    picture = _Raster.around(strings, [band for _, band in known], width)
    for y, z in strings:
        picture.put(y, z - 0.5, STRING)
    for mark, band in known:
        picture.draw(band, mark)
    if result.reference.kind == "hand":
        note = "against the hand's own mean plane; where the strings are is not known"
    else:
        note = f"{STRING} string; to clear, the path must pass above the next one"
    lines = [
        f"End view (along the strings): {DOWN} downstrokes, {UP} upstrokes, {BOTH} both;",
        f"{note}. A downstroke goes right.",
    ]
    return "\n".join([*(_wrap(line, width) for line in lines), picture.text()])


def focus_rows(result: SessionResult, focus: BlockCase, verdict: Verdict) -> np.ndarray:
    """Rows of the strokes that the verdict speaks of."""
    if is_block(verdict, focus):
        return rows_of(result, [focus.summary])
    own = by_posture([finding.summary for finding in verdict.blocks]).get(focus.summary.posture, [])
    return rows_of(result, own) if own else np.arange(len(result.strokes))


class _Raster:
    """Characters on a grid in millimetres."""

    def __init__(self, half_mm: float, low_mm: float, high_mm: float) -> None:
        self._half, self._high = half_mm, high_mm
        self._cells = np.full((int((high_mm - low_mm) / ROW_MM) + 1, int(2 * half_mm / COLUMN_MM) + 1), " ")

    @classmethod
    def around(cls, strings: Iterable[tuple[float, float]], bands: Iterable[PathBand], width: int) -> _Raster:
        """A grid that holds the strings and the paths, no wider than the terminal."""
        bands = list(bands)
        reach = max([y for y, _ in strings] + [float(np.abs(band.y_mm).max()) for band in bands]) + 1.0
        low = min(-2.0, *(float(band.mean_mm.min()) for band in bands)) - 0.5
        high = max(1.0, *(float(band.mean_mm.max()) for band in bands)) + 0.5
        return cls(min(reach, 0.5 * (width - 1) * COLUMN_MM), low, high)

    def put(self, y_mm: float, z_mm: float, mark: str) -> None:
        """Set one character; where a downstroke and an upstroke meet, ``x``."""
        row, column = round((self._high - z_mm) / ROW_MM), round((y_mm + self._half) / COLUMN_MM)
        if 0 <= row < self._cells.shape[0] and 0 <= column < self._cells.shape[1]:
            here = self._cells[row, column]
            if here == STRING:
                return
            self._cells[row, column] = BOTH if here in (DOWN, UP, BOTH) and here != mark else mark

    def draw(self, band: PathBand, mark: str) -> None:
        """Draw a mean path."""
        at = np.arange(band.y_mm.min(), band.y_mm.max(), COLUMN_MM)
        for y, z in zip(at, np.interp(at, band.y_mm, band.mean_mm), strict=True):
            self.put(float(y), float(z), mark)

    def text(self) -> str:
        """The picture, without blanks at line ends."""
        return "\n".join("".join(row).rstrip() for row in self._cells)
