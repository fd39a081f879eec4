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
touched below.

Which two strings a stroke and the next one play is itself not certain. Every pair of strings has its probability over
all ways to match strokes with notes, and its own height ``h`` with standard error ``s``; a verdict is as probable as

.. math:: P(\text{cleared}) = \sum_{\text{pairs}} P(\text{pair}) \, T_\nu(h / s)                              (2)

with Student's distribution, whose degrees of freedom say how well it is known by how much the depth of this player's
plectrum differs from note to note: twenty beforehand, more the more strokes of the block stay on their string,

and is not known where neither verdict reaches a bound, or without an attack. Where one of the two attacks was not
seen, its contact is placed as those of the block's other strokes, with their scatter as its error. A slip leads to
other strings than the phrase's; the strings, and the stroke, are then those that were played.

From contact to contact on one string the tip rises by the difference of both depths. So the strokes of a block that
stay on a string show how much this player's depth differs from note to note; what all strokes of one direction share
comes from attacks that are seen late, not from the depth. What is supposed beforehand counts as if it had been seen on
twenty strokes (a scaled inverse chi-squared prior).

Assumed: the plectrum meets each string at the same depth, the strings lie as the instrument's spacing and arch say,
the hand travels smoothly, and the instrument frame's Y runs along the chord of the whole arch.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from analysis.drills.alignment import DrillAlignment
from analysis.drills.phrases import Phrase
from analysis.drills.string_change_path import (
    Crossing,
    PathErrors,
    StringPlaces,
    contact_steps,
    place_contacts,
    place_strings,
)
from analysis.model.errors import InputError
from analysis.model.records import Instrument, IntArray
from analysis.model.stroke_columns import Column

CLEARED, TOUCHED, NOT_KNOWN = "cleared", "touched", "not known"
LONGEST_WAIT = 1.5
"""Between the strokes of a change, as a share of the first one's time."""
SURELY_SAME = 0.9
FEWEST_STAYS = 8
"""Pairs of strokes on one string from which on they say how much the depth differs."""
LEAST_OWN = 0.25
"""Share of what is seen there that is never put down to the moments of the attacks."""
LEAST_TOLD = 3
"""Verdicts that a string pair needs before it can be named the weakest."""

CHANGE_COLUMNS: tuple[Column, ...] = (
    Column("time_s", "s", "float64", "contact before the change, log time"),
    Column("note", "", "int64", "note before the change, 0-based, counted on through the repeats"),
    Column("from_string", "", "int64", "string before the change; 1 is the top line of a tab"),
    Column("to_string", "", "int64", "string after the change"),
    Column("after", "", "str", "stroke that precedes the change: down or up"),
    Column("height_mm", "mm", "float64", "lowest height of the tip over a string that it crosses; above 0 is clear"),
    Column("height_se_mm", "mm", "float64", "its standard error"),
    Column("verdict", "", "str", "cleared, touched or not known"),
    Column("probability", "", "float64", "probability of that verdict; empty where none is given"),
    Column("reason", "", "str", "why it is not known; else empty"),
)

PAIR_COLUMNS: tuple[Column, ...] = (
    Column("from_string", "", "int64", "string before the change"),
    Column("to_string", "", "int64", "string after the change"),
    Column("after", "", "str", "stroke that precedes the change"),
    Column("changes", "", "int64", "changes played"),
    Column("cleared", "", "int64", "of these, cleared"),
    Column("touched", "", "int64", "of these, touched"),
    Column("not_known", "", "int64", "of these, not known"),
    Column("share_cleared", "", "float64", "cleared, as a share of cleared and touched; empty without either"),
    Column("height_mm", "mm", "float64", "median height of the tip over the lowest crossing"),
    Column("probability", "", "float64", "mean probability of the verdicts; empty without any"),
)


@dataclass(frozen=True)
class ChangeSettings:
    """Bounds and error model of the verdicts.

    Attributes
    ----------
    least_probability : float
        From which a verdict is given, with its probability beside it. A higher one leaves more of those open that lie
        within half a millimetre of the string.
    errors : PathErrors
    """

    least_probability: float = 0.8
    errors: PathErrors = field(default_factory=PathErrors)


@dataclass(frozen=True)
class BlockStrokes:
    """Strokes of one block with their paths.

    Attributes
    ----------
    strokes : DataFrame
        The block's rows of the strokes table, in order of time.
    paths_mm : float (n, k, 3)
        Their tip paths, evenly spaced in time from turn to turn, instrument frame.
    offset_se_deg : float
        Standard error of tilt common to the whole block.
    """

    strokes: pd.DataFrame
    paths_mm: NDArray[np.floating]
    offset_se_deg: float = 0.0


