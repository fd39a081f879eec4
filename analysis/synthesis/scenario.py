"""What is simulated: the player's hand, the instrument, the plan of gestures and play, the sensor.

Conventions: millimetres, degrees and seconds in every field; vectors of the hand in instrument axes (X along the
strings, Y towards the end of a downstroke, Z out of the soundboard) at the reference attitude of the hand.
Fields that are None are drawn by :func:`analysis.synthesis.simulate` from its seed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from analysis.model.errors import InputError
from analysis.model.records import Instrument, Player
from analysis.synthesis.grades import SensorGrade, SoftMount, Vector


@dataclass(frozen=True)
class Joint:
    """One joint's part in a stroke: the hand turns about ``axis`` by ``share * displacement / radius_mm``.

    Attributes
    ----------
    axis : (float, float, float)
        Unit vector, its sign such that a positive angle goes with a downstroke.
    radius_mm : float
        Distance from the joint's axis to the plectrum tip.
    share : float
        Part of the tip's motion that this joint makes; the shoulder and elbow make the rest by translation.
    lag_ms : float
        How much the turning trails (or leads) the tip.
    harmonic : float
        Second harmonic of the turning, as a part of its amplitude.
    """

    axis: Vector
    radius_mm: float
    share: float
    lag_ms: float = 0.0
    harmonic: float = 0.0


@dataclass(frozen=True)
class Posture:
    """A way of holding the hand: turned about the vertical, gripping the plectrum a little differently.

    Attributes
    ----------
    label : str
    yaw_deg : float
        Turn about the vertical.
    grip_change_mm : Vector
        Of the plectrum's tip, sensor axes.
    joints : tuple of Joint or None
        How the stroke is shared among the joints; None: as the hand does it anyway.
    """

    label: str = "A"
    yaw_deg: float = 0.0
    grip_change_mm: Vector = (0.0, 0.0, 0.0)
    joints: tuple[Joint, ...] | None = None


@dataclass(frozen=True)
class Hand:
    """The rigid body of hand, plectrum and sensor, and how a living hand moves.

    Attributes
    ----------
    lever_mm : (float, float, float)
        Sensor to plectrum tip.
    mounting_wxyz : tuple of 4 floats
        Rotates sensor axes into instrument axes at the reference attitude.
    joints : tuple of Joint
    tip_radius_mm : float
        Rounding of the plectrum's tip: in ``pivot`` the centre of this curvature stays put, not the tip.
    plectrum_axis : (float, float, float)
        Direction in which the plectrum points.
    obliqueness_deg : float
        How far the strokes run along the strings.
    smoothness : float
        0 for minimum-jerk strokes, 1 for sinusoidal ones.
    uneven : float
        How much longer than half a cycle a downstroke takes, as a part; downstrokes also strike harder.
    loop_mm : float
        Half the distance between the downstroke's and the upstroke's path at mid-stroke.
    tremor_deg, tremor_mm : float
        RMS per axis of physiological tremor, 8-12 Hz.
    wander_deg : float
        RMS per axis of the hand's slow turning while it plays, 0.05-1 Hz.
    wander_mm : (float, float, float)
        RMS of the tip's slow wander while it plays.
    posture_drift_deg : float
        RMS per axis of the turning over minutes.
    settle_deg : float
        SD per axis with which the hand finds its attitude again for each gesture or block.
    finger_share : float
        Part of each stroke that fingers make by moving the plectrum against the hand, which no sensor on the hand
        can see. 0 is a rigid grip.
    finger_axis : (float, float, float)
        Direction of that motion with a downstroke.
    """

    lever_mm: Vector
    mounting_wxyz: tuple[float, float, float, float]
    joints: tuple[Joint, ...]
    tip_radius_mm: float = 0.75
    plectrum_axis: Vector = (0.0, 0.0, -1.0)
    obliqueness_deg: float = 0.0
    smoothness: float = 0.8
    uneven: float = 0.0
    loop_mm: float = 0.2
    tremor_deg: float = 0.035
    tremor_mm: float = 0.03
    wander_deg: float = 1.5
    wander_mm: Vector = (1.5, 0.7, 0.25)
    posture_drift_deg: float = 2.0
    settle_deg: float = 3.0
    finger_share: float = 0.0
    finger_axis: Vector = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Attitude:
    """How the instrument is held: heading about the vertical, neck raised, soundboard turned up."""

    heading_deg: float = 0.0
    neck_up_deg: float = 12.0
    face_up_deg: float = 10.0


@dataclass(frozen=True)
class Irregularity:
    """How a block departs from even strokes on one string, as real play does.

    Attributes
    ----------
    interval_scatter : float
        SD of the logarithm of the time from turn to turn, each stroke for itself.
    swing : float
        Time of every first stroke over that of every second.
    change_share : float
        Share of turns after which the next stroke meets another string; one string on, sometimes two or three.
    level_mm : (float, float, float)
        RMS of the hand's slow drift (0.05-0.7 Hz) along the strings, across them, out of them, beside its changes.
    accent : float
        SD of the logarithm of the span.
    skew : float
        SD of where in its time a stroke is half way, about one half.
    strokes : (int, int)
        Fewest and most strokes between two rests.
    rest_s : (float, float)
        Shortest and longest rest between them.
    lift_mm : (float, float)
        How high the tip hovers in a rest.
    contacts : int
        Strings met by each stroke: 1 for single notes, more for strums, spread over its middle.
    turn_scatter_mm : float
        SD with which each turn lands elsewhere in the end view, besides the scatter of tilt and span.
    other_joints : float
        How differently the joints share the way to another string and the stroke: 0 alike; with 1 each takes a part in
        that way between none and twice its part in the stroke, and the rest of the arm does what they leave.
    """

    interval_scatter: float = 0.22
    swing: float = 1.0
    change_share: float = 0.24
    level_mm: Vector = (10.0, 3.0, 0.8)
    accent: float = 0.25
    skew: float = 0.05
    strokes: tuple[int, int] = (12, 40)
    rest_s: tuple[float, float] = (0.35, 1.5)
    lift_mm: tuple[float, float] = (1.0, 8.0)
    contacts: int = 1
    turn_scatter_mm: float = 0.5
    other_joints: float = 0.0


class Sound(NamedTuple):
    """What lasts so many units: a note that is picked on a course, or, where that is None, a rest or a slurred note."""

    units: float
    course: int | None


@dataclass(frozen=True)
class Written:
    """A phrase as it is written: what comes once before its first bar line, and what is repeated after it.

    Attributes
    ----------
    body, lead : tuple of Sound
        Courses from 0, the one that a downstroke meets first. One unit is a stroke's time at the block's rate.
    swing : float
        Share of each pair of units that its first one takes; pairs begin at the first bar line.
    swing_sd : float
        SD with which the player swings more or less than is written.
    """

    body: tuple[Sound, ...]
    lead: tuple[Sound, ...] = ()
    swing: float = 0.5
    swing_sd: float = 0.02


@dataclass(frozen=True)
class PlayBlock:
    """One block of play.

    ``tempo_bpm`` with ``notes_per_beat`` override ``strokes_per_s`` and hold the player to a metronome.
    ``string_change_every`` n: after every n strokes the hand moves on by one string; 0 means never.
    ``courses``: the course that each stroke meets, 0 the one that a downstroke meets first, repeated to the end; it
    takes the place of ``string_change_every``. The hand is then over its string at every contact, travels in between,
    and the attack comes where the tip crosses the string.
    ``written``: the phrase with its rests, slurs and lengths; it takes the place of both.
    ``dwell`` is the part of each stroke's time for which the hand waits at its end.
    ``attacks``: on all strokes, on none, or the share of strokes that have one. ``*_per_min`` are trends:
    slopes (degrees a minute) or growth (0.1 is +10 % a minute). ``tremor`` multiplies the hand's tremor in this block
    and in the still moment before it. ``irregular`` play takes neither strings nor times from the fields above.

    Attributes
    ----------
    strokes_per_s : float
    tilt_deg : float
        Positive where the downstroke ends clear.
    span_mm : float
    duration_s : float
    bow_mm : float
        Height of the path's arch.
    posture : str
    tempo_bpm : float or None
    notes_per_beat : float or None
    wanted : {"down", "up"} or None
        The stroke that is to clear.
    string_change_every : int
    courses : tuple of int
    dwell : float
    attacks : {"all", "none"} or float
    first : {"down", "up"}
        The first stroke.
    drill : str
    other_tilt_deg, other_every : float, int
        A second tilt, by turns with the first for so many strokes each, on purpose; 0 strokes: one tilt only.
    tilt_scatter_deg, tilt_wander_deg : float
        From stroke to stroke, and slowly.
    span_scatter, timing_noise : float
        As parts of the span, of a stroke's time.
    attack_mps2 : (float, float)
        Least and most.
    catch_mm : float
        Size of the jolt at a string, along the stroke.
    rate_drift_per_min : float
    tilt_slope_deg_per_min : float
    span_growth_per_min : float
    timing_growth_per_min : float
    attack_growth_per_min : float
    tremor_growth_per_min : float
    tremor : float
    irregular : Irregularity or None
    written : Written or None
    turned_deg : Vector
        Rotation vector (instrument axes) of the hand beside its posture's attitude: another string turns the forearm.
    """

    strokes_per_s: float = 8.0
    tilt_deg: float = 15.0
    span_mm: float = 15.0
    duration_s: float = 30.0
    bow_mm: float = 0.0
    posture: str = "A"
    tempo_bpm: float | None = None
    notes_per_beat: float | None = None
    wanted: Literal["down", "up"] | None = None
    string_change_every: int = 0
    courses: tuple[int, ...] = ()
    dwell: float = 0.0
    attacks: Literal["all", "none"] | float = "all"
    first: Literal["down", "up"] = "down"
    drill: str = ""
    other_tilt_deg: float = 0.0
    other_every: int = 0
    tilt_scatter_deg: float = 1.0
    tilt_wander_deg: float = 1.0
    span_scatter: float = 0.06
    timing_noise: float = 0.04
    attack_mps2: tuple[float, float] = (2.0, 20.0)
    catch_mm: float = 0.06
    rate_drift_per_min: float = 0.0
    tilt_slope_deg_per_min: float = 0.0
    span_growth_per_min: float = 0.0
    timing_growth_per_min: float = 0.0
    attack_growth_per_min: float = 0.0
    tremor_growth_per_min: float = 0.0
    tremor: float = 1.0
    irregular: Irregularity | None = None
    written: Written | None = None
    turned_deg: Vector = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        """Refuse what no hand can play."""
        for name in ("rate", "span_mm", "duration_s"):
            if not getattr(self, name) > 0.0:
                raise InputError(
                    f"a block's {name} must be above zero, not {getattr(self, name)}",
                    next_step="correct the scenario",
                )
        if not 0.0 <= self.dwell <= 0.5:
            raise InputError(
                f"a block's dwell must lie between 0 and 0.5, not {self.dwell}",
                next_step="correct the scenario",
            )

    @property
    def rate(self) -> float:
        """Strokes a second, from the tempo where one is given."""
        if self.tempo_bpm is not None and self.notes_per_beat is not None:
            return self.tempo_bpm * self.notes_per_beat / 60.0
        return self.strokes_per_s


@dataclass(frozen=True)
class GesturePlan:
    """The reference gestures and how well a person does them.

    ``sloppiness`` multiplies every human error below it. ``poor_across`` drags the tip nearly along the strings,
    ``poor_pivot`` hardly rocks, ``missing`` leaves gestures out.

    Attributes
    ----------
    repetitions : int
        Of every gesture.
    length : {"full", "short"}
    per_posture : bool
        Whether every posture has gestures of its own.
    sloppiness : float
    across_slope_sd_deg : float
    across_oblique_sd_deg : float
    across_bump_mm : float
    along_noise_mm : float
    pivot_slip_mm : float
    pivot_slip_time_s : float
    edge_sd_s : float
        Of the marked beginnings and ends.
    off_hand : bool
        Whether a still off the hand comes first.
    rock : bool
        Whether hand and instrument are rocked together after the first gestures.
    rock_deg : float
    raps : bool
        Whether a finger raps on the sensor's case, twice five times, after the first still on the hand.
    soundboard : bool
        Whether stills with the sensor lying on the soundboard come before it is strapped on.
    side_check : bool
        Whether big strokes whose downstroke leaves the strings come after the first gestures.
    edge_mm : (float, float) or None
        Height and length of an edge along which the tip then slides; a downstroke climbs it.
    across_lift_deg : float
        Slope out of the string plane that the player gives to every ``across`` alike.
    poor_across : bool
    poor_pivot : bool
    missing : tuple of str
    """

    repetitions: int = 1
    length: Literal["full", "short"] = "full"
    per_posture: bool = True
    sloppiness: float = 1.0
    across_slope_sd_deg: float = 0.7
    across_oblique_sd_deg: float = 8.0
    across_bump_mm: float = 0.3
    along_noise_mm: float = 0.25
    pivot_slip_mm: float = 0.75
    pivot_slip_time_s: float = 0.4
    edge_sd_s: float = 0.15
    off_hand: bool = True
    rock: bool = False
    rock_deg: float = 8.0
    raps: bool = False
    soundboard: bool = False
    side_check: bool = False
    edge_mm: tuple[float, float] | None = None
    across_lift_deg: float = 0.0
    poor_across: bool = False
    poor_pivot: bool = False
    missing: tuple[str, ...] = ()

    @property
    def still_s(self) -> float:
        """Seconds of each still."""
        return 3.0 if self.length == "full" else 2.0

    @property
    def drag_s(self) -> float:
        """Seconds of ``across`` and of ``along``, at about 2 Hz."""
        return 5.0 if self.length == "full" else 4.0

    @property
    def pivot_s(self) -> float:
        """Seconds of ``pivot``."""
        return 9.0 if self.length == "full" else 5.0


@dataclass(frozen=True)
class Recording:
    """What happens to the samples between sensor and file.

    ``lost_share`` of samples vanish singly, ``lost_packets_share`` of packets of ``packet_samples``, and bursts of
    20-200 ms ``bursts_per_min`` times a minute. ``rate_error`` is the sensor's own sampling clock against the
    device's ticks (visible in the ticks); ``tick_error_ppm`` that of the ticks against true time (invisible).

    Attributes
    ----------
    lost_share : float
    lost_packets_share : float
    packet_samples : (int, int)
        Fewest and most.
    bursts_per_min : float
    tick_jitter_us : float
        SD of a tick.
    rate_error : float or None
        As a part of the rate; None draws it.
    tick_error_ppm : float or None
        None draws it.
    start_s : float or None
        Log time of the first sample; None draws it.
    host_times : bool
        Whether the computer's own times are recorded.
    """

    lost_share: float = 2e-4
    lost_packets_share: float = 0.0
    packet_samples: tuple[int, int] = (2, 8)
    bursts_per_min: float = 0.05
    tick_jitter_us: float = 3.0
    rate_error: float | None = None
    tick_error_ppm: float | None = None
    start_s: float | None = None
    host_times: bool = True


@dataclass(frozen=True)
class InstrumentSensor:
    """A second sensor, fixed to the instrument with random axes; by default a board like the hand's.

    ``phone`` rounds to 0.1 deg/s and 0.1 m/s2 and stamps 5 to 20 ms late. ``slip_deg`` (its own axes) turns it in its
    pouch at ``slip_at_s``; samples from ``lost_from_s`` to ``back_at_s`` are lost; its clock jumps by ``jump_s`` at
    ``jump_at_s``. All of them true time from the start.

    Attributes
    ----------
    rate_hz : float
    grade : {"good", "cheap", "ideal"} or SensorGrade
    phone : bool
    place_mm : Vector or None
        Instrument axes; None draws the head or the body.
    slip_deg : Vector
    slip_at_s : float
    lost_from_s, back_at_s : float or None
    jump_s, jump_at_s : float
    clock_off_s : float
        Error of the clocks' meeting beside the usual.
    """

    rate_hz: float = 400.0
    grade: Literal["good", "cheap", "ideal"] | SensorGrade = "cheap"
    phone: bool = False
    place_mm: Vector | None = None
    slip_deg: Vector = (0.0, 0.0, 0.0)
    slip_at_s: float = 0.0
    lost_from_s: float | None = None
    back_at_s: float | None = None
    jump_s: float = 0.0
    jump_at_s: float = 0.0
    clock_off_s: float = 0.0


@dataclass(frozen=True)
class Camera:
    """Cameras that film the play, in place of the hand's own motion: what a recorded motion makes of it.

    Attributes
    ----------
    rate_hz : float
        Frames a second.
    noise_mm, noise_deg : float
        SD of the hand's place and attitude in one frame, each axis.
    lowpass_hz : float
        Corner of the second-order Butterworth that runs over all frames forth and back.
    losses_per_min : float
        How often the markers are lost; a cubic spline fills the frames.
    loss_s : (float, float)
        Shortest and longest.
    """

    rate_hz: float = 120.0
    noise_mm: float = 0.2
    noise_deg: float = 0.2
    lowpass_hz: float = 20.0
    losses_per_min: float = 6.0
    loss_s: tuple[float, float] = (0.03, 0.2)


@dataclass(frozen=True)
class Scenario:
    """Everything that :func:`analysis.synthesis.simulate` needs besides a seed.

    ``sway_deg`` is the RMS angle of the instrument's slow sway (0.1-0.5 Hz) about horizontal axes. ``ruler_sd_mm``
    is the error per axis of the lever that the player measured; None: not measured. ``rest_knocks_per_min`` and
    ``rest_scratches_per_min`` are real movements between blocks that are not play; for the last ``rest_still_s``
    seconds of a rest, the hand rests on the instrument.

    Attributes
    ----------
    rate_hz : float
    grade : {"good", "cheap", "ideal"} or SensorGrade
        Of the sensor.
    instrument : Instrument
    player : Player
    blocks : tuple of PlayBlock
    postures : tuple of Posture
    gestures : GesturePlan
    recording : Recording
    hand, attitude : Hand or None, Attitude or None
        None draws them.
    instrument_sensor : InstrumentSensor or None
        A second sensor, on the instrument.
    mount : SoftMount or None
        How the sensor's case hangs on the hand; None: rigidly.
    camera : Camera or None
        Where the play is a filmed one.
    sway_deg : float
    sway_ride : float
        Part of the sway that the hand follows.
    rest_s : (float, float)
        Shortest and longest rest between blocks.
    rest_knocks_per_min : float
    rest_scratches_per_min : float
    rest_still_s : float
    ruler_sd_mm : float or None
    gravity_mps2 : float
        Of the place.
    metadata : dict of str to str
        Added to the session's.
    """

    rate_hz: float = 400.0
    grade: Literal["good", "cheap", "ideal"] | SensorGrade = "cheap"
    instrument: Instrument = field(default_factory=Instrument)
    player: Player = field(default_factory=Player)
    blocks: tuple[PlayBlock, ...] = (PlayBlock(),)
    postures: tuple[Posture, ...] = (Posture(),)
    gestures: GesturePlan = GesturePlan()
    recording: Recording = Recording()
    hand: Hand | None = None
    attitude: Attitude | None = None
    instrument_sensor: InstrumentSensor | None = None
    mount: SoftMount | None = None
    camera: Camera | None = None
    sway_deg: float = 0.0
    sway_ride: float = 0.8
    rest_s: tuple[float, float] = (3.0, 6.0)
    rest_knocks_per_min: float = 6.0
    rest_scratches_per_min: float = 3.0
    rest_still_s: float = 0.0
    ruler_sd_mm: float | None = 5.0
    gravity_mps2: float = 9.81
    metadata: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse a sensor that does not sample, and an instrument without a neighbouring string."""
        if self.instrument.courses < 2:
            raise InputError(
                "a simulated instrument needs at least two courses, not one", next_step="correct the scenario"
            )
        if not self.rate_hz > 0.0:
            raise InputError(f"rate_hz must be above zero, not {self.rate_hz}", next_step="correct the scenario")

    def posture(self, label: str) -> Posture:
        """Return the posture of that label, or a plain one where none is described.

        Parameters
        ----------
        label : str

        Returns
        -------
        Posture
        """
        return next((p for p in self.postures if p.label == label), Posture(label))
