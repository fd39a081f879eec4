"""Findings: what is said of a session, one record per claim, with its number, certainty, scope and next action.

Screens, reports and files only show findings; whatever they show is a field of one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.model.doubts import Certainty
from analysis.model.records import Side

Topic = Literal[
    "body", "answer", "block", "hold", "clearing", "steady", "posture", "switching", "string changes", "tension"
]
ActionKind = Literal["stop", "rest", "gestures", "repeat", "slow", "posture", "tilt", "larger", "faster", "steady"]

OPPOSED: tuple[frozenset[ActionKind], ...] = (
    frozenset({"slow", "faster"}),
    frozenset({"steady", "slow"}),
    frozenset({"steady", "faster"}),
)
"""Actions that cannot both be right for the same blocks; ``stop`` is against every action but itself."""


@dataclass(frozen=True)
class Scope:
    """Which play a finding speaks of.

    Attributes
    ----------
    words : str
        As a player reads it: ``block 2``, ``tonight``.
    blocks : tuple of int
        Indices of the blocks, from 0.
    posture : str
        Where it is of one posture alone.
    """

    words: str
    blocks: tuple[int, ...]
    posture: str = ""

    def overlaps(self, other: Scope) -> bool:
        """Whether both speak of a block in common.

        Parameters
        ----------
        other : Scope

        Returns
        -------
        bool
        """
        return not set(self.blocks).isdisjoint(other.blocks)


@dataclass(frozen=True)
class Measured:
    """The number of a claim.

    Attributes
    ----------
    quantity : str
        Two findings of one quantity and common scope must agree.
    value, low, high : float or None
        With its 95 % interval; None where there is none, or it runs beyond what was tested.
    unit : str
    side : {"down", "up", "none"} or None
        The side that it claims.
    """

    quantity: str
    unit: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    side: Side | None = None


@dataclass(frozen=True)
class Action:
    """What to do next: for programs, and as a sentence.

    Attributes
    ----------
    kind : ActionKind
        For programs.
    sentence : str
        For people.
    """

    kind: ActionKind
    sentence: str


@dataclass(frozen=True)
class Finding:
    """One claim.

    Attributes
    ----------
    topic : str
    claim : str
        One to three sentences.
    certainty : {"sure", "likely", "open"}
    scope : Scope
    measured : tuple of Measured
    evidence : tuple of str
        Sentences on what it is based on.
    assumptions : tuple of str
        Sentences on what must be true for it.
    action : Action or None
    """

    topic: Topic
    claim: str
    certainty: Certainty
    scope: Scope
    measured: tuple[Measured, ...] = ()
    evidence: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    action: Action | None = None
