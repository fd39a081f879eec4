"""What the sound says of every stroke, as one array that any alignment can add to its own scores.

Row ``i`` belongs to stroke ``i``, column ``j`` to note ``j`` of the phrase. An entry is the log of how much likelier
the sound at that stroke is if it plays that note than if the stroke is extra and plays none:

- pitch: the posterior of the note's pitch among the phrase's own, against one chance in as many; now and then a finger
  slips and the pitch says nothing (``p_wrong_pitch``). Notes of one pitch on two strings share it: only the phrase's
  order tells them apart;
- onset: a note has one nearly always, an extra stroke seldom.

Where no onset lies at a stroke the pitch at its moment is only half believed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.sound.records import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class EmissionSettings:
    """Probabilities of the emission.

    Attributes
    ----------
    p_wrong_pitch : float
        Share of notes whose pitch says nothing.
    p_onset_note, p_onset_extra : float
        How often a note, and an extra stroke, comes with an onset.
    without_onset : float
        How much of the pitch's score counts where there is no onset.
    """

    p_wrong_pitch: float = 0.006
    p_onset_note: float = 0.96
    p_onset_extra: float = 0.3
    without_onset: float = 0.5


def note_emission(
    pitch_score: FloatArray, has_onset: BoolArray, pitch_of_note: IntArray, settings: EmissionSettings | None = None
) -> FloatArray:
    """Turn scores of pitches into scores of notes.

    Parameters
    ----------
    pitch_score : float64 (n, pitches)
        Log likelihood of every pitch at every stroke, up to a constant a row.
    has_onset : bool (n,)
    pitch_of_note : int64 (notes,)
        Column of ``pitch_score`` for each note of the phrase.
    settings : EmissionSettings, optional

    Returns
    -------
    float64 (n, notes)
        Log likelihood ratios against an extra stroke.

    Examples
    --------
    >>> sure = np.array([[0.0, -20.0]])
    >>> note_emission(sure, np.array([True]), np.array([0, 1, 0])).round(1).tolist()
    [[1.9, -4.0, 1.9]]
    """
    settings = settings or EmissionSettings()
    believed: FloatArray = np.where(has_onset, 1.0, settings.without_onset)
    posterior = pitch_posterior(believed[:, None] * pitch_score, settings.p_wrong_pitch)
    pitch = np.log(posterior * pitch_score.shape[1])
    note, extra = settings.p_onset_note, settings.p_onset_extra
    onset: FloatArray = np.log(np.where(has_onset, note / extra, (1 - note) / (1 - extra)))
    return np.asarray(pitch[:, pitch_of_note] + onset[:, None])


def pitch_posterior(pitch_score: FloatArray, p_wrong: float) -> FloatArray:
    """Posterior of every pitch under even odds, (n, pitches), with a share of notes that say nothing."""
    weight = np.exp(pitch_score - pitch_score.max(axis=1, keepdims=True))
    posterior = weight / weight.sum(axis=1, keepdims=True)
    return np.asarray((1 - p_wrong) * posterior + p_wrong / pitch_score.shape[1])
