"""What is kept of a session to follow a player over weeks: a few numbers for each posture and drill, no strokes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class GroupSummary:
    """One posture on one drill in one session; None where a number cannot be given.

    ``tilt_se_deg`` holds the frame's error and the scatter of blocks. ``hold_bound`` is ``inside``, ``at least``,
    ``below``, or empty where there is no hold tempo; ``hold_low`` and ``hold_high`` are its 95 % interval.

    Attributes
    ----------
    drill : str
    posture : str
    blocks, strokes : int
        Numbers of them.
    strokes_per_s : float
    notes_per_beat : float or None
    tilt_deg : float
        Mean.
    tilt_se_deg : float or None
    spread_deg : float
        Scatter from stroke to stroke.
    span_mm : float
        Median.
    share_clearing : float or None
        0 to 1.
    timing_pct : float or None
        Scatter of the intervals, percent of the interval.
    hold_bound : str
    hold_strokes_per_s : float or None
    hold_low : float or None
    hold_high : float or None
    """

    drill: str
    posture: str
    blocks: int
    strokes: int
    strokes_per_s: float
    notes_per_beat: float | None
    tilt_deg: float
    tilt_se_deg: float | None
    spread_deg: float
    span_mm: float
    share_clearing: float | None
    timing_pct: float | None
    hold_bound: str = ""
    hold_strokes_per_s: float | None = None
    hold_low: float | None = None
    hold_high: float | None = None


@dataclass(frozen=True)
class SessionSummary:
    """One session.

    Attributes
    ----------
    name : str
        The file's.
    player : str
    started_s : float or None
        Seconds since the epoch; None where the log holds no host times.
    minutes_played, minutes : float
        In blocks, and from the first block's start to the last one's end.
    breaks : int
        Rests of two minutes or more.
    longest_play_min : float
        Longest stretch without a break.
    ratings : tuple of (str, float)
        Label and value, in order of time.
    hurt : bool
    frame_known : bool
        Whether tilt is in the instrument's frame.
    lost_share : float
    groups : tuple of GroupSummary
    instrument : str
        Its name, strings, spacing and plectrum depth: sessions of two instruments are never one series.
    lever_mm : tuple of float or None
        From sensor to plectrum tip, which says where the sensor sat.
    dead_band_deg : float or None
        Tilt below which a straight stroke clears neither way on that instrument.
    simulated : bool
    log_hash : str
        Of the session's file.
    """

    name: str
    player: str
    started_s: float | None
    minutes_played: float
    minutes: float
    breaks: int
    longest_play_min: float
    ratings: tuple[tuple[str, float], ...]
    hurt: bool
    frame_known: bool
    lost_share: float
    groups: tuple[GroupSummary, ...]
    instrument: str = ""
    lever_mm: tuple[float, float, float] | None = None
    dead_band_deg: float | None = None
    simulated: bool = False
    log_hash: str = ""
