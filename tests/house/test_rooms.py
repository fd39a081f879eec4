"""The rooms of both packages: what each may use stands in its own docstring, and an import only goes down."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest

from tests.house.test_house import PACKAGES, ROOT, modules, name_of

MOST_MODULES = 20  # a folder; commands has one module a command

# From the top floor down. Rooms of one line stand on one floor and do not use each other.
FLOORS = {
    "analysis": [
        "pipeline findings",
        "report",
        "tension",
        "questions",
        "stroke",
        "witness",
        "reference",
        "consistency",
        "motion",
        "sound",
        "drills signal statistics synthesis",
        "model",
    ],
    "logger": [
        "sample_logs",
        "commands",
        "phone",
        "exchange live",
        "player",
        "report record",
        "many sources cli",
        "terminal",
        "guide",
        "session practice sliding sound",
        "files",
    ],
}


def room_of(module: str) -> str:
    """The room of a dotted name, as ``analysis.stroke``; a module beside the rooms is a room of its own."""
    return ".".join(module.split(".")[:2])


def imported_modules(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            # "from analysis import stroke" names a room, too.
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name for name in names if name.split(".")[0] in PACKAGES and "." in name}


@cache
def arrows() -> dict[str, set[str]]:
    """Room -> rooms that it uses, as the imports have it."""
    found: dict[str, set[str]] = defaultdict(set)
    for package in PACKAGES:
        for path in modules(package):
            room = room_of(".".join(path.relative_to(ROOT).with_suffix("").parts))
            if room.endswith("__init__"):
                continue
            found[room] |= {room_of(name) for name in imported_modules(path)} - {room}
    return dict(found)


def floor_of() -> dict[str, int]:
    heights = {}
    for package, floors in FLOORS.items():
        for height, rooms in enumerate(reversed(floors)):
            heights |= {f"{package}.{room}": height for room in rooms.split()}
    return heights


def folders() -> list[Path]:
    return [path.parent for package in PACKAGES for path in modules(package) if path.name == "__init__.py"]


def rooms() -> list[Path]:
    return [folder for folder in folders() if folder.parent.name in PACKAGES]


def allowed_rooms(room: Path) -> set[str]:
    """The rooms of its own package that a room's docstring allows it."""
    docstring = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""
    stated = re.search(r"^May use: ([^.]+)\.$", docstring, re.MULTILINE)
    assert stated, f"{name_of(room)} does not say what it may use"
    words = re.sub(r"\([^)]*\)", "", stated[1])
    if words.startswith("every room"):
        return {f"{room.parent.name}.{other.name}" for other in rooms()}
    return {f"{room.parent.name}.{word}" for word in re.findall(r"[a-z]+", words) if (room.parent / word).is_dir()}


def test_every_room_has_a_floor() -> None:
    assert set(arrows()) <= set(floor_of())
    assert {room_of(".".join(room.relative_to(ROOT).parts)) for room in rooms()} <= set(floor_of())


@pytest.mark.parametrize("room", sorted(arrows()))
def test_an_import_only_goes_down(room: str) -> None:
    heights = floor_of()
    inside = {used for used in arrows()[room] if used.split(".")[0] == room.split(".")[0]}
    assert {used for used in inside if heights[used] >= heights[room]} == set()


@pytest.mark.parametrize("room", rooms(), ids=name_of)
def test_a_room_says_what_lives_there_and_uses_what_it_may(room: Path) -> None:
    docstring = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8"))) or ""
    assert "Comes in: " in docstring
    assert "Goes out: " in docstring
    name = f"{room.parent.name}.{room.name}"
    inside = {used for used in arrows().get(name, set()) if used.startswith(f"{room.parent.name}.")}
    assert inside - allowed_rooms(room) == set()


@pytest.mark.parametrize("folder", folders(), ids=name_of)
def test_a_folder_can_be_seen_in_one_look(folder: Path) -> None:
    if folder.name != "commands":
        count = len([path for path in folder.glob("*.py") if path.name != "__init__.py"])
        assert count <= MOST_MODULES, f"{count} modules; split it along its subject"


def test_a_room_hands_on_nothing_of_others() -> None:
    """No re-export layers: what a room offers is imported from the module that defines it."""
    for room in rooms():
        tree = ast.parse((room / "__init__.py").read_text(encoding="utf-8"))
        assert not [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)], name_of(room)


def test_tests_mirror_the_rooms() -> None:
    for package in PACKAGES:
        inside = {path.name for path in (ROOT / package).iterdir() if path.is_dir()} | {"pipeline"}
        mirrored = {path.name for path in (ROOT / "tests" / package).iterdir() if (path / "__init__.py").exists()}
        assert mirrored <= inside


def drawn_floors(package: str) -> list[str]:
    """The floors of a package as the picture in DEVELOPERS.md has them, from the top down."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    picture = re.search(r"```text\n(logger: .*?)```", text, re.DOTALL)
    assert picture
    part = re.search(rf"^{package}: .*?(?=^[a-z]+: |\Z)", picture[1], re.DOTALL | re.MULTILINE)
    assert part
    known = {name for floor in FLOORS[package] for name in floor.split()}
    floors = []
    for line in part[0].splitlines()[1:]:
        # The names of a floor stand three blanks apart, its explanation further right.
        names = re.match(r"  ([a-z_]+(?: {3}[a-z_]+)*)", line)
        if names and set(names[1].split()) <= known:
            floors.append(names[1])
    return [" ".join(floor.split()) for floor in floors]


@pytest.mark.parametrize("package", PACKAGES)
def test_the_picture_of_the_rooms_is_true(package: str) -> None:
    assert drawn_floors(package) == FLOORS[package]


def test_what_lies_beside_the_rooms_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    listed = re.search(r"```text\n(strokeplane\.py.*?)```", text, re.DOTALL)
    assert listed
    assert [name for name in re.findall(r"^\S+", listed[1], re.MULTILINE) if not (ROOT / name).exists()] == []


def test_files_named_for_contributors_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:analysis|logger|tests|docs)/[\w/]+\.(?:py|md|toml))`", text))
    assert len(named) > 10
    assert [name for name in named if "NAME" not in name and not (ROOT / name).exists()] == []
