"""Data quality in plain words: what was lost, saturated or done badly, and what that costs in degrees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.model.number_words import clock, degrees, duration
from analysis.model.records import BlockSummary, GestureQuality, Session, SessionResult, TruthCheck
from analysis.reference.reference_grade import GOOD_OFFSET_SE_DEG, USABLE_OFFSET_SE_DEG, grade_reference
from analysis.signal.clock_remarks import clock_remarks
from analysis.signal.timebase import Timebase
from analysis.signal.working_grid import ATTACK_MIN_RATE_HZ, Signals
from analysis.stroke.truth_checks import angle_words, latest_checks, side_words

Grade = Literal["good", "usable", "poor"]

SILENCE_S = 2.0
FEW_LOST = 0.002
MANY_LOST = 0.02
GESTURE_ORDER = ("across", "along", "pivot")
REPEATED = ("across", "pivot")
"""Gestures that leave most open, as a rule."""
WATCHED = "Instrument watched"
WORTH_REPEATING = 0.5
"""A gesture is worth repeating if it adds at least half of what the worst one adds."""


@dataclass(frozen=True)
class QualityLine:
    """One statement about the data: what it is about, how it stands, what it costs.

    Attributes
    ----------
    subject : str
        What it is about.
    words : str
        How it stands.
    cost : str
        What it costs the answer; empty where nothing.
    grade : Grade
        For a colour or sign.
    """

    subject: str
    words: str
    cost: str
    grade: Grade


def describe_quality(result: SessionResult) -> tuple[QualityLine, ...]:
    """Say in plain words how good the data is, and what each weakness costs in degrees of tilt.

    Parameters
    ----------
    result : SessionResult

    Returns
    -------
    tuple of QualityLine
    """
    lines = [_losses(result), _clipping(result)]
    lines += [line for line in (_silence(result), _contacts(result)) if line is not None]
    lines += [_gesture(gesture, result) for gesture in result.reference.gestures]
    lines += [_missing(kind, result) for kind in GESTURE_ORDER if result.reference.repetitions.get(kind, 0) == 0]
    lines += [_check(check, result) for check in latest_checks(result.checks)]
    lines += [_all_gestures(result), *_doubts(result), _instrument(result), _own_error(result)]
    return tuple(lines)


def repeat_gestures(block: BlockSummary) -> str:
    """The advice to repeat the gestures that leave most open, with what one more repetition would bring."""
    parts = block.tilt_offset_parts_deg
    if block.tilt_offset_se_deg is None:
        return "Repeat across and pivot before you play on."
    total = block.tilt_offset_se_deg
    if parts is None:
        worst, after = list(REPEATED), total / 2**0.5
    else:
        most = max(parts.get(kind, 0.0) for kind in REPEATED)
        worst = [kind for kind in REPEATED if parts.get(kind, 0.0) >= WORTH_REPEATING * most]
        # Repetitions are independent: a second one halves the variance that a gesture adds.
        after = max(0.0, total**2 - 0.5 * sum(parts.get(kind, 0.0) ** 2 for kind in worst)) ** 0.5
    return (
        f"Repeat {' and '.join(worst)} before you play on: once more brings the offset from ±{degrees(1.96 * total)} "
        f"to about ±{degrees(1.96 * after)}."
    )


def _losses(result: SessionResult) -> QualityLine:
    expected = max(1, round(result.duration_s * result.rate_hz))
    share = result.lost_samples / expected
    rate = f"{result.rate_hz:.0f} samples a second for {duration(result.duration_s)}"
    if result.lost_samples == 0:
        return QualityLine("Samples", f"All arrived: {rate}.", "0°", "good")
    grade: Grade = "good" if share < FEW_LOST else "usable" if share < MANY_LOST else "poor"
    return QualityLine(
        "Samples",
        f"{result.lost_samples} of {expected} were lost ({100 * share:.2g} %), of {rate}.",
        "0°: a stroke with a gap in it is left out, not guessed",
        grade,
    )


def _clipping(result: SessionResult) -> QualityLine:
    if result.clipped_samples == 0:
        return QualityLine("Range", "No sample reached the end of the sensor's range.", "0°", "good")
    share = result.clipped_samples / max(1.0, result.duration_s * result.rate_hz)
    return QualityLine(
        "Range",
        f"{result.clipped_samples} samples reached the end of the sensor's range; choose a larger range.",
        "unknown for strokes right there, 0° elsewhere",
        "usable" if share < FEW_LOST else "poor",
    )


def _silence(result: SessionResult) -> QualityLine | None:
    """Marked play in which no stroke was found."""
    if not result.blocks:
        return None
    marked = sum(block.end_s - block.start_s for block in result.blocks)
    silent = 0.0
    number = result.strokes["block"].fillna(-1).to_numpy(np.int64)
    for block in result.blocks:
        own = result.strokes[number == block.index]
        edges = np.concatenate([[block.start_s], own["start_s"].to_numpy(), [block.end_s]])
        ends = np.concatenate([[block.start_s], own["end_s"].to_numpy(), [block.end_s]])
        waits = edges[1:] - ends[:-1]
        silent += float(waits[waits > SILENCE_S].sum())
    grade: Grade = "good" if silent < 0.05 * marked else "usable" if silent < 0.3 * marked else "poor"
    words = (
        "Strokes were found throughout the marked play."
        if silent == 0
        else (f"No stroke was found in {duration(silent)} of {duration(marked)} of marked play.")
    )
    return QualityLine("Strokes", f"{len(result.strokes)} strokes. {words}", "0°", grade)


def _contacts(result: SessionResult) -> QualityLine | None:
    if result.strokes.empty or "attack" not in result.strokes:
        return None
    found = float(result.strokes["attack"].mean())
    if result.rate_hz < ATTACK_MIN_RATE_HZ:
        words = f"Below {ATTACK_MIN_RATE_HZ:.0f} samples a second the moment of string contact cannot be seen."
        return QualityLine("String contact", words, "0°; lift assumes contact at mid-stroke", "usable")
    return QualityLine(
        "String contact",
        f"Felt in {100 * found:.0f} % of strokes.",
        "0°" if found == 1 else "0°; elsewhere lift assumes contact at mid-stroke",
        "good" if found > 0.8 else "usable",
    )


def _cost(gesture: GestureQuality, result: SessionResult) -> str:
    """What all gestures of this kind and posture leave open, in degrees."""
    blocks = [b for b in result.blocks if b.tilt_offset_parts_deg is not None]
    own = [b for b in blocks if b.posture == gesture.posture] or blocks
    parts = [(b.tilt_offset_parts_deg or {}).get(gesture.kind) for b in own]
    known = [part for part in parts if part is not None]
    if not known:
        return "in the session offset"
    same = [
        g for g in result.reference.gestures if (g.kind, g.posture, g.usable) == (gesture.kind, gesture.posture, True)
    ]
    together = f", {len(same)} repetitions together" if len(same) > 1 else ""
    return f"±{degrees(1.96 * float(np.sqrt(np.mean(np.square(known)))))} (95 %){together}"


def _gesture(gesture: GestureQuality, result: SessionResult) -> QualityLine:
    posture = f", posture {gesture.posture}" if gesture.posture else ""
    subject = f"Gesture {gesture.kind} at {clock(gesture.start_s - result.start_s)}{posture}"
    if not gesture.usable:
        return QualityLine(subject, f"Not usable: {gesture.remark or 'too poor'}.", "left out", "poor")
    if gesture.kind == "pivot":
        words = gesture.remark[:1].upper() + gesture.remark[1:] if gesture.remark else "Done well enough"
        return QualityLine(subject, f"{words}.", _cost(gesture, result), "good")
    words = f"{gesture.cycles:g} cycles of {gesture.extent_mm:.0f} mm, {100 * gesture.straightness:.0f} % straight."
    grade: Grade = "good" if gesture.straightness > 0.85 and gesture.cycles >= 4 else "usable"
    return QualityLine(subject, words, _cost(gesture, result), grade)


def _missing(kind: str, result: SessionResult) -> QualityLine:
    words = "Missing, or not usable."
    if result.reference.kind == "gestures":  # Then it is pivot: a ruler's lever arm stands in for it.
        return QualityLine(
            f"Gesture {kind}", words, "in the session offset: only the ruler's lever arm is known", "usable"
        )
    return QualityLine(f"Gesture {kind}", words, "no string plane without it", "poor")


def _check(check: TruthCheck, result: SessionResult) -> QualityLine:
    subject = f"{check.kind.capitalize()} at {clock(check.start_s - result.start_s)}"
    words = side_words(check) if check.kind == "side check" else angle_words(check)
    cost = "0°" if check.passed else "nothing is sure" if check.kind == "side check" else "see the doubt"
    return QualityLine(
        subject, words, cost if check.passed is not None else "not judged", "good" if check.passed else "poor"
    )


def _all_gestures(result: SessionResult) -> QualityLine:
    offset = _without_doubts(result)
    grade = grade_reference(result.reference, offset)
    if result.reference.kind == "hand":
        return QualityLine("String plane", "Unknown: tilt is against the hand's own mean plane.", "unknown", "poor")
    if offset is None:
        return QualityLine("Session offset", "How far the gestures may be off is not known.", "unknown", "poor")
    return QualityLine(
        "Session offset",
        "What the gestures leave open, alike in every stroke. A new grip since is not in it: it wants its own pivot.",
        f"±{degrees(1.96 * offset)} (95 %)",
        "poor" if grade in ("poor", "none") else "good" if grade == "good" else "usable",
    )


def _without_doubts(result: SessionResult) -> float | None:
    """The session offset's standard error (deg) by the gestures alone."""
    parts = [block.tilt_offset_parts_deg for block in result.blocks if block.tilt_offset_parts_deg is not None]
    if not parts:
        return result.tilt_offset_se_deg
    variances = [sum(value**2 for cause, value in part.items() if cause != "doubts") for part in parts]
    return float(np.sqrt(np.mean(variances)))


