"""What the keys do while recording: gestures and their prompts, blocks, postures, ratings. Knows no screen."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from analysis.model.cautions import NOT_MEDICAL, STOP
from analysis.model.records import OFF_HAND, Event, EventKind
from logger.record.recorder import Recorder, mark
from logger.record.stroke_counter import StrokeCounter

KEYS_LINE = (
    "[g] next gesture  [u] repeat it  [space] start/stop a block\n"
    "[1-9] posture  [z] pause/resume  [t]/[d]+digit tension/discomfort\n"
    "[h] something hurts  [q] end"
)


@dataclass(frozen=True)
class Gesture:
    """One reference gesture: what to do in plain words, and for how long."""

    kind: EventKind
    seconds: float
    prompt: str
    label: str = ""


@dataclass(frozen=True)
class BlockSettings:
    """What is the same in every block of this recording."""

    postures: tuple[str, ...] = ("A",)
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""
    wanted: Literal["down", "up"] | None = None
    flat: bool = False
    """The instrument lies on the lap."""
    gestures: tuple[Gesture, ...] = field(default=())


def full_gestures(flat: bool = False) -> tuple[Gesture, ...]:
    """Return the reference gestures in order; a lap instrument's ``across`` must start with a downstroke."""
    first = ", the first move in the direction of a downstroke" if flat else ""
    return (
        Gesture("still", 3.0, "Lay the sensor on the table and leave it alone.", OFF_HAND),
        Gesture("still", 3.0, "Strap it on, rest the plectrum on a string and hold still."),
        Gesture(
            "across",
            6.0,
            f"Mute the strings. Drag the tip across all of them, back and forth, about twice a second{first}.",
        ),
        Gesture("along", 6.0, "Slide the tip along one string, back and forth, about twice a second."),
        Gesture("pivot", 9.0, "Keep the tip on one spot. Rock the hand: slow circles, then quick nods and turns."),
    )


SHORT_GESTURES_SD_MM = 4.5
"""Up to this standard deviation per axis a remembered lever arm lets the short gestures do."""
SHORT_S: dict[str, float] = {"still": 2.0, "across": 4.0, "along": 4.0, "pivot": 5.0}


def choose_gestures(lever_sd_mm: float | None, flat: bool = False) -> tuple[Gesture, ...]:
    """Return the short gestures where the lever arm is known well enough from earlier sessions, else the full ones."""
    full = full_gestures(flat)
    if lever_sd_mm is None or lever_sd_mm > SHORT_GESTURES_SD_MM:
        return full
    return tuple(replace(gesture, seconds=SHORT_S[gesture.kind]) for gesture in full)


HURT_WORDS = f"Stop playing. {STOP} {NOT_MEDICAL}"


