"""Reads a report's page back: its texts, tables and figures, with the standard library's own parser."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

VOID = {"meta", "br", "link", "img", "input"}
APART = {"p", "h1", "h2", "li", "dt", "dd", "th", "td", "caption", "option", "b", "span", "label"}
"""What ends in one of these runs into nothing that follows."""


@dataclass
class Page:
    """What a page holds."""

    texts: dict[str, str] = field(default_factory=dict)
    """Text of every section, by id; of the answer as ``answer``."""
    tables: dict[str, list[list[str]]] = field(default_factory=dict)
    """Body rows of the table in each section, by id."""
    data: dict[str, Any] = field(default_factory=dict)
    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    details: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.page = Page()
        self._open: list[tuple[str, dict[str, str]]] = []
        self._section = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {name: value or "" for name, value in attrs}
        self.page.tags.append((tag, own))
        if tag in VOID:
            return
        self._open.append((tag, own))
        if tag == "section":
            self._section = own.get("id") or own.get("aria-labelledby", "")
        if tag == "tr" and "tbody" in [t for t, _ in self._open]:
            self.page.tables.setdefault(self._section, []).append([])
        if tag in ("td", "th") and "tbody" in [t for t, _ in self._open]:
            self.page.tables[self._section][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass
        if tag == "section":
            self._section = ""
        if tag in APART and self._section:
            self.page.texts[self._section] = self.page.texts.get(self._section, "") + "\n"

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self._open]
        if tags and tags[-1] == "script":
            if self._open[-1][1].get("type") == "application/json":
                self.page.data[self._open[-1][1]["id"]] = json.loads(data)
            return
        if "style" in tags:
            return
        if "tbody" in tags and ("td" in tags or "th" in tags):
            self.page.tables[self._section][-1][-1] += data
        if "dd" in tags and "details" in tags:
            self.page.details.append(data)
        if self._section:
            self.page.texts[self._section] = self.page.texts.get(self._section, "") + data


def read_page(html: str) -> Page:
    """The contents of a report."""
    reader = _Reader()
    reader.feed(html)
    return reader.page
