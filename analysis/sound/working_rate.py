"""From a recorder's rate to the working rate, piece by piece, so that an hour of sound need not be held twice.

A whole factor only: 44.1 kHz becomes 22.05, 48 becomes 16, 192 becomes 16 kHz; 8 to 31 kHz stay as they are. Plucked
strings have little above 8 kHz that would say which note it is.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from analysis.sound.records import SoundArray

WORKING_HZ = 16_000
LOWEST_HZ, HIGHEST_HZ = 8_000, 192_000


def working_factor(rate_hz: float) -> int:
    """By how much a rate is divided.

    Parameters
    ----------
    rate_hz : float
        Of the recording.

    Returns
    -------
    int
        At least 1.

    Examples
    --------
    >>> [working_factor(rate) for rate in (8000, 16000, 44100, 48000, 96000, 192000)]
    [1, 1, 2, 3, 6, 12]
    """
    return max(1, int(rate_hz // WORKING_HZ))


class Decimator:
    """Low-pass and every ``factor``-th sample, over any pieces; the same as in one piece.

    The filter's delay is taken out: sample ``k`` of what comes out is at the time of sample ``k factor`` of what goes
    in.

    Parameters
    ----------
    factor : int
        At least 1, as :func:`working_factor` gives it.
    """

    def __init__(self, factor: int) -> None:
        self.factor = factor
        half = 16 * factor
        self._taps = (
            np.ones(1, np.float32)
            if factor == 1
            else signal.firwin(2 * half + 1, 0.9 / factor, window=("kaiser", 7.0)).astype(np.float32)
        )
        self._delay = half if factor > 1 else 0
        self._kept = np.zeros(self._delay, np.float32)

    def push(self, samples: SoundArray) -> SoundArray:
        """Take the next piece, return what it completes.

        Parameters
        ----------
        samples : float32 (n,)

        Returns
        -------
        float32 (k,)
        """
        if self.factor == 1:
            return samples
        joined = np.concatenate([self._kept, samples])
        count = (joined.size - 2 * self._delay + self.factor - 1) // self.factor
        if count <= 0:
            self._kept = joined
            return np.empty(0, np.float32)
        needed = joined[: (count - 1) * self.factor + 2 * self._delay + 1]
        out = signal.upfirdn(self._taps, needed, 1, self.factor)
        # The first full overlap is at twice the delay.
        first = 2 * self._delay // self.factor
        self._kept = joined[count * self.factor :]
        return np.asarray(out[first : first + count], dtype=np.float32)

    def finish(self) -> SoundArray:
        """Return the samples that the filter still holds.

        Returns
        -------
        float32 (k,)
        """
        return self.push(np.zeros(self._delay, np.float32)) if self.factor > 1 else np.empty(0, np.float32)
