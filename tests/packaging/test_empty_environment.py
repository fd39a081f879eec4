"""The wheel with all its pinned dependencies in an empty environment, on every supported Python that is here.

Needs a package index and minutes: run by ``make soak``.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.optional import missing, need_program
from tests.packaging.built import bin_folder, build, run
from tests.test_house import ROOT

# pip's own settings (which index, which certificates) are the machine's and stay; Python's are this run's.
PIP_SETTINGS = {name: value for name, value in os.environ.items() if name.startswith("PIP_")}


@pytest.mark.soak
@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_wheel_in_an_empty_environment(version: str, tmp_path: Path) -> None:
    interpreter = need_program(f"python{version}")
    if subprocess.run([interpreter, "-c", "import venv"], capture_output=True, check=False).returncode:
        missing(f"{interpreter} does not run")  # a version switch's stand-in for a Python that is not there
    _, wheel = build(tmp_path)
    venv = tmp_path / "venv"
    run([interpreter, "-m", "venv", venv], cwd=tmp_path)
    pip = [bin_folder(venv) / "python", "-m", "pip", "install", "--quiet"]
    requirements = ROOT / "requirements" / "run.txt"
    run([*pip, "--require-hashes", "--only-binary", ":all:", "-r", requirements], cwd=tmp_path, **PIP_SETTINGS)
    run([*pip, "--no-deps", "--no-index", wheel], cwd=tmp_path)
    assert run([bin_folder(venv) / "python", "--version"], cwd=tmp_path).startswith(f"Python {version}.")
    assert "Usage: strokeplane" in run([bin_folder(venv) / "strokeplane", "--help"], cwd=tmp_path)
    for log in sorted((ROOT / "sample_logs").glob("*.mcap")):
        run([bin_folder(venv) / "strokeplane", "analyse", log, "--html", "report.html"], cwd=tmp_path)
        assert (tmp_path / "report.html").stat().st_size > 10_000
