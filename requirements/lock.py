"""Pin every dependency with its hashes: ``run.txt`` to run strokeplane, ``dev.txt`` to work on it.

Versions come from pyproject.toml. Existing pins are kept unless ``--upgrade`` is given. One set of versions serves
Python 3.11 to 3.13 on Linux, Windows and macOS; environment markers say what is needed where. The files name no
package index: pip asks the one that the machine is set up for, and the hashes decide what it may install.
Afterwards every pin is checked to have a wheel on each of those platforms, so that nobody there needs a compiler.
"""

from __future__ import annotations

import argparse
import itertools
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent / "pyproject.toml"
PYTHONS = ("3.11", "3.12", "3.13")
PLATFORMS = ("x86_64-manylinux_2_28", "x86_64-pc-windows-msvc", "x86_64-apple-darwin", "aarch64-apple-darwin")
PIN = re.compile(r"[\w.-]+==[\w.+!]+( ; [\w .,'<>=!()]+)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?")


def lock(name: str, extra_arguments: list[str], upgrade: bool) -> None:
    """Write ``requirements/NAME.txt`` from pyproject.toml."""
    build_requires = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["build-system"]["requires"]
    output = HERE / f"{name}.txt"
    with tempfile.TemporaryDirectory() as folder:
        # The build backend is pinned with the rest, so that installing the checkout fetches nothing unpinned.
        build = Path(folder) / "build.in"
        build.write_text("\n".join(build_requires) + "\n", encoding="utf-8")
        command = [sys.executable, "-m", "uv", "pip", "compile", str(PROJECT), str(build), "--output-file", str(output)]
        command += ["--universal", "--python-version", PYTHONS[0], "--fork-strategy", "fewest"]
        command += ["--generate-hashes", "--only-binary", ":all:", "--no-header", "--no-annotate", "--quiet"]
        subprocess.run(command + extra_arguments + ["--upgrade"] * upgrade, check=True)
    for line in output.read_text(encoding="utf-8").splitlines():
        if not PIN.fullmatch(line):
            sys.exit(f"{output.name} holds {line!r}: only names, versions, markers and hashes belong there")


def check_wheels(name: str) -> None:
    """Resolve ``requirements/NAME.txt`` from wheels alone on every platform and Python; nothing is installed."""
    for platform, python in itertools.product(PLATFORMS, PYTHONS):
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, "-m", "uv", "pip", "install", "--quiet", "--dry-run", "--target", folder]
            command += ["--python-platform", platform, "--python-version", python, "--only-binary", ":all:"]
            command += ["--require-hashes", "--requirement", str(HERE / f"{name}.txt")]
            found = subprocess.run(command, capture_output=True, text=True, check=False)
        if found.returncode:
            sys.exit(f"{name}.txt on {platform} with Python {python}:\n{found.stderr}")
    print(f"{name}.txt: every pin has a wheel for {', '.join(PLATFORMS)} and Python {', '.join(PYTHONS)}")


def main() -> None:
    """Lock both files, the smaller one with the versions of the larger."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--upgrade", action="store_true", help="take the newest versions instead of keeping the pins")
    upgrade = parser.parse_args().upgrade
    lock("dev", ["--all-extras"], upgrade)
    lock("run", ["--constraint", str(HERE / "dev.txt")], upgrade)
    for name in ("run", "dev"):
        check_wheels(name)


if __name__ == "__main__":
    main()
