"""String changes of a session's drills as a section of its report."""

from __future__ import annotations

import pandas as pd

from analysis.drills.session_changes import DrillBlock, pair_cells, sure_words, weakest_words
from analysis.model.number_words import block_number
from analysis.report.sections import Section, Table
from analysis.report.session_answers import SessionAnswers

COLUMNS = (
    "Block",
    "From string",
    "To string",
    "After",
    "Changes",
    "Cleared",
    "Touched",
    "Not known",
    "Height, mm",
    "Sure, of 100",
)
HEIGHT_NOTE = (
    "Height: by how much the tip passes above what is needed where it crosses the next string, the median change."
)


def drill_sections(answers: SessionAnswers) -> tuple[Section, ...]:
    """Did each string change clear: none or one section, where a block names a drill that its strokes match.

    Parameters
    ----------
    answers : SessionAnswers

    Returns
    -------
    tuple of Section
    """
    blocks, problems = answers.drills, answers.drill_problems
    played = [block for block in blocks if not block.changes.empty]
    if not played:
        return ()
    changes = pd.concat([block.changes for block in played], ignore_index=True)
    verdicts = changes["verdict"]
    cleared, touched = (int((verdicts == verdict).sum()) for verdict in ("cleared", "touched"))
    sentence = (
        f"Of {verdicts.size} string changes {cleared} cleared, {touched} touched, and "
        f"{verdicts.size - cleared - touched} are not known. {sure_words(changes)}"
    ).rstrip()
    rows = tuple((str(block_number(b.index)), *cells) for b in played for cells in pair_cells(b.pairs))
    table = Table("String changes by block, pair of strings and stroke before", COLUMNS, rows)
    listened = [str(block_number(b.index)) for b in played if b.by_sound]
    said = (f"Which note each stroke played was told with the help of the sound in block {', '.join(listened)}.",)
    notes = (
        *(said if listened else ()),
        *(" ".join(_named(block, len(played) > 1)) for block in played),
        HEIGHT_NOTE,
        *problems,
    )
    return (Section("string-changes", "Did the string changes clear?", sentence, table=table, notes=notes),)


def _named(block: DrillBlock, several: bool) -> tuple[str, ...]:
    words = weakest_words(block)
    return (f"Block {block_number(block.index)}:", *words) if several else words
