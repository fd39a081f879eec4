"""How loud the play is above the noise, and whether the recorder moved its gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.sound.records import BoolArray, FloatArray, Sound

FRAME_S = 0.05
SILENT_DB = -80.0
Interval = tuple[float, float]


@dataclass(frozen=True)
class Level:
    """Levels of one take.

    Attributes
    ----------
    play_db, noise_db : float
        RMS against full scale: while notes sound, and in the quietest fifth of the pauses.
    pause_rise_db : float or None
        By how much the noise rises from the first to the last second of the pauses, median; None without pauses.
    """

    play_db: float
    noise_db: float
    pause_rise_db: float | None

    @property
    def snr_db(self) -> float:
        """Play above noise."""
        return self.play_db - self.noise_db


def frame_levels_db(sound: Sound, frame_s: float = FRAME_S) -> FloatArray:
    """Level of every frame in dB against full scale, (frames,)."""
    size = max(1, round(frame_s * sound.rate_hz))
    count = sound.samples.size // size
    framed = sound.samples[: count * size].reshape(count, size)
    return np.asarray(10.0 * np.log10(np.einsum("ij,ij->i", framed, framed, dtype=np.float64) / size + 1e-14))


def measure_level(sound: Sound, onset_s: FloatArray, least_pause_s: float = 2.5) -> Level:
    """Measure the level of play and noise.

    Parameters
    ----------
    sound : Sound
    onset_s : float64 (k,)
        Where notes begin; between two that are more than ``least_pause_s`` apart lies a pause.
    least_pause_s : float

    Returns
    -------
    Level
    """
    level = frame_levels_db(sound)
    at = np.asarray((np.arange(level.size) + 0.5) * FRAME_S, dtype=np.float64)
    playing = _near(at, onset_s, 0.4)
    play_db = _mean_db(level[playing]) if playing.any() else -np.inf
    pauses = _pauses(onset_s, sound.duration_s, least_pause_s)
    resting = np.zeros(at.size, dtype=np.bool_)
    for start, stop in pauses:
        # A note may ring on for a second.
        resting |= (at > start + 1.0) & (at < stop - 0.1)
    alive = level > -130.0
    quiet = level[resting & alive] if np.count_nonzero(resting & alive) >= 20 else level[alive]
    noise_db = float(np.quantile(quiet, 0.2)) if quiet.size else -140.0
    return Level(float(play_db), noise_db, _pause_rise(level, at, pauses))


def _near(at: FloatArray, onset_s: FloatArray, within_s: float) -> BoolArray:
    """Frames that begin within some time after an onset."""
    before = np.searchsorted(onset_s, at, side="right") - 1
    return np.asarray((before >= 0) & (at - onset_s[np.maximum(before, 0)] < within_s)) if onset_s.size else at < 0


def _mean_db(level_db: FloatArray) -> float:
    return float(10.0 * np.log10(np.mean(10.0 ** (level_db / 10.0))))


def _pauses(onset_s: FloatArray, duration_s: float, least_s: float) -> Sequence[Interval]:
    edges = np.concatenate([[-1.0], onset_s, [duration_s]])
    gap = np.diff(edges)
    return [(float(edges[k]), float(edges[k + 1])) for k in np.flatnonzero(gap >= least_s)]


def _pause_rise(level: FloatArray, at: FloatArray, pauses: Sequence[Interval]) -> float | None:
    """A fixed gain leaves the noise of a pause where it is, or lets it fall with what still rings."""
    rises = []
    for start, stop in pauses:
        if start < 0.0:  # Nothing was played before: no gain to come back from.
            continue
        early = level[(at > start + 0.7) & (at < start + 1.3)]
        late = level[(at > stop - 0.7) & (at < stop - 0.1)]
        if early.size >= 5 and late.size >= 5:
            rises.append(float(np.median(late) - np.median(early)))
    return float(np.median(rises)) if rises else None
