"""Keys of the terminal into the guide, its orders into the recorder. Knows no screen.

The page and the terminal follow one machine (:mod:`logger.guide.machine`); here the player calls every step.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from analysis.model.cautions import discomfort
from analysis.model.records import OFF_HAND, Event
from analysis.reference.mounting import MountingSettings
from analysis.reference.mounting_doubts import describe_change
from logger.guide.asked_gestures import MOVED_STILL, AskedGesture, full_gestures
from logger.guide.guide_state import Guide, Script, due_s
from logger.guide.machine import begin, step
from logger.guide.orders import Begin, Chosen, End, FollowBlock, Happening, Mark, Order, Pressed, TimePassed
from logger.guide.phases import Closed, Done, Finishing, Gesturing, Hurting, Paused, Phase, Playing, Preparing
from logger.guide.stretch import FreePlay
from logger.guide.view import hurt_words, keys_of
from logger.record.recorder import Recorder
from logger.record.stroke_counter import StrokeCounter
from logger.sliding.event_watch import EventWatch
from logger.terminal.keys import LEFT, PAGE_DOWN, PAGE_UP, RIGHT

KEYS_LINE = (
    "[g] next gesture  [u] repeat it  [space] start/stop a block\n"
    "[1-9] posture  [z] pause/resume  [t]/[d] tension/discomfort, then 0-9, x: 10\n"
    "[h] something hurts: stop for today  [q] end"
)
COMMANDS = {
    "g": "gesture",
    "u": "again",
    " ": "block",
    "z": "pause",
    "t": "tension",
    "d": "discomfort",
    "h": "hurt",
    "q": "finish",
    "\x03": "finish",
}
DIGITS = "0123456789"
COUNT_KEYS = ("+", LEFT, PAGE_UP)
PEDAL_KEYS = {RIGHT: "next", PAGE_DOWN: "next", "\r": "next", "\n": "next", LEFT: "again", PAGE_UP: "again"}
ACCEPT_KEYS = (" ", "\r", "\n", RIGHT, PAGE_DOWN)


@dataclass(frozen=True)
class BlockSettings:
    """What is the same in every block of this recording.

    Attributes
    ----------
    postures : tuple of str
        Labels, by turns.
    tempo_bpm : float or None
    notes_per_beat : float or None
    drill : str
    wanted : {"down", "up"} or None
    flat : bool
    gestures : tuple of AskedGesture
        Those to ask for; empty for the usual ones.
    """

    postures: tuple[str, ...] = ("A",)
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""
    wanted: Literal["down", "up"] | None = None
    flat: bool = False
    """The instrument lies on the lap."""
    gestures: tuple[AskedGesture, ...] = field(default=())

    @property
    def free(self) -> FreePlay:
        """The blocks as the guide knows them, in the first posture."""
        return FreePlay(self.postures[0], self.wanted, self.tempo_bpm, self.notes_per_beat, self.drill)


class RecordSession:
    """Turn key presses into events of a recorder.

    Parameters
    ----------
    recorder : Recorder
    counter : StrokeCounter
    settings : BlockSettings
    watch : EventWatch, optional
        Looks at gestures and blocks as they end.

    Attributes
    ----------
    message : str
        What to tell the player now.
    blocks : int
        Started so far.
    """

    def __init__(
        self, recorder: Recorder, counter: StrokeCounter, settings: BlockSettings, watch: EventWatch | None = None
    ) -> None:
        self.message = "Ready. Press g for the first gesture."
        self.hurt = False
        self._recorder = recorder
        self._counter = counter
        self._watch = watch
        self._events: list[Event] = []
        gestures = settings.gestures or full_gestures(settings.flat)
        script = Script(led=False, postures=settings.postures)
        self._guide, _ = begin(script, Chosen(0.0, gestures, settings.free, 0.0))

    @property
    def posture(self) -> str:
        """The posture that is played next, or now."""
        return self._guide.free.posture

    @property
    def blocks(self) -> int:
        """Started so far."""
        return self._guide.blocks

    @property
    def finished(self) -> bool:
        """The player asked to end."""
        return isinstance(self._guide.phase, Finishing | Done | Closed)

    @property
    def doing(self) -> str:
        """What is being recorded now, in a word."""
        phase = self._guide.phase
        if isinstance(phase, Gesturing):
            return str(self._guide.wanted[self._guide.gesture].asked.kind)
        return "block" if isinstance(phase, Playing) else "hurt" if isinstance(phase, Hurting) else "between blocks"

    def press(self, key: str) -> None:
        """Act on a key; unknown keys do nothing.

        Parameters
        ----------
        key : str
        """
        if self._guide.questions and key not in ("h", "q", "\x03"):
            self._answer(key)
        elif key in DIGITS[1:] and key:
            self._choose_posture(int(key) - 1)
        elif key in COMMANDS:
            self._press(COMMANDS[key])
        elif key in PEDAL_KEYS:
            self._press(self._forward() if PEDAL_KEYS[key] == "next" else "again")

    def _forward(self) -> str:
        """What the pedal means now: the next gesture while there is one, else a block."""
        return "gesture" if isinstance(self._guide.phase, Preparing) else "block"

    def tick(self) -> None:
        """Go on where a time is up, that of a gesture or of taking a rating back; call this several times a second."""
        if due_s(self._guide) is not None:
            self._happen(TimePassed(self._recorder.log_time_s()))

    def end(self) -> None:
        """Close what is open and finish."""
        self._press("finish")
        self.message = "Ending."

    def _press(self, command: str, value: int = 0) -> None:
        offered = {key.command for key in keys_of(self._guide)}
        if command != "finish" and command not in offered:
            return
        self._happen(Pressed(self._recorder.log_time_s(), command, value))

    def _answer(self, key: str) -> None:
        scale, counted = self._guide.questions[0].capitalize(), self._guide.counted
        if key in COUNT_KEYS:
            self._press("again")
            return
        value = counted if key in ACCEPT_KEYS else 10 if key == "x" else int(key) if key in DIGITS else None
        if value is None:
            self._press("skip")
            self.message = self.message if self._guide.questions else "No rating taken."
        else:
            self._press("rate", value)
            if not isinstance(self._guide.phase, Hurting):
                self.message = f"{scale} {value} noted."

    def _choose_posture(self, place: int) -> None:
        postures = self._guide.script.postures
        if place >= len(postures):
            self.message = f"There are {len(postures)} postures; name more with --posture."
        elif isinstance(self._guide.phase, Playing):
            self.message = "End the block first (space): a block has one posture."
        else:
            self._press("posture", place)

    def _happen(self, happening: Happening) -> None:
        before, ended = self._guide, len(self._events)
        self._guide, orders = step(before, happening)
        for order in orders:
            self._do(order)
        if (self._guide.number, self._guide.counted) != (before.number, before.counted):
            self.message = message_after(before, self._guide, self._counter.strokes)
        for event in self._events[ended:]:
            self._look_at(event)
        self.hurt = self.hurt or bool(discomfort([o.event for o in orders if isinstance(o, Begin | Mark)]))

    def _look_at(self, event: Event) -> None:
        """Ask again for what went wrong, while that costs nothing."""
        if self._watch is None or isinstance(self._guide.phase, Hurting | Finishing | Done | Closed):
            return
        if event.kind == "still" and event.label == OFF_HAND and self._watch.moved(event):
            self.message = f"{MOVED_STILL} Press u to do it again, or g to go on."
        if event.kind == "play":
            change = self._watch.new_gestures_wanted(self._events, event.posture, MountingSettings())
            if change is not None:
                # Without a frame, what it is worth at most: all of the turn about the strings.
                words = describe_change(change, change.turned_deg, self._events[0].start_s)
                self.message += f" {words} Press g for new gestures."

    def _do(self, order: Order) -> None:
        """Follow an order; what concerns pages, verdicts and reports has no meaning here."""
        if isinstance(order, Begin):
            self._recorder.begin(order.event, order.at_s)
        elif isinstance(order, End):
            self._counter.pause()
            event = self._recorder.end(order.at_s, order.kind)
            if event is not None:
                self._events.append(event)
        elif isinstance(order, Mark):
            self._recorder.add(replace(order.event, start_s=order.at_s, end_s=order.at_s))
        elif isinstance(order, FollowBlock):
            self._counter.reset()


def message_after(before: Guide, guide: Guide, strokes: int) -> str:
    """What to tell the player after a step."""
    phase, was = guide.phase, before.phase
    if guide.questions:
        scale = guide.questions[0].capitalize()
        if guide.counted is not None:
            return f"{scale} {guide.counted}: space accepts, + counts on."
        return f"{scale} from 0 (none) to 10 (worst): a digit, x for 10; or + counts up and space accepts."
    if isinstance(phase, Gesturing):
        asked = guide.wanted[guide.gesture].asked
        return f"{asked.prompt} ({asked.seconds:g} s)"
    if isinstance(phase, Playing):
        begun = f"Resumed as block {guide.blocks}" if isinstance(was, Paused) else f"Block {guide.blocks}"
        return f"{begun}, posture {guide.free.posture}." + ("" if isinstance(was, Paused) else " Space ends it.")
    return message_between(was, guide, strokes)


def message_between(was: Phase, guide: Guide, strokes: int) -> str:
    """What to tell the player between gestures and blocks."""
    phase = guide.phase
    if isinstance(phase, Paused):
        return "Paused. z resumes."
    if isinstance(phase, Hurting):
        return (
            f"{' '.join(hurt_words(guide))} {'Press q.' if guide.slip is None else 'Press q, or u to be asked again.'}"
        )
    if isinstance(was, Playing):
        return f"Block {guide.blocks} ended after {strokes} strokes or so. Rest."
    if not isinstance(phase, Preparing):
        gone = isinstance(was, Gesturing)
        return "Gestures done. Press space to start a block." if gone else f"Posture {guide.free.posture}. Press space."
    if isinstance(was, Gesturing):
        asked = guide.wanted[guide.gesture].asked
        return f"Done. Next (g): {asked.prompt} {asked.left_out}".rstrip()
    return f"Posture {guide.free.posture}. Its gestures come first: press g."
