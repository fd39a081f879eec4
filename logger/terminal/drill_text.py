"""Phrases, twins and verdicts on string changes as plain text for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import get_args

import pandas as pd

from analysis.drills.phrases import Demand, Phrase, read_demand, write_phrase
from analysis.drills.reading import MusicRead
from analysis.drills.session_changes import A_STROKE, DrillBlock, pair_cells, sure_words, weakest_words
from analysis.drills.tab import write_tab
from analysis.drills.tuning import Tuning
from analysis.drills.twins import Twin
from analysis.model.number_words import block_number
from analysis.model.records import Clearing


def describe_phrase(phrase: Phrase, tuning: Tuning, title: str) -> str:
    """Return a phrase with its tab and what it demands.

    Parameters
    ----------
    phrase : Phrase
    tuning : Tuning
        With as many strings as the phrase.
    title : str
        What to call it.

    Returns
    -------
    str
        Several lines.

    Raises
    ------
    InputError
        Phrase and tuning have different numbers of strings.
    """
    demand = read_demand(phrase)
    count = phrase.stroke_count(1)
    shape = (
        f"{count} note{'s' * (count != 1)}, {'looped' if phrase.loops else 'once'}, {phrase.first_stroke}stroke first"
    )
    if phrase.cycle_notes > len(phrase.notes):
        shape += "; an odd number of notes: the strokes swap on every pass"
    lines = [f"{title}: {write_phrase(phrase)}", f"  {shape}", "", _indent(write_tab(phrase, tuning))]
    lines.append(describe_demand(demand))
    if demand.changes:
        lines += ["", *_changes_table(phrase, demand)]
    return "\n".join(lines)


def describe_twins(twins: Sequence[Twin]) -> str:
    """Return twins as a list: the way, what is changed, and the phrase as text.

    Parameters
    ----------
    twins : sequence of Twin
        At least one, the smallest change first.

    Returns
    -------
    str
        Several lines.
    """
    lines = [f"Twins, the smallest change first. {describe_demand(read_demand(twins[0].phrase))}"]
    for number, twin in enumerate(twins, 1):
        lines += ["", f"  {number}. {twin.way}: {twin.change}", f"     {write_phrase(twin.phrase)}"]
    return "\n".join(lines)


def describe_reading(read: MusicRead) -> str:
    """Return what was read and what was not.

    Parameters
    ----------
    read : MusicRead

    Returns
    -------
    str
        Several lines.
    """
    phrase = read.phrase
    tempo = "" if read.tempo_bpm is None else f"; the file's tempo is {read.tempo_bpm:g} BPM"
    lines = [f"Read {phrase.stroke_count(1)} strokes on {len({n.string for n in phrase.played})} strings{tempo}."]
    return "\n".join([*lines, *(str(remark) for remark in read.remarks)])


def render_reading(read: MusicRead, tuning: Tuning) -> str:
    """Return what was read as a tab that can be changed and read again, with all other lines as remarks.

    Parameters
    ----------
    read : MusicRead
    tuning : Tuning
        With as many strings as the phrase.

    Returns
    -------
    str
        Text tab.

    Raises
    ------
    InputError
        Phrase and tuning have different numbers of strings.
    """
    remarks = [f"# {remark.text}" for remark in read.remarks if remark.text]
    phrase = read.phrase
    # An uneven phrase has its line of text in the tab already.
    head = [f"# {write_phrase(phrase)}"] if phrase.is_even and not phrase.lead else []
    lines = [*head, *(line.replace("# #", "#") for line in remarks)]
    return "\n".join([*lines, "", write_tab(read.phrase, tuning)]) + "\n"


def describe_demand(demand: Demand) -> str:
    """Return in one sentence which stroke must clear."""
    total = len(demand.changes)
    if demand.kind == "none":
        return "Demands no stroke: it stays on one string, where nothing has to clear."
    if demand.kind == "mixed":
        return (
            f"Demands both strokes: {demand.after_up} of {total} string changes follow an upstroke, "
            f"{demand.after_down} a downstroke."
        )
    stroke = A_STROKE["up" if demand.kind == "up" else "down"]
    return f"Demands the {demand.kind}stroke: every string change follows {stroke} ({total} of {total})."


def describe_suit(demand: Demand, clearing: Clearing | None) -> str:
    """Return how the phrase suits one clearing stroke, or all of them.

    Parameters
    ----------
    demand : Demand
        Of the phrase.
    clearing : Clearing or None
        The stroke that clears, or None for all kinds.

    Returns
    -------
    str
    """
    if not demand.changes:
        return "It suits every hand."
    kinds: Sequence[Clearing] = get_args(Clearing) if clearing is None else (clearing,)
    return "\n".join(_suit_line(demand, kind) for kind in kinds)


def _suit_line(demand: Demand, clearing: Clearing) -> str:
    who = {
        "down": "A hand whose downstroke clears",
        "up": "A hand whose upstroke clears",
        "both": "A hand whose strokes both clear",
        "level": "A level stroke (clears neither way)",
    }[clearing]
    suited, total = demand.suited(clearing), len(demand.changes)
    if suited == total:
        return f"{who} plays all {total} changes clear: it suits."
    if suited == 0:
        return (
            f"{who} has to jump at all {total} changes: try the twin."
            if clearing != "level"
            else (f"{who} has to jump at all {total} changes: tilt the stroke.")
        )
    return f"{who} plays {suited} of {total} changes clear and has to jump at {total - suited}."


def _changes_table(phrase: Phrase, demand: Demand) -> list[str]:
    rows = [("after note", "from string", "to string", "after", "")]
    count = len(phrase.notes) if phrase.loops else phrase.stroke_count(1)
    for change in demand.changes:
        marks = []
        if change.index >= count:
            marks.append("second pass")
        if change.seam:
            marks.append("the loop's seam")
        if change.reverses:
            marks.append("change of direction")
        rows.append(
            (
                str(change.index % count + 1),
                str(change.from_string),
                str(change.to_string),
                f"{change.after}stroke",
                ", ".join(marks),
            )
        )
    return _columns(rows)


def describe_block(block: DrillBlock) -> str:
    """Return one block's verdicts: how many changes cleared, by string pair, and the weakest one.

    Parameters
    ----------
    block : DrillBlock

    Returns
    -------
    str
        Several lines.
    """
    changes = block.changes
    lines = [f"Block {block_number(block.index)}: {write_phrase(block.phrase)}", f"  {describe_demand(block.demand)}"]
    alignment = block.alignment
    lines.append(
        f"  Strokes matched with notes: {len(alignment.note) - alignment.extra} of {len(alignment.note)}, "
        f"{alignment.missed} notes missed, {alignment.extra} extra strokes; "
        f"{100 * alignment.mean_confidence:.0f} % sure{', with the help of the sound' if block.by_sound else ''}."
    )
    if changes.empty:
        return "\n".join([*lines, "  No string change was played."])
    counts = changes["verdict"].value_counts()
    cleared, touched, open_ = (int(counts.get(key, 0)) for key in ("cleared", "touched", "not known"))
    lines.append(f"  {len(changes)} string changes: {cleared} cleared, {touched} touched, {open_} not known.")
    lines += [f"  {sure_words(changes)}"] if open_ < len(changes) else []
    if open_:
        reasons = changes.loc[changes["verdict"] == "not known", "reason"].value_counts()
        lines.append("  Not known: " + ", ".join(f"{name} ({n})" for name, n in reasons.items()) + ".")
    lines += ["", *_pairs_table(block.pairs), ""]
    lines += [f"  {sentence}" for sentence in weakest_words(block)]
    return "\n".join(lines)


def tell_block(block: DrillBlock) -> dict[str, object]:
    """One block's verdicts for programs: the same as :func:`describe_block`, and every change.

    Parameters
    ----------
    block : DrillBlock

    Returns
    -------
    dict
        Of plain values and tables.
    """
    alignment = block.alignment
    return {
        "block": block.index,
        "phrase": write_phrase(block.phrase),
        "demand": block.demand.kind,
        "suits": block.suits,
        "strokes": len(alignment.note),
        "strokes_extra": alignment.extra,
        "notes_missed": alignment.missed,
        "alignment_confidence": alignment.mean_confidence,
        "by_sound": block.by_sound,
        "changes": block.changes,
        "pairs": block.pairs,
        "weakest": None if block.weakest is None else dict(block.weakest),
        "said": [words for words in (sure_words(block.changes), *weakest_words(block)) if words],
    }


def _pairs_table(pairs: pd.DataFrame) -> list[str]:
    head = ("from", "to", "after", "changes", "cleared", "touched", "not known", "height, mm", "sure, %")
    return _columns([head, *pair_cells(pairs)])


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _indent(text: str) -> str:
    return "\n".join(f"  {line}".rstrip() for line in text.splitlines()) + "\n"


def join_parts(parts: Iterable[str]) -> str:
    """Return parts with an empty line between them.

    Parameters
    ----------
    parts : sequence of str

    Returns
    -------
    str
    """
    return "\n\n".join(parts)
