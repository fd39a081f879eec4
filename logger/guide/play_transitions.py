"""The blocks: what comes next, count-in, play, rest with its questions, breaks; with a plan or free."""

from __future__ import annotations

from dataclasses import replace

from analysis.drills.practice_form import SectionBeats
from analysis.model.records import Event
from logger.guide.guide_state import Guide, Step, enter, step_back
from logger.guide.orders import (
    Begin,
    Close,
    End,
    FollowBlock,
    JudgeBlock,
    KeepPlan,
    Mark,
    Order,
    Pressed,
    Task,
    WriteReport,
)
from logger.guide.phases import Closed, CountingIn, Done, Finishing, OnBreak, Playing, Ready, Resting
from logger.guide.shown import Click, Coming, Rest
from logger.guide.stretch import Stretch, planned_stretch

LEAD_S = 1.5
"""Time from the key to the first click: pages schedule it ahead."""
SILENT_LEAD_S = 3.0
LEAST_RATING_REST_S = 8.0
SETTLE_S = 0.7
"""Samples after a block's end that its last strokes are judged with."""
SCALES = ("tension", "discomfort")
HIGHEST_RATING = 10


def go_on(guide: Guide, at_s: float) -> Step:
    """To what comes next: a block, a break, or the end."""
    planned = guide.planned
    if guide.over:
        return enter(guide, Finishing()), [WriteReport()]
    if guide.moved is not None:
        return enter(replace(guide, moved=None, due_s=None, questions=(), counted=None), guide.moved), []
    if planned is not None and planned.kind == "rest":
        return begin_break(replace(guide, place=guide.place + 1), planned.seconds or 0.0, planned.note, at_s)
    if guide.due_s is not None:
        return count_in(guide, at_s)
    return enter(replace(guide, block=guide.block_of(guide.stretch), questions=(), counted=None), Ready()), []


def count_in(guide: Guide, at_s: float) -> Step:
    """Count in the next block, at once or when it is due."""
    stretch, due_s = guide.stretch, guide.due_s
    lead_s = 0.0 if not guide.script.led else LEAD_S if stretch.tempo_bpm else SILENT_LEAD_S
    begins_s = at_s + lead_s if due_s is None else due_s
    starts_s = begins_s + (stretch.count_in_s if guide.script.led else 0.0)
    ends_s = None if stretch.play_s is None else starts_s + stretch.play_s
    place = guide.blocks if guide.script.plan is None else guide.place
    task = Task("play", starts_s, ends_s, stretch.posture, place=place)
    shown = guide.block_of(stretch, starts_s, ends_s)
    guide = replace(guide, blocks=guide.blocks + 1, block=shown, questions=(), counted=None)
    if stretch.tempo_bpm is not None:
        guide = replace(guide, clicks=guide.clicks + 1)
    click = click_of(stretch, following(guide, guide.place + 1), guide.clicks, begins_s)
    guide = enter(guide, CountingIn(stretch, starts_s, ends_s, click))
    return guide, [task]


def following(guide: Guide, place: int) -> Stretch | None:
    """The block of play at a place of the plan, if it comes right after another."""
    blocks = () if guide.script.plan is None else guide.script.plan.blocks
    return planned_stretch(blocks[place]) if place < len(blocks) and blocks[place].kind == "play" else None


def click_of(stretch: Stretch, after: Stretch | None, number: int, begins_s: float) -> Click | None:
    """The click of a stretch with its count-in and its rest; None without a tempo.

    Where another posture or drill comes ``after``, the last bar of the play announces it.
    """
    if stretch.tempo_bpm is None:
        return None
    switch = after is not None and (after.posture, after.drill) != (stretch.posture, stretch.drill)
    beats = SectionBeats(stretch.count_in_beats, stretch.play_beats, stretch.rest_beats, stretch.pickup_beats, switch)
    return Click.of(number, begins_s, stretch.tempo_bpm, beats, stretch.beats_per_bar)


def coming_of(guide: Guide) -> Coming | None:
    """The block that comes next by itself, while one is played or in the rest after it."""
    phase = guide.phase
    if isinstance(phase, CountingIn | Playing):
        after, ends_s = following(guide, guide.place + 1), phase.ends_s
        due_s = None if ends_s is None else ends_s + phase.stretch.rest_s
        posture, tells_s = phase.stretch.posture, None if ends_s is None else ends_s - phase.stretch.bar_s
    elif isinstance(phase, Resting) and guide.due_s is not None:
        after, due_s, tells_s = following(guide, guide.place), guide.due_s, guide.due_s - phase.rest.seconds
        posture = "" if guide.block is None else guide.block.posture
    else:
        return None
    if after is None or due_s is None:
        return None
    then = following(guide, guide.place + (1 if isinstance(phase, Resting) else 2))
    # Where a break is due nothing begins by itself.
    click = None if guide.load.proposal else click_of(after, then, guide.clicks + 1, due_s)
    return Coming(guide.block_of(after), tells_s if after.posture != posture else None, click)


def begin_play(guide: Guide) -> Step:
    """The count-in is over."""
    phase = guide.phase
    if not isinstance(phase, CountingIn):
        return guide, []
    event = phase.stretch.event(guide.blocks)
    guide = enter(guide, Playing(phase.stretch, phase.starts_s, phase.ends_s, phase.click))
    return guide, [Begin(event, phase.starts_s), FollowBlock(guide.blocks)]


