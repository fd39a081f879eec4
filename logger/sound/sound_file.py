"""Sound files, read and written in pieces through soundfile (the extra ``sound``).

Any of WAV, FLAC and OGG, 8 to 192 kHz, any number of channels, integers or floats. Channels are averaged; where they
cancel (one of them turned round), the loudest one is taken.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from analysis.model.errors import SoundFileError
from analysis.sound.records import Sound, SoundArray
from analysis.sound.working_rate import HIGHEST_HZ, LOWEST_HZ, Decimator, working_factor
from logger.files.atomic_file import open_atomic

PIECE_FRAMES = 1 << 16
LONGEST_S = 4 * 3600.0
CLIP_STEP = 2000
"""Steps of the histogram of magnitudes from 0 to full scale."""
NEAR_PEAK = 0.99
FORMATS = {".wav": ("WAV", "PCM_16"), ".flac": ("FLAC", "PCM_16"), ".ogg": ("OGG", "VORBIS")}


def need_soundfile() -> ModuleType:
    """Return soundfile, or say how to get it.

    Returns
    -------
    ModuleType

    Raises
    ------
    SoundFileError
        With the way to install it.
    """
    try:
        import soundfile
    except ModuleNotFoundError as error:
        raise SoundFileError(
            "sound needs the package soundfile, which is not installed; it would tell which string sounded, count the "
            "strokes that motion missed and time every note",
            next_step='run python -m pip install ".[sound]" in the folder that strokeplane was installed from',
        ) from error
    module: ModuleType = soundfile
    return module


def read_sound(path: Path) -> Sound:
    """Read a recording.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Sound
        One channel at the working rate, with the share of clipped samples and the file's hash.

    Raises
    ------
    SoundFileError
        The file is missing, is no sound, has a rate that cannot be used, holds nothing, or cannot be decoded.
    """
    soundfile = need_soundfile()
    if not path.is_file():
        raise SoundFileError("no such file", next_step="name a WAV, FLAC or OGG recording", file=str(path))
    try:
        with soundfile.SoundFile(path) as file:
            _check(file, path)
            weights = _channel_weights(file)
            samples, clipped, told = _read_all(file, path, weights)
            remarks = _cut_short(path, file, told)
            rate_hz = file.samplerate / working_factor(file.samplerate)
    except (soundfile.LibsndfileError, OSError) as error:
        raise SoundFileError(
            f"not readable as sound ({str(error).rstrip('.')})",
            next_step="give a WAV, FLAC or OGG file, or convert it",
            file=str(path),
        ) from error
    if samples.size == 0:
        again = "record it again, or copy it from the recorder once more"
        raise SoundFileError("no sound in it", next_step=again, file=str(path))
    return Sound(samples, rate_hz, clipped, _digest(path), path.name, remarks)


def _check(file: Any, path: Path) -> None:
    if not LOWEST_HZ <= file.samplerate <= HIGHEST_HZ:
        raise SoundFileError(
            expected=f"{LOWEST_HZ} to {HIGHEST_HZ} samples a second",
            found=str(file.samplerate),
            next_step="record or convert it at 44100 or 48000",
            file=str(path),
        )
    if file.frames > LONGEST_S * file.samplerate and file.seekable():
        raise SoundFileError(
            expected=f"at most {LONGEST_S / 3600:.0f} hours",
            found=f"{file.frames / file.samplerate / 3600:.1f}",
            next_step="cut out the session",
            file=str(path),
        )


def _channel_weights(file: Any) -> SoundArray:
    """How much of each channel is taken: their mean, or only the loudest one where the mean cancels."""
    weights = np.full(file.channels, 1.0 / file.channels, np.float32)
    if file.channels == 1 or not file.seekable():
        return weights
    powers, mixed = np.zeros(file.channels), 0.0
    for share in (0.25, 0.5, 0.75):
        file.seek(int(share * file.frames))
        part = file.read(min(PIECE_FRAMES, 5 * file.samplerate), dtype="float32", always_2d=True)
        powers += np.sum(part.astype(np.float64) ** 2, axis=0)
        mixed += float(np.sum((part @ weights).astype(np.float64) ** 2))
    file.seek(0)
    # Channels that have nothing to do with each other keep half their mean power, a turned one loses most of it.
    if mixed < 0.35 * powers.mean():
        weights[:] = 0.0
        weights[int(np.argmax(powers))] = 1.0
    return weights


def _pieces(file: Any) -> Iterator[SoundArray]:
    error = need_soundfile().LibsndfileError
    while True:
        try:
            piece: SoundArray = file.read(PIECE_FRAMES, dtype="float32", always_2d=True)
        except error:
            # A FLAC file that ends early; the frames before are good, and the missing ones are told by their number.
            return
        if len(piece) == 0:
            return
        yield piece


def _read_all(file: Any, path: Path, weights: SoundArray) -> tuple[SoundArray, float, int]:
    """One channel at the working rate, the share of clipped samples, and the number of frames that came."""
    decimator = Decimator(working_factor(file.samplerate))
    parts, frames = [], 0
    counts = np.zeros(2 * CLIP_STEP + 1, np.int64)
    for piece in _pieces(file):
        if not np.isfinite(piece).all():
            again = "export it again from the program that made it"
            raise SoundFileError("values that are no numbers", next_step=again, file=str(path))
        frames += len(piece)
        magnitude = np.abs(piece).max(axis=1)
        counts += np.bincount(
            np.minimum((CLIP_STEP * magnitude).astype(np.int64), 2 * CLIP_STEP), minlength=counts.size
        )
        parts.append(decimator.push(np.ascontiguousarray(piece @ weights)))
    parts.append(decimator.finish())
    return np.concatenate(parts), _clipped_share(counts), frames


def _clipped_share(counts: np.ndarray) -> float:
    """Share of frames within a hundredth of the file's own largest value: a peak is rare, a limit is met often."""
    used = np.flatnonzero(counts)
    if used.size == 0 or used[-1] < 0.02 * CLIP_STEP:
        return 0.0
    return float(counts[int(NEAR_PEAK * used[-1]) :].sum() / counts.sum())


