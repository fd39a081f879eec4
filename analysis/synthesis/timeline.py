"""The course of a session: where tip and hand are meant to be, when, and how alive the hand is meanwhile.

Internal units: metres, radians, seconds of true time from the start of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.model.records import BoolArray, Event, FloatArray, IntArray
from analysis.synthesis.scenario import Hand, Joint, Scenario
from analysis.synthesis.track import Nodes

# How much of the living hand shows: slow turning, slow wander of the tip, tremor, sway of the instrument.
TABLE = np.array([0.0, 0.0, 0.0, 0.0])
STILL = np.array([0.1, 0.2, 1.0, 1.0])
DRAG = np.array([0.7, 0.0, 1.0, 1.0])
PINNED = np.array([0.5, 0.0, 0.5, 1.0])
PLAY = np.array([1.0, 1.0, 1.0, 1.0])
LOOSE = np.array([1.5, 2.0, 1.0, 1.0])

BASE, LEVER, LIFE, ROLL = slice(0, 3), slice(3, 6), slice(6, 10), 10
SLOW_DIMS = 11


@dataclass(frozen=True)
class BlockPlan:
    """What was laid out for one block; one entry a stroke, turns one more."""

    index: int
    posture: str
    turns_s: FloatArray
    downstroke: BoolArray
    waits: bool
    contact_s: FloatArray
    attack: BoolArray
    string_change: BoolArray
    in_change: BoolArray
    course: IntArray


@dataclass
class PulseList:
    """Vibrations in the order in which they are laid; amplitude (6, k): displacement in m, turning in rad."""

    onset_s: list[FloatArray] = field(default_factory=list)
    amplitude: list[FloatArray] = field(default_factory=list)
    frequency_hz: list[FloatArray] = field(default_factory=list)
    decay_s: list[FloatArray] = field(default_factory=list)

    def add(
        self,
        rng: np.random.Generator,
        onset_s: FloatArray,
        peak_mps2: FloatArray,
        frequency_hz: tuple[float, float],
        decay_s: tuple[float, float],
    ) -> None:
        """Add vibrations of about the given peak acceleration in random directions."""
        k = onset_s.size
        frequency = rng.uniform(*frequency_hz, k)
        decay = rng.uniform(*decay_s, k)
        direction = rng.normal(size=(2, 3, k))
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        # (t/tau)^2 exp(-t/tau) peaks at 4 exp(-2); the second derivative brings 1/tau^2 beside the frequency squared.
        size = peak_mps2 / (4 * np.exp(-2) * ((2 * np.pi * frequency) ** 2 + decay**-2))
        turning = rng.uniform(0.0, 0.5, k) / 0.08
        self.onset_s.append(onset_s)
        self.amplitude.append(np.concatenate((direction[0] * size, direction[1] * size * turning)))
        self.frequency_hz.append(frequency)
        self.decay_s.append(decay)


class Timeline:
    """Builds a session segment by segment; ``now_s`` is the time up to which it is laid out."""

    def __init__(self, scenario: Scenario, hand: Hand, vertical: FloatArray) -> None:
        self.scenario = scenario
        self.hand = hand
        self.vertical = vertical
        self.seed = 0
        self.mounting = np.array(hand.mounting_wxyz)
        self.now_s = 0.0
        self.tip = Nodes(3)
        self.turning = Nodes(3)
        self.fingers = Nodes(3)
        self.fingers.add(0.0, np.zeros(3))
        self.rocking = Nodes(3)
        self.rocking.add(0.0, np.zeros(3))
        self.joints: dict[tuple[str, int], tuple[FloatArray, Nodes]] = {}
        self.slow = Nodes(SLOW_DIMS)
        self.pulses = PulseList()
        self.rap_s: list[FloatArray] = []
        self.catch_s: list[FloatArray] = []
        self.catch_depth: list[FloatArray] = []
        self.events: list[Event] = []
        self.blocks: list[BlockPlan] = []
        self.lever_m: dict[str, FloatArray] = {}

    def state(self, base: FloatArray, posture: str, life: FloatArray, roll: float = 0.0) -> FloatArray:
        """Return the slow state (11,): base attitude, lever in sensor axes, liveliness, rolling of the tip."""
        return np.concatenate((base, self.lever_m[posture], life, [roll]))

    def hold(self, end_s: float, start: FloatArray, end: FloatArray | None = None) -> None:
        """Hold a slow state from now until ``end_s``; whatever lies before blends smoothly into it."""
        self.slow.add(self.now_s, start)
        self.slow.add(end_s, start if end is None else end)

    def attitude(self, rng: np.random.Generator, posture: str) -> FloatArray:
        """Return the hand's base attitude (rotation vector) as it settles anew in a posture."""
        yaw = np.radians(self.scenario.posture(posture).yaw_deg)
        base: FloatArray = yaw * self.vertical + np.radians(self.hand.settle_deg) * rng.normal(size=3)
        return base

    def joint_nodes(self, posture: str) -> list[tuple[Joint, Nodes]]:
        """Return each joint of a posture with the nodes of its own angle."""
        chosen = self.scenario.posture(posture).joints
        joints = self.hand.joints if chosen is None else chosen
        for i, joint in enumerate(joints):
            if (posture, i) not in self.joints:
                nodes = Nodes(1)
                nodes.add(0.0, np.zeros(1))
                self.joints[posture, i] = (np.array(joint.axis), nodes)
        return [(joint, self.joints[posture, i][1]) for i, joint in enumerate(joints)]

    def mark(self, rng: np.random.Generator, event: Event, edge_sd_s: float) -> None:
        """Note an event as a person does: either edge off by up to 0.3 s."""
        off = np.clip(rng.normal(0.0, edge_sd_s, 2), -0.3, 0.3)
        fields = {
            **event.__dict__,
            "start_s": float(max(event.start_s + off[0], 0.0)),
            "end_s": float(event.end_s + off[1]),
        }
        self.events.append(Event(**fields))


