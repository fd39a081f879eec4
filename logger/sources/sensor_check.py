"""Is this sensor good enough, and what does each shortcoming do to the tilt? Pure functions over recorded stretches.

Each finding is ``ok``, ``usable`` or ``not usable`` with its reason. Where a cost in degrees of tilt can be computed it
is, for strokes of :data:`SPAN_MM` at :data:`CYCLE_HZ` (8 strokes a second).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import signal
from scipy.spatial.transform import Rotation

from analysis.consistency.judge import UNTESTED, judge_log
from analysis.model.errors import InputError
from analysis.model.records import FloatArray, RawSamples, SensorProfile, Session
from analysis.signal.allan import adev
from analysis.signal.calibration import StillMean, face_up, still_mean
from analysis.signal.timebase import fit_timebase
from logger.sources.clock import ClockFit
from logger.sources.messages import Battery
from logger.sources.stream import Arrival, Losses

Verdict = Literal["ok", "usable", "not usable"]
ORDER: tuple[Verdict, ...] = ("ok", "usable", "not usable")
FEWEST_ARRIVALS = 20
SMALL_PIECE = 20
"""Bytes of a notification with the smallest MTU, 23 (Bluetooth Core Specification, Vol 3, Part F, 3.2.8)."""
SAME_TURN_S, SLOW_TURN_S, SLOWEST_TURN_S = 0.003, 0.06, 0.25
SPAN_MM = 15.0
CYCLE_HZ = 4.0
FLICK_RADPS = 3.0
FIRM_MM = 0.01


@dataclass(frozen=True)
class SensorFinding:
    """One line of the check: what was looked at, what was found, what follows.

    ``tilt_deg`` is the error of a single stroke's tilt that it causes, None where it cannot be put in degrees.

    Attributes
    ----------
    name : str
    found : str
    verdict : Verdict
    advice : str
    tilt_deg : float or None
    """

    name: str
    found: str
    verdict: Verdict
    advice: str = ""
    tilt_deg: float | None = None


@dataclass(frozen=True)
class Wobble:
    """Ringing of the sensor on its strap after a flick: first amplitude, frequency, time to fall to 1/e."""

    amplitude_mps2: float
    frequency_hz: float
    decay_s: float
    flick_mps2: float


def worst(findings: Sequence[SensorFinding]) -> Verdict:
    """Return the verdict of the whole check: that of its worst finding.

    Parameters
    ----------
    findings : sequence of SensorFinding
        May be empty: nothing is wrong then.

    Returns
    -------
    Verdict
    """
    return ORDER[max((ORDER.index(finding.verdict) for finding in findings), default=0)]


def to_si(raw: RawSamples, profile: SensorProfile) -> tuple[FloatArray, FloatArray]:
    """Return acceleration (n, 3) in m/s^2 and turning rate (n, 3) in rad/s, uncalibrated.

    Parameters
    ----------
    raw : RawSamples
        Counts, (n, 6).
    profile : SensorProfile
        With the size of a count.

    Returns
    -------
    (float64 (n, 3), float64 (n, 3))
    """
    accel = np.asarray(raw.counts[:, :3] * profile.accel_mps2_per_count, dtype=np.float64)
    return accel, np.asarray(raw.counts[:, 3:] * profile.gyro_radps_per_count, dtype=np.float64)


@dataclass(frozen=True)
class RateNeed:
    """Samples a second that a sensor's place asks for."""

    ok_hz: float
    usable_hz: float
    advice: str


RATE_NEEDS = {
    "hand": RateNeed(190.0, 95.0, "set it to 400 a second, at least 200: pick attacks need 150"),
    "instrument": RateNeed(
        190.0,
        25.0,
        "it sees the instrument lean, sway and turn; a push in step with quick strokes needs 200 a second",
    ),
}


