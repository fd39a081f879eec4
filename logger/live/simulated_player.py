"""An invented player for the guided session: does what it is asked when it is asked, and waits meanwhile.

Its motion is a simulated session, played in parts: before a part it waits where the part begins, holding still; to
get there from somewhere else the hand turns the shortest way within a second. Turning rate and gravity fit together
at every moment, so the attitude that the samples tell of has no breaks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.drills.phrases import read_demand
from analysis.model.errors import DeviceError
from analysis.model.events import GESTURE_KINDS
from analysis.model.records import NOT_WORN, FloatArray, Instrument, SensorProfile
from analysis.synthesis.disturbance import Disturbance
from analysis.synthesis.scenario import GesturePlan, InstrumentSensor, PlayBlock, Posture, Recording, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from logger.guide.orders import Task
from logger.guide.shown import Wanted
from logger.live.pace import Pace
from logger.practice.plan import Plan, PlanBlock
from logger.practice.played_drill import played_drill
from logger.sources.messages import SampleFrame
from logger.sources.packets import encode
from logger.sources.simulated import INSTRUMENT_ID, WireSource, hello_of
from logger.sources.stream import LinkChange

FRAME_SAMPLES = 10
TURN_S = 1.0
EARLY_S = 0.15
TAIL_S = 0.4
GRAVITY_MPS2 = 9.81
OWN_CLOCK_S, OWN_CLOCK_SLOW = 41.7, 1.5e-5
"""Where the clock of the sensor on the instrument began, and by what part it is slow."""
LEAN_DEG = 5.0
"""The player who has a sensor on the instrument leans it so much after the gestures: there is something to see."""
TILT_DEG: Mapping[str, float] = {"down": 24.0, "up": -24.0}
SPAN_MM = 24.0
"""Large enough for a stroke so tilted to clear the next string with room to tell."""


@dataclass(frozen=True)
class Part:
    """A part of the simulated session: samples ``first`` to ``last``; what is asked for begins at ``start``."""

    kind: str
    posture: str
    off_hand: bool
    first: int
    start: int
    last: int


@dataclass(frozen=True)
class Move:
    """One frame of motion from sample ``start`` of the session to ``end``: held where both are one, else turned there.

    ``done`` is the share of the turn that is behind, ``step`` this frame's; ``played``: the session's own samples.
    """

    start: int
    end: int
    done: float = 0.0
    step: float = 0.0
    played: bool = False


class SimulatedPlayer(WireSource):
    """A source whose player follows tasks. Offers what :class:`logger.sources.base.Source` asks for.

    Parameters
    ----------
    simulated : SimulatedSession
        Without losses, its first sample at time 0; see :func:`player_session`.
    pace : Pace
    mistakes : sequence of str
        Kinds of gestures in which the player, at the first try, does nothing.
    places : sequence of int
        Which of the session's blocks is played at each place of a plan; empty: by posture.
    """

    def __init__(
        self, simulated: SimulatedSession, pace: Pace, mistakes: Sequence[str] = (), places: Sequence[int] = ()
    ) -> None:
        session = simulated.session
        super().__init__("simulated player", session.profile)
        self._parts = _parts(simulated)
        self._body = hand_body(simulated)
        self._second = InstrumentPlayed(simulated, pace) if simulated.truth.companion is not None else None
        self._pace = pace
        self._mistakes = list(mistakes)
        self._places = tuple(places)
        self._task: Task | None = None
        self._at = 0
        self._sample_s = 0.0  # When the next frame is sampled: by its own clock, however late it is sent.
        self._unplugged_until_s = 0.0

    def companion(self) -> InstrumentPlayed | None:
        """The sensor on the player's instrument; None where the session has none.

        Returns
        -------
        InstrumentPlayed or None
        """
        return self._second

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        super().stop()
        self._pace.free()

    def _now_s(self) -> float:
        return self._pace.now_s()

    def follow(self, task: Task) -> None:
        """Ask the player for something; what is under way is broken off.

        Parameters
        ----------
        task : Task
        """
        if task.kind in self._mistakes:
            self._mistakes.remove(task.kind)
            task = replace(task, kind="rest")
        self._task = task

    def unplug(self, seconds: float) -> None:
        """Take the link away for a while; the hand goes on.

        Parameters
        ----------
        seconds : float
        """
        self._unplugged_until_s = self._pace.now_s() + seconds

    def _run(self) -> None:
        rate_hz, begun_s = self._profile.rate_hz, self._pace.now_s()
        sent = number = 0
        linked = True
        self._sample_s = begun_s
        for move in self._motion():
            due_s = begun_s + (sent + FRAME_SAMPLES) / rate_hz
            wait_s = self._pace.real_s(due_s - self._pace.now_s())
            if wait_s > 0.0:
                self._stopping.wait(wait_s)
            while not self._pace.sampled(due_s) and not self._stopping.is_set():
                self._stopping.wait(0.005)
            if self._stopping.is_set() or self._sink is None:
                return
            now_s = self._pace.now_s()
            gone = now_s < self._unplugged_until_s
            if gone == linked:
                linked = not gone
                self._change_link(linked, now_s)
            if not linked:
                self._pace.taken(due_s)
            else:
                number += 1
                # Arrived when it was due, however busy the computer: a late thread is no late sensor.
                self._sink(self._reader.feed(self._wire(sent, number, self._body.frame(move)), due_s))
            if self._second is not None:
                self._second.send(move, sent, due_s)
            sent += FRAME_SAMPLES
            self._sample_s = begun_s + sent / rate_hz

    def _wire(self, sent: int, number: int, counts: np.ndarray) -> bytes:
        step = self._profile.tick_hz / self._profile.rate_hz
        offsets = np.round(np.arange(FRAME_SAMPLES) * step).astype(np.uint16)
        return encode(SampleFrame(sent % 2**32, round(sent * step) % 2**32, offsets, counts), number)

    def _change_link(self, up: bool, now_s: float) -> None:
        if self._sink is None:
            return
        if up:
            items = [LinkChange(True, now_s), *self._reader.feed(encode(hello_of(self._profile), 0), now_s)]
            self._sink(items)
        else:
            self._reader.link_lost()
            self._sink([LinkChange(False, now_s, "the simulated link is down")])

    def _motion(self) -> Iterator[Move]:
        """Moves of a frame's length, one after the other, as the tasks ask."""
        doing: Task | None = None
        while True:
            task = self._task
            part = self._part_for(task)
            if task is None or part is None or (task is doing and task.kind != "play"):
                doing = task
                yield Move(self._at, self._at)
                continue
            if self._at != part.first:
                frames = max(1, round(TURN_S * self._profile.rate_hz / FRAME_SAMPLES))
                yield from (Move(self._at, part.first, frame / frames, 1.0 / frames) for frame in range(frames))
                self._at = part.first
            begin_s = task.at_s + EARLY_S - (part.start - part.first) / self._profile.rate_hz
            doing = task
            while self._task is task and self._sample_s < begin_s:
                yield Move(self._at, self._at)
            while self._task is task and self._at + FRAME_SAMPLES <= part.last:
                self._at += FRAME_SAMPLES
                yield Move(self._at - FRAME_SAMPLES, self._at, played=True)

    def _part_for(self, task: Task | None) -> Part | None:
        if task is None or task.kind not in (*GESTURE_KINDS, "play"):
            return None
        fits = [part for part in self._parts if part.kind == task.kind and part.off_hand == task.off_hand]
        if task.kind == "play" and self._places:
            return fits[self._places[task.place]]
        own = [part for part in fits if task.posture in ("", part.posture)] or fits
        return own[task.place % len(own)] if own else None


