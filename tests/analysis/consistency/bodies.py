"""A rigid body that turns about a fixed point, in closed form, and faults made in a log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.consistency.stream_map import Windows, cut_windows
from analysis.model.records import FloatArray, Session

GRAVITY = np.array([0.0, 0.0, 9.80665])


def turning_body(
    rate_hz: float = 100.0, seconds: float = 26.0, lever_m: tuple[float, float, float] = (0.05, -0.04, 0.05)
) -> tuple[FloatArray, FloatArray]:
    """Specific force and rate of a sensor on a body that rocks about one fixed point, about all axes.

    Three rotations about fixed axes, one inside the other, each by a sine (0.6, 0.47 and 1.7 Hz, 15 deg): the rate of
    the product is the sum of the turned rates, and the acceleration of a point at ``-r`` is ``alpha x p + w x (w x p)``
    (Goldstein, Poole and Safko, Classical Mechanics, 3rd ed., sections 4.9 and 5.1).
    """
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    attitude, rate, change = _rocking(t)
    p = -np.asarray(lever_m)
    force = attitude.inv().apply(np.tile(GRAVITY, (t.size, 1)))
    force = force + np.cross(change, p) + np.cross(rate, np.cross(rate, p))
    return force, rate


def _rocking(t: FloatArray) -> tuple[Rotation, FloatArray, FloatArray]:
    """Attitude, body rate and body angular acceleration."""
    size = np.radians(15.0)
    parts = []
    for axis, frequency in ((0, 0.6), (1, 0.47), (2, 1.7)):
        w = 2 * np.pi * frequency
        unit = np.eye(3)[axis]
        angle, speed, growth = size * np.sin(w * t), size * w * np.cos(w * t), -size * w**2 * np.sin(w * t)
        parts.append((Rotation.from_rotvec(angle[:, None] * unit), speed[:, None] * unit, growth[:, None] * unit))
    (a, wa, ca), (b, wb, cb), (c, wc, cc) = parts
    # Body axes: w = wc + C^T (wb + B^T wa), and d(C^T v)/dt = C^T v' - wc x (C^T v).
    inner = wb + b.inv().apply(wa)
    inner_change = cb + b.inv().apply(ca) - np.cross(wb, b.inv().apply(wa))
    turned = c.inv().apply(inner)
    rate = wc + turned
    change = cc + c.inv().apply(inner_change) - np.cross(wc, turned)
    return a * b * c, rate, change


def windows_of(force: FloatArray, rate: FloatArray, rate_hz: float = 100.0) -> Windows:
    """Windows of a body's signals without gaps."""
    return cut_windows(force, rate, np.ones(len(force), dtype=bool), rate_hz)


def counts_changed(session: Session, change: Callable[[FloatArray], FloatArray]) -> Session:
    """The session with its counts (n, 6) changed."""
    counts = np.rint(change(session.raw.counts.astype(np.float64))).astype(np.int32)
    return replace(session, raw=replace(session.raw, counts=counts))


def flip(column: int) -> Callable[[FloatArray], FloatArray]:
    """One column's sign turned."""
    return lambda counts: counts * np.where(np.arange(6) == column, -1.0, 1.0)


def reorder(order: tuple[int, ...]) -> Callable[[FloatArray], FloatArray]:
    """Columns in another order."""
    return lambda counts: counts[:, list(order)]


def scale_gyro(factor: float) -> Callable[[FloatArray], FloatArray]:
    """The gyroscope's counts times a factor."""
    return lambda counts: counts * np.repeat([1.0, factor], 3)


def late_gyro(samples: int) -> Callable[[FloatArray], FloatArray]:
    """The gyroscope's samples so many later."""
    return lambda counts: np.hstack([counts[:, :3], np.roll(counts[:, 3:], samples, axis=0)])
