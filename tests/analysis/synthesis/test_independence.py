"""The forward model shares no code with the estimator that it judges."""

from __future__ import annotations

import ast
from pathlib import Path

import analysis.synthesis

ALLOWED = {
    "analysis.model.records",
    "analysis.model.errors",
    "analysis.model.stroke_columns",
    "analysis.model.session_parts",
}
OUTSIDE = {"__future__", "collections", "dataclasses", "itertools", "typing", "numpy", "scipy", "pandas"}


def imported_modules(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names.add(node.module or "")
    return names


def test_forward_model_imports_nothing_of_the_estimator() -> None:
    folder = Path(analysis.synthesis.__file__).parent
    modules = sorted(folder.rglob("*.py"))
    assert len(modules) > 5
    for path in modules:
        for name in imported_modules(path):
            inside = name in ALLOWED or name.startswith("analysis.synthesis")
            assert inside or name.split(".")[0] in OUTSIDE, f"{path.name} imports {name}"
