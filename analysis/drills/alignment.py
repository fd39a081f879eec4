"""Which stroke is which note of the drill: alignment by dynamic programming, with its own confidence.

Model
-----
Strokes are found at times ``t_i`` with a direction and perhaps a pick attack; notes ``J = 0, 1, 2, ...`` count on
through the repeats. Time is measured in units ``T`` of the phrase (running median of the intervals, each divided by the
nearest length that the phrase has, so a drifting tempo is followed): from one matched stroke to the next
``u = (t_i - t_k) / T``. All costs are negative log probabilities:

- ``m`` notes missed in between: ``-m log p_missed``; a match: ``-log(1 - p_missed)``;
- ``e`` extra strokes in between, each ``-log p_extra`` (a rate per period), half for its direction, and its attack;
- timing: the log of a mixture of two bells about the time that the phrase states from note to note (``m + 1`` where
  all are alike), of the player's own unevenness ``s`` (estimated from the intervals) and, rarely, of ``3 s``, and an
  exponential tail for hesitation, with a floor that bounds the cost;
- slips of the player, with the strokes still in time and still alternating: a note played twice (``p_doubled``), a
  note left out (``p_skipped``). After one the strokes are turned round against the notes, and stay so until the next;
  so is a drill begun with the other stroke (``p_first_other``). The lattice has a state for each way round;
- direction against alternation the way round that holds: ``-log p_wrong`` or ``-log(1 - p_wrong)``;
- travel, where it is known: the hand's own way across the strings from stroke to stroke
  (:mod:`analysis.drills.string_change_path`) against where both notes lie;
- pick attack: its share among all strokes for a match, one half for an extra stroke;
- span, where the table has it: near the block's median for a match, anything up to twice that for an extra stroke (a
  hand that arrives or leaves makes small ones);
- sound, where a microphone heard the block: the log likelihood ratio of every stroke and note, as it is handed in. With
  it slips show, a note played twice or left out with the strokes still in time (``p_slip`` a stroke); after one the
  strokes fall on the other notes, so that direction against strict alternation says little (``p_wrong_heard``).

Where a first pass sees many more missed or extra strokes than supposed, a second one takes the shares that it saw; it
also measures how the hand's travel shows. The best path is Viterbi's; a stroke's confidence is the posterior
probability of its note on that path (forward and backward sums over all paths).

Assumed: the first stroke after the count-in is note 0 unless ``due_s`` says when note 0 is due; after a silence of
more than ``pause_s`` the phrase starts again at its first note. Without travel a note played twice shows in the
directions only, and not where it lies; slips are then supposed to be rarer (``p_slip_unseen``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.drills.hidden_markov import Decoded, Lattice, decode_lattice
from analysis.drills.moves import AlignmentSettings, Timing, bell, list_moves, local_period, unit_of
from analysis.drills.phrases import Phrase
from analysis.drills.string_change_path import HandTravel, fit_travel
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import BoolArray, FloatArray, IntArray

SOUNDS_WRONG = 5.0
"""By so much the odds of a stroke's note are less where its sound suits another note better.

Slips hide there that the phrase's order makes unlikely: of 140 such strokes in a hundred simulated takes 74 % should
have been right, and half were.
"""
SURE_BY_SOUND = 0.97
"""Where nothing but the sound shows slips, no verdict rests on less.

