"""The core and its desk programs, compiled for this computer and for an emulated Cortex-M4, and run there."""

from __future__ import annotations

import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tests.house.test_house import ROOT
from tests.optional import need_program
from tests.patience import PATIENCE_S

CORE = ROOT / "firmware_docs" / "c"
DESK = Path(__file__).parent / "desk"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", f"-I{CORE}"]
SANITIZERS = ["-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-fno-omit-frame-pointer"]
CORTEX_M4 = ["-mcpu=cortex-m4", "-mthumb", "-ffunction-sections", "-fdata-sections"]
BOARD = ["-M", "mps2-an386", "-nographic", "-monitor", "none", "-serial", "none"]
SEMIHOSTING = ["-semihosting-config", "enable=on,target=native"]
COMPILER, CROSS_COMPILER, EMULATOR = "Debian's gcc", "Debian's gcc-arm-none-eabi", "Debian's qemu-system-arm"


def compile_native(folder: Path, name: str, sources: list[Path], options: list[str]) -> Path:
    """Compile sources into ``folder/name`` with every warning an error."""
    program = folder / name
    run([need_program("gcc", reason=COMPILER), *STRICT, *options, *map(str, sources), "-o", str(program)], folder)
    return program


def compile_cortex(folder: Path, name: str, sources: list[Path], options: list[str]) -> Path:
    """Link sources into a program for the emulated board."""
    program = folder / name
    link = ["--specs=rdimon.specs", "-T", str(DESK / "mps2.ld"), "-Wl,--gc-sections"]
    everything = [*map(str, sources), str(DESK / "start.c")]
    compiler = need_program("arm-none-eabi-gcc", reason=CROSS_COMPILER)
    run([compiler, *CORTEX_M4, *STRICT, *options, *everything, *link, "-o", str(program)], folder)
    return program


def emulate(program: Path, folder: Path, *options: str) -> str:
    """Run a program on the emulated board, its files in ``folder``; return what it printed."""
    emulator = need_program("qemu-system-arm", reason=EMULATOR)
    return run([emulator, *BOARD, *SEMIHOSTING, *options, "-kernel", str(program)], folder)


def run(command: list[str], folder: Path) -> str:
    """Run to the end; a warning, a sanitizer's finding or a fault is an error with its text."""
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=5 * PATIENCE_S, env=environment()
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def environment() -> dict[str, str]:
    """This process's, with the sanitizers told to stop at the first finding."""
    return {**os.environ, "UBSAN_OPTIONS": "print_stacktrace=1:halt_on_error=1", "ASAN_OPTIONS": "detect_leaks=1"}


@dataclass(frozen=True)
class Desk:
    """The desk program (``desk/desk.c``) in one of its builds."""

    program: Path
    emulated: bool

    def play(self, script: bytes, folder: Path) -> tuple[list[bytes], dict[str, int]]:
        """Play a script of calls; return each write of the core, and its counters at the end."""
        (folder / "script.bin").write_bytes(script)
        said = emulate(self.program, folder) if self.emulated else run([str(self.program)], folder)
        words = said.split()
        return writes_in((folder / "sent.bin").read_bytes()), dict(zip(words[::2], map(int, words[1::2]), strict=True))


def writes_in(data: bytes) -> list[bytes]:
    """Cut the desk program's output into the core's writes."""
    writes = []
    while data:
        size = int.from_bytes(data[:2], "little")
        writes.append(data[2 : 2 + size])
        data = data[2 + size :]
    return writes
