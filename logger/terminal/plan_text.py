"""Practice plans as plain text for the terminal, 80 columns wide."""

from __future__ import annotations

import textwrap

from analysis.model.cautions import PLAYING
from logger.practice.plan import Plan, PlanBlock

WIDTH = 80
COLUMNS = (("", 3), ("at", 7), ("posture", 14), ("tempo", 5), ("notes", 5), ("length", 10), ("rest", 8), ("wanted", 6))


def wrap(sentence: str) -> str:
    """Return a sentence in lines of at most 80 columns; a long path or phrase stays whole.

    Parameters
    ----------
    sentence : str

    Returns
    -------
    str
    """
    return textwrap.fill(sentence, WIDTH, break_long_words=False, break_on_hyphens=False)


def describe_plan(plan: Plan) -> str:
    """Return in one sentence what a plan holds and how long it takes.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One sentence.
    """
    plays = sum(block.kind == "play" for block in plan.blocks)
    postures = [posture for posture in plan.postures if posture]
    of = f" in posture{'s' * (len(postures) > 1)} {', '.join(postures)}" if postures else ""
    times = f"{clock(plan.play_s)} of play, {clock(plan.total_s)} altogether (minutes:seconds)"
    return f"{plays} block{'s' * (plays != 1)}{of}, {times}."


def clock(seconds: float) -> str:
    """Return minutes and seconds, rounded to a second.

    Examples
    --------
    >>> clock(75.4)
    '1:15'
    """
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def show_plan(plan: Plan) -> str:
    """Return a plan as a table, drills and notes below the block where they first come, cautions at the end.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        Several lines.
    """
    lines = [
        wrap(plan.name or "Plan without a name"),
        wrap(describe_plan(plan)),
        "",
        _row([name for name, _ in COLUMNS]),
    ]
    at_s = 0.0
    told: tuple[str, str] = ("", "")
    for number, block in enumerate(plan.blocks, 1):
        lines.append(_row(_cells(number, at_s, block)))
        if (block.drill, block.note) != told:
            lines += _below(block.drill and f"drill {block.drill}") + _below(block.note)
            told = (block.drill, block.note)
        at_s += block.count_in_s + block.play_s + block.rest_after_s
    return "\n".join([*lines, "", *(wrap(f"! {caution}") for caution in PLAYING)])


def _cells(number: int, at_s: float, block: PlanBlock) -> list[str]:
    if block.kind == "rest":
        return [str(number), clock(at_s), "- break -", "", "", clock(block.play_s), "", ""]
    rest = f"{block.rest_beats} beat{'s' * (block.rest_beats != 1)}" if block.rest_beats else ""
    return [
        str(number),
        clock(at_s),
        block.posture,
        "" if block.tempo_bpm is None else f"{block.tempo_bpm:g}",
        "" if block.notes_per_beat is None else f"{block.notes_per_beat:g}",
        _length(block),
        rest or (clock(block.rest_s) if block.rest_s else ""),
        block.wanted or "",
    ]


def _length(block: PlanBlock) -> str:
    if block.repeats is not None:
        return f"{block.repeats} times"
    return clock(block.play_s) if block.bars is None else f"{block.bars} bar{'s' * (block.bars != 1)}"


def _row(cells: list[str]) -> str:
    shown = [f"{_shorten(cell, width):<{width}}" for cell, (_, width) in zip(cells, COLUMNS, strict=True)]
    return "  ".join(shown).rstrip()


def _shorten(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 2] + ".."


def _below(text: str) -> list[str]:
    """Return a text indented under its row; a phrase too long for a line is broken between its groups."""
    if not text:
        return []
    return textwrap.wrap(text, WIDTH, initial_indent=" " * 5, subsequent_indent=" " * 7, break_on_hyphens=False)
