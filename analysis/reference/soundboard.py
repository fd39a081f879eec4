r"""How the soundboard stands to gravity, from stills with the hand's sensor lying on it: what ``across`` cannot know.

A player who lifts in every ``across`` alike turns the string plane, and no repetition shows it. With the readings
``f_k`` of a sensor lying flat and turned in the plane, and ``f_d`` face down, the board's normal ``n`` in sensor axes
is what their differences leave out, and the accelerometer's bias cancels in

.. math:: s = \frac{n \cdot (\bar f_k - f_d)}{2 g}                                                        (7)

the sine by which the normal points up. The strings' plane is not the board: by their heights above it at both outer
ones it is turned by ``eta = (h_last - h_first) / width``; half a millimetre is 0.55 deg over 52 mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import FACE_DOWN, SOUNDBOARD, Event, FloatArray, Session
from analysis.motion.stillness import mean_still_accel
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.signal.working_grid import Signals

HEIGHTS = "soundboard.heights_mm"
"""Metadata: heights of the outer strings above the soundboard, first that of the one that a downstroke meets first."""
HEIGHT_BOUNDS_MM = (0.5, 60.0)
TURNED_MPS2 = 3.0
"""By how much readings must differ across the second direction: turned by less, they do not show the plane."""
CASE_DEG, MOVED_DEG, RULER_MM, UNMEASURED_DEG = 0.2, 0.4, 0.25, 1.0
LIFTED_DEG = 1.5
"""How far out of the plane a player may lift in every ``across``: nobody has measured it."""
STEEP = 0.5
FAR_DEG = 6.0


@dataclass(frozen=True)
class Soundboard:
    """The soundboard against gravity.

    Attributes
    ----------
    rise : float
        Sine by which its normal points up; its sign is open where the case's upper face is not known.
    string_turn_rad : float
        By which the string plane is turned against it about the strings.
    sd_deg : float
        Standard error of the string plane's roll by it.
    """

    rise: float
    string_turn_rad: float
    sd_deg: float


def see_soundboard(signals: Signals, session: Session) -> Soundboard | None:
    """The soundboard by the stills on it; None where there are too few, or all turned alike.

    Parameters
    ----------
    signals : Signals
    session : Session
        Its events, instrument and the strings' heights in its metadata.

    Returns
    -------
    Soundboard or None
    """
    flat = _readings(signals, session.events, SOUNDBOARD)
    down = _readings(signals, session.events, FACE_DOWN)
    if len(flat) < 3 or not len(down):
        return None
    _, size, axes = np.linalg.svd(flat - flat.mean(axis=0))
    if size[1] < TURNED_MPS2:
        return None
    normal = axes[2]
    rise = float(normal @ (flat.mean(axis=0) - down.mean(axis=0))) / (2 * GRAVITY_MPS2)
    width = float(sum(session.instrument.spacing_mm))
    heights = _heights(session)
    turn = 0.0 if heights is None else (heights[1] - heights[0]) / width
    strings_deg = UNMEASURED_DEG if heights is None else float(np.degrees(np.sqrt(2.0) * RULER_MM / width))
    return Soundboard(rise, turn, float(np.sqrt(CASE_DEG**2 + MOVED_DEG**2 + strings_deg**2)))


def _readings(signals: Signals, events: Sequence[Event], label: str) -> FloatArray:
    found = [mean_still_accel(signals, event) for event in events if event.kind == "still" and event.label == label]
    return np.array(found).reshape(-1, 3)


def _heights(session: Session) -> tuple[float, float] | None:
    try:
        return read_heights(session.metadata.get(HEIGHTS, ""))
    except InputError:  # Metadata of another program: as if nobody had measured them, which the doubt of 1 deg is for.
        return None


def read_heights(text: str) -> tuple[float, float] | None:
    """Heights of the outer strings as somebody wrote them; None for empty text.

    Parameters
    ----------
    text : str
        Two numbers, mm: first that of the string that a downstroke meets first.

    Returns
    -------
    (float, float) or None

    Raises
    ------
    InputError
        Anything else.

    Examples
    --------
    >>> read_heights("11.5 12"), read_heights("")
    ((11.5, 12.0), None)
    """
    words = text.replace(";", " ").split()
    if not words:
        return None
    try:
        first, last = (float(word) for word in words)
    except ValueError:
        first = last = np.nan
    low, high = HEIGHT_BOUNDS_MM
    if not (low <= first <= high and low <= last <= high):
        raise InputError(
            expected=f"two heights from {low:g} to {high:g} mm, as in: 11.5 12",
            found=f"{text!r:.40}",
            next_step="measure both outer strings, first the one that a downstroke meets first, or leave it empty",
        )
    return first, last


def settle_roll(axes: FloatArray, board: Soundboard, across_sd_deg: float) -> tuple[FloatArray, float]:
    """Instrument axes turned about the strings towards what the soundboard shows.

    Parameters
    ----------
    axes : float64 (3, 3)
        By the gestures.
    board : Soundboard
    across_sd_deg : float
        Standard error of their roll by ``across``, a lift in all of them alike left out.

    Returns
    -------
    axes : float64 (3, 3)
    weight : float
        Of the soundboard, 0 to 1; 0 where it cannot tell: the instrument lies flat, or it contradicts the gestures.
    """
    y_up, z_up = float(axes[1, 2]), float(axes[2, 2])
    if abs(y_up) < STEEP:
        return axes, 0.0
    wanted = [sign * board.rise - board.string_turn_rad * y_up for sign in (1.0, -1.0)]
    roll = min(((z_up - rise) / y_up for rise in wanted), key=abs)
    if abs(roll) > np.radians(FAR_DEG):
        return axes, 0.0
    across = across_sd_deg**2 + LIFTED_DEG**2
    weight = across / (across + board.sd_deg**2)
    c, s = np.cos(weight * roll), np.sin(weight * roll)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]]) @ axes, float(weight)
