"""Reduce a session to what is followed over weeks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.model.cautions import SIMULATED, discomfort
from analysis.model.errors import InputError, NotEnoughDataError
from analysis.model.records import Event, Instrument, SessionResult
from analysis.questions.block_table import tabulate_blocks
from analysis.questions.hold import HoldTempo, find_hold_tempo
from analysis.questions.session_summary import GroupSummary, SessionSummary

BREAK_S = 120.0
"""A rest between blocks from this length on counts as a break."""
RATING_LIMITS = (0.0, 10.0)


def summarise_session(result: SessionResult, name: str, started_s: float | None) -> SessionSummary:
    """Reduce a session to what is followed over weeks.

    Parameters
    ----------
    result : SessionResult
    name : str
    started_s : float or None
        Seconds since the epoch.

    Returns
    -------
    SessionSummary

    Raises
    ------
    InputError
        A rating outside 0 to 10.
    """
    played = [(block.start_s, block.end_s) for block in result.blocks]
    breaks, longest = _breaks(played)
    return SessionSummary(
        name=name,
        player=result.player.name,
        started_s=started_s,
        minutes_played=sum(end - start for start, end in played) / 60,
        minutes=(played[-1][1] - played[0][0]) / 60 if played else 0.0,
        breaks=breaks,
        longest_play_min=longest,
        ratings=check_ratings(result.events),
        hurt=bool(discomfort(result.events)),
        frame_known=result.reference.kind == "gestures",
        lost_share=result.lost_samples / max(1.0, result.duration_s * result.rate_hz),
        groups=_groups(result),
        instrument=_name_instrument(result.instrument),
        lever_mm=result.lever_mm,
        dead_band_deg=result.instrument.dead_band_deg,
        simulated=SIMULATED in result.cautions,
    )


def _name_instrument(instrument: Instrument) -> str:
    """What tells two instruments apart."""
    spacing = f"{instrument.mean_spacing_mm:g} mm apart"
    name = instrument.name or "instrument without a name"
    return f"{name}, {instrument.courses} strings {spacing}, plectrum {instrument.plectrum_depth_mm:g} mm deep"


def check_ratings(events: Sequence[Event]) -> tuple[tuple[str, float], ...]:
    """Label and value of every rating, in order of time.

    Parameters
    ----------
    events : sequence of Event
        In any order.

    Returns
    -------
    tuple[tuple[str, float], ...]
        Values from 0 to 10.

    Raises
    ------
    InputError
        A rating outside 0 to 10, or without a value.
    """
    found = []
    for event in sorted((e for e in events if e.kind == "rating"), key=lambda e: e.start_s):
        value = event.rating
        if value is None or not RATING_LIMITS[0] <= value <= RATING_LIMITS[1]:
            shown = "none" if value is None else f"{value:g}"
            raise InputError(
                expected="ratings from 0 to 10",
                found=f"{shown} at {event.start_s:.0f} s",
                next_step="correct it in the events",
            )
        found.append((event.label, float(value)))
    return tuple(found)


def _breaks(played: Sequence[tuple[float, float]]) -> tuple[int, float]:
    """Number of breaks, and the longest stretch (min) without one."""
    breaks, longest = 0, 0.0
    start = end = played[0][0] if played else 0.0
    for first, last in played:
        if first - end >= BREAK_S:
            breaks += 1
            start = first
        end = last
        longest = max(longest, (end - start) / 60)
    return breaks, longest


def _groups(result: SessionResult) -> tuple[GroupSummary, ...]:
    try:
        blocks = tabulate_blocks([result])
    except NotEnoughDataError:
        return ()
    names = blocks[["drill", "posture"]].drop_duplicates().itertuples(index=False)
    return tuple(_group(result, blocks, str(drill), str(posture)) for drill, posture in names)


def _group(result: SessionResult, blocks: pd.DataFrame, drill: str, posture: str) -> GroupSummary:
    own = blocks[(blocks["drill"] == drill) & (blocks["posture"] == posture)]
    tilt = own["tilt_deg"].to_numpy(np.float64)
    spread = float(tilt.std(ddof=1)) if tilt.size > 1 else float(own["tilt_se_deg"].iloc[0])
    frame = float(own["offset_se_deg"].mean())
    hold = _hold(result, posture, drill)
    beats = own["notes_per_beat"].unique()
    return GroupSummary(
        drill=drill,
        posture=posture,
        blocks=len(own),
        strokes=int(own["strokes"].sum()),
        strokes_per_s=float(own["strokes_per_s"].median()),
        notes_per_beat=float(beats[0]) if beats.size == 1 and np.isfinite(beats[0]) else None,
        tilt_deg=float(tilt.mean()),
        tilt_se_deg=_known(float(np.hypot(frame, spread / np.sqrt(tilt.size)))),
        spread_deg=float(np.sqrt(np.mean(own["tilt_sd_deg"] ** 2))),
        span_mm=float(own["span_mm"].median()),
        share_clearing=_known(float(own["share_clearing"].mean())),
        timing_pct=_known(float(own["timing_pct"].median())),
        hold_bound=hold.bound if hold else "",
        hold_strokes_per_s=_hold_speed(hold) if hold else None,
        hold_low=hold.low if hold else None,
        hold_high=hold.high if hold else None,
    )


def _hold_speed(hold: HoldTempo) -> float:
    """The hold tempo in strokes a second: that of the click where it is a block's that kept it, as in the report."""
    click = hold.kept_click_bpm(hold.strokes_per_s)
    if click is None or hold.notes_per_beat is None:
        return hold.strokes_per_s
    return click * hold.notes_per_beat / 60


def _hold(result: SessionResult, posture: str, drill: str) -> HoldTempo | None:
    """Hold tempo where the session holds a ladder; most do not, which is no fault of theirs."""
    try:
        return find_hold_tempo([result], posture, drill=drill)
    except (NotEnoughDataError, InputError):
        return None


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None
