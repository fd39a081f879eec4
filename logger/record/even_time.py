"""Device time on another clock that never steps back, while the fit between the two keeps getting better."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from analysis.model.records import FloatArray
from logger.sources.clock import ClockFit, DeviceClock

FIT_AGE_S = 1.0
"""A fit takes milliseconds, so it is made anew this often only."""
SLEW = 0.05
"""A better fit is followed by so much of the time that passes."""
JUMP_S = 0.5
"""From this on the clock itself has jumped, and is followed at once."""
LEAST_STEP_S = 1e-6


class EvenTime:
    """Turn device seconds into host seconds, for any thread.

    Parameters
    ----------
    clock : DeviceClock
    monotonic_s : callable
        Tells when the fit is too old.
    """

    def __init__(self, clock: DeviceClock, monotonic_s: Callable[[], float]) -> None:
        self._clock = clock
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._fit: ClockFit | None = None
        self._fitted_s = 0.0
        self._slack_s = 0.0
        self._slack_from_s = 0.0
        self._last_s = -np.inf

    def place(self, device_s: float) -> float | None:
        """Host time of one moment; None before the first sample.

        Parameters
        ----------
        device_s : float

        Returns
        -------
        float or None
        """
        with self._lock:
            fit = self._renew(device_s)
            return None if fit is None else float(self._host_s(fit, np.array([device_s]))[0])

    def place_next(self, device_s: FloatArray) -> FloatArray | None:
        """Host times of samples in order, each after all before it; None before the first sample.

        Parameters
        ----------
        device_s : float64 (n,)

        Returns
        -------
        float64 (n,) or None
        """
        with self._lock:
            fit = self._renew(float(device_s[0]))
            if fit is None:
                return None
            host_s = self._host_s(fit, device_s)
            steps = LEAST_STEP_S * np.arange(1, len(host_s) + 1)
            # Only after a jump does this change anything.
            host_s = np.maximum.accumulate(np.maximum(host_s, self._last_s + steps))
            self._last_s = float(host_s[-1])
            return host_s

    def _renew(self, device_s: float) -> ClockFit | None:
        """The fit, made anew if it is old; the difference that this makes is kept and worked off later."""
        before, now_s = self._fit, self._monotonic_s()
        if before is not None and now_s - self._fitted_s < FIT_AGE_S:
            return before
        fit = self._clock.fit()
        if fit is None:
            return before
        if before is not None:
            slack_s = float(self._host_s(before, np.array([device_s]))[0]) - fit.host_s(device_s)
            self._slack_s = slack_s if abs(slack_s) < JUMP_S else 0.0
            self._slack_from_s = device_s
        self._fit, self._fitted_s = fit, now_s
        return fit

    def _host_s(self, fit: ClockFit, device_s: FloatArray) -> FloatArray:
        left = np.maximum(abs(self._slack_s) - SLEW * np.maximum(device_s - self._slack_from_s, 0.0), 0.0)
        return fit.host0_s + (device_s - fit.device0_s) * fit.rate + np.copysign(left, self._slack_s)