class RecordSession:
    """Turn key presses into events of a recorder.

    Attributes
    ----------
    message : str
        What to tell the player now.
    posture : str
    blocks : int
        Started so far.
    finished : bool
        The player asked to end.
    """

    def __init__(self, recorder: Recorder, counter: StrokeCounter, settings: BlockSettings) -> None:
        self.message = "Ready. Press g for the first gesture."
        self.posture = settings.postures[0]
        self.blocks = 0
        self.finished = False
        self.hurt = False
        self._recorder = recorder
        self._counter = counter
        self._settings = settings
        self._gestures = settings.gestures or full_gestures(settings.flat)
        self._next_gesture = 0
        self._gesture_end_s: float | None = None
        self._rating: str | None = None
        self._open: EventKind | None = None
        self._paused_block = False

    @property
    def doing(self) -> str:
        """What is being recorded now, in a word."""
        return (
            "between blocks" if self._open in (None, "rest") else "block" if self._open == "play" else str(self._open)
        )

    def press(self, key: str) -> None:
        """Act on a key; unknown keys do nothing."""
        if self._rating is not None:
            self._rate(key)
        elif key == "g":
            self._gesture(self._next_gesture)
        elif key == "u":
            self._gesture(max(self._next_gesture - 1, 0))
        elif key == " ":
            self._toggle_block()
        elif key == "z":
            self._pause_or_resume()
        elif key in "123456789" and key:
            self._choose_posture(int(key) - 1)
        elif key in ("t", "d"):
            self._rating = "tension" if key == "t" else "discomfort"
            self.message = f"{self._rating.capitalize()} from 0 (none) to 9 (worst): press a digit."
        elif key == "h":
            self._hurts()
        elif key in ("q", "\x03"):
            self.end()

    def tick(self) -> None:
        """End a gesture whose time is up; call this several times a second."""
        if self._gesture_end_s is not None and self._recorder.log_time_s() >= self._gesture_end_s:
            self._end_gesture()

    def end(self) -> None:
        """Close what is open and finish."""
        self._close()
        self.finished = True
        self.message = "Ending."

    def _gesture(self, index: int) -> None:
        if index >= len(self._gestures):
            # A new posture needs all but the off-hand still again.
            index = 1
        gesture = self._gestures[index]
        self._close()
        opened = self._recorder.begin(mark(gesture.kind, gesture.label, self.posture))
        self._open = gesture.kind
        self._gesture_end_s = opened.start_s + gesture.seconds
        self._next_gesture = index + 1
        self.message = f"{gesture.prompt} ({gesture.seconds:g} s)"

    def _end_gesture(self) -> None:
        self._close()
        if self._next_gesture < len(self._gestures):
            self.message = f"Done. Next (g): {self._gestures[self._next_gesture].prompt}"
        else:
            self.message = "Gestures done. Press space to start a block."

    def _toggle_block(self) -> None:
        if self._open == "play":
            self._close()
            self._rest("")
            self.message = f"Block {self.blocks} ended after {self._counter.strokes} strokes or so. Rest."
            return
        self._close()
        self.blocks += 1
        self._start_block()
        self.message = f"Block {self.blocks}, posture {self.posture}. Space ends it."

    def _start_block(self) -> None:
        s = self._settings
        event = replace(
            mark("play", f"block {self.blocks}", self.posture),
            tempo_bpm=s.tempo_bpm,
            notes_per_beat=s.notes_per_beat,
            drill=s.drill,
            wanted=s.wanted,
        )
        self._recorder.begin(event)
        self._counter.reset()
        self._open = "play"

    def _pause_or_resume(self) -> None:
        """Samples go on into the file while paused: nothing is lost if the player forgets to resume."""
        if self._open == "play":
            self._close()
            self._rest("paused")
            self._paused_block = True
            self.message = "Paused. z resumes."
        elif self._paused_block:
            self._close()
            self.blocks += 1
            self._start_block()
            self.message = f"Resumed as block {self.blocks}, posture {self.posture}."

    def _choose_posture(self, index: int) -> None:
        if index >= len(self._settings.postures):
            self.message = f"There are {len(self._settings.postures)} postures; name more with --posture."
            return
        if self._open == "play":
            self.message = "End the block first (space): a block has one posture."
            return
        if self._settings.postures[index] != self.posture:
            self.posture = self._settings.postures[index]
            self._next_gesture = 1
            self.message = f"Posture {self.posture}. Its gestures come first: press g."

    def _rate(self, key: str) -> None:
        name, self._rating = self._rating or "", None
        if not key.isdecimal():
            self.message = "No rating taken."
            return
        now_s = self._recorder.log_time_s()
        self._recorder.add(Event(now_s, now_s, "rating", name, self.posture, rating=float(key)))
        self.message = f"{name.capitalize()} {key} noted."

    def _hurts(self) -> None:
        self._close()
        self._recorder.begin(mark("hurt", "", self.posture))
        self._open, self.hurt = "hurt", True
        self.message = HURT_WORDS

    def _rest(self, label: str) -> None:
        self._recorder.begin(mark("rest", label, self.posture))
        self._open = "rest"

    def _close(self) -> None:
        if self._open is not None:
            self._recorder.end()
        self._counter.pause()
        self._open, self._gesture_end_s, self._paused_block = None, None, False