Notes an octave apart sound alike: around a slip among them strokes of 0.91 to 0.96 were on another string in two of
eighty simulated takes. It costs one change in a hundred.
"""
EXTRA = -1
"""Note number of a stroke that stands for no note."""


@dataclass(frozen=True)
class DrillTiming:
    """What is known of a block's timing before its strokes are looked at.

    Attributes
    ----------
    period_s : float or None
        Seconds per note, from tempo and notes per beat; None where unknown.
    beat_s : float or None
        Seconds per beat; known, it lets a count-in that was played be told from the drill.
    due_s : float or None
        Log time at which the phrase, with its lead, is due to begin (after the count-in); None where unknown.
    repeats : int or None
        How often the phrase is played; None for as often as it lasts.
    """

    period_s: float | None = None
    beat_s: float | None = None
    due_s: float | None = None
    repeats: int | None = None


@dataclass(frozen=True)
class DrillAlignment:
    """Strokes of one block matched with a drill's notes.

    Attributes
    ----------
    note : int64 (n,)
        Note of each stroke, 0-based, counted on through the repeats; :data:`EXTRA` where it stands for none.
    confidence : float64 (n,)
        Posterior probability of that.
    doubted : bool (n,)
        Strokes on which no verdict may rest: their sound suits another note, or nothing but a sound not sure enough
        tells them.
    turned : bool (n,)
        Whether strokes were turned round against the notes there: what the phrase plays down was played up.
    pairs : tuple of dict
        For each stroke, the probabilities of (note before, note) where it follows the stroke before it directly.
    piece : int64 (n,)
        Which unbroken stretch the stroke lies in; every stretch starts at note 0.
    missed : int
        Notes without a stroke between the first and last matched note of each stretch.
    period_s : float64 (n,)
        Local time per note.
    """

    note: IntArray
    confidence: FloatArray
    doubted: BoolArray
    turned: BoolArray
    pairs: tuple[dict[tuple[int, int], float], ...]
    piece: IntArray
    missed: int
    period_s: FloatArray

    @property
    def mean_confidence(self) -> float:
        """Mean posterior probability over all strokes."""
        return float(self.confidence.mean())

    @property
    def extra(self) -> int:
        """Number of strokes that stand for no note."""
        return int(np.count_nonzero(self.note == EXTRA))


def align_strokes(
    strokes: pd.DataFrame,
    phrase: Phrase,
    timing: DrillTiming | None = None,
    settings: AlignmentSettings | None = None,
    travel: HandTravel | None = None,
    heard: FloatArray | None = None,
) -> DrillAlignment:
    """Match the strokes of one block with the notes of its drill.

    Parameters
    ----------
    strokes : DataFrame
        The block's rows of the strokes table in order of time; uses ``contact_s``, ``direction``, ``attack``
        and, where it is there, ``span_mm``.
    phrase : Phrase
    timing : DrillTiming, optional
    settings : AlignmentSettings, optional
    travel : HandTravel, optional
        The hand's way across the strings; without it a note played twice or left out is often not told.
    heard : float64 (strokes, notes of the phrase), optional
        What a microphone says: log of how much likelier its sound is if the stroke plays the note than if it is extra.

    Returns
    -------
    DrillAlignment

    Raises
    ------
    InputError
        If times go backwards, or ``heard`` is for other strokes or another phrase.
    NotEnoughDataError
        If there are fewer than two strokes.
    """
    timing = timing or DrillTiming()
    settings = settings or AlignmentSettings()
    times = strokes["contact_s"].to_numpy(np.float64)
    if len(times) < 2:
        raise NotEnoughDataError(
            "Matching strokes with a drill needs at least 2 strokes",
            next_step=f"this block has {len(times)}.",
        )
    if not np.all(np.isfinite(times)) or np.any(np.diff(times) < 0):
        raise InputError(
            "Strokes must come in order of their contact times",
            next_step="sort the strokes table by contact_s.",
        )
    if heard is not None and heard.shape != (len(times), len(phrase.played)):
        raise InputError(
            expected=f"what was heard as a row a stroke and a column a note, ({len(times)}, {len(phrase.played)})",
            found=str(heard.shape),
            next_step="give the sound of the same block and phrase",
        )
    if heard is not None:
        settings = replace(settings, p_wrong=settings.p_wrong_heard)
    piece = np.concatenate([[0], np.cumsum(np.diff(times) > settings.pause_s)]).astype(np.int64)
    found: list[Decoded] = []
    period: list[FloatArray] = []
    for number in range(int(piece[-1]) + 1):
        rows = np.flatnonzero(piece == number)
        stretch = _read_stretch(strokes.iloc[rows], phrase, timing.period_s, settings)
        stretch = stretch if heard is None else replace(stretch, heard=heard[rows])
        # A due time or a number of repeats is about the first stretch only.
        known = timing if number == 0 else DrillTiming(timing.period_s, timing.beat_s)
        found.append(_decode_stretch(stretch, phrase, known, settings, travel and travel.part(rows)))
        period.append(stretch.period_s)
    note, confidence = (np.concatenate([getattr(part, name) for part in found]) for name in ("note", "confidence"))
    pairs = [pair for part in found for pair in part.pairs]
    doubted = np.zeros(len(times), np.bool_)
    if heard is not None:
        doubted = _sounds_wrong(heard, note, phrase)
        confidence = np.where(doubted, confidence / (confidence + SOUNDS_WRONG * (1 - confidence)), confidence)
        if travel is None:
            doubted |= confidence < SURE_BY_SOUND
        # No verdict on a string change may rest on such a stroke.
        doubtful = doubted | np.append(False, doubted[:-1])
        pairs = [
            {notes: 0.5 * chance for notes, chance in pair.items()} if doubt else pair
            for pair, doubt in zip(pairs, doubtful, strict=True)
        ]
    return DrillAlignment(
        note,
        confidence,
        doubted,
        np.concatenate([part.turned for part in found]),
        tuple(pairs),
        piece,
        sum(_count_missed(part.note) for part in found),
        np.concatenate(period),
    )


def _decode_stretch(
    stretch: _Stretch, phrase: Phrase, timing: DrillTiming, settings: AlignmentSettings, travel: HandTravel | None
) -> Decoded:
    """Decode one stretch, and again with what the first pass showed of missed notes and of the hand's travel."""
    if travel is None and stretch.heard is None:
        # Nothing but the directions could show a slip, and directions are sometimes wrong.
        less = settings.p_slip_unseen
        settings = replace(
            settings,
            p_doubled=less * settings.p_doubled,
            p_skipped=less * settings.p_skipped,
            p_turn=less * settings.p_turn,
            p_first_other=less * settings.p_first_other,
        )
    lattice = _build_lattice(stretch, phrase, timing, settings)
    if travel is None:
        found = decode_lattice(lattice)
        seen = _learn_shares(found.note, settings)
        return found if seen == settings else decode_lattice(_build_lattice(stretch, phrase, timing, seen))
    period_s = float(np.median(stretch.period_s))
    found = decode_lattice(replace(lattice, travel=fit_travel(travel, phrase, period_s, settings.max_extra)))
    seen = _learn_shares(found.note, settings)
    again = fit_travel(travel, phrase, period_s, settings.max_extra, found)
    return decode_lattice(replace(_build_lattice(stretch, phrase, timing, seen), travel=again))


