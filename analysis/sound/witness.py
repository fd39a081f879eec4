"""Hear a session: from the sound and the strokes to counts, evenness and what each stroke's pitch is, block by block.

The sound never overrules motion by itself: it counts, it times, and for a phrase whose pitches are known it gives the
alignment of the drill a score more (:mod:`analysis.sound.emission`). Where a gate closes, there is no answer from
sound, with the reason, and everything that motion says stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.sound.click import hidden_click_db, learn_click, subtract_click
from analysis.sound.clock import Raps, find_clock, find_raps_heard
from analysis.sound.emission import EmissionSettings, note_emission, pitch_posterior
from analysis.sound.evenness import Evenness, measure_evenness
from analysis.sound.gates import GateSettings, click_obstacle, clock_obstacle, recording_obstacle
from analysis.sound.level import Level, measure_level
from analysis.sound.onsets import OnsetSettings, find_onsets, nearest_onset
from analysis.sound.pitches import (
    PitchSettings,
    Tuned,
    phrase_pitches,
    pitch_log_likelihood,
    read_tuning_fit,
    tuning_fit,
)
from analysis.sound.records import BoolArray, FloatArray, IntArray, Onsets, Sound, SoundClock
from analysis.sound.spectra import NoteSpectra, note_spectra

FEWEST_PITCHED = 16
"""Onsets that a block needs before its pitches are asked for."""


@dataclass(frozen=True)
class ListenSettings:
    """Settings of all stages."""

    onsets: OnsetSettings = field(default_factory=OnsetSettings)
    pitches: PitchSettings = field(default_factory=PitchSettings)
    emission: EmissionSettings = field(default_factory=EmissionSettings)
    gates: GateSettings = field(default_factory=GateSettings)


@dataclass(frozen=True)
class AskedBlock:
    """A block of play: its time in the log, seconds per beat, and the pitches of its phrase's notes, where known."""

    index: int
    start_s: float
    end_s: float
    beat_s: float | None = None
    midi: FloatArray | None = None


@dataclass(frozen=True)
class Felt:
    """What motion says.

    Attributes
    ----------
    contact_s : float64 (n,)
        Strokes, log time, ascending.
    block : int64 (n,)
        Index of the block of each, -1 for none.
    span_s : (float, float)
        Start and end of the log.
    raps : tuple of (float, float)
        First and last of three raps, log time.
    """

    contact_s: FloatArray
    block: IntArray
    span_s: tuple[float, float]
    raps: tuple[Raps, ...] = ()


@dataclass(frozen=True)
class HeardBlock:
    """What the sound says of one block.

    Attributes
    ----------
    index : int
    strokes, notes : int
        Strokes of the motion, onsets of the sound.
    unheard, unseen : int
        Strokes without an onset, onsets without a stroke.
    evenness, felt_evenness : Evenness or None
        From onsets, from strokes.
    emission : float64 (strokes, notes of the phrase) or None
        As in :mod:`analysis.sound.emission`; None for a phrase without pitches.
    pitch : float64 (strokes, pitches) or None
        Posterior of the phrase's own pitches, even odds.
    pitch_of_note : int64 (notes of the phrase,) or None
    onset_s : float64 (strokes,)
        Log time of each stroke's onset; NaN without one.
    unseen_s : float64 (unseen,)
        Log time of the onsets without a stroke.
    clicks : int
        Clicks taken away.
    slurred : int
        Onsets without a stroke that the phrase slurs; they are not among ``unseen``.
    """

    index: int
    strokes: int
    notes: int
    unheard: int
    unseen: int
    evenness: Evenness | None
    felt_evenness: Evenness | None
    emission: FloatArray | None
    pitch: FloatArray | None
    pitch_of_note: IntArray | None
    onset_s: FloatArray
    unseen_s: FloatArray
    clicks: int = 0
    slurred: int = 0


@dataclass(frozen=True)
class Heard:
    """What the sound says of a session; ``obstacle`` says why it says nothing, and is empty where it does.

    ``remarks`` are sentences about parts that could not be told, ``digest`` the hash of the sound's file.

    Attributes
    ----------
    obstacle : str
    level : Level
        How loud the sound is over its noise.
    onsets : Onsets
        Of the notes heard.
    clock : SoundClock or None
        The sound's clock against the log's; None where it was not found.
    tuned : Tuned or None
        The instrument's pitch; None where it was not found.
    blocks : tuple of HeardBlock
        One a block of play.
    remarks : tuple of str
    digest : str
    """

    obstacle: str
    level: Level
    onsets: Onsets
    clock: SoundClock | None = None
    tuned: Tuned | None = None
    blocks: tuple[HeardBlock, ...] = ()
    remarks: tuple[str, ...] = ()
    digest: str = ""

    @property
    def emissions(self) -> dict[int, FloatArray]:
        """By block, the emission of those whose pitches were told."""
        return {block.index: block.emission for block in self.blocks if block.emission is not None}

    def block(self, index: int) -> HeardBlock | None:
        """Return what was heard of a block, None where there is nothing.

        Parameters
        ----------
        index : int

        Returns
        -------
        HeardBlock or None
        """
        return next((block for block in self.blocks if block.index == index), None)