class Body:
    """Where a sensor points along the simulated session, what it read, and what it would read if it stopped there.

    Parameters
    ----------
    counts : float64 (n, 6)
        What it read at each of the session's samples.
    scale : float64 (6,)
        m/s2 and rad/s of a count.
    attitude : callable
        Its true attitude at a sample.
    lying : slice
        Samples at which it lay still: they show its bias and noise.
    """

    def __init__(
        self, counts: FloatArray, scale: FloatArray, attitude: Callable[[int], Rotation], lying: slice
    ) -> None:
        self._counts, self._scale, self._attitude = counts, scale, attitude
        still = counts[lying]
        self._noise = still - still.mean(axis=0)
        self._bias = still.mean(axis=0) - self._true(self._attitude((lying.start + lying.stop) // 2), np.zeros(3))
        self._noise_at = 0
        self._held: tuple[int, FloatArray] = (-1, np.zeros(6))

    def frame(self, move: Move) -> np.ndarray:
        """A frame of counts."""
        if move.played:
            return _counted(self._counts[move.start : move.end])
        if move.start == move.end:
            return self._hold(min(move.start, len(self._counts) - 1))
        first = self._attitude(min(move.start, len(self._counts) - 1))
        vector = (first.inv() * self._attitude(move.end)).as_rotvec()
        share = move.done + move.step * (np.arange(FRAME_SAMPLES) + 0.5) / FRAME_SAMPLES
        done = share**3 * (10 - 15 * share + 6 * share**2)
        speed = 30 * share**2 * (1 - share) ** 2 / TURN_S
        true = [
            self._true(first * Rotation.from_rotvec(d * vector), v * vector) for d, v in zip(done, speed, strict=True)
        ]
        return self._sensed(np.array(true))

    def _hold(self, at: int) -> np.ndarray:
        if self._held[0] != at:
            self._held = (at, self._true(self._attitude(at), np.zeros(3)))
        return self._sensed(np.tile(self._held[1], (FRAME_SAMPLES, 1)))

    def _true(self, attitude: Rotation, rate_radps: FloatArray) -> FloatArray:
        force = attitude.inv().apply([0.0, 0.0, GRAVITY_MPS2])
        return np.asarray(np.concatenate([force, rate_radps]) / self._scale)

    def _sensed(self, true: FloatArray) -> np.ndarray:
        rows = np.arange(self._noise_at, self._noise_at + len(true)) % len(self._noise)
        self._noise_at += len(true)
        return _counted(true + self._bias + self._noise[rows])


def _counted(counts: FloatArray) -> np.ndarray:
    return np.asarray(np.clip(np.round(counts), -32768, 32767), dtype=np.int16)


def hand_body(simulated: SimulatedSession) -> Body:
    """The hand's sensor along a simulated session."""
    session, truth = simulated.session, simulated.truth
    time_s = session.raw.ticks / session.profile.tick_hz

    def attitude(at: int) -> Rotation:
        return Rotation.from_quat(truth.path(time_s[[at]]).sensor_quat_wxyz[0], scalar_first=True)

    return Body(session.raw.counts.astype(np.float64), _scale(session.profile), attitude, _lying(simulated))


def _scale(profile: SensorProfile) -> FloatArray:
    return np.array([profile.accel_mps2_per_count] * 3 + [profile.gyro_radps_per_count] * 3)


def _lying(simulated: SimulatedSession) -> slice:
    """Samples of the first still, without its edges."""
    session = simulated.session
    still = next(event for event in session.events if event.kind == "still")
    first, last = np.searchsorted(session.raw.ticks / session.profile.tick_hz, (still.start_s + 0.3, still.end_s - 0.3))
    return slice(int(first), int(last))


class InstrumentPlayed(WireSource):
    """The sensor on a simulated player's instrument: moved with the hand's, on a clock of its own.

    Parameters
    ----------
    simulated : SimulatedSession
        With a sensor on the instrument.
    pace : Pace
    """

    def __init__(self, simulated: SimulatedSession, pace: Pace) -> None:
        session, truth = simulated.session, simulated.truth
        (stream,), companion = session.streams, truth.companion
        if companion is None:
            raise DeviceError("the simulated session has no sensor on the instrument", next_step="simulate one with it")
        profile = replace(stream.profile, rate_hz=session.profile.rate_hz)
        super().__init__("simulated sensor on the instrument", profile, INSTRUMENT_ID)
        time_s = session.raw.ticks / session.profile.tick_hz
        own_s = companion.clock.offset_s + companion.clock.rate * stream.raw.ticks / stream.profile.tick_hz
        counts = np.stack([np.interp(time_s, own_s, channel) for channel in stream.raw.counts.T], axis=1)

        def attitude(at: int) -> Rotation:
            there = truth.path(time_s[[at]]).instrument_quat_wxyz[0]
            mounted = Rotation.from_quat(companion.mounting, scalar_first=True)
            return Rotation.from_quat(there, scalar_first=True) * mounted

        self._body = Body(counts, _scale(profile), attitude, _lying(simulated))
        self._pace = pace
        self._number = 0

    def _now_s(self) -> float:
        return self._pace.now_s()

    def _run(self) -> None:
        """The player sends for it."""

    def send(self, move: Move, sent: int, due_s: float) -> None:
        """Send what it feels of a move, ``sent`` samples after the player's first.

        Parameters
        ----------
        move : Move
        sent : int
        due_s : float
            When it arrives.
        """
        if self._sink is None or self._stopping.is_set():
            return
        self._number += 1
        step = self._profile.tick_hz / self._profile.rate_hz * (1.0 - OWN_CLOCK_SLOW)
        first = round(OWN_CLOCK_S * self._profile.tick_hz + sent * step)
        offsets = np.round(np.arange(FRAME_SAMPLES) * step).astype(np.uint16)
        wire = encode(SampleFrame(sent % 2**32, first % 2**32, offsets, self._body.frame(move)), self._number)
        self._sink(self._reader.feed(wire, due_s))


def _parts(simulated: SimulatedSession) -> tuple[Part, ...]:
    """Gestures and blocks of a simulated session, each with a short way in and out."""
    raw, profile = simulated.session.raw, simulated.session.profile
    time_s = raw.ticks / profile.tick_hz
    true_starts = iter(simulated.truth.blocks["start_s"].tolist())
    parts = []
    for event in simulated.session.events:
        if event.kind == "rest":
            continue
        start_s = next(true_starts) if event.kind == "play" else event.start_s
        times = (start_s - TAIL_S, start_s, event.end_s + TAIL_S)
        first, start, last = (int(at) for at in np.searchsorted(time_s, times))
        parts.append(Part(event.kind, event.posture, event.label in NOT_WORN, first, start, min(last, len(time_s))))
    return tuple(parts)


@dataclass(frozen=True)
class Plays:
    """What a simulated player can play, and which of it at each place of the plan (empty: by posture)."""

    blocks: tuple[PlayBlock, ...]
    places: tuple[int, ...] = ()


def player_session(
    blocks: Sequence[PlayBlock],
    seed: int,
    rate_hz: float = 400.0,
    instrument: Instrument | None = None,
    watched: bool = False,
    edge_mm: tuple[float, float] | None = None,
) -> SimulatedSession:
    """Simulate the session that a simulated player plays from: gestures for every posture, then each block.

    Parameters
    ----------
    blocks : sequence of PlayBlock
        With any postures; the second posture turns the hand by 12 degrees.
    seed : int
    rate_hz : float
    instrument : Instrument, optional
    watched : bool
        Whether a second sensor sits on the instrument, which leans after the gestures.
    edge_mm : (float, float), optional
        Height and length of the edge of an angle check.

    Returns
    -------
    SimulatedSession
        The session with its truth, without errors of the recording.
    """
    labels = list(dict.fromkeys(block.posture for block in blocks))
    exact = Recording(
        lost_share=0.0, bursts_per_min=0.0, tick_jitter_us=0.0, rate_error=0.0, tick_error_ppm=0.0, start_s=0.0
    )
    scenario = Scenario(
        rate_hz=rate_hz,
        instrument=instrument or Instrument(),
        blocks=tuple(blocks),
        postures=tuple(Posture(label, yaw_deg=12.0 * place) for place, label in enumerate(labels)),
        gestures=GesturePlan(length="full", rock=watched, side_check=True, edge_mm=edge_mm),
        recording=exact,
        rest_knocks_per_min=0.0,
        rest_scratches_per_min=0.0,
        instrument_sensor=InstrumentSensor() if watched else None,
    )
    if not watched:
        return simulate(scenario, seed)
    return simulate(
        scenario,
        seed,
        disturbance=lambda played: Disturbance(at_s=float(played.blocks[0].turns_s[0]) - 3.0, lean_deg=LEAN_DEG),
    )


def plays_of(plan: Plan | None, strings: int = 6) -> Plays:
    """What a simulated player plays: each block of a plan by its tempo and drill, tilted as it wants.

    Longest a minute each; blocks that are alike are simulated once. Without a plan: a minute at eight strokes a second,
    tilted to the downstroke's side in posture A, to the upstroke's in posture B.

    Parameters
    ----------
    plan : Plan or None
    strings : int
        Strings or courses of the instrument.

    Returns
    -------
    Plays

    Raises
    ------
    InputError
        If the instrument cannot play a drill of the plan.
    """
    if plan is None:
        sides: tuple[Wanted, ...] = ("down", "up")
        free = PlayBlock(duration_s=60.0, span_mm=SPAN_MM)
        return Plays(tuple(replace(free, posture=p, tilt_deg=TILT_DEG[s]) for p, s in zip("AB", sides, strict=True)))
    plays: dict[PlayBlock, int] = {}
    places = []
    for block in plan.blocks:
        if block.kind == "play":
            play = _play_of(block, plan.postures[0], strings)
            places.append(plays.setdefault(play, len(plays)))
        else:
            places.append(0)
    return Plays(tuple(plays), tuple(places))


def _play_of(block: PlanBlock, first_posture: str, strings: int) -> PlayBlock:
    """One block of a plan as it is played: on the side that it wants, else that its drill demands, else by posture."""
    demand = "none" if block.phrase is None else read_demand(block.phrase).kind
    usual = "down" if block.posture == first_posture else "up"
    side = block.wanted or (demand if demand in TILT_DEG else usual)
    tempo = block.tempo_bpm if block.tempo_bpm and block.notes_per_beat else None
    play = PlayBlock(
        duration_s=min(60.0, block.play_s + 1.0),
        posture=block.posture,
        tilt_deg=TILT_DEG[side],
        span_mm=SPAN_MM,
        tempo_bpm=tempo,
        notes_per_beat=block.notes_per_beat if tempo else None,
        wanted=block.wanted,
        drill=block.drill,
    )
    return played_drill(play, strings)