def _sounds_wrong(heard: FloatArray, note: IntArray, phrase: Phrase) -> BoolArray:
    """Strokes whose sound suits another note more than twice as well as their own, alone or with the next one's.

    Two slips that make up for each other hide behind one note that sounds wrong: such a stroke is never sure. One slip
    hides behind two neighbours that both sound a little wrong.
    """
    own = heard[np.arange(len(note)), phrase.place_at(note)]
    worse = np.where(note == EXTRA, 0.0, heard.max(axis=1) - own)
    wrong = worse > np.log(2.0)
    together = (np.minimum(worse[1:], worse[:-1]) > 0) & (worse[1:] + worse[:-1] > np.log(2.0))
    wrong[1:] |= together
    wrong[:-1] |= together
    return np.asarray(wrong)


def _count_missed(note: IntArray) -> int:
    """Count the notes without a stroke between the first and the last matched one."""
    matched = np.unique(note[note >= 0])
    return int(np.ptp(matched)) + 1 - len(matched) if len(matched) else 0


def _learn_shares(note: IntArray, settings: AlignmentSettings) -> AlignmentSettings:
    """Return settings with the shares of missed and extra strokes that a first pass saw, where it saw more.

    Play that is worse than supposed then also lowers the confidence.
    """
    most = settings.most_learned
    missed = (_count_missed(note) + 1) / (len(note) + 2)
    extra = (np.count_nonzero(note == EXTRA) + 1) / (len(note) + 2)
    if max(missed / settings.p_missed, extra / settings.p_extra) < settings.learn_from:
        return settings
    return replace(
        settings, p_missed=min(max(missed, settings.p_missed), most), p_extra=min(max(extra, settings.p_extra), most)
    )


@dataclass(frozen=True)
class _Stretch:
    """One unbroken stretch of strokes and its clock in units of the phrase."""

    times: FloatArray
    down: BoolArray
    attack: BoolArray
    period_s: FloatArray
    phase: FloatArray
    sigma: float
    onset: FloatArray
    """Units at which the phrase's strokes are due, for longer than the stretch lasts."""
    span_score: FloatArray
    """Log of how much likelier each stroke's span is for a note than for an extra stroke."""
    heard: FloatArray | None = None


