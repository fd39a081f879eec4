"""What a state of the guide shows: step, title, hint, the keys that have a meaning, and the parts that a page draws."""

from __future__ import annotations

from dataclasses import replace

from analysis.model.cautions import HURT, NOT_MEDICAL, SKIN, STOP
from analysis.model.records import FACE_DOWN, OFF_HAND, SOUNDBOARD
from logger.guide.guide_state import Guide, plan_place
from logger.guide.phases import (
    Connecting,
    CountingIn,
    Done,
    Finishing,
    Gesturing,
    Hurting,
    Judging,
    Moved,
    OnBreak,
    Paused,
    Phase,
    Playing,
    Poor,
    Preparing,
    Ready,
    Resting,
    SettingUp,
    Solving,
    Unconnected,
    Unsolved,
)
from logger.guide.play_transitions import SCALES, coming_of
from logger.guide.shown import Gesture, GestureLive, GesturePhase, Key, Rating, Step, View

HURT_KEY = Key("hurt", "Something hurts")
FINISH_KEY = Key("finish", "End the session")
HURT_WORDS = f"Stop playing. {STOP} {NOT_MEDICAL}"
KEPT_WORDS = "Everything you have recorded is kept. End the session here; play again only in a new one, on another day."
SLIP_KEY = Key("again", "It was a slip: ask me again")
SLIP_WORDS = "You rated discomfort {value} of 10. Only if your finger slipped: for ten seconds you can be asked again."
REST_WORDS = "Hands down, shoulders loose."
BREAK_WORDS = "Put the instrument down, stand up, and shake out your hands and shoulders."
QUESTIONS = {
    "tension": Rating("tension", "How tense are hand, arm and shoulders?", "0: loose", "10: as tense as can be"),
    "discomfort": Rating("discomfort", "Any discomfort?", "0: none", "10: as bad as can be"),
}
NO_SENSOR_WORDS = (
    "Without a sensor nothing was recorded. One on the hand would add the tilt of every stroke, which string changes "
    "clear, and a report."
)
GESTURE_TITLES = {
    ("still", OFF_HAND): "Sensor on the table, hands off",
    ("still", SOUNDBOARD): "Sensor flat on the soundboard",
    ("still", FACE_DOWN): "Sensor face down on the soundboard",
    ("still", ""): "Plectrum on a string, hold still",
    ("across", ""): "Across all strings, to and fro",
    ("along", ""): "Along one string, to and fro",
    ("pivot", ""): "Tip on one spot, rock the hand",
    ("rock", ""): "Hand on the instrument, rock both",
    ("side check", ""): "Downstrokes that leave the strings",
    ("angle check", ""): "Along the raised edge, to and fro",
}


def view(guide: Guide) -> View:
    """What there is to show.

    Parameters
    ----------
    guide : Guide

    Returns
    -------
    View
    """
    phase = guide.phase
    step = step_of(phase)
    title, hint = words_of(guide)
    playing = isinstance(phase, CountingIn | Playing)
    over = isinstance(phase, Finishing | Done)
    rests = isinstance(phase, Resting | OnBreak)
    question = replace(QUESTIONS[guide.questions[0]], counted=guide.counted) if guide.questions else None
    return View(
        step=step,
        title=title if question is None else question.question,
        hint=hint,
        notice=guide.notice,
        keys=keys_of(guide),
        gesture=gesture_of(guide),
        plan=None if step in ("connect", "setup", "gestures") else plan_place(guide, step == "rest"),
        block=None if over else guide.block,
        click=phase.click if isinstance(phase, CountingIn | Playing | Resting) else None,
        rating=question,
        rest=phase.rest if isinstance(phase, Resting | OnBreak) else None,
        hurt=hurt_words(guide),
        coming=coming_of(guide),
        break_due=guide.load.proposal if rests or playing or isinstance(phase, Ready) else "",
    )


def hurt_words(guide: Guide) -> tuple[str, ...]:
    """What to read after something hurt, the strictest first; last how a slip of the finger is taken back.

    Parameters
    ----------
    guide : Guide

    Returns
    -------
    tuple of str
        Empty where nothing hurt.
    """
    if not isinstance(guide.phase, Hurting):
        return ()
    slip = () if guide.slip is None else (SLIP_WORDS.format(value=f"{guide.slip.event.rating:g}"),)
    return (HURT_WORDS, HURT, KEPT_WORDS, *slip)


def step_of(phase: Phase) -> Step:
    """The step that a phase belongs to."""
    steps: tuple[tuple[type | tuple[type, ...], Step], ...] = (
        ((Connecting, Unconnected), "connect"),
        (SettingUp, "setup"),
        ((Preparing, Gesturing, Judging, Poor, Solving, Unsolved, Moved), "gestures"),
        (Ready, "ready"),
        (CountingIn, "count_in"),
        (Playing, "play"),
        ((Resting, OnBreak, Paused), "rest"),
        (Hurting, "hurt"),
        (Finishing, "finishing"),
    )
    return next((step for kinds, step in steps if isinstance(phase, kinds)), "done")


