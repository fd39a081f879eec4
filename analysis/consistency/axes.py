"""What the map between the two streams says is wrong with the axes, and what to change about it.

A specific force whose columns went through a signed permutation ``P`` and a rate that went through none belong
together by ``M = det(P) P``: always a proper rotation. So an improper ``M`` can only come from the gyroscope, a proper
one from either, and the overall sign of the accelerometer (``P = -1``, ``M = 1``) cannot be seen: it mirrors the whole
world in a vertical plane, which no tilt feels.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product

import numpy as np

from analysis.consistency.stream_map import StreamMap, Windows, fit_map, misfit_of
from analysis.model.records import FloatArray

NAMES = ("x", "y", "z")
SIGNIFICANT = 6.0
"""Standard errors from which on an entry of the map is wrong: below 1e-8 for each by chance."""
TESTED_SE = 0.15
"""An axis is tested where its column is known to this: an exchanged or flipped one is off by 1 or 2."""
LATE_S = 8e-3
"""And at least one sample: a sensor of 50 samples/s may well read its two parts half a sample apart."""
DELAYS_S = (0.0, -0.04, 0.04, -0.08, 0.08, -0.12, 0.12, -0.18, 0.18, -0.24, 0.24)
"""Where the search for a delay begins: rocking at 1.7 Hz pulls from half of that away."""
SEARCHED_WINDOWS = 6
LEAST_WINDOWS = 2
SCALES = (1.0, 0.5, 2.0, float(np.radians(1.0)), float(1 / np.radians(1.0)))
NEAR = 0.3
RIVAL_MARGIN = 1.5
"""A wrong unit, or a deaf gyroscope, must lower the variance by a factor of 4.5 before it is looked into."""
MANY, SHARP_SE = 6, 0.08
"""What is no plain fault of columns and scales takes this many stretches, and a map known so well, to be believed."""
CLEARLY = 0.3
"""Exchanged axes are named where they lower the variance by a factor of 1.35 against the best fit near the identity."""
DEAF_MARGIN = 0.05
"""Windows are explained where the gyroscope lowers their misfit by at least this in log SD against a deaf one."""


@dataclass(frozen=True)
class Agreement:
    """How the two streams of a sensor agree.

    Attributes
    ----------
    windows : int
        Stretches of six seconds that turned enough to be looked at.
    tested : tuple of str
        Axes of the gyroscope that were turned enough: a wrong one would have been found.
    map : StreamMap or None
        None without such stretches.
    delay_s : float
        By which the gyroscope is to be read later; 0 where the estimate may be chance.
    fault, evidence, change : str
        Clauses as in :class:`analysis.model.doubts.Doubt`; empty where the streams agree.
    """

    windows: int
    tested: tuple[str, ...]
    map: StreamMap | None
    delay_s: float = 0.0
    fault: str = ""
    evidence: str = ""
    change: str = ""


def compare_streams(windows: Windows) -> Agreement:
    """Say whether gyroscope and accelerometer tell of the same motion; if not, how they are related.

    Parameters
    ----------
    windows : Windows
    """
    if len(windows) < LEAST_WINDOWS:
        return Agreement(len(windows), (), None)
    few = windows.first(SEARCHED_WINDOWS)
    delay = min(DELAYS_S, key=lambda late: misfit_of(few, np.eye(3), late))
    found = fit_map(windows, np.eye(3), delay)
    here, rivals = misfit_of(few, np.eye(3), found.delay_s, found.bias_radps), [misfit_of(few, np.zeros((3, 3)))]
    rivals += [misfit_of(few, scale * np.eye(3)) for scale in SCALES[1:]]
    far = RIVAL_MARGIN * 3 * few.size * len(few)
    if np.abs(found.matrix - np.eye(3)).max() < NEAR and not _is_off(found) and here < min(rivals) + far:
        least_s = max(LATE_S, windows.sample_s, SIGNIFICANT * found.delay_se_s)
        late = found.delay_s if abs(found.delay_s) > least_s else 0.0
        return Agreement(len(windows), _tested(found), found, late)
    best = _search(windows, found)
    if not _is_off(best):
        return Agreement(len(windows), (), best)
    deaf = misfit_of(windows, np.zeros((3, 3)))
    freedom = 3 * windows.size * len(windows)
    unrelated = best.misfit > deaf - DEAF_MARGIN * freedom
    if (unrelated or not _is_plain(best.matrix)) and (len(windows) < MANY or best.matrix_se.max() > SHARP_SE):
        # A whole arm that swings turns and moves in step, which looks like a map that is nothing in particular.
        return Agreement(len(windows), (), best)
    if unrelated:
        return Agreement(len(windows), (), best, 0.0, *_unrelated(windows))
    return Agreement(len(windows), _tested(best), best, 0.0, *_name(best))


def signed_permutations() -> list[FloatArray]:
    """All 48 ways to exchange and flip three axes."""
    return [
        np.eye(3)[list(order)] * np.array(signs)[:, None]
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
    ]


def _search(windows: Windows, found: StreamMap) -> StreamMap:
    """The best of the fits from the identity and from the likeliest exchanged, flipped or scaled axes."""
    few = windows.first(SEARCHED_WINDOWS)
    guesses = signed_permutations() + [scale * np.eye(3) for scale in SCALES[1:]]
    likeliest = guesses[int(np.argmin([misfit_of(few, guess) for guess in guesses]))]
    other = fit_map(windows, likeliest)
    clearly = CLEARLY * 3 * windows.size * len(windows)
    return other if other.misfit < found.misfit - clearly else found


def _is_off(found: StreamMap) -> bool:
    """Whether a map is not the identity, beyond chance."""
    return bool((np.abs(found.matrix - np.eye(3)) / found.matrix_se).max() > SIGNIFICANT)


def _is_plain(matrix: FloatArray) -> bool:
    """Whether axes are exchanged, flipped, scaled or turned as a whole: a rotation or mirror times one scale."""
    sizes = np.linalg.svd(matrix, compute_uv=False)
    return bool(sizes[0] < 1.5 * sizes[-1])


def _tested(found: StreamMap) -> tuple[str, ...]:
    """Axes whose column is known; relative to the column's size, so that a wrong unit hides nothing."""
    size = np.maximum(np.linalg.norm(found.matrix, axis=0), 1.0)
    return tuple(name for name, se, s in zip(NAMES, found.matrix_se.T, size, strict=True) if se.max() < TESTED_SE * s)