def check_rate(
    raw: RawSamples, profile: SensorProfile, fit: ClockFit | None, role: str = "hand"
) -> list[SensorFinding]:
    """True sample rate on the device's clock, and that clock against the computer's.

    Parameters
    ----------
    raw : RawSamples
    profile : SensorProfile
    fit : ClockFit or None
        The sensor's clock against the computer's; None where no sample came.
    role : {"hand", "instrument"}
        Where the sensor sits.

    Returns
    -------
    list of SensorFinding
    """
    try:
        base = fit_timebase(raw, profile)
    except InputError as error:
        return [SensorFinding("sample rate", "cannot be measured", "not usable", str(error))]
    off = base.grid.rate_hz / profile.rate_hz - 1.0
    found = f"{base.grid.rate_hz:.2f} a second ({off:+.2%} of the stated {profile.rate_hz:g})"
    if not base.even and role == "hand":
        return [
            SensorFinding(
                "sample rate", found + ", uneven", "not usable", "send the device's own time with each sample"
            )
        ]
    need, rate_hz = RATE_NEEDS[role], base.grid.rate_hz
    verdict: Verdict = "ok" if rate_hz >= need.ok_hz else "usable" if rate_hz >= need.usable_hz else "not usable"
    advice = "" if verdict == "ok" else need.advice
    findings = [SensorFinding("sample rate", found, verdict, advice)]
    if fit is not None:
        ppm = (fit.rate - 1.0) * 1e6
        text = f"{ppm:+.0f} ppm against the computer's, known to {fit.residual_s * 1e3:.1f} ms"
        fine = abs(ppm) < 20_000
        findings.append(
            SensorFinding("sensor's clock", text, "ok" if fine else "usable", "" if fine else "tempi will be off")
        )
    return findings


def check_losses(raw: RawSamples, losses: Losses) -> SensorFinding:
    """Lost and repeated samples as a share of all.

    Parameters
    ----------
    raw : RawSamples
    losses : Losses
        By cause.

    Returns
    -------
    SensorFinding
    """
    total = len(raw.ticks) + losses.samples
    share = losses.samples / max(total, 1)
    found = losses.sentence() + (f", {losses.repeated} came twice" if losses.repeated else "")
    # One lost sample is bridged; what counts is how many strokes a longer gap touches.
    if share <= 0.002:
        return SensorFinding("losses", found, "ok")
    advice = "bring the sensor nearer, use the cable, or lower the rate"
    return SensorFinding("losses", f"{found} ({share:.1%})", "usable" if share <= 0.02 else "not usable", advice)


def check_link(arrivals: Sequence[Arrival]) -> SensorFinding | None:
    """What a radio link really carries: how much, in what pieces, how often it hands over.

    Parameters
    ----------
    arrivals : sequence of Arrival
        As they came; empty for a cable.

    Returns
    -------
    SensorFinding or None
        None where there is no radio, or too little came.
    """
    if len(arrivals) < FEWEST_ARRIVALS:
        return None
    times = np.array([arrival.host_s for arrival in arrivals])
    sizes = np.array([arrival.size for arrival in arrivals])
    # Pieces that come together are of one turn of the radio.
    gaps = np.diff(times)
    turns = gaps[gaps > SAME_TURN_S]
    usual, longest = np.percentile(turns, [50.0, 99.0]) if len(turns) else (0.0, 0.0)
    each = int(np.percentile(sizes, 99.0))
    per_s = float(sizes.sum() / max(times[-1] - times[0], 1e-3))
    found = (
        f"{per_s / 1000:.1f} kB a second, up to {each} bytes at a time, handed over every {usual * 1e3:.0f} ms, at "
        f"most {longest * 1e3:.0f} ms"
    )
    advice = []
    if each <= SMALL_PIECE:
        advice.append(
            f"the link carries {SMALL_PIECE} bytes at a time (its MTU was never raised): let the sensor's program ask "
            "for 185 or more, or lower the rate"
        )
    if usual > SLOW_TURN_S or longest > SLOWEST_TURN_S:
        advice.append(
            "the radio's turns are far apart: bring the sensor near, switch off Bluetooth headphones, let the sensor's "
            "program ask for an interval of 7.5 to 15 ms"
        )
    return SensorFinding("radio link", found, "usable" if advice else "ok", "; ".join(advice))


