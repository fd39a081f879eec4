"""Motion-BIDS: the names, channels and documents of a data set that strokeplane writes and reads.

References
----------
S. Jeung et al., "Motion-BIDS: an extension to the brain imaging data structure to organize motion data for reproducible
research", Scientific Data 11:716, 2024; Brain Imaging Data Structure 1.9.0 and later, chapter "Motion".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from analysis.model.errors import InputError
from analysis.model.records import Player

BIDS_VERSION = "1.9.0"
TRACKING_SYSTEM = "imu"
OWN_FIELD = "Strokeplane"
"""The one field that the standard does not know, in channels.json: what brings the session back exactly."""
STREAM_FIELD = "Stream"
"""In that field of a further sensor's recording: which stream of the hand's session it is, from 1."""
MISSING = "n/a"
EVENT_FIELDS = ("label", "posture", "tempo_bpm", "notes_per_beat", "drill", "rating", "wanted")
ONSET_DECIMALS = 9


class Channel(NamedTuple):
    """One row of channels.tsv."""

    name: str
    component: str
    type: str
    tracked_point: str
    units: str
    reference_frame: str = "sensor"


CHANNEL_COLUMNS = Channel._fields[:5]
"""The columns that every channels.tsv starts with, in this order."""
UNITS: Mapping[str, tuple[str, ...]] = {
    "ACCEL": ("m/s^2", "g"),
    "GYRO": ("rad/s", "deg/s"),
    "ANGACCEL": ("rad/s^2", "deg/s^2"),
    "LATENCY": ("s",),
    "POS": ("m", "cm", "mm"),
    "VEL": ("m/s", "cm/s", "mm/s"),
    "MAGN": ("T", "mT", "uT", "µT", "nT"),
    "ORNT": ("rad", "deg", "n/a"),
    "JNTANG": ("rad", "deg"),
}
"""Units that a channel of a type can have; MISC may have any."""
COUNT_FIELDS = ("ACCEL", "ANGACCEL", "GYRO", "JNTANG", "LATENCY", "MAGN", "MISC", "ORNT", "POS", "VEL")


@dataclass(frozen=True)
class Place:
    """Where the recording of one sensor stands in the data set; each sensor is a tracking system of its own."""

    participant: str
    session: str
    task: str
    system: str = TRACKING_SYSTEM

    @property
    def folder(self) -> str:
        """Its folder of motion data, from the data set's top."""
        return f"sub-{self.participant}/ses-{self.session}/motion"

    @property
    def stem(self) -> str:
        """What the names of its files start with."""
        return f"sub-{self.participant}_ses-{self.session}_task-{self.task}"

    @property
    def recording(self) -> str:
        """What the names of the tracking system's files start with."""
        return f"{self.stem}_tracksys-{self.system}"


def hand_point(player: Player) -> str:
    """Tracked point of the hand that holds the plectrum."""
    return "RightHand" if player.handed == "right" else "LeftHand"


def channels(point: str) -> tuple[Channel, ...]:
    """The seven channels of a sensor's recording: time since its first sample, accelerometer, gyroscope."""
    axes = [
        Channel(f"{name}_{axis}", axis, kind, point, unit)
        for name, kind, unit in (("accel", "ACCEL", "m/s^2"), ("gyro", "GYRO", "rad/s"))
        for axis in "xyz"
    ]
    return (Channel("latency", MISSING, "LATENCY", MISSING, "s", MISSING), *axes)


def make_label(name: str) -> str:
    """A label of letters and digits, which is all that BIDS allows; empty where nothing of the name is left.

    Examples
    --------
    >>> make_label("Naïve player, no. 7")
    'Naiveplayerno7'
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9]", "", plain)


def participant_labels(players: Sequence[tuple[Player, str]], chosen: Mapping[str, str]) -> list[str]:
    """A participant's label for the player of each session.

    Parameters
    ----------
    players : sequence of (Player, str)
        The player of each session, and the session's file for messages.
    chosen : mapping of str to str
        Labels to use for some names in place of the names themselves.

    Returns
    -------
    list of str

    Raises
    ------
    InputError
        A player without a name, a name of which nothing is left, or two players with one label.
    """
    labels: list[str] = []
    first: dict[str, tuple[Player, str]] = {}
    for player, file in players:
        label = make_label(chosen.get(player.name, player.name))
        if not label:
            raise InputError(
                expected="a player's name with letters or digits",
                found=f"{player.name!r}",
                next_step=f"give a label with --participant {player.name!r}=p01",
                file=str(file),
            )
        before, where = first.setdefault(label.casefold(), (player, file))
        if before.name != player.name:
            raise InputError(
                f"{where} and {file}: two players, {before.name!r} and {player.name!r}, would both be "
                f"participant {label}",
                next_step=f"tell them apart with --participant {player.name!r}=LABEL",
            )
        if before.handed != player.handed:
            raise InputError(
                f"{where} and {file}: participant {label} plays with the {before.handed} hand in one and "
                f"the {player.handed} in the other",
                next_step="if these are two players, export them into two data sets",
            )
        labels.append(make_label(chosen.get(before.name, before.name)))
    return labels


def session_labels(participants: Sequence[str], started_s: Sequence[float]) -> list[str]:
    """Labels 01, 02, ... for each participant's sessions, by the time they started; those without a time come last."""
    labels = [""] * len(participants)
    for participant in dict.fromkeys(participants):
        own = [i for i, other in enumerate(participants) if other == participant]
        own.sort(key=lambda i: (started_s[i] != started_s[i], started_s[i], i))
        width = max(2, len(str(len(own))))
        for number, index in enumerate(own, start=1):
            labels[index] = f"{number:0{width}}"
    return labels


def tsv_cell(value: object) -> str:
    """A cell of a TSV file, which knows no quotes: tabs and line ends become spaces, what is missing n/a."""
    if value is None or value == "" or value != value:
        return MISSING
    return re.sub(r"[\x00-\x1f\x7f\x85\u2028\u2029]", " ", repr(value) if isinstance(value, float) else str(value))


def render_tsv(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A table as TSV text with a header."""
    return "".join("\t".join(tsv_cell(cell) for cell in row) + "\n" for row in (columns, *rows))
