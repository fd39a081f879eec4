"""Steps in the player's own order, each by a key of its own, as at the terminal."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import Event
from logger.guide.asked_gestures import gestures_anew, gestures_for, gestures_of
from logger.guide.gesture_transitions import count_gesture, start_gesture
from logger.guide.guide_state import Guide, Step, enter
from logger.guide.orders import Begin, End, Order, Pressed, Task
from logger.guide.phases import Gesturing, Paused, Playing, Preparing, Ready
from logger.guide.play_transitions import SCALES, begin_play, count_in, end_play, stop_play


def press_called(guide: Guide, press: Pressed) -> Step:
    """Follow a key of a player who calls the steps."""
    command, at_s = press.command, press.at_s
    if command in SCALES:
        return replace(guide, questions=(command,), counted=None, number=guide.number + 1), []
    if command == "posture":
        return choose_posture(guide, press.value), []
    if command == "pause":
        return pause(guide, at_s)
    if command == "block":
        if isinstance(guide.phase, Playing):
            return stop_play(guide, at_s)
        guide, left = leave(guide, at_s)
        guide, orders = start_block(guide, at_s)
        return guide, [*left, *orders]
    guide, left = leave(guide, at_s)
    if command == "again":
        guide = replace(guide, gesture=max(guide.gesture - 1, 0))
    if guide.gesture >= len(guide.wanted):
        # Once more, from the start: the sensor stays on the hand.
        guide = replace(guide, wanted=gestures_anew(guide.asked, guide.free.posture), gesture=0)
    guide, orders = start_gesture(guide, at_s)
    return guide, [*left, *orders]


def leave(guide: Guide, at_s: float) -> Step:
    """Leave what is under way; it ends here and counts."""
    if isinstance(guide.phase, Playing):
        return end_play(guide, at_s)
    if isinstance(guide.phase, Gesturing):
        return count_gesture(guide), [Task("rest", at_s), End(at_s)]
    return guide, []


def start_block(guide: Guide, at_s: float) -> Step:
    """Begin a block at once."""
    guide, orders = count_in(guide, at_s)
    guide, more = begin_play(guide)
    return guide, [*orders, *more]


def pause(guide: Guide, at_s: float) -> Step:
    """Pause the block, or go on with it. Samples go on meanwhile: nothing is lost if the player forgets."""
    if not isinstance(guide.phase, Playing):
        return start_block(guide, at_s)
    posture = guide.phase.stretch.posture
    guide, ended = end_play(guide, at_s)
    begun: list[Order] = [Begin(Event(0.0, 0.0, "rest", "paused", posture), at_s)]
    return enter(guide, Paused()), [*ended, *begun]


def choose_posture(guide: Guide, place: int) -> Guide:
    """Take the posture at a place, whose gestures come first where it has none yet."""
    postures = guide.script.postures
    if not 0 <= place < len(postures) or postures[place] == guide.free.posture:
        return guide
    posture = postures[place]
    guide = replace(guide, free=replace(guide.free, posture=posture))
    if any(of == posture for _, of in guide.done):
        return enter(guide, Ready())
    wanted = gestures_of(guide.asked, posture) if guide.done else gestures_for(guide.asked, (posture,))
    return enter(replace(guide, wanted=wanted, gesture=0), Preparing())
