"""One session in a Motion-BIDS data set: its samples on the even grid, and the documents that describe them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analysis.model.cautions import is_simulated
from analysis.model.errors import TimebaseError
from analysis.model.records import Session
from analysis.signal.si_units import counts_to_si, exact_decimals
from analysis.signal.timebase import Timebase, fit_timebase
from logger.exchange.bids_documents import (
    channel_documents,
    event_documents,
    result_documents,
    scan_documents,
    sidecar,
    to_json,
)
from logger.exchange.check_bids import MOTION
from logger.exchange.export_files import time_column
from logger.exchange.export_tables import load_source
from logger.exchange.motion_bids import MISSING, Place, channels
from logger.files.decimal_text import DecimalColumn, render_rows
from logger.terminal.progress_bar import part_of

ROWS_PER_TEXT = 1 << 14
DERIVATIVES = "derivatives/strokeplane"


@dataclass(frozen=True)
class ExportedRecording:
    """What one session became.

    ``repeated`` counts samples that stood in the grid where another one stood, and were left out. ``remark`` says why
    there are no strokes.
    """

    session: Path
    place: Place
    rows: int
    missing: int
    gaps: int
    repeated: int
    remark: str


def started_s(session: Session) -> float:
    """Seconds since the epoch at the first sample; NaN where the log holds no host times."""
    host = session.raw.host_time_s
    at = np.flatnonzero(~np.isnan(host))
    if not at.size:
        return float("nan")
    return float(host[at[0]] - (session.raw.ticks[at[0]] - session.raw.ticks[0]) / session.profile.tick_hz)


def export_recording(
    path: Path, place: Place, top: Path, strokes: bool, told: Callable[[str, float], None]
) -> ExportedRecording:
    """Write one session's files."""
    source = load_source(path, strokes, part_of(told, 0.0, 0.6))
    session = source.session
    try:
        timebase = fit_timebase(session.raw, session.profile)
    except TimebaseError as error:
        raise TimebaseError(
            f"{error}",
            file=str(path),
        ) from error
    folder = top / place.folder
    folder.mkdir(parents=True)
    with (folder / f"{place.recording}{MOTION}").open("wb") as stream:
        for share, text in _rows(session, timebase):
            stream.write(text)
            told("writing", 0.6 + 0.4 * share)
    gaps = int(np.count_nonzero(np.diff(timebase.slot) > 1))
    counts = (timebase.lost_samples, gaps, timebase.repeated_samples)
    _describe(session, place, timebase, folder)
    _describe_scan(session, place, counts, folder.parent)
    if source.result is not None:
        start_s = first_time_s(session, timebase)
        for name, (table, about) in result_documents(source.result, start_s).items():
            stem = f"{place.recording}_acq-{name}_events"
            write_documents(top / DERIVATIVES / place.folder, {f"{stem}.tsv": table, f"{stem}.json": about})
    return ExportedRecording(path, place, timebase.grid.size, *counts, source.remark)


def first_time_s(session: Session, timebase: Timebase) -> float:
    """Log time of the first row."""
    return float(session.raw.ticks[timebase.kept[0]] / session.profile.tick_hz)


def _describe(session: Session, place: Place, timebase: Timebase, folder: Path) -> None:
    """Write what goes with ``motion.tsv``."""
    listed = channels(session.player)
    channel_table, channel_about = channel_documents(session, place, timebase, listed)
    events, event_about = event_documents(session.events, first_time_s(session, timebase))
    documents = {
        f"{place.recording}_motion.json": to_json(sidecar(session, place, timebase, listed)),
        f"{place.recording}_channels.tsv": channel_table,
        f"{place.recording}_channels.json": channel_about,
        f"{place.stem}_events.tsv": events,
        f"{place.stem}_events.json": event_about,
    }
    write_documents(folder, documents)


def _describe_scan(session: Session, place: Place, counts: tuple[int, int, int], folder: Path) -> None:
    """Write when the session was and what it lacks."""
    synthetic = "true" if is_simulated(session.metadata) else "false"
    row = (f"motion/{place.recording}{MOTION}", _date(started_s(session)), *counts, synthetic)
    scans, about = scan_documents(row)
    name = f"sub-{place.participant}_ses-{place.session}_scans"
    write_documents(folder, {f"{name}.tsv": scans, f"{name}.json": about})


def _rows(session: Session, timebase: Timebase) -> Iterator[tuple[float, bytes]]:
    """Rows of ``motion.tsv``, block by block, with the share that is done."""
    raw, profile = session.raw, session.profile
    accel, gyro = exact_decimals(profile, session.calibration)
    first = int(raw.ticks[timebase.kept[0]])
    for start in range(0, timebase.grid.size, ROWS_PER_TEXT):
        stop = min(start + ROWS_PER_TEXT, timebase.grid.size)
        low, high = np.searchsorted(timebase.slot, (start, stop))
        at, kept = timebase.slot[low:high] - start, timebase.kept[low:high]
        missing = np.ones(stop - start, dtype=np.bool_)
        missing[at] = False
        latency = np.zeros(stop - start, dtype=np.int64)
        latency[at] = raw.ticks[kept] - first
        values = np.zeros((6, stop - start))
        values[:, at] = counts_to_si(raw.counts[kept], profile, session.calibration)
        time = time_column(latency, profile.tick_hz)
        columns = [DecimalColumn(time.scaled, time.decimals, missing)]
        columns += [DecimalColumn.of(axis, accel, missing) for axis in values[:3]]
        columns += [DecimalColumn.of(axis, gyro, missing) for axis in values[3:]]
        yield stop / timebase.grid.size, render_rows(columns, b"\t", MISSING.encode())


def _date(started_s: float) -> str:
    """A moment as the standard writes it."""
    if np.isnan(started_s):
        return MISSING
    return datetime.fromtimestamp(started_s, UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def write_documents(folder: Path, documents: Mapping[str, str]) -> None:
    """Write texts into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in documents.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
