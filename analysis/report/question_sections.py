"""The player's questions as sections of a report. A question that a session does not put has no section."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.model.number_words import degrees, in_100, signed
from analysis.questions.clearing import Clearing
from analysis.questions.consistency import Consistency
from analysis.questions.hold import HoldTempo
from analysis.questions.hold_failure import HoldPiece
from analysis.questions.posture import PostureComparison
from analysis.questions.posture_words import (
    say_comparison,
    say_parts,
)
from analysis.questions.switch_success import SwitchSuccess
from analysis.report.answer_sentences import (
    name_posture,
    say_clearing,
    say_comparison_notes,
    say_consistency,
    say_hold,
    say_switches,
)
from analysis.report.figures_questions import (
    draw_clearing,
    draw_consistency,
    draw_differences,
    draw_hold,
    draw_posture_blocks,
    draw_switches,
)
from analysis.report.sections import Choice, Picture, Section, Table
from analysis.report.session_answers import SessionAnswers
from analysis.report.tension_sections import tension_section
from analysis.statistics.estimate_words import LEAST_DF, TOO_FEW


def question_sections(answers: SessionAnswers) -> tuple[Section, ...]:
    """Sections of the questions that a session can answer, or why it cannot where it was meant to.

    Parameters
    ----------
    answers : SessionAnswers

    Returns
    -------
    tuple of Section
        Hold tempo, consistency, clearing, the comparison of two postures, switches, tension; each where there is an
        answer.
    """
    sections: list[Section] = []
    if answers.holds:
        sections.append(hold_section(answers.holds))
    if answers.steady:
        sections.append(consistency_section(answers.steady))
    if answers.clears:
        sections.append(clearing_section(answers.clears))
    if isinstance(answers.comparison, str):
        sentence = f"The postures cannot be compared here: {answers.comparison}."
        sections.append(Section("postures", "Which posture?", sentence))
    elif answers.comparison is not None:
        sections.append(comparison_section(answers.comparison))
    if answers.switches is not None:
        sections.append(switch_section(answers.switches))
    if isinstance(answers.tension, str):
        sections.append(Section("tension", "Is tension building up?", f"This cannot be told here: {answers.tension}."))
    elif answers.tension is not None:
        sections.append(tension_section(answers.tension))
    return tuple(sections)


def hold_section(holds: Sequence[HoldTempo]) -> Section:
    """Does it stay tilted at speed.

    Parameters
    ----------
    holds : sequence of HoldTempo
        One a posture.

    Returns
    -------
    Section
    """
    choices = tuple(Choice(_label(h.posture), (Picture(draw_hold(h), say_hold(h)),)) for h in holds)
    rows = []
    for hold in holds:
        for p in sorted(hold.pieces, key=lambda piece: piece.strokes_per_s):
            clearing = "" if p.share_clearing is None else in_100(p.share_clearing)
            rows.append(
                (
                    "" if p.tempo_bpm is None else f"{p.tempo_bpm:g} BPM",
                    _played_at(hold, p),
                    hold.posture,
                    degrees(p.tilt_deg),
                    degrees(p.tilt_sd_deg),
                    in_100(p.share_held),
                    clearing,
                )
            )
    columns = ("Click", "Played at", "Posture", "Tilt", "Scatter", "Hold, of 100", "Clear, of 100")
    return Section(
        "hold",
        "Does it stay tilted at speed?",
        " ".join(say_hold(hold) for hold in holds),
        choices,
        Table("Tilt by speed", columns, tuple(rows)),
        _remarks([(h.posture, h.remarks) for h in holds]),
    )


def _played_at(hold: HoldTempo, piece: HoldPiece) -> str:
    """The measured speed; as a tempo too where there is no click, which is a quantity of its own."""
    bpm = None if piece.tempo_bpm is not None else hold.bpm(piece.strokes_per_s)
    return f"{piece.strokes_per_s:.1f}/s" + ("" if bpm is None else f", {bpm:.0f} BPM")


def consistency_section(steady: Sequence[Consistency]) -> Section:
    """Is it consistent.

    Parameters
    ----------
    steady : sequence of Consistency
        One a posture.

    Returns
    -------
    Section
    """
    choices = tuple(Choice(_label(s.posture), (Picture(draw_consistency(s), say_consistency(s)),)) for s in steady)
    rows = []
    for s in steady:
        for e in s.evenness:
            d = e.difference
            unit = "°" if e.unit == "deg" else f" {e.unit}"
            ends = TOO_FEW if d.df < LEAST_DF else f"{signed(d.low, 2)} to {signed(d.high, 2)}"
            rows.append((e.name, s.posture, f"{signed(d.value, 2)}{unit}", ends))
    columns = ("Difference in", "Posture", "Downstroke less upstroke", "95 % interval")
    return Section(
        "steady",
        "Is it consistent?",
        " ".join(say_consistency(s) for s in steady),
        choices,
        Table("Evenness of both strokes", columns, tuple(rows)) if rows else None,
        _remarks([(s.posture, s.remarks) for s in steady]),
    )


def clearing_section(clears: Sequence[Clearing]) -> Section:
    """Will it clear.

    Parameters
    ----------
    clears : sequence of Clearing
        One a posture.

    Returns
    -------
    Section
    """
    choices = tuple(Choice(_label(c.posture), (Picture(draw_clearing(c), say_clearing(c)),)) for c in clears)
    rows = []
    for c in clears:
        for p in c.pairs:
            name = "any string to the next" if p.from_string == 0 else f"string {p.from_string} to {p.to_string}"
            ends = f"{signed(p.margin_mm.low or 0.0)} to {signed(p.margin_mm.high or 0.0)}"
            passing = in_100(p.share.value)
            rows.append((name, c.posture, c.direction, passing, signed(p.margin_mm.value), ends))
    columns = ("From", "Posture", "Stroke", "Pass, of 100", "Margin, mm", "95 % interval")
    return Section(
        "room",
        "Will it clear, and how small may the stroke be?",
        " ".join(say_clearing(c) for c in clears),
        choices,
        Table("Height at the next string", columns, tuple(rows)),
        _remarks([(c.posture, c.remarks) for c in clears]),
    )


def comparison_section(comparison: PostureComparison) -> Section:
    """Which posture.

    Parameters
    ----------
    comparison : PostureComparison

    Returns
    -------
    Section
    """
    pictures = [Picture(draw_posture_blocks(comparison), "Tilt of every block, by posture.")]
    if comparison.measures:
        pictures.append(Picture(draw_differences(comparison), say_comparison(comparison)))
    rows = tuple(
        (
            f"{m.name}, {m.unit}",
            signed(m.first),
            signed(m.second),
            *say_parts(m),
        )
        for m in comparison.measures
    )
    columns = ("Difference in", comparison.first, comparison.second, "Difference", "95 % interval", "p")
    return Section(
        "postures",
        "Which posture?",
        say_comparison(comparison),
        (Choice("", tuple(pictures)),),
        Table("Differences between the postures", columns, rows) if rows else None,
        say_comparison_notes(comparison),
    )


def switch_section(found: SwitchSuccess) -> Section:
    """Do switches of posture come."""
    rows = tuple(
        (
            f"{g.from_posture} to {g.to_posture}",
            "" if g.tempo_bpm is None else f"{g.tempo_bpm:.0f} BPM",
            f"{g.made.count} of {g.made.of}",
            f"{in_100(g.made.low)} to {in_100(g.made.high)} of 100",
            str(g.lost.count),
            "" if g.median_strokes is None else f"{g.median_strokes:.0f}",
        )
        for g in found.groups
    )
    columns = ("Switch", "Tempo", "Made", "95 % interval", "Lost by accident", "Strokes until it holds")
    notes = []
    if found.changes_inside:
        notes.append(f"Inside single blocks the tilt changed {found.changes_inside} times by groups of strokes.")
    if found.untold:
        notes.append(f"{found.untold} more switches cannot be told: the two postures tilt too much alike.")
    return Section(
        "switches",
        "Do the switches come off?",
        say_switches(found),
        (Choice("", (Picture(draw_switches(found), say_switches(found)),)),),
        Table("Switches by direction and tempo", columns, rows),
        tuple(notes),
    )


def _label(posture: str) -> str:
    return f"Posture {posture}" if posture else "All play"


def _remarks(said: Sequence[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
    """Remarks of all postures as sentences, each once."""
    sentences = []
    for posture, remarks in said:
        head = name_posture(posture) if len(said) > 1 else ""
        sentences += [f"{head}{remark}." for remark in remarks]
    return tuple(dict.fromkeys(sentence[:1].upper() + sentence[1:] for sentence in sentences))
