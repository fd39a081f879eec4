"""The documentation: it builds, its links lead somewhere, its pages fetch nothing, its commands run."""

from __future__ import annotations

import ast
import contextlib
import io
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.model.stroke_columns import STROKE_COLUMNS
from logger.cli import COMMANDS
from tests.house.test_house import ROOT, tracked_files
from tests.packaging.built import bin_folder

PAGES = sorted(path for path in tracked_files() if path.suffix == ".md")
BLOCK = re.compile(r"^```(console|python)\n(.*?)^```$(?:\s*^```text\n(.*?)^```$)?", re.MULTILINE | re.DOTALL)
LINK = re.compile(r"\]\(([^)#\s]+)(#[^)\s]*)?\)")
FETCHED = re.compile(
    r"<(?:script|img|iframe|source)[^>]*\ssrc=\"?(?:https?:)?//|<link[^>]*href=\"?(?:https?:)?//|@import"
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "--quiet", "--site-dir", str(folder)]
    built = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout + built.stderr
    return folder


def test_the_site_builds_and_fetches_nothing_from_elsewhere(site: Path) -> None:
    pages = list(site.rglob("*.html"))
    assert len(pages) >= 3
    assert [page.name for page in pages if FETCHED.search(page.read_text(encoding="utf-8"))] == []


def test_every_command_and_column_is_in_the_reference(site: Path) -> None:
    commands = (site / "reference" / "commands.html").read_text(encoding="utf-8")
    columns = (site / "reference" / "columns.html").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"Usage: strokeplane {name}" not in commands] == []
    assert [column.name for column in STROKE_COLUMNS if f"<code>{column.name}</code>" not in columns] == []


def page_name(page: Path) -> str:
    return str(page.relative_to(ROOT))


@pytest.mark.parametrize("page", [page for page in PAGES if page.parent != ROOT / "docs"], ids=page_name)
def test_links_between_files_lead_somewhere(page: Path) -> None:
    """For pages that are not part of the site; of those that are, the strict build checks the links."""
    targets = [target for target, _ in LINK.findall(page.read_text(encoding="utf-8")) if "://" not in target]
    assert [target for target in targets if not (page.parent / target).exists()] == []


def blocks(page: Path) -> list[tuple[str, str, str]]:
    """Return a page's blocks that are run: console or python, the code, and the output shown right below it."""
    return BLOCK.findall(page.read_text(encoding="utf-8"))


def commands(block: str) -> list[str]:
    """Return the commands of a console block: lines after ``$``, joined over a trailing backslash."""
    return [line[2:] for line in block.replace("\\\n", " ").splitlines() if line.startswith("$ ")]


PAGES_WITH_COMMANDS = [page for page in PAGES if blocks(page)]


@pytest.mark.parametrize("page", PAGES_WITH_COMMANDS, ids=page_name)
def test_everything_shown_runs(page: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands and Python of one page run in order, in a folder with the shipped logs, settings in a folder of theirs.

    Each command must succeed; Python goes on from block to block, and must show what stands below it.
    """
    shutil.copytree(ROOT / "sample_logs", tmp_path / "sample_logs")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STROKEPLANE_HOME", str(tmp_path / "settings"))
    names: dict[str, object] = {"__name__": "page"}
    for language, block, shown in blocks(page):
        if language == "python":
            output = run_python(block, names)
            assert not shown or output.split() == shown.split(), f"{block}\nshows\n{output}"
        for command in commands(block) if language == "console" else ():
            run_command(command)


def run_command(command: str) -> None:
    words = shlex.split(command)
    assert words[0] == "strokeplane", f"{command}: console blocks hold strokeplane commands; use sh for others"
    program = bin_folder(Path(sys.prefix)) / "strokeplane"
    done = subprocess.run([program, *words[1:]], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"


def run_python(block: str, names: dict[str, object]) -> str:
    """Run a block as a notebook would: return what it prints, and the value of its last line."""
    tree = ast.parse(block)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        exec(compile(tree, "<page>", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "<page>", "eval"), names) if last is not None else None
        if value is not None:
            print(value)
    return printed.getvalue()


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_shipped_logs_that_a_page_names_are_shipped(page: Path) -> None:
    names = re.findall(r"sample_logs[/\\]([\w.-]+\.\w+)", page.read_text(encoding="utf-8"))
    assert [name for name in names if not (ROOT / "sample_logs" / name).exists()] == []
