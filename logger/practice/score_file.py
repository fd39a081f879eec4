"""The XML of a score, from a plain or compressed MusicXML file, with limits: nothing is fetched, nothing expands.

A document type that only names MusicXML's published one is taken out unread; any other document type, and every
entity, is refused.

References
----------
MusicXML 4.0, W3C Community Group final report, 2021: the container of compressed files (META-INF/container.xml).
"""

from __future__ import annotations

import io
import re
import zipfile
from typing import TYPE_CHECKING, Any

from analysis.model.errors import InputError
from logger.files.missing_package import missing_package

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

MOST_BYTES = 20_000_000
MOST_RATIO = 200
MOST_FILES = 100
CONTAINER = "META-INF/container.xml"

_DOCTYPE = re.compile(r"<!DOCTYPE\s+score-(?:partwise|timewise)\s+PUBLIC\s+\"[^\"<>\[\]]*\"\s+\"[^\"<>\[\]]*\"\s*>")
_DECLARED = re.compile(r"^\s*<\?xml[^>]*\?>")


def read_score(data: bytes) -> tuple[Element, str]:
    """Return the root element of a score and its text.

    Raises
    ------
    InputError
        If it is no MusicXML, is damaged, too large, or holds a document type or entities.
    """
    if data[:2] == b"PK":
        data = _unpack(data)
    if len(data) > MOST_BYTES:
        raise InputError("the score is too large", expected=f"{MOST_BYTES} bytes at most", found=str(len(data)))
    text = _DOCTYPE.sub("", _decode(data), count=1)
    return _parse(text), text


def _decode(data: bytes) -> str:
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    declared = re.match(rb"\s*<\?xml[^>]*encoding=[\"']([A-Za-z0-9_-]+)[\"']", data)
    if declared and encoding != "utf-16" and declared[1].lower() in (b"iso-8859-1", b"us-ascii", b"latin1"):
        encoding = "latin-1"
    try:
        # The declaration names bytes that are text by now.
        return _DECLARED.sub("", data.decode(encoding), count=1)
    except UnicodeDecodeError as error:
        raise InputError(
            f"the score is not {encoding.upper()} ({error.reason})", next_step="export it again"
        ) from error


def _parse(text: str) -> Element:
    try:
        import defusedxml
        from defusedxml.ElementTree import fromstring
    except ImportError as error:
        raise missing_package("reading MusicXML", "defusedxml", "score") from error
    from xml.etree.ElementTree import ParseError

    try:
        root: Element = fromstring(text, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    except defusedxml.DefusedXmlException as error:
        raise InputError(
            "the score holds a document type or entities of its own, which are never read", next_step="export it again"
        ) from error
    except ParseError as error:
        raise InputError(
            f"the score is damaged: {error}", next_step="export it again", row=error.position[0]
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"the score cannot be read: {error}", next_step="export it again") from error
    return root


def _unpack(data: bytes) -> bytes:
    """Return the score in a compressed file."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_FILES:
                raise InputError(
                    "the compressed score holds too many files",
                    expected=f"{MOST_FILES} at most",
                    found=str(len(entries)),
                )
            inside = _parse(_decode(_read_entry(archive, CONTAINER)))
            paths = [e.get("full-path", "") for e in inside.iter() if e.tag.rpartition("}")[2] == "rootfile"]
            if not paths:
                raise InputError(
                    "the compressed score does not say which file is the score", next_step="export it again"
                )
            return _read_entry(archive, paths[0])
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError) as error:
        raise InputError(f"the compressed score is damaged ({error})", next_step="export it again") from error


def _read_entry(archive: zipfile.ZipFile, name: str) -> bytes:
    """Return one file of the archive; what it claims is checked first, what it holds while it is read."""
    try:
        entry = archive.getinfo(name)
    except KeyError:
        raise InputError(f"the compressed score holds no {name}", next_step="export it again") from None
    ratio = entry.file_size / max(entry.compress_size, 1)
    if entry.file_size > MOST_BYTES or ratio > MOST_RATIO:
        raise InputError(
            f"{name} in the compressed score would unpack to {entry.file_size} bytes",
            expected=f"{MOST_BYTES} bytes and {MOST_RATIO} times its packed size at most",
            next_step="export it uncompressed",
        )
    with archive.open(entry) as stream:
        content: Any = stream.read(entry.file_size + 1)
    return bytes(content)
