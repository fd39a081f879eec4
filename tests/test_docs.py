"""The documentation: it builds, its links lead somewhere, its pages fetch nothing, its commands run."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.tables import STROKE_COLUMNS
from logger.cli import COMMANDS
from tests.packaging.built import bin_folder
from tests.test_house import ROOT, tracked_files

PAGES = sorted(path for path in tracked_files() if path.suffix == ".md")
CONSOLE = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
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


def test_the_map_of_the_house_is_true() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawn = re.search(r"```text\n(strokeplane\.py.*?)```", text, re.DOTALL)
    assert drawn
    package, gone = ROOT, []
    for line in drawn[1].splitlines():
        # Names come first, the explanation after two spaces or more.
        names = re.split(r"\s{2,}", line.strip())[0].replace(",", "").split()
        if not line.startswith(" "):
            package = ROOT / names[0] if names[0].endswith("/") else ROOT
            names = names[:1]
        folder = package if line.startswith(" ") else ROOT
        gone += [name for name in names if not (folder / name).exists()]
    assert gone == []


def page_name(page: Path) -> str:
    return str(page.relative_to(ROOT))


@pytest.mark.parametrize("page", [page for page in PAGES if page.parent != ROOT / "docs"], ids=page_name)
def test_links_between_files_lead_somewhere(page: Path) -> None:
    """For pages that are not part of the site; of those that are, the strict build checks the links."""
    targets = [target for target, _ in LINK.findall(page.read_text(encoding="utf-8")) if "://" not in target]
    assert [target for target in targets if not (page.parent / target).exists()] == []


def console_commands(page: Path) -> list[str]:
    """Return the commands of a page's console blocks: lines after ``$``, joined over a trailing backslash."""
    commands = []
    for block in CONSOLE.findall(page.read_text(encoding="utf-8")):
        joined = block.replace("\\\n", " ")
        commands += [line[2:] for line in joined.splitlines() if line.startswith("$ ")]
    return commands


PAGES_WITH_COMMANDS = [page for page in PAGES if console_commands(page)]


@pytest.mark.parametrize("page", PAGES_WITH_COMMANDS, ids=page_name)
def test_every_command_shown_runs(page: Path, tmp_path: Path) -> None:
    """The commands of one page run in order, in a folder with the shipped logs; each must succeed."""
    program = bin_folder(Path(sys.prefix)) / "strokeplane"
    shutil.copytree(ROOT / "sample_logs", tmp_path / "sample_logs")
    for command in console_commands(page):
        words = shlex.split(command)
        assert words[0] == "strokeplane", f"{command}: console blocks hold strokeplane commands; use sh for others"
        done = subprocess.run([program, *words[1:]], cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"


@pytest.mark.parametrize("page", PAGES, ids=page_name)
def test_shipped_logs_that_a_page_names_are_shipped(page: Path) -> None:
    names = re.findall(r"sample_logs[/\\]([\w.-]+\.\w+)", page.read_text(encoding="utf-8"))
    assert [name for name in names if not (ROOT / "sample_logs" / name).exists()] == []