def check_still(
    raw: RawSamples, profile: SensorProfile, role: str = "hand"
) -> tuple[list[SensorFinding], StillMean | None]:
    """Noise and bias of a sensor that lies still, its z mark up.

    Parameters
    ----------
    raw : RawSamples
        While it lay still.
    profile : SensorProfile
    role : {"hand", "instrument"}
        Where the sensor sits: only the hand's samples are integrated to strokes, which is what noise costs.

    Returns
    -------
    (list of SensorFinding, StillMean or None)
        None where it did not lie still.
    """
    accel, gyro = to_si(raw, profile)
    try:
        mean = still_mean(accel, gyro, profile.rate_hz)
    except InputError as error:
        return [SensorFinding("still", "not still", "not usable", str(error))], None
    accel_density, gyro_density = noise_density(accel, profile.rate_hz), noise_density(gyro, profile.rate_hz)
    cost = noise_cost_deg(accel_density) if role == "hand" else 0.0
    verdict: Verdict = "ok" if cost < 0.5 else "usable" if cost < 2.0 else "not usable"
    noise = f"{accel_density / 9.80665e-6:.0f} ug/rtHz, {np.degrees(gyro_density) * 1e3:.1f} mdps/rtHz"
    bias = np.degrees(np.abs(mean.gyro_radps).max())
    gravity = float(np.linalg.norm(mean.accel_mps2))
    off = abs(gravity / 9.81 - 1.0)
    scale: Verdict = "ok" if off < 0.01 else "usable" if off < 0.06 else "not usable"
    scale_advice = (
        "" if scale == "ok" else "run 'strokeplane calibrate'; if it is far off, check the range in the profile"
    )
    return [
        SensorFinding(
            "noise",
            noise,
            verdict,
            "" if verdict == "ok" else "a quieter part or a lower range would help",
            cost if role == "hand" else None,
        ),
        SensorFinding(
            "turning bias", f"{bias:.2f} deg/s", "ok" if bias < 10.0 else "usable", "measured before each session"
        ),
        SensorFinding("gravity", f"{gravity:.3f} m/s2 ({gravity / 9.81 - 1.0:+.1%})", scale, scale_advice, 0.0),
        check_mark(mean.accel_mps2, "+z"),
    ], mean


def noise_density(data: FloatArray, rate_hz: float) -> float:
    """White-noise density (unit / sqrt(Hz), root of the axes' mean square) of a still stretch.

    From the Allan deviation of averages over about 0.05 s, which neither slow drift nor steps of one count reach.
    """
    factor = max(1, round(0.05 * rate_hz))
    variances = [adev(data[:, i], rate_hz, np.array([factor])).deviation[0] ** 2 for i in range(3)]
    # White noise of one-sided density h^2 has an Allan variance of h^2 / (2 tau).
    return float(np.sqrt(2.0 * np.mean(variances) * factor / rate_hz))


def noise_cost_deg(density_mps2_rthz: float) -> float:
    """Tilt error of one stroke by accelerometer noise: doubly integrated above half the cycle's frequency."""
    corner = 0.5 * CYCLE_HZ
    # Integral of 1 / (2 pi f)^4 from the corner up is 1 / (3 (2 pi)^4 corner^3).
    sd_mm = 1e3 * density_mps2_rthz / (4.0 * np.pi**2) / np.sqrt(3.0 * corner**3)
    return float(np.degrees(np.sqrt(2.0) * sd_mm / SPAN_MM))


def check_mark(accel_mps2: FloatArray, wanted: str) -> SensorFinding:
    """Tell whether the axis that is marked as up is the one that reads gravity."""
    found = face_up(accel_mps2)
    if found == wanted:
        return SensorFinding(f"mark {wanted}", "points up", "ok")
    text = f"{found} points up instead" if found else "no axis points up"
    advice = "lay it with that mark up; if it was, the marks or the order of the columns are wrong"
    return SensorFinding(f"mark {wanted}", text, "not usable", advice)


def check_turn(raw: RawSamples, profile: SensorProfile, still: StillMean) -> list[SensorFinding]:
    """Turn from "z up" to "x up", and compare what gyroscope and accelerometer tell of it.

    Mirrored or swapped axes of one of the two pass every other test and ruin the tilt.

    Parameters
    ----------
    raw : RawSamples
        While it was turned.
    profile : SensorProfile
    still : StillMean
        From before the turn, m/s2 and rad/s.

    Returns
    -------
    list of SensorFinding
    """
    accel, gyro = to_si(raw, profile)
    tail = slice(-max(4, round(0.5 * profile.rate_hz)), None)
    end = accel[tail].mean(axis=0)
    mark = check_mark(end, "+x")
    if mark.verdict != "ok":
        return [mark]
    turn = Rotation.from_rotvec((gyro - still.gyro_radps) / profile.rate_hz)
    total = Rotation.identity()
    for step in turn:
        total = total * step
    start = accel[: round(0.25 * profile.rate_hz)].mean(axis=0)
    predicted = total.inv().apply(start)
    angle = _angle_deg(predicted, end)
    if angle < 12.0:
        return [mark, SensorFinding("axes agree", f"within {angle:.0f} deg", "ok")]
    advice = "gyroscope and accelerometer columns are swapped or mirrored; correct the profile or the axis marks"
    return [mark, SensorFinding("axes agree", f"no, {angle:.0f} deg apart", "not usable", advice)]


