"""Build the wheel and the sdist once, from the tracked files alone, and install the wheel away from the checkout."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

from tests.house.test_house import ROOT, tracked_files


def run(command: list[str | Path], cwd: Path, **environment: str) -> str:
    """Run a command without this run's Python settings; return what it printed, fail with it."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PIP_", "VIRTUAL_ENV"))}
    done = subprocess.run(
        list(map(str, command)), cwd=cwd, env=clean | environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command} gave {done.returncode}:\n{done.stdout}{done.stderr}"
    return done.stdout


def build(folder: Path) -> tuple[Path, Path]:
    """Build with the pinned backend, no network; return the sdist and the wheel that was made from it."""
    source = folder / "source"
    for path in tracked_files():
        target = source / path.relative_to(ROOT)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
    run([sys.executable, "-m", "build", "--no-isolation", "--outdir", folder / "dist", source], cwd=folder)
    (sdist,) = (folder / "dist").glob("*.tar.gz")
    (wheel,) = (folder / "dist").glob("*.whl")
    return sdist, wheel


def bin_folder(venv: Path) -> Path:
    return venv / ("Scripts" if os.name == "nt" else "bin")


def install_beside_our_dependencies(wheel: Path, venv: Path) -> Path:
    """Install the wheel alone into a new environment that borrows this one's dependencies; return its Python."""
    run([sys.executable, "-m", "venv", "--without-pip", venv], cwd=venv.parent)
    python = bin_folder(venv) / Path(sys.executable).name
    install = ["install", "--quiet", "--no-index", "--no-deps", wheel]
    run([sys.executable, "-m", "pip", "--isolated", "--python", python, *install], cwd=venv.parent)
    # .pth files of a borrowed folder are not read, so the checkout stays out of sight.
    site = Path(run([python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"], cwd=venv.parent).strip())
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return python