def _read_stretch(
    strokes: pd.DataFrame, phrase: Phrase, nominal_s: float | None, settings: AlignmentSettings
) -> _Stretch:
    """Measure a stretch's local period and the player's unevenness."""
    times = strokes["contact_s"].to_numpy(np.float64)
    intervals = np.diff(times)
    spans, share = _spans(phrase)
    if len(spans) == 1:
        lasts = np.full(len(intervals), spans[0])
    else:
        unit_s = nominal_s or unit_of(np.maximum(intervals, 1e-3), spans, share)
        # Which of the phrase's lengths each interval is, whichever note it belongs to.
        off = np.log(np.maximum(intervals, 1e-3) / unit_s)[:, None] - np.log(spans)
        lasts = spans[np.abs(off).argmin(axis=1)]
    period_s = local_period(intervals / lasts, nominal_s, settings.median_strokes)
    steps = intervals / period_s[1:]
    off = np.abs(steps[:, None] - spans).min(axis=1)
    single = off[off < 0.4]
    spread = 1.4826 * float(np.median(single)) if len(single) else settings.most_uneven
    phase = np.concatenate([[0.0], np.cumsum(steps)])
    passes = int(phase[-1] / float(phrase.pass_units)) + 2
    return _Stretch(
        times,
        (strokes["direction"] == "down").to_numpy(np.bool_),
        strokes["attack"].to_numpy(np.bool_),
        period_s,
        phase,
        min(max(spread, settings.least_uneven), settings.most_uneven),
        phrase.onset_units(phrase.stroke_count(passes) + 4 * settings.band_notes),
        _score_spans(strokes),
    )


def _spans(phrase: Phrase) -> tuple[FloatArray, FloatArray]:
    """The different times from stroke to stroke that a phrase has, in units, and how often each comes."""
    if phrase.is_even:
        return np.ones(1), np.ones(1)
    between = np.diff(phrase.onset_units(phrase.stroke_count(4)))
    spans, count = np.unique(np.round(between, 6), return_counts=True)
    return spans, count / count.sum()


def _score_spans(strokes: pd.DataFrame) -> FloatArray:
    """Compare each span with the median one; zeros where the table has no spans."""
    if "span_mm" not in strokes:
        return np.zeros(len(strokes))
    span = strokes["span_mm"].to_numpy(np.float64)
    off = span / np.median(span) - 1
    variance = max(1.4826 * float(np.median(np.abs(off))), 0.1) ** 2
    note = 0.9 * bell(off, variance) + 0.1 * bell(off, 9 * variance)
    return np.asarray(np.log(note + 1e-6) - np.log(0.5))


def _build_lattice(stretch: _Stretch, phrase: Phrase, timing: DrillTiming, settings: AlignmentSettings) -> Lattice:
    """Score every pair of stroke and note near the note that the clock expects."""
    count = len(stretch.times)
    due = None if timing.due_s is None else (timing.due_s - stretch.times[0]) / stretch.period_s[0]
    place = stretch.phase + (stretch.onset[0] if due is None else -due)
    expected = np.where(place < 0, np.round(place), np.searchsorted(stretch.onset, place - 0.5))
    # Slips of one kind carry the notes away from the clock.
    margin = settings.band_notes + count // 25
    # With no due time early strokes may be a count-in, so the band then reaches further back than ahead.
    behind = margin + (2 * settings.band_notes if due is None else 0)
    low = expected.astype(np.int64) - behind
    notes = low[:, None] + np.arange(margin + behind + 1)
    total = _total_notes(phrase, timing)
    # Each extra stroke: its rate per period, either direction, with an attack or without.
    skip = np.log(settings.p_extra * 0.5 * 0.5)
    after = np.arange(count)[::-1, None]
    end = np.broadcast_to(skip * after, notes.shape)
    if np.isfinite(total):
        end = end + np.log(settings.p_missed) * np.clip(total - 1 - notes, 0, settings.max_missed)
        # After the last note strokes are as likely as not.
        end = np.where(notes == total - 1, np.log(0.5 * 0.5) * after, end)
    match = _score_matches(stretch, notes, phrase, settings)
    match[np.broadcast_to(((notes < 0) | (notes >= total))[:, None], match.shape)] = -np.inf
    start = _score_starts(stretch, notes, timing, settings)[:, None]
    start = start + np.log([1 - settings.p_first_other, settings.p_first_other])[None, :, None]
    both = np.broadcast_to(end[:, None], match.shape)
    moves, cost = list_moves(settings)
    strokes = np.arange(count)[:, None]
    step = np.where(strokes - 1 - moves.extra < 0, -np.inf, cost + skip * moves.extra)
    clock = _clock(stretch, settings)
    if not phrase.is_even:
        return Lattice(low, match, start, both, moves, step, timing=clock)
    return Lattice(low, match, start, both, moves, step + clock.score(strokes, np.zeros_like(moves.notes), moves))


