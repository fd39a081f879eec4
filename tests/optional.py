"""Parts that a test needs and a machine may lack: skip with a reason, or fail where every part must be there.

With ``STROKEPLANE_REQUIRE_ALL=1`` (the continuous integration sets it) a missing part is a failure, so that no run
passes by skipping. Elsewhere the test is skipped and says what would make it run.
"""

from __future__ import annotations

import importlib
import os
import shutil
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest

REQUIRE_ALL = "STROKEPLANE_REQUIRE_ALL"
OPEN_DATA = "STROKEPLANE_OPEN_DATA"


def need_module(name: str, reason: str = "") -> ModuleType:
    """Import and return an optional module, or skip (fail where all parts are required)."""
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        # Only the module asked for may be missing: a broken installation of it is an error, never a skip.
        if error.name is None or not (name == error.name or name.startswith(error.name + ".")):
            raise
    missing(f"the Python module {name} is not installed ({reason or 'see the extras in pyproject.toml'})")


def need_program(*names: str, reason: str = "") -> str:
    """Return the path of the first of these programs that is there, or skip (fail where all parts are required)."""
    for name in names:
        path = shutil.which(name)
        if path is not None:
            return path
    missing(f"no program {' or '.join(names)} on the path" + (f" ({reason})" if reason else ""))


def need_open_data(relative: str = "") -> Path:
    """Return a file or folder of the open data sets, or skip (fail where all parts are required)."""
    root = os.environ.get(OPEN_DATA)
    if not root:
        missing(f"{OPEN_DATA} does not point to the folder with the open data sets")
    path = Path(root) / relative
    if not path.exists():
        missing(f"{OPEN_DATA} is set, but {relative or root} is not there")
    return path


def missing(reason: str) -> NoReturn:
    """Skip the running test (or the module being collected); fail instead where all parts are required."""
    __tracebackhide__ = True
    if os.environ.get(REQUIRE_ALL) == "1":
        pytest.fail(f"{REQUIRE_ALL}=1, but {reason}", pytrace=False)
    pytest.skip(reason, allow_module_level=True)
