"""The blocks: what comes next, count-in, play, the verdict, ratings, rest; with a plan or free."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace

from analysis.model.errors import InputError
from analysis.model.records import Event
from logger.live.block_follower import BlockFollower
from logger.live.block_result import borrowed_words, zone_deg
from logger.live.break_advice import Body
from logger.live.commands import Choose, Rate, Simple
from logger.live.gesture_steps import lender_of
from logger.live.pace import Cue
from logger.live.set_up import SetUp
from logger.live.state import Block, Click, Key, Rating, Rest
from logger.live.state import Plan as PlanState
from logger.live.step_context import FINISH_KEY, HURT_KEY, HurtPressed, Stage
from logger.practice.plan import Plan, PlanBlock

LEAD_S = 1.5
"""Time from the key to the first click: pages schedule it ahead."""
SILENT_LEAD_S = 3.0
LEAST_RATING_REST_S = 8.0
FREE_S = 3600.0
SETTLE_S = 0.7
"""Samples after a block's end that its last strokes are judged with."""
REST_WORDS = "Hands down, shoulders loose."
BREAK_WORDS = "Put the instrument down, stand up, shake out hands and shoulders."
QUESTIONS = (
    Rating("tension", "How tense are hand, arm and shoulders?", "0: loose", "10: as tense as can be"),
    Rating("discomfort", "Any discomfort?", "0: none", "10: as bad as can be"),
)


