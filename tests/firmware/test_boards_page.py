"""BOARDS.md says what the code says: its table of parts, and what the core was measured to cost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.firmware.compilers import CORE, CORTEX_M4, CROSS_COMPILER, DESK, STRICT, compile_cortex, emulate, run
from tests.house.test_house import ROOT
from tests.optional import need_program

PAGE = (ROOT / "firmware_docs" / "BOARDS.md").read_text(encoding="utf-8")


def cells(row: str) -> list[str]:
    return [cell.strip() for cell in row.strip("|").split("|")]


def test_the_table_of_parts() -> None:
    """Identity, register, name, rates, ticks, noise: each line of the code has its line on the page, and no other."""
    code = (CORE / "parts.c").read_text(encoding="ascii")
    pattern = r'\{0x(..), 0x(..), 0x(..), SP_\w+, "([^"]+)", (\d+)u, ([01]), \{([^}]*)\}, (\d+), (\d+)\}'
    wanted = []
    for _, register, identity, name, tick_hz, own, rates, accel, gyro in re.findall(pattern, code):
        numbers = [int(rate.strip().rstrip("u")) // 1000 for rate in rates.split(",")]
        clock = {"1000000": "controller's timer", "937500": "16/15 µs", "40000": "25 µs"}[tick_hz]
        assert (own == "1") == clock.endswith("µs")
        noise = f"{accel}, {int(gyro) / 1000:g}"
        wanted.append([identity, register, name, ", ".join(map(str, numbers)), clock, noise])
    rows = [cells(row) for row in PAGE.splitlines() if re.match(r"\| [0-9A-F]{2} \| [0-9A-F]{2} \|", row)]
    got = [
        [row[0], row[1], row[2].split(" (")[0], row[3], row[4].split(", ")[-1].split("on the ")[-1], row[5]]
        for row in rows
    ]
    assert got == wanted


@pytest.mark.parametrize(("level", "column"), [("-Os", 1), ("-O2", 2)])
def test_what_the_core_costs(tmp_path: Path, level: str, column: int) -> None:
    """The page's figures, to a tenth: another version of the compiler may differ a little."""
    rows = {cells(row)[0]: cells(row)[column] for row in PAGE.splitlines() if row.count("|") == 5}
    compiler = need_program("arm-none-eabi-gcc", reason=CROSS_COMPILER)
    run([compiler, *CORTEX_M4, *STRICT, level, "-c", str(CORE / "strokeplane.c"), "-o", "core.o"], tmp_path)
    size = need_program("arm-none-eabi-size", reason=CROSS_COMPILER)
    text = int(run([size, "core.o"], tmp_path).splitlines()[1].split()[0])
    assert int(rows["code, bytes"]) == pytest.approx(text, rel=0.1)
    program = compile_cortex(tmp_path, "count.elf", [CORE / "strokeplane.c", DESK / "count.c"], [level])
    words = emulate(program, tmp_path, "-icount", "shift=0").split()
    frame = int(words[words.index("frame") + 1])
    assert int(rows["instructions for a frame of 16 samples, Cortex-M4"]) == pytest.approx(frame, rel=0.1)
    load = float(rows["load for 4 x 1000 samples a second at 64 MHz, estimate"].rstrip(" %"))
    assert load == pytest.approx(frame * 250 * 3 / 64e6 * 100, rel=0.1)


def test_links_of_the_firmware_pages() -> None:
    for page in (ROOT / "firmware_docs").rglob("*.md"):
        for target in re.findall(r"\]\(([^)#]+)", page.read_text(encoding="utf-8")):
            if not target.startswith("http"):
                assert (page.parent / target).exists(), f"{page.name}: {target}"
