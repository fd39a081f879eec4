"""While a drill is played: which notes were met, missed or added, and whether each string change cleared.

The batch code decides (:mod:`analysis.drills.alignment`, :mod:`analysis.drills.string_changes`), on the last strokes.
A change is first judged by its own stroke alone, as soon as that has ended: provisional. With the stroke after it, and
once both are settled, the path between them decides: final.

Matching all strokes anew costs three times what finding them costs. In between, new strokes are counted on from the
last one matched, which is right but for a slip, and only provisional marks rest on it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd

from analysis.drills.alignment import EXTRA, DrillAlignment, align_strokes
from analysis.drills.phrases import Phrase, find_drill
from analysis.drills.session_changes import timing_of
from analysis.drills.string_change_path import measure_travel
from analysis.drills.string_changes import BlockStrokes, judge_changes
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import Event, FloatArray, Instrument

MOST_STROKES = 40
"""So many are matched with the notes each time; what lies before stays as it was counted."""
OFFSET_SE_DEG = 1.2
"""Standard error of tilt common to a block, as usual after good gestures; its own is known at its end."""
MATCH_EVERY_S = 0.35
"""Between two matches of all strokes."""
SAME_S = 0.03
"""A stroke of which a later window says another contact by more is another stroke."""
TOLD = 48
"""Marks told, from the last back."""

Verdict = Literal["cleared", "touched", "not known"]


@dataclass(frozen=True)
class ChangeMark:
    """A string change after the note at a 0-based place of the drill's cycle; ``end_s``: its stroke's end, log time."""

    place: int
    verdict: Verdict
    final: bool
    end_s: float


@dataclass(frozen=True)
class NoteMarks:
    """String changes so far, oldest first, the last ones only; notes without a stroke, strokes without a note.

    Attributes
    ----------
    changes : tuple of ChangeMark
    missing, added : int
        Notes without a stroke, strokes without a note.
    next_end_s : float or None
        Log time at which the stroke before the next change is due to end; None where nothing more is expected.
    """

    changes: tuple[ChangeMark, ...]
    missing: int
    added: int
    next_end_s: float | None = field(default=None, compare=False)


@dataclass(frozen=True)
class _Matched:
    """Strokes as last matched with notes: their contacts, what was found, and when."""

    contacts_s: FloatArray
    alignment: DrillAlignment
    at_s: float


class NoteFollower:
    """Follow the notes of one block.

    Parameters
    ----------
    block : Event
        With the drill and its tempo, on log time.
    instrument : Instrument
    """

    def __init__(self, block: Event, instrument: Instrument) -> None:
        self._block = block
        self._instrument = instrument
        self._timing = timing_of(block)
        self._counted = (0, 0)
        self._decided: dict[float, Verdict] = {}
        try:
            self._phrase = find_drill(block.drill, instrument.courses, {}) if block.drill else None
        except InputError:  # Said before the block; there is nothing to follow.
            self._phrase = None
        self._from_s, self._due_s = -np.inf, block.start_s + self._before_pickup_s()
        self._lead = 0 if self._phrase is None else len(self._phrase.lead)
        self._left = 0
        self._matched: _Matched | None = None

    def mark(self, strokes: pd.DataFrame, paths_mm: FloatArray, settled_s: float) -> NoteMarks | None:
        """Mark the block's strokes so far.

        Parameters
        ----------
        strokes : DataFrame
            All strokes of the block, in order.
        paths_mm : float (n, k, 3)
        settled_s : float
            Strokes that end before are final.

        Returns
        -------
        NoteMarks or None
            None without a drill, or before it can be told which notes are played.
        """
        phrase = self._phrase
        if phrase is None or len(strokes) < 2:
            return None
        rows, paths = self._since(strokes, paths_mm)
        now_s = float(strokes["end_s"].iloc[-1])
        alignment = self._count_on(rows, now_s)
        if alignment is None:
            try:
                alignment = self._match(rows, paths, phrase)
                if len(rows) > MOST_STROKES + phrase.cycle_notes and self._leave(rows, paths, alignment, phrase):
                    phrase = self._phrase or phrase
                    rows, paths = self._since(strokes, paths_mm)
                    alignment = self._match(rows, paths, phrase)
            except NotEnoughDataError:
                return None
            self._matched = _Matched(rows["contact_s"].to_numpy(), alignment, now_s)
        missing, added = self._counted
        changes = self._changes(rows, paths, alignment, settled_s)
        return NoteMarks(
            changes[-TOLD:], missing + alignment.missed, added + alignment.extra, _next_end_s(rows, alignment, phrase)
        )

    def _count_on(self, rows: pd.DataFrame, now_s: float) -> DrillAlignment | None:
        """The last match with later strokes counted on; None where it is time for another."""
        last = self._matched
        if last is None or now_s - last.at_s >= MATCH_EVERY_S:
            return None
        contacts_s, known = rows["contact_s"].to_numpy(), last.contacts_s
        both = min(len(contacts_s), len(known))
        moved = np.abs(contacts_s[:both] - known[:both]) > SAME_S
        same = int(np.argmax(moved)) if moved.any() else both
        note = last.alignment.note[:same]
        if same < 2 or note[-1] == EXTRA or last.alignment.piece[same - 1]:
            return None
        more = len(contacts_s) - same
        # Nothing is known of them but their number: no pairs, no certainty.
        return replace(
            last.alignment,
            note=np.append(note, note[-1] + 1 + np.arange(more)),
            confidence=np.append(last.alignment.confidence[:same], np.zeros(more)),
            doubted=np.append(last.alignment.doubted[:same], np.ones(more, np.bool_)),
            turned=np.append(last.alignment.turned[:same], np.repeat(last.alignment.turned[same - 1], more)),
            pairs=(*last.alignment.pairs[:same], *({} for _ in range(more))),
            piece=np.append(last.alignment.piece[:same], np.zeros(more, np.int64)),
            period_s=np.append(last.alignment.period_s[:same], np.repeat(last.alignment.period_s[same - 1], more)),
        )

    def _before_pickup_s(self) -> float:
        """Time from the block's first beat to a pickup: the phrase's first bar begins on a whole beat."""
        phrase, period_s, beat_s = self._phrase, self._timing.period_s, self._timing.beat_s
        if phrase is None or not phrase.lead or period_s is None or beat_s is None:
            return 0.0
        lead_s = float(phrase.lead_units) * period_s
        return float(-lead_s % beat_s)

    def _place(self, note: int) -> int:
        """Place of a note on the tab: the pickup, then one cycle."""
        played = note + self._left
        cycle = 1 if self._phrase is None else self._phrase.cycle_notes
        return played if played < self._lead else self._lead + (played - self._lead) % cycle

    def _match(self, rows: pd.DataFrame, paths_mm: FloatArray, phrase: Phrase) -> DrillAlignment:
        """Match strokes with notes, by the hand's travel too."""
        travel = measure_travel(rows, paths_mm, self._instrument)
        return align_strokes(rows, phrase, replace(self._timing, due_s=self._due_s), travel=travel)

    def _since(self, strokes: pd.DataFrame, paths_mm: FloatArray) -> tuple[pd.DataFrame, FloatArray]:
        """Strokes that are still matched, with their paths."""
        first = int(np.searchsorted(strokes["contact_s"], self._from_s))
        return strokes.iloc[first:].reset_index(drop=True), paths_mm[first:]

    def _leave(self, rows: pd.DataFrame, paths_mm: FloatArray, alignment: DrillAlignment, phrase: Phrase) -> bool:
        """Leave whole cycles behind, counted; True if there were any. The next begins at a stroke that met its note."""
        place = len(rows) - MOST_STROKES
        body = alignment.note - len(phrase.lead)
        starts = (body % phrase.cycle_notes == 0) & (body > 0) & (np.arange(len(rows)) <= place)
        if not starts.any():
            return False
        cut = int(np.flatnonzero(starts)[-1])
        gone = self._match(rows.iloc[:cut], paths_mm[:cut], phrase)
        # Notes between the last one met before the cut and the cut itself.
        behind = int(alignment.note[cut] - 1 - alignment.note[:cut].max()) if alignment.piece[cut] == 0 else 0
        self._counted = (self._counted[0] + gone.missed + behind, self._counted[1] + gone.extra)
        contacts_s = rows["contact_s"].to_numpy()
        self._due_s, self._from_s = float(contacts_s[cut]), 0.5 * float(contacts_s[cut - 1] + contacts_s[cut])
        # The pickup is behind, and what comes before a pass's first stroke as well.
        first = phrase.stroke_at(int(alignment.note[cut]))
        self._left += len(phrase.lead)
        self._phrase = replace(phrase, lead=(), lead_rest=0, first_stroke=first)
        self._due_s -= float(phrase.rest) * float(alignment.period_s[cut])
        return True

    def _changes(
        self, rows: pd.DataFrame, paths_mm: FloatArray, alignment: DrillAlignment, settled_s: float
    ) -> tuple[ChangeMark, ...]:
        phrase = self._phrase
        if phrase is None:
            return ()
        changed = [
            at
            for at, note in enumerate(alignment.note.tolist())
            if note != EXTRA and phrase.string_at(note) != phrase.string_at(note + 1)
        ]
        ends_s = rows["end_s"].tolist()
        last = len(rows) if self._matched is None else len(self._matched.contacts_s)
        settled = [at for at in changed if at + 1 < min(len(rows), last) and ends_s[at + 1] <= settled_s]
        self._decide(rows, paths_mm, alignment, [at for at in settled if ends_s[at] not in self._decided])
        clears = rows["clears"].tolist()
        marks = []
        for at in changed:
            alone: Verdict = "cleared" if clears[at] else "touched"
            final = at in settled
            verdict = self._decided[ends_s[at]] if final else alone
            marks.append(ChangeMark(self._place(int(alignment.note[at])), verdict, final, ends_s[at]))
        return tuple(marks)

    def _decide(self, rows: pd.DataFrame, paths_mm: FloatArray, alignment: DrillAlignment, at: list[int]) -> None:
        """Judge changes for good, each once, between its stroke and the next."""
        if not at or self._phrase is None:
            return
        part = slice(at[0], at[-1] + 2)
        near = replace(
            alignment,
            note=alignment.note[part],
            confidence=alignment.confidence[part],
            doubted=alignment.doubted[part],
            turned=alignment.turned[part],
            pairs=alignment.pairs[part],
            piece=np.zeros_like(alignment.piece[part]),
            period_s=alignment.period_s[part],
        )
        strokes = BlockStrokes(rows.iloc[part], paths_mm[part], OFFSET_SE_DEG)
        judged = judge_changes(strokes, near, self._phrase, self._instrument)
        verdicts = dict(zip(judged["time_s"].tolist(), judged["verdict"].tolist(), strict=True))
        contacts_s, ends_s = rows["contact_s"].tolist(), rows["end_s"].tolist()
        self._decided |= {ends_s[each]: verdicts.get(contacts_s[each], "not known") for each in at}


def _next_end_s(rows: pd.DataFrame, alignment: DrillAlignment, phrase: Phrase) -> float | None:
    """When the stroke before the next change is due to end, after the last stroke that had its whole length."""
    contacts_s, ends_s = rows["contact_s"].to_numpy(), rows["end_s"].to_numpy()
    met = np.flatnonzero(alignment.note != EXTRA)
    if not met.size or len(rows) < 3:
        return None
    after_contact_s = float(np.median(ends_s - contacts_s))
    at = int(met[-1])
    note, whole = int(alignment.note[at]), ends_s[at] - contacts_s[at] > 0.7 * after_contact_s
    coming = range(note + 1 if whole else note, note + 1 + phrase.cycle_notes)
    changing = next((each for each in coming if phrase.string_at(each) != phrase.string_at(each + 1)), None)
    if changing is None:
        return None
    onset = phrase.onset_units(changing + 1)
    return float(contacts_s[at] + (onset[changing] - onset[note]) * alignment.period_s[at] + after_contact_s)
