r"""The tip's path over the strings during one string change, and the hand's own from stroke to stroke.

Over the strings: equation (1) of the module ``string_changes``. From stroke to stroke:

From pick attack to pick attack the tip's path moves by the hand's travel: nothing where both notes lie on one string,
a spacing where the next note lies beside it. The path has lost its slow part to a high-pass, so that a change shows
smaller and leaks into its neighbours. That is put right by passing the phrase's own string places, looped, through

.. math:: H(f) = g \, f^4 / (f^4 + f_c^4)                                                                   (1)

whose gain and corner are those that suit the strokes of a first pass best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from analysis.drills.hidden_markov import Decoded, Travel
from analysis.drills.notes import Phrase
from analysis.model.errors import InputError
from analysis.model.records import FloatArray, Instrument, IntArray

CORNERS_HZ = (0.0, 0.3, 0.6, 1.0, 1.5)
FIRST_GAIN, FIRST_CORNER_HZ, FIRST_SD_MM = 0.8, 0.6, 3.5
LEAST_SD_MM = 1.0
FEWEST = 24
LEAST_CONFIDENCE = 0.7
FEWEST_ATTACKS = 8
"""Strokes with an attack that say where in a stroke the contact of the others lies."""
POINTS = 65
"""Points of the way on either side of the turn."""
GRID = 12
"""Places a unit of an uneven phrase."""
EDGE = 2
"""Points at either end that belong to the contacts themselves and are no crossings."""


@dataclass(frozen=True)
class PathErrors:
    """What may be wrong with the way between two contacts.

    Attributes
    ----------
    depth_sd_mm : float
        How much the depth at contact differs from string to string and note to note.
    depth_df : float
        Degrees of freedom with which that is known.
    contact_sd_s : float
        Error of the moment of the pick attack.
    travel_sd : float
        How far the hand's travel may be ahead or behind midway, as a share of what is handed out.
    wait_travel_sd : float
        The same where the hand waits all the time; it may have gone before the wait, or after it.
    wait_sd_mmps : float
        How much it rises or sinks in a wait, per second.
    """

    depth_sd_mm: float = 0.4
    depth_df: float = 20.0
    contact_sd_s: float = 0.003
    travel_sd: float = 0.1
    wait_travel_sd: float = 0.4
    wait_sd_mmps: float = 4.0


@dataclass(frozen=True)
class StringPlaces:
    """Where the strings' tops lie in the end view, string 1 first, millimetres about the middle of the strings."""

    y_mm: FloatArray
    z_mm: FloatArray


def place_strings(instrument: Instrument) -> StringPlaces:
    """Return the strings' places from spacing and arch; a flat plane where no radius is known.

    Parameters
    ----------
    instrument : Instrument
        Spacing and arch in mm.

    Returns
    -------
    StringPlaces
        Millimetres, string 1 first.

    Raises
    ------
    InputError
        The arch is too narrow for the strings.
    """
    across = np.concatenate([[0.0], np.cumsum(instrument.spacing_mm)])
    # spacing_mm starts at the string that a downstroke meets first, which is the last string.
    y = (across - 0.5 * across[-1])[::-1]
    radius = instrument.radius_mm
    if radius is None:
        return StringPlaces(y, np.zeros_like(y))
    if radius <= np.abs(y).max():
        raise InputError(
            f"The arch's radius of {radius:g} mm is smaller than half the strings' width of {across[-1]:g} mm",
            next_step="correct radius_mm or spacing_mm.",
        )
    return StringPlaces(y, np.sqrt(radius**2 - y**2) - radius)


