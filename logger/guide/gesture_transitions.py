"""The reference gestures, one by one: what to do, a lead, the gesture, its verdict, and again if need be."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import Event
from logger.guide.asked_gestures import WantedGesture, full_gestures, gestures_anew, gestures_for, gestures_of
from logger.guide.guide_state import Guide, Step, enter
from logger.guide.orders import (
    Begin,
    End,
    ForgetLever,
    GestureJudged,
    GesturesSolved,
    JudgeGesture,
    Order,
    Pressed,
    SolveGestures,
    Task,
    WatchGesture,
)
from logger.guide.phases import Gesturing, Judging, Moved, Poor, Preparing, Solving, Unsolved
from logger.guide.play_transitions import go_on

TO_SOLVE = ("across", "along", "pivot", "side check")
NO_FRAME = "Without the gestures tilt is only against the hand's own mean plane: it shows changes, not the side."


def begin_gestures(guide: Guide, at_s: float) -> Step:
    """Ask for the gestures of all postures that will be played."""
    if not guide.script.sensor:
        return go_on(guide, at_s)
    plan = guide.script.plan
    postures = (guide.free.posture,) if plan is None else plan.postures
    guide = replace(guide, postures=postures, wanted=gestures_for(guide.asked, postures), gesture=0)
    return next_gesture(guide, at_s)


def ask_for_posture(guide: Guide, posture: str, at_s: float) -> Step:
    """Ask for the gestures of one more posture that will be played."""
    postures = tuple(dict.fromkeys((*guide.postures, posture)))
    wanted = (*guide.wanted[: guide.gesture], *gestures_of(guide.asked, posture))
    return next_gesture(replace(guide, postures=postures, wanted=wanted), at_s)


def next_gesture(guide: Guide, at_s: float) -> Step:
    """Show the next gesture; after the last solve them all."""
    if guide.gesture < len(guide.wanted):
        return enter(guide, Preparing()), []
    if not guide.script.led:
        return go_on(guide, at_s)
    return enter(guide, Solving()), [SolveGestures(guide.postures)]


def start_gesture(guide: Guide, at_s: float) -> Step:
    """Lead into the gesture that is next."""
    wanted = guide.wanted[guide.gesture]
    starts_s = at_s + (wanted.asked.lead_s if guide.script.led else 0.0)
    ends_s = starts_s + wanted.asked.seconds
    task = Task(wanted.asked.kind, starts_s, ends_s, wanted.posture, wanted.off_hand)
    guide = enter(guide, Gesturing(starts_s, ends_s, leading=True))
    if guide.script.led:
        return guide, [task]
    guide, orders = gesture_time_passed(guide, at_s)
    return guide, [task, *orders]


def gesture_time_passed(guide: Guide, at_s: float) -> Step:
    """The lead is over, or the gesture."""
    phase = guide.phase
    if not isinstance(phase, Gesturing):
        return guide, []
    wanted = guide.wanted[guide.gesture]
    if phase.leading:
        event = Event(0.0, 0.0, wanted.asked.kind, wanted.asked.label, wanted.posture)
        guide = enter(guide, replace(phase, leading=False))
        orders: list[Order] = [Begin(event, phase.starts_s)]
        return guide, [*orders, WatchGesture(wanted.asked.seconds)] if guide.script.led else orders
    ended_s = min(at_s, phase.ends_s)
    if guide.script.led:
        judged: list[Order] = [Task("rest", phase.ends_s), JudgeGesture(ended_s, wanted.asked.seconds)]
        return enter(guide, Judging(phase.starts_s, ended_s)), judged
    guide, orders = next_gesture(count_gesture(guide), at_s)
    return guide, [Task("rest", ended_s), End(ended_s), *orders]


def count_gesture(guide: Guide) -> Guide:
    """Note that the gesture was done, and move on to the next."""
    wanted = guide.wanted[guide.gesture]
    return replace(guide, done=guide.done | {(wanted.asked.kind, wanted.posture)}, gesture=guide.gesture + 1)


def judged(guide: Guide, verdict: GestureJudged) -> Step:
    """A good gesture counts, and the next begins by itself; another may be done again."""
    phase, quality = guide.phase, verdict.quality
    if not isinstance(phase, Judging):
        return guide, []
    if not quality.good:
        return enter(replace(guide, last=None), Poor(phase.ended_s, quality)), []
    was = guide.wanted[guide.gesture]
    guide = count_gesture(replace(guide, last=quality))
    ended: list[Order] = [End(phase.ended_s)]
    if quality.moved:
        guide = rock_longer(guide, was)
        ended.append(ForgetLever())
    guide, orders = next_gesture(guide, verdict.at_s)
    if isinstance(guide.phase, Preparing) and not was.off_hand:
        # Only to strap the sensor on takes as long as it takes.
        guide, orders = start_gesture(guide, verdict.at_s)
    return guide, [*ended, *orders]


def rock_longer(guide: Guide, was: WantedGesture) -> Guide:
    """The sensor sits elsewhere than remembered: one full pivot more, from which alone the lever arm is told."""
    full = next(gesture for gesture in full_gestures() if gesture.kind == was.asked.kind)
    more = replace(was, asked=full, number=was.number + 1)
    later = [replace(each, number=each.number + 1) for each in guide.wanted[guide.gesture :]]
    wanted = [replace(each, count=each.count + 1) for each in (*guide.wanted[: guide.gesture], more, *later)]
    return replace(guide, wanted=tuple(wanted))


def press_in_gestures(guide: Guide, press: Pressed) -> Step:
    """A key of the gestures' steps."""
    phase, skips = guide.phase, press.command == "skip"
    if isinstance(phase, Preparing):
        if skips:
            return next_gesture(replace(guide, last=None, gesture=guide.gesture + 1), press.at_s)
        return start_gesture(guide, press.at_s)
    if isinstance(phase, Gesturing) and skips and phase.leading:
        guide, orders = next_gesture(replace(guide, last=None, gesture=guide.gesture + 1), press.at_s)
        return guide, [Task("rest", press.at_s), *orders]
    if isinstance(phase, Gesturing):
        return break_off(guide, press.at_s)
    if isinstance(phase, Poor):
        # What was no good is kept out of the analysis by its kind; the samples stay.
        ended = End(phase.ended_s, None if skips else "rest")
        again = start_gesture(guide, press.at_s)
        guide, orders = next_gesture(count_gesture(guide), press.at_s) if skips else again
        return guide, [ended, *orders]
    if isinstance(phase, Unsolved):
        if skips:
            return go_on(replace(guide, notice=phase.notice), press.at_s)
        return start_gesture(replace(guide, wanted=guide.wanted + phase.again), press.at_s)
    if isinstance(phase, Moved):
        if skips:
            return go_on(replace(guide, notice=phase.sentence), press.at_s)
        anew = [wanted for wanted in gestures_anew(guide.asked, phase.posture) if wanted.asked.kind in TO_SOLVE]
        return start_gesture(replace(guide, wanted=tuple(anew), gesture=0, last=None), press.at_s)
    return guide, []


