"""Entry point of the ``strokeplane`` command.

The packages ``logger`` and ``analysis`` have plain names, which a stranger's package may carry too. This module has
a name of its own, so that it can look before anything of theirs is used.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
PACKAGES = ("logger", "analysis")


def find_stranger() -> str | None:
    """Return a sentence about the first package that is missing or not strokeplane's own, None if all is well."""
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        if spec is None:
            return f"its package {name!r} is missing; install strokeplane again"
        place = Path(spec.origin or name)
        if place.resolve() != HERE / name / "__init__.py" or not is_ours(name):
            return (
                f"another package named {name!r} stands in its way ({place}); "
                "install strokeplane in a virtual environment of its own, and leave PYTHONPATH empty"
            )
    return None


def is_ours(name: str) -> bool:
    """Tell whether a package in the right place is ours: another one installed there overwrites its first file."""
    try:
        package = importlib.import_module(name)
    except (ImportError, SyntaxError):
        return False
    return getattr(package, "PART_OF", None) == "strokeplane"


def main() -> None:
    """Run the command line, if its packages are strokeplane's own."""
    stranger = find_stranger()
    if stranger is not None:
        sys.exit(f"strokeplane: {stranger}")
    # Matrices are small here: threads that wait for each other cost many times what they save on busy cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    importlib.import_module("logger.cli").main()


if __name__ == "__main__":
    main()