class BlockSteps:
    """Play blocks until the plan, or the player, ends.

    Parameters
    ----------
    stage : Stage
    set_up : SetUp
    plan : Plan or None
    body : Body
        Watches time played and ratings.
    gestures_of : callable
        Leads through the gestures of one more posture.

    Attributes
    ----------
    follower : BlockFollower
    """

    def __init__(
        self,
        stage: Stage,
        set_up: SetUp,
        plan: Plan | None,
        body: Body,
        gestures_of: Callable[[str], Awaitable[None]],
    ) -> None:
        self._stage = stage
        self._set_up = set_up
        self._plan = plan
        self._body = body
        self._gestures_of = gestures_of
        self._at = 0
        self._number = 0
        self._clicks = 0
        self._due_s: float | None = None
        self.follower = BlockFollower(stage, body)

    async def run(self) -> None:
        """Play what is left; a hurt in between ends the block, going on begins with the next."""
        while self._plan is None or self._at < len(self._plan.blocks):
            block = self._next()
            if block.kind == "rest":
                self._at += 1
                await self._break(block.seconds or 0.0, block.note)
                continue
            if self._due_s is None:
                await self._ready(block)
                block = self._next()
            with self._hurt_moves_on():
                played = await self._play(block, self._due_s)
            if played:
                self._at += 1
            await self._rest(block, played)

    @contextlib.contextmanager
    def _hurt_moves_on(self) -> Iterator[None]:
        try:
            yield
        except HurtPressed:
            self._at += 1
            self._due_s = None
            raise

    def _next(self) -> PlanBlock:
        if self._plan is not None:
            return self._plan.blocks[self._at]
        free = self._set_up.free
        tempo, notes = free.tempo_bpm, free.notes_per_beat if free.tempo_bpm else None
        return PlanBlock(
            posture=free.posture, tempo_bpm=tempo, notes_per_beat=notes, seconds=FREE_S, wanted=free.wanted
        )

    async def _ready(self, block: PlanBlock) -> None:
        """Show what comes next and wait for the key."""
        free = self._plan is None
        while True:
            block = self._next()
            lender = lender_of(self._stage.estimator, block.posture) if self._stage.estimator is not None else None
            keys = [Key("next", "Start")]
            keys += [Key("again", "Play the last block again")] if not free and self._at > 0 else []
            keys += [Key("again", f"Gestures of posture {block.posture}")] if free and lender is not None else []
            keys += [Key("choose", "Choose")] if free else []
            hint = block.note or ("Press the key to start, and again to stop." if free else "Press the key to start.")
            hint = hint if lender is None else f"{borrowed_words(block.posture, lender)} {hint}"
            answer = await self._stage.ask(
                (*keys, HURT_KEY, FINISH_KEY),
                step="ready",
                title=_title(block, free),
                hint=hint,
                gesture=None,
                rest=None,
                rating=None,
                click=None,
                block=self._shown(block, self._number + 1),
                plan=self._position(),
                break_due=self._body.proposal,
            )
            if isinstance(answer, Choose):
                self._choose(answer)
            elif isinstance(answer, Simple) and answer.name == "again":
                if free:
                    await self._gestures_of(block.posture)
                else:
                    self._step_back()
            else:
                return

    def _choose(self, answer: Choose) -> None:
        try:
            self._set_up.choose(answer, blocks_only=True)
        except InputError as error:
            self._stage.show(hint=str(error))
            return
        self._stage.setup = self._set_up.shown

    def _step_back(self) -> None:
        if self._plan is None:
            return
        places = [at for at in range(self._at) if self._plan.blocks[at].kind == "play"]
        self._at = places[-1] if places else self._at

    async def _play(self, block: PlanBlock, due_s: float | None) -> bool:
        """Count in and play one block; False if it was stopped before its end."""
        stage, free = self._stage, self._plan is None
        lead_s = LEAD_S if block.tempo_bpm else SILENT_LEAD_S
        begins_s = stage.pace.now_s() + lead_s if due_s is None else due_s
        starts_s = begins_s + block.count_in_s
        ends_s = None if free else starts_s + block.play_s
        self._number += 1
        shown = self._shown(block, self._number, starts_s, ends_s)
        stage.cue(Cue("play", starts_s, ends_s, block.posture, number=self._at))
        changes = {"block": shown, "click": self._click(block, begins_s), "plan": self._position(), "rest": None}
        keys = (Key("pause", "Stop"), HURT_KEY, FINISH_KEY)
        title = _title(block, free)
        cut = await stage.ask(keys, starts_s, step="count_in", title=title, hint=block.note, rating=None, **changes)
        if cut is not None:
            stage.cue(Cue("rest", starts_s))
            self._number -= 1
            return False
        event = Event(0.0, 0.0, "play", f"block {self._number}", block.posture)
        event = replace(event, tempo_bpm=block.tempo_bpm, notes_per_beat=block.notes_per_beat)
        event = stage.begin(replace(event, drill=block.drill, wanted=block.wanted), starts_s)
        self.follower.begin(self._number, event)
        pedal = Key("next", "Stop") if free else Key("pause", "Stop the block")
        try:
            stopped = await stage.ask((pedal, HURT_KEY, FINISH_KEY), ends_s, step="play", hint="", verdict=None)
        finally:
            self._end_play(block, ends_s)
        return stopped is None or free

    def _end_play(self, block: PlanBlock, ends_s: float | None) -> None:
        stage = self._stage
        now_s = stage.pace.now_s()
        event = stage.end(stage.log_s(now_s if ends_s is None else min(now_s, ends_s)))
        if event is None:
            return
        stage.cue(Cue("rest", stage.pace.now_s()))
        rest_s = block.rest_after_s
        settle_s = SETTLE_S if self._plan is None or rest_s > SETTLE_S / 0.8 else 0.8 * rest_s
        self.follower.end(event, settle_s)
        self._body.played(event.end_s - event.start_s)
        totals, (played_s, since_s) = stage.totals, self._body.seconds
        stage.totals = replace(totals, blocks=totals.blocks + 1, played_s=played_s, since_break_s=since_s)
        self._due_s = None
        if ends_s is not None and stage.pace.now_s() >= ends_s:
            self._due_s = ends_s + rest_s

    async def _rest(self, block: PlanBlock, played: bool) -> None:
        """Rest after a block, with the ratings where there is time for them."""
        stage = self._stage
        last = self._plan is not None and self._at >= len(self._plan.blocks)
        stage.begin(Event(0.0, 0.0, "rest", "" if played else "stopped", block.posture))
        seconds = block.rest_after_s
        open_end = self._plan is None or last or not played
        if open_end:
            self._due_s = None
        elif self._due_s is not None:
            seconds = max(0.0, self._due_s - stage.pace.now_s())
        await self._rest_for(seconds, open_end, seconds >= LEAST_RATING_REST_S or open_end)
        if self._body.proposal and not last:
            self._due_s = None

    async def _rest_for(self, seconds: float, open_end: bool, rated: bool) -> None:
        stage = self._stage
        ends_s = None if open_end else stage.pace.now_s() + seconds
        rest = Rest("open" if open_end else "rest", seconds, ends_s, False, None)
        stage.show(step="rest", title="Rest", hint=REST_WORDS, rest=rest, click=None, plan=self._position(resting=True))
        for question in QUESTIONS if rated else ():
            keys = (Key("rate", "0 to 10"), Key("skip", "No answer"), HURT_KEY, FINISH_KEY)
            answer = await stage.ask(keys, ends_s, title=question.question, rating=question)
            if isinstance(answer, Rate):
                stage.mark(Event(0.0, 0.0, "rating", question.scale, rating=float(answer.value)))
                self._body.rated(question.scale, answer.value)
        if ends_s is None and self._plan is None:
            return  # Free play goes straight to what comes next.
        if ends_s is not None and ends_s <= stage.pace.now_s():
            stage.show(rating=None)
            return
        await self._wait_out(rest)

    async def _wait_out(self, rest: Rest) -> None:
        """The rest's time, which can be held."""
        stage = self._stage
        ends_s, proposal = rest.ends_server_s, self._body.proposal
        while True:
            over = self._plan is not None and self._at >= len(self._plan.blocks)
            keys = [Key("next", "To the report" if over else "Go on")] if ends_s is None or proposal else []
            keys += [Key("pause", "Hold the rest")] if ends_s is not None else []
            keys += [Key("again", "Play it again")] if self._at > 0 else []
            words = proposal or REST_WORDS
            answer = await stage.ask(
                (*keys, HURT_KEY, FINISH_KEY),
                ends_s,
                title="Rest",
                hint=words,
                rating=None,
                rest=rest,
                break_due=proposal,
            )
            if isinstance(answer, Simple) and answer.name == "pause" and ends_s is not None:
                self._due_s = ends_s = None
                left_s = max(0.0, (rest.ends_server_s or 0.0) - stage.pace.now_s())
                rest = replace(rest, held=True, ends_server_s=None, left_s=left_s)
                continue
            if isinstance(answer, Simple) and answer.name == "again":
                self._step_back()
                self._due_s = None
            return

    async def _break(self, seconds: float, words: str) -> None:
        """A break of the plan: its time runs, the player may go on before."""
        stage = self._stage
        begun_s = stage.pace.now_s()
        stage.begin(Event(0.0, 0.0, "rest", "break"))
        rest = Rest("break", seconds, begun_s + seconds, False, None)
        keys = (Key("next", "Go on now"), HURT_KEY, FINISH_KEY)
        await stage.ask(
            keys, begun_s + seconds, step="rest", title="Break", hint=words or BREAK_WORDS, rest=rest, click=None
        )
        self._body.rested(stage.pace.now_s() - begun_s)
        self._due_s = None

    def _click(self, block: PlanBlock, begins_s: float) -> Click | None:
        if block.tempo_bpm is None:
            return None
        self._clicks += 1
        play = None if self._plan is None else block.play_beats
        if self._plan is not None and play is None:
            play = max(1, round(block.play_s * block.tempo_bpm / 60.0))
        rest = block.rest_beats or 0
        beats = None if play is None else block.count_in_beats + play + rest
        return Click(self._clicks, begins_s, block.tempo_bpm, block.count_in_beats, block.beats_per_bar, beats, rest)

    def _shown(
        self, block: PlanBlock, number: int, starts_s: float | None = None, ends_s: float | None = None
    ) -> Block:
        dead_band = self._set_up.recorded.instrument.dead_band_deg
        return Block(
            number=number,
            posture=block.posture,
            tempo_bpm=block.tempo_bpm,
            notes_per_beat=block.notes_per_beat,
            drill=block.drill,
            wanted=block.wanted,
            zone_deg=zone_deg(block.wanted, dead_band),
            note=block.note,
            seconds=None if self._plan is None else block.play_s,
            starts_server_s=starts_s,
            ends_server_s=ends_s,
        )

    def _position(self, resting: bool = False) -> PlanState | None:
        """Where the plan stands; at a rest the place has moved on to what comes next already."""
        plan = self._plan
        if plan is None:
            return None
        left = plan.blocks[self._at :]
        left_s = sum(block.count_in_s + block.play_s + block.rest_after_s for block in left)
        after = left if resting else left[1:]
        words = _title(after[0], False) if after else "the end" if left else ""
        return PlanState(plan.name, min(self._at, len(plan.blocks) - 1), len(plan.blocks), left_s, words)


def _title(block: PlanBlock, free: bool) -> str:
    """What a block is, in a few words."""
    if block.kind == "rest":
        return "Break"
    words = [f"Posture {block.posture}"] if block.posture else []
    words += [f"{block.tempo_bpm:g} BPM"] if block.tempo_bpm else []
    words += [f"{block.notes_per_beat:g} notes a beat"] if block.notes_per_beat else []
    words += [] if free else [f"{block.play_s:.0f} s"]
    return ", ".join(words) or "Play"
