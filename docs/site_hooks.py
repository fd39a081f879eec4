"""What the site's builder does beyond Markdown: reference pages made from the code, formulas turned into MathML.

Pages made from the code cannot drift from it. MathML needs no script and fetches nothing. Formulas are LaTeX: inline
between ``$`` and backticks, or as a fenced block named ``math``.
"""

from __future__ import annotations

import ast
import importlib
import re
from pathlib import Path

import click
from latex2mathml.converter import convert
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

import analysis
import logger
from analysis.model.stroke_columns import STROKE_COLUMNS, STROKE_CSV_COLUMNS
from logger.cli import COMMANDS, cli

BLOCK_FORMULA = re.compile(r"^```math\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INLINE_FORMULA = re.compile(r"\$`([^`]+)`\$")


def command_help(path: list[tuple[str, click.Command]]) -> list[str]:
    """Return the Markdown lines of one command and, for a group, of the commands in it."""
    context = None
    for name, command in path:
        settings = {"terminal_width": 100, "max_content_width": 100, **command.context_settings}
        context = click.Context(command, info_name=name, parent=context, **settings)
    name, command = path[-1]
    title = " ".join(part for part, _ in path[1:])
    lines = [f"{'#' * len(path)} {title}", "", "```text", command.get_help(context), "```", ""]
    if isinstance(command, click.Group):
        for inner in command.list_commands(context):
            lines += command_help([*path, (inner, command.get_command(context, inner))])
    return lines


def commands_page() -> str:
    """Return the page of all commands, in the order of a player's evening."""
    lines = ["# Commands", "", "What `strokeplane COMMAND --help` prints, command by command.", ""]
    lines += [
        "Exit codes: 0 done, 1 it could not be done (one sentence says why), 2 not understood.",
        "",
    ]
    for name, (module, function, _) in COMMANDS.items():
        command = getattr(importlib.import_module(module), function)
        lines += command_help([("strokeplane", cli), (name, command)])
    return "\n".join(lines)


def columns_page() -> str:
    """Return the page of the per-stroke table's columns."""
    lines = ["# Columns of the stroke table", "", "One row a stroke. Times are on the log's own time column.", ""]
    lines += ["| column | unit | type | in the CSV | meaning |", "| --- | --- | --- | --- | --- |"]
    for column in STROKE_COLUMNS:
        in_csv = "yes" if column.name in STROKE_CSV_COLUMNS else "no"
        lines.append(f"| `{column.name}` | {column.unit} | {column.dtype} | {in_csv} | {column.meaning} |")
    return "\n".join([*lines, ""])


def modules_page() -> str:
    """Return the page of all modules, each with the first line that it says of itself."""
    lines = ["# Modules", "", "`logger` imports `analysis`, never the reverse; `analysis` touches nothing outside.", ""]
    for package in (analysis, logger):
        lines += [
            f"## {package.__name__}",
            "",
            str(package.__doc__),
            "",
            "| module | what it is for |",
            "| --- | --- |",
        ]
        for file in sorted(Path(package.__path__[0]).rglob("*.py")):
            name = ".".join(file.relative_to(Path(package.__path__[0]).parent).with_suffix("").parts)
            docstring = ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or ""
            if not name.endswith("__init__"):
                lines.append(f"| `{name}` | {docstring.splitlines()[0]} |")
        lines.append("")
    return "\n".join(lines)


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the generated pages to the site."""
    pages = {"commands": commands_page(), "columns": columns_page(), "modules": modules_page()}
    for name, text in pages.items():
        files.append(File.generated(config, f"reference/{name}.md", content=text))
    return files


def on_page_markdown(markdown: str, **_: object) -> str:
    """Turn a page's formulas into MathML."""
    markdown = BLOCK_FORMULA.sub(lambda found: convert(found[1], display="block"), markdown)
    return INLINE_FORMULA.sub(lambda found: convert(found[1]), markdown)
