"""A second log, of the sensor on the instrument, into the session of the hand's: the same reader, a stream more.

What ties the two clocks is taken from what both felt where both hold three raps on the body, else from the date and
time of their first samples: two devices whose clocks nobody compared agree to a second or so. Where there is neither,
nothing is made up: the clock stays open, and the session is analysed as one sensor's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analysis.model.errors import InputError, TimebaseError
from analysis.model.records import Session, Stream
from analysis.model.session_parts import ClockRelation
from analysis.stroke.raps import Raps, find_session_raps
from logger.exchange.guess_map import GuessedMap
from logger.exchange.import_csv import read_log

CLOCKS_APART_S = 1.0
"""Common practice: two devices that set their clocks over a network agree to a second, mostly far better."""
LEAST_COMMON_S = 10.0
RAPS_ALIKE_S = 0.06
"""Two times of one rap by two sensors differ by no more: a sample or two of a phone."""
RAPS_RESIDUAL_S = 0.02
RATE_FROM_S = 60.0
"""Raps as far apart as this tell the clocks' rates apart, too."""


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
    clock = raps_clock(hand, other) or date_clock(hand, other)
    if clock is not None:
        check_common_time(hand, other, clock, path)
    stream = Stream("instrument", other.raw, other.profile, other.calibration, clock, other.sensor)
    warnings = tuple(f"The instrument's log: {sentence}" for sentence in other.warnings)
    if clock is None:
        warnings += (
            "Nothing ties the clocks of the two logs, so the instrument's is kept and not used: they do not both tell "
            "their date and time. Next time rap three times on the body before and after playing.",
        )
    metadata = {**hand.metadata, "instrument_imported_from": path.name}
    session = replace(hand, streams=(*hand.streams, stream), warnings=(*hand.warnings, *warnings), metadata=metadata)
    return WithInstrument(session, read.guessed)


def raps_clock(hand: Session, other: Session) -> ClockRelation | None:
    """Own time of the other log on the hand's, by three raps that both felt; None where that is not plain.

    Parameters
    ----------
    hand, other : Session

    Returns
    -------
    ClockRelation or None
        None without raps in both, or where they fit each other in more than one way.
    """
    try:
        felt, beside = find_session_raps(hand), find_session_raps(other)
    except TimebaseError:
        return None
    ways = []
    for mine in felt:
        for theirs in beside:
            pairs = _pairs(felt, beside, mine.first_s - theirs.first_s)
            if pairs and (mine.first_s, theirs.first_s) in pairs:
                ways.append(pairs)
    best = max(map(len, ways), default=0)
    plain = {tuple(pairs) for pairs in ways if len(pairs) == best}
    if len(plain) != 1:
        return None
    at_hand_s, own_s = np.array(next(iter(plain))).T
    rate = 1.0
    if np.ptp(own_s) >= RATE_FROM_S:
        rate = float(np.polyfit(own_s - own_s.mean(), at_hand_s, 1)[0])
    return ClockRelation(float(np.mean(at_hand_s - rate * own_s)), rate, RAPS_RESIDUAL_S)


def _pairs(felt: Sequence[Raps], beside: Sequence[Raps], offset_s: float) -> list[tuple[float, float]]:
    """Raps of both logs that are the same ones if the other's clock is so far behind: their times by each."""
    return [
        (mine.first_s, theirs.first_s)
        for mine in felt
        for theirs in beside
        if abs(theirs.first_s + offset_s - mine.first_s) < RAPS_ALIKE_S
        and abs((theirs.last_s - theirs.first_s) - (mine.last_s - mine.first_s)) < RAPS_ALIKE_S
    ]


def date_clock(hand: Session, other: Session) -> ClockRelation | None:
    """Own time of the other log on the hand's, where both know when their first sample was taken; else None."""
    zeros = []
    for raw, profile in ((each.raw, each.profile) for each in (hand, other)):
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
