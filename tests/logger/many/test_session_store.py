"""Flipped bits in the store of results: none may change what it gives back in silence."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

import pytest

from analysis.model.errors import OutputError
from logger.many.session_store import Entry, SessionFile, SessionStore

FLIPS = 400


def entries() -> list[Entry]:
    source = random.Random(17)
    return [
        Entry(
            SessionFile(f"evening-{i}.mcap", Path(), 1000 + i, 17_000_000_000 + i),
            f"{source.getrandbits(256):064x}",
            source.randbytes(3000) if i % 2 else f'{{"tilt_deg": {i}.5}}' * 40,
            None if i % 3 else ": no blocks",
        )
        for i in range(6)
    ]


def filled(path: Path) -> bytes:
    store = SessionStore(path, "test")
    for entry in entries():
        store.keep(entry)
    store.close()
    return path.read_bytes()


def test_no_flipped_bit_changes_an_entry(tmp_path: Path) -> None:
    path = tmp_path / "store"
    whole = filled(path)
    source = random.Random(3)
    lost = refused = same = 0
    for _ in range(FLIPS):
        bad = bytearray(whole)
        bad[source.randrange(len(bad))] ^= 1 << source.randrange(8)
        path.write_bytes(bad)
        try:
            store = SessionStore(path, "test")
        except sqlite3.Error:
            refused += 1
            continue
        for entry in entries():
            try:
                found = store.entry(entry.file.name)
            except LookupError:
                lost += 1
            except OutputError:
                refused += 1
            else:
                assert found == entry
                same += 1
        store.close()
    # The flips did reach records, and most records outlived them.
    assert lost > 20
    assert same > 0.8 * FLIPS * len(entries())


@pytest.mark.parametrize(
    "change",
    [
        "size = size + 1",
        "changed_ns = changed_ns + 1",
        "hash = 'f' || substr(hash, 2)",
        "problem = NULL",
        "problem = ': other'",
        "content = CAST(content AS BLOB)",
        "content = content || '0'",
        "name = 'evening-0.mcap ', checksum = checksum",
    ],
)
def test_a_changed_record_counts_as_none_and_can_be_kept_anew(tmp_path: Path, change: str) -> None:
    path = tmp_path / "store"
    filled(path)
    base = sqlite3.connect(path)
    base.execute(f"UPDATE summed_sessions SET {change} WHERE name = 'evening-0.mcap'")
    base.commit()
    base.close()
    store = SessionStore(path, "test")
    first = entries()[0]
    with pytest.raises(LookupError):
        store.entry(first.file.name)
    store.keep(first)
    assert store.entry(first.file.name) == first
    store.close()
