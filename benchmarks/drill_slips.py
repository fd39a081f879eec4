"""Change verdicts of drills with slips, on drawn strokes and paths."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from analysis.drills.alignment import DrillTiming, align_strokes
from analysis.drills.phrases import read_phrase
from analysis.drills.string_change_path import measure_travel
from analysis.drills.string_changes import BlockStrokes, judge_changes
from analysis.model.records import Instrument
from tests.analysis.drills.slipping_play import draw_slipping_player, play_slipping

PHRASES = tuple(
    read_phrase(text, 6)
    for text in (
        "4x2 3x2 2x2 3x2",
        "4x3 3x2 2x1 3x4 2x2 3x2 4x1 5x1",
        "6x2 5x2 4x2 3x2 2x2 1x2 2x2 3x2 4x2 5x2",
        "up 4x3 3x4",
        "5x2 4x4 3x2 4x2",
        "4x1 3x3 2x2 1x2 3x1 2x3",
    )
)


def judge_players(seeds: Iterable[int], travel: bool = True) -> pd.DataFrame:
    """Every change that these players truly made, or that was said, with its verdict.

    Columns ``verdict``, ``probability``, ``right`` (of a verdict: there was a change and it went so), ``strings`` (the
    strings are right) and ``real``.
    """
    parts = []
    for seed in seeds:
        rng = np.random.default_rng([seed, 1])
        player, phrase, instrument = draw_slipping_player(rng), PHRASES[seed % len(PHRASES)], Instrument()
        played = play_slipping(phrase, instrument, player, seed)
        way = measure_travel(played.strokes, played.paths_mm, instrument) if travel else None
        timing = DrillTiming(1 / player.notes_per_s)
        alignment = align_strokes(played.strokes, phrase, timing, None, way)
        found = judge_changes(BlockStrokes(played.strokes, played.paths_mm, 0.5), alignment, phrase, instrument)
        string = played.string
        truth = pd.DataFrame(
            {
                "time_s": played.strokes["contact_s"][:-1],
                "true_from": string[:-1],
                "true_to": string[1:],
                "true_mm": played.height_mm[:-1],
            }
        )
        both = truth.merge(found, on="time_s", how="left")
        both = both[(both["true_from"] != both["true_to"]) | both["verdict"].notna()]
        parts.append(both.assign(seed=seed))
    table = pd.concat(parts, ignore_index=True).fillna({"verdict": "not known"})
    real = table["true_from"] != table["true_to"]
    over = table["true_mm"] > 0
    # A path that crosses no string between two contacts touches none.
    right = real & table["true_mm"].notna() & ((table["verdict"] == "cleared") == over)
    strings = (table["true_from"] == table["from_string"]) & (table["true_to"] == table["to_string"])
    return table.assign(right=right, strings=strings, real=real)


def slip_scores(changes: pd.DataFrame) -> dict[str, float]:
    """Shares over all players."""
    told = changes[changes["verdict"] != "not known"]
    real = changes[changes["real"]]
    return {
        "changes": float(len(real)),
        "right": float(told["right"].mean()),
        "not known": float((real["verdict"] == "not known").mean()),
        "strings right": float(real["strings"].mean()),
    }


def reliability(changes: pd.DataFrame, fewest: int = 200) -> list[tuple[float, float, int]]:
    """Reliability diagram: (said, found, verdicts) of bins with so many verdicts, by rank of what was said."""
    told = changes[changes["verdict"] != "not known"].sort_values("probability")
    places = np.array_split(np.arange(len(told)), max(1, min(10, len(told) // fewest)))
    bins = [told.iloc[place] for place in places]
    return [(float(b["probability"].mean()), float(b["right"].mean()), len(b)) for b in bins]