def _name(found: StreamMap) -> tuple[str, str, str]:
    """Fault, evidence and change of a map that is not the identity."""
    matrix = found.matrix
    scale = float(np.sqrt((matrix**2).sum() / 3))
    nearest = max(signed_permutations(), key=lambda guess: float((guess * matrix).sum()))
    evidence = (
        f"in {found.windows} stretches of motion gravity turns against the gyroscope's axes as by the matrix "
        f"{_matrix_words(matrix)} instead of 1, 0, 0; 0, 1, 0; 0, 0, 1 (give or take {found.matrix_se.max():.2f})"
    )
    if np.abs(matrix / scale - nearest).max() > NEAR:
        fault, change = _odd(matrix)
        return fault, evidence, change
    if np.array_equal(nearest, np.eye(3)):
        return _scaled(found, scale, evidence)
    fault, change = _exchanged(nearest)
    if not 0.8 < scale < 1.25:
        fault += f", and the gyroscope's scale is off by a factor of {1 / scale:.3g}"
        change += f"; and divide the gyroscope's values by {1 / scale:.3g}"
    return fault, evidence, change


def _exchanged(nearest: FloatArray) -> tuple[str, str]:
    """The fewest changed columns that explain a signed permutation."""
    repairs = [("gyroscope", nearest)]
    if np.linalg.det(nearest) > 0:
        # a' = P a with M = det(P) P: P is M or -M, and its inverse repairs the accelerometer.
        repairs += [("accelerometer", nearest.T), ("accelerometer", -nearest.T)]
    counts = [int((np.abs(repair - np.eye(3)).sum(axis=1) > 0).sum()) for _, repair in repairs]
    fewest = [repair for repair, count in zip(repairs, counts, strict=True) if count == min(counts)]
    sensor, repair = fewest[0]
    other = f" (or the {fewest[1][0]}'s)" if len(fewest) > 1 and fewest[1][0] != sensor else ""
    moved = [NAMES[i] for i in range(3) if not repair[i, i]]
    flipped = [NAMES[i] for i in range(3) if repair[i, i] < 0]
    parts = [f"axes {_and(moved)} are exchanged"] if moved else []
    parts += [f"{'axes' if len(flipped) > 1 else 'axis'} {_and(flipped)} {'have' if len(flipped) > 1 else 'has'} the "
              "wrong sign"] if flipped else []  # fmt: skip
    signs = any(value < 0 for value in repair.ravel())
    columns = ", ".join(f"{'-' if row.sum() < 0 else ''}{NAMES[int(np.abs(row).argmax())]}" for row in repair)
    handed = ", which makes its axes left-handed" if np.linalg.det(nearest) < 0 and sensor == "gyroscope" else ""
    fault = f"the {sensor}'s {' and '.join(parts)}{other}{handed}"
    change = f"give the {sensor}'s columns as {columns} in MAP.toml or the device profile"
    return fault, change + (" (a minus: turn that column's sign)" if signs else "")


