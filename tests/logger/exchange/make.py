"""Sessions for the tests of exports: invented, short, with gaps, calibrations and odd labels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.model.records import Calibration, Event, Player, RawSamples, Session
from logger.session.session_file import read_session, write_session
from tests.logger.session.make import session as plain_session

CROSS_AXIS = Calibration(
    accel_bias_mps2=(0.12, -0.31, 0.05),
    accel_matrix=((1.01, 0.02, -0.03), (0.02, 0.97, 0.01), (-0.03, 0.01, 1.05)),
    gyro_bias_radps=(0.013, -0.02, 0.005),
    gyro_matrix=((0.98, 0.0, 0.01), (0.0, 1.02, 0.0), (0.0, -0.01, 1.0)),
    source="six positions",
)


def with_gaps(
    n: int = 3000, seed: int = 0, player: str = "player one", lost: tuple[int, ...] = (7, 90, 91, 92)
) -> Session:
    """A session of random counts with lost samples, a cross-axis calibration and events."""
    made = plain_session(n, seed)
    kept = np.delete(np.arange(n), lost)
    raw = made.raw
    raw = RawSamples(raw.ticks[kept] + 123, raw.sequence[kept] + 50, raw.host_time_s[kept], raw.counts[kept])
    events = (
        Event(0.5, 3.5, "still", "off hand"),
        Event(4.0, 6.123456789, "play", "naïve ♪, said\tshe", "A", 100.0, 4.0, "drill, one", None, "up"),
        Event(7.0, 7.0, "rating", rating=7.5),
    )
    return replace(made, raw=raw, calibration=CROSS_AXIS, player=Player(player, "right"), events=events)


def saved(folder: Path, name: str, session: Session) -> Path:
    """Write a session; return its file."""
    path = folder / f"{name}.mcap"
    write_session(path, session)
    return path


def stored(path: Path) -> Session:
    return read_session(path)
