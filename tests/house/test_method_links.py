"""The method's page: what it names in the code is there, its formulas convert, its defaults are the code's."""

from __future__ import annotations

import ast
import re
import runpy

import pytest
from latex2mathml.converter import convert

from analysis.motion.heading_drift import HeadingSettings
from analysis.motion.orientation import LONG_GAP_S, TAU_ACC_S
from analysis.reference.gesture_directions import GestureSettings
from analysis.reference.lever import LeverSettings
from analysis.signal.working_grid import WORK_RATE_HZ
from tests.house.test_house import ROOT

PAGE = (ROOT / "docs" / "method.md").read_text(encoding="utf-8")
SITE = runpy.run_path(str(ROOT / "docs" / "site_hooks.py"))
NAMED = sorted(set(re.findall(r"`(analysis/[\w/]+\.py)::([\w.]+)`", PAGE)))


def defined(file: str) -> set[str]:
    """Names of a file's functions and classes, and of its classes' methods."""
    names = set()
    for node in ast.parse((ROOT / file).read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ClassDef):
            names |= {f"{node.name}.{inner.name}" for inner in node.body if isinstance(inner, ast.FunctionDef)}
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            names.add(node.name)
    return names


def test_the_page_names_its_places() -> None:
    assert len(NAMED) > 40
    # Every place is named in full, so that none escapes this test.
    assert PAGE.count("::") == len(re.findall(r"`analysis/[\w/]+\.py::[\w.]+`", PAGE)) + PAGE.count("`file::function`")


@pytest.mark.parametrize(("file", "name"), NAMED, ids=[f"{file}::{name}" for file, name in NAMED])
def test_every_named_place_exists(file: str, name: str) -> None:
    assert name in defined(file)


def test_formulas_become_mathml() -> None:
    formulas = SITE["BLOCK_FORMULA"].findall(PAGE) + SITE["INLINE_FORMULA"].findall(PAGE)
    assert len(formulas) > 30
    for formula in formulas:
        shown = re.sub(r"<[^>]+>", "", convert(formula))
        assert "\\" not in shown, formula


def test_numbers_on_the_page_are_the_defaults() -> None:
    lever, gestures, heading = LeverSettings(), GestureSettings(), HeadingSettings()
    said = " ".join(PAGE.split())
    for words in (
        f"time constant {TAU_ACC_S:g} s",
        f"gap of more than {LONG_GAP_S:g} s",
        f"working rate near {WORK_RATE_HZ:g} Hz",
        f"averaged to {lever.fit_rate_hz:g} Hz",
        f"else {lever.free_lever_mm:g} mm",
        f"plus {lever.rounding_mm:g} mm an axis",
        f"with {lever.regrip_mm:g} mm an axis",
        f"assumed, {gestures.across_slope_deg:g} deg for `across` and {gestures.along_slope_deg:g} deg for `along`",
        f"jump of heading of {heading.jump_deg:g} deg",
    ):
        assert words in said
