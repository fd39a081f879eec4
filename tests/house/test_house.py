"""Rules of the house: which way dependencies point, what stays pure, what names and texts may not hold."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from logger.cli import COMMANDS, cli
from tests.optional import missing, need_program

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("analysis", "logger")
LONGEST_MODULE = 250  # lines of code and comments; docstrings, which another test asks for, apart
LONGER = {
    "analysis/pipeline.py": "the chain from samples to result in its order, in two halves",
    "analysis/drills/alignment.py": "one dynamic program: costs, recursion and confidence are read together",
    "analysis/drills/phrase_text.py": "reader and writer of one notation, each the other's check",
    "analysis/drills/tab_order.py": "the layout of one system of a tab: order, bars and marks depend on each other",
    "analysis/model/records.py": "records that every room shares, each a few lines of fields",
    "analysis/questions/hold.py": "one question from its pieces to its answer, with its equations",
    "analysis/reference/find_gestures.py": "one search: each kind of gesture is told by what the others are not",
    "analysis/report/figures_questions.py": "one picture for each question, in one style",
    "analysis/report/figures_time.py": "one picture whose layers share an axis, and its companion",
    "analysis/report/verdict.py": "the whole of the answer's wording, case by case in one order",
    "analysis/signal/calibration.py": "one fit with the checks that refuse its input",
    "analysis/sound/witness.py": "the order in which a sound is heard, stage after stage",
    "analysis/synthesis/scenario.py": "everything that can be simulated, a line for each setting",
    "logger/exchange/check_bids.py": "one check of a data set after another, for one standard",
    "logger/exchange/guess_map.py": "one guess: names, units and axes bear each other out",
    "logger/exchange/import_bids.py": "one standard's files put together to one session",
    "logger/guide/view.py": "one sentence and one set of keys for every phase of the guide",
    "logger/live/session_run.py": "the one place where the guide's orders are carried out",
    "logger/live/simulated_player.py": "one player: what it plays, and when it does what it is asked",
    "logger/practice/plan.py": "a plan's records with the checks and sentences of every field",
    "logger/practice/score_reading.py": "one format's elements, each with what is not read of it",
    "logger/record/recorder.py": "one thread's queue, losses and file, which hold only together",
    "logger/session/session_file.py": "writer and reader of one file, each the other's check",
    "logger/sliding/estimator.py": "the batch's stages on a window, in their order",
    "logger/sources/device_profile.py": "a profile's records with the checks of every key",
    "logger/sources/packets.py": "every message of the wire protocol, both ways",
    "logger/sources/sensor_check.py": "one check after another, each a line of the same list",
}
"""Longer modules, each with the reason why it is not two."""
VAGUE_NAMES = re.compile(r"(^|_)(utils?|helpers?|common|misc|managers?|handlers?|process(or)?)(_|$)", re.IGNORECASE)

# What analysis would need to touch files, clocks, devices, screens or other processes.
# fmt: off
IMPURE_MODULES = {
    "aiohttp", "asyncio", "bleak", "builtins", "click", "ctypes", "datetime", "http", "io", "locale", "logging",
    "logger", "mcap", "multiprocessing", "os", "pathlib", "platform", "random", "rich", "secrets", "select",
    "serial", "shutil", "signal", "socket", "sqlite3", "ssl", "subprocess", "sys", "tempfile", "threading",
    "time", "urllib", "uuid",
}
# fmt: on
IMPURE_CALLS = ("breakpoint", "compile", "eval", "exec", "exit", "input", "open", "print", "__import__")
IMPURE_METHODS = re.compile(
    r"read_(csv|excel|json|parquet|pickle|sql|table)|to_(csv|excel|parquet|pickle|sql)|write_.*"
)
IMPURE_NUMPY = ("fromfile", "genfromtxt", "load", "loadtxt", "memmap", "save", "savetxt", "savez", "savez_compressed")


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def all_modules() -> list[Path]:
    return [path for package in PACKAGES for path in modules(package)]


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module.split(".")[0]


def impurities(tree: ast.AST) -> Iterator[str]:
    for name in imported(tree):
        if name in IMPURE_MODULES:
            yield f"imports {name}"
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name) and node.func.id in IMPURE_CALLS:
            yield f"line {node.lineno} calls {node.func.id}"
        if isinstance(node.func, ast.Attribute):
            owner = node.func.value.id if isinstance(node.func.value, ast.Name) else ""
            if IMPURE_METHODS.fullmatch(node.func.attr) or (owner == "np" and node.func.attr in IMPURE_NUMPY):
                yield f"line {node.lineno} calls {node.func.attr}"
            if node.func.attr == "default_rng" and not node.args and not node.keywords:
                yield f"line {node.lineno} draws random numbers without a seed"


GRID = ROOT / "analysis" / "signal" / "grid.py"
ON_A_GRID = [path for path in all_modules() if path != GRID and "synthesis" not in path.parts]  # the simulator is apart


@pytest.mark.parametrize("path", ON_A_GRID, ids=name_of)
def test_only_the_grid_turns_time_into_samples_and_back(path: Path) -> None:
    """A start and a rate in one sum: the lag of a settling clock would be left out."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.BinOp):
            names = {part.attr for part in ast.walk(node) if isinstance(part, ast.Attribute)}
            names |= {part.id for part in ast.walk(node) if isinstance(part, ast.Name)}
            assert not {"start_s", "rate_hz"} <= names, f"line {node.lineno}: use analysis.signal.grid.Grid"


