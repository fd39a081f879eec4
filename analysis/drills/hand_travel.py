r"""The hand's own way across the strings from stroke to stroke: what it shows of string changes.

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

from analysis.drills.hidden_markov import Decoded, Travel
from analysis.drills.phrases import Phrase
from analysis.drills.string_change_path import place_strings
from analysis.model.records import FloatArray, Instrument, IntArray

CORNERS_HZ = (0.0, 0.3, 0.6, 1.0, 1.5)
FIRST_GAIN, FIRST_CORNER_HZ, FIRST_SD_MM = 0.8, 0.6, 3.5
LEAST_SD_MM = 1.0
FEWEST = 24
LEAST_CONFIDENCE = 0.7


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
    start, end, contact = (strokes[name].to_numpy(np.float64) for name in ("start_s", "end_s", "contact_s"))
    attack = strokes["attack"].to_numpy(np.bool_)
    y = paths_mm[:, :, 1].astype(np.float64)
    place = np.clip((contact - start) / (end - start), 0, 1) * (y.shape[1] - 1)
    before = np.minimum(place.astype(np.int64), y.shape[1] - 2)
    row, share = np.arange(len(y)), place - before
    at = (1 - share) * y[row, before] + share * y[row, before + 1]
    way = np.full(len(y), np.nan)
    joined = np.abs(start[1:] - end[:-1]) < 0.25 * (end[:-1] - start[:-1])
    joined &= attack[1:] & attack[:-1]
    way[1:] = np.where(joined, (y[:-1, -1] - at[:-1]) + (at[1:] - y[1:, 0]), np.nan)
    return HandTravel(way, place_strings(instrument).y_mm)


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
    return Travel(ways, gain * _seen_places(phrase, travel.string_mm, corner * period_s), sd, wide)


def _suit(
    travel: HandTravel, phrase: Phrase, period_s: float, note: IntArray, rows: IntArray
) -> tuple[float, float, float]:
    """Gain, corner and error that suit the ways between neighbouring notes best."""
    best = (np.inf, FIRST_GAIN, FIRST_CORNER_HZ)
    for corner in CORNERS_HZ:
        place = _seen_places(phrase, travel.string_mm, corner * period_s)
        expected = place[note[rows] % len(place)] - place[note[rows - 1] % len(place)]
        way = travel.way_mm[rows]
        gain = float(np.clip(expected @ way / max(float(expected @ expected), 1e-9), 0.2, 1.2))
        error = 1.4826 * float(np.median(np.abs(way - gain * expected)))
        if error < best[0]:
            best = (error, gain, corner)
    return best[1], best[2], max(best[0], LEAST_SD_MM)


def _seen_places(phrase: Phrase, string_mm: FloatArray, corner: float) -> FloatArray:
    """Where each note of the phrase lies as a high-pass shows it, (1) without the gain; ``corner`` in cycles a note."""
    place = np.array([string_mm[note.string - 1] for note in phrase.notes])
    if corner <= 0 or len(place) < 2:
        return place
    power = np.fft.rfftfreq(len(place)) ** 4
    return np.asarray(np.fft.irfft(np.fft.rfft(place) * power / (power + corner**4), len(place)))
