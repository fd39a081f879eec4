"""Built-in plans: a tempo ladder, two postures in balanced order, switch-over, a long session with breaks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.drills.phrases import read_demand, write_phrase
from analysis.drills.practice_form import Practice
from analysis.model.errors import InputError
from logger.practice.plan import Plan, PlanBlock

QUAD = (0, 1, 1, 0)
"""A B B A: a steady drift over time weighs on both postures alike."""


def plan_ladder(block: PlanBlock, tempi_bpm: Sequence[float], name: str = "Tempo ladder") -> Plan:
    """One block at every tempo, in the order given.

    Parameters
    ----------
    block : PlanBlock
        What every block is but for its tempo.
    tempi_bpm : sequence of float
    name : str
        Of the plan.

    Returns
    -------
    Plan
    """
    return Plan(name, tuple(replace(block, tempo_bpm=tempo) for tempo in tempi_bpm))


def plan_postures(
    block: PlanBlock, postures: tuple[str, str], rounds: int, seed: int, name: str = "Two postures"
) -> Plan:
    """Two postures in balanced order with equal rests, so that neither order nor fatigue decides.

    Parameters
    ----------
    block : PlanBlock
        What every block is but for its posture.
    postures : (str, str)
    rounds : int
        A round is A B B A and its mirror B A A B, in either order: eight blocks.
    seed : int
        Decides for every round which of the two comes first.

    Returns
    -------
    Plan
        Eight blocks a round.

    Raises
    ------
    InputError
        Postures of one name, or no rounds.
    """
    if postures[0] == postures[1] or not all(postures):
        raise InputError(
            expected="two postures with different names",
            found=f"{' and '.join(map(repr, postures))}",
        )
    order = balanced_order(rounds, seed)
    return Plan(name, tuple(replace(block, posture=postures[which]) for which in order))


def balanced_order(rounds: int, seed: int) -> tuple[int, ...]:
    """Return eight places a round, 0 and 1: A B B A and its mirror, in an order that the seed decides.

    Within a round both postures have the same mean place and the same mean square of places (Prouhet 1851), so that
    neither a steady nor a bent trend favours one.

    Examples
    --------
    >>> balanced_order(1, seed=3)
    (1, 0, 0, 1, 0, 1, 1, 0)
    """
    if not 1 <= rounds <= 8:
        raise InputError(
            expected="1 to 8 rounds of eight blocks",
            found=f"{rounds}",
        )
    starts = np.random.default_rng(seed).integers(0, 2, rounds)
    return tuple(int(place ^ start ^ mirror) for start in starts for mirror in (0, 1) for place in QUAD)


def plan_practice(practice: Practice, name: str) -> Plan:
    """The blocks that play a practice: phrase, rest in time with the click, the twin with the other posture.

    Only the first block of a tempo is counted in: through the short rests the click goes on.

    Parameters
    ----------
    practice : Practice
    name : str
        Of the plan.

    Returns
    -------
    Plan
    """
    form = practice.form
    blocks = []
    for index, section in enumerate(practice.sections):
        demand = read_demand(section.phrase).kind
        blocks.append(
            PlanBlock(
                posture=section.posture,
                tempo_bpm=section.tempo_bpm,
                notes_per_beat=float(form.notes_per_beat),
                drill=write_phrase(section.phrase),
                repeats=section.repeats,
                count_in_beats=form.count_in if index % 2 == 0 else 0,
                beats_per_bar=form.beats_per_bar,
                rest_beats=form.rest,
                wanted=demand if demand in ("down", "up") else None,
            )
        )
    return Plan(name, tuple(blocks))


def plan_long(
    block: PlanBlock, play_minutes: float, break_every_min: float, break_s: float, name: str = "Long session"
) -> Plan:
    """Blocks until so many minutes are played, with a break whenever so many minutes were played since the last.

    Parameters
    ----------
    block : PlanBlock
        What every block is.
    play_minutes : float
        Of play altogether, at least.
    break_every_min : float
        Minutes of play between breaks.
    break_s : float
        Length of a break.
    name : str
        Of the plan.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        If a block does not fit between two breaks.
    """
    if block.play_s > 60 * break_every_min:
        raise InputError(
            f"a block of {block.play_s:g} s does not fit between breaks every {break_every_min:g} minutes of play",
            next_step="make it shorter",
        )
    count = max(1, math.ceil(60 * play_minutes / block.play_s - 1e-9))
    rest = PlanBlock(
        kind="rest",
        seconds=break_s,
        note="Put the instrument down, stand up, and shake out your hands and shoulders.",
    )
    blocks: list[PlanBlock] = []
    since_s = 0.0
    for _ in range(count):
        if since_s + block.play_s > 60 * break_every_min:
            # The break is rest enough after the block before it.
            blocks[-1] = replace(blocks[-1], rest_s=None, rest_beats=None)
            blocks.append(rest)
            since_s = 0.0
        blocks.append(block)
        since_s += block.play_s
    return Plan(name, tuple(blocks))


def find_remarks(plan: Plan) -> tuple[str, ...]:
    """Sentences on what a plan can be played with, but hardly answers or does no good.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of str
        Empty where there is nothing to say.
    """
    remarks = []
    longest_s = _longest_play_s(plan)
    if longest_s > LONGEST_PLAY_S:
        remarks.append(
            f"{longest_s / 60:.0f} minutes of play come without a rest of {BREAK_S / 60:g} minutes; put breaks between."
        )
    for places in _comparable(plan).values():
        means = {posture: float(np.mean(at)) for posture, at in places.items()}
        names = list(means)
        if len(names) == 2 and abs(means[names[0]] - means[names[1]]) > 0.25:
            early, late = sorted(names, key=lambda name: means[name])
            remarks.append(
                f"Posture {early or '(none)'} comes earlier than {late or '(none)'} on the whole, so that warming up "
                "or tiring may decide between them; play them A B B A, then B A A B."
            )
    for number, block in enumerate(plan.blocks, 1):
        demand = None if block.phrase is None else read_demand(block.phrase).kind
        if block.wanted and demand in ("down", "up") and demand != block.wanted:
            remarks.append(
                f"Block {number} wants the {block.wanted}stroke to clear, but its drill demands the {demand}stroke."
            )
    return tuple(remarks)


LONGEST_PLAY_S = 20 * 60
BREAK_S = 120
"""Common practice, no source: a break of some minutes at least every twenty."""


def _longest_play_s(plan: Plan) -> float:
    """Seconds of play in the longest stretch without a break."""
    longest = since = 0.0
    for block in plan.blocks:
        if block.kind == "play":
            since += block.play_s
            longest = max(longest, since)
        if (block.play_s if block.kind == "rest" else block.rest_after_s) >= BREAK_S:
            since = 0.0
    return longest


def _comparable(plan: Plan) -> dict[tuple[object, ...], dict[str, list[int]]]:
    """Places of each posture among blocks of one tempo and drill."""
    groups: dict[tuple[object, ...], dict[str, list[int]]] = {}
    for block in plan.blocks:
        if block.kind == "play":
            group = groups.setdefault((block.tempo_bpm, block.notes_per_beat, block.drill), {})
            group.setdefault(block.posture, []).append(sum(len(at) for at in group.values()))
    return groups