def _cut_short(path: Path, file: Any, frames: int) -> tuple[str, ...]:
    """A sentence where the file holds less than it says at its head; what is there is used."""
    announced = file.frames
    if file.format in ("WAV", "WAVEX"):
        announced = max(announced, _announced_wav_frames(path))
    if file.format == "OGG" and frames == file.frames and not _ogg_ended(path):
        announced = frames + 1
    if frames >= announced:
        return ()
    return (
        f"{path.name} was cut short: {frames / file.samplerate:.0f} s of it can be read, and those are used; copy it "
        "from the recorder once more.",
    )


def _announced_wav_frames(path: Path) -> int:
    """Frames that a WAV file's head announces; 0 where it says nothing, as recorders do that lost power."""
    with path.open("rb") as stream:
        head = stream.read(12)
        frame_bytes = 0
        while len(chunk := stream.read(8)) == 8:
            name, size = struct.unpack("<4sI", chunk)
            if name == b"fmt ":
                frame_bytes = struct.unpack("<HHIIHH", stream.read(16))[4]
                stream.seek(size - 16 + size % 2, 1)
            elif name == b"data":
                known = head[:4] == b"RIFF" and size < 0xFFFFFF00
                return size // frame_bytes if known and frame_bytes else 0
            else:
                stream.seek(size + size % 2, 1)
    return 0


def _ogg_ended(path: Path) -> bool:
    """Whether the last page of an OGG file is marked as the last (RFC 3533: bit 4 of the header's type)."""
    with path.open("rb") as stream:
        stream.seek(0, 2)
        stream.seek(max(0, stream.tell() - 65_536 - 282))
        tail = stream.read()
    last = tail.rfind(b"OggS")
    return last < 0 or last + 5 >= len(tail) or bool(tail[last + 5] & 4)


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def write_sound(path: Path, samples: SoundArray, rate_hz: int, quality: float | None = None) -> None:
    """Write one channel of sound; the name's end says which format.

    Parameters
    ----------
    path : Path
        ``.wav`` (16 bit), ``.flac`` (16 bit) or ``.ogg`` (Vorbis).
    samples : float32 (n,)
        Full scale at 1; what lies above is clipped.
    rate_hz : int
    quality : float, optional
        Of OGG: 0 is best, 1 is smallest.

    Raises
    ------
    SoundFileError
        The name ends otherwise.
    OutputError
        The file cannot be written.
    """
    soundfile = need_soundfile()
    if path.suffix.lower() not in FORMATS:
        raise SoundFileError(
            expected=f"a name that ends in {', '.join(FORMATS)}",
            found=path.name,
            next_step="name the sound file so",
            file=str(path),
        )
    container, subtype = FORMATS[path.suffix.lower()]
    more = {} if quality is None else {"compression_level": quality}
    with (
        open_atomic(path) as stream,
        soundfile.SoundFile(stream, "w", rate_hz, 1, subtype=subtype, format=container, **more) as file,
    ):
        # In pieces: a minute of OGG in one call ends libsndfile's encoder with a crash.
        for first in range(0, len(samples), rate_hz):
            file.write(np.clip(samples[first : first + rate_hz], -1.0, 1.0))
