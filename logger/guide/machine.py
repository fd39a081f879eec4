"""The guided session, one step at a time: ``step(state, happening)`` gives the next state and what is to be done."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.records import Event
from logger.guide.called_steps import press_called
from logger.guide.gesture_transitions import (
    ask_for_posture,
    begin_gestures,
    gesture_time_passed,
    judged,
    press_in_gestures,
    solved,
)
from logger.guide.guide_state import Guide, Script, Slip, Step, due_s, enter, step_back
from logger.guide.orders import (
    Begin,
    CheckSensor,
    Chosen,
    Close,
    End,
    GestureJudged,
    GesturesSolved,
    Happening,
    LoadAssessed,
    LookForSensor,
    MountingMoved,
    Order,
    Pressed,
    Reported,
    SensorChecked,
    SensorFound,
    SensorMissing,
    SettleSetup,
    Task,
    TimePassed,
    WriteReport,
)
from logger.guide.phases import (
    Closed,
    Connecting,
    CountingIn,
    Done,
    Finishing,
    Gesturing,
    Hurting,
    Judging,
    Moved,
    OnBreak,
    Playing,
    Poor,
    Preparing,
    Ready,
    Resting,
    SettingUp,
    Unconnected,
    Unsolved,
)
from logger.guide.play_transitions import (
    HIGHEST_RATING,
    answered,
    begin_play,
    count_in,
    end_break,
    end_play,
    go_on,
    leave_rest,
    press_at_end,
    press_in_rest,
    stop_count_in,
    stop_play,
)
from logger.guide.slip_transitions import TAKE_BACK_S, ask_again, note_slip, posture_of
from logger.guide.view import keys_of


def begin(script: Script, chosen: Chosen) -> Step:
    """Begin a session.

    Parameters
    ----------
    script : Script
    chosen : Chosen
        What is chosen to begin with.

    Returns
    -------
    guide : Guide
    orders : list of Order
    """
    guide = choose(Guide(script, Connecting()), chosen)
    if script.led and not script.sensor:
        return replace(guide, phase=SettingUp()), []
    if script.led:
        return guide, [LookForSensor()]
    # Whoever calls the steps has met the sensor already.
    guide, orders = begin_gestures(guide, chosen.at_s)
    return guide, orders


def step(guide: Guide, happening: Happening) -> Step:
    """Take one step.

    Parameters
    ----------
    guide : Guide
        The state so far.
    happening : Happening
        What happened; one that has no meaning now changes nothing.

    Returns
    -------
    guide : Guide
        The state from now on.
    orders : list of Order
        What is to be done, in this order.
    """
    if isinstance(happening, Pressed):
        return press(guide, happening)
    if isinstance(happening, TimePassed):
        due = due_s(guide)
        return (guide, []) if due is None or happening.at_s < due else time_passed(guide, happening.at_s)
    if isinstance(happening, Chosen):
        return choose(guide, happening), []
    if isinstance(happening, GestureJudged):
        return judged(guide, happening)
    if isinstance(happening, GesturesSolved):
        return solved(guide, happening)
    if isinstance(happening, LoadAssessed):
        return replace(guide, load=guide.load.drifted(happening.level, happening.sentence)), []
    if isinstance(happening, MountingMoved):
        guide = replace(guide, moved=Moved(happening.posture, happening.sentence))
        return go_on(guide, happening.at_s) if isinstance(guide.phase, Ready) else (guide, [])
    if isinstance(happening, Reported):
        done = Done(happening.sentence, happening.plan)
        return (enter(guide, done), []) if isinstance(guide.phase, Finishing) else (guide, [])
    return sensor_told(guide, happening)


def sensor_told(guide: Guide, told: SensorFound | SensorMissing | SensorChecked) -> Step:
    """News while the sensor is looked for and checked."""
    if not isinstance(guide.phase, Connecting):
        return guide, []
    if isinstance(told, SensorFound):
        return replace(guide, phase=Connecting(checking=True)), [CheckSensor()]
    if isinstance(told, SensorMissing):
        return enter(guide, Unconnected(told.sentence, told.on_disk)), []
    if told.problem:
        return enter(guide, Unconnected(told.problem, checked=True)), []
    return enter(guide, SettingUp()), []


def choose(guide: Guide, chosen: Chosen) -> Guide:
    """Take over a choice; where it was refused, say so."""
    free, band = chosen.free, chosen.dead_band_deg
    guide = replace(guide, asked=chosen.gestures, free=free, dead_band_deg=band, strings=chosen.strings)
    if isinstance(guide.phase, Ready):
        return enter(replace(guide, block=guide.block_of(guide.stretch)), Ready(chosen.refused))
    return enter(guide, SettingUp(chosen.refused)) if isinstance(guide.phase, SettingUp) else guide


def time_passed(guide: Guide, at_s: float) -> Step:
    """The time of the phase is up."""
    phase = guide.phase
    if isinstance(phase, Gesturing):
        return gesture_time_passed(guide, at_s)
    if isinstance(phase, CountingIn):
        return begin_play(guide)
    if isinstance(phase, Playing):
        return stop_play(guide, at_s)
    if isinstance(phase, Resting):
        return leave_rest(guide, at_s)
    if isinstance(phase, OnBreak):
        return end_break(guide, at_s)
    # Not taken back: from here on only the end is left.
    guide, orders = note_slip(guide)
    return enter(guide, Hurting()), orders


def press(guide: Guide, pressed: Pressed) -> Step:
    """Follow a key that has a meaning now."""
    command = pressed.command
    if command == "finish":
        return finish(guide, pressed.at_s)
    late = pressed.seen not in (None, guide.number) and command != "hurt"
    if late or command not in {key.command for key in keys_of(guide)}:
        return guide, []
    if command == "hurt":
        return hurt(guide, pressed.at_s)
    if isinstance(guide.phase, Hurting):
        return ask_again(guide, pressed.at_s)
    if guide.questions:
        return press_in_question(guide, pressed)
    if not guide.script.led:
        return press_called(guide, pressed)
    return press_led(guide, pressed)


def press_in_question(guide: Guide, pressed: Pressed) -> Step:
    """An answer on the scale; or one key counts up, from 10 to 0 again, and the other accepts what was counted."""
    if pressed.command == "again":
        # The step's number stays: quick presses one after the other all count.
        return replace(guide, counted=0 if guide.counted is None else (guide.counted + 1) % (HIGHEST_RATING + 1)), []
    value = {"rate": pressed.value, "next": guide.counted}.get(pressed.command)
    if guide.questions[0] == "discomfort" and value:
        return stop_for_discomfort(guide, pressed.at_s, value)
    return answered(replace(guide, slip=None), pressed.at_s, value)


def press_led(guide: Guide, pressed: Pressed) -> Step:
    """A key where the guide leads."""
    phase, at_s = guide.phase, pressed.at_s
    if isinstance(phase, Unconnected):
        return reconnect(guide, pressed)
    if isinstance(phase, SettingUp):
        guide, orders = begin_gestures(guide, at_s)
        return guide, [SettleSetup(), *orders]
    if isinstance(phase, Preparing | Gesturing | Poor | Unsolved | Moved):
        return press_in_gestures(guide, pressed)
    if isinstance(phase, Ready):
        return press_ready(guide, pressed)
    if isinstance(phase, CountingIn):
        return stop_count_in(guide, at_s)
    if isinstance(phase, Playing):
        return stop_play(guide, at_s)
    if isinstance(phase, Resting | OnBreak):
        return press_in_rest(guide, pressed)
    return press_at_end(guide, phase, pressed) if isinstance(phase, Done) else (guide, [])


def reconnect(guide: Guide, pressed: Pressed) -> Step:
    """Try again; or go on with a sensor that does not read as it should."""
    if pressed.command == "skip":
        return enter(guide, SettingUp()), []
    checked = isinstance(guide.phase, Unconnected) and guide.phase.checked
    return enter(guide, Connecting(checking=checked)), [CheckSensor() if checked else LookForSensor()]


def press_ready(guide: Guide, pressed: Pressed) -> Step:
    """A key before a block."""
    if pressed.command != "again":
        return count_in(guide, pressed.at_s)
    if guide.script.plan is None:
        return ask_for_posture(guide, guide.free.posture, pressed.at_s)
    return go_on(step_back(guide), pressed.at_s)


def close_phase(guide: Guide, at_s: float) -> Step:
    """Close what is under way, to leave it: a gesture that was broken off does not count, a block does."""
    phase = guide.phase
    if isinstance(phase, Playing):
        return end_play(guide, at_s)
    if isinstance(phase, CountingIn):
        return replace(guide, blocks=guide.blocks - 1), [Task("rest", at_s), End(at_s)]
    task: list[Order] = [Task("rest", at_s)] if isinstance(phase, Gesturing) else []
    poor = guide.script.led and isinstance(phase, Judging | Poor | Gesturing)
    ended_s = phase.ended_s if isinstance(phase, Judging | Poor) else at_s
    return guide, [*task, End(ended_s, "rest" if poor else None)]


def hurt(guide: Guide, at_s: float) -> Step:
    """Stop whatever runs, say so, record it."""
    guide, noted = note_slip(guide)
    guide, orders = stop_for_today(guide, at_s)
    return guide, [*noted, *orders, Task("rest", at_s), Begin(Event(0.0, 0.0, "hurt", "", posture_of(guide)), at_s)]


def stop_for_discomfort(guide: Guide, at_s: float, value: int) -> Step:
    """Stop at once: any discomfort is a reason to end the day. For a moment the rating can be taken back.

    It is written down when that moment has passed, so that a slip of the finger is no report in the session.
    """
    event = Event(0.0, 0.0, "rating", "discomfort", posture_of(guide), rating=float(value))
    back = Ready() if isinstance(guide.phase, Playing | Gesturing | CountingIn) else guide.phase
    guide = replace(guide, slip=Slip(event, at_s, at_s + TAKE_BACK_S, back))
    return stop_for_today(guide, at_s)


def stop_for_today(guide: Guide, at_s: float) -> Step:
    """From here there is no way on but the end; what was recorded is kept."""
    guide, orders = close_phase(guide, at_s)
    return enter(replace(guide, due_s=None, questions=(), counted=None), Hurting()), orders


def finish(guide: Guide, at_s: float) -> Step:
    """End the session and write its report; once that is there, close the program."""
    if isinstance(guide.phase, Done):
        return enter(guide, Closed()), [Close()]
    if isinstance(guide.phase, Finishing | Closed):
        return guide, []
    guide, noted = note_slip(guide)
    guide, orders = close_phase(guide, at_s)
    return enter(replace(guide, questions=(), counted=None), Finishing()), [*noted, *orders, WriteReport()]
