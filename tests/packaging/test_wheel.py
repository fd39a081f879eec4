"""The wheel and the sdist: what is in them, and that the installed command works away from the checkout."""

from __future__ import annotations

import re
import subprocess
import tarfile
import zipfile
from pathlib import Path

import pytest

from analysis.findings.arbiter import weigh_session
from logger.many.analyse import analyse_file
from logger.report.result_files import render_result_json
from tests.house.test_house import PACKAGES, ROOT, tracked_files
from tests.packaging.built import bin_folder, build, install_beside_our_dependencies, run


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return build(tmp_path_factory.mktemp("built"))


@pytest.fixture(scope="module")
def python(built: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return install_beside_our_dependencies(built[1], tmp_path_factory.mktemp("away") / "venv")


def shipped() -> set[str]:
    """Every tracked file of the packages, code and data alike, and the entry point."""
    names = {path.relative_to(ROOT).as_posix() for path in tracked_files()}
    return {name for name in names if name.split("/")[0] in PACKAGES or name == "strokeplane.py"}


def test_the_wheel_holds_every_file_of_the_packages_and_nothing_else(built: tuple[Path, Path]) -> None:
    with zipfile.ZipFile(built[1]) as wheel:
        names = {name for name in wheel.namelist() if ".dist-info/" not in name}
        licences = [name for name in wheel.namelist() if name.endswith("/licenses/LICENSE")]
    assert names == shipped()
    assert {"logger/py.typed", "analysis/py.typed", "logger/cli.py"} <= names
    assert len(licences) == 1


def test_the_sdist_holds_the_packages_and_no_tests(built: tuple[Path, Path]) -> None:
    with tarfile.open(built[0]) as sdist:
        names = {re.sub(r"^[^/]+/", "", member.name) for member in sdist.getmembers() if member.isfile()}
    assert shipped() <= names
    assert {"LICENSE", "README.md", "CHANGELOG.md", "pyproject.toml"} <= names
    assert [name for name in names if name.split("/")[0] in ("tests", "benchmarks", "sample_logs", "docs")] == []


def test_the_installed_command_runs_away_from_the_checkout(python: Path, tmp_path: Path) -> None:
    command = bin_folder(python.parent.parent) / "strokeplane"
    assert "Usage: strokeplane" in run([command, "--help"], cwd=tmp_path)
    assert re.search(r"\d+\.\d+", run([command, "--version"], cwd=tmp_path))
    place = run([python, "-c", "import logger; print(logger.__file__)"], cwd=tmp_path).strip()
    assert Path(place).is_relative_to(python.parent.parent)


def test_every_module_imports_away_from_the_checkout(python: Path, tmp_path: Path) -> None:
    code = (
        "import importlib, pkgutil, analysis, logger\n"
        "found = [m.name for p in (analysis, logger) for m in pkgutil.walk_packages(p.__path__, p.__name__ + '.')]\n"
        "for name in found:\n"
        "    if not name.endswith('__main__'): importlib.import_module(name)\n"
        "print(len(found))"
    )
    modules = [name for name in shipped() if name.endswith(".py") and name.count("/") > 0]
    tops = len(PACKAGES)
    assert int(run([python, "-c", code], cwd=tmp_path)) == len(modules) - tops


def test_the_installed_command_gives_the_checkouts_answer(python: Path, tmp_path: Path) -> None:
    """With its data files: instruments, report, sensor profiles, the live page."""
    log = ROOT / "sample_logs" / "steady_and_tilted.mcap"
    command = bin_folder(python.parent.parent) / "strokeplane"
    shown = run([command, "analyse", log, "--html", "report.html", "--json", "-"], cwd=tmp_path)
    assert shown == render_result_json(weigh_session(analyse_file(log).result))
    assert (tmp_path / "report.html").stat().st_size > 10_000
    code = (
        "import sys; from importlib.resources import files\n"
        "for name in sys.argv[1:]: print(len(files('logger').joinpath(*name.split('/')[1:]).read_bytes()))"
    )
    data = sorted(name for name in shipped() if name.startswith("logger/") and not name.endswith(".py"))
    sizes = [int(size) for size in run([python, "-c", code, *data], cwd=tmp_path).split()]
    assert sizes == [(ROOT / name).stat().st_size for name in data]
    assert len([name for name in data if name.startswith(("logger/profiles/", "logger/live/static/"))]) > 8


@pytest.mark.parametrize("name", PACKAGES)
def test_a_stranger_of_the_same_name_is_one_clear_sentence(python: Path, tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    (tmp_path / name / "__init__.py").write_text("def get():\n    return 'a stranger'\n", encoding="utf-8")
    done = subprocess.run(
        [python, "-c", "import strokeplane; strokeplane.main()"],
        cwd=tmp_path,
        env={"PYTHONPATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert len(done.stderr.strip().splitlines()) == 1
    assert f"another package named '{name}'" in done.stderr
    assert str(tmp_path / name) in done.stderr
    assert "virtual environment of its own" in done.stderr


@pytest.mark.parametrize("name", PACKAGES)
def test_a_stranger_installed_over_ours_is_one_clear_sentence(
    built: tuple[Path, Path], tmp_path: Path, name: str
) -> None:
    python = install_beside_our_dependencies(built[1], tmp_path / "venv")
    place = Path(run([python, "-c", f"import {name}; print({name}.__file__)"], cwd=tmp_path).strip())
    place.write_text("print 'written for another Python'\n", encoding="utf-8")
    command = bin_folder(tmp_path / "venv") / "strokeplane"
    done = subprocess.run([command, "--help"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.startswith(f"strokeplane: another package named '{name}'")
    assert len(done.stderr.strip().splitlines()) == 1
