"""A real browser, for tests of pages: Chromium, driven by Playwright, with axe-core to judge."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

Scheme = Literal["light", "dark"]
OpenPage = Callable[..., "Opened"]


@dataclass
class Opened:
    """A page that is open: what its console said, what went wrong, and what it asked for."""

    page: Page
    wrong: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def violations(self) -> list[str]:
        """What is not accessible, by axe-core."""
        return violations(self.page)


def violations(page: Page) -> list[str]:
    """What is not accessible, by axe-core: each rule that is broken, and where."""
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 (optional)

    found: list[dict[str, Any]] = Axe().run(page).response["violations"]
    return [
        f"{one['id']} ({one['impact']}): {node['target']} {node['failureSummary']}"
        for one in found
        for node in one["nodes"][:3]
    ]


def fits_its_width(page: Page) -> bool:
    """Whether it is read without being moved sideways."""
    wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
    fits: bool = page.evaluate(wide)
    return fits


# Not for the whole session: while Playwright is started no other test could run an event loop.
@pytest.fixture(scope="module")
def chromium(require_tool: Callable[[str], str]) -> Iterator[Browser]:
    """Chromium, started; without it, or without what drives it, the test is skipped or fails."""
    program = require_tool("chromium")
    for package in ("playwright", "axe_playwright_python"):
        _require_package(package)
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 (optional)

    with sync_playwright() as playwright:
        # Its own sandbox does not start where tests run as root.
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[OpenPage]:
    """Opens a file in a window of its own, in a colour scheme and so many pixels wide."""
    contexts = []

    def open_file(path: Path, scheme: Scheme = "light", width: int = 1280) -> Opened:
        context = chromium.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme
        )
        contexts.append(context)
        opened = Opened(context.new_page())
        opened.page.on("console", lambda said: opened.wrong.append(said.text))
        opened.page.on("pageerror", lambda error: opened.wrong.append(str(error)))
        opened.page.on("request", lambda request: opened.asked.append(request.url))
        opened.page.goto(path.as_uri())
        # The page itself is the one thing that may be asked for.
        opened.asked.remove(path.as_uri())
        return opened

    yield open_file
    for context in contexts:
        context.close()


def _require_package(name: str) -> None:
    if importlib.util.find_spec(name) is not None:
        return
    reason = f"{name} is not installed: pip install -e '.[test]'"
    if os.environ.get("TIDEWARDEN_REQUIRE_ALL") == "1":
        pytest.fail(f"{reason}, and TIDEWARDEN_REQUIRE_ALL is set")
    pytest.skip(reason)
