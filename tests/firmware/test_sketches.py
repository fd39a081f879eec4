"""The sketches and drivers, compiled: against stand-ins for their boards' headers, and for the Cortex-M4."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.firmware.compilers import CORE, CORTEX_M4, CROSS_COMPILER, STRICT, run
from tests.house.test_house import ROOT
from tests.optional import need_program

SKETCHES = sorted((ROOT / "firmware_docs" / "sketches").glob("*/*.ino"))
STUBS = Path(__file__).parent / "stubs"
BUILDS: list[tuple[Path, list[str]]] = [(sketch, []) for sketch in SKETCHES] + [
    (s, ["-DBLUETOOTH=0"]) for s in SKETCHES if s.stem == "esp32"
]


@pytest.mark.parametrize(("sketch", "options"), BUILDS, ids=[s.stem + "".join(o) for s, o in BUILDS])
def test_compiles_against_stand_ins(tmp_path: Path, sketch: Path, options: list[str]) -> None:
    compiler = need_program("g++", reason="Debian's g++")
    flags = ["-std=gnu++17", "-Wall", "-Wextra", "-Werror", "-fsyntax-only", "-x", "c++", "-include", "Arduino.h"]
    run([compiler, *flags, *options, f"-I{STUBS}", f"-I{CORE}", str(sketch)], tmp_path)


@pytest.mark.parametrize("sketch", SKETCHES, ids=[s.stem for s in SKETCHES])
def test_is_short_and_says_what_its_reader_needs(sketch: Path) -> None:
    text = sketch.read_text(encoding="ascii")
    assert len(text.splitlines()) < 150
    head = text.split("#include")[0]
    for word in ("Pins:", "SDA", "Flash:" if sketch.stem != "plain_text" else "strokeplane check"):
        assert word in head
    assert sketch.parent.name == sketch.stem  # Or the Arduino tools do not open it.
    assert not re.search(r"\b(float|double)\b", text)


@pytest.mark.parametrize("source", ["parts.c", "self_test.c", "strokeplane.c"])
@pytest.mark.parametrize("level", ["-Os", "-O2"])
def test_drivers_for_cortex_m(tmp_path: Path, source: str, level: str) -> None:
    """Neither heap nor floating point, nothing but what a compiler brings."""
    compiler = need_program("arm-none-eabi-gcc", reason=CROSS_COMPILER)
    run([compiler, *CORTEX_M4, *STRICT, level, "-c", str(CORE / source), "-o", "part.o"], tmp_path)
    listing = run([need_program("arm-none-eabi-nm", reason=CROSS_COMPILER), "-u", "part.o"], tmp_path)
    wanted = {line.split()[-1] for line in listing.splitlines() if line.strip()}
    integers = {"memcpy", "memset", "memmove", "__aeabi_uldivmod", "__aeabi_ldivmod"}
    assert {name for name in wanted if not name.startswith("sp_")} <= integers
