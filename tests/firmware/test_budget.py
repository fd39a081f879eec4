"""What the core costs on a Cortex-M4: code and memory from the linked program, instructions counted in the emulator."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.firmware.compilers import (
    CORE,
    CORTEX_M4,
    CROSS_COMPILER,
    DESK,
    STRICT,
    compile_cortex,
    emulate,
    run,
)
from tests.optional import need_program
from tests.patience import PATIENCE_S

CLOCK_HZ = 64_000_000
STREAMS, RATE_HZ, PER_FRAME = 4, 1000, 16
BOUND_CYCLES = 3.0
"""Cycles an instruction, at most, on average. Cortex-M4 Technical Reference Manual (ARM DDI 0439B, section 3.3): most
instructions take 1, a lone load or store 2, a taken branch 2 to 4; the core's loops have one taken branch in 5 to 10
instructions. What is above 2 is left for waiting on the flash memory. No division is in the path of a sample."""


@pytest.mark.parametrize("level", ["-Os", "-O2"])
def test_instructions_of_a_frame(tmp_path: Path, level: str) -> None:
    """Four streams of 1 kHz in under a tenth of a 64 MHz processor: an estimate, counted instructions times a bound."""
    program = compile_cortex(tmp_path, "count.elf", [CORE / "strokeplane.c", DESK / "count.c"], [level])
    words = emulate(program, tmp_path, "-icount", "shift=0").split()
    said = dict(zip(words[::2], map(int, words[1::2]), strict=True))
    assert said["loop"] == pytest.approx(2_000_000, rel=1e-3)  # The counter counts instructions.
    assert said["bytes"] == pytest.approx(242, abs=3)  # Whole frames were made: 16 samples on the wire.
    load = said["frame"] * STREAMS * RATE_HZ / PER_FRAME * BOUND_CYCLES / CLOCK_HZ
    print(f"{level}: {said['frame']} instructions a frame, estimated load {load:.1%}")
    assert load < 0.10
    assert said["frame"] > 240 * 15  # Less than this cannot have touched every byte for sum, COBS and record.


def test_the_counter_agrees_with_a_trace_of_every_instruction(tmp_path: Path) -> None:
    """The same frames, stepped one instruction at a time and written down: a count without the emulator's clock."""
    sources = [CORE / "strokeplane.c", DESK / "count.c"]
    program = compile_cortex(tmp_path, "count.elf", sources, ["-O2", "-DFRAMES=4u", "-DLOOP_TURNS=1000u"])
    words = emulate(program, tmp_path, "-icount", "shift=0").split()
    said = dict(zip(words[::2], map(int, words[1::2]), strict=True))
    emulate(program, tmp_path, "-singlestep", "-d", "exec,nochain", "-D", "trace.log")
    visits = re.findall(r"\[[0-9a-f]+/([0-9a-f]+)/", (tmp_path / "trace.log").read_text())
    inside = symbol_range(program, "frames_of")
    addresses = [int(visit, 16) for visit in visits]
    first = next(i for i, a in enumerate(addresses) if inside[0] <= a < inside[1])
    last = max(i for i, a in enumerate(addresses) if inside[0] <= a < inside[1])

    assert (last - first + 1) / 4 == pytest.approx(said["frame"], rel=0.02)


def symbol_range(program: Path, name: str) -> tuple[int, int]:
    listing = run([need_program("arm-none-eabi-nm", reason=CROSS_COMPILER), "-S", str(program)], program.parent)
    row = next(line.split() for line in listing.splitlines() if line.endswith(f" {name}"))
    return int(row[0], 16) & ~1, (int(row[0], 16) & ~1) + int(row[1], 16)


@pytest.mark.parametrize(("level", "code_limit"), [("-Os", 4096), ("-O2", 4096)])
def test_code_and_memory(tmp_path: Path, level: str, code_limit: int) -> None:
    """Code under 4 KB, memory under 2 KB: state, and the stack that the deepest chain of calls can take at most."""
    compiler = need_program("arm-none-eabi-gcc", reason=CROSS_COMPILER)
    source = str(CORE / "strokeplane.c")
    run([compiler, *CORTEX_M4, *STRICT, level, "-fstack-usage", "-c", source, "-o", "core.o"], tmp_path)
    size = need_program("arm-none-eabi-size", reason=CROSS_COMPILER)
    text, data, bss = map(int, run([size, "core.o"], tmp_path).splitlines()[1].split()[:3])
    assert (data, bss) == (0, 0)  # All state is in the struct that the caller gives.
    probe = tmp_path / "probe.c"
    probe.write_text('#include "strokeplane.h"\nconst unsigned char device[sizeof(struct sp_device)] = {1};\n')
    run([compiler, *CORTEX_M4, *STRICT, "-c", "probe.c", "-o", "probe.o"], tmp_path)
    state = int(run([size, "probe.o"], tmp_path).splitlines()[1].split()[0])
    stack = sum(int(line.split("\t")[1]) for line in (tmp_path / "core.su").read_text().splitlines())
    print(f"{level}: {text} bytes of code, {state} of state, at most {stack} of stack")
    assert text < code_limit
    assert state + stack < 2048  # No function calls itself, so all frames together are more than any chain of calls.


def test_no_heap_and_no_floating_point(tmp_path: Path) -> None:
    """What the core asks of anybody else: nothing but what a compiler brings (copying, 64-bit shifts)."""
    compiler = need_program("arm-none-eabi-gcc", reason=CROSS_COMPILER)
    run([compiler, *CORTEX_M4, *STRICT, "-O2", "-c", str(CORE / "strokeplane.c"), "-o", "core.o"], tmp_path)
    listing = run([need_program("arm-none-eabi-nm", reason=CROSS_COMPILER), "-u", "core.o"], tmp_path)
    wanted = {line.split()[-1] for line in listing.splitlines() if line.strip()}
    assert wanted <= {"memcpy", "memset", "memmove"}


@pytest.mark.parametrize("standard", ["c99", "c11", "c17"])
def test_other_standards(tmp_path: Path, standard: str) -> None:
    compiler = need_program("gcc", reason="Debian's gcc")
    options = [f"-std={standard}", "-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wshadow", "-O2"]
    run([compiler, *options, "-c", str(CORE / "strokeplane.c"), "-o", "core.o"], tmp_path)


def test_the_header_in_cpp(tmp_path: Path) -> None:
    """Sketches for most boards are C++; without a C++ compiler the header's braces are at least balanced by gcc -E."""
    compiler = need_program("g++", "gcc", reason="Debian's g++")
    (tmp_path / "use.cpp").write_text('#include "strokeplane.h"\nint main() { return SP_DONE; }\n')
    flags = ["-fsyntax-only", "-Wall", "-Wextra", "-Werror", "-pedantic", f"-I{CORE}", "use.cpp"]
    done = subprocess.run([compiler, *flags], cwd=tmp_path, capture_output=True, text=True, timeout=5 * PATIENCE_S)
    if "cc1plus" in done.stderr:
        pytest.skip("no C++ compiler here (Debian's g++)")
    assert done.returncode == 0, done.stderr
