"""Checks of a Motion-BIDS data set that public validators leave out, and the way to a recording's other files.

They accept a recording without ``channels.tsv``, a header row in ``motion.tsv``, a unit that does not fit its channel,
and rows with more or fewer cells than there are channels. All of these make the numbers unusable.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from analysis.model.errors import InputError
from logger.exchange.motion_bids import CHANNEL_COLUMNS, COUNT_FIELDS, MISSING, OWN_FIELD, STREAM_FIELD, UNITS
from logger.files.atomic_file import reason
from logger.files.nested_text import load_json

DESCRIPTION = "dataset_description.json"
MOTION = "_motion.tsv"
TAB, LINE_FEED = b"\t"[0], b"\n"[0]
READ_BYTES = 1 << 20


def find_recordings(top: Path) -> list[Path]:
    """Every ``motion.tsv`` of the raw data, by name.

    Parameters
    ----------
    top : Path
        Folder of the data set.

    Returns
    -------
    list of Path
        Empty where there is none.
    """
    return sorted(path for path in top.glob(f"sub-*/**/motion/*{MOTION}") if path.is_file())


def hand_recordings(top: Path) -> list[Path]:
    """The recordings of a data set but for further sensors of a session that strokeplane wrote: these come along.

    Parameters
    ----------
    top : Path
        Folder of the data set.

    Returns
    -------
    list of Path
    """
    return [path for path in find_recordings(top) if not _is_further_sensor(path)]


def _is_further_sensor(path: Path) -> bool:
    own = read_channel_notes(path).get(OWN_FIELD)
    return isinstance(own, dict) and STREAM_FIELD in own


def check_dataset(top: Path) -> list[str]:
    """Say what is wrong with a data set, one sentence a fault; an empty list where nothing is.

    Parameters
    ----------
    top : Path
        The folder that holds ``dataset_description.json``.

    Returns
    -------
    list of str
    """
    faults = []
    try:
        description = read_json(top / DESCRIPTION)
        faults += [
            f"{top / DESCRIPTION}: expected the field {name}, found none"
            for name in ("Name", "BIDSVersion")
            if name not in description
        ]
    except InputError as error:
        faults.append(str(error))
    recordings = find_recordings(top)
    if not recordings:
        faults.append(f"{top}: expected a file sub-*/motion/*{MOTION}, found none")
    for path in recordings:
        try:
            check_recording(path)
        except InputError as error:
            faults.append(str(error))
    return faults


def check_recording(path: Path) -> None:
    """Check one recording and the files that describe it.

    Raises
    ------
    InputError
        With the first fault.
    """
    record = read_sidecar(path)
    rate_hz = record.get("SamplingFrequency")
    if not isinstance(record.get("TaskName"), str) or not isinstance(rate_hz, int | float) or not rate_hz > 0:
        raise InputError(
            expected="its sidecar to state TaskName and a SamplingFrequency above 0",
            found=f"{record.get('TaskName')!r} and {rate_hz!r}",
            next_step="complete the sidecar",
            file=str(path),
        )
    rows = read_channels(path)
    for row in rows:
        units = UNITS.get(row["type"])
        if row["type"] != "MISC" and units is None:
            raise InputError(
                f"channel {row['name']} has type {row['type']!r}, which is none",
                next_step="correct channels.tsv",
                file=str(path),
            )
        if units is not None and row["units"] not in units:
            raise InputError(
                expected=f"channel {row['name']} ({row['type']}) in {' or '.join(units)}",
                found=f"{row['units']!r}",
                next_step="correct channels.tsv",
                file=str(path),
            )
    _check_counts(path, record, rows)
    _check_rows(path, len(rows))


def read_channels(path: Path) -> list[dict[str, str]]:
    """The rows of a recording's ``channels.tsv``, in the order of its columns.

    Raises
    ------
    InputError
        There is none, or it lacks what the standard wants.
    """
    companion = find_companion(path, "_channels.tsv")
    if companion is None:
        raise InputError(
            expected="a channels.tsv that names its columns",
            found="none",
            next_step="add it",
            file=str(path),
        )
    rows = read_tsv(companion)
    names = tuple(rows[0])[: len(CHANNEL_COLUMNS)] if rows else ()
    if names != CHANNEL_COLUMNS:
        raise InputError(
            expected=f"channels under the columns {', '.join(CHANNEL_COLUMNS)}",
            found=f"{', '.join(names) or 'no channel'}",
            next_step="correct it",
            file=str(companion),
        )
    return rows


def read_sidecar(path: Path) -> dict[str, Any]:
    """What the JSON files that go with a recording say together: the nearer one holds.

    Raises
    ------
    InputError
        There is none, or one cannot be read.
    """
    if find_companion(path, "_motion.json") is None:
        raise InputError(
            expected="a motion.json beside it",
            found="none",
            next_step="add it",
            file=str(path),
        )
    return _merged(path, "_motion.json")


def read_channel_notes(path: Path) -> dict[str, Any]:
    """What the ``channels.json`` files that go with a recording say together; nothing where there are none."""
    return _merged(path, "_channels.json")


def find_companion(path: Path, ending: str) -> Path | None:
    """The nearest file with this ending that describes a recording."""
    return next(iter(_companions(path, ending)), None)


def _merged(path: Path, ending: str) -> dict[str, Any]:
    record: dict[str, Any] = {}
    for companion in reversed(_companions(path, ending)):
        record |= read_json(companion)
    return record


def _companions(path: Path, ending: str) -> list[Path]:
    """Files that describe a recording, the nearest first: in its folder or above, with no entity that it lacks."""
    entities = set(path.name.removesuffix(MOTION).split("_"))
    found = []
    for folder in path.parents:
        here = sorted(folder.glob(f"*{ending}")) + ([folder / ending[1:]] if (folder / ending[1:]).is_file() else [])
        fitting = [c for c in here if set(c.name.removesuffix(ending).split("_")) <= entities | {ending[1:]}]
        found += sorted(fitting, key=lambda c: -len(c.name.split("_")))
        if (folder / DESCRIPTION).exists():
            break
    return found


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object.

    Raises
    ------
    InputError
    """
    try:
        record = load_json(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="add it, or name a Motion-BIDS data set",
        ) from error
    except ValueError as error:
        raise InputError(
            f"{path} is not valid JSON ({error})",
            next_step="correct it",
        ) from error
    if not isinstance(record, dict):
        raise InputError(
            expected="a JSON object",
            found="another value",
            next_step="correct it",
            file=str(path),
        )
    return record


