"""Debian's Chromium, driven by playwright: one browser a module, a fresh page a test, every word it complains kept."""

from __future__ import annotations

import contextlib
import importlib.resources
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.optional import need_module, need_program
from tests.patience import PATIENCE_S

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass
class Watch:
    """What a page said and asked for."""

    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@contextlib.contextmanager
def open_chromium(*flags: str) -> Iterator[Any]:
    """A headless browser, with further flags; skips with a reason where Chromium or playwright is missing."""
    playwright = need_module("playwright.sync_api", "the test extra")
    path = need_program("chromium", "chromium-browser", "google-chrome", reason="Debian's package chromium")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=[*FLAGS, *flags], timeout=1e3 * PATIENCE_S)
        try:
            yield browser
        finally:
            browser.close()


@contextlib.contextmanager
def open_page(browser: Any, **settings: Any) -> Iterator[tuple[Any, Watch]]:
    """A page in a context of its own, and what is heard from it; settings as for playwright's ``new_context``."""
    context = browser.new_context(**settings)
    context.set_default_timeout(1e3 * PATIENCE_S)
    page, watch = context.new_page(), Watch()
    page.on("console", lambda message: watch.errors.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: watch.errors.append(str(error)))
    page.on("request", lambda request: watch.requests.append(request.url))
    try:
        yield page, watch
    finally:
        context.close()


def wait_until(page: Any, expression: str) -> None:
    """Wait until an expression is true on a page; playwright's own way needs what a strict policy forbids."""
    deadline = time.monotonic() + PATIENCE_S
    while not page.evaluate(expression):
        if time.monotonic() > deadline:
            shown = page.evaluate("document.body.innerText")
            raise AssertionError(f"in {PATIENCE_S:g} s it did not become true: {expression}; the page shows {shown}")
        time.sleep(0.015)


def wait_for_frame(page: Any) -> None:
    """Wait until the page has drawn what it knows now: two frames on, as the first may have begun before."""
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done())))")


def find_violations(page: Any, leave_out: str = "", impacts: tuple[str, ...] = ("serious", "critical")) -> list[str]:
    """Faults of a page by axe-core, the checker that a Python package carries; those of these impacts only.

    ``leave_out`` selects what need not be looked into, such as the inside of a picture that has a text alternative.
    """
    need_module("axe_playwright_python", "the test extra")
    script = importlib.resources.files("axe_playwright_python") / "axe.min.js"
    page.evaluate(script.read_text(encoding="utf-8"))
    found = page.evaluate("leaveOut => axe.run(leaveOut ? {exclude: [leaveOut]} : document)", leave_out)
    return [
        f"{fault['impact']}: {fault['id']}: {fault['help']} at {[node['target'] for node in fault['nodes']][:3]}"
        for fault in found["violations"]
        if fault["impact"] in impacts
    ]
