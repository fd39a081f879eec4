"""The next evening's plan from what was played: posture, pair, tempo, size, length and rest, each with its reason.

Tempi come from the staircase, never more than one rung above what was held on the last evening; minutes from the usual
load, never more than a tenth above it. After worry, and after weeks without play, the day is easier: slower, shorter,
more breaks, no switching. The player may overrule every choice. All shares and minutes are own choices; breaks every
quarter of an hour are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.model.cautions import HURT
from analysis.model.errors import InputError
from analysis.questions.staircase import RUNG
from logger.practice.ability import Ability, PlayedSwitch, PostureAbility, days_between
from logger.practice.plan import NUMBERS, Plan, PlanBlock

GROWTH, EASIER_LOAD, EASIER_TEMPO = 1.1, 0.6, 0.85
LEAST_MIN, MOST_MIN = 5.0, 60.0
LONG_PAUSE_DAYS = 14
"""From so many days without play on, the first evening is an easier one."""
BLOCK_S, REST_S, BREAK_S = 20.0, 20.0, 180.0
BREAK_EVERY_MIN, BREAK_EVERY_WORRIED_MIN = 15.0, 10.0
LADDER = (0.7, 0.85, 0.92, 1.0)
"""Shares of the top tempo; the first is the warm-up."""
SWITCHES = 16
SWITCH_BEATS, SWITCH_REST_BEATS = 8, 2
UP_FROM, DOWN_BELOW = 0.9, 0.75
"""Share of switches made from which they go one rung faster, and below which three slower."""
SMALLER = 0.9


@dataclass(frozen=True)
class Wishes:
    """What the player overrules; None leaves a choice to the rules.

    Attributes
    ----------
    posture : str or None
    pair : (str, str) or None
        Postures to switch between.
    tempo_bpm : float or None
    minutes : float or None
        Of play.
    span_mm : float or None
    switches : bool or None
        Whether to practise switching.
    """

    posture: str | None = None
    pair: tuple[str, str] | None = None
    tempo_bpm: float | None = None
    minutes: float | None = None
    span_mm: float | None = None
    switches: bool | None = None


@dataclass(frozen=True)
class NextPlan:
    """A plan, and one sentence of reason for each of its choices.

    Attributes
    ----------
    plan : Plan
    reasons : tuple of str
    """

    plan: Plan
    reasons: tuple[str, ...]


def plan_next(ability: Ability, wishes: Wishes | None = None, today: str = "") -> NextPlan:
    """Plan the evening after the last one known.

    Parameters
    ----------
    ability : Ability
        What is known of the player.
    wishes : Wishes, optional
        What the player overrules.
    today : str
        As 2026-11-26; empty: no pause is counted.

    Returns
    -------
    NextPlan

    Raises
    ------
    InputError
        Nothing is known yet, or a posture that was never played.
    """
    wishes = wishes or Wishes()
    if not ability.evenings or not ability.postures:
        raise InputError(
            "no evening with a known tilt is there to follow on",
            next_step="play one first, with reference gestures, or make a plan with: strokeplane plan new",
        )
    last = ability.evenings[-1]
    pause = days_between(last.day, today) or 0
    easier = "after worry" if last.worry else "after the pause" if pause >= LONG_PAUSE_DAYS else ""
    worried = bool(easier)
    reasons = [HURT] if last.hurt else []
    if last.worry:
        reasons.append(f"An easier day: last time {last.worry}.")
    elif worried:
        reasons.append(f"An easier day: the last evening was {pause} days ago.")
    minutes, why_minutes = _minutes(ability, wishes, easier)
    posture, why_posture = _posture(ability, wishes)
    tempo, why_tempo = _tempo(posture, wishes, easier)
    span, why_span = _span(posture, wishes)
    base = PlanBlock(
        posture=posture.posture, tempo_bpm=tempo, notes_per_beat=posture.notes_per_beat, drill=posture.drill,
        seconds=BLOCK_S, rest_s=REST_S, wanted=posture.wanted, note=f"Strokes of about {span:.0f} mm.",  # type: ignore[arg-type]
    )  # fmt: skip
    switching, why_pair = _switching(ability, wishes, easier)
    every = BREAK_EVERY_WORRIED_MIN if worried else BREAK_EVERY_MIN
    blocks = _compose(base, switching, 60 * minutes)
    if switching and not any(block in blocks for block in switching):
        why_pair = f"No switches: {minutes:.0f} minutes leave no room for {SWITCHES} of them."
    why_rest = f"Breaks of {BREAK_S / 60:.0f} minutes every {every:.0f} minutes of play at the latest"
    reasons += [why_posture, why_tempo, why_span, why_pair, why_minutes]
    reasons.append(f"{why_rest}, sooner than usual, {easier}." if worried else f"{why_rest}: common practice.")
    return NextPlan(Plan("Next evening", _with_breaks(blocks, 60 * every)), tuple(reasons))


def _minutes(ability: Ability, wishes: Wishes, easier: str) -> tuple[float, str]:
    usual, last = ability.usual_min, ability.evenings[-1].minutes
    words = f"{usual:.0f}" if usual >= 1 else "less than one"
    if wishes.minutes is not None:
        return wishes.minutes, f"{wishes.minutes:g} minutes of play, as you said; your usual is {words}."
    if easier:
        minutes = max(LEAST_MIN, min(MOST_MIN, EASIER_LOAD * min(usual, last)))
        return minutes, f"{minutes:.0f} minutes of play, well below your usual {words}, {easier}."
    minutes = max(LEAST_MIN, min(MOST_MIN, GROWTH * usual))
    return minutes, f"{minutes:.0f} minutes of play: at most a tenth above your usual {words}, but at least five."


def _posture(ability: Ability, wishes: Wishes) -> tuple[PostureAbility, str]:
    if wishes.posture is not None:
        return _known(ability, wishes.posture), f"Posture {wishes.posture}, as you said."
    tonight = {(p.posture, p.drill) for p in ability.evenings[-1].postures}
    fresh = [p for p in ability.postures if (p.posture, p.drill) in tonight] or list(ability.postures)
    chosen = min(fresh, key=lambda p: p.strokes_per_s)
    name = chosen.posture or "(no name)"
    if len(fresh) == 1:
        return chosen, f"Posture {name}: it is the one you played."
    return (
        chosen,
        f"Posture {name}: of the postures you played last, it has the lowest hold tempo, {chosen.hold_bpm:.0f} BPM.",
    )


def _known(ability: Ability, posture: str) -> PostureAbility:
    own = [p for p in ability.postures if p.posture == posture]
    if not own:
        names = ", ".join(dict.fromkeys(p.posture or "(no name)" for p in ability.postures))
        raise InputError(
            expected=f"a posture that was played ({names})",
            found=f"{posture!r}",
            next_step="name one of them",
        )
    return own[-1]


def _safe(posture: PostureAbility) -> float:
    """The tempo to build on: what was held, else one rung below the slowest that was not."""
    return posture.slowest_bpm / (1 + RUNG) if posture.held_bpm is None else posture.held_bpm


def _tempo(posture: PostureAbility, wishes: Wishes, easier: str) -> tuple[float, str]:
    held = _safe(posture)
    if wishes.tempo_bpm is not None:
        said = f"Up to {wishes.tempo_bpm:g} BPM, as you said"
        if wishes.tempo_bpm > (1 + RUNG) * held:
            said += f"; that is more than one rung above the {held:.0f} that held: go back as soon as it does not hold"
        return wishes.tempo_bpm, said + "."
    if easier:
        top = _whole(min(EASIER_TEMPO * held, posture.next_bpm))
        return top, f"Up to {top:g} BPM: well below the {held:.0f} that you can hold, {easier}."
    top = _whole(min(posture.next_bpm, (1 + RUNG) * held))
    if posture.held_bpm is None:
        return top, f"Up to {top:g} BPM: nothing held last time, so start below the slowest tempo."
    where = "one rung at most above" if top > held else "not above"
    return (
        top,
        f"Up to {top:g} BPM: {where} the {held:.0f} that held; the hold tempo is estimated at {posture.hold_bpm:.0f}.",
    )


def _whole(tempo_bpm: float) -> float:
    """Whole beats a minute, rounded down, within what a plan takes."""
    low, high = NUMBERS["tempo_bpm"]
    return float(min(high, max(low, math.floor(tempo_bpm + 1e-9))))


def _span(posture: PostureAbility, wishes: Wishes) -> tuple[float, str]:
    span = posture.span_mm
    if wishes.span_mm is not None:
        return wishes.span_mm, f"Strokes of {wishes.span_mm:g} mm, as you said; last time they were {span:.0f}."
    if posture.held_bpm is None:
        return span, f"Strokes of {span:.0f} mm as before: they become smaller once the tilt holds."
    if posture.smallest is None:
        return span, f"Strokes of {span:.0f} mm as before: no smaller size is known to clear; more tilt comes first."
    if posture.smallest > 1:
        return (
            GROWTH * span,
            f"Strokes a tenth larger, {GROWTH * span:.0f} mm: those of {span:.0f} mm do not clear yet.",
        )
    smaller = max(SMALLER, posture.smallest) * span
    return smaller, (
        f"Strokes of {smaller:.0f} mm instead of {span:.0f}: the tilt holds, and {posture.smallest * span:.0f} mm "
        "still clear."
    )


def _switching(ability: Ability, wishes: Wishes, easier: str) -> tuple[list[PlanBlock], str]:
    if wishes.switches is False:
        return [], "No switches, as you said."
    if easier and not (wishes.switches or wishes.pair):
        return [], f"No switches today, {easier}."
    names = list(dict.fromkeys(p.posture for p in ability.postures))
    if wishes.pair is None and len(names) < 2:
        return [], "No switches: only one posture is known."
    tried = [s for s in ability.switches if {s.from_posture, s.to_posture} <= set(names) and s.of]
    worst = min(tried, key=lambda s: s.made / s.of, default=None)
    if wishes.pair is not None:
        pair, why = wishes.pair, "as you said"
    elif worst is not None:
        pair = (worst.from_posture, worst.to_posture)
        why = f"from {pair[0]} to {pair[1]} {worst.made} of {worst.of} were made, the fewest"
    else:
        pair, why = (names[-2], names[-1]), "they were played last"
    first, second = (_known(ability, name) for name in pair)
    tempo, why_tempo = _switch_tempo(first, second, [s for s in tried if {s.from_posture, s.to_posture} == set(pair)])
    if easier:
        tempo = _whole(EASIER_TEMPO * tempo)
    blocks = [_switch_block(second if i % 2 else first, i, tempo) for i in range(SWITCHES + 1)]
    blocks[-1] = replace(blocks[-1], rest_beats=None, rest_s=REST_S)
    return blocks, f"{SWITCHES} switches between {pair[0]} and {pair[1]}: {why}. At {tempo:g} BPM: {why_tempo}."


def _switch_tempo(first: PostureAbility, second: PostureAbility, tried: Sequence[PlayedSwitch]) -> tuple[float, str]:
    """The slower of what both hold, and a rung up or three down from where switches were tried."""
    notes = max(first.notes_per_beat, second.notes_per_beat)
    most = min(_safe(p) * p.notes_per_beat / notes for p in (first, second))
    if not tried:
        return _whole(0.7 * most), "well below what both postures hold, to begin with"
    tempo = min(s.tempo_bpm for s in tried)
    share = sum(s.made for s in tried) / sum(s.of for s in tried)
    if share >= UP_FROM:
        return _whole(min(most, tempo * (1 + RUNG))), "nearly all came off, so one rung faster, within what both hold"
    if share < DOWN_BELOW:
        return _whole(min(most, tempo / (1 + RUNG) ** 3)), "too few came off, so three rungs slower"
    return _whole(min(most, tempo)), "as last time, until nearly all come off"


def _switch_block(posture: PostureAbility, place: int, tempo: float) -> PlanBlock:
    return PlanBlock(
        posture=posture.posture, tempo_bpm=tempo, notes_per_beat=posture.notes_per_beat, drill=posture.drill,
        bars=SWITCH_BEATS // 4, count_in_beats=0 if place else 4, rest_beats=SWITCH_REST_BEATS,
        wanted=posture.wanted,  # type: ignore[arg-type]
    )  # fmt: skip


def _compose(base: PlanBlock, switching: list[PlanBlock], play_s: float) -> list[PlanBlock]:
    """Ladders of the posture and rounds of switches by turns, as many as the minutes hold."""
    top = base.tempo_bpm or 0.0
    ladder = [replace(base, tempo_bpm=_whole(share * top)) for share in LADDER[:-1]]
    ladder.append(base)
    parts = [ladder, switching] if switching else [ladder]
    blocks: list[PlanBlock] = []
    place, left = 0, play_s
    while True:
        part = parts[place % len(parts)]
        need = sum(block.play_s for block in part)
        if need > left:
            # A ladder may stop early; switches are played in whole rounds.
            room = int(left // BLOCK_S)
            return [*blocks, *ladder[: min(room, len(ladder))]] or ladder[:1]
        blocks += part
        left -= need
        place += 1


def _with_breaks(blocks: list[PlanBlock], every_s: float) -> tuple[PlanBlock, ...]:
    rest = PlanBlock(
        kind="rest", seconds=BREAK_S, note="Put the instrument down, and shake out your hands and shoulders."
    )
    found: list[PlanBlock] = []
    since_s = 0.0
    for block in blocks:
        if since_s + block.play_s > every_s:
            found[-1] = replace(found[-1], rest_s=None, rest_beats=None)
            found.append(rest)
            block = block if block.count_in_beats else replace(block, count_in_beats=4)
            since_s = 0.0
        found.append(block)
        since_s += block.play_s
    return tuple(found)
