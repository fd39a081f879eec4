"""Repeats and endings written out: which bars follow which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from analysis.model.errors import InputError

MOST_TIMES = 64
MOST_BARS = 20_000


@dataclass(frozen=True)
class Bar:
    """One bar, or any stretch between signs.

    Attributes
    ----------
    content : object
        Whatever the reader keeps of it.
    starts, ends : bool
        A repeat begins before it, ends after it.
    times : int
        How often it is played in all, where a repeat ends.
    ending : int
        Number of the ending that begins here; 0 for none.
    line : int or None
        Line of the text, for messages.
    """

    content: Any
    starts: bool = False
    ends: bool = False
    times: int = 2
    ending: int = 0
    line: int | None = None


def unfold(bars: Sequence[Bar]) -> list[Bar]:
    """Return the bars in the order in which they are played.

    A repeat without a beginning goes back to the end of the one before it, or to the first bar. Under an ending of
    number n the bars are played on pass n only; an ending lasts until the repeat ends or the next ending begins.

    Parameters
    ----------
    bars : sequence of Bar
        As written.

    Returns
    -------
    list of Bar

    Raises
    ------
    InputError
        If a repeat never ends, endings do not count 1, 2, 3 ..., or all that would be more bars than anyone plays.

    Examples
    --------
    >>> bars = [Bar("a"), Bar("b", ends=True, ending=1), Bar("c", ending=2)]
    >>> "".join(bar.content for bar in unfold(bars))
    'abac'
    """
    played: list[Bar] = []
    at = 0
    while at < len(bars):
        stop = _section_end(bars, at)
        played += _play_section(bars[at:stop])
        if len(played) > MOST_BARS:
            raise InputError(
                f"Repeats written out make more than {MOST_BARS} bars",
                next_step="shorten the piece.",
            )
        at = stop
    return played


def _section_end(bars: Sequence[Bar], at: int) -> int:
    """Return where the stretch that belongs together ends: a repeat with all its endings, or bars without any."""
    for k in range(at, len(bars)):
        if bars[k].starts and k > at:
            return k
        if bars[k].ends:
            last, after = k, k + 1
            while after < len(bars) and bars[after].ending > 1 and _in_endings(bars[at : k + 1]):
                # The last ending is its one bar, or all as far as its own repeat sign.
                closing = next((j for j in range(after, len(bars)) if bars[j].ends or bars[j].starts), None)
                last = closing if closing is not None and bars[closing].ends and not bars[closing].starts else after
                after = last + 1
            return last + 1
    return len(bars)


def _in_endings(bars: Sequence[Bar]) -> bool:
    return any(bar.ending for bar in bars)


def _at(error: InputError, line: int | None) -> InputError:
    return error if line is None else error.at(row=line)


def _play_section(bars: Sequence[Bar]) -> list[Bar]:
    """Write out one repeat."""
    ends = [bar for bar in bars if bar.ends]
    endings = [bar.ending for bar in bars if bar.ending]
    if endings and endings != list(range(1, len(endings) + 1)):
        line = next(bar.line for bar in bars if bar.ending)
        raise _at(InputError("endings do not count 1, 2, 3", found=str(endings)), line)
    if not ends:
        if bars[0].starts or endings:
            error = InputError("a repeat begins and never ends", next_step="write the sign where it ends")
            raise _at(error, bars[0].line)
        return list(bars)
    times = max(len(endings), 1 if endings else ends[-1].times)
    if not 1 <= times <= MOST_TIMES:
        raise InputError(
            f"A repeat is played 1 to {MOST_TIMES} times",
            found=f"{times}.",
        )
    played = []
    for turn in range(1, times + 1):
        ending = 0
        for bar in bars:
            ending = bar.ending or ending
            if ending in (0, turn):
                played.append(bar)
    return played
