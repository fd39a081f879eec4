"""What the site's builder does beyond Markdown: reference pages made from the code, formulas turned into MathML.

Pages made from the code cannot drift from it. MathML needs no script and fetches nothing. Formulas are LaTeX: inline
between ``$`` and backticks, or as a fenced block named ``math``.
"""

from __future__ import annotations

import importlib
import re

import click
from latex2mathml.converter import convert
from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

from analysis.tables import STROKE_COLUMNS, STROKE_CSV_COLUMNS
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


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the generated pages to the site."""
    for address, text in (("reference/commands.md", commands_page()), ("reference/columns.md", columns_page())):
        files.append(File.generated(config, address, content=text))
    return files


def on_page_markdown(markdown: str, **_: object) -> str:
    """Turn a page's formulas into MathML."""
    markdown = BLOCK_FORMULA.sub(lambda found: convert(found[1], display="block"), markdown)
    return INLINE_FORMULA.sub(lambda found: convert(found[1]), markdown)
