"""The wheel and the sdist with all pinned dependencies in an empty environment, on every supported Python that is here.

Needs a package index and minutes: run by ``make soak``.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.house.test_house import ROOT
from tests.optional import missing
from tests.packaging.built import bin_folder, build, run

# pip's own settings (which index, which certificates) are the machine's and stay; Python's are this run's.
PIP_SETTINGS = {name: value for name, value in os.environ.items() if name.startswith("PIP_")}


def find_python(version: str) -> Path:
    """An interpreter that runs: on the path, or one that pyenv keeps without having it on the path."""
    candidates = [shutil.which(f"python{version}")]
    if pyenv := shutil.which("pyenv"):
        root = subprocess.run([pyenv, "root"], capture_output=True, text=True, check=True).stdout.strip()
        candidates += map(str, sorted((Path(root) / "versions").glob(f"{version}.*/bin/python{version}")))
    for candidate in candidates:
        if (
            candidate
            and not subprocess.run([candidate, "-c", "import venv"], capture_output=True, check=False).returncode
        ):
            return Path(candidate)
    missing(f"there is no Python {version} here that runs")


@pytest.mark.soak
@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_wheel_and_sdist_in_an_empty_environment(version: str, tmp_path: Path) -> None:
    interpreter = find_python(version)
    sdist, wheel = build(tmp_path)
    venv = tmp_path / "venv"
    run([interpreter, "-m", "venv", venv], cwd=tmp_path)
    pip = [bin_folder(venv) / "python", "-m", "pip", "install", "--quiet"]
    requirements = ROOT / "requirements" / "run.txt"
    run([*pip, "--require-hashes", "--only-binary", ":all:", "-r", requirements], cwd=tmp_path, **PIP_SETTINGS)
    run([*pip, "--no-deps", "--no-index", wheel], cwd=tmp_path)
    assert run([bin_folder(venv) / "python", "--version"], cwd=tmp_path).startswith(f"Python {version}.")
    assert "Usage: strokeplane" in run([bin_folder(venv) / "strokeplane", "--help"], cwd=tmp_path)
    assert_works(bin_folder(venv) / "strokeplane", tmp_path)
    # From source, with the pinned backend that is there already.
    run([*pip, "--force-reinstall", "--no-deps", "--no-index", "--no-build-isolation", sdist], cwd=tmp_path)
    assert_works(bin_folder(venv) / "strokeplane", tmp_path)


def assert_works(command: Path, tmp_path: Path) -> None:
    for log in sorted((ROOT / "sample_logs").glob("*.mcap")):
        run([command, "analyse", log, "--html", "report.html"], cwd=tmp_path)
        assert (tmp_path / "report.html").stat().st_size > 10_000
