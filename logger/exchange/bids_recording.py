"""One session in a Motion-BIDS data set: its samples on the even grid, and the documents that describe them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from analysis.model.cautions import is_simulated
from analysis.model.errors import TimebaseError
from analysis.model.records import Session, Stream
from analysis.signal.si_units import counts_to_si, exact_decimals
from analysis.signal.timebase import Timebase, fit_timebase
from logger.exchange.bids_documents import (
    Tracked,
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
from logger.exchange.motion_bids import MISSING, Place, channels, hand_point
from logger.exchange.without_names import Alias
from logger.files.decimal_text import DecimalColumn, render_rows
from logger.session.heads import stream_names
from logger.terminal.progress_bar import part_of

ROWS_PER_TEXT = 1 << 14
DERIVATIVES = "derivatives/strokeplane"


@dataclass(frozen=True)
class BidsSettings:
    """What a user chooses.

    ``participants`` gives labels to use in place of players' names. ``replace`` lets a data set of ours be replaced.

    Attributes
    ----------
    task : str
        Label of what was done.
    participants : mapping of str to str
    strokes : bool
        Whether strokes are found and written, too.
    replace : bool
    without_names : bool
        Whether players are numbered, and their names stand nowhere.
    """

    task: str = "picking"
    participants: Mapping[str, str] = field(default_factory=dict)
    strokes: bool = True
    replace: bool = False
    without_names: bool = False


@dataclass(frozen=True)
class ExportedRecording:
    """What one session became.

    ``repeated`` counts samples that stood in the grid where another one stood, and were left out. ``remark`` says why
    there are no strokes, or why a further sensor is missing. ``others`` are the further sensors.
    """

    session: Path
    place: Place
    rows: int
    missing: int
    gaps: int
    repeated: int
    remark: str
    others: tuple[ExportedRecording, ...] = ()


def started_s(session: Session | Stream) -> float:
    """Seconds since the epoch at the first sample; NaN where the log holds no host times."""
    host = session.raw.host_time_s
    at = np.flatnonzero(~np.isnan(host))
    if not at.size:
        return float("nan")
    return float(host[at[0]] - (session.raw.ticks[at[0]] - session.raw.ticks[0]) / session.profile.tick_hz)


def export_recording(
    path: Path, place: Place, top: Path, settings: BidsSettings, told: Callable[[str, float], None]
) -> ExportedRecording:
    """Write one session's files."""
    alias = Alias(place.participant, Path(f"{place.participant}-{place.session}.mcap"))
    called = alias if settings.without_names else None
    source = load_source(path, settings.strokes, part_of(told, 0.0, 0.6), called)
    session = source.session
    try:
        timebase = fit_timebase(session.raw, session.profile)
    except TimebaseError as error:
        raise TimebaseError(
            f"{error}",
            file=str(path),
        ) from error
    hand = Tracked(session, place, timebase, hand_point(session.player))
    others, remark = _further(session, place, source.remark)
    folder = top / place.folder
    folder.mkdir(parents=True)
    tracked = (hand, *others)
    for at, each in enumerate(tracked):
        part = part_of(told, 0.6 + 0.4 * at / len(tracked), 0.6 + 0.4 * (at + 1) / len(tracked))
        _write_motion(each, session, folder, part)
    start_s = first_time_s(session, timebase)
    events, event_about = event_documents(session.events, start_s)
    write_documents(folder, {f"{place.stem}_events.tsv": events, f"{place.stem}_events.json": event_about})
    _describe_scans(session, tracked, folder.parent)
    if source.result is not None:
        for name, (table, about) in result_documents(source.result, start_s).items():
            stem = f"{place.recording}_acq-{name}_events"
            write_documents(top / DERIVATIVES / place.folder, {f"{stem}.tsv": table, f"{stem}.json": about})
    beside = tuple(ExportedRecording(path, each.place, each.timebase.grid.size, *_counts(each), "") for each in others)
    return ExportedRecording(path, place, timebase.grid.size, *_counts(hand), remark, beside)


def _further(session: Session, place: Place, remark: str) -> tuple[tuple[Tracked, ...], str]:
    """The further sensors that can stand on an even grid, and what is to be said of the others."""
    tracked, said = [], [remark] if remark else []
    names = stream_names([stream.role for stream in session.streams])
    for number, (name, stream) in enumerate(zip(names, session.streams, strict=True), start=1):
        point = name.capitalize() if stream.role == "instrument" else f"Other{name.capitalize()}"
        try:
            timebase = fit_timebase(stream.raw, stream.profile)
        except TimebaseError as error:
            said.append(f"The {stream.role}'s sensor is not in the data set: {error}.")
            continue
        tracked.append(Tracked(stream, replace(place, system=name), timebase, point, number))
    return tuple(tracked), " ".join(said)


def first_time_s(sensor: Session | Stream, timebase: Timebase) -> float:
    """The sensor's own time of the first row."""
    return float(sensor.raw.ticks[timebase.kept[0]] / sensor.profile.tick_hz)


def _counts(tracked: Tracked) -> tuple[int, int, int]:
    """Missing samples, in how many gaps, and repeated ones that were left out."""
    timebase = tracked.timebase
    gaps = int(np.count_nonzero(np.diff(timebase.slot) > 1))
    return timebase.lost_samples, gaps, timebase.repeated_samples


def _write_motion(tracked: Tracked, session: Session, folder: Path, told: Callable[[str, float], None]) -> None:
    """One sensor's ``motion.tsv`` and what goes with it."""
    stem = tracked.place.recording
    with (folder / f"{stem}{MOTION}").open("wb") as stream:
        for share, text in _rows(tracked.sensor, tracked.timebase):
            stream.write(text)
            told("writing", share)
    listed = channels(tracked.point)
    table, about = channel_documents(tracked, session, listed)
    documents = {
        f"{stem}_motion.json": to_json(sidecar(tracked, listed)),
        f"{stem}_channels.tsv": table,
        f"{stem}_channels.json": about,
    }
    write_documents(folder, documents)


def _describe_scans(session: Session, tracked: Sequence[Tracked], folder: Path) -> None:
    """Write when each sensor's recording began and what it lacks."""
    synthetic = "true" if is_simulated(session.metadata) else "false"
    rows = [
        (f"motion/{each.place.recording}{MOTION}", _date(_began_s(each, tracked[0])), *_counts(each), synthetic)
        for each in tracked
    ]
    scans, about = scan_documents(rows)
    place = tracked[0].place
    name = f"sub-{place.participant}_ses-{place.session}_scans"
    write_documents(folder, {f"{name}.tsv": scans, f"{name}.json": about})


def _began_s(tracked: Tracked, hand: Tracked) -> float:
    """Seconds since the epoch at the first sample: by the clocks' relation where it is known, else by the host."""
    sensor = tracked.sensor
    if not isinstance(sensor, Stream) or sensor.clock is None:
        return started_s(sensor)
    on_hand_s = sensor.clock.offset_s + sensor.clock.rate * first_time_s(sensor, tracked.timebase)
    return started_s(hand.sensor) + on_hand_s - first_time_s(hand.sensor, hand.timebase)


def _rows(session: Session | Stream, timebase: Timebase) -> Iterator[tuple[float, bytes]]:
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
