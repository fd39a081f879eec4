r"""What one stroke's path says: tilt, span, bow, lift.

With the downstroke's chord ``(dy, dz)`` from turn to turn in the end view:

.. math:: \text{tilt} = \mathrm{atan2}(dz, dy)                                                          (5)

Lift is the height of the tip where it has travelled one string spacing past the contact, or at the stroke's end if it
ends sooner, above the contact, less the plectrum's depth. A straight path therefore clears from
``tan(tilt) = depth / spacing`` on, if it reaches that far.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.records import BoolArray, FloatArray, Instrument
from analysis.stroke.contact import at_contact
from analysis.stroke.stroke_paths import TracedStrokes


@dataclass(frozen=True)
class StrokeMeasures:
    """Per-stroke results, arrays of one length: degrees, millimetres; ``contact`` as a share of the stroke."""

    tilt_deg: FloatArray
    main_tilt_deg: FloatArray
    span_mm: FloatArray
    bow_mm: FloatArray
    lift_mm: FloatArray
    contact: FloatArray
    attack: BoolArray


def measure_strokes(
    strokes: TracedStrokes, instrument: Instrument, contact: FloatArray, attack: BoolArray
) -> StrokeMeasures:
    """Measure every stroke.

    Parameters
    ----------
    strokes : TracedStrokes
    instrument : Instrument
    contact : float64 (n,)
        Moment of string contact as a share of the stroke, 0..1.
    attack : bool (n,)
        Whether it was found, not assumed.

    Returns
    -------
    StrokeMeasures
    """
    path = strokes.path_m * 1e3
    down = (path[:, -1] - path[:, 0]) * strokes.sign[:, None]
    return StrokeMeasures(
        tilt_deg=np.degrees(np.arctan2(down[:, 2], down[:, 1])),
        main_tilt_deg=main_tilt_deg(path[:, :, 1:]),
        span_mm=np.linalg.norm(np.diff(path[:, :, 1:], axis=1), axis=2).sum(axis=1),
        bow_mm=bow_mm(path),
        lift_mm=lift_mm(path, strokes.sign, contact, instrument.mean_spacing_mm, instrument.plectrum_depth_mm),
        contact=contact,
        attack=attack,
    )


def main_tilt_deg(path_mm: FloatArray) -> FloatArray:
    """Direction along which each path (n, k, 2) varies most in the end view, as a tilt (n,) within +-90 deg.

    Examples
    --------
    >>> y = np.linspace(-5, 5, 17)
    >>> np.round(main_tilt_deg(np.stack([y, y], axis=1)[None]), 6).tolist()
    [45.0]
    """
    y, z = np.moveaxis(path_mm - path_mm.mean(axis=1, keepdims=True), 2, 0)
    return np.asarray(np.degrees(0.5 * np.arctan2(2 * (y * z).sum(axis=1), (y**2 - z**2).sum(axis=1))))


def bow_mm(path_mm: FloatArray) -> FloatArray:
    """Sagitta of the parabola that fits the bend away from the chord in the end view; positive lifts at both ends.

    Parameters
    ----------
    path_mm : float64 (n, k, 3)

    Returns
    -------
    float64 (n,)

    Examples
    --------
    >>> y = np.linspace(-5, 5, 17)
    >>> path = np.stack([0 * y, y, 0.04 * y**2], axis=1)[None]
    >>> np.round(bow_mm(path), 6).tolist()
    [1.0]
    """
    chord = path_mm[:, -1, 1:] - path_mm[:, 0, 1:]
    chord = chord * np.where(chord[:, :1] < 0, -1.0, 1.0)
    length = np.linalg.norm(chord, axis=1, keepdims=True)
    unit = chord / length
    normal = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    offset = path_mm[:, :, 1:] - 0.5 * (path_mm[:, :1, 1:] + path_mm[:, -1:, 1:])
    along = np.einsum("nki,ni->nk", offset, unit) / (0.5 * length)
    height = np.einsum("nki,ni->nk", offset, normal)
    shape = 1 - along**2
    return np.asarray(-np.einsum("nk,nk->n", shape, height) / np.einsum("nk,nk->n", shape, shape))


def lift_mm(
    path_mm: FloatArray, sign: FloatArray, contact: FloatArray, spacing_mm: float, depth_mm: float
) -> FloatArray:
    """Height of the tip one spacing past the contact (or at the end), less the plectrum's depth.

    Parameters
    ----------
    path_mm : float64 (n, k, 3)
    sign : float64 (n,)
        +1 downstroke, -1 upstroke.
    contact : float64 (n,)
        Share of the stroke, 0..1.
    spacing_mm, depth_mm : float

    Returns
    -------
    float64 (n,)

    Examples
    --------
    A straight downstroke of 30 mm that rises 1 in 5, contact in the middle, strings 10 mm apart:

    >>> y = np.linspace(-15, 15, 17)
    >>> path = np.stack([0 * y, y, y / 5], axis=1)[None]
    >>> lift_mm(path, np.ones(1), np.full(1, 0.5), 10.0, 2.0).tolist()
    [0.0]
    """
    n, k = path_mm.shape[:2]
    rows = np.arange(n)
    travel = path_mm[:, :, 1] * sign[:, None]
    travel_c, height_c = at_contact(travel, contact), at_contact(path_mm[:, :, 2], contact)
    past = travel >= (travel_c + spacing_mm)[:, None]
    past[:, 0] = False
    reached = past.any(axis=1)
    after = np.where(reached, past.argmax(axis=1), k - 1)
    step = travel[rows, after] - travel[rows, after - 1]
    share = np.where(
        reached & (step > 0), (travel_c + spacing_mm - travel[rows, after - 1]) / np.where(step > 0, step, 1), 1
    )
    height = path_mm[rows, after - 1, 2] * (1 - share) + path_mm[rows, after, 2] * share
    return np.asarray(height - height_c - depth_mm)


def tilt_se_deg(strokes: TracedStrokes) -> FloatArray:
    """Standard error (n,) of each tilt from what drifts: that of the chord across itself in the end view."""
    chord = strokes.path_m[:, -1, 1:] - strokes.path_m[:, 0, 1:]
    square = np.maximum((chord**2).sum(axis=1), 1e-8)
    across = np.hypot(chord[:, 1] * strokes.chord_se_m[:, 1], chord[:, 0] * strokes.chord_se_m[:, 2])
    return np.asarray(np.degrees(across / square))
