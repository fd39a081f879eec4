"""Tables of strokes with known notes, drawn without the estimator or the alignment's own model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.drills.phrases import Phrase
from analysis.synthesis.written_play import stroke_times
from logger.practice.played_drill import written_play


@dataclass(frozen=True)
class PlaySettings:
    """How somebody plays a drill and how well the strokes are found."""

    notes: int = 160
    notes_per_s: float = 8.0
    drift: float = 0.05
    unevenness: float = 0.05
    missed: float = 0.03
    extra: float = 0.03
    wrong_direction: float = 0.005
    attack_note: float = 0.97
    attack_extra: float = 0.5
    count_in_strokes: int = 0
    count_in_s: float = 0.5
    hesitations: float = 0.0
    """Share of notes before which the player hesitates for up to a note and a half."""


def written_units(phrase: Phrase, notes: int) -> np.ndarray:
    """When the strokes come, in units, counted out by the simulated player's own reading of the phrase."""
    written = written_play(phrase)
    swing = written.swing
    units = notes * (sum(sound.units for sound in written.lead + written.body) + 1)
    return stroke_times(written, units, swing)[0][:notes]


def play_table(phrase: Phrase, settings: PlaySettings, seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Return a strokes table and the true note of each row, -1 for a stroke that is no note."""
    rng = np.random.default_rng(seed)
    period = 1 / settings.notes_per_s
    # The tempo wanders by +-drift: half of it steady, half slow and periodic.
    place = np.linspace(0, 1, settings.notes)
    sign = rng.choice([-1, 1])
    wander = 0.5 * np.sin(2 * np.pi * (rng.uniform(0.5, 2) * place + rng.uniform()))
    rate = 1 + settings.drift * (sign * (place - 0.5) + wander)
    units = written_units(phrase, settings.notes)
    intervals = period / rate * np.diff(units, prepend=units[0] - 1.0)
    late = (rng.random(settings.notes) < settings.hesitations) * rng.uniform(0.3, 1.5, settings.notes) * period
    times = np.cumsum(intervals + late) + 10.0
    times += rng.normal(0, settings.unevenness * period, settings.notes)
    first = 0 if phrase.first_stroke == "down" else 1
    rows = [
        (times[j], (j + first) % 2 == 0, rng.random() < settings.attack_note, j)
        for j in range(settings.notes)
        if rng.random() >= settings.missed
    ]
    for _ in range(rng.binomial(settings.notes, settings.extra)):
        when = rng.uniform(times[0], times[-1])
        rows.append((when, rng.random() < 0.5, rng.random() < settings.attack_extra, -1))
    for k in range(settings.count_in_strokes):
        when = times[0] - (settings.count_in_strokes - k) * settings.count_in_s + rng.normal(0, 0.01)
        rows.append((when, rng.random() < 0.8, True, -1))
    rows.sort()
    down = np.array([row[1] for row in rows])
    down ^= rng.random(len(rows)) < settings.wrong_direction
    table = pd.DataFrame(
        {
            "contact_s": [row[0] for row in rows],
            "direction": np.where(down, "down", "up"),
            "attack": [bool(row[2]) for row in rows],
        }
    )
    return table, np.array([row[3] for row in rows])
