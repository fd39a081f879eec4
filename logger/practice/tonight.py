"""Reduce an analysed session to the evening that the next plan follows from."""

from __future__ import annotations

from datetime import datetime
from typing import cast

import numpy as np

from analysis.drills.phrases import read_phrase
from analysis.model.cautions import discomfort
from analysis.model.errors import InputError
from analysis.model.records import BlockSummary, Session, SessionResult
from analysis.questions.block_table import FEWEST_STROKES, steady_strokes
from analysis.report.session_answers import SessionAnswers
from analysis.tension.assessment import Tension
from logger.practice.ability import Burst, Evening, PlayedPosture, PlayedSwitch
from logger.practice.plan import MOST_STRINGS, NUMBERS

HIGH_RATING = 7.0
FOLLOWED = 0.05
"""A speed so near to the click's is the click's."""
EARLIEST_S = 946_684_800.0
"""The year 2000: a host time before it is no date but a count from some start."""
USUAL_NOTES = 4.0
"""Notes a beat where blocks do not say."""


def day_of(session: Session) -> str:
    """The day on which a session was played, as 2026-11-26 by this computer's calendar; empty where it is not known.

    Parameters
    ----------
    session : Session
        Its samples carry the times of their arrival.

    Returns
    -------
    str
    """
    arrived_s = session.raw.host_time_s
    known = arrived_s[arrived_s > EARLIEST_S]
    return datetime.fromtimestamp(float(known[0])).date().isoformat() if known.size else ""


def reduce_evening(result: SessionResult, answers: SessionAnswers, day: str = "") -> Evening:
    """Reduce a session; postures only where tilt is in the instrument's frame.

    Parameters
    ----------
    result : SessionResult
    answers : SessionAnswers
        Of the same session.
    day : str
        When it was played, as :func:`day_of` has it.

    Returns
    -------
    Evening
    """
    hurt = discomfort(result.events)
    return Evening(
        log_hash=result.log_hash,
        minutes=sum(block.end_s - block.start_s for block in result.blocks) / 60,
        worry=_worry(result, answers, hurt),
        hurt=bool(hurt),
        postures=_postures(result, answers) if result.reference.kind == "gestures" else (),
        switches=_switches(answers),
        day=day,
    )


def _worry(result: SessionResult, answers: SessionAnswers, hurt: list[str]) -> str:
    if hurt:
        return hurt[0]
    if isinstance(answers.tension, Tension) and answers.tension.level.level != "steady":
        return f"the markers of tension said {answers.tension.level.level}"
    high = [e for e in result.events if e.kind == "rating" and (e.rating or 0.0) >= HIGH_RATING]
    return f"you rated {high[-1].label or 'tension'} {high[-1].rating:g} of 10" if high else ""


def _postures(result: SessionResult, answers: SessionAnswers) -> tuple[PlayedPosture, ...]:
    strokes = steady_strokes([result])
    smallest = {c.posture: c.room.smallest.value for c in answers.clears if c.room.smallest is not None}
    groups: dict[tuple[str, str], list[int]] = {}
    for index in sorted(set(strokes["block"])):
        block = result.blocks[int(index)]
        if int((strokes["block"] == index).sum()) >= FEWEST_STROKES and not block.groups:
            groups.setdefault((block.posture, _phrase(block.drill)), []).append(int(index))
    found = []
    for (posture, drill), indices in groups.items():
        own = strokes[strokes["block"].isin(indices)]
        blocks = [result.blocks[i] for i in indices]
        notes = next((b.notes_per_beat for b in blocks if b.notes_per_beat), USUAL_NOTES)
        wanted = next((b.wanted for b in blocks if b.wanted), None)
        wanted = wanted or ("down" if float(own["tilt_deg"].median()) > 0 else "up")
        sign = 1.0 if wanted == "down" else -1.0
        bursts = []
        for index in indices:
            part = own[own["block"] == index]
            tempo = _tempo_bpm(result.blocks[index], 60 * float(part["strokes_per_s"].median()) / notes)
            margin = sign * part["tilt_deg"].to_numpy(np.float64) - result.instrument.dead_band_deg
            low, high = NUMBERS["tempo_bpm"]
            bursts.append(Burst(float(np.clip(tempo, low, high)), int((margin > 0).sum()), len(part)))
        span = float(own["span_mm"].median())
        found.append(PlayedPosture(posture, drill, notes, wanted, tuple(bursts), span, smallest.get(posture)))
    return tuple(found)


def _tempo_bpm(block: BlockSummary, measured_bpm: float) -> float:
    """The click's tempo, where it was followed; else the one measured."""
    followed = block.tempo_bpm is not None and abs(measured_bpm / block.tempo_bpm - 1) < FOLLOWED
    return block.tempo_bpm if followed and block.tempo_bpm else measured_bpm


def _phrase(drill: str) -> str:
    """The drill, where it is a phrase that a plan can hold."""
    try:
        read_phrase(drill, MOST_STRINGS)
    except InputError:
        return ""
    return drill


def _switches(answers: SessionAnswers) -> tuple[PlayedSwitch, ...]:
    if answers.switches is None:
        return ()
    told = [g for g in answers.switches.groups if g.tempo_bpm is not None]
    return tuple(
        PlayedSwitch(g.from_posture, g.to_posture, cast("float", g.tempo_bpm), g.made.count, g.made.of) for g in told
    )
