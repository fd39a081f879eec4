"""The gain of each accelerometer axis, from the pivots alone.

The test of one sensor against the other follows where gravity goes as the gyroscope turns; an axis that gravity hardly
touches escapes it. In a pivot the tip stands: equation (1) of :mod:`analysis.reference.lever`, solved with a free scale
of each accelerometer axis, tells it to a percent, because rocking by 15 deg moves a quarter of gravity into every axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.model.doubts import Doubt
from analysis.model.records import FloatArray
from analysis.reference.lever import LeverPrior, LeverSettings, PivotWindow, fit_levers
from analysis.signal.sensor_errors import ACCEL_MATRIX

FREE_SD = 0.3
"""Standard deviation of each axis's scale before the pivots are asked."""
WRONG_SHARE = 0.12
"""No part is off by so much; what gestures of a sloppy hand left in it was below 0.06 in simulated sessions."""
SURE_SD = 8.0


def accel_gains(
    windows: Sequence[PivotWindow],
    stills_mps2: Sequence[FloatArray],
    rate_hz: float,
    lever_priors: Sequence[LeverPrior],
    settings: LeverSettings,
) -> tuple[float, ...]:
    """What each accelerometer axis reads, as a multiple of what it feels.

    Parameters
    ----------
    windows, stills_mps2, rate_hz, lever_priors, settings
        As for :func:`analysis.reference.lever.fit_levers`.

    Returns
    -------
    tuple of float
        Of x, y, z: 1 where the pivots agree with the scale, or cannot tell. Empty without pivots.
    """
    if not windows:
        return ()
    free = replace(settings, accel_scale_sd=FREE_SD)
    fit = fit_levers(windows, stills_mps2, rate_hz, lever_priors, free)
    share = np.diag(fit.errors.accel_matrix)
    sd = np.diag(fit.covariance.sd[ACCEL_MATRIX].reshape(3, 3))
    wrong = (np.abs(share) > WRONG_SHARE) & (np.abs(share) > SURE_SD * sd)
    return tuple(np.where(wrong, 1.0 / np.maximum(1.0 - share, 0.05), 1.0).tolist())


def doubt_gains(gains: Sequence[float]) -> tuple[Doubt, ...]:
    """A doubt on the whole session where an axis's scale is wrong.

    Parameters
    ----------
    gains : sequence of float
        As :func:`accel_gains` gives them.

    Returns
    -------
    tuple of Doubt
        One, of all wrong axes; none where the scale is right.
    """
    wrong = [(name, gain) for name, gain in zip("xyz", gains, strict=False) if gain != 1.0]
    if not wrong:
        return ()
    axes = ", ".join(f"{name} axis reads {gain:.2f} times what it feels" for name, gain in wrong)
    evidence = "only so do both sensors agree that the tip stood on its spot in pivot"
    change = "correct the scale of that axis in the device profile or in MAP.toml, or run strokeplane calibrate"
    return (Doubt("sensor axes", "open", f"the accelerometer's {axes}", evidence, change),)
