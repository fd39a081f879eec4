"""Results as files for other programs: the strokes as CSV, the session's answer as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.findings.arbiter import SessionFindings
from analysis.model.cautions import SIMULATED
from analysis.model.records import BlockSummary, Event, ReferenceSummary, SessionResult
from analysis.model.stroke_columns import STROKE_COLUMNS, STROKE_CSV_COLUMNS, SYNTHETIC_COLUMN, Column
from analysis.reference.reference_grade import grade_reference
from analysis.sound.witness import Heard
from logger.files.csv_cells import guard_table
from logger.files.own_result import MADE_BY, begins_with_one, is_json, made_by, write_result

TIME_DECIMALS = 6
VALUE_DECIMALS = 4
HEADER = ",".join(column.name for column in STROKE_COLUMNS if column.name in STROKE_CSV_COLUMNS)
STROKES_SIGN = begins_with_one(HEADER, f"{HEADER},{SYNTHETIC_COLUMN.name}")
"""How an older table of strokes begins; that of a simulated session has its mark."""
TIMES = ("start_s", "end_s")


def write_strokes_csv(result: SessionResult, path: Path) -> None:
    """Write one row a stroke, columns of ``STROKE_CSV_COLUMNS``; an empty cell is missing.

    A simulated session carries its mark: one column more, ``synthetic``.

    Parameters
    ----------
    result : SessionResult
    path : Path

    Raises
    ------
    OutputError
        The file cannot be written, or is there and no older table of ours.
    """
    write_result(path, render_strokes_csv(result.strokes, SIMULATED in result.cautions), STROKES_SIGN)


def render_strokes_csv(strokes: pd.DataFrame, simulated: bool = False) -> str:
    """The strokes table as CSV text, with the mark of a simulated session."""
    columns = [column for column in STROKE_COLUMNS if column.name in STROKE_CSV_COLUMNS]
    return render_table_csv(strokes, columns, simulated)


def render_table_csv(table: pd.DataFrame, columns: Sequence[Column], simulated: bool = False) -> str:
    """Some columns of a table as CSV text: times to the microsecond, other numbers to four decimals.

    Parameters
    ----------
    table : DataFrame
    columns : sequence of Column
        Those to write, in order; each must be in the table.
    simulated : bool
        Adds the column that says so.

    Returns
    -------
    str
        With a header line; an empty cell is missing.
    """
    table = table.loc[:, [column.name for column in columns]].copy()
    for name in (column.name for column in columns if column.dtype == "float64"):
        # Adding 0 turns -0.0 into 0.0.
        table[name] = table[name].round(TIME_DECIMALS if name in TIMES else VALUE_DECIMALS) + 0.0
        table.loc[~np.isfinite(table[name]), name] = np.nan
    if simulated:
        table[SYNTHETIC_COLUMN.name] = "true"
    return str(guard_table(table).to_csv(index=False, na_rep="", lineterminator="\n"))


def write_result_json(found: SessionFindings, path: Path) -> None:
    """Write the session's answer as JSON.

    Parameters
    ----------
    found : SessionFindings
    path : Path

    Raises
    ------
    OutputError
        The file cannot be written, or is there and no older answer of ours.
    """
    write_result(path, render_result_json(found), is_json)


def render_result_json(found: SessionFindings) -> str:
    """The session's answer as JSON text; what is missing is null, never NaN. ``sound`` is there if one was heard.

    Parameters
    ----------
    found : SessionFindings

    Returns
    -------
    str
        One JSON object and a line end.
    """
    heard = found.answers.heard
    answer = build_result(found) if heard is None else {**build_result(found), "sound": build_sound(heard)}
    signed = {MADE_BY: made_by(), **_plain(answer)}
    return json.dumps(signed, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def build_result(found: SessionFindings) -> dict[str, object]:
    """The answer as nested dictionaries: ``findings``, ``session``, ``blocks``, ``cautions``, then what made it."""
    result = found.result
    return {
        "findings": found.findings,
        "doubts": result.doubts,
        "session": {
            "rate_hz": result.rate_hz,
            "start_s": result.start_s,
            "duration_s": result.duration_s,
            "lost_samples": result.lost_samples,
            "clipped_samples": result.clipped_samples,
            "strokes": len(result.strokes),
            "reference": _reference(result.reference, result.tilt_offset_se_deg),
            "tilt_offset_se_deg": result.tilt_offset_se_deg,
            "lever_mm": result.lever_mm,
            "lever_se_mm": result.lever_se_mm,
            "warnings": result.warnings,
            "player": result.player,
            "instrument": {**asdict(result.instrument), "dead_band_deg": result.instrument.dead_band_deg},
            "ratings": [_mark(event) for event in result.events if event.kind in ("rating", "hurt")],
        },
        "blocks": [_block(block) for block in result.blocks],
        "checks": result.checks,
        "synthetic": SIMULATED in result.cautions,
        "cautions": result.cautions,
        "settings": result.settings,
        "version": result.version,
        "log_hash": result.log_hash,
    }


SOUND_COUNTS = ("index", "notes", "strokes", "unseen", "unheard", "slurred", "clicks")


def build_sound(heard: Heard) -> dict[str, object]:
    """What the sound says, or why it says nothing, as nested dictionaries; times of notes are left out."""
    return {
        "obstacle": heard.obstacle or None,
        "snr_db": heard.level.snr_db,
        "file_hash": heard.digest,
        "clock": heard.clock,
        "tuning": heard.tuned,
        "blocks": [
            {name: getattr(block, name) for name in SOUND_COUNTS}
            | {"evenness": block.evenness, "felt_evenness": block.felt_evenness}
            for block in heard.blocks
        ],
        "remarks": heard.remarks,
    }


def _reference(reference: ReferenceSummary, offset_se_deg: float | None) -> dict[str, object]:
    return {
        "kind": reference.kind,
        "quality": grade_reference(reference, offset_se_deg),
        "gestures": reference.gestures,
        "repetitions": reference.repetitions,
    }


def _block(block: BlockSummary) -> dict[str, object]:
    return {field.name: getattr(block, field.name) for field in fields(block)}


def _mark(event: Event) -> dict[str, object]:
    """A rating or a mark of discomfort, as the player entered it."""
    names = ("start_s", "end_s", "kind", "label", "posture", "rating")
    return {name: getattr(event, name) for name in names}


def _plain(value: Any) -> Any:
    """Only what JSON knows; floats that are no numbers become null."""
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no form in JSON")
