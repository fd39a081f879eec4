"""Score an analysis against the truth of a simulated session."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model.records import SessionResult


@dataclass(frozen=True)
class SessionScore:
    """Errors of one session; arrays hold one value a matched stroke outside string changes.

    ``covered``, one value a matched stroke of all: whether its error, less the session's mean error, lies in its own
    95 % interval.
    """

    error_deg: np.ndarray
    true_tilt_deg: np.ndarray
    block: np.ndarray
    side_right: np.ndarray
    side_stated: np.ndarray
    true_strokes: int
    found_strokes: int
    matched: int
    mean_error_deg: np.ndarray
    mean_se_deg: np.ndarray
    offset_se_deg: np.ndarray
    span_error_mm: np.ndarray
    lift_error_mm: np.ndarray
    bow_error_mm: np.ndarray
    change_error_deg: np.ndarray
    turn_error_ms: np.ndarray
    covered: np.ndarray


def match_strokes(truth: pd.DataFrame, found: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of true and found strokes: same direction, and most of the shorter lies inside the longer."""
    start = found["start_s"].to_numpy()
    end = found["end_s"].to_numpy()
    taken: set[int] = set()
    pairs = []
    direction = found["direction"].to_numpy()
    for i, row in enumerate(truth.itertuples()):
        low, high = np.searchsorted(end, row.start_s), np.searchsorted(start, row.end_s)
        best, most = -1, 0.5
        for j in range(low, high):
            overlap = min(end[j], row.end_s) - max(start[j], row.start_s)
            share = overlap / min(end[j] - start[j], row.end_s - row.start_s)
            if share > most and j not in taken and direction[j] == row.direction:
                best, most = j, share
        if best >= 0:
            taken.add(best)
            pairs.append((i, best))
    both = np.array(pairs, dtype=int).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def score_session(truth: pd.DataFrame, result: SessionResult) -> SessionScore:
    """Compare every stroke and every block mean with the truth.

    Strokes in string changes are counted apart, not left out of recall and precision. The block mean's truth is the
    mean true tilt of all the block's strokes, of the steady ones where a drill told which these are.
    """
    found = result.strokes
    i, j = match_strokes(truth, found)
    t, f = truth.iloc[i].reset_index(drop=True), found.iloc[j].reset_index(drop=True)
    clean = ~t["in_change"].to_numpy(dtype=bool)
    error = (f["tilt_deg"] - t["tilt_deg"]).to_numpy()
    side = {b.index: b.tilt_side for b in result.blocks}
    block = t["block"].to_numpy(dtype=int)
    true_side = np.where(t["tilt_deg"] > 0, "down", "up")
    right = np.array([side.get(b) for b in block]) == true_side
    mean_error, mean_se, offset = [], [], []
    for b in result.blocks:
        told = bool((found.loc[found["block"] == b.index, "string_change"] == "true").any())
        true = truth.loc[(truth["block"] == b.index) & ~(told & truth["in_change"].astype(bool)), "tilt_deg"]
        if b.tilt_mean_deg is None or b.tilt_ci95_deg is None:
            continue
        mean_error.append(b.tilt_mean_deg - true.mean())
        mean_se.append((b.tilt_ci95_deg[1] - b.tilt_ci95_deg[0]) / 3.92)
        offset.append(b.tilt_offset_se_deg)
    return SessionScore(
        error[clean], t["tilt_deg"].to_numpy()[clean], block[clean],
        (np.sign(f["tilt_deg"]) == np.sign(t["tilt_deg"])).to_numpy()[clean], right[clean],
        len(truth), len(found), len(i),
        np.array(mean_error), np.array(mean_se), np.array(offset, dtype=float),
        (f["span_mm"] - t["span_mm"]).to_numpy()[clean],
        (f["lift_mm"] - t["lift_mm"]).to_numpy()[clean],
        (f["bow_mm"] - t["bow_mm"]).to_numpy()[clean],
        error[~clean],
        1e3 * np.abs(np.concatenate([f["start_s"] - t["start_s"], f["end_s"] - t["end_s"]])),
        np.abs(error - error.mean()) < 1.96 * f["tilt_se_deg"].to_numpy() if error.size else error > 0,
    )  # fmt: skip


def pooled(scores: list[SessionScore], beyond_deg: float) -> dict[str, float]:
    """One row of the accuracy table."""
    error = np.concatenate([s.error_deg for s in scores])
    tilt = np.concatenate([s.true_tilt_deg for s in scores])
    within = []
    for s in scores:
        for b in np.unique(s.block):
            e = s.error_deg[s.block == b]
            within.append(e - e.mean())
    mean_error = np.concatenate([s.mean_error_deg for s in scores])
    mean_se = np.concatenate([s.mean_se_deg for s in scores])
    side = np.concatenate([s.side_right for s in scores])
    pairs = [s.mean_error_deg for s in scores if s.mean_error_deg.size == 2]
    differences = np.array([second - first for first, second in pairs])
    far = np.abs(tilt) > beyond_deg
    return {
        "sessions": len(scores),
        "strokes": error.size,
        "rms_deg": float(np.sqrt((error**2).mean())),
        "scatter_deg": float(np.sqrt((np.concatenate(within) ** 2).mean())),
        "block_mean_rms_deg": float(np.sqrt((mean_error**2).mean())),
        "recall_pct": 100 * sum(s.matched for s in scores) / sum(s.true_strokes for s in scores),
        "precision_pct": 100 * sum(s.matched for s in scores) / sum(s.found_strokes for s in scores),
        "side_right_pct": 100 * float(side[far].mean()),
        "side_stated_pct": 100 * float(np.concatenate([s.side_stated for s in scores])[far].mean()),
        "difference_rms_deg": float(np.sqrt(np.mean(differences**2))) if differences.size else float("nan"),
        "coverage_pct": 100 * float(np.mean([abs(s.mean_error_deg[0]) < 1.96 * s.mean_se_deg[0] for s in scores])),
        "stated_se_deg": float(np.sqrt((mean_se**2).mean())),
        "span_bias_mm": float(np.concatenate([s.span_error_mm for s in scores]).mean()),
        "span_rms_mm": float(np.sqrt((np.concatenate([s.span_error_mm for s in scores]) ** 2).mean())),
        "lift_rms_mm": float(np.sqrt((np.concatenate([s.lift_error_mm for s in scores]) ** 2).mean())),
        "change_rms_deg": _rms(np.concatenate([s.change_error_deg for s in scores])),
        "all_rms_deg": _rms(np.concatenate([e for s in scores for e in (s.error_deg, s.change_error_deg)])),
        "single_covers_pct": 100 * float(np.concatenate([s.covered for s in scores]).mean()),
        "turn_median_ms": float(np.median(np.concatenate([s.turn_error_ms for s in scores]))),
        "turn_90_ms": float(np.percentile(np.concatenate([s.turn_error_ms for s in scores]), 90)),
        "bow_rms_mm": float(np.sqrt((np.concatenate([s.bow_error_mm for s in scores]) ** 2).mean())),
    }


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt((values**2).mean())) if values.size else float("nan")