def _score_starts(stretch: _Stretch, notes: IntArray, timing: DrillTiming, settings: AlignmentSettings) -> FloatArray:
    """Score each pair as the first match: notes before it missed, strokes before it extra or a count-in."""
    skip = np.full(len(stretch.times), np.log(settings.p_extra * 0.5 * 0.5))
    if timing.due_s is not None:
        # Before the first note is due, strokes are as likely as not.
        skip[stretch.times < timing.due_s - 0.5 * stretch.period_s] = np.log(0.5 * 0.5)
    before = np.concatenate([[0.0], np.cumsum(skip)[:-1]])[:, None]
    start = before + np.log(settings.p_missed) * np.maximum(notes, 0)
    if timing.due_s is not None:
        begun_s = timing.due_s + _clock(stretch, settings).at(notes) * stretch.period_s[:, None]
        late = (stretch.times[:, None] - begun_s) / settings.start_sd_s
        start = start + np.log(np.exp(-0.5 * late**2) + settings.p_other_start)
    if timing.beat_s is not None and timing.beat_s > 1.5 * float(np.median(stretch.period_s)):
        # A played count-in: its strokes one beat apart, the last one a beat before note 0, which may itself be missed.
        for lost in range(3):
            beats = (np.diff(stretch.times) - stretch.onset[lost] * stretch.period_s[1:]) / timing.beat_s
            counted = np.diff(stretch.times) / timing.beat_s
            score = np.concatenate([[0.0], np.cumsum(_score_beats(counted, stretch, timing.beat_s, settings))[:-1]])
            score = np.log(settings.p_count_in) + score + _score_beats(beats, stretch, timing.beat_s, settings)
            count_in = np.concatenate([[-np.inf], score + lost * np.log(settings.p_missed)])
            start = np.where(notes == lost, np.maximum(start, count_in[:, None]), start)
    return np.asarray(start)


def _score_beats(beats: FloatArray, stretch: _Stretch, beat_s: float, settings: AlignmentSettings) -> FloatArray:
    """Score each interval, in beats, as one of a count-in."""
    density = 0.5 * bell(beats - 1, settings.count_in_sd**2) * stretch.period_s[1:] / beat_s
    return np.asarray(np.log(density + 1e-9))


def _score_matches(stretch: _Stretch, notes: IntArray, phrase: Phrase, settings: AlignmentSettings) -> FloatArray:
    """Score each stroke as each note, either way round, by its direction and its attack, (n, 2, width)."""
    right = (phrase.downstrokes(notes) == stretch.down[:, None])[:, None] ^ np.array([False, True])[None, :, None]
    share = min(max(float(stretch.attack.mean()), 0.5), 0.98)
    own = np.where(stretch.attack, np.log(share), np.log1p(-share)) + stretch.span_score + np.log1p(-settings.p_missed)
    score = np.where(right, np.log1p(-settings.p_wrong), np.log(settings.p_wrong)) + own[:, None, None]
    if stretch.heard is not None:
        score += np.take_along_axis(stretch.heard, phrase.place_at(notes), axis=1)[:, None]
    return np.asarray(score)


def _clock(stretch: _Stretch, settings: AlignmentSettings) -> Timing:
    """What the times between strokes say of their notes."""
    count = len(stretch.times)
    before = np.maximum(np.arange(count)[:, None] - 1 - np.arange(settings.max_extra + 1), 0)
    gap = stretch.phase[:, None] - stretch.phase[before]
    return Timing(gap, stretch.onset, stretch.sigma, settings.p_slip if stretch.heard is not None else 0.0, settings)


def _total_notes(phrase: Phrase, timing: DrillTiming) -> float:
    """Return how many notes there are at most."""
    if not phrase.loops:
        return phrase.stroke_count(1)
    return np.inf if timing.repeats is None else phrase.stroke_count(timing.repeats)
