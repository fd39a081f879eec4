"""Phrases, twins and verdicts on string changes as plain text for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import get_args

import pandas as pd

from analysis.drills.phrases import Demand, Phrase, require_changes, write_phrase
from analysis.drills.session_changes import A_STROKE, DrillBlock, pair_cells, weakest_words
from analysis.drills.tab import write_tab
from analysis.drills.tuning import Tuning
from analysis.model.number_words import block_number
from analysis.model.records import Clearing


def describe_phrase(phrase: Phrase, tuning: Tuning, title: str) -> str:
    """Return a phrase with its tab and what it demands.

    Raises
    ------
    InputError
        If the phrase stays on one string.
    """
    demand = require_changes(phrase)
    count = len(phrase.notes)
    shape = (
        f"{count} note{'s' * (count != 1)}, {'looped' if phrase.loops else 'once'}, {phrase.first_stroke}stroke first"
    )
    if phrase.cycle_notes > count:
        shape += "; an odd number of notes: the strokes turn round on every pass"
    lines = [f"{title}: {write_phrase(phrase)}", f"  {shape}", "", _indent(write_tab(phrase, tuning))]
    lines += [describe_demand(demand), "", *_changes_table(phrase, demand)]
    return "\n".join(lines)


def describe_demand(demand: Demand) -> str:
    """Return in one sentence which stroke must clear."""
    total = len(demand.changes)
    if demand.kind == "mixed":
        return (
            f"Demands both strokes: {demand.after_up} of {total} string changes follow an upstroke, "
            f"{demand.after_down} a downstroke."
        )
    stroke = A_STROKE["up" if demand.kind == "up" else "down"]
    return f"Demands the {demand.kind}stroke: every string change follows {stroke} ({total} of {total})."


def describe_suit(demand: Demand, clearing: Clearing | None) -> str:
    """Return how the phrase suits one clearing stroke, or all of them."""
    kinds: Sequence[Clearing] = get_args(Clearing) if clearing is None else (clearing,)
    return "\n".join(_suit_line(demand, kind) for kind in kinds)


def _suit_line(demand: Demand, clearing: Clearing) -> str:
    who = {
        "down": "A hand whose downstroke clears",
        "up": "A hand whose upstroke clears",
        "both": "A hand whose both strokes clear",
        "level": "A level stroke (clears neither way)",
    }[clearing]
    suited, total = demand.suited(clearing), len(demand.changes)
    if suited == total:
        return f"{who} plays all {total} changes clear: it suits."
    if suited == 0:
        return (
            f"{who} must jump at all {total} changes: try the twin."
            if clearing != "level"
            else (f"{who} must jump at all {total} changes: tilt the stroke.")
        )
    return f"{who} plays {suited} of {total} changes clear and must jump at {total - suited}."


def _changes_table(phrase: Phrase, demand: Demand) -> list[str]:
    rows = [("after note", "from string", "to string", "after", "")]
    count = len(phrase.notes)
    for change in demand.changes:
        marks = []
        if change.index >= count:
            marks.append("second pass")
        if change.seam:
            marks.append("the loop's seam")
        if change.turnaround:
            marks.append("turns back")
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
    """Return one block's verdicts: how many changes cleared, by string pair, and the weakest one."""
    changes = block.changes
    lines = [f"Block {block_number(block.index)}: {write_phrase(block.phrase)}", f"  {describe_demand(block.demand)}"]
    alignment = block.alignment
    lines.append(
        f"  Strokes matched with notes: {len(alignment.note) - alignment.extra} of {len(alignment.note)}, "
        f"{alignment.missed} notes missed, {alignment.extra} extra strokes; "
        f"sure of {100 * alignment.mean_confidence:.0f} %{', with the help of the sound' if block.by_sound else ''}."
    )
    if changes.empty:
        return "\n".join([*lines, "  No string change was played."])
    counts = changes["verdict"].value_counts()
    cleared, caught, open_ = (int(counts.get(key, 0)) for key in ("cleared", "caught", "cannot tell"))
    lines.append(f"  {len(changes)} string changes: {cleared} cleared, {caught} caught, {open_} cannot be told.")
    if open_:
        reasons = changes.loc[changes["verdict"] == "cannot tell", "reason"].value_counts()
        lines.append("  Cannot be told: " + ", ".join(f"{name} ({n})" for name, n in reasons.items()) + ".")
    lines += ["", *_pairs_table(block.pairs), ""]
    lines += [f"  {sentence}" for sentence in weakest_words(block)]
    return "\n".join(lines)


def _pairs_table(pairs: pd.DataFrame) -> list[str]:
    head = ("from", "to", "after", "changes", "cleared", "caught", "cannot tell", "height, mm")
    return _columns([head, *pair_cells(pairs)])


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _indent(text: str) -> str:
    return "\n".join(f"  {line}".rstrip() for line in text.splitlines()) + "\n"


def join_parts(parts: Iterable[str]) -> str:
    """Return parts with an empty line between them."""
    return "\n\n".join(parts)
