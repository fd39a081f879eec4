"""Practice plans: what to play, for how long, with how much rest. TOML, one ``[[block]]`` each; see docs/plans.md."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, fields
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Literal

from analysis.drills.phrases import MAX_NOTES, Phrase, read_phrase
from analysis.drills.practice_form import pickup_beats, section_beats
from analysis.model.cautions import STOP
from analysis.model.errors import InputError, OutputError, StrokeplaneError
from analysis.stroke.truth_checks import edge_angle_deg
from logger.files.atomic_file import check_absent, reason
from logger.files.nested_text import load_toml
from logger.files.toml_table import Table

MOST_BLOCKS = 500
MOST_HOURS = 4.0
MOST_STRINGS = 18
"""A plan does not know the instrument; its phrases are read for as many strings as any has."""

NUMBERS: dict[str, tuple[float, float]] = {
    "tempo_bpm": (20, 400),
    "notes_per_beat": (0.25, 32),
    "seconds": (1, 3600),
    "rest_s": (0, 3600),
}
WHOLE_NUMBERS: dict[str, tuple[int, int]] = {
    "repeats": (1, 256),
    "bars": (1, 512),
    "count_in_beats": (0, 64),
    "beats_per_bar": (1, 64),
    "rest_beats": (0, 64),
}
LENGTHS = ("repeats", "bars", "seconds")


@dataclass(frozen=True)
class PlanBlock:
    """One block of a plan: a stretch of play with the rest that follows it, or a break.

    Attributes
    ----------
    kind : {"play", "rest"}
        ``rest`` is a break of so many ``seconds``, instrument down; it has a ``note`` and nothing else.
    posture : str
    tempo_bpm, notes_per_beat : float or None
        None: play without a click.
    drill : str
        The phrase, as one line of text (:mod:`analysis.drills.phrases`).
    repeats, bars, seconds
        Length of the play; exactly one is given.
    count_in_beats : int
        Beats of click before the play; none are played without a tempo.
    beats_per_bar : int
        Every so many beats the click is accented, from the first beat of the play on.
    rest_beats, rest_s
        Rest after the play, at most one is given. In ``rest_beats`` the click goes on.
    wanted : {"down", "up"} or None
        The stroke that should clear the strings.
    note : str
        What the player is told before the block.

    Raises
    ------
    InputError
        A value out of bounds, or fields that contradict each other; the sentence begins with the field's name.
    """

    kind: Literal["play", "rest"] = "play"
    posture: str = ""
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""
    repeats: int | None = None
    bars: int | None = None
    seconds: float | None = None
    count_in_beats: int = 4
    beats_per_bar: int = 4
    rest_beats: int | None = None
    rest_s: float | None = None
    wanted: Literal["down", "up"] | None = None
    note: str = ""

    def __post_init__(self) -> None:
        for name, (low, high) in (NUMBERS | WHOLE_NUMBERS).items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise InputError(f"{name} must be a number from {low:g} to {high:g}, not {value!r}")
        for name, longest in (("posture", 60), ("note", 200)):
            if len(getattr(self, name)) > longest or not getattr(self, name).isprintable():
                raise InputError(f"{name} must be one line of at most {longest} printable characters")
        if self.kind == "rest":
            self._check_rest()
        else:
            self._check_play()

    def _check_rest(self) -> None:
        if self.seconds is None:
            raise InputError("seconds is missing: say how long the rest lasts")
        for name in given(self):
            if name not in ("kind", "seconds", "note"):
                raise InputError(
                    f"{name} has no meaning in a rest",
                    next_step="remove it, or make the block a play",
                )

    def _check_play(self) -> None:
        lengths = [name for name in LENGTHS if getattr(self, name) is not None]
        if len(lengths) != 1:
            found = " and ".join(lengths) or "none of them"
            raise InputError(
                f"{(lengths or ['seconds'])[-1]}: give one of repeats, bars, seconds",
                found=f"{found}",
            )
        if self.rest_beats is not None and self.rest_s is not None:
            raise InputError(
                "rest_s and rest_beats are both given",
                next_step="keep one",
            )
        for name in ("notes_per_beat", "repeats", "bars", "rest_beats"):
            if getattr(self, name) is not None and self.tempo_bpm is None:
                raise InputError(
                    f"{name} needs a tempo",
                    next_step="give tempo_bpm",
                )
        if self.repeats is not None and not (self.drill and self.notes_per_beat):
            raise InputError(
                "repeats counts passes of a drill",
                next_step="give drill and notes_per_beat, or seconds instead",
            )
        if self.drill:
            try:
                read_phrase(self.drill, MOST_STRINGS)
            except InputError as error:
                raise InputError(f"drill is no phrase: {error}") from error

    @cached_property
    def pickup_beats(self) -> int:
        """Beats of the play before the drill's first bar line."""
        if self.phrase is None or self.notes_per_beat is None:
            return 0
        return pickup_beats(self.phrase, Fraction(self.notes_per_beat).limit_denominator(48))

    @cached_property
    def phrase(self) -> Phrase | None:
        """The drill's notes; None where the block names none."""
        return read_phrase(self.drill, MOST_STRINGS) if self.drill else None

    @property
    def beat_s(self) -> float | None:
        """Seconds of a beat; None without a tempo."""
        return None if self.tempo_bpm is None else 60.0 / self.tempo_bpm

    @cached_property
    def play_beats(self) -> int | None:
        """Beats of the play where it is counted in beats; repeats that end between two beats take the last whole."""
        if self.bars is not None:
            return self.bars * self.beats_per_bar
        if self.repeats is None or self.phrase is None or self.notes_per_beat is None:
            return None
        return section_beats(self.phrase, self.repeats, Fraction(self.notes_per_beat).limit_denominator(48))

    @property
    def play_s(self) -> float:
        """Seconds of play, of break for a ``rest``."""
        beats = self.play_beats
        return (self.seconds or 0.0) if beats is None or self.beat_s is None else beats * self.beat_s

    @property
    def count_in_s(self) -> float:
        """Seconds of count-in."""
        return 0.0 if self.kind == "rest" else self.count_in_beats * (self.beat_s or 0.0)

    @property
    def rest_after_s(self) -> float:
        """Seconds of rest after the play."""
        return (self.rest_s or 0.0) + (self.rest_beats or 0) * (self.beat_s or 0.0)


