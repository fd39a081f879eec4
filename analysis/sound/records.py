"""What passes between the stages of the sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
SoundArray = NDArray[np.float32]


@dataclass(frozen=True)
class Sound:
    """One channel of sound at its working rate.

    Attributes
    ----------
    samples : float32 (n,)
        Full scale at 1.
    rate_hz : float
        8 to 32 kHz.
    clipped_share : float
        Share of the file's samples that lie at its own largest value, measured before anything was changed.
    digest : str
        SHA-256 of the file; empty where there is none.
    name : str
        What to call it in sentences.
    remarks : tuple of str
        Sentences about damage met while reading.
    """

    samples: SoundArray
    rate_hz: float
    clipped_share: float = 0.0
    digest: str = ""
    name: str = "the sound"
    remarks: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples.size / self.rate_hz


@dataclass(frozen=True)
class Onsets:
    """Notes begin here.

    Attributes
    ----------
    time_s : float64 (k,)
        Sound time, ascending.
    strength : float64 (k,)
        Rise of the spectrum over the noise, mean over the bands, in nepers.
    """

    time_s: FloatArray
    strength: FloatArray

    def select(self, rows: NDArray[np.integer] | BoolArray) -> Onsets:
        """Return some of them."""
        return Onsets(self.time_s[rows], self.strength[rows])


@dataclass(frozen=True)
class SoundClock:
    """Sound time of a log time: ``offset_s + (1 + drift) log_s``.

    Attributes
    ----------
    offset_s, drift : float
    by : str
        ``raps`` or ``onsets``: what it was found by.
    matched_share : float
        Share of the motion's strokes in the common time that have an onset within 25 ms.
    rival : float
        How good the best other offset is, against this one.
    common_s : float
        Time that both cover.
    """

    offset_s: float
    drift: float
    by: str
    matched_share: float
    rival: float
    common_s: float

    def to_sound(self, log_s: FloatArray) -> FloatArray:
        """Return the sound times of log times."""
        return np.asarray(self.offset_s + (1.0 + self.drift) * np.asarray(log_s, dtype=np.float64))

    def to_log(self, sound_s: FloatArray) -> FloatArray:
        """Return the log times of sound times."""
        return np.asarray((np.asarray(sound_s, dtype=np.float64) - self.offset_s) / (1.0 + self.drift))
