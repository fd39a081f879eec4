"""The documents of a Motion-BIDS data set as text: descriptions, participants, scans, events, sidecars."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import pandas as pd

from analysis.model.cautions import NOT_MEDICAL, STOP
from analysis.model.records import Event, Session, SessionResult, Stream
from analysis.model.stroke_columns import STROKE_COLUMNS, Column
from analysis.report.block_answer_table import BLOCK_ANSWER_COLUMNS, tabulate_block_answers
from analysis.signal.timebase import Timebase
from logger.exchange.export_tables import EVENT_COLUMNS
from logger.exchange.motion_bids import (
    BIDS_VERSION,
    COUNT_FIELDS,
    EVENT_FIELDS,
    MISSING,
    ONSET_DECIMALS,
    OWN_FIELD,
    STREAM_FIELD,
    Channel,
    Place,
    render_tsv,
)
from logger.report.answer_output import plain
from logger.session.heads import head_of
from logger.session.session_records import encode_head

SENSOR_FRAME = (
    "The axes printed on the sensor. An accelerometer axis that points up at rest reads +9.8 m/s^2; gyroscopes follow "
    "the right-hand rule."
)
README = """# Plectrum players' picking hands

Recordings of a motion sensor worn on the back of the picking hand, exported by strokeplane {version}. One participant
is one player, under a label; one session is one recording. Where a second sensor was on the instrument, it is a
tracking system of its own, with a rate and a clock of its own; the difference of their acq_time in scans.tsv ties them.

- Accelerometer and gyroscope are in m/s^2 and rad/s, in the sensor's own axes, calibrated.
- Rows are evenly spaced. A sample that was lost is a row of n/a; scans.tsv counts them. The first channel is
  the sensor's own time since its first sample.
- events.tsv holds what the player did: reference gestures, play, rest, ratings, discomfort.
- derivatives/strokeplane, where it is there, holds every stroke and block of play that the analysis found.
- The field {own} of channels.json holds what turns the values back into the counts that the sensor sent.
{synthetic}
{caution}
"""
SYNTHETIC = (
    "- Sessions marked synthetic in scans.tsv are simulated: nobody played them, players and tunes are invented.\n"
)
SCAN_COLUMNS = ("filename", "acq_time", "missing_samples", "gaps", "repeated_samples_left_out", "synthetic")


@dataclass(frozen=True)
class Tracked:
    """One sensor of a session on its even grid, and where it stands in the data set.

    Attributes
    ----------
    sensor : Session or Stream
        A session stands for the playing hand's.
    place : Place
    timebase : Timebase
    point : str
        The tracked point.
    number : int
        Of the further stream, from 1; 0 for the hand's.
    """

    sensor: Session | Stream
    place: Place
    timebase: Timebase
    point: str
    number: int = 0


def dataset_documents(hands: Mapping[str, str], synthetic: bool) -> dict[str, str]:
    """The data set's own documents by file name; ``hands`` says with which hand each participant picks."""
    rows = [(f"sub-{label}", hand) for label, hand in sorted(hands.items())]
    about = {
        "participant_id": {"Description": "label of the player"},
        "picking_hand": {
            "Description": "hand that holds the plectrum",
            "Levels": {"right": "right hand", "left": "left hand"},
        },
    }
    readme = README.format(
        version=version("strokeplane"),
        own=OWN_FIELD,
        synthetic=SYNTHETIC if synthetic else "",
        caution=f"{STOP} {NOT_MEDICAL}",
    )
    return {
        "dataset_description.json": to_json(_description("Plectrum players' picking hands", "raw")),
        "README.md": readme,
        "participants.tsv": render_tsv(("participant_id", "picking_hand"), rows),
        "participants.json": to_json(about),
    }


def derivative_documents(synthetic: bool) -> dict[str, str]:
    """Documents of the part that holds strokes and blocks."""
    return {
        "dataset_description.json": to_json(_description("Strokes of plectrum players", "derivative")),
        "README.md": (
            "# Strokes\n\nStrokes and blocks of play as strokeplane found them.\n\n"
            f"{SYNTHETIC if synthetic else ''}\n{STOP} {NOT_MEDICAL}\n"
        ),
    }


def _description(name: str, kind: str) -> dict[str, Any]:
    made_by = {"Name": "strokeplane", "Version": version("strokeplane")}
    return {"Name": name, "BIDSVersion": BIDS_VERSION, "DatasetType": kind, "GeneratedBy": [made_by]}


def sidecar(tracked: Tracked, listed: Sequence[Channel]) -> dict[str, Any]:
    """What ``motion.json`` says of a recording."""
    counts = {f"{kind}ChannelCount": sum(c.type == kind for c in listed) for kind in COUNT_FIELDS}
    profile, identity, grid = tracked.sensor.profile, tracked.sensor.sensor, tracked.timebase.grid
    parts = [profile.part, f"on {identity.microcontroller}" if identity.microcontroller else ""]
    software = [f"strokeplane {version('strokeplane')}"]
    software += [f"firmware {identity.firmware_version}"] if identity.firmware_version else []
    return {
        "TaskName": tracked.place.task,
        "TaskDescription": "Playing a stringed instrument with a plectrum, after short reference gestures",
        "SamplingFrequency": profile.rate_hz,
        "SamplingFrequencyEffective": grid.rate_hz,
        "RecordingDuration": grid.duration_s,
        "TrackingSystemName": tracked.place.system,
        "Manufacturer": MISSING,
        "ManufacturersModelName": " ".join(part for part in parts if part) or MISSING,
        "DeviceSerialNumber": identity.id or profile.name or MISSING,
        "SubjectArtefactDescription": MISSING,
        "SoftwareVersions": ", ".join(software),
        "MissingValues": MISSING,
        "MotionChannelCount": len(listed),
        "TrackedPointsCount": 1,
        **counts,
    }


