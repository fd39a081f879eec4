"""Pin every dependency with its hashes: ``run.txt`` to run strokeplane, ``dev.txt`` to work on it.

Versions come from pyproject.toml. Existing pins are kept unless ``--upgrade`` is given. One set of versions serves
Python 3.11 to 3.13 on Linux, Windows and macOS; environment markers say what is needed where. The files name no
package index: pip asks the one that the machine is set up for, and the hashes decide what it may install.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent / "pyproject.toml"
OLDEST_PYTHON = "3.11"
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
        command += ["--universal", "--python-version", OLDEST_PYTHON, "--fork-strategy", "fewest"]
        command += ["--generate-hashes", "--only-binary", ":all:", "--no-header", "--no-annotate", "--quiet"]
        command += ["--no-emit-index-url", "--no-emit-find-links", "--no-emit-build-options", *extra_arguments]
        subprocess.run(command + ["--upgrade"] * upgrade, check=True)
    for line in output.read_text(encoding="utf-8").splitlines():
        if not PIN.fullmatch(line):
            sys.exit(f"{output.name} holds {line!r}: only names, versions, markers and hashes belong there")


def main() -> None:
    """Lock both files, the smaller one with the versions of the larger."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--upgrade", action="store_true", help="take the newest versions instead of keeping the pins")
    upgrade = parser.parse_args().upgrade
    lock("dev", ["--all-extras"], upgrade)
    lock("run", ["--constraint", str(HERE / "dev.txt")], upgrade)


if __name__ == "__main__":
    main()
