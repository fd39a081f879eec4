r"""Did each string change clear? The height of the tip over every string that it crosses between two notes.

The path of a stroke is band-passed: the hand's slow travel from string to string is not in it. The crossing itself
gives it back. At the pick attack before the change the tip is at this string, at the attack after it at the next one,
each time one plectrum depth below the string's top. Between the two attacks the measured path moves by some vector
``d``; by the strings it must move by ``D = (+-s, dz)``, spacing and arch of that pair. What is missing, ``D - d``, is
slow, so it is handed out evenly over the time between the attacks:

.. math:: q(t) = \mathrm{path}(t) - \mathrm{path}(t_1) + (D - d) \frac{t - t_1}{t_2 - t_1}                   (1)

Wherever ``q`` crosses the line of a string between the two attacks, the tip's height over that string's top is
``q_z - depth - z_string``. A change that goes the stroke's own way crosses the next string before it comes back to
it; one that goes against it crosses this string a second time. The lowest of these heights decides: cleared above 0,
caught below, cannot tell within its uncertainty, without both attacks, or where the alignment is unsure.

Assumed: the plectrum meets each string at the same depth, the strings lie as the instrument's spacing and arch say,
the hand travels smoothly, and the instrument frame's Y runs along the chord of the whole arch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from analysis.drill_alignment import DrillAlignment
from analysis.drills import Phrase
from analysis.errors import InputError
from analysis.model import FloatArray, Instrument
from analysis.tables import Column

POINTS = 65
EDGE = 2
CLEARED, CAUGHT, CANNOT_TELL = "cleared", "caught", "cannot tell"

CHANGE_COLUMNS: tuple[Column, ...] = (
    Column("time_s", "s", "float64", "contact before the change, log time"),
    Column("note", "", "int64", "note before the change, 0-based, counted on through the repeats"),
    Column("from_string", "", "int64", "string before the change; 1 is the top line of a tab"),
    Column("to_string", "", "int64", "string after the change"),
    Column("after", "", "str", "stroke that precedes the change: down or up"),
    Column("height_mm", "mm", "float64", "lowest height of the tip over a string that it crosses; above 0 is clear"),
    Column("height_se_mm", "mm", "float64", "its standard error"),
    Column("verdict", "", "str", "cleared, caught or cannot tell"),
    Column("reason", "", "str", "why it cannot be told; else empty"),
)

PAIR_COLUMNS: tuple[Column, ...] = (
    Column("from_string", "", "int64", "string before the change"),
    Column("to_string", "", "int64", "string after the change"),
    Column("after", "", "str", "stroke that precedes the change"),
    Column("changes", "", "int64", "changes played"),
    Column("cleared", "", "int64", "of these, cleared"),
    Column("caught", "", "int64", "of these, caught"),
    Column("cannot_tell", "", "int64", "of these, cannot tell"),
    Column("share_cleared", "", "float64", "cleared, as a share of cleared and caught; empty without either"),
    Column("height_mm", "mm", "float64", "median height of the tip over the lowest crossing"),
)


@dataclass(frozen=True)
class ChangeSettings:
    """Bounds and error model of the verdicts.

    Attributes
    ----------
    least_confidence : float
        Alignment confidence of both strokes from which a verdict is given.
    margin_se : float
        Standard errors by which the height must lie off 0.
    depth_sd_mm : float
        How much the depth at contact differs from string to string and note to note.
    contact_sd_s : float
        Error of the moment of the pick attack.
    travel_sd : float
        How far the hand's travel may be ahead or behind midway, as a share of what is handed out.
    """

    least_confidence: float = 0.9
    margin_se: float = 1.0
    depth_sd_mm: float = 0.3
    contact_sd_s: float = 0.002
    travel_sd: float = 0.1


@dataclass(frozen=True)
class StringPlaces:
    """Where the strings' tops lie in the end view, string 1 first, millimetres about the middle of the strings."""

    y_mm: FloatArray
    z_mm: FloatArray