def end_play(guide: Guide, at_s: float) -> Step:
    """Close the block's event; the phase stays, to be left by the caller."""
    phase = guide.phase
    if not isinstance(phase, Playing):
        return guide, []
    on_time = phase.ends_s is not None and at_s >= phase.ends_s
    ended_s = end_of(phase, at_s)
    rest_s = phase.stretch.rest_s
    settle_s = SETTLE_S if phase.ends_s is None or rest_s > SETTLE_S / 0.8 else 0.8 * rest_s
    load = guide.load.played(max(0.0, ended_s - phase.starts_s))
    due_s = ended_s + rest_s if on_time else None
    guide = replace(guide, load=load, played=guide.played + 1, due_s=due_s)
    return guide, [Task("rest", at_s), End(ended_s), JudgeBlock(settle_s)]


def end_of(phase: Playing, at_s: float) -> float:
    """When a block that is over by now ended: by its own time, however late a busy computer comes to it."""
    return at_s if phase.ends_s is None else min(at_s, phase.ends_s)


def stop_play(guide: Guide, at_s: float) -> Step:
    """The block's end, by its time or by the player: in a plan it counts as played only if it ran to its end."""
    phase = guide.phase
    if not isinstance(phase, Playing):
        return guide, []
    free = guide.script.plan is None
    played = free or (phase.ends_s is not None and at_s >= phase.ends_s)
    guide, ended = end_play(guide, at_s)
    guide = replace(guide, place=guide.place + (played and not free))
    guide, orders = begin_rest(guide, phase.stretch, played, at_s, end_of(phase, at_s))
    return guide, [*ended, *orders]


def stop_count_in(guide: Guide, at_s: float) -> Step:
    """The player stopped the block before it began."""
    phase = guide.phase
    if not isinstance(phase, CountingIn):
        return guide, []
    guide, orders = begin_rest(replace(guide, blocks=guide.blocks - 1), phase.stretch, False, at_s, at_s)
    return guide, [Task("rest", at_s), *orders]


def begin_rest(guide: Guide, stretch: Stretch, played: bool, at_s: float, since_s: float) -> Step:
    """Rest after a block that ended at ``since_s``, with the questions where there is time for them."""
    begin: list[Order] = [Begin(Event(0.0, 0.0, "rest", "" if played else "stopped", stretch.posture), since_s)]
    if not guide.script.led:
        guide, orders = go_on(replace(guide, due_s=None), at_s)
        return guide, [*begin, *orders]
    open_end = guide.script.plan is None or guide.over or not played or guide.due_s is None
    due_s = None if open_end else guide.due_s
    seconds = stretch.rest_s if due_s is None else max(0.0, due_s - at_s)
    rated = open_end or seconds >= LEAST_RATING_REST_S
    rest = Rest("open" if open_end else "rest" if rated else "switch", seconds, due_s, False, None)
    guide = replace(guide, due_s=due_s, questions=SCALES if rated else (), counted=None)
    # A rest in time with the click keeps it.
    click = guide.phase.click if isinstance(guide.phase, Playing) and stretch.rest_beats and due_s else None
    return enter(guide, Resting(rest, click)), begin


def answered(guide: Guide, at_s: float, value: int | None = None) -> Step:
    """The question that is asked was answered, or left."""
    scale, *left = guide.questions
    guide = replace(guide, questions=tuple(left), counted=None, number=guide.number + 1)
    orders: list[Order] = []
    if value is not None:
        posture = guide.free.posture if guide.block is None else guide.block.posture
        orders = [Mark(Event(0.0, 0.0, "rating", scale, posture, rating=float(value)), at_s)]
        guide = replace(guide, load=guide.load.rated(scale, value))
    if not left and isinstance(guide.phase, Resting) and guide.script.plan is None:
        # Free play goes straight to what comes next.
        guide, more = go_on(guide, at_s)
        return guide, [*orders, *more]
    return guide, orders


def press_in_rest(guide: Guide, press: Pressed) -> Step:
    """A key of a rest, once its questions are answered."""
    phase = guide.phase
    if isinstance(phase, OnBreak):
        return end_break(guide, press.at_s)
    if not isinstance(phase, Resting):
        return guide, []
    ends_s = phase.rest.ends_server_s
    if press.command == "pause" and ends_s is not None:
        left_s = max(0.0, ends_s - press.at_s)
        held = replace(phase.rest, held=True, ends_server_s=None, left_s=left_s)
        return enter(replace(guide, due_s=None), replace(phase, rest=held)), []
    if press.command == "again":
        return go_on(replace(step_back(guide), due_s=None), press.at_s)
    return leave_rest(guide, press.at_s)


def leave_rest(guide: Guide, at_s: float) -> Step:
    """The rest is over; where a break is due nothing begins by itself."""
    due_s = None if guide.load.proposal else guide.due_s
    return go_on(replace(guide, due_s=due_s, questions=(), counted=None), at_s)


def begin_break(guide: Guide, seconds: float, words: str, at_s: float) -> Step:
    """A break of the plan: its time runs, the player may go on before."""
    rest = Rest("break", seconds, at_s + seconds, False, None)
    guide = replace(guide, due_s=None, questions=(), counted=None)
    return enter(guide, OnBreak(rest, at_s, words)), [Begin(Event(0.0, 0.0, "rest", "break"), at_s)]


def end_break(guide: Guide, at_s: float) -> Step:
    """The break is over, by its time or by the player."""
    phase = guide.phase
    if not isinstance(phase, OnBreak):
        return guide, []
    return go_on(replace(guide, load=guide.load.rested(at_s - phase.begun_s)), at_s)


def press_at_end(guide: Guide, phase: Done, pressed: Pressed) -> Step:
    """Save the plan for the next evening, or close the program."""
    if pressed.command == "again":
        return enter(guide, replace(phase, plan=False)), [KeepPlan()]
    return enter(guide, Closed()), [Close()]
