"""The instrument's own samples, brought to the hand's working grid: force, turning rate, attitude, where they are."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import signal

from analysis.consistency.stills import follow_bias, less_drift
from analysis.model.records import BoolArray, FloatArray, Session, Stream
from analysis.model.session_parts import ClockRelation
from analysis.motion.orientation import estimate_orientation
from analysis.motion.rotation import rotate, turned_about_vertical, yaw_matrix
from analysis.motion.stillness import still_gyro_bias
from analysis.motion.tip_path import GRAVITY_MPS2
from analysis.motion.turns import sample_at
from analysis.signal.grid import Grid
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import Signals, prepare_signals
from analysis.witness.clock_step import ClockStep, mend_clock

LOST_S = 0.25
"""A longer gap is not bridged: nothing is known of the instrument in it."""
HIGHEST_HZ = 25.0
OF_RATE = 0.35
IN_STEP_RAD = 0.3
"""Phase error that a clock's doubt may make of the highest frequency kept."""


@dataclass(frozen=True)
class InstrumentMotion:
    """The instrument's motion at the hand's working samples; its world has a heading of its own.

    Attributes
    ----------
    accel_mps2 : float64 (n, 3)
        Of the sensor, in its world, without gravity.
    rate_radps : float64 (n, 3)
        Turning, in its world.
    quat_wxyz : float64 (n, 4)
        Sensor to its world.
    valid : bool (n,)
        Where samples came.
    """

    accel_mps2: FloatArray
    rate_radps: FloatArray
    quat_wxyz: FloatArray
    valid: BoolArray

    def turned(self, angle_rad: float) -> InstrumentMotion:
        """The same with its world's heading turned.

        Parameters
        ----------
        angle_rad : float
            Counterclockwise as seen from above.

        Returns
        -------
        InstrumentMotion
        """
        turn = yaw_matrix(angle_rad).T
        quat = turned_about_vertical(self.quat_wxyz, angle_rad)
        return InstrumentMotion(self.accel_mps2 @ turn, self.rate_radps @ turn, quat, self.valid)


@dataclass(frozen=True)
class OwnSamples:
    """The instrument's samples in its own time.

    Attributes
    ----------
    signals : Signals
        m/s2 and rad/s, less the gyroscope's bias and its drift.
    bias_radps : float64 (3,)
        What was taken off at the end.
    bias_se_dps : float
        Standard error of the still's bias about the vertical.
    steps : tuple of ClockStep
        Jumps of its clock that were set right.
    """

    signals: Signals
    bias_radps: FloatArray
    bias_se_dps: float
    steps: tuple[ClockStep, ...] = ()


def read_instrument(stream: Stream) -> OwnSamples:
    """Signals of the instrument's sensor on a grid of its own, less the gyroscope's bias and its drift.

    Parameters
    ----------
    stream : Stream
        Of the instrument.

    Returns
    -------
    OwnSamples

    Raises
    ------
    InputError
        As for the hand's samples.
    """
    raw, steps = mend_clock(stream.raw, stream.profile)
    prepared = prepare_instrument(replace(stream, raw=raw))
    signals = still_gyro_bias(prepared, ())
    history = follow_bias(signals, ())
    less = less_drift(signals, history)
    return OwnSamples(less, (prepared.gyro_radps - less.gyro_radps)[-1], history.start_se_dps, steps)


def prepare_instrument(stream: Stream) -> Signals:
    """Signals of the instrument's sensor on a grid of its own, the gyroscope's bias still in.

    Parameters
    ----------
    stream : Stream

    Returns
    -------
    Signals

    Raises
    ------
    InputError
        As for the hand's samples.
    """
    own = Session(stream.raw, stream.profile, stream.calibration)
    return prepare_signals(own, fit_timebase(stream.raw, stream.profile))


def highest_frequency_hz(rate_hz: float, clock_doubt_s: float) -> float:
    """Up to which frequency the instrument's motion can be told, by its sensor's rate and its clock.

    Parameters
    ----------
    rate_hz : float
        Of the instrument's samples.
    clock_doubt_s : float

    Returns
    -------
    float
        Hertz.

    Examples
    --------
    >>> round(highest_frequency_hz(60.0, 0.02), 1), highest_frequency_hz(400.0, 0.001)
    (2.4, 25.0)
    """
    by_clock = IN_STEP_RAD / (2 * np.pi * max(clock_doubt_s, 1e-4))
    return float(min(HIGHEST_HZ, OF_RATE * rate_hz, by_clock))


def place_instrument(
    own: Signals, clock: ClockRelation, grid: Grid, highest_hz: float = HIGHEST_HZ, until_s: float = np.inf
) -> Signals:
    """The instrument's signals at the hand's working samples, by the cubic through four of its own.

    Parameters
    ----------
    own : Signals
        On the instrument's grid.
    clock : ClockRelation
    grid : Grid
        Of the hand.
    highest_hz : float
        What is faster is left out, without delay.
    until_s : float
        Hand's time after which nothing is known.

    Returns
    -------
    Signals
        On the hand's grid, without attacks; not valid where nothing is known.
    """
    times_s = grid.time_at(np.arange(grid.size))
    at = own.grid.position_at((times_s - clock.offset_s) / clock.rate)
    inside = (at >= 1.0) & (at <= own.grid.size - 3.0) & (times_s < until_s)
    at = np.clip(at, 1.0, own.grid.size - 3.0)
    placed = sample_at(np.concatenate([own.accel_mps2, own.gyro_radps], axis=1), at)
    if highest_hz < 0.45 * grid.rate_hz:
        placed = signal.sosfiltfilt(signal.butter(2, highest_hz, fs=grid.rate_hz, output="sos"), placed, axis=0)
    valid = inside & own.grid.whole(LOST_S)[at.astype(np.int64)]
    return Signals(replace(grid, valid=valid), placed[:, :3], placed[:, 3:], None, None, 1, 0)


def on_own_clock(grid: Grid, clock: ClockRelation) -> Grid:
    """The hand's grid as the instrument's clock has it.

    Parameters
    ----------
    grid : Grid
        Of the hand.
    clock : ClockRelation

    Returns
    -------
    Grid
        The same samples at the instrument's times.

    Examples
    --------
    >>> on_own_clock(Grid.steady(100.0, 500, start_s=7.0), ClockRelation(2.0)).time_at(100)
    6.0
    """
    lag_s = grid.lag_s / np.array([[1.0], [clock.rate]])
    return Grid((grid.start_s - clock.offset_s) / clock.rate, grid.rate_hz * clock.rate, grid.valid, lag_s)


def follow_instrument(placed: Signals) -> InstrumentMotion:
    """Attitude of the instrument, and its motion in a world whose heading is its own.

    Parameters
    ----------
    placed : Signals
        As :func:`place_instrument` gives them.

    Returns
    -------
    InstrumentMotion
    """
    quat = estimate_orientation(placed.gyro_radps, placed.accel_mps2, placed.grid)
    accel = rotate(quat, placed.accel_mps2)
    accel[:, 2] -= GRAVITY_MPS2
    return InstrumentMotion(accel, rotate(quat, placed.gyro_radps), quat, placed.grid.valid)
