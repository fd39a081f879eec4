"""Events of an imported log: found in the signals where nobody marked any, or moved to where the signals show them."""

from __future__ import annotations

import io
from collections.abc import Sequence
from csv import writer
from dataclasses import dataclass, replace

from analysis.model.errors import StrokeplaneError
from analysis.model.records import Event, Session
from analysis.reference.align_events import align_events, shifted
from analysis.reference.find_gestures import FoundEvent, FoundEvents, find_events
from analysis.reference.unconfirmed import EVENTS_KEY, FOUND, FOUND_UNCLEAR
from analysis.signal.timebase import fit_timebase
from analysis.signal.working_grid import prepare_signals
from analysis.stroke.stroke_table import found_blocks
from logger.files.csv_cells import guarded
from logger.files.events_csv import COLUMNS
from logger.many.analyse import analyse_recording

LEAST_S = 10.0


@dataclass(frozen=True)
class MarkedSession:
    """A session with events, and what was found for it; ``found`` None where it was marked by hand."""

    session: Session
    found: FoundEvents | None


def find_marks(session: Session, posture: str = "") -> MarkedSession:
    """Find the events of a session that has none; its metadata then says that nobody confirmed them."""
    found = _found(session)
    if found is None or not found.found:
        return MarkedSession(session, None)
    metadata = {**session.metadata, EVENTS_KEY: FOUND_UNCLEAR if found.pair_unclear else FOUND}
    found = _with_blocks(replace(session, events=found.events, metadata=metadata), found)
    events = tuple(replace(event, posture=posture) for event in found.events)
    return MarkedSession(replace(session, events=events, metadata=metadata), found)


def _with_blocks(session: Session, found: FoundEvents) -> FoundEvents:
    """Play from stroke to stroke: a hand that moves on between two blocks looks like play until strokes are counted."""
    try:
        strokes = analyse_recording(session, raps=False).result.strokes
    except StrokeplaneError:
        return found  # the analysis says what is wrong
    rough = [each for each in found.found if each.event.kind == "play"]
    if rough:
        strokes = strokes[strokes["block"].notna()]
    blocks = []
    for event in found_blocks(strokes):
        rate = strokes["strokes_per_s"][(strokes["start_s"] >= event.start_s) & (strokes["end_s"] <= event.end_s)]
        sure = max(
            (e.sure for e in rough if e.event.start_s < event.end_s and event.start_s < e.event.end_s), default=0.6
        )
        why = f"about {float(rate.median()):.1f} strokes a second"
        blocks.append(FoundEvent(replace(event, label="", posture=""), sure, why))
    if not blocks:
        return found
    rest = [each for each in found.found if each.event.kind != "play"]
    return replace(found, found=tuple(sorted([*rest, *blocks], key=lambda each: each.event.start_s)))


def align_marks(session: Session) -> Session:
    """Move marked events to where the signals show them, and say so; they stay where they fit."""
    found = _found(session)
    alignment = None if found is None else align_events(session.events, found.events)
    if alignment is None:
        return session
    way = "late" if alignment.shift_s < 0 else "early"
    said = (
        f"The events were marked {abs(alignment.shift_s):.1f} s {way} and were moved by that: so {alignment.matched} "
        f"of {alignment.marked} lie where the signals show them."
    )
    events = shifted(session.events, alignment.shift_s)
    return replace(session, events=events, warnings=(*session.warnings, said))


def _found(session: Session) -> FoundEvents | None:
    """What the signals show; None where the log is too short or its signals do not serve."""
    raw = session.raw
    if raw.ticks[-1] - raw.ticks[0] < LEAST_S * session.profile.tick_hz:
        return None
    try:
        return find_events(prepare_signals(session, fit_timebase(raw, session.profile)))
    except StrokeplaneError:
        return None  # the analysis says what is wrong with the signals


def events_table(events: Sequence[Event], found: FoundEvents) -> str:
    """EVENTS.csv of what was found, with how sure in the label's place where there is none of its own.

    Parameters
    ----------
    events : sequence of Event
        One for each item found.
    found : FoundEvents
        What was found, and how sure each is.

    Returns
    -------
    str
        CSV with a header line; times in s.
    """
    out = io.StringIO()
    table = writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for event, item in zip(events, found.found, strict=True):
        cells = {
            "start_s": f"{event.start_s:.3f}",
            "end_s": f"{event.end_s:.3f}",
            "kind": event.kind,
            "label": guarded(event.label) or f"found: {sure_word(item.sure)}",
            "posture": guarded(event.posture),
        }
        table.writerow([cells.get(name, "") for name in COLUMNS])
    return out.getvalue()


def sure_word(sure: float) -> str:
    """A word for how sure.

    Parameters
    ----------
    sure : float
        0 to 1.

    Returns
    -------
    {"sure", "likely", "unsure"}
    """
    return "sure" if sure >= 0.9 else "likely" if sure >= 0.6 else "unsure"