def _scaled(found: StreamMap, scale: float, evidence: str) -> tuple[str, str, str]:
    """A gyroscope whose three axes, or one of them, count in another unit."""
    sizes = np.diag(found.matrix)
    if np.ptp(sizes) > 0.25 * scale:
        odd = int(np.argmax(np.abs(np.log(np.maximum(np.abs(sizes), 1e-3)))))
        name = NAMES[odd]
        return (
            f"the gyroscope's {name} axis reads {1 / max(sizes[odd], 1e-3):.2f} times what it turns",
            evidence,
            f"check that column's scale (multiply it by {sizes[odd]:.3g}); if it is right, the accelerometer's three "
            "scales differ: run strokeplane calibrate",
        )
    if abs(scale * np.degrees(1.0) - 1) < NEAR:
        return "the gyroscope counts in deg/s and is read as rad/s", evidence, 'set unit = "deg/s" in [gyro]'
    if abs(scale / np.degrees(1.0) - 1) < NEAR:
        return "the gyroscope counts in rad/s and is read as deg/s", evidence, 'set unit = "rad/s" in [gyro]'
    return (
        f"the gyroscope reads {1 / scale:.2f} times what it turns",
        evidence,
        f"divide gyro_per_dps in MAP.toml (counts_per_dps in the device profile) by {scale:.3g}, or set the range that "
        "is stated in the sensor",
    )


def _odd(matrix: FloatArray) -> tuple[str, str]:
    """Neither exchanged, flipped nor scaled axes."""
    u, s, vt = np.linalg.svd(matrix)
    turn = u @ vt
    if np.linalg.det(turn) > 0 and s[-1] > 0.8 and s[0] < 1.25:
        angle = float(np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))
        return (
            f"gyroscope and accelerometer stand turned against each other by {angle:.0f} deg",
            "use two sensors on one board, or turn one of them by that angle in the sensor's program",
        )
    weak = int(np.argmin(np.linalg.norm(matrix, axis=0)))
    return (
        "gyroscope and accelerometer do not measure the same motion in the same axes",
        f"check wiring, columns and the scale of every axis of both, first of all the gyroscope's {NAMES[weak]}",
    )


def _unrelated(windows: Windows) -> tuple[str, str, str]:
    return (
        "the gyroscope's values have nothing to do with how the sensor turns",
        f"in {len(windows)} stretches of motion gravity is explained no better with the gyroscope than without it, in "
        "whatever order, sign and unit its axes are taken",
        "check that the columns belong to a gyroscope and to the same times as the accelerometer's",
    )


def _matrix_words(matrix: FloatArray) -> str:
    return "; ".join(", ".join(f"{value + 0.0:.2g}" for value in np.round(row, 2)) for row in matrix)


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