@dataclass(frozen=True)
class Crossing:
    """The tip between two contacts, measured from the first one.

    Attributes
    ----------
    share : float64 (m,)
        Time as a share of the time between the contacts.
    path_mm : float64 (m, 2)
        Y and Z.
    turn : int
        Place of the turn between the strokes.
    wait_s, wait_share : float
        Time between the strokes, in seconds and as a share of the time between the contacts.
    velocity_mmps : float64 (2, 2)
        Y and Z velocity at both contacts.
    slope : float64 (2,)
        Rise over travel (dz/dy) of both strokes' chords.
    contact_sd_s : float64 (2,)
        Error of both contacts, where no attack was seen, beyond that of an attack.
    """

    share: FloatArray
    path_mm: FloatArray
    turn: int
    wait_s: float
    wait_share: float
    velocity_mmps: FloatArray
    slope: FloatArray
    contact_sd_s: FloatArray

    @classmethod
    def between(cls, table: pd.DataFrame, paths_mm: NDArray[np.floating], i: int) -> Crossing:
        """Join the rest of stroke i to the beginning of the next, as far as its contact.

        The table is that of :func:`place_contacts`.
        """
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
        elapsed = np.concatenate([leaving - contact[0], arriving[1:] - contact[0]])
        chord = yz[:, -1] - yz[:, 0]
        return cls(
            elapsed / elapsed[-1],
            path,
            POINTS - 1,
            max(float(start[1] - end[0]), 0.0),
            max(float(start[1] - end[0]), 0.0) / float(contact[1] - contact[0]),
            np.stack([splines[k](contact[k], 1) for k in range(2)]),
            chord[:, 1] / np.where(chord[:, 0] == 0, np.inf, chord[:, 0]),
            table["contact_sd_s"].to_numpy(np.float64)[i : i + 2],
        )

    def lowest_height(
        self,
        places: StringPlaces,
        strings: tuple[int, int],
        depth_mm: float,
        tilt_se_rad: float,
        errors: PathErrors,
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
                    lowest = (float(height), self._height_se(int(j), missing, tilt_se_rad, errors))
        return lowest

    def _height_se(self, j: int, missing: FloatArray, tilt_se_rad: float, errors: PathErrors) -> float:
        """Return the standard error of the height at one crossing.

        An error (ey, ez) of the path there changes the height by ez - slope * ey.
        """
        slope = float(self.slope[0 if j <= self.turn else 1])
        u = float(self.share[j])
        # A late or early attack moves the origin at the first contact, the end at the second.
        contact_sd_s = np.hypot(errors.contact_sd_s, self.contact_sd_s)
        late = contact_sd_s * (self.velocity_mmps[:, 1] - slope * self.velocity_mmps[:, 0]) * [1 - u, u]
        # The hand may go its way sooner or later than evenly; at the contacts it has arrived.
        ahead = np.hypot(errors.travel_sd, errors.wait_travel_sd * self.wait_share)
        travel = ahead * 4 * u * (1 - u) * (missing[1] - slope * missing[0])
        wait = errors.wait_sd_mmps * self.wait_s if j == self.turn else 0.0
        turned = tilt_se_rad * (self.path_mm[j, 0] - u * self.path_mm[-1, 0])
        return float(np.sqrt(errors.depth_sd_mm**2 + np.sum(late**2) + travel**2 + turned**2 + wait**2))


def place_contacts(strokes: pd.DataFrame) -> pd.DataFrame:
    """The strokes with the moment of contact where no attack was seen: as the block's other strokes of that direction.

    Parameters
    ----------
    strokes : DataFrame
        Rows of the strokes table of one block, in order of time.

    Returns
    -------
    DataFrame
        With ``contact_s`` filled in, its error ``contact_sd_s`` (0 where an attack was seen; infinite where fewer than
        :data:`FEWEST_ATTACKS` strokes of that direction have one), and a new index.
    """
    table = strokes.reset_index(drop=True)
    start, end, contact = (table[name].to_numpy(np.float64, copy=True) for name in ("start_s", "end_s", "contact_s"))
    seen, sd = table["attack"].to_numpy(np.bool_), np.zeros(len(table))
    share = (contact - start) / (end - start)
    for direction in ("down", "up"):
        own = (table["direction"] == direction).to_numpy()
        known, unknown = own & seen, own & ~seen
        if int(known.sum()) >= max(FEWEST_ATTACKS, int(unknown.sum())):
            usual = float(np.median(share[known]))
            contact[unknown] = (start + usual * (end - start))[unknown]
            sd[unknown] = (float(share[known].std(ddof=1)) * (end - start))[unknown]
        else:
            sd[unknown] = np.inf
    return table.assign(contact_s=contact, contact_sd_s=sd)


@dataclass(frozen=True)
class HandTravel:
    """Ways across the strings, in the sense of a downstroke.

    Attributes
    ----------
    way_mm : float64 (n,)
        From the stroke before to each stroke, contact to contact; NaN where unknown.
    string_mm : float64 (strings,)
        Where the strings lie, string 1 first.
    """

    way_mm: FloatArray
    string_mm: FloatArray

    def part(self, rows: IntArray) -> HandTravel:
        """The travel of some neighbouring strokes; the first one's is unknown."""
        way = self.way_mm[rows].copy()
        way[:1] = np.nan
        return HandTravel(way, self.string_mm)


def measure_travel(strokes: pd.DataFrame, paths_mm: NDArray[np.floating], instrument: Instrument) -> HandTravel:
    """Measure the way from contact to contact of neighbouring strokes.

    Parameters
    ----------
    strokes : DataFrame
        Rows of the strokes table, in order of time.
    paths_mm : float (n, k, 3)
        Their tip paths, evenly spaced in time from turn to turn, instrument frame.
    instrument : Instrument

    Returns
    -------
    HandTravel
        Unknown behind a stroke without an attack, or a gap.
    """
    return HandTravel(contact_steps(strokes, paths_mm).way_mm[:, 0], place_strings(instrument).y_mm)


@dataclass(frozen=True)
class ContactSteps:
    """Ways from contact to contact, Y and Z.

    Attributes
    ----------
    way_mm : float64 (n, 2)
        From the stroke before to each stroke; NaN where unknown.
    velocity_mmps : float64 (n, 2)
        Of the tip at each contact.
    """

    way_mm: FloatArray
    velocity_mmps: FloatArray


def contact_steps(strokes: pd.DataFrame, paths_mm: NDArray[np.floating]) -> ContactSteps:
    """Measure the ways from contact to contact of neighbouring strokes.

    Parameters
    ----------
    strokes : DataFrame
        Rows of the strokes table, in order of time.
    paths_mm : float (n, k, 3)
        Their tip paths, evenly spaced in time from turn to turn, instrument frame.

    Returns
    -------
    ContactSteps
        Unknown behind a stroke without an attack, or a gap.
    """
    start, end, contact = (strokes[name].to_numpy(np.float64) for name in ("start_s", "end_s", "contact_s"))
    attack = strokes["attack"].to_numpy(np.bool_)
    yz = paths_mm[:, :, 1:].astype(np.float64)
    last = yz.shape[1] - 1
    place = np.clip((contact - start) / (end - start), 0, 1) * last
    before = np.minimum(place.astype(np.int64), last - 1)
    row, share = np.arange(len(yz)), (place - before)[:, None]
    slope = yz[row, before + 1] - yz[row, before]
    at = yz[row, before] + share * slope
    joined = np.abs(start[1:] - end[:-1]) < 0.25 * (end[:-1] - start[:-1])
    joined &= attack[1:] & attack[:-1]
    way = np.full((len(yz), 2), np.nan)
    way[1:] = np.where(joined[:, None], (yz[:-1, -1] - at[:-1]) + (at[1:] - yz[1:, 0]), np.nan)
    return ContactSteps(way, slope * last / (end - start)[:, None])


def fit_travel(
    travel: HandTravel, phrase: Phrase, period_s: float, max_extra: int, found: Decoded | None = None
) -> Travel:
    """What the ways say of the notes: with usual values, or with those that suit a first pass.

    Parameters
    ----------
    travel : HandTravel
    phrase : Phrase
    period_s : float
        Time per note.
    max_extra : int
        Most strokes left out between two notes.
    found : Decoded, optional
        First pass.
    """
    way = travel.way_mm
    known = np.isfinite(way)
    wide = max(float(np.sqrt(np.mean(way[known] ** 2))) if known.any() else 0.0, 2 * LEAST_SD_MM)
    gain, corner, sd = FIRST_GAIN, FIRST_CORNER_HZ, FIRST_SD_MM
    if found is not None:
        follows = known & (found.note >= 0) & (np.roll(found.note, 1) >= 0) & (found.confidence >= LEAST_CONFIDENCE)
        rows = np.flatnonzero(follows)
        rows = rows[rows > 0]
        if len(rows) >= FEWEST:
            gain, corner, sd = _suit(travel, phrase, period_s, found.note, rows)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, way, 0.0))])
    lost = np.concatenate([[0], np.cumsum(~known)])
    n = len(way)
    last = np.arange(n)[:, None] + 1
    first = np.maximum(last - 1 - np.arange(max_extra + 1), 0)
    ways = np.where(lost[last] - lost[first] == 0, total[last] - total[first], np.nan)
    return Travel(ways, gain * _seen_places(phrase, travel.string_mm, corner * period_s, n), sd, wide)


