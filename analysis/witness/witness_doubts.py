"""What a sensor on the instrument leaves in doubt, and how it shows that it does not sit where it should."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.transform import Rotation

from analysis.model.doubts import Doubt
from analysis.model.number_words import clock, name_blocks
from analysis.model.records import Event, FloatArray
from analysis.model.session_parts import WitnessedBlock
from analysis.motion.hand_motion import Motion
from analysis.motion.rotation import matrices
from analysis.witness.residue import levelled
from analysis.witness.witness import Witness

IN_STEP_TILT_DEG = 1.0
PHONE_IN_STEP_DEG = 0.1
"""A phone that sees the instrument answer the strokes by this cannot tell how much of it reaches them."""
SHARED = 0.3
"""Part of a turn of the instrument that a hand playing on it shares at least, however it settles anew."""
UNLEARNT_ROLL_DEG = 3.0
KIND = "witness"


def doubt_witness(
    witness: Witness, blocks: Sequence[Event], seen: Sequence[WitnessedBlock], motion: Motion, events: Sequence[Event]
) -> tuple[Doubt, ...]:
    """Doubts that the witness leaves.

    Parameters
    ----------
    witness : Witness
    blocks : sequence of Event
    seen : sequence of WitnessedBlock
    motion : Motion
        As seen from the instrument.
    events : sequence of Event
        All of the session's.

    Returns
    -------
    tuple of Doubt
    """
    doubts = [
        _silent(witness, seen),
        _in_step(witness, seen),
        _unlearnt(witness, seen),
        _jumped(witness, blocks, motion),
        _mended(witness),
        _loose(witness, blocks, seen, motion, events),
    ]
    return tuple(doubt for doubt in doubts if doubt is not None)


def _silent(witness: Witness, seen: Sequence[WitnessedBlock]) -> Doubt | None:
    """The sensor gave no samples in some blocks: they are as with the hand's alone."""
    lost = tuple(each.index for each in seen if not each.known)
    if not lost or witness.clock.until_s < np.inf:
        return None
    fault = "the sensor on the instrument was silent in part of the session"
    evidence = f"it sent nothing in {name_blocks(lost)}, which count as with the hand's sensor alone"
    return Doubt(KIND, "likely", fault, evidence, "keep it charged and awake", lost, about="tip")


def _in_step(witness: Witness, seen: Sequence[WitnessedBlock]) -> Doubt | None:
    """The instrument answers the strokes, and its sensor's clock does not tell how."""
    least_deg = PHONE_IN_STEP_DEG if witness.phone else np.inf
    known = [block for block in seen if block.known]
    touched = [block for block in known if block.fast_deg > IN_STEP_TILT_DEG or block.in_step_deg > least_deg]
    if not touched:
        return None
    most = max(1.96 * block.residue_deg for block in touched)
    kind = "phone" if witness.phone else "sensor"
    evidence = f"its {kind} cannot follow that well enough, so that tilts may be {most:.1f} deg off"
    change = "hold the instrument firmer, or put a board with 200 samples/s or more on it"
    blocks = tuple(block.index for block in touched)
    return Doubt(KIND, "likely", "the instrument moves in step with the strokes", evidence, change, blocks)


def _unlearnt(witness: Witness, seen: Sequence[WitnessedBlock]) -> Doubt | None:
    """The instrument rolled, and which way its sensor's axes lie to the hand's was never shown."""
    rolled = tuple(b.index for b in seen if b.known and abs(b.roll_deg) > UNLEARNT_ROLL_DEG)
    if witness.heading is not None or not rolled:
        return None
    fault = "how the sensor on the instrument lies to the hand's is not known"
    evidence = "they were never rocked together, and shared no motion"
    return Doubt(KIND, "likely", fault, evidence, "rock hand and instrument together for five seconds", rolled)


def _jumped(witness: Witness, blocks: Sequence[Event], motion: Motion) -> Doubt | None:
    """The two clocks came apart."""
    jumped_s = witness.clock.jumped_s
    if jumped_s is None:
        return None
    later = tuple(index for index, event in enumerate(blocks) if event.end_s > jumped_s)
    apart_ms = 1e3 * abs(witness.clock.jump_s)
    fault = "the clocks of the two sensors jumped against each other"
    at = clock(jumped_s - motion.grid.start_s)
    evidence = f"attacks that both felt lie {apart_ms:.0f} ms further apart after about {at} than before"
    if witness.clock.until_s < np.inf:
        evidence += "; from then on the session counts as with the hand's sensor alone"
    return Doubt(KIND, "likely", fault, evidence, "record both on one computer, or start anew", later)


def _mended(witness: Witness) -> Doubt | None:
    """Its clock jumped, and its sample numbers told by how much: nothing is left to doubt, but worth a word."""
    if not witness.steps:
        return None
    sizes = ", ".join(f"{1e3 * step.size_s:+.0f}" for step in witness.steps)
    fault = "the clock of the sensor on the instrument jumped, and was set right"
    evidence = f"its times step by {sizes} ms where its sample numbers go on"
    return Doubt(KIND, "sure", fault, evidence, "see whether its firmware sets its clock while it sends")


def _loose(
    witness: Witness,
    blocks: Sequence[Event],
    seen: Sequence[WitnessedBlock],
    motion: Motion,
    events: Sequence[Event],
) -> Doubt | None:
    """The instrument seems to have turned, and the hand at it did not: its sensor may have moved in its pouch."""
    known = {block.index for block in seen if block.known}
    before: tuple[FloatArray, FloatArray] | None = None
    first, most = -1, 0.0
    poses = [(-1, event) for event in events if event.kind in ("across", "along")] + list(enumerate(blocks))
    for index, event in poses:
        part = motion.grid.slice_of(event.start_s + 0.5, event.end_s - 0.5)
        if part.stop - part.start < motion.grid.rate_hz or (index >= 0 and index not in known):
            continue
        now = tuple(levelled(turn).mean(axis=0) for turn in (witness.whole.back[part], _hand(motion, part)))
        if before is not None and index >= 0:
            # Seen from the instrument the hand turns back by what it did not share.
            turned, apart = _turn_deg(before[0].T @ now[0]), _turn_deg(now[1] @ before[1].T)
            size = float(np.linalg.norm(turned))
            if size > witness.settings.pouch_deg and 1.0 - float(apart @ turned) / size**2 < SHARED:
                first, most = (index if first < 0 else first), max(most, size)
        before = (now[0], now[1])
    if first < 0:
        return None
    since = clock(blocks[first].start_s - motion.grid.start_s)
    fault = f"since about {since} the instrument, or its sensor, sits otherwise"
    evidence = f"it turned by {most:.0f} deg and the hand did not follow"
    change = "fix the sensor so that it cannot move, and repeat across, along and pivot"
    touched = tuple(index for index in sorted(known) if index >= first)
    return Doubt(KIND, "likely", fault, evidence, change, touched, se_deg=most / 1.96)


def _hand(motion: Motion, part: slice) -> FloatArray:
    """The hand against its own attitude at the first sample of the session, turned about the world's axes."""
    return np.asarray(matrices(motion.quat_wxyz[part]) @ matrices(motion.quat_wxyz[:1])[0].T)


def _turn_deg(rotation: FloatArray) -> FloatArray:
    """Rotation vector of a product of mean rotations; the scatter that shortens them is left out."""
    left, _, right = np.linalg.svd(rotation)
    proper = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
    turn: FloatArray = Rotation.from_matrix(proper).as_rotvec(degrees=True)
    return turn