def listen(sound: Sound, felt: Felt, blocks: Sequence[AskedBlock], settings: ListenSettings | None = None) -> Heard:
    """Hear a session.

    Parameters
    ----------
    sound : Sound
    felt : Felt
    blocks : sequence of AskedBlock
    settings : ListenSettings, optional

    Returns
    -------
    Heard
    """
    return replace(_listen(sound, felt, blocks, settings or ListenSettings()), digest=sound.digest)


def _listen(sound: Sound, felt: Felt, blocks: Sequence[AskedBlock], settings: ListenSettings) -> Heard:
    limits = settings.gates
    onsets = find_onsets(sound.samples, sound.rate_hz, settings.onsets)
    level = measure_level(sound, onsets.time_s)
    silent = Heard(recording_obstacle(sound, level, onsets.time_s.size, limits), level, onsets)
    if silent.obstacle:
        return silent
    clock = _lay_over(sound, onsets, felt)
    # A click counts as an onset and hides none, so that the clocks can be laid over each other before it goes.
    cleared, clicks, obstacle = _clear_clicks(sound, onsets, clock, blocks, limits)
    if cleared is not sound:
        onsets = find_onsets(cleared.samples, sound.rate_hz, settings.onsets)
        level = measure_level(cleared, onsets.time_s)
        clock = _lay_over(sound, onsets, felt)
    obstacle = obstacle or clock_obstacle(clock, limits)
    if obstacle or clock is None:
        return Heard(obstacle, level, onsets, clock)
    return _hear_blocks(
        cleared, Heard("", level, onsets, clock), _lay_strokes(felt, onsets, clock), blocks, clicks, settings
    )


def _lay_over(sound: Sound, onsets: Onsets, felt: Felt) -> SoundClock | None:
    raps = (find_raps_heard(onsets), felt.raps)
    return find_clock(onsets.time_s, felt.contact_s, felt.span_s, sound.duration_s, raps)


def _clear_clicks(
    sound: Sound, onsets: Onsets, clock: SoundClock | None, blocks: Sequence[AskedBlock], limits: GateSettings
) -> tuple[Sound, dict[int, int], str]:
    """Take the click out of every block with a tempo; how many in each, and what stands in the way."""
    if clock is None:
        return sound, {}, ""
    samples, counts, gains, hidden = sound.samples, {}, [], []
    for block in blocks:
        if block.beat_s is None:
            continue
        start, stop = clock.to_sound(np.array([block.start_s, block.end_s])).tolist()
        beat_s = block.beat_s * (1.0 + clock.drift)
        click = learn_click(sound.samples, sound.rate_hz, onsets, (start, beat_s))
        if click is None:
            hidden.append((start, stop, beat_s))
            continue
        samples, times, gain = subtract_click(samples, sound.rate_hz, click, (start, stop, beat_s))
        counts[block.index] = times.size
        played = gain[click.time_s.size :]
        # Notes over a click, and distortion of both together, make single fits too small: the better ones count.
        gains += [float(np.quantile(played, 0.75))] if played.size > 4 else []
    hidden_db = hidden_click_db(sound.samples, sound.rate_hz, hidden)
    cleared = sound if samples is sound.samples else replace(sound, samples=samples)
    return cleared, counts, click_obstacle(hidden_db, gains, limits)


@dataclass(frozen=True)
class _Strokes:
    """The session's strokes laid over its sound: contacts (n,) in sound time, the onset of each, -1 for none."""

    felt: Felt
    clock: SoundClock
    onset_s: FloatArray
    contact_s: FloatArray
    match: IntArray


def _lay_strokes(felt: Felt, onsets: Onsets, clock: SoundClock) -> _Strokes:
    contact_s = clock.to_sound(felt.contact_s)
    return _Strokes(felt, clock, onsets.time_s, contact_s, nearest_onset(onsets.time_s, contact_s, 0.025))


def _hear_blocks(
    sound: Sound,
    heard: Heard,
    strokes: _Strokes,
    blocks: Sequence[AskedBlock],
    clicks: dict[int, int],
    settings: ListenSettings,
) -> Heard:
    parts = [_block_moments(block, strokes) for block in blocks]
    tuned, spectra, remarks = _tune(sound, parts, settings)
    found = []
    for part in parts:
        pitch = None
        if tuned is not None and part.block.index in spectra:
            pitch = _hear_pitches(spectra[part.block.index], part, tuned, settings)
        found.append(_describe(part, strokes.clock, pitch, clicks.get(part.block.index, 0)))
    return replace(heard, tuned=tuned, blocks=tuple(found), remarks=remarks)