def read_tsv(path: Path) -> list[dict[str, str]]:
    """Rows of a TSV file with a header, by column.

    Raises
    ------
    InputError
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path} is not UTF-8 text (byte {error.start})",
            next_step="save it as UTF-8",
        ) from error
    lines = [line.rstrip("\r").split("\t") for line in text.split("\n") if line.strip()]
    for number, cells in enumerate(lines[1:], start=2):
        if len(cells) != len(lines[0]):
            raise InputError(
                expected=f"{len(lines[0])} cells",
                found=f"{len(cells)}",
                next_step="correct the row",
                file=str(path),
                row=int(number),
            )
    return [dict(zip(lines[0], cells, strict=True)) for cells in lines[1:]]


def _check_counts(path: Path, record: dict[str, Any], rows: list[dict[str, str]]) -> None:
    """Compare the numbers of channels that a sidecar states with channels.tsv."""
    stated = {"MotionChannelCount": len(rows)}
    for kind in COUNT_FIELDS:
        stated[f"{kind}ChannelCount"] = sum(row["type"] == kind for row in rows)
    for name, count in stated.items():
        if name in record and record[name] != count:
            raise InputError(
                expected=f"{name} {count}, as many as channels.tsv has",
                found=f"{record[name]!r}",
                next_step="correct one of them",
                file=str(path),
            )


def _check_rows(path: Path, channels: int) -> None:
    """See that no row is a header, and that every row has as many cells as there are channels."""
    row = 0
    for lines in _whole_lines(path):
        if row == 0:
            first = lines.split(b"\n", 1)[0].decode("utf-8", "replace").rstrip("\r").split("\t")
            words = [cell for cell in first if cell != MISSING and not _is_number(cell)]
            if words:
                raise InputError(
                    expected="numbers from the first row on",
                    found=f"{words[0]!r}",
                    next_step="a motion.tsv has no header row, remove it",
                    file=str(path),
                )
        data = np.frombuffer(lines, dtype=np.uint8)
        marks = data[(data == TAB) | (data == LINE_FEED)] == LINE_FEED
        cells = np.diff(np.flatnonzero(marks), prepend=-1)
        wrong = np.flatnonzero(cells != channels)
        if wrong.size:
            raise InputError(
                expected=f"{channels} cells, one for each row of channels.tsv",
                found=f"{int(cells[wrong[0]])}",
                next_step="correct channels.tsv or the row",
                file=str(path),
                row=int(row + int(wrong[0]) + 1),
            )
        row += cells.size
    if row == 0:
        raise InputError(
            expected="rows of numbers",
            found="none",
            next_step="copy or export it again",
            file=str(path),
        )


def _whole_lines(path: Path) -> Iterator[bytes]:
    """The file in pieces that end at a line's end."""
    rest = b""
    try:
        with path.open("rb") as stream:
            while block := stream.read(READ_BYTES):
                head, found, tail = (rest + block).rpartition(b"\n")
                if found:
                    yield head + b"\n"
                rest = tail
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check your permission",
        ) from error
    if rest:
        yield rest + b"\n"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