def judge_changes(
    played: BlockStrokes,
    alignment: DrillAlignment,
    phrase: Phrase,
    instrument: Instrument,
    settings: ChangeSettings | None = None,
) -> pd.DataFrame:
    """Judge every string change of one block.

    Parameters
    ----------
    played : BlockStrokes
    alignment : DrillAlignment
        Of these strokes with the phrase.
    phrase : Phrase
    instrument : Instrument
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
            f"The drill is for {phrase.strings} strings or courses, the instrument has {instrument.courses}",
            next_step="correct the drill or the instrument.",
        )
    places = place_strings(instrument)
    table = place_contacts(played.strokes)
    errors = learn_depth(settings.errors, played.strokes, played.paths_mm, _stays(alignment, phrase))
    # After the last stroke of each stretch no change was played.
    rows = []
    for i in np.flatnonzero((alignment.note >= 0)[:-1] & (np.diff(alignment.piece) == 0)):
        pairs = _string_pairs(alignment, phrase, int(i))
        before, after = max(pairs, key=lambda pair: pairs[pair]) if pairs else _next_strings(alignment, phrase, int(i))
        if before == after:
            continue
        verdict, chance, height, se, reason = NOT_KNOWN, np.nan, np.nan, np.nan, _obstacle(table, pairs, int(i))
        if not reason:
            tilt_se_rad = np.radians(np.hypot(played.offset_se_deg, table["tilt_se_deg"].iloc[i : i + 2].max()))
            judge = _Judge(places, instrument.plectrum_depth_mm, float(tilt_se_rad), errors, settings.least_probability)
            verdict, chance, height, se, reason = judge.weigh(Crossing.between(table, played.paths_mm, int(i)), pairs)
        stroke = str(table["direction"][i])
        time_s = played.strokes["contact_s"].iloc[i]
        found = (time_s, alignment.note[i], before, after, stroke, height, se, verdict, chance, reason)
        rows.append(found)
    changes = pd.DataFrame(rows, columns=[column.name for column in CHANGE_COLUMNS])
    return changes.astype({column.name: column.dtype for column in CHANGE_COLUMNS})


def _string_pairs(alignment: DrillAlignment, phrase: Phrase, i: int) -> dict[tuple[int, int], float]:
    """Probabilities of the strings of stroke i and the next."""
    found: dict[tuple[int, int], float] = {}
    for (first, second), chance in alignment.pairs[i + 1].items():
        strings = phrase.string_at(first), phrase.string_at(second)
        found[strings] = found.get(strings, 0.0) + chance
    return found


def learn_depth(
    errors: PathErrors, strokes: pd.DataFrame, paths_mm: NDArray[np.floating], stays: IntArray
) -> PathErrors:
    """Learn from a block how much the depth of its contacts differs.

    Parameters
    ----------
    errors : PathErrors
        What is supposed beforehand.
    strokes : DataFrame
        The block's rows of the strokes table, in order of time.
    paths_mm : float (n, k, 3)
        Their tip paths, evenly spaced in time from turn to turn, instrument frame.
    stays : int64 (m,)
        Strokes after which the next one meets the same string.

    Returns
    -------
    PathErrors
        With the spread of depth that the block shows, and how well it is known; unchanged if it shows too little.
    """
    steps = contact_steps(strokes, paths_mm)
    stays = stays[np.isfinite(steps.way_mm[stays + 1, 1])]
    if len(stays) < FEWEST_STAYS:
        return errors
    rise, down = steps.way_mm[stays + 1, 1], (strokes["direction"] == "down").to_numpy()[stays]
    for own in (down, ~down):
        if np.count_nonzero(own) >= FEWEST_STAYS / 2:
            # Attacks that are all seen late lift one direction and sink the other.
            rise[own] -= np.median(rise[own])
    # A few strokes on another string than supposed do not count in full.
    most = 3 * 1.4826 * float(np.median(np.abs(rise)))
    seen = float(np.mean(np.clip(rise, -most, most) ** 2))
    speed2 = steps.velocity_mmps[:, 1] ** 2
    late = errors.contact_sd_s**2 * float(np.mean(speed2[stays] + speed2[stays + 1]))
    depth2 = max(seen - late, LEAST_OWN * seen) / 2
    # Neighbouring differences share a contact: each tells about half as much as a stroke.
    count = len(stays) / 2
    df = errors.depth_df + count
    variance = (errors.depth_df * errors.depth_sd_mm**2 + count * depth2) / df
    return replace(errors, depth_sd_mm=float(np.sqrt(variance)), depth_df=df)


def _stays(alignment: DrillAlignment, phrase: Phrase) -> IntArray:
    """Strokes after which the next one surely meets the same string."""
    same = [
        sum(chance for (first, second), chance in pair.items() if phrase.string_at(first) == phrase.string_at(second))
        for pair in alignment.pairs[1:]
    ]
    return np.flatnonzero(np.array(same) >= SURELY_SAME)


def _next_strings(alignment: DrillAlignment, phrase: Phrase, i: int) -> tuple[int, int]:
    """The strings that the phrase says for stroke i and the note after it."""
    note = int(alignment.note[i])
    return phrase.string_at(note), phrase.string_at(note + 1)


@dataclass(frozen=True)
class _Judge:
    """What every pair of strings is judged with."""

    places: StringPlaces
    depth_mm: float
    tilt_se_rad: float
    errors: PathErrors
    least_probability: float

    def weigh(self, crossing: Crossing, pairs: dict[tuple[int, int], float]) -> tuple[str, float, float, float, str]:
        """Verdict, its probability (2), height of the likeliest pair with its error, and what stands in the way."""
        cleared = touched = 0.0
        shown = (np.nan, np.nan)
        likeliest = max(pairs, key=lambda pair: pairs[pair])
        for pair, chance in pairs.items():
            if pair[0] == pair[1]:
                continue
            height, se = crossing.lowest_height(self.places, pair, self.depth_mm, self.tilt_se_rad, self.errors)
            if pair == likeliest:
                shown = (height, se)
            if np.isfinite(height):
                over = float(special.stdtr(self.errors.depth_df, height / se))
                cleared, touched = cleared + chance * over, touched + chance * (1 - over)
        if not np.isfinite(shown[0]):
            return NOT_KNOWN, np.nan, *shown, "the path crosses no string"
        verdict, chance = (CLEARED, cleared) if cleared >= touched else (TOUCHED, touched)
        if chance >= self.least_probability:
            return verdict, min(chance, 1.0), *shown, ""
        unsure = pairs[likeliest] < self.least_probability
        return NOT_KNOWN, np.nan, *shown, "alignment unsure" if unsure else "too close"


def _obstacle(table: pd.DataFrame, pairs: dict[tuple[int, int], float], i: int) -> str:
    """Return why no height can be found between stroke i and the next, or nothing."""
    if not pairs or sum(pairs.values()) < 0.5:
        return "next note not found"
    if not np.isfinite(table["contact_sd_s"].iloc[i : i + 2]).all() or not table["attack"].iloc[i : i + 2].any():
        return "no pick attack"
    # Where the hand waits between the strokes for a moment its way is known well enough; in a rest it may be anywhere.
    if abs(table["start_s"][i + 1] - table["end_s"][i]) > LONGEST_WAIT * (table["end_s"][i] - table["start_s"][i]):
        return "a rest lies between"
    return ""


def summarise_pairs(changes: pd.DataFrame) -> pd.DataFrame:
    """Count verdicts by string pair and preceding stroke.

    Parameters
    ----------
    changes : DataFrame
        Columns of :data:`CHANGE_COLUMNS`.

    Returns
    -------
    DataFrame
        Columns of :data:`PAIR_COLUMNS`, in order of the strings.
    """
    rows = []
    for (before, after, stroke), group in changes.groupby(["from_string", "to_string", "after"], sort=True):
        cleared, touched = (int((group["verdict"] == verdict).sum()) for verdict in (CLEARED, TOUCHED))
        told = cleared + touched
        share = cleared / told if told else np.nan
        height, sure = group["height_mm"].median(), group["probability"].mean()
        rows.append((before, after, stroke, len(group), cleared, touched, len(group) - told, share, height, sure))
    pairs = pd.DataFrame(rows, columns=[column.name for column in PAIR_COLUMNS])
    return pairs.astype({column.name: column.dtype for column in PAIR_COLUMNS})


def find_weakest(pairs: pd.DataFrame) -> pd.Series | None:
    """Return the row of the change that clears least often, the lower one where two are alike.

    None where no string pair has :data:`LEAST_TOLD` verdicts, or all changes cleared.
    """
    told = pairs[pairs["cleared"] + pairs["touched"] >= LEAST_TOLD]
    weak = told[told["share_cleared"] < 1].sort_values(["share_cleared", "height_mm"])
    return None if weak.empty else weak.iloc[0]


def mark_string_changes(alignment: DrillAlignment, phrase: Phrase, least_confidence: float = 0.9) -> list[str]:
    """Return for every stroke whether the next note stands on another string: true, false, or unknown."""
    marks = []
    last = phrase.stroke_count(1) - 1
    count = len(alignment.note)
    surely = (alignment.confidence >= least_confidence) & ~alignment.doubted
    for i, (note, sure_note) in enumerate(zip(alignment.note.tolist(), surely.tolist(), strict=True)):
        pairs = _string_pairs(alignment, phrase, i) if i + 1 < count else {}
        change = sum(chance for (before, after), chance in pairs.items() if before != after)
        if note < 0 or (not phrase.loops and note >= last):
            marks.append("unknown")
        elif sum(pairs.values()) >= least_confidence:
            sure = max(change, sum(pairs.values()) - change) >= least_confidence
            marks.append(("true" if change > 0.5 else "false") if sure else "unknown")
        elif not sure_note:
            marks.append("unknown")
        else:
            marks.append("true" if phrase.string_at(note) != phrase.string_at(note + 1) else "false")
    return marks