def words_of(guide: Guide) -> tuple[str, str]:
    """Title and hint."""
    phase = guide.phase
    if isinstance(phase, Ready):
        return guide.stretch.title, phase.refused or ready_hint(guide)
    if isinstance(phase, CountingIn | Playing):
        return phase.stretch.title, phase.stretch.note if isinstance(phase, CountingIn) else ""
    if isinstance(phase, Resting) and phase.rest.kind == "switch" and not guide.load.proposal:
        return guide.stretch.title, ""
    if isinstance(phase, Resting | Paused):
        return "Rest", REST_WORDS if guide.questions else guide.load.proposal or REST_WORDS
    if isinstance(phase, OnBreak):
        return "Break", phase.words or BREAK_WORDS
    if isinstance(phase, Hurting):
        return "Stop", HURT_WORDS
    if isinstance(phase, Moved):
        return "New gestures?", f"{phase.sentence} They take half a minute."
    if isinstance(phase, Preparing | Gesturing | Judging | Poor | Solving | Unsolved):
        return gesture_words(guide)
    return edge_words(phase)


def edge_words(phase: Phase) -> tuple[str, str]:
    """Title and hint of the steps before the gestures and after the play."""
    if isinstance(phase, Connecting):
        if phase.checking:
            return "Checking the sensor", "Leave it alone for a moment."
        return "Looking for the sensor", "Switch it on, or plug it in."
    if isinstance(phase, Unconnected):
        if phase.checked:
            return "The sensor is not right", phase.sentence
        return "The recording cannot be written" if phase.on_disk else "The sensor was not found", phase.sentence
    if isinstance(phase, SettingUp):
        return "Who plays, and on what?", phase.refused or f"Choose, or press the key if this is right. {STOP} {SKIN}"
    if isinstance(phase, Finishing):
        return "Working out the report", ""
    return "Done", phase.sentence if isinstance(phase, Done) else ""


def gesture_words(guide: Guide) -> tuple[str, str]:
    """Title and hint of the gestures' steps."""
    phase = guide.phase
    if isinstance(phase, Solving):
        return "Working out how you hold the instrument", ""
    if isinstance(phase, Unsolved):
        return "Once more", phase.reason
    if isinstance(phase, Poor):
        return "Once more", phase.quality.sentence
    wanted = guide.wanted[guide.gesture]
    posture = f"Posture {wanted.posture}. " if wanted.posture and guide.several else ""
    label = wanted.asked.label if wanted.off_hand else ""
    words = (posture.strip(), wanted.asked.prompt, cost_of_leaving_out(guide))
    return GESTURE_TITLES[wanted.asked.kind, label], " ".join(filter(None, words))


def cost_of_leaving_out(guide: Guide) -> str:
    """What it costs to leave the gesture out that is shown, while that can still be done."""
    phase = guide.phase
    open_yet = isinstance(phase, Preparing) or (isinstance(phase, Gesturing) and phase.leading)
    return guide.wanted[guide.gesture].asked.left_out if open_yet else ""


def ready_hint(guide: Guide) -> str:
    """What to do before a block, and what to think of a tilt in a posture without gestures of its own."""
    free = guide.script.plan is None
    problem = guide.stretch.problem(guide.strings)
    hint = (
        problem
        or guide.stretch.note
        or ("Press the key to start, and again to stop." if free else "Press the key to start.")
    )
    lender = guide.lender
    return hint if lender is None else f"{borrowed_words(guide.stretch.posture, lender)} {hint}"


def borrowed_words(posture: str, lender: str) -> str:
    """What to think of a tilt in a posture that has no gestures of its own.

    Parameters
    ----------
    posture : str
        The one without gestures.
    lender : str
        The one whose gestures stand in.

    Returns
    -------
    str
        One sentence.
    """
    return (
        f"Posture {posture} has no gestures of its own: its tilt is measured by those of posture {lender} and may be "
        "a few degrees off."
    )


def gesture_of(guide: Guide) -> Gesture | None:
    """The gesture that is shown, to do or just done."""
    phase = guide.phase
    times: tuple[float | None, float | None] = (None, None)
    last: GestureLive | None = None
    shown: GesturePhase
    if isinstance(phase, Preparing):
        shown, last = "prepare", guide.last
    elif isinstance(phase, Gesturing):
        shown = "lead" if phase.leading else "running"
        times = (phase.starts_s, phase.ends_s)
    elif isinstance(phase, Judging):
        shown, times = "judging", (phase.starts_s, phase.ended_s)
    elif isinstance(phase, Poor):
        shown, last = "poor", phase.quality
    else:
        return None
    wanted = guide.wanted[guide.gesture]
    kind = wanted.asked.kind
    place = (wanted.number, wanted.count, wanted.off_hand, wanted.posture)
    prompt = " ".join(filter(None, (wanted.asked.prompt, cost_of_leaving_out(guide))))
    return Gesture(kind, *place, prompt, wanted.asked.seconds, shown, *times, last, wanted.asked.label)


