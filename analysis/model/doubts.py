"""Doubts: what the signals show that lowers what may be claimed of a session, and what to change about it.

A stage that finds a fault never refuses the data: it hands on a :class:`Doubt`. Certainty is capped by the strictest
doubt that touches a block, and a doubt may widen a block's interval.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

Certainty = Literal["sure", "likely", "open"]
CERTAINTIES: tuple[Certainty, ...] = ("open", "likely", "sure")
"""From the least to the most."""

About = Literal["hand", "tip"]


@dataclass(frozen=True)
class Doubt:
    """One fault, its evidence, and what to change.

    Attributes
    ----------
    kind : str
        For programs: what was looked at, as ``sensor axes`` or ``mounting``.
    cap : {"open", "likely", "sure"}
        The most that may be claimed where it applies; ``sure`` for a doubt that only widens.
    fault, evidence, change : str
        Three clauses without capital or full stop: what is wrong, what shows it, what to do about it.
    blocks : tuple of int or None
        Indices of the blocks it touches; None: the whole session.
    about : {"hand", "tip"}
        ``hand`` where already the hand's stroke is in doubt; ``tip`` where only the tip against the strings.
    se_deg : float
        Standard error of the tilt that it adds to each of these blocks, common to all their strokes.
    """

    kind: str
    cap: Certainty
    fault: str
    evidence: str
    change: str
    blocks: tuple[int, ...] | None = None
    about: About = "hand"
    se_deg: float = 0.0

    @property
    def sentence(self) -> str:
        """The doubt as one sentence."""
        text = f"{self.fault}: {self.evidence}; {self.change}."
        return text[0].upper() + text[1:]

    def touches(self, blocks: Sequence[int]) -> bool:
        """Whether it applies to any of these blocks; a doubt on the whole session always does.

        Parameters
        ----------
        blocks : sequence of int

        Returns
        -------
        bool
        """
        return self.blocks is None or not set(self.blocks).isdisjoint(blocks)


def dominant_doubt(doubts: Sequence[Doubt], blocks: Sequence[int], offset_se_deg: float | None) -> Doubt | None:
    """The doubt that makes most of what is open in the tilt of these blocks.

    Parameters
    ----------
    doubts : sequence of Doubt
    blocks : sequence of int
    offset_se_deg : float or None
        Standard error common to all strokes of these blocks, doubts included.

    Returns
    -------
    Doubt or None
        None where no doubt makes more than half of the variance.
    """
    widest = max(doubts_on(doubts, blocks), key=lambda doubt: doubt.se_deg, default=None)
    if widest is None or offset_se_deg is None or widest.se_deg**2 <= 0.5 * offset_se_deg**2:
        return None
    return widest


def doubts_on(doubts: Iterable[Doubt], blocks: Sequence[int], about: About = "tip") -> tuple[Doubt, ...]:
    """The doubts that touch these blocks, the strictest first; a claim about the hand has no doubts about the tip.

    Parameters
    ----------
    doubts : sequence of Doubt
    blocks : sequence of int
        Indices of blocks.
    about : About
        What the claim is about.

    Returns
    -------
    tuple of Doubt
    """
    touching = [doubt for doubt in doubts if doubt.touches(blocks) and about in ("tip", doubt.about)]
    return tuple(sorted(touching, key=lambda doubt: CERTAINTIES.index(doubt.cap)))


def cap_certainty(
    certainty: Certainty, doubts: Iterable[Doubt], blocks: Sequence[int], about: About = "tip"
) -> Certainty:
    """The certainty that is left to a claim about the hand, or the tip, where these doubts touch these blocks.

    Parameters
    ----------
    certainty : Certainty
        What would hold without doubts.
    doubts : sequence of Doubt
    blocks : sequence of int
        Indices of the blocks that the claim rests on.
    about : About
        What the claim is about.

    Returns
    -------
    Certainty
        The strictest of them all.

    Examples
    --------
    >>> doubt = Doubt("mounting", "likely", "the sensor moved", "gravity turned by 8 deg", "repeat the gestures", (2,))
    >>> cap_certainty("sure", [doubt], [1]), cap_certainty("sure", [doubt], [1, 2]), cap_certainty("open", [doubt], [2])
    ('sure', 'likely', 'open')
    """
    caps = [certainty, *(doubt.cap for doubt in doubts_on(doubts, blocks, about))]
    return min(caps, key=CERTAINTIES.index)


def added_se_deg(doubts: Iterable[Doubt], block: int, about: About) -> float:
    """Standard error (deg) that the doubts about the hand, or those about the tip alone, add to a block's tilt.

    Independent of each other: their squares add up.

    Parameters
    ----------
    doubts : sequence of Doubt
    block : int
        Index of the block.
    about : About
        "hand" or "tip".

    Returns
    -------
    float
        Degrees; 0 where no doubt touches the block.
    """
    return float(np.sqrt(sum(doubt.se_deg**2 for doubt in doubts if doubt.touches((block,)) and doubt.about == about)))