def channel_documents(tracked: Tracked, session: Session, listed: Sequence[Channel]) -> tuple[str, str]:
    """``channels.tsv``, and ``channels.json`` with what turns values into counts again.

    It stands there because one of the public validators refuses any field in ``motion.json`` that it does not know.
    """
    levels = {"sensor": {"Description": SENSOR_FRAME, "RotationRule": "right-hand"}}
    raw, first = tracked.sensor.raw, tracked.timebase.kept[0]
    own: dict[str, Any] = {
        "Description": "settings of the recording: scale, calibration, instrument; corrected = matrix (value - bias)",
        "FirstTick": int(raw.ticks[first]),
        "FirstSequence": int(raw.sequence[first]),
        "SourceSHA256": session.log_hash,
    }
    if tracked.number:
        own[STREAM_FIELD] = tracked.number
    else:
        head = json.loads(encode_head(head_of(session)))
        head.pop("closing")
        # Under the label: a name as the player typed it stays in the player's own files.
        head["player"]["name"] = tracked.place.participant
        own["Session"] = head
    about = {
        "reference_frame": {"Description": "axes that the channel is measured in", "Levels": levels},
        OWN_FIELD: own,
    }
    return render_tsv(Channel._fields, listed), to_json(about)


def event_documents(events: Sequence[Event], start_s: float) -> tuple[str, str]:
    """``events.tsv``, its times from the recording's first sample on, and ``events.json``."""
    rows = [
        (
            round(event.start_s - start_s, ONSET_DECIMALS),
            round(event.end_s - event.start_s, ONSET_DECIMALS),
            event.kind,
            *(getattr(event, name) for name in EVENT_FIELDS),
        )
        for event in events
    ]
    columns = [column for column in EVENT_COLUMNS if column.name in EVENT_FIELDS]
    about = _column_descriptions(columns) | {"trial_type": {"Description": "what the player did"}}
    return render_tsv(("onset", "duration", "trial_type", *EVENT_FIELDS), rows), to_json(about)


def scan_documents(rows: Sequence[Sequence[object]]) -> tuple[str, str]:
    """``scans.tsv`` of one session, a row of :data:`SCAN_COLUMNS` for each sensor, and ``scans.json``."""
    about = {
        "missing_samples": {"Description": "rows of n/a: samples that were lost"},
        "gaps": {"Description": "runs of missing samples"},
        "repeated_samples_left_out": {"Description": "samples at the place of another one"},
        "synthetic": {
            "Description": "whether the recording is simulated",
            "Levels": {"true": "nobody played it", "false": "a recording"},
        },
    }
    return render_tsv(SCAN_COLUMNS, rows), to_json(about)


def result_documents(result: SessionResult, start_s: float) -> dict[str, tuple[str, str]]:
    """Tables of strokes and blocks, and what their columns mean, by name; times from the first sample on."""
    tables = {
        "strokes": (result.strokes, STROKE_COLUMNS, "direction"),
        "blocks": (tabulate_block_answers(result.blocks), BLOCK_ANSWER_COLUMNS, "tilt_side"),
    }
    documents = {}
    for name, (table, columns, kind) in tables.items():
        others = [column for column in columns if column.name not in ("start_s", "end_s", "contact_s", kind)]
        about = _column_descriptions(others)
        meaning = next(column.meaning for column in columns if column.name == kind)
        about["trial_type"] = {"Description": meaning}
        about["Description"] = f"{name} that strokeplane found in the motion data"
        about["StrokeplaneSettings"] = plain(result.settings)
        rows = _timed_rows(table, start_s, kind, [column.name for column in others])
        text = render_tsv(("onset", "duration", "trial_type", *(column.name for column in others)), rows)
        documents[name] = (text, to_json(about))
    return documents


def _timed_rows(table: pd.DataFrame, start_s: float, kind: str, names: Sequence[str]) -> list[tuple[object, ...]]:
    onset = (table["start_s"] - start_s).round(6).tolist()
    duration = (table["end_s"] - table["start_s"]).round(6).tolist()
    cells = [[None if pd.isna(v) else round(v, 4) if isinstance(v, float) else v for v in table[n]] for n in names]
    return list(zip(onset, duration, table[kind].tolist(), *cells, strict=True))


def _column_descriptions(columns: Sequence[Column]) -> dict[str, Any]:
    """Descriptions of a table's columns, as the standard wants them."""
    return {
        column.name: {"Description": column.meaning} | ({"Units": column.unit} if column.unit else {})
        for column in columns
    }


def to_json(record: Mapping[str, Any]) -> str:
    """Text of a JSON document."""
    return json.dumps(record, ensure_ascii=False, allow_nan=False, indent=2) + "\n"
