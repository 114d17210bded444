"""A real browser for tests: fixtures and a page that keeps account of what it asks for."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESKTOP: dict[str, Any] = {"viewport": {"width": 1400, "height": 900}}
PHONE: dict[str, Any] = {
    "viewport": {"width": 412, "height": 839},
    "device_scale_factor": 2.625,
    "is_mobile": True,
    "has_touch": True,
}


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Chromium of this machine: ``CHROMIUM``, or the first of the usual names on the path."""
    named = os.environ.get("CHROMIUM")
    if named:
        return named
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    reason = "no chromium, chromium-browser or google-chrome on the path, and CHROMIUM is not set"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser(chromium_path: str) -> Iterator[Browser]:
    """One headless browser for all tests; each test opens its own context."""
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path, args=list(ARGUMENTS))
        yield browser
        browser.close()


@dataclass
class Visit:
    """A page opened from disk with the network off, and all it said and asked for."""

    page: Page
    requests: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    @property
    def outside(self) -> list[str]:
        """Requests for anything but the file itself and data inside it."""
        return [url for url in self.requests if not url.startswith(("file:", "data:"))]


def visit(browser: Browser, path: Path, device: dict[str, Any]) -> Visit:
    """Open a file as a person would, on a machine without a network."""
    # without motion, so that a test need not wait for a view to arrive
    page = browser.new_context(offline=True, reduced_motion="reduce", **device).new_page()
    seen = Visit(page)
    page.on("request", lambda request: seen.requests.append(request.url))
    page.on("websocket", lambda socket: seen.requests.append(socket.url))
    page.on("console", lambda message: seen.said.append(message.text))
    page.on("pageerror", lambda error: seen.said.append(str(error)))
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready]", timeout=20_000)
    return seen