def test_sessions_are_analysed_in_one_way() -> None:
    """Whoever reads a session and calls the chain by himself forgets the raps, or what was damaged."""
    once = {"analyse_session", "mark_blocks_by_raps"}
    found = {
        name_of(path)
        for path in modules("logger")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and once & {alias.name for alias in node.names}
    }
    assert found == {"logger/many/analyse.py"}


@pytest.mark.parametrize("path", modules("analysis"), ids=name_of)
def test_analysis_is_pure_and_never_imports_logger(path: Path) -> None:
    assert list(impurities(ast.parse(path.read_text(encoding="utf-8")))) == []


@pytest.mark.parametrize(
    "code",
    [
        "import os",
        "from time import monotonic",
        "import logger.session.session_file",
        "def f():\n    from logger import report",
        "print(1)",
        "open('x')",
        "np.load('x')",
        "frame.to_csv('x')",
        "figure.write_html('x')",
        "np.random.default_rng()",
    ],
)
def test_the_purity_check_finds_what_it_looks_for(code: str) -> None:
    assert len(list(impurities(ast.parse(code)))) == 1


def code_lines(path: Path) -> int:
    """Lines of a module but for its docstrings."""
    text = path.read_text(encoding="utf-8")
    said = (
        node.end_lineno - node.lineno + 1
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str)
        if node.end_lineno is not None
    )
    return len(text.splitlines()) - sum(said)


@pytest.mark.parametrize("path", all_modules(), ids=name_of)
def test_modules_are_short_enough_to_read(path: Path) -> None:
    lines = code_lines(path)
    assert lines <= LONGEST_MODULE or name_of(path) in LONGER, f"{lines} lines; split it, or say in LONGER why not"


def test_modules_that_are_called_long_are_long() -> None:
    almost = 0.9 * LONGEST_MODULE  # a few lines more or less change nothing
    assert [name for name in LONGER if code_lines(ROOT / name) < almost] == []


def test_no_vague_names() -> None:
    vague = []
    for path in all_modules():
        if VAGUE_NAMES.search(path.stem):
            vague.append(name_of(path))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and VAGUE_NAMES.search(re.sub(r"(?<!^)(?=[A-Z])", "_", node.name)):
                vague.append(f"{name_of(path)}: class {node.name}")
    assert vague == []


def test_no_assert_and_no_broad_except_in_the_packages() -> None:
    found = []
    for path in all_modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            broad = isinstance(node, ast.ExceptHandler) and (
                node.type is None
                or (isinstance(node.type, ast.Name) and node.type.id in ("Exception", "BaseException"))
            )
            if isinstance(node, ast.Assert) or broad:
                found.append(f"{name_of(path)}:{node.lineno}")
    assert found == []


def with_subcommands(name: str, command: click.Command) -> Iterator[tuple[str, click.Command]]:
    yield name, command
    if isinstance(command, click.Group):
        for inner, subcommand in command.commands.items():
            yield from with_subcommands(f"{name} {inner}", subcommand)


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_has_a_summary_and_every_option_a_help_text(name: str) -> None:
    module, function, summary = COMMANDS[name]
    command = getattr(importlib.import_module(module), function)
    assert isinstance(command, click.Command)
    assert summary
    for full_name, each in with_subcommands(name, command):
        assert each.help, f"{full_name} has no help"
        bare = [p.name for p in each.params if isinstance(p, click.Option) and not p.hidden and not p.help]
        assert bare == [], f"options of {full_name} without a help text"
        shown = each.get_help(click.Context(each, info_name=full_name, terminal_width=80))
        assert "..." not in shown.partition("Commands:")[2], f"{full_name}: a command's summary is cut short"


def test_the_command_table_is_what_the_group_offers() -> None:
    with click.Context(cli) as context:
        offered = {name: cli.get_command(context, name) for name in cli.list_commands(context)}
    assert list(offered) == list(COMMANDS)
    assert all(command is not None for command in offered.values())


def test_help_loads_no_heavy_package() -> None:
    code = (
        "import sys, strokeplane; sys.argv = ['strokeplane', '--help']\n"
        "try: strokeplane.main()\n"
        "except SystemExit: print(sorted({'numpy', 'scipy', 'pandas', 'plotly', 'aiohttp', 'rich'} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert shown.splitlines()[0].startswith("Usage: strokeplane")
    assert shown.splitlines()[-1] == "[]"


def tracked_files() -> list[Path]:
    git = need_program("git")
    command = [git, "-c", f"safe.directory={ROOT}", "ls-files", "-z"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=False)
    if listed.returncode:
        missing("this is not a git checkout")
    return [ROOT / name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).is_file()]


# In pieces, so that this file does not hold them.
FOREIGN_TEXTS = {
    "a package index": [
        "pypi" + ".org",
        "python" + "hosted",
        "registry.npm" + "js",
        "index-" + "url",
        "deb.deb" + "ian",
    ],
    "a path of somebody's machine": ["/wo" + "rk/", "/ro" + "ot/", "/home" + "/", "/opt/" + "py", "/tmp/" + "brief"],
    "notes that are not in the project": ["integration-" + "notes", "check-" + "values", "design" + ".md"],
}


@pytest.mark.parametrize("kind", FOREIGN_TEXTS)
def test_no_tracked_file_names(kind: str) -> None:
    found = []
    for path in tracked_files():
        text = path.read_bytes()
        found += [f"{name_of(path)}: {piece}" for piece in FOREIGN_TEXTS[kind] if piece.encode() in text]
    assert found == []
