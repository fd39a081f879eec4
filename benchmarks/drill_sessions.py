"""Simulated drills with the true height of the tip over every string that it crosses.

The truth is geometric and knows nothing of contacts, attacks or alignment: the strings lie where the instrument says,
one plectrum depth above the place about which the strokes are simulated; the tip is the simulated tip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.drills.phrases import Phrase, make_twin, read_phrase, write_phrase
from analysis.drills.session_changes import judge_drills
from analysis.model.records import FloatArray, Instrument
from analysis.pipeline import analyse_session
from analysis.synthesis.scenario import PlayBlock, Scenario
from analysis.synthesis.simulate import SimulatedSession, simulate
from logger.practice.played_drill import played_drill

UP = read_phrase("6x2 5x2 4x2 3x2 2x2 1x2 2x2 3x2 4x2 5x2", 6)
PHRASES: dict[str, Phrase] = {
    "up": UP,
    "down": make_twin(UP),
    "mixed": read_phrase("4x3 3x2 2x1 3x4 2x2 3x2 4x1 5x1", 6),
}
UNEVEN: tuple[str, ...] = (
    "4:5*2-7 3:4-5-7*2 2:5-7",
    "4:5h7-5 3:4-7p5-4 r*2 2:5-8",
    "swing=2/3 4x2 3x2 2x2 3x2",
    "4x3*2/3 3x2 2x3*2/3 3x4*1/2",
    "4x1 then 4x2 3x2 r 2x3 3x2",
    "up 5x2 4x1*3/2 3x1*1/2 2x2 r 3x2",
)
"""Notes of two lengths; slurs and a rest; swing; triplets and halves; a pickup and a rest; dotted notes."""
ARCHED = Instrument(spacing_mm=(10.2,) * 5, radius_mm=300.0, plectrum_depth_mm=1.8)


@dataclass(frozen=True)
class DrillPlayer:
    """One simulated player: speed, tilt, span, and the phrases played, a block each."""

    notes_per_s: float
    tilt_deg: float
    span_mm: float
    phrases: tuple[str, ...]
    instrument: Instrument


def draw_player(seed: int) -> DrillPlayer:
    """Any tilt between -28 and 28 degrees, 4 to 12 notes a second, all three kinds of phrase."""
    rng = np.random.default_rng([seed, 1])
    instrument = ARCHED if rng.random() < 0.5 else Instrument()
    return DrillPlayer(rng.uniform(4, 12), rng.uniform(-28, 28), rng.uniform(14, 28), tuple(PHRASES), instrument)


def draw_marginal_player(seed: int) -> DrillPlayer:
    """A player whose tilt suits the phrase and who clears only just, or only just not."""
    rng = np.random.default_rng([seed, 2])
    up = rng.random() < 0.5
    tilt = rng.uniform(8, 28) * (-1 if up else 1)
    phrases = ("up" if up else "down", "mixed")
    return DrillPlayer(rng.uniform(4, 12), tilt, rng.uniform(18, 30), phrases, ARCHED)


def draw_uneven_player(seed: int) -> DrillPlayer:
    """Any tilt, 4 to 10 units a second; rests, slurs, swing, triplets, a pickup, notes of different lengths."""
    rng = np.random.default_rng([seed, 3])
    instrument = ARCHED if rng.random() < 0.5 else Instrument()
    tilt, span = rng.choice([-1, 1]) * rng.uniform(4, 28), rng.uniform(14, 28)
    phrases = tuple(rng.permutation(np.array(UNEVEN, dtype=object))[:3])
    return DrillPlayer(rng.uniform(4, 10), tilt, span, phrases, instrument)


def play(player: DrillPlayer, seed: int, seconds: float) -> SimulatedSession:
    """Simulate the player's session: one block a phrase."""
    block = PlayBlock(
        strokes_per_s=player.notes_per_s, tilt_deg=player.tilt_deg, span_mm=player.span_mm, duration_s=seconds
    )
    blocks = []
    for name in player.phrases:
        drill = write_phrase(PHRASES[name]) if name in PHRASES else name
        blocks.append(played_drill(replace(block, drill=drill), player.instrument.courses))
    return simulate(Scenario(instrument=player.instrument, blocks=tuple(blocks)), seed)