def check_agreement(raw: RawSamples, profile: SensorProfile) -> SensorFinding:
    """Whether gyroscope and accelerometer tell of the same motion, and which axes were turned enough to say so.

    Parameters
    ----------
    raw : RawSamples
    profile : SensorProfile

    Returns
    -------
    SensorFinding
    """
    judgement = judge_log(Session(raw, profile))
    doubts = [doubt for doubt in judgement.doubts if doubt.kind != UNTESTED]
    if not doubts:
        delay = f"; the gyroscope {1e3 * judgement.delay_s:.0f} ms late" if judgement.delay_s else ""
        tested = " ".join(judgement.agreement.tested)
        if not tested:
            return SensorFinding("streams agree", "not turned enough to say", "ok")
        return SensorFinding("streams agree", f"tested about {tested}{delay}", "ok")
    first = doubts[0]
    verdict: Verdict = "not usable" if first.cap == "open" else "usable"
    return SensorFinding("streams agree", f"no: {first.fault}; {first.evidence}", verdict, first.change)


def check_clipping(raw: RawSamples, profile: SensorProfile) -> SensorFinding:
    """Share of saturated samples in the hardest strokes, and how much room is left.

    Parameters
    ----------
    raw : RawSamples
        While the hardest strokes were played.
    profile : SensorProfile

    Returns
    -------
    SensorFinding
    """
    peaks, clipped = [], np.zeros(len(raw.counts), dtype=bool)
    triads = ((slice(0, 3), profile.accel_clip_counts), (slice(3, 6), profile.gyro_clip_counts))
    for columns, limit in triads:
        if limit is None:
            return SensorFinding("range", "unknown", "usable", "state range in the profile, so that clipping is seen")
        magnitude = np.abs(raw.counts[:, columns].astype(np.int32))
        clipped |= (magnitude >= limit).any(axis=1)
        peaks.append(float(magnitude.max(initial=0)) / limit)
    share = float(clipped.mean()) if len(clipped) else 0.0
    found = f"accelerometer {peaks[0]:.0%}, gyroscope {peaks[1]:.0%} of full scale"
    if share == 0.0:
        tight = max(peaks) >= 0.9
        return SensorFinding("range", found, "usable" if tight else "ok", "hardly any room is left" if tight else "")
    advice = "choose a larger range (16 g, 2000 deg/s)"
    return SensorFinding("range", f"{found}, {share:.2%} clipped", "usable" if share < 0.002 else "not usable", advice)


def measure_wobble(raw: RawSamples, profile: SensorProfile) -> Wobble | None:
    """Find the strongest flick and what rings after it, 12 to 80 Hz; None if nobody flicked.

    Parameters
    ----------
    raw : RawSamples
        While the hand was flicked.
    profile : SensorProfile

    Returns
    -------
    Wobble or None
    """
    accel, gyro = to_si(raw, profile)
    rate, speed = profile.rate_hz, np.linalg.norm(gyro, axis=1)
    peak = int(np.argmax(speed))
    after = np.flatnonzero(speed[peak:] < 0.15 * speed[peak])
    if speed[peak] < FLICK_RADPS or len(after) == 0:
        return None
    # The flick's own last acceleration must not pass for ringing: start a little after it.
    end = peak + int(after[0]) + round(0.02 * rate)
    stretch = accel[end : end + round(0.4 * rate)]
    if len(stretch) < 0.2 * rate:
        return None
    high = min(80.0, 0.45 * rate)
    sos = signal.butter(2, (12.0, high), "bandpass", fs=rate, output="sos")
    ringing = signal.sosfiltfilt(sos, stretch - stretch[-round(0.1 * rate) :].mean(axis=0), axis=0)
    axis = ringing[:, int(np.argmax(np.ptp(ringing, axis=0)))]
    spectrum = np.abs(np.fft.rfft(axis, 4096))
    frequency = float(np.fft.rfftfreq(4096, 1.0 / rate)[int(np.argmax(spectrum))])
    envelope = np.abs(signal.hilbert(axis))
    t = np.arange(len(envelope)) / rate
    used = slice(round(0.02 * rate), max(round(0.25 * rate), round(0.02 * rate) + 4))
    slope, level = np.polyfit(t[used], np.log(np.maximum(envelope[used], 1e-6)), 1)
    return Wobble(float(np.exp(level)), frequency, float(-1.0 / min(slope, -0.1)), _peak_mps2(accel, end, rate))