@dataclass(frozen=True)
class Plan:
    """A named list of blocks, in the order of play.

    Attributes
    ----------
    name : str
    blocks : tuple of PlanBlock
    edge : str
        Height/length (mm) of the edge of an angle check after the gestures, as ``20/100``; empty: none.

    Raises
    ------
    InputError
        An edge that is none, no play, too many blocks, or more hours than a hand should play.
    """

    name: str
    blocks: tuple[PlanBlock, ...]
    edge: str = ""

    def __post_init__(self) -> None:
        if self.edge:
            try:
                edge_angle_deg(self.edge)
            except InputError as error:
                raise InputError(f"edge: {error}") from error
        if not self.name.isprintable() or len(self.name) > 100:
            raise InputError("name must be one line of at most 100 printable characters")
        if not 1 <= len(self.blocks) <= MOST_BLOCKS or all(block.kind == "rest" for block in self.blocks):
            raise InputError(
                f"block: give 1 to {MOST_BLOCKS} blocks, one of them play",
                found=f"{len(self.blocks)}",
            )
        if self.total_s > MOST_HOURS * 3600:
            raise InputError(
                f"block: the blocks last {self.total_s / 3600:.1f} hours together",
                next_step=f"keep a plan under {MOST_HOURS:g}",
            )

    @property
    def play_s(self) -> float:
        """Seconds of play."""
        return sum(block.play_s for block in self.blocks if block.kind == "play")

    @property
    def total_s(self) -> float:
        """Seconds from the first count-in to the end of the last play: the last rest is not waited for."""
        spans = [block.count_in_s + block.play_s + block.rest_after_s for block in self.blocks]
        return sum(spans) - (self.blocks[-1].rest_after_s if self.blocks else 0.0)

    @property
    def postures(self) -> tuple[str, ...]:
        """Postures in the order in which they first come."""
        return tuple(dict.fromkeys(block.posture for block in self.blocks if block.kind == "play"))


def given(block: PlanBlock) -> dict[str, object]:
    """Return the fields of a block that are not left at their defaults."""
    values = {field.name: (getattr(block, field.name), field.default) for field in fields(block)}
    return {name: value for name, (value, default) in values.items() if value != default}