def true_heights(simulated: SimulatedSession) -> pd.DataFrame:
    """Return block, note, contact_s and the lowest true height (mm) between both notes' strings, a row a change."""
    strokes = simulated.truth.strokes
    instrument = simulated.session.instrument
    across = np.concatenate([[0.0], np.cumsum(instrument.spacing_mm)])
    y = across - across[-1] / 2
    z = np.zeros_like(y) if instrument.radius_mm is None else -(y**2) / (2 * instrument.radius_mm)
    rows = []
    first = strokes.groupby("block").cumcount()
    # Where the hand waits between two strokes, half of the wait belongs to each.
    starts, ends = (strokes[name].to_numpy(np.float64, copy=True) for name in ("start_s", "end_s"))
    apart = (strokes["block"].diff() == 0).to_numpy()[1:] & (starts[1:] - ends[:-1] > 1e-9)
    middle = 0.5 * (starts[1:] + ends[:-1])
    starts[1:], ends[:-1] = np.where(apart, middle, starts[1:]), np.where(apart, middle, ends[:-1])
    times = np.linspace(starts, ends, 301, axis=1)
    tip = simulated.truth.path(times.ravel()).tip_mm[:, 1:].reshape(*times.shape, 2)
    course = strokes["course"].to_numpy()
    for j in np.flatnonzero((course[1:] != course[:-1]) & (strokes["block"].diff() == 0).to_numpy()[1:]):
        tips = tip[j], tip[j + 1]
        own, onward = (crossings(tip[:, 0], y[strokes["course"][k]]) for tip, k in zip(tips, (j, j + 1), strict=True))
        height = np.nan
        if len(own) and len(onward):
            way = np.concatenate([tips[0][own[0] + 2 :], tips[1][1 : onward[-1] - 1]])
            over = [way[c, 1] - z[k] for k in range(len(y)) for c in crossings(way[:, 0], y[k])]
            height = min(over, default=np.nan) - instrument.plectrum_depth_mm
        between_s = strokes["contact_s"][j + 1] - strokes["contact_s"][j]
        rows.append((strokes["block"][j], first[j], strokes["contact_s"][j], between_s, height))
    return pd.DataFrame(rows, columns=["block", "note", "contact_s", "between_s", "true_mm"])


def crossings(values: FloatArray, level: float) -> FloatArray:
    """Return the places after which values pass a level."""
    off = values - level
    return np.flatnonzero(off[:-1] * off[1:] <= 0)


def judged(players: Sequence[tuple[DrillPlayer, int]], seconds: float) -> pd.DataFrame:
    """Return every true change of these sessions beside the verdict of the whole chain; no verdict where none came."""
    parts = []
    for player, seed in players:
        simulated = play(player, seed, seconds)
        blocks, problems = judge_drills(analyse_session(simulated.session), {})
        if problems:
            raise RuntimeError("; ".join(problems))
        found = pd.concat([block.changes.assign(block=block.index) for block in blocks], ignore_index=True)
        # By time, not by note: a wrong alignment must count as wrong.
        both = pd.merge_asof(
            true_heights(simulated).sort_values("contact_s"),
            found.sort_values("time_s"),
            left_on="contact_s",
            right_on="time_s",
            by="block",
            direction="nearest",
            tolerance=0.45 / player.notes_per_s,
            suffixes=("_true", ""),
        )
        parts.append(both.assign(seed=seed, notes_per_s=player.notes_per_s))
    return pd.concat(parts, ignore_index=True).fillna({"verdict": "not known", "reason": "not found"})


def scores(changes: pd.DataFrame) -> dict[str, float]:
    """Return share told, share right of those, and the error of the heights, of changes whose truth is known."""
    known = changes[changes["true_mm"].notna()]
    told = known[known["verdict"] != "not known"]
    right = (told["verdict"] == "cleared") == (told["true_mm"] > 0)
    error = (known["height_mm"] - known["true_mm"]).dropna()
    return {
        "changes": len(known),
        "told": len(told) / len(known),
        "right": float(right.mean()),
        "note_right": float((told["note"] == told["note_true"]).mean()),
        "height_rms_mm": float(np.sqrt((error**2).mean())),
        "truly_cleared": float((known["true_mm"] > 0).mean()),
    }