def check_wobble(wobble: Wobble | None, strokes: RawSamples, profile: SensorProfile) -> SensorFinding:
    """What the strap's ringing does to the tilt: its amplitude at the strength of the player's own strokes.

    Parameters
    ----------
    wobble : Wobble or None
        None where it could not be measured.
    strokes : RawSamples
        While the hardest strokes were played.
    profile : SensorProfile

    Returns
    -------
    SensorFinding
    """
    if wobble is None:
        return SensorFinding(
            "strap", "no flick was seen", "usable", "repeat: flick the hand hard once, then hold it still"
        )
    accel, _ = to_si(strokes, profile)
    moving = accel - accel.mean(axis=0)
    strength = float(np.percentile(np.linalg.norm(moving, axis=1), 99.0)) / max(wobble.flick_mps2, 1.0)
    amplitude_mm = 1e3 * wobble.amplitude_mps2 * min(strength, 1.0) / (2.0 * np.pi * wobble.frequency_hz) ** 2
    # Ringing that has died within a quarter of a stroke cycle reaches the turns of a stroke only in part.
    left = float(np.exp(-1.0 / (4.0 * CYCLE_HZ * wobble.decay_s)))
    cost = float(np.degrees(np.arctan2(np.sqrt(2.0) * amplitude_mm * left, SPAN_MM)))
    if amplitude_mm < FIRM_MM:
        return SensorFinding("strap", "sits firmly", "ok", "", cost)
    found = f"rings at {wobble.frequency_hz:.0f} Hz for {wobble.decay_s * 1e3:.0f} ms, {amplitude_mm:.2f} mm"
    verdict: Verdict = "ok" if cost < 0.5 else "usable" if cost < 2.0 else "not usable"
    return SensorFinding(
        "strap", found, verdict, "" if verdict == "ok" else "tighten the strap, seat the board closer", cost
    )


def check_latency(fit: ClockFit | None) -> SensorFinding:
    """Delay from sample to computer, beyond the shortest, which no one-sided measurement shows.

    Parameters
    ----------
    fit : ClockFit or None
        None where no sample came.

    Returns
    -------
    SensorFinding
    """
    if fit is None:
        return SensorFinding("delay", "unknown", "usable", "no sample came")
    found = f"{fit.delay_p50_s * 1e3:.0f} ms usual, {fit.delay_p99_s * 1e3:.0f} ms at most, beyond the shortest"
    slow = fit.delay_p99_s > 0.1
    advice = "the live page will lag; the recording will not" if slow else ""
    return SensorFinding("delay", found, "usable" if slow else "ok", advice)


def check_battery(battery: Battery | None) -> SensorFinding | None:
    """Charge of the cell, if the sensor tells.

    Parameters
    ----------
    battery : Battery or None
        None where the sensor does not tell.

    Returns
    -------
    SensorFinding or None
        None where there is nothing to say.
    """
    if battery is None:
        return None
    percent = "" if battery.percent is None else f"{battery.percent} %, "
    found = f"{percent}{battery.millivolts / 1000:.2f} V{', charging' if battery.charging else ''}"
    if battery.charging:
        return SensorFinding("battery", found, "usable", "never wear it while it charges from the mains")
    low = battery.percent is not None and battery.percent < 20
    return SensorFinding("battery", found, "usable" if low else "ok", "charge it before a long session" if low else "")


def _peak_mps2(accel: FloatArray, end: int, rate_hz: float) -> float:
    """Strongest acceleration, gravity left out, of the half second before ``end``."""
    stretch = accel[max(0, end - round(0.5 * rate_hz)) : end + 1]
    return float(np.linalg.norm(stretch - np.median(accel, axis=0), axis=1).max())


def _angle_deg(a: FloatArray, b: FloatArray) -> float:
    cosine = float(a @ b / (np.linalg.norm(a) * np.linalg.norm(b)))
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))
