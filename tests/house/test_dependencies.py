"""What is imported is declared in pyproject.toml, and what is declared is pinned."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

from tests.house.test_house import ROOT, modules

OURS = {"analysis", "logger", "strokeplane", "tests", "benchmarks"}
PLAYERS_EXTRAS = ("parquet", "cluster", "lsl", "sound", "score", "phone")
PIN = re.compile(r"[\w.-]+==[\w.+!]+( ; [\w .,'<>=!()]+)? \\|    --hash=sha256:[0-9a-f]{64}( \\)?")


def normal(requirement: str) -> str:
    """Return the package's normalised name of a requirement such as ``A_b[c]>=1 ; marker``."""
    name = re.match(r"[\w.-]+", requirement)
    assert name, requirement
    return re.sub(r"[-_.]+", "-", name[0]).lower()


@cache
def declared() -> dict[str, set[str]]:
    """Return the normalised names per group: "run", every extra, and "build"."""
    content = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    groups = {"run": content["project"]["dependencies"], "build": content["build-system"]["requires"]}
    groups |= content["project"]["optional-dependencies"]
    return {group: {normal(requirement) for requirement in needs} for group, needs in groups.items()}


@cache
def distributions() -> dict[str, list[str]]:
    return dict(packages_distributions())


def third_party(path: Path) -> Iterator[str]:
    """Yield the top-level modules of others that a file imports, by statement, by name or through tests.optional."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names = [node.module]
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in ("import_module", "find_spec", "need_module", "importorskip"):
                names = [str(node.args[0].value)]
        for name in names:
            top = name.split(".")[0]
            if top and top not in OURS and top not in sys.stdlib_module_names:
                yield top


def undeclared(folder: str, groups: set[str]) -> list[str]:
    allowed = set().union(*(declared()[group] for group in groups))
    found = []
    # A board's stand-in modules are run by another interpreter, with modules of its own.
    for path in (path for path in modules(folder) if path.parent.name != "micropython_desk"):
        for top in third_party(path):
            owners = {normal(owner) for owner in distributions().get(top, [top])}
            if not owners & allowed:
                found.append(f"{path.relative_to(ROOT)} imports {top}")
    return found


@pytest.mark.parametrize("folder", ["analysis", "logger"])
def test_the_packages_import_only_what_a_player_can_install(folder: str) -> None:
    assert undeclared(folder, {"run", *PLAYERS_EXTRAS}) == []


@pytest.mark.parametrize("folder", ["tests", "benchmarks", "docs", "requirements"])
def test_the_rest_imports_only_what_is_declared(folder: str) -> None:
    assert undeclared(folder, set(declared())) == []


@pytest.mark.parametrize(("file", "groups"), [("run", {"run", "build"}), ("dev", None)])
def test_requirements_pin_what_is_declared_and_hold_only_pins_and_hashes(file: str, groups: set[str] | None) -> None:
    lines = (ROOT / "requirements" / f"{file}.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not PIN.fullmatch(line)] == []
    pinned = {normal(line) for line in lines if not line.startswith(" ")}
    wanted = set().union(*(declared()[group] for group in groups or declared()))
    assert wanted - pinned == set(), "run: make lock"
