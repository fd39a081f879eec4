"""When the sound gives no answer: each reason in one sentence, with what to change."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.sound.level import SILENT_DB, Level
from analysis.sound.records import Sound, SoundClock


@dataclass(frozen=True)
class GateSettings:
    """Limits beyond which the sound is not asked.

    Attributes
    ----------
    least_snr_db : float
        Play above noise.
    most_clipped : float
        Share of samples at the recording's own limit.
    least_common_s : float
        Time that sound and motion share.
    most_rival : float
        How good the best other alignment of sound and motion may be, against the chosen one.
    least_matched : float
        Share of strokes with an onset, and of a drill's strokes whose pitch is that of their note.
    most_pause_rise_db, least_click_gain : float
        More than this, or less, and the recorder moved its gain.
    most_hidden_click_db : float
        Loudest repeated 20 ms of a beat against the notes, above 800 Hz, without a count-in. In simulation about 5 dB
        above the click's level against the notes over the whole band.
    most_tuning_rival : float
        How well another number of semitones may fit, against the chosen one, for pitches to be told.
    """

    least_snr_db: float = 15.0
    most_clipped: float = 0.001
    least_common_s: float = 60.0
    most_rival: float = 0.9
    least_matched: float = 0.8
    most_pause_rise_db: float = 2.0
    least_click_gain: float = 0.45
    most_hidden_click_db: float = -5.0
    most_tuning_rival: float = 0.97


def recording_obstacle(sound: Sound, level: Level, onsets: int, limits: GateSettings) -> str:
    """Why this recording cannot be used as it is, or nothing."""
    if level.play_db < SILENT_DB or onsets == 0:
        return (
            f"{sound.name} holds no notes that can be heard; check that the right microphone was chosen and its level "
            "is up, then record again."
        )
    if sound.clipped_share > limits.most_clipped:
        return (
            f"{100 * sound.clipped_share:.1f} % of {sound.name} is clipped (at most {100 * limits.most_clipped:.1f} % "
            "may be); lower the recording level, or record the sound before any distortion."
        )
    rise = level.pause_rise_db
    if rise is not None and rise > limits.most_pause_rise_db:
        return _moving_gain(f"the noise rises by {rise:.0f} dB in the pauses")
    if sound.duration_s < limits.least_common_s:
        return (
            f"{sound.name} is only {sound.duration_s:.0f} s long, and {limits.least_common_s:.0f} s in common with the "
            "motion are needed; let the recorder run for the whole session."
        )
    if level.snr_db < limits.least_snr_db:
        return (
            f"the play stands only {level.snr_db:.0f} dB above the noise of the room, and {limits.least_snr_db:.0f} dB "
            "are needed; bring the microphone closer to the strings or make the room quieter, and turn automatic gain "
            "control off, which lifts the noise wherever nobody plays."
        )
    return ""


def _moving_gain(sign: str) -> str:
    return (
        f"the recorder moved its gain ({sign}); turn automatic gain control and noise suppression off, or use another "
        "recorder."
    )


def click_obstacle(hidden_db: float | None, gains: list[float], limits: GateSettings) -> str:
    """Why the metronome's click cannot be taken out, or nothing.

    Parameters
    ----------
    hidden_db : float or None
        Loudest click among blocks without a count-in.
    gains : list of float
        Click against its own count-in, one a block with a count-in.
    limits : GateSettings
    """
    if gains and min(gains) < limits.least_click_gain:
        return _moving_gain("the click is quieter in the play than in its count-in")
    if hidden_db is not None and hidden_db > limits.most_hidden_click_db:
        return (
            "the metronome's click is loud and no count-in shows it alone; lower the click, use an earphone, or leave "
            "four clicks before the first note."
        )
    return ""


def clock_obstacle(clock: SoundClock | None, limits: GateSettings) -> str:
    """Why sound and motion cannot be laid over each other, or nothing."""
    if clock is None:
        return "there are too few notes or strokes to lay sound and motion over each other; play longer."
    if clock.common_s < limits.least_common_s:
        return (
            f"sound and motion share only {clock.common_s:.0f} s, and {limits.least_common_s:.0f} s are needed; let "
            "the recorder run for the whole session."
        )
    if clock.matched_share < limits.least_matched:
        return (
            f"only {100 * clock.matched_share:.0f} % of the strokes have a note in the sound, and "
            f"{100 * limits.least_matched:.0f} % are needed; is this the recording of this session?"
        )
    if clock.rival > limits.most_rival:
        return (
            f"another way to lay sound and motion over each other fits {100 * clock.rival:.0f} % as well; rap three "
            "times on the body with the playing hand when both are recording, or take a longer take with pauses."
        )
    return ""