def render_plan(plan: Plan) -> str:
    """Return a plan as TOML, which :func:`parse_plan` reads back unchanged.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
    """
    lines = [f"# {STOP}", f"name = {_toml(plan.name)}"]
    lines += [f"edge = {_toml(plan.edge)}"] if plan.edge else []
    for block in plan.blocks:
        lines += ["", "[[block]]", f"kind = {_toml(block.kind)}"]
        lines += [f"{name} = {_toml(value)}" for name, value in given(block).items() if name != "kind"]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    """Return a string or number as TOML, whose basic strings take JSON's escapes."""
    if isinstance(value, str):
        # DEL is the one character that JSON leaves bare and TOML forbids.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def check_plan_target(path: Path, replace: bool) -> None:
    """Refuse to write over a plan unasked, and over anything else at all.

    Parameters
    ----------
    path : Path
        Of the file to write.
    replace : bool
        Whether a plan that is there may be written over.

    Raises
    ------
    OutputError
        The file is there and ``replace`` is not said, or it cannot be read as a plan.
    """
    check_absent(path, replace)
    if not path.is_file():
        return
    try:
        read_plan(path)
    except StrokeplaneError as error:
        raise OutputError(
            "the file is there, and --replace replaces plans only",
            found="what is no readable plan",
            next_step="name a new file",
            file=str(path),
        ) from error


def read_plan(path: Path) -> Plan:
    """Read a plan from a file.

    Parameters
    ----------
    path : Path
        Of a TOML file.

    Returns
    -------
    Plan

    Raises
    ------
    InputError
        The file cannot be read, is no TOML, or holds a mistake; the sentence names line and field.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path} is not UTF-8 ({error.reason})",
            next_step="save it as UTF-8",
        ) from error
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check the path",
        ) from error
    return parse_plan(text, str(path))


def parse_plan(text: str, where: str) -> Plan:
    r"""Read a plan from TOML text; ``where`` names it in messages.

    Raises
    ------
    InputError
        As for :func:`read_plan`.

    Examples
    --------
    >>> plan = parse_plan("[[block]]\ntempo_bpm = 96\nbars = 2\nrest_s = 20", "example")
    >>> plan.blocks[0].play_s
    5.0
    """
    try:
        content = load_toml(text)
    except ValueError as error:
        raise InputError(f"{where} is not TOML: {error}") from error
    rows = content.pop("block", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError(
            "block must be tables",
            next_step="write [[block]] above each",
            file=str(where),
        )
    head = Table(content, where, InputError)
    name, edge = head.text("name", ""), head.text("edge", "")
    head.refuse_unknown()
    starts = _block_lines(text, len(rows))
    blocks = tuple(
        _read_block(_BlockTable(row, where, number, text, start))
        for number, (row, start) in enumerate(zip(rows, starts, strict=True), 1)
    )
    try:
        return Plan(name, blocks, edge)
    except InputError as error:
        raise InputError(
            f"{error}",
            file=str(where),
        ) from error


def _block_lines(text: str, count: int) -> list[int | None]:
    """Return the line of each block's header; None for all where blocks are written in another way."""
    found = [at for at, line in enumerate(text.splitlines(), 1) if re.match(r"\s*\[\[\s*block\s*\]\]", line)]
    return list(found) if len(found) == count else [None] * count


class _BlockTable(Table):
    """A block's table whose errors name file, line and block."""

    def __init__(self, values: dict[str, object], where: str, number: int, text: str, start: int | None) -> None:
        super().__init__(values, where, InputError)
        self._number = number
        self._lines = text.splitlines()
        self._start = start

    def error(self, sentence: str) -> StrokeplaneError:
        """Return an error with the line of the field that the sentence begins with, else of the block."""
        if self._start is None:
            return InputError(
                f"{sentence}",
                file=str(self._where),
                block=int(self._number),
            )
        field = re.match(r"(?:key ')?([\w-]+)", sentence)
        line = self._start
        for at, content in enumerate(self._lines[self._start :], self._start + 1):
            if content.lstrip().startswith("["):
                break
            if field and re.match(rf"""\s*["']?{field[1]}["']?\s*=""", content):
                line = at
        return InputError(f"{self._where}, line {line}, block {self._number}: {sentence}")


def _read_block(table: _BlockTable) -> PlanBlock:
    values: dict[str, object] = {}
    if table.has("kind"):
        values["kind"] = table.choice("kind", ("play", "rest"))
    if table.has("wanted"):
        values["wanted"] = table.choice("wanted", ("down", "up"))
    for key, (low, high) in NUMBERS.items():
        values[key] = table.number_or_none(key, low, high)
    for key, (least, most) in WHOLE_NUMBERS.items():
        if table.has(key):
            values[key] = table.integer(key, least, most)
    for key in ("posture", "note"):
        values[key] = table.text(key, "")
    values["drill"] = table.text("drill", "", 5 * MAX_NOTES)
    table.refuse_unknown()
    try:
        return PlanBlock(**values)  # type: ignore[arg-type]
    except InputError as error:
        raise table.error(str(error)) from error
