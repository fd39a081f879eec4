"""The page's microphone: its sound goes beside the session as FLAC, with its hash and its clock in the session file.

A page asks the browser for it, turns the browser's own processing off, and sends what it hears over a WebSocket of its
own: first a JSON text with ``rate_hz`` and ``settings`` (what the browser says of ``echoCancellation``,
``noiseSuppression`` and ``autoGainControl``), then binary pieces. A piece is the server's time of its first sample
(float64, little end first) and its samples (int16). The sound stays on the computer that the program runs on.
"""

from __future__ import annotations

import hashlib
import json
import math
import struct
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from analysis.model.errors import InputError, SoundFileError
from analysis.model.records import FloatArray
from analysis.model.session_parts import Attachment, ClockRelation
from analysis.sound.working_rate import HIGHEST_HZ, LOWEST_HZ
from logger.files.atomic_file import claim_name
from logger.sound.sound_file import LONGEST_S, need_soundfile

PROCESSING = {
    "echoCancellation": "echo cancellation",
    "noiseSuppression": "noise suppression",
    "autoGainControl": "automatic gain control",
}
"""What a browser does to a voice, and must not do here: its names by the W3C's Media Capture and Streams."""
MOST_PIECE_BYTES = 1 << 18
STAMP_BYTES = 8
LEAST_RATE_S = 20.0
"""Of a shorter take the clock's rate cannot be told."""
LATE_S = 0.02
"""How late a microphone's samples may be without anybody knowing: the usual latency of a sound card."""


@dataclass(frozen=True)
class MicrophoneState:
    """As pages show it.

    Attributes
    ----------
    status : {"missing", "off", "on"}
        ``missing``: the extra is not installed, and ``sentence`` says what it would add.
    sentence : str
        What is to be said of it, or empty.
    file : str
        Where the sound goes, or went.
    """

    status: Literal["missing", "off", "on"]
    sentence: str = ""
    file: str = ""


class Take:
    """One recording, written as it comes.

    Parameters
    ----------
    path : Path
        Of the FLAC file; a number is added where there is one.
    rate_hz : int
    remark : str
        Kept in the file.
    """

    def __init__(self, path: Path, rate_hz: int, remark: str) -> None:
        soundfile = need_soundfile()
        self.path = claim_name(path)
        self.rate_hz = rate_hz
        self._file: Any = soundfile.SoundFile(self.path, "w", rate_hz, 1, subtype="PCM_16", format="FLAC")
        self._file.comment = remark
        self._frames = 0
        self._stamps: list[tuple[float, float]] = []
        self._lock = threading.Lock()

    def add(self, piece: bytes) -> None:
        """Take a piece.

        Parameters
        ----------
        piece : bytes

        Raises
        ------
        InputError
            It is none.
        """
        if len(piece) <= STAMP_BYTES or (len(piece) - STAMP_BYTES) % 2:
            raise InputError(expected="a piece of sound", found=f"{len(piece)} bytes", next_step="reload the page")
        (server_s,) = struct.unpack("<d", piece[:STAMP_BYTES])
        samples = np.frombuffer(piece, "<i2", offset=STAMP_BYTES)
        with self._lock:
            if self._file is None:
                return
            if not math.isfinite(server_s) or self._frames + samples.size > LONGEST_S * self.rate_hz:
                raise InputError(
                    expected=f"at most {LONGEST_S / 3600:.0f} hours of sound with their times",
                    found="more, or no time",
                    next_step="reload the page",
                )
            self._stamps.append((self._frames / self.rate_hz, server_s))
            self._file.write(samples)
            self._frames += samples.size

    def close(self, log_s: Callable[[float], float]) -> Attachment | None:
        """Close the file; a take without a sample leaves none. Closing twice gives None.

        Parameters
        ----------
        log_s : callable
            Log time of a server's time.

        Returns
        -------
        Attachment or None
        """
        with self._lock:
            if self._file is None:
                return None
            self._file.close()
            self._file = None
        if not self._frames:
            self.path.unlink()
            return None
        content = self.path.read_bytes()
        digest = hashlib.sha256(content).hexdigest()
        return Attachment("sound", self.path.name, digest, len(content), relate_clocks(self._stamps, log_s))