def _suit(
    travel: HandTravel, phrase: Phrase, period_s: float, note: IntArray, rows: IntArray
) -> tuple[float, float, float]:
    """Gain, corner and error that suit the ways between neighbouring notes best."""
    best = (np.inf, FIRST_GAIN, FIRST_CORNER_HZ)
    for corner in CORNERS_HZ:
        place = _seen_places(phrase, travel.string_mm, corner * period_s, len(note))
        expected = place[note[rows] % len(place)] - place[note[rows - 1] % len(place)]
        way = travel.way_mm[rows]
        gain = float(np.clip(expected @ way / max(float(expected @ expected), 1e-9), 0.2, 1.2))
        error = 1.4826 * float(np.median(np.abs(way - gain * expected)))
        if error < best[0]:
            best = (error, gain, corner)
    return best[1], best[2], max(best[0], LEAST_SD_MM)


def _seen_places(phrase: Phrase, string_mm: FloatArray, corner: float, strokes: int) -> FloatArray:
    """Where each note lies as a high-pass shows it, (1) without the gain, for twice as many notes as strokes or more.

    ``corner`` in cycles a unit. The lead is too short to be passed through.
    """
    place = np.array([string_mm[note.string - 1] for note in phrase.notes])
    lead = np.array([string_mm[note.string - 1] for note in phrase.lead]) - place.mean()
    if corner > 0 and len(place) > 1:
        # One pass in time: the hand is on its way between two notes, over each of them when it is due.
        grid = 1 if phrase.is_even else GRID
        count = max(round(float(phrase.pass_units) * grid), len(place))
        due = phrase.onset_units(phrase.stroke_count(1))[len(lead) :] - float(phrase.lead_units)
        at = np.round(due * grid).astype(np.int64) % count
        away = np.abs(np.arange(count)[:, None] - at[None])
        held = place[np.minimum(away, count - away).argmin(axis=1)]
        power = (np.fft.rfftfreq(count) * grid) ** 4
        place = np.fft.irfft(np.fft.rfft(held) * power / (power + corner**4), count)[at]
    else:
        place = place - place.mean()
    return np.concatenate([lead, np.tile(place, 1 + 2 * strokes // len(place))])