def break_off(guide: Guide, at_s: float) -> Step:
    """Stop a gesture to begin it again; what was done of it does not count."""
    phase = guide.phase
    if not isinstance(phase, Gesturing):
        return guide, []
    ended: list[Order] = [] if phase.leading else [End(min(at_s, phase.ends_s), "rest")]
    return enter(guide, Preparing()), [Task("rest", at_s), *ended]


def solved(guide: Guide, found: GesturesSolved) -> Step:
    """Go on to play, or repeat the gestures of which none was usable; those left out are the player's choice."""
    if not isinstance(guide.phase, Solving):
        return guide, []
    guide = replace(guide, lenders=found.lenders)
    notice = found.notice or ("" if found.framed else NO_FRAME)
    repeat: dict[tuple[str, str], WantedGesture] = {}
    for wanted in guide.wanted:
        name = (wanted.asked.kind, wanted.posture)
        if name[0] in TO_SOLVE and name in guide.done and name not in found.usable:
            repeat[name] = wanted
    if repeat:
        kind = next(iter(repeat))[0]
        reason = dict(found.reasons).get(kind, f"{kind.capitalize()} was not good enough.")
        return enter(guide, Unsolved(tuple(repeat.values()), reason, notice)), []
    return go_on(replace(guide, notice=notice), found.at_s)
