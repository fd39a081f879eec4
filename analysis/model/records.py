"""Dataclasses that pass between stages.

Conventions
-----------
- Arrays are numpy, time along axis 0, three-vectors along axis 1. Intervals are half-open ``[start_s, end_s)``.
- ``*_s`` is seconds on the log's own time column (device time), never shifted.
- Sensor frame: the axes printed on the part. Accelerometers read specific force: an axis that points up at rest
  reads +1 g. Gyroscopes follow the right-hand rule.
- World frame: the orientation filter's, Z up, heading arbitrary.
- Instrument frame (rows of ``axes``): X along the strings from nut to bridge (bridge to nut for a left-handed
  player), Y across the strings in the string plane towards the end of a downstroke, Z out of the soundboard.
- Quaternions are ``quat_wxyz``, rotate sensor vectors into the world.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.model.doubts import Doubt
from analysis.model.session_parts import Attachment, ClockRelation, SensorIdentity, WitnessSummary
from analysis.model.strokes import dead_band_deg

if TYPE_CHECKING:  # A second of start-up that no recording needs.
    import pandas as pd

FloatArray = NDArray[np.float64]
FloatArray32 = NDArray[np.float32]
"""Of long rows that are only compared, never summed up: half the memory, and 7 digits are more than they mean."""
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
CountArray = NDArray[np.signedinteger]
"""What a sensor sent, as narrow as it came: widen it before taking differences or magnitudes."""

Side = Literal["down", "up", "none"]
Clearing = Literal["down", "up", "both", "level"]
EventKind = Literal[
    "still", "across", "along", "pivot", "rock", "side check", "angle check", "play", "rest", "rating", "hurt"
]
EVENT_KINDS: tuple[EventKind, ...] = (
    "still", "across", "along", "pivot", "rock", "side check", "angle check", "play", "rest", "rating", "hurt"
)  # fmt: skip

OFF_HAND = "off hand"
"""Label of a ``still`` recorded with the sensor lying on a table, before it is strapped on."""
SOUNDBOARD, FACE_DOWN = "soundboard", "soundboard, face down"
"""Labels of a ``still`` with the hand's sensor lying on the soundboard, before it is strapped on."""
NOT_WORN = (OFF_HAND, SOUNDBOARD, FACE_DOWN)
"""Labels of stills in which the hand's sensor is not on the hand."""
PHONE = "phone"
"""``part`` of the profile of a phone's sensor that a browser or a log of the phone itself delivers."""


@dataclass(frozen=True)
class SensorProfile:
    """What a sensor's counts and ticks mean.

    ``*_clip_counts`` is the magnitude from which an axis counts as saturated; None where the range is unknown.
    Noise densities come from a datasheet and are only a prior; None where unknown.

    Attributes
    ----------
    name : str
        Of the sensor; calibrations are kept under it.
    rate_hz : float
        Nominal samples a second.
    accel_mps2_per_count : float
    gyro_radps_per_count : float
    tick_hz : float
        Ticks a second of the sensor's clock.
    tick_bits : int
        Width of its counter, after which it wraps.
    part : str
        The part's name, empty where unknown.
    accel_clip_counts : int or None
    gyro_clip_counts : int or None
    accel_noise_mps2_rthz : float or None
    gyro_noise_radps_rthz : float or None
    """

    name: str
    rate_hz: float
    accel_mps2_per_count: float
    gyro_radps_per_count: float
    tick_hz: float
    tick_bits: int = 64
    part: str = ""
    accel_clip_counts: int | None = None
    gyro_clip_counts: int | None = None
    accel_noise_mps2_rthz: float | None = None
    gyro_noise_radps_rthz: float | None = None


