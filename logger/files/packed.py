"""Tables as they come: a file, one packed by gzip, a ZIP, a folder. Nothing is unpacked to the disk.

Packed input is untrusted: unpacked size, ratio and count are limited, and a member whose name leaves its folder is
refused by name. Members are only read into memory, so that none can be written anywhere.
"""

from __future__ import annotations

import gzip
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from analysis.model.errors import InputError
from logger.files.atomic_file import reason

MOST_BYTES = 4_000_000_000
MOST_RATIO = 300
MOST_MEMBERS = 200
RATIO_FROM_BYTES = 1_000_000
TABLE_SUFFIXES = {".csv", ".tsv", ".txt", ".log", ".dat", ".gz", ".parquet"}
PIECE = 1 << 20


@dataclass(frozen=True)
class Part:
    """One table's bytes; ``name`` is its file name without folders."""

    name: str
    data: bytes

    @property
    def is_parquet(self) -> bool:
        """Whether it begins as Parquet does."""
        return self.data[:4] == b"PAR1"


def read_parts(path: Path) -> list[Part]:
    """Read the tables that a path holds.

    Parameters
    ----------
    path : Path
        A file, ``.gz``, ``.zip`` or a folder of such files; files with other endings in a folder or ZIP are left alone.

    Returns
    -------
    list of Part
        In order of their names.

    Raises
    ------
    InputError
        Nothing there, not readable, too large, too many, or a member that would leave its folder.
    """
    try:
        if path.is_dir():
            return _folder(path)
        data = _file(path)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read ({reason(error)})",
            next_step="check its name and your permission",
        ) from error
    if data[:4] == b"PK\x03\x04":
        return _zip(path)
    return [_unpacked(path.name, data, path)]


def _folder(path: Path) -> list[Part]:
    files = sorted(p for p in path.iterdir() if p.is_file() and p.suffix.lower() in TABLE_SUFFIXES)
    if not files:
        raise InputError(
            expected="tables (.csv, .txt, .gz, .parquet) or a Motion-BIDS data set",
            found="none",
            next_step="name the file or its folder",
            file=str(path),
        )
    if len(files) > MOST_MEMBERS:
        raise InputError(
            expected=f"at most {MOST_MEMBERS} tables",
            found=f"{len(files)}",
            next_step="name one recording",
            file=str(path),
        )
    if (size := sum(p.stat().st_size for p in files)) > MOST_BYTES:
        raise InputError(
            f"{path} holds {size / 1000000000.0:.1f} GB, at most {MOST_BYTES / 1000000000.0:g} are read",
            next_step="split it",
        )
    return [_unpacked(p.name, _file(p), p) for p in files]


def _file(path: Path) -> bytes:
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise InputError(
            f"{path} holds {size / 1000000000.0:.1f} GB, at most {MOST_BYTES / 1000000000.0:g} are read",
            next_step="split it",
        )
    data = path.read_bytes()
    if not data:
        raise InputError(
            f"{path} is empty",
            next_step="export or copy it again",
        )
    if data[:4] == b"\x89MCA":
        raise InputError(
            f"{path} is a session file already",
            next_step="it needs no import",
        )
    return data


def _zip(path: Path) -> list[Part]:
    """Members of a ZIP that may be tables."""
    try:
        with zipfile.ZipFile(path) as packed:
            members = [m for m in packed.infolist() if not m.is_dir()]
            if len(members) > MOST_MEMBERS:
                raise InputError(
                    expected=f"at most {MOST_MEMBERS} files in a ZIP",
                    found=f"{len(members)}",
                    next_step="unpack it and name the folder of one recording",
                    file=str(path),
                )
            for member in members:
                _check_member(path, member)
            if sum(m.file_size for m in members) > MOST_BYTES:
                raise InputError(
                    f"{path} unpacks to more than {MOST_BYTES / 1000000000.0:g} GB",
                    next_step="unpack and split it",
                )
            wanted = [m for m in members if PurePosixPath(m.filename).suffix.lower() in TABLE_SUFFIXES]
            parts = []
            for member in sorted(wanted, key=lambda m: m.filename):
                with packed.open(member) as stream:
                    data = stream.read(member.file_size + 1)
                if data:
                    parts.append(_unpacked(PurePosixPath(member.filename).name, data, path))
    except (zipfile.BadZipFile, zlib.error, RuntimeError, NotImplementedError, EOFError) as error:
        raise InputError(
            f"{path} is a ZIP that cannot be unpacked ({error})",
            next_step="copy or export it again",
        ) from error
    if not parts:
        raise InputError(
            expected="tables (.csv, .txt, .gz, .parquet) in the ZIP",
            found="none",
            next_step="name the log",
            file=str(path),
        )
    return parts


def _check_member(path: Path, member: zipfile.ZipInfo) -> None:
    """Refuse members that are made to do harm."""
    name = member.filename.replace("\\", "/")
    if name.startswith("/") or ".." in name.split("/") or ":" in name.split("/")[0]:
        raise InputError(
            f"member {member.filename!r} would leave its folder",
            next_step="this ZIP is not from a logger",
            file=str(path),
        )
    if member.file_size > RATIO_FROM_BYTES and member.file_size > MOST_RATIO * max(1, member.compress_size):
        raise InputError(
            f"member {member.filename!r} unpacks to {member.file_size / max(1, member.compress_size):.0f} "
            f"times its size, at most {MOST_RATIO} are read",
            next_step="this ZIP is not from a logger",
            file=str(path),
        )


def _unpacked(name: str, data: bytes, path: Path) -> Part:
    """The table, unpacked where gzip packed it."""
    if data[:2] != b"\x1f\x8b":
        return Part(name, data)
    most = max(RATIO_FROM_BYTES, min(MOST_BYTES, MOST_RATIO * len(data)))
    unpacker = zlib.decompressobj(wbits=31)
    try:
        text = unpacker.decompress(data, most)
        while unpacker.eof and unpacker.unused_data[:2] == b"\x1f\x8b" and len(text) < most:
            rest, unpacker = unpacker.unused_data, zlib.decompressobj(wbits=31)
            text += unpacker.decompress(rest, most - len(text))
    except (zlib.error, gzip.BadGzipFile) as error:
        raise InputError(
            f"{name} is damaged gzip ({error})",
            next_step="copy or export it again",
            file=str(path),
        ) from error
    if unpacker.unconsumed_tail:
        raise InputError(
            f"{name} unpacks to more than {MOST_RATIO} times its size",
            next_step="this is not from a logger",
            file=str(path),
        )
    return Part(name.removesuffix(".gz"), text)