def relate_clocks(stamps: list[tuple[float, float]], log_s: Callable[[float], float]) -> ClockRelation:
    """A take's own time on the log's: a line through the pieces' times.

    Parameters
    ----------
    stamps : list of (float, float)
        The take's own time and the server's.
    log_s : callable
        Log time of a server's time.

    Returns
    -------
    ClockRelation

    Examples
    --------
    >>> relate_clocks([(0.0, 5.0), (15.0, 20.002), (30.0, 35.0)], lambda server_s: server_s - 1.0).rate
    1.0
    """
    own = np.array([each[0] for each in stamps])
    server: FloatArray = np.array([each[1] for each in stamps])
    rate = 1.0
    if np.ptp(own) >= LEAST_RATE_S:
        rate = float(np.polyfit(own - own.mean(), server, 1)[0])
        # No two clocks differ by more than a part in a thousand: what says so is a page that fell asleep.
        rate = rate if abs(rate - 1.0) < 1e-3 else 1.0
    # Pieces are late now and then, never early: the middle of all holds.
    begin_s = float(np.median(server - rate * own))
    scatter = float(np.median(np.abs(server - rate * own - begin_s)))
    last_s = max(float(own[-1]), 1.0)
    first, last = log_s(begin_s), log_s(begin_s + rate * last_s)
    return ClockRelation(first, (last - first) / last_s, float(np.hypot(1.4826 * scatter, LATE_S)))


class Microphone:
    """The microphone of a session: one page at a time.

    Parameters
    ----------
    changed : callable
        Called when :attr:`shown` has changed.

    Attributes
    ----------
    shown : MicrophoneState
    """

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._take: Take | None = None
        self._attach: Callable[[Attachment], None] = lambda _: None
        self._log_s: Callable[[float], float] = lambda server_s: server_s
        try:
            need_soundfile()
        except SoundFileError as error:
            self.shown = MicrophoneState("missing", str(error))
        else:
            self.shown = MicrophoneState("off")

    def begin(
        self, text: str, session: Path, log_s: Callable[[float], float], attach: Callable[[Attachment], None]
    ) -> Take:
        """Begin to record what a page hears.

        Parameters
        ----------
        text : str
            The page's first message.
        session : Path
            Of the session file; the sound gets its name, with ``.flac``.
        log_s : callable
            Log time of a server's time.
        attach : callable
            Writes the finished take into the session's file.

        Returns
        -------
        Take

        Raises
        ------
        InputError
            The message is none, or another page's microphone is on.
        SoundFileError
            The extra is missing.
        """
        if self._take is not None:
            raise InputError("the microphone of another page is on", next_step="turn that one off first")
        rate_hz, settings = _read_head(text)
        kept = [name for key, name in PROCESSING.items() if settings.get(key) is not False]
        said = "; ".join(f"{name} {_word(settings.get(key))}" for key, name in PROCESSING.items())
        self._log_s, self._attach = log_s, attach
        self._take = Take(session.with_suffix(".flac"), rate_hz, f"As the browser says: {said}.")
        self._show(MicrophoneState("on", _kept_words(kept), self._take.path.name))
        return self._take

    def end(self, take: Take, words: str = "") -> None:
        """Close a take and keep it with the session.

        Parameters
        ----------
        take : Take
        words : str
            Why it ended, where nobody wanted it to.
        """
        kept = take.close(self._log_s)
        if kept is not None:
            self._attach(kept)
        if self._take is take:
            self._take = None
            self._show(MicrophoneState("off", words, "" if kept is None else kept.name))

    def close(self) -> None:
        """The session ends, and with it the recording."""
        if self._take is not None:
            self.end(self._take)

    def _show(self, shown: MicrophoneState) -> None:
        self.shown = shown
        self._changed()


def _read_head(text: str) -> tuple[int, Mapping[str, object]]:
    try:
        head = json.loads(text)
    except (ValueError, RecursionError):
        head = None
    rate = head.get("rate_hz") if isinstance(head, dict) else None
    settings = head.get("settings") if isinstance(head, dict) else None
    if isinstance(rate, bool) or not isinstance(rate, int | float) or not isinstance(settings, dict):
        raise InputError(
            expected="a microphone's rate and settings", found="something else", next_step="reload the page"
        )
    if not (LOWEST_HZ <= rate <= HIGHEST_HZ and float(rate).is_integer()):
        raise InputError(
            expected=f"{LOWEST_HZ} to {HIGHEST_HZ} samples a second",
            found=f"{rate:g}",
            next_step="take another microphone",
        )
    return int(rate), settings


def _word(setting: object) -> str:
    return {True: "on", False: "off"}.get(setting, "unknown") if isinstance(setting, bool) else "unknown"


def _kept_words(kept: list[str]) -> str:
    if not kept:
        return ""
    names = kept[0] if len(kept) == 1 else ", ".join(kept[:-1]) + " and " + kept[-1]
    return (
        f"The browser does not say that {names} {'is' if len(kept) == 1 else 'are'} off: strokes may be missing in the "
        "sound, and its level moves. Turn it off in the browser's or the computer's sound settings, or record with "
        "another program and hand the file in with --sound."
    )