def _doubts(result: SessionResult) -> list[QualityLine]:
    """What makes the hand's tilt less certain than the gestures leave it, and by how much."""
    return [
        QualityLine(
            doubt.fault[0].upper() + doubt.fault[1:],
            f"{doubt.evidence[0].upper()}{doubt.evidence[1:]}; {doubt.change}.",
            f"±{degrees(1.96 * doubt.se_deg)} (95 %)",
            "usable" if doubt.se_deg < USABLE_OFFSET_SE_DEG else "poor",
        )
        for doubt in result.doubts
        if doubt.about == "hand" and doubt.se_deg > 0
    ]


def _instrument(result: SessionResult) -> QualityLine:
    """What a sensor on the instrument told, or what is assumed without one."""
    if result.witness is None:
        assumed = [block.tip_parts_deg["instrument"] for block in result.blocks if block.tip_parts_deg]
        cost = f"±{degrees(1.96 * max(assumed))} about the tip (95 %)" if assumed else "unknown"
        return QualityLine("Instrument", "No sensor watches it: its roll since the gestures is assumed.", cost, "good")
    seen = [block for block in result.witness.blocks if block.known]
    what = {"board": "a sensor", "phone": "a phone"}[result.witness.kind]
    if not seen:
        return QualityLine(WATCHED, f"There is {what} on it, but it told nothing about any block.", "unknown", "poor")
    off, roll = (max(abs(getattr(block, name)) for block in seen) for name in ("without_deg", "roll_deg"))
    part = "" if len(seen) == len(result.blocks) else f"In {len(seen)} of {len(result.blocks)} blocks: "
    residue = max(block.residue_deg for block in seen)
    return QualityLine(
        WATCHED,
        f"{part}{what[0].upper()}{what[1:]} on it saw it roll by up to {degrees(roll)} since the gestures. Without "
        f"it, tilts would be up to {degrees(off)} off.",
        f"±{degrees(1.96 * residue)} (95 %)",
        "good" if residue < GOOD_OFFSET_SE_DEG else "usable" if residue < USABLE_OFFSET_SE_DEG else "poor",
    )


def _own_error(result: SessionResult) -> QualityLine:
    own = float(np.sqrt((result.strokes["tilt_se_deg"] ** 2).mean())) if len(result.strokes) else float("nan")
    return QualityLine(
        "Single stroke",
        "What the sensor's noise alone adds to one stroke.",
        f"±{degrees(1.96 * own)} (95 %)",
        "good" if own < 1 else "usable" if own < 3 else "poor",
    )


def data_warnings(session: Session, timebase: Timebase, signals: Signals) -> list[str]:
    """Sentences about losses, repeats, clipping and jitter.

    Parameters
    ----------
    session : Session
    timebase : Timebase
    signals : Signals

    Returns
    -------
    list of str
    """
    found = []
    share = timebase.lost_samples / timebase.grid.size
    if share >= FEW_LOST:
        found.append(f"{timebase.lost_samples} of {timebase.grid.size} samples are missing ({100 * share:.2g} %)")
    found += clock_remarks(timebase)
    if signals.clipped_samples:
        found.append(f"{signals.clipped_samples} samples are saturated; choose a larger range if this happens in play")
    if session.instrument.radius_mm is None:
        found.append("the arch of the strings is not given: the string plane is taken as flat")
    return found