@dataclass(frozen=True)
class _Part:
    """Strokes and onsets of one block, sound time; a stroke's moment is its onset, or its own where there is none."""

    block: AskedBlock
    contact_s: FloatArray
    moment_s: FloatArray
    until_s: FloatArray
    has_onset: BoolArray
    onset_s: FloatArray


def _block_moments(block: AskedBlock, strokes: _Strokes) -> _Part:
    onset_s, sound_s = strokes.onset_s, strokes.contact_s
    rows = np.flatnonzero(strokes.felt.block == block.index)
    start, stop = strokes.clock.to_sound(np.array([block.start_s, block.end_s]))
    inside = (onset_s >= start - 0.1) & (onset_s < stop + 0.1)
    # A count-in and the noises of a hand that comes and goes are no notes.
    if rows.size:
        margin = 0.6 * float(np.median(np.diff(sound_s[rows]))) if rows.size > 1 else 0.1
        inside &= (onset_s > sound_s[rows[0]] - margin) & (onset_s < sound_s[rows[-1]] + margin)
    own = strokes.match[rows]
    moment = np.where(own >= 0, onset_s[np.maximum(own, 0)], sound_s[rows])
    following = np.searchsorted(onset_s, moment + 0.02)
    until = np.append(onset_s, np.inf)[following]
    return _Part(block, strokes.felt.contact_s[rows], moment, until, own >= 0, onset_s[inside])


def _tune(
    sound: Sound, parts: Sequence[_Part], settings: ListenSettings
) -> tuple[Tuned | None, dict[int, NoteSpectra], tuple[str, ...]]:
    """Find tuning and capo over all blocks whose phrase has pitches."""
    spectra: dict[int, NoteSpectra] = {}
    fits, weights = [], []
    for part in parts:
        midi = part.block.midi
        if midi is None or np.unique(midi).size < 2 or np.count_nonzero(part.has_onset) < FEWEST_PITCHED:
            continue
        own = note_spectra(sound.samples, sound.rate_hz, part.moment_s, part.until_s)
        spectra[part.block.index] = own
        pitches, _, share = phrase_pitches(midi)
        fits.append(tuning_fit(own, pitches, share, settings.pitches))
        weights.append(len(own.after))
    if not fits:
        return None, {}, ()
    tuned = read_tuning_fit(np.average(fits, axis=0, weights=weights), settings.pitches)
    if tuned.rival > settings.gates.most_tuning_rival:
        said = (
            "The pitches cannot be told: two tunings fit about as well. Damp the strings that you do not play, or "
            "check the tuning that was given; notes are counted and timed all the same."
        )
        return None, {}, (said,)
    return tuned, spectra, ()


@dataclass(frozen=True)
class _Pitches:
    """What a block's notes sounded like: emission, posterior of the pitches, and which pitch each note has."""

    emission: FloatArray
    posterior: FloatArray
    of_note: IntArray


def _hear_pitches(spectra: NoteSpectra, part: _Part, tuned: Tuned, settings: ListenSettings) -> _Pitches | None:
    if part.block.midi is None:
        return None
    pitches, pitch_of_note, _ = phrase_pitches(part.block.midi)
    score = pitch_log_likelihood(spectra, pitches, tuned.total_cents, settings.pitches)
    emission = note_emission(score, part.has_onset, pitch_of_note, settings.emission)
    return _Pitches(emission, pitch_posterior(score, settings.emission.p_wrong_pitch), pitch_of_note)


def _describe(part: _Part, clock: SoundClock, pitches: _Pitches | None, clicks: int) -> HeardBlock:
    heard = int(np.count_nonzero(part.has_onset))
    unseen_s = clock.to_log(np.setdiff1d(part.onset_s, part.moment_s[part.has_onset]))
    return HeardBlock(
        index=part.block.index,
        strokes=part.contact_s.size,
        notes=part.onset_s.size,
        unheard=part.contact_s.size - heard,
        unseen=unseen_s.size,
        evenness=measure_evenness(part.onset_s),
        felt_evenness=measure_evenness(part.contact_s),
        emission=None if pitches is None else pitches.emission,
        pitch=None if pitches is None else pitches.posterior,
        pitch_of_note=None if pitches is None else pitches.of_note,
        onset_s=np.where(part.has_onset, clock.to_log(part.moment_s), np.nan),
        unseen_s=unseen_s,
        clicks=clicks,
    )
