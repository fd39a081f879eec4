"""The README's pictures are small, and made from the session and the code that are here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.house.readme_pictures import HASH, LIVE, REPORT, ROOT, made_from

MOST_BYTES = 200_000


def test_pictures_are_current() -> None:
    before = json.loads(HASH.read_text(encoding="utf-8"))
    now = made_from()
    changed = sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name))
    assert changed == [], "take the pictures anew with: make pictures"


@pytest.mark.parametrize("picture", [REPORT, LIVE], ids=lambda path: path.name)
def test_pictures_are_small_and_shown(picture: Path) -> None:
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert picture.stat().st_size < MOST_BYTES
    assert f"({picture.relative_to(ROOT)})" in (ROOT / "README.md").read_text(encoding="utf-8")