def place_strings(instrument: Instrument) -> StringPlaces:
    """Return the strings' places from spacing and arch; a flat plane where no radius is known."""
    across = np.concatenate([[0.0], np.cumsum(instrument.spacing_mm)])
    # spacing_mm starts at the string that a downstroke meets first, which is the last string.
    y = (across - 0.5 * across[-1])[::-1]
    radius = instrument.radius_mm
    if radius is None:
        return StringPlaces(y, np.zeros_like(y))
    if radius <= np.abs(y).max():
        raise InputError(
            f"The arch's radius of {radius:g} mm is smaller than half the strings' width of {across[-1]:g} mm; "
            "correct radius_mm or spacing_mm."
        )
    return StringPlaces(y, np.sqrt(radius**2 - y**2) - radius)


def judge_changes(
    strokes: pd.DataFrame,
    paths_mm: FloatArray,
    alignment: DrillAlignment,
    phrase: Phrase,
    instrument: Instrument,
    offset_se_deg: float = 0.0,
    settings: ChangeSettings | None = None,
) -> pd.DataFrame:
    """Judge every string change of one block.

    Parameters
    ----------
    strokes : DataFrame
        The block's rows of the strokes table, in order of time.
    paths_mm : float (n, k, 3)
        Their tip paths, evenly spaced in time from turn to turn, instrument frame.
    alignment : DrillAlignment
        Of these strokes with the phrase.
    phrase : Phrase
    instrument : Instrument
    offset_se_deg : float
        Standard error of tilt common to the whole block.
    settings : ChangeSettings, optional

    Returns
    -------
    DataFrame
        One row a change, columns of :data:`CHANGE_COLUMNS`.

    Raises
    ------
    InputError
        If the phrase is for another number of strings than the instrument has.
    """
    settings = settings or ChangeSettings()
    if phrase.strings != instrument.courses:
        raise InputError(
            f"The drill is for {phrase.strings} strings or courses, the instrument has {instrument.courses}; "
            "correct the drill or the instrument."
        )
    places = place_strings(instrument)
    table = strokes.reset_index(drop=True)
    rows = []
    for i in np.flatnonzero(alignment.note >= 0):
        note = int(alignment.note[i])
        before, after = phrase.string_at(note), phrase.string_at(note + 1)
        if before == after or (not phrase.loops and note + 1 >= len(phrase.notes)):
            continue
        height, se = np.nan, np.nan
        reason = _obstacle(table, alignment, int(i), settings)
        if not reason:
            crossing = _Crossing.between(table, paths_mm, int(i))
            tilt_se_rad = np.radians(np.hypot(offset_se_deg, table["tilt_se_deg"].iloc[i : i + 2].max()))
            height, se = crossing.lowest_height(
                places, (before, after), instrument.plectrum_depth_mm, float(tilt_se_rad), settings
            )
            if not np.isfinite(height):
                reason = "the path crosses no string"
            elif abs(height) < settings.margin_se * se:
                reason = "too close"
        verdict = CANNOT_TELL if reason else CLEARED if height > 0 else CAUGHT
        rows.append((table["contact_s"][i], note, before, after, phrase.stroke_at(note), height, se, verdict, reason))
    found = pd.DataFrame(rows, columns=[column.name for column in CHANGE_COLUMNS])
    return found.astype({column.name: column.dtype for column in CHANGE_COLUMNS})


def _obstacle(table: pd.DataFrame, alignment: DrillAlignment, i: int, settings: ChangeSettings) -> str:
    """Return why no height can be found between stroke i and the next, or nothing."""
    if i + 1 >= len(table) or alignment.note[i + 1] != alignment.note[i] + 1:
        return "next note not found"
    if min(alignment.confidence[i], alignment.confidence[i + 1]) < settings.least_confidence:
        return "alignment unsure"
    if not (table["attack"][i] and table["attack"][i + 1]):
        return "no pick attack"
    # A gap between the strokes hides part of the path.
    if abs(table["start_s"][i + 1] - table["end_s"][i]) > 0.25 * (table["end_s"][i] - table["start_s"][i]):
        return "path broken"
    return ""


