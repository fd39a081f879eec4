"""The desk program, compiled once a run for this computer (with sanitizers) and for the emulated Cortex-M4."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.firmware.compilers import CORE, DESK, SANITIZERS, Desk, compile_cortex, compile_native

SOURCES = [CORE / "strokeplane.c", DESK / "desk.c"]


@pytest.fixture(scope="session")
def native(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("native")
    return Desk(compile_native(folder, "desk", SOURCES, SANITIZERS), False)


@pytest.fixture(scope="session")
def cortex(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("cortex")
    return Desk(compile_cortex(folder, "desk.elf", SOURCES, ["-O2"]), True)


@pytest.fixture(params=["native", "cortex"])
def desk(request: pytest.FixtureRequest) -> Desk:
    """Either build: what holds for one holds for the other."""
    built: Desk = request.getfixturevalue(request.param)
    return built


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path