# --- keys


def keys_of(guide: Guide) -> tuple[Key, ...]:
    """The commands that have a meaning now, the pedal's first.

    Parameters
    ----------
    guide : Guide

    Returns
    -------
    tuple of Key
        Empty where nothing can be commanded.
    """
    phase = guide.phase
    if isinstance(phase, Hurting):
        return (FINISH_KEY,) if guide.slip is None else (SLIP_KEY, FINISH_KEY)
    if isinstance(phase, Done):
        close = Key("next", "Close the program")
        return (close, Key("again", "Save the plan for the next evening")) if phase.plan else (close,)
    if isinstance(phase, Connecting | Judging | Solving | Finishing) or not step_keys(guide):
        return ()
    if isinstance(phase, Unconnected):
        return (*step_keys(guide), FINISH_KEY)
    return (*step_keys(guide), HURT_KEY, FINISH_KEY)


def step_keys(guide: Guide) -> tuple[Key, ...]:
    """The keys of a step, but for those that end it."""
    phase = guide.phase
    if guide.questions:
        counting = (Key("again", "Count up"), Key("rate", "0 to 10"))
        if guide.slip is not None:
            # A report of discomfort is taken back by another answer, not by none.
            return counting if guide.counted is None else (Key("next", f"Accept {guide.counted}"), *counting)
        accept = "No answer" if guide.counted is None else f"Accept {guide.counted}"
        return (Key("next", accept), *counting, Key("skip", "No answer"))
    if not guide.script.led:
        return called_keys(phase)
    if isinstance(phase, Unconnected):
        again = Key("next", "Check again" if phase.checked else "Try again")
        return (again, Key("skip", "Go on anyway")) if phase.checked else (again,)
    if isinstance(phase, SettingUp):
        return (Key("next", "This is right"), Key("choose", "Choose"))
    if isinstance(phase, Preparing):
        return (Key("next", "Start"), Key("skip", "Leave it out"))
    if isinstance(phase, Gesturing):
        skip = (Key("skip", "Leave it out"),) if phase.leading else ()
        return (Key("again", "Stop; it waits for you"), *skip)
    if isinstance(phase, Poor):
        return (Key("next", "Do it again"), Key("skip", "Go on with it as it is"))
    if isinstance(phase, Unsolved):
        return (Key("next", "Do it again"), Key("skip", "Go on without"))
    if isinstance(phase, Moved):
        return (Key("next", "New gestures now"), Key("skip", "Go on without"))
    return play_keys(guide)


def play_keys(guide: Guide) -> tuple[Key, ...]:
    """The keys before, in and after a block."""
    phase, free = guide.phase, guide.script.plan is None
    if isinstance(phase, Ready):
        keys = [Key("next", "Start")]
        keys += [Key("again", "Play the last block again")] if not free and guide.place > 0 else []
        borrows = free and guide.lender is not None
        keys += [Key("again", f"Gestures of posture {guide.stretch.posture}")] if borrows else []
        return (*keys, Key("choose", "Choose")) if free else tuple(keys)
    if isinstance(phase, CountingIn):
        return (Key("pause", "Stop"),)
    if isinstance(phase, Playing):
        return (Key("next", "Stop"),) if phase.ends_s is None else (Key("pause", "Stop the block"),)
    if isinstance(phase, OnBreak):
        return (Key("next", "Go on now"),)
    if not isinstance(phase, Resting):
        return ()
    timed = phase.rest.ends_server_s is not None
    keys = [Key("next", "To the report" if guide.over else "Go on")] if not timed or guide.load.proposal else []
    keys += [Key("pause", "Hold the rest")] if timed else []
    return (*keys, Key("again", "Play it again")) if guide.place > 0 else tuple(keys)


def called_keys(phase: Phase) -> tuple[Key, ...]:
    """The keys of a player who calls the steps: nearly all, at all times."""
    playing = isinstance(phase, Playing)
    keys = [Key("gesture", "Next gesture"), Key("again", "Repeat the gesture"), Key("block", "Start or stop a block")]
    keys += [Key("pause", "Pause or go on")] if playing or isinstance(phase, Paused) else []
    keys += [] if playing else [Key("posture", "Choose the posture")]
    return (*keys, *(Key(scale, f"Rate {scale}") for scale in SCALES))
