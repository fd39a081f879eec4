"""A second log, of the sensor on the instrument, into the session of the hand's: the same reader, a stream more.

What ties the two clocks is taken from the logs where both tell the date and time of their first sample: two devices
whose clocks nobody compared agree to a second or so. Where they do not, nothing is made up: the clock stays open, and
the analysis looks for what both sensors felt.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError
from analysis.model.records import RawSamples, SensorProfile, Session, Stream
from analysis.model.session_parts import ClockRelation
from logger.exchange.guess_map import GuessedMap
from logger.exchange.import_csv import read_log

CLOCKS_APART_S = 1.0
"""Common practice: two devices that set their clocks over a network agree to a second, mostly far better."""
LEAST_COMMON_S = 10.0


@dataclass(frozen=True)
class WithInstrument:
    """A session with the instrument's stream, and the map that was guessed for it, None where one was given."""

    session: Session
    guessed: GuessedMap | None


def add_instrument(
    hand: Session,
    path: Path,
    map_path: Path | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> WithInstrument:
    """Read the log of the sensor on the instrument into the hand's session.

    Parameters
    ----------
    hand : Session
        As it was imported.
    path, map_path : Path
        The instrument's log (a file, ``.gz``, ``.zip`` or folder) and its MAP.toml, if there is one.
    progress : callable
        Told the share of the work that is done.

    Returns
    -------
    WithInstrument

    Raises
    ------
    InputError
        The log cannot be read, or both tell their date and have no time in common.
    """
    read = read_log(path, map_path, progress=progress)
    other = read.session
    clock = date_clock((hand.raw, hand.profile), (other.raw, other.profile))
    if clock is not None:
        check_common_time(hand, other, clock, path)
    stream = Stream("instrument", other.raw, other.profile, other.calibration, clock, other.sensor)
    warnings = tuple(f"The instrument's log: {sentence}" for sentence in other.warnings)
    if clock is None:
        warnings += (
            "The two logs do not both tell their date and time, so nothing ties their clocks but what both sensors "
            "felt: three raps on the body before and after playing make that certain.",
        )
    metadata = {**hand.metadata, "instrument_imported_from": path.name}
    session = replace(hand, streams=(*hand.streams, stream), warnings=(*hand.warnings, *warnings), metadata=metadata)
    return WithInstrument(session, read.guessed)


def date_clock(hand: tuple[RawSamples, SensorProfile], other: tuple[RawSamples, SensorProfile]) -> ClockRelation | None:
    """Own time of the other log on the hand's, where both know when their first sample was taken; else None."""
    zeros = []
    for raw, profile in (hand, other):
        known = np.flatnonzero(np.isfinite(raw.host_time_s))
        if not known.size:
            return None
        zeros.append(float(raw.host_time_s[known[0]]) - float(raw.ticks[known[0]]) / profile.tick_hz)
    return ClockRelation(zeros[1] - zeros[0], 1.0, CLOCKS_APART_S)


def check_common_time(hand: Session, other: Session, clock: ClockRelation, path: Path) -> None:
    """Refuse two logs that were not recorded at one time.

    Raises
    ------
    InputError
        Less than ten seconds lie in both.
    """
    start, end = (float(hand.raw.ticks[at]) / hand.profile.tick_hz for at in (0, -1))
    own = [float(other.raw.ticks[at]) / other.profile.tick_hz for at in (0, -1)]
    first, last = (clock.offset_s + clock.rate * time_s for time_s in own)
    if min(end, last) - max(start, first) < min(LEAST_COMMON_S, 0.5 * (end - start)):
        raise InputError(
            expected="two logs of one session, with some time in common",
            found=f"the instrument's begins {first - start:.0f} s after the hand's, which is {end - start:.0f} s long, "
            f"and ends {last - start:.0f} s after that beginning",
            next_step="name the log that was recorded with the hand's, or correct the devices' dates",
            file=str(path),
        )