@dataclass(frozen=True)
class Calibration:
    """Corrections of one sensor: ``corrected = matrix @ (si - bias)``.

    Attributes
    ----------
    accel_bias_mps2, gyro_bias_radps : 3 floats
        Taken away first.
    accel_matrix, gyro_matrix : 3 x 3 floats
        Without unit.
    source : str
        How it was made; ``none`` changes nothing.
    """

    accel_bias_mps2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    accel_matrix: tuple[tuple[float, float, float], ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    gyro_bias_radps: tuple[float, float, float] = (0.0, 0.0, 0.0)
    gyro_matrix: tuple[tuple[float, float, float], ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    source: str = "none"


@dataclass(frozen=True)
class Player:
    """Who plays. ``name`` is a label of the player's choice.

    Attributes
    ----------
    name : str
    handed : {"right", "left"}
    """

    name: str = ""
    handed: Literal["right", "left"] = "right"


@dataclass(frozen=True)
class Instrument:
    """The strings as the plectrum meets them.

    ``spacing_mm`` holds ``courses - 1`` distances between neighbouring courses, from the course that a downstroke
    meets first. ``radius_mm`` is the radius of the string plane's arch; None means flat or unknown.

    Attributes
    ----------
    name : str
        What it is, as a player calls it.
    strings, courses : int
        Strings that stand together are one course.
    spacing_mm : tuple of float
        Between the middles of neighbouring courses.
    radius_mm : float or None
    plectrum_depth_mm : float
        How far the plectrum's tip reaches below the string tops.
    held : {"upright", "flat"}
        ``flat`` lies on the lap.
    """

    name: str = ""
    strings: int = 6
    courses: int = 6
    spacing_mm: tuple[float, ...] = (10.5,) * 5
    radius_mm: float | None = None
    plectrum_depth_mm: float = 2.0
    held: Literal["upright", "flat"] = "upright"

    @property
    def mean_spacing_mm(self) -> float:
        """Mean distance between neighbouring courses, in millimetres."""
        return float(np.mean(self.spacing_mm))

    @property
    def dead_band_deg(self) -> float:
        """Smallest tilt (degrees) at which a straight path clears: ``atan(depth / spacing)``."""
        return dead_band_deg(self.plectrum_depth_mm, self.mean_spacing_mm)


@dataclass(frozen=True)
class Event:
    """One row of the events table; a ``play`` event is one block. ``row`` is its place in the file, for messages.

    Attributes
    ----------
    start_s, end_s : float
        Log time; equal for a mark without length.
    kind : EventKind
    label : str
        Free text.
    posture : str
        Label of the hand's posture, empty where none was named.
    tempo_bpm : float or None
    notes_per_beat : float or None
    drill : str
        Label of what is played, or a phrase.
    rating : float or None
        0 to 10, of a ``rating`` event.
    wanted : {"down", "up"} or None
        The stroke that is to clear.
    row : int or None
    """

    start_s: float
    end_s: float
    kind: EventKind
    label: str = ""
    posture: str = ""
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    drill: str = ""
    rating: float | None = None
    wanted: Literal["down", "up"] | None = None
    row: int | None = None


@dataclass(frozen=True)
class RawSamples:
    """Samples as the sensor sent them: nothing converted, nothing filled in.

    Attributes
    ----------
    ticks : int64 (n,)
        Device clock, unwrapped, in units of ``1 / profile.tick_hz`` seconds.
    sequence : int64 (n,)
        Unwrapped sample number; a jump is a loss.
    host_time_s : float64 (n,)
        Host's arrival time (seconds since the epoch), NaN where the log has none.
    counts : int16 or int32 (n, 6)
        Accelerometer x, y, z then gyroscope x, y, z; 16 bits where a file keeps them so.
    """

    ticks: IntArray
    sequence: IntArray
    host_time_s: FloatArray
    counts: CountArray


@dataclass(frozen=True)
class Stream:
    """Samples of one more sensor; ``clock`` is None while nothing ties its clock to the hand's.

    The analysis takes the first stream of the role ``instrument`` whose clock is tied to the hand's, and refines that
    by what both sensors feel. ``clock.residual_s`` is how far it may still be off (about 2 ms between boards, 20 ms
    with a phone; None counts as 20 ms). A phone is known by its profile, whose ``part`` is :data:`PHONE`; what its
    browser rounds to is the size of its counts.

    Attributes
    ----------
    role : {"hand", "instrument"}
        What the sensor is worn on.
    raw : RawSamples
        Ticks and counts, on its own clock.
    profile : SensorProfile
    calibration : Calibration
    clock : ClockRelation or None
    sensor : SensorIdentity
    """

    role: Literal["hand", "instrument"]
    raw: RawSamples
    profile: SensorProfile
    calibration: Calibration = Calibration()
    clock: ClockRelation | None = None
    sensor: SensorIdentity = field(default_factory=SensorIdentity)


@dataclass(frozen=True)
class Session:
    """One recording, as read from its file. ``raw``, ``profile`` and ``calibration`` are the playing hand's.

    ``lever_mm`` is the ruler's value of sensor to plectrum tip in sensor axes, where one was given.
    ``warnings`` are sentences about damage or oddities met while reading.

    Attributes
    ----------
    raw : RawSamples
        Ticks and counts, as sent.
    profile : SensorProfile
    calibration : Calibration
    player : Player
    instrument : Instrument
    events : tuple of Event
        In order of time.
    lever_mm : (float, float, float) or None
    lever_sd_mm : float or None
        Standard error an axis of the lever.
    log_hash : str
        SHA-256 of the file, empty where there is none.
    warnings : tuple of str
    metadata : mapping of str to str
        What else the file says, as text.
    sensor : SensorIdentity
    streams : tuple of Stream
        Further sensors.
    attachments : tuple of Attachment
        Files that belong to the session.
    """

    raw: RawSamples
    profile: SensorProfile
    calibration: Calibration = Calibration()
    player: Player = Player()
    instrument: Instrument = Instrument()
    events: tuple[Event, ...] = ()
    lever_mm: tuple[float, float, float] | None = None
    lever_sd_mm: float | None = None
    log_hash: str = ""
    warnings: tuple[str, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    sensor: SensorIdentity = field(default_factory=SensorIdentity)
    streams: tuple[Stream, ...] = ()
    attachments: tuple[Attachment, ...] = ()

    def without_samples(self) -> Session:
        """The same with no samples in it, of no stream: hours of them take hundreds of megabytes.

        Returns
        -------
        Session
        """
        none = RawSamples(
            np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.float64), np.empty((0, 6), np.int16)
        )
        return replace(self, raw=none, streams=tuple(replace(stream, raw=none) for stream in self.streams))


@dataclass(frozen=True)
class GestureQuality:
    """How well one reference gesture was done, in plain numbers, and what it costs.

    Attributes
    ----------
    kind : EventKind
    start_s, end_s : float
        Log time.
    posture : str
    cycles : float
        Times back and forth.
    extent_mm : float
        From end to end.
    straightness : float
        1 where all moves are alike.
    usable : bool
        Whether it counts.
    remark : str
        A sentence; empty where there is nothing to say.
    """

    kind: EventKind
    start_s: float
    end_s: float
    posture: str
    cycles: float
    extent_mm: float
    straightness: float
    usable: bool
    remark: str = ""


@dataclass(frozen=True)
class ReferenceSummary:
    """What the reference gestures gave.

    ``kind`` is ``gestures``, or ``hand``: no instrument frame, tilt is against the hand's own mean plane and must
    be marked so wherever it is shown.

    Attributes
    ----------
    kind : {"gestures", "hand"}
    gestures : tuple of GestureQuality
    repetitions : mapping of str to int
        Usable gestures of each kind.
    """

    kind: Literal["gestures", "hand"]
    gestures: tuple[GestureQuality, ...]
    repetitions: Mapping[str, int]


@dataclass(frozen=True)
class TiltGroup:
    """One of two tilts between which a block's strokes change: mean, its own error, interval, how it was played.

    ``runs`` groups of strokes of ``mean_run`` strokes on average; ``tilt_ci95_deg`` None where the offset is unknown.

    Attributes
    ----------
    tilt_deg : float
        Mean.
    se_deg : float
        Own error of the mean.
    tilt_ci95_deg : (float, float) or None
    strokes : int
    runs : int
    mean_run : float
    """

    tilt_deg: float
    se_deg: float
    tilt_ci95_deg: tuple[float, float] | None
    strokes: int
    runs: int
    mean_run: float


@dataclass(frozen=True)
class BlockSummary:
    """One block's answer; fields as in the JSON, None where it cannot be given.

    ``share_clearing`` and ``lift_mm`` (median) are of one stroke only: the wanted one, else the one that clears more
    often. ``span_mm`` and ``bow_mm`` are medians of all strokes. Tilt, interval and side are those of the hand's
    stroke, which the sensor measures; ``tip_*`` hold what can be said of the tip against the strings.

    Attributes
    ----------
    index : int
        From 0.
    start_s, end_s : float
        Log time.
    posture : str
    tempo_bpm : float or None
    notes_per_beat : float or None
    drill : str
    wanted : {"down", "up"} or None
    strokes : int
        Number found.
    strokes_per_s : float or None
    tilt_mean_deg : float or None
        Positive where the downstroke ends clear.
    tilt_sd_deg : float or None
        Scatter from stroke to stroke.
    tilt_ci95_deg : (float, float) or None
    tilt_offset_se_deg : float or None
        Error that the blocks of a posture share.
    tilt_mean_se_deg : float or None
        The block's own error of the mean.
    tilt_side : Side
    clearing_stroke : Clearing or None
    share_clearing : float or None
        0 to 1.
    span_mm : float or None
    bow_mm : float or None
    lift_mm : float or None
    tilt_offset_parts_deg : mapping of str to float or None
    tip_se_deg : float or None
    tip_ci95_deg : (float, float) or None
    tip_parts_deg : mapping of str to float or None
    groups : tuple of TiltGroup
        The two tilts between which the strokes change, or empty.
    """

    index: int
    start_s: float
    end_s: float
    posture: str
    tempo_bpm: float | None
    notes_per_beat: float | None
    drill: str
    wanted: Literal["down", "up"] | None
    strokes: int
    strokes_per_s: float | None
    tilt_mean_deg: float | None
    tilt_sd_deg: float | None
    tilt_ci95_deg: tuple[float, float] | None
    tilt_offset_se_deg: float | None
    tilt_mean_se_deg: float | None
    tilt_side: Side
    clearing_stroke: Clearing | None
    share_clearing: float | None
    span_mm: float | None
    bow_mm: float | None
    lift_mm: float | None
    tilt_offset_parts_deg: Mapping[str, float] | None = None
    """What each gesture, the heading and doubts add to ``tilt_offset_se_deg``; their squares add up to its square."""
    tip_se_deg: float | None = None
    """Standard error of the mean as a claim about the tip against the strings, not about the hand."""
    tip_ci95_deg: tuple[float, float] | None = None
    tip_parts_deg: Mapping[str, float] | None = None
    """What lies between hand and tip: their squares and the hand's own add up to the square of ``tip_se_deg``."""
    groups: tuple[TiltGroup, ...] = ()
    """The two tilts between which its strokes change by groups; empty for a block of one tilt."""


@dataclass(frozen=True)
class StillMoment:
    """A moment in which the hand rested; ``tremor_mps2`` is its acceleration from 8 to 12 Hz, RMS over all axes.

    Attributes
    ----------
    start_s, end_s : float
        Log time.
    tremor_mps2 : float
    """

    start_s: float
    end_s: float
    tremor_mps2: float


@dataclass(frozen=True)
class TruthCheck:
    """What the player knows and the analysis has to find: a side, or an angle.

    Attributes
    ----------
    kind : {"side check", "angle check"}
    start_s : float
    posture : str
    stated_deg : float or None
        Angle of the edge; None in a side check, where any plainly positive tilt is right.
    read_deg, se_deg : float or None
        Tilt found and its standard error; None where the strokes could not be read.
    passed : bool or None
        None where there is nothing to judge: nothing read, or no angle stated.
    remark : str
        Why nothing was read.
    """

    kind: Literal["side check", "angle check"]
    start_s: float
    posture: str
    stated_deg: float | None
    read_deg: float | None
    se_deg: float | None
    passed: bool | None
    remark: str = ""


@dataclass(frozen=True)
class SessionResult:
    """Everything the analysis says of one session.

    Attributes
    ----------
    rate_hz : float
        Samples a second, as measured.
    duration_s : float
        Of the log.
    start_s : float
        Log time of its first sample.
    lost_samples, clipped_samples : int
        Numbers of them.
    reference : ReferenceSummary
    tilt_offset_se_deg : float or None
        Error that all blocks share; None without an instrument frame.
    lever_mm, lever_se_mm : 3 floats or None
        From the sensor to the plectrum's tip, sensor axes, and its standard errors.
    warnings : tuple of str
        Sentences.
    blocks : tuple of BlockSummary
    strokes : DataFrame
        One row a stroke, columns of :data:`analysis.model.stroke_columns.STROKE_COLUMNS`.
    paths_mm : float32 (n_strokes, k, 3)
        Tip path of each stroke, resampled to ``k`` points from turn to turn, instrument frame, mm, its own
        midpoint at the origin.
    events : tuple of Event
    instrument : Instrument
    player : Player
    cautions : tuple of str
        Sentences on the player's health.
    settings : mapping of str to object
        Everything that was set, by name.
    version : str
        Of the program.
    log_hash : str
        SHA-256 of the session's file.
    still_moments : tuple of StillMoment
    doubts : tuple of Doubt
    checks : tuple of TruthCheck
        Side and angle checks with what was read in them.
    witness : WitnessSummary or None
        A sensor on the instrument, where there was one.
    """

    rate_hz: float
    duration_s: float
    start_s: float
    lost_samples: int
    clipped_samples: int
    reference: ReferenceSummary
    tilt_offset_se_deg: float | None
    lever_mm: tuple[float, float, float] | None
    lever_se_mm: tuple[float, float, float] | None
    warnings: tuple[str, ...]
    blocks: tuple[BlockSummary, ...]
    strokes: pd.DataFrame
    paths_mm: NDArray[np.float32]
    events: tuple[Event, ...]
    instrument: Instrument
    player: Player
    cautions: tuple[str, ...]
    settings: Mapping[str, object]
    version: str
    log_hash: str
    still_moments: tuple[StillMoment, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    checks: tuple[TruthCheck, ...] = ()
    witness: WitnessSummary | None = None
