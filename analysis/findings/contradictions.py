"""When two findings contradict each other, and what is done about it.

Two findings contradict if they speak of a block in common and

- measure the same quantity with disjoint intervals,
- measure the same quantity on opposite sides, or
- ask for opposed actions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from analysis.model.findings import OPPOSED, Action, Finding, Measured


@dataclass(frozen=True)
class Contradiction:
    """Two findings, by their places in the list, and why they cannot both be shown."""

    first: int
    second: int
    why: str


def find_contradictions(findings: Sequence[Finding]) -> list[Contradiction]:
    """All pairs that contradict each other.

    Parameters
    ----------
    findings : sequence of Finding

    Returns
    -------
    list of Contradiction
        Empty where the findings can stand side by side.
    """
    return [
        Contradiction(i, j, why)
        for (i, a), (j, b) in combinations(enumerate(findings), 2)
        if a.scope.overlaps(b.scope)
        for why in _reasons(a, b)
    ]


def resolve(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings without contradictions: of two, the earlier one stays as it is.

    Parameters
    ----------
    findings : sequence of Finding
        The weightiest first.

    Returns
    -------
    tuple of Finding
        A later finding that measures against an earlier one is left out, and the earlier one is not ``sure`` any
        more; one that only asks for an opposed action loses its action.
    """
    kept: list[Finding] = []
    for finding in findings:
        against = [i for i, other in enumerate(kept) if other.scope.overlaps(finding.scope)]
        clashing = [i for i in against if any(_measured_apart(kept[i], finding))]
        for i in clashing:
            doubted = "likely" if kept[i].certainty == "sure" else kept[i].certainty
            kept[i] = replace(kept[i], certainty=doubted, evidence=(*kept[i].evidence, _other_estimate(finding)))
        if clashing:
            continue
        if any(_opposed(kept[i].action, finding.action) for i in against):
            finding = replace(finding, action=None)
        kept.append(finding)
    return tuple(kept)


def _reasons(a: Finding, b: Finding) -> list[str]:
    reasons = _measured_apart(a, b)
    if _opposed(a.action, b.action):
        reasons.append("opposed actions")
    return reasons


def _measured_apart(a: Finding, b: Finding) -> list[str]:
    """Reasons from the numbers of both."""
    return [
        why
        for one in a.measured
        for other in b.measured
        if (one.quantity, one.unit) == (other.quantity, other.unit)
        for why in _apart(one, other)
    ]


def _apart(a: Measured, b: Measured) -> list[str]:
    if {a.side, b.side} == {"down", "up"}:
        return [f"{a.quantity}: opposite sides"]
    known = [(m.low, m.high) for m in (a, b) if m.value is not None or m.low is not None or m.high is not None]
    if len(known) < 2:
        return []
    # An end that is not known runs on for ever; without an interval the value is all there is.
    low, high = zip(*(_ends(m) for m in (a, b)), strict=True)
    return [f"{a.quantity}: intervals apart"] if max(low) > min(high) + 1e-9 else []


def _ends(measured: Measured) -> tuple[float, float]:
    if measured.low is None and measured.high is None and measured.value is not None:
        return measured.value, measured.value
    low = float("-inf") if measured.low is None else measured.low
    high = float("inf") if measured.high is None else measured.high
    return low, high


def _opposed(a: Action | None, b: Action | None) -> bool:
    if a is None or b is None or a.kind == b.kind:
        return False
    return "stop" in (a.kind, b.kind) or frozenset({a.kind, b.kind}) in OPPOSED


def _other_estimate(finding: Finding) -> str:
    return f"Another way to measure it disagrees, so this is not certain: {finding.claim[0].lower()}{finding.claim[1:]}"
