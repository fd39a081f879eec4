"""Short sessions of invented players, and analyses that go wrong; worker processes import this module too."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

from analysis.model.errors import InputError
from analysis.model.records import Player, Session
from analysis.synthesis.draw import random_scenario
from analysis.synthesis.scenario import PlayBlock
from analysis.synthesis.simulate import simulate
from logger.session.session_file import write_session


@cache
def drawn(seed: int) -> Session:
    block = PlayBlock(strokes_per_s=6.0, tilt_deg=14.0, duration_s=5.0, drill="tune")
    return simulate(
        replace(random_scenario(seed, rate_hz=100.0), blocks=(block, block), rest_s=(1.0, 2.0)), seed
    ).session


def write_sessions(folder: Path, count: int) -> None:
    """Two players' sessions, every file with bytes of its own."""
    for i in range(count):
        made = drawn(4 + i % 2)
        session = replace(made, player=Player(f"invented {i % 2}"), metadata={**made.metadata, "number": str(i)})
        place = folder / f"player {i % 2}" / f"{i:02d}.mcap"
        place.parent.mkdir(exist_ok=True, parents=True)
        write_session(place, session)


def name_of_file(path: Path) -> tuple[str, str]:
    """An analysis that costs nothing; a file's name says what goes wrong with it."""
    if path.stem == "ends":
        os.kill(os.getpid(), signal.SIGKILL)
    if path.stem.startswith("ends once") and not (marker := path.with_suffix(".ended")).exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if path.stem == "faulty":
        raise ZeroDivisionError("a line\nand another")
    if path.stem == "poor":
        raise InputError(f"{path}: expected more, found less; record again")
    if path.stem == "gone":
        try:
            path.with_name("missing").read_bytes()
        except OSError as error:
            raise InputError(f"{path} cannot be read") from error
    return path.name, f"{os.getpid()} {os.environ.get('OPENBLAS_NUM_THREADS')} {os.environ.get('OMP_NUM_THREADS')}"


def wait_long(path: Path) -> tuple[str, str]:
    path.with_suffix(f".{os.getpid()}").touch()
    time.sleep(60.0)
    return path.name, ""
