"""What can be said of a session file without analysing it: version, sums, chunks, gaps, clock."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.model.records import RawSamples, SensorProfile
from logger.session.session_file import read_session
from logger.session.session_reading import read_bytes, scan_file
from logger.session.session_records import CHANNELS, SESSION_TOPIC, file_version

FEW_HOST_TIMES = 100
"""Fewer tell nothing of the clock's rate."""
LATEST_S, LEAST_SPAN_S = 1e12, 1e-3
"""Host times are seconds since the epoch; what lies far outside, or close together, is no clock's."""


@dataclass(frozen=True)
class StreamCheck:
    """One stream's samples.

    Attributes
    ----------
    name : str
    samples : int
    duration_s : float
    gaps, missing : int
        Jumps of the sequence, and the samples that they pass over.
    backward : int
        Ticks that do not grow.
    rate_hz : float
        Median of the samples' own clock; NaN below two samples.
    clock_ppm : float
        The sensor's clock against the host's; NaN where the log holds too few host times.
    """

    name: str
    samples: int
    duration_s: float
    gaps: int
    missing: int
    backward: int
    rate_hz: float
    clock_ppm: float


@dataclass(frozen=True)
class FileCheck:
    """One file; ``sound`` if every checksum is right and nothing is missing that its end tells of.

    Attributes
    ----------
    path : Path
    version : int
        Of the format.
    size_bytes : int
    sha256 : str
    chunks, events : int
        Numbers of them.
    sound : bool
    streams : tuple of StreamCheck
        One a sensor.
    damage : tuple of str
        Sentences on what is damaged.
    written_warnings : tuple of str
        Sentences that the file itself holds.
    """

    path: Path
    version: int
    size_bytes: int
    sha256: str
    chunks: int
    sound: bool
    events: int
    streams: tuple[StreamCheck, ...]
    damage: tuple[str, ...]
    written_warnings: tuple[str, ...]


def verify_file(path: Path) -> FileCheck:
    """Check one session file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    FileCheck

    Raises
    ------
    SessionFileError
        It is no session, or beyond use.
    """
    session = read_session(path)
    data = read_bytes(path)
    scan = scan_file(data)
    version, written = file_version([m.data for m in scan.messages if m.channel == CHANNELS[SESSION_TOPIC]])
    named = [("hand", session.raw, session.profile)]
    named += [(f"{s.role} ({n})", s.raw, s.profile) for n, s in enumerate(session.streams, 1)]
    return FileCheck(
        path=path,
        version=version,
        size_bytes=len(data),
        sha256=session.log_hash,
        chunks=len({message.chunk for message in scan.messages}),
        sound=scan.sound,
        events=len(session.events),
        streams=tuple(check_stream(*each) for each in named),
        damage=tuple(warning for warning in session.warnings if warning not in written),
        written_warnings=tuple(written),
    )


def check_stream(name: str, raw: RawSamples, profile: SensorProfile) -> StreamCheck:
    """Count gaps and disorder of one stream's samples, and measure its clock."""
    steps, ticks = np.diff(raw.sequence), np.diff(raw.ticks)
    passed = steps[steps > 1] - 1
    return StreamCheck(
        name=name,
        samples=raw.ticks.size,
        duration_s=float(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz if raw.ticks.size else 0.0,
        gaps=int(passed.size),
        missing=int(passed.sum()),
        backward=int(np.count_nonzero(ticks <= 0)),
        rate_hz=profile.tick_hz / float(np.median(ticks)) if ticks.size and np.median(ticks) > 0 else np.nan,
        clock_ppm=_clock_ppm(raw, profile.tick_hz),
    )


def _clock_ppm(raw: RawSamples, tick_hz: float) -> float:
    known = np.abs(raw.host_time_s) < LATEST_S
    if np.count_nonzero(known) < FEW_HOST_TIMES:
        return np.nan
    device = (raw.ticks[known] - raw.ticks[known][0]) / tick_hz
    host = raw.host_time_s[known] - raw.host_time_s[known][0]
    if np.ptp(device) <= 0 or np.ptp(host) < LEAST_SPAN_S:
        return np.nan
    host -= host.mean()
    return float(host @ device / (host @ host) - 1.0) * 1e6