@dataclass(frozen=True)
class _Crossing:
    """The tip between two contacts, measured from the first one.

    Attributes
    ----------
    share : float64 (m,)
        Time as a share of the time between the contacts.
    path_mm : float64 (m, 2)
        Y and Z.
    turn : int
        Place of the turn between the strokes.
    velocity_mmps : float64 (2, 2)
        Y and Z velocity at both contacts.
    slope : float64 (2,)
        Rise over travel (dz/dy) of both strokes' chords.
    """

    share: FloatArray
    path_mm: FloatArray
    turn: int
    velocity_mmps: FloatArray
    slope: FloatArray

    @classmethod
    def between(cls, table: pd.DataFrame, paths_mm: FloatArray, i: int) -> _Crossing:
        """Join the rest of stroke i to the beginning of the next, as far as its contact."""
        start, end, contact = (
            table[name].to_numpy(np.float64)[i : i + 2] for name in ("start_s", "end_s", "contact_s")
        )
        phase = np.linspace(0.0, 1.0, paths_mm.shape[1])
        yz = paths_mm[i : i + 2, :, 1:].astype(np.float64)
        splines = [CubicSpline(start[k] + (end[k] - start[k]) * phase, yz[k]) for k in range(2)]
        leaving = np.linspace(contact[0], end[0], POINTS)
        arriving = np.linspace(start[1], contact[1], POINTS)
        first, second = splines[0](leaving), splines[1](arriving)
        # Both paths have their own origin; they meet at the turn.
        path = np.concatenate([first, second[1:] - second[0] + first[-1]]) - first[0]
        # A wait at the turn takes time, but no way.
        elapsed = np.concatenate([leaving - contact[0], (arriving - start[1])[1:] + end[0] - contact[0]])
        chord = yz[:, -1] - yz[:, 0]
        return cls(
            elapsed / elapsed[-1],
            path,
            POINTS - 1,
            np.stack([splines[k](contact[k], 1) for k in range(2)]),
            chord[:, 1] / np.where(chord[:, 0] == 0, np.inf, chord[:, 0]),
        )

    def lowest_height(
        self,
        places: StringPlaces,
        strings: tuple[int, int],
        depth_mm: float,
        tilt_se_rad: float,
        settings: ChangeSettings,
    ) -> tuple[float, float]:
        """Return the lowest height over a string's top among the crossings between the contacts, and its error.

        NaN where the path crosses no string.
        """
        before, after = strings[0] - 1, strings[1] - 1
        y, z = places.y_mm - places.y_mm[before], places.z_mm - places.z_mm[before]
        missing = np.array([y[after], z[after]]) - self.path_mm[-1]
        path = self.path_mm + self.share[:, None] * missing  # (1)
        lowest = (np.nan, np.nan)
        for k in range(len(y)):
            off = path[:, 0] - y[k]
            # The contacts themselves, at both ends, are no crossings.
            for j in np.flatnonzero(off[EDGE : -1 - EDGE] * off[EDGE + 1 : -EDGE] <= 0) + EDGE:
                step = off[j] - off[j + 1]
                part = off[j] / step if step else 0.5
                height = path[j, 1] + part * (path[j + 1, 1] - path[j, 1]) - depth_mm - z[k]
                if not height >= lowest[0]:
                    lowest = (float(height), self._height_se(int(j), missing, tilt_se_rad, settings))
        return lowest

    def _height_se(self, j: int, missing: FloatArray, tilt_se_rad: float, settings: ChangeSettings) -> float:
        """Return the standard error of the height at one crossing.

        An error (ey, ez) of the path there changes the height by ez - slope * ey.
        """
        slope = float(self.slope[0 if j <= self.turn else 1])
        u = float(self.share[j])
        # A late or early attack moves the origin at the first contact, the end at the second.
        late = settings.contact_sd_s * (self.velocity_mmps[:, 1] - slope * self.velocity_mmps[:, 0]) * [1 - u, u]
        # The hand may go its way sooner or later than evenly; at the contacts it has arrived.
        travel = settings.travel_sd * 4 * u * (1 - u) * (missing[1] - slope * missing[0])
        turned = tilt_se_rad * (self.path_mm[j, 0] - u * self.path_mm[-1, 0])
        return float(np.sqrt(settings.depth_sd_mm**2 + np.sum(late**2) + travel**2 + turned**2))
