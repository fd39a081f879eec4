"""Entry point of the ``strokeplane`` command, and the names that scripts and notebooks use: ``docs/python.md``.

Whatever a script needs is imported from here and stays here, wherever the rooms of the house put it.

The packages ``logger`` and ``analysis`` have plain names, which a stranger's package may carry too. This module has
a name of its own, so that it can look before anything of theirs is used.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.findings.arbiter import weigh_session as weigh_session
    from analysis.model.errors import NotEnoughDataError as NotEnoughDataError
    from analysis.model.errors import StrokeplaneError as StrokeplaneError
    from analysis.pipeline import Settings as Settings
    from analysis.pipeline import analyse_session as analyse_session
    from analysis.questions.hold import find_hold_tempo as find_hold_tempo
    from analysis.questions.posture import compare_postures as compare_postures
    from analysis.signal.si_units import counts_to_si as counts_to_si
    from analysis.synthesis.scenario import PlayBlock as PlayBlock
    from analysis.synthesis.scenario import Scenario as Scenario
    from analysis.synthesis.simulate import simulate as simulate
    from logger.exchange.export_files import export_files as export_files
    from logger.exchange.export_files import prepare_folder as prepare_folder
    from logger.exchange.export_tables import load_source as load_source
    from logger.report.result_files import write_result_json as write_result_json
    from logger.report.result_files import write_strokes_csv as write_strokes_csv
    from logger.session.session_file import read_session as read_session

# Loaded when first asked for: the command line must not wait for them.
PLACES = {
    "NotEnoughDataError": "analysis.model.errors",
    "PlayBlock": "analysis.synthesis.scenario",
    "Scenario": "analysis.synthesis.scenario",
    "Settings": "analysis.pipeline",
    "StrokeplaneError": "analysis.model.errors",
    "analyse_session": "analysis.pipeline",
    "compare_postures": "analysis.questions.posture",
    "counts_to_si": "analysis.signal.si_units",
    "export_files": "logger.exchange.export_files",
    "find_hold_tempo": "analysis.questions.hold",
    "load_source": "logger.exchange.export_tables",
    "prepare_folder": "logger.exchange.export_files",
    "read_session": "logger.session.session_file",
    "simulate": "analysis.synthesis.simulate",
    "weigh_session": "analysis.findings.arbiter",
    "write_result_json": "logger.report.result_files",
    "write_strokes_csv": "logger.report.result_files",
}

HERE = Path(__file__).resolve().parent
PACKAGES = ("logger", "analysis")


def __getattr__(name: str) -> Any:
    """A name of the documented Python entry, from the module that defines it."""
    if name not in PLACES:
        raise AttributeError(f"module 'strokeplane' has no attribute {name!r}; it offers {', '.join(sorted(PLACES))}")
    return getattr(importlib.import_module(PLACES[name]), name)


def __dir__() -> list[str]:
    """The names of the documented Python entry."""
    return sorted([*globals(), *PLACES])


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
