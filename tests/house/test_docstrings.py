"""What crosses a door between rooms says what it takes, gives and refuses: counted, the number printed."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from typing import TypeAlias

import pytest

from tests.house.test_house import ROOT, all_modules

Function: TypeAlias = ast.FunctionDef | ast.AsyncFunctionDef


def room_of(module: str) -> str:
    """A folder of a package is a room; so is a module that stands beside the folders."""
    return ".".join(module.split(".")[:2])


@cache
def trees() -> dict[str, ast.Module]:
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): ast.parse(path.read_text(encoding="utf-8"))
        for path in all_modules()
    }


def names_across(module: str, tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Module and name of whatever a module takes from another room, also inside functions and through a module."""
    aliases: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                if whole in trees():
                    aliases[alias.asname or alias.name] = whole
                elif node.module in trees() and room_of(node.module) != room_of(module):
                    yield node.module, alias.name
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in aliases:
            target = aliases[node.value.id]
            if room_of(target) != room_of(module):
                yield target, node.attr


@cache
def crossing() -> list[tuple[str, Function | ast.ClassDef]]:
    """Functions and classes that another room imports, with their modules."""
    wanted: dict[str, set[str]] = defaultdict(set)
    for module, tree in trees().items():
        for target, name in names_across(module, tree):
            wanted[target].add(name)
    return [
        (module, node)
        for module, names in sorted(wanted.items())
        for node in trees()[module].body
        if isinstance(node, Function | ast.ClassDef) and node.name in names
    ]


def methods(node: Function | ast.ClassDef) -> list[Function]:
    """Public methods of a class; of a property or an overload the one line says enough."""
    if not isinstance(node, ast.ClassDef):
        return []
    found = [each for each in node.body if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef)]
    plain = [
        each for each in found if not any(re.search("property|overload", ast.unparse(d)) for d in each.decorator_list)
    ]
    return [each for each in plain if not each.name.startswith("_")]


def has(doc: str, *sections: str) -> bool:
    return any(f"{section}\n{'-' * len(section)}" in doc for section in sections)


def names(doc: str, word: str) -> bool:
    return re.search(rf"\b{word}\b", doc) is not None


def arguments(function: Function) -> list[str]:
    every = function.args.posonlyargs + function.args.args + function.args.kwonlyargs
    return [each.arg for each in every if each.arg not in ("self", "cls")]


def gives(function: Function) -> bool:
    return function.returns is not None and ast.unparse(function.returns) not in ("None", "NoReturn")


def raises(node: ast.AST) -> bool:
    """Whether a function itself raises; an error made ready elsewhere (``raise reasons[0]``) counts too."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda):
            continue
        if (isinstance(child, ast.Raise) and child.exc is not None) or raises(child):
            return True
    return False


def lacks(node: Function | ast.ClassDef) -> list[str]:
    """Names of the sections that a docstring lacks; of a record, the fields that it does not name."""
    doc = ast.get_docstring(node) or ""
    if not doc:
        return ["a docstring"]
    if isinstance(node, ast.ClassDef):
        return class_lacks(node, doc)
    takes = arguments(node) and not has(doc, "Parameters")
    missing = ["Parameters"] if takes else [f"Parameters: {a}" for a in arguments(node) if not names(doc, a)]
    missing += ["Returns"] if gives(node) and not has(doc, "Returns", "Yields") else []
    return missing + (["Raises"] if raises(node) and not has(doc, "Raises") else [])


def class_lacks(node: ast.ClassDef, doc: str) -> list[str]:
    fields = [
        each.target.id
        for each in node.body
        if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name) and not each.target.id.startswith("_")
    ]
    starts = [each for each in node.body if isinstance(each, ast.FunctionDef) and each.name == "__init__"]
    unnamed = [f"Attributes: {name}" for name in fields if not names(doc, name)]
    takes = any(arguments(each) for each in starts) and not has(doc, "Parameters")
    return unnamed + (["Parameters"] if takes else [])


def test_what_crosses_a_door_says_what_it_takes_gives_and_raises(record_property: pytest.RecordProperty) -> None:
    found = {f"{module}.{node.name}": lacks(node) for module, node in crossing()}
    found |= {f"{module}.{node.name}.{each.name}": lacks(each) for module, node in crossing() for each in methods(node)}
    short = {name: missing for name, missing in found.items() if missing}
    classes = sum(isinstance(node, ast.ClassDef) for _, node in crossing())
    print(f"{len(found)} names cross doors ({classes} classes); {len(short)} lack a section of their docstrings")
    record_property("crossing", len(found))
    record_property("lacking", len(short))
    assert len(found) > 500, "the count itself is broken"
    assert short == {}


@pytest.mark.parametrize(
    ("code", "missing"),
    [
        ("def f(a): pass", ["a docstring"]),
        ("def f(a) -> int:\n    '''Say.'''", ["Parameters", "Returns"]),
        ("def f() -> None:\n    '''Say.'''\n    raise ValueError", ["Raises"]),
        ("def f() -> Iterator[int]:\n    '''Say.\n\n    Yields\n    ------\n    int\n    '''", []),
        (
            "def f(a, b) -> None:\n    '''Say.\n\n    Parameters\n    ----------\n    a : int\n    '''",
            ["Parameters: b"],
        ),
        ("class C:\n    '''Only ``first``.'''\n    first: int\n    second: int", ["Attributes: second"]),
        ("class C:\n    '''Say.'''\n    def __init__(self, first): pass", ["Parameters"]),
    ],
)
def test_the_count_finds_what_it_looks_for(code: str, missing: list[str]) -> None:
    node = ast.parse(code).body[0]
    assert isinstance(node, Function | ast.ClassDef)
    assert lacks(node) == missing
