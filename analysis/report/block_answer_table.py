"""The answer on every block of a session as a table, for files that other programs read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import pandas as pd

from analysis.model.records import BlockSummary
from analysis.model.stroke_columns import Column

BLOCK_ANSWER_COLUMNS: tuple[Column, ...] = (
    Column("block", "", "int64", "number of the block in its session, from 0, as in the table of strokes"),
    Column("start_s", "s", "float64", "start, log time"),
    Column("end_s", "s", "float64", "end, log time"),
    Column("posture", "", "str", "posture label"),
    Column("tempo_bpm", "1/min", "float64", "tempo; empty where none was given"),
    Column("notes_per_beat", "", "float64", "notes per beat; empty where none were given"),
    Column("drill", "", "str", "drill label"),
    Column("wanted", "", "str", "wanted clearing stroke: down, up or empty"),
    Column("strokes", "", "int64", "strokes found"),
    Column("strokes_per_s", "1/s", "float64", "median stroke rate"),
    Column("tilt_mean_deg", "deg", "float64", "mean tilt"),
    Column("tilt_sd_deg", "deg", "float64", "standard deviation of tilt over the block's strokes"),
    Column("tilt_ci95_low_deg", "deg", "float64", "lower bound of the 95 % interval of the mean tilt"),
    Column("tilt_ci95_high_deg", "deg", "float64", "upper bound of the 95 % interval of the mean tilt"),
    Column("tilt_offset_se_deg", "deg", "float64", "standard error of tilt common to the posture's blocks"),
    Column("tilt_mean_se_deg", "deg", "float64", "standard error of the mean tilt, the block's own part"),
    Column("tilt_side", "", "str", "down, up or none: the sign of tilt where its 95 % interval excludes 0"),
    Column("clearing_stroke", "", "str", "down, up, both or level; empty where it cannot be told"),
    Column("share_clearing", "", "float64", "share of strokes of the wanted (else the better) direction that clear"),
    Column("span_mm", "mm", "float64", "median span"),
    Column("bow_mm", "mm", "float64", "median bow"),
    Column("lift_mm", "mm", "float64", "median lift of the strokes that share_clearing is of"),
)


def tabulate_block_answers(blocks: Sequence[BlockSummary]) -> pd.DataFrame:
    """One row a block, in the order given; what cannot be told is missing.

    Parameters
    ----------
    blocks : sequence of BlockSummary

    Returns
    -------
    DataFrame
        Columns of :data:`BLOCK_ANSWER_COLUMNS`.
    """
    rows = []
    for block in blocks:
        low, high = block.tilt_ci95_deg or (None, None)
        known = {**asdict(block), "block": block.index, "tilt_ci95_low_deg": low, "tilt_ci95_high_deg": high}
        known |= {name: known[name] or "" for name in ("wanted", "clearing_stroke")}
        rows.append([known[column.name] for column in BLOCK_ANSWER_COLUMNS])
    table = pd.DataFrame(rows, columns=[column.name for column in BLOCK_ANSWER_COLUMNS])
    return table.astype({column.name: column.dtype for column in BLOCK_ANSWER_COLUMNS})