def add_turns(
    nodes: Nodes,
    t_s: FloatArray,
    values: FloatArray,
    smoothness: float,
    bend: FloatArray | None = None,
    loop: FloatArray | None = None,
    half_way: FloatArray | None = None,
) -> None:
    """Append a to-and-fro motion: at rest at every turn, smooth in between.

    Parameters
    ----------
    nodes : Nodes
    t_s : float64 (n + 1,)
    values : float64 (n + 1, d)
        Values at the turns.
    smoothness : float
        0: minimum jerk; 1: as a sinusoid.
    bend : float64 (n, d), optional
        Offset at mid-stroke of a path that bends along a parabola of its progress.
    loop : float64 (n, d), optional
        Offset at mid-stroke that vanishes, with its slope, at the turns.
    half_way : float64 (n,), optional
        Share of each stroke's time at which it is half way; 0.5 where not given.
    """
    h = np.diff(t_s)[:, None]
    step = np.diff(values, axis=0)
    alpha = smoothness * np.pi**2 / 2
    pull = alpha * step / h**2
    turn = np.zeros_like(values)
    # Neighbouring strokes share the acceleration at their turn; a first and a last stroke start and stop at rest.
    turn[1:-1] = 0.5 * (pull[1:] - pull[:-1])
    a0, a1 = turn[:-1], turn[1:]
    middle = 0.5 * (values[:-1] + values[1:]) + h**2 * (a0 + a1) / 64
    speed = 1.875 * step / h + h * (a1 - a0) / 32
    middle_acceleration = -0.25 * (a0 + a1)
    at_turn = turn.copy()
    pace = (1.875 - 0.0625 * alpha) / h
    if bend is not None:
        middle = middle + bend
        middle_acceleration = middle_acceleration - 8 * bend * pace**2
        at_turn[1:-1] += 2 * alpha * (bend[1:] / h[1:] ** 2 + bend[:-1] / h[:-1] ** 2)
    if loop is not None:
        middle = middle + loop
        middle_acceleration = middle_acceleration - 16 * loop * pace**2
    n, dims = step.shape
    times = np.empty(2 * n + 1)
    share = 0.5 if half_way is None else half_way
    times[::2], times[1::2] = t_s, t_s[:-1] + share * np.diff(t_s)
    packed = np.zeros((3, 2 * n + 1, dims))
    packed[0, ::2], packed[0, 1::2] = values, middle
    packed[1, 1::2] = speed
    packed[2, ::2], packed[2, 1::2] = at_turn, middle_acceleration
    nodes.add(times, packed[0], packed[1], packed[2])


def lay_raps(line: Timeline, rng: np.random.Generator, posture: str) -> None:
    """Rap five times on the case with a finger of the other hand, and five times more, the hand at rest.

    Parameters
    ----------
    line : Timeline
    rng : Generator
    posture : str
    """
    line.now_s += rng.uniform(0.6, 1.0)
    start, each = line.now_s, []
    for _ in range(2):
        line.now_s += rng.uniform(0.8, 1.2)
        each.append(line.now_s + np.cumsum(rng.uniform(0.28, 0.4) * (1 + 0.1 * rng.normal(size=5))))
        line.now_s = float(each[-1][-1])
    line.now_s += 0.8
    raps = np.concatenate(each)
    line.tip.add([start, line.now_s], np.array([0.0, 0.0, 1e-3]) + rng.normal(0.0, 1e-3, 3))
    line.turning.add([start, line.now_s], np.zeros(3))
    end, line.now_s = line.now_s, start
    line.hold(end, line.state(line.attitude(rng, posture), posture, STILL))
    line.now_s = end
    line.rap_s.append(raps)
    if line.scenario.mount is None:
        line.pulses.add(rng, raps, rng.uniform(8.0, 30.0, raps.size), (60.0, 200.0), (2e-3, 4e-3))
    else:  # The case takes them; the hand feels the strap.
        line.pulses.add(rng, raps, rng.uniform(0.5, 3.0, raps.size), (30.0, 80.0), (4e-3, 8e-3))
