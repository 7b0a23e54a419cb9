"""A real Chromium for tests of the pages: one browser for all of them, and a page whose every complaint fails the test.

What makes a page fail: an error or warning on the console (a breach of the content-security policy is one), an
uncaught exception, and any request that leaves this host.
"""

from __future__ import annotations

import shutil
from typing import Any
from urllib.parse import urlsplit

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
BLOCKED = "Service Worker registration blocked by Playwright"  # its own word for what `visit` asks it to do
PHONE, DESK = (390, 844), (1280, 800)


def browsing(test: Any) -> Any:
    """Marks a test that needs the browser; all of them run in one process, and share it."""
    skip = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian: apt-get install chromium)")
    return pytest.mark.xdist_group("browser")(skip(test))


class Visit:
    """Pages opened by one test. wrong: what they complained of; a test that provokes a complaint takes it out."""

    def __init__(self, browser: Any, address: str) -> None:
        self._browser, self._address = browser, address
        self.wrong: list[str] = []
        self.contexts: list[Any] = []

    def __call__(
        self,
        path: str = "",
        width: int = 390,
        height: int = 844,
        clock: bool = False,
        context: Any = None,
        **options: Any,
    ) -> Any:
        """The page at `path`, in a context of its own unless one is given. The service worker is kept out but where a
        test is about it: what it keeps would be seen by the next page."""
        if context is None:
            options.setdefault("service_workers", "allow" if options.get("permissions") else "block")
            context = self._browser.new_context(viewport={"width": width, "height": height}, **options)
            self.contexts.append(context)
        page = context.new_page()
        page.on("console", self._hear)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("request", self._look)
        if clock:
            page.clock.install()
        page.goto(f"{self._address}{path}")
        return page

    def _hear(self, told: Any) -> None:
        if told.type in ("error", "warning") and BLOCKED not in told.text:
            self.wrong.append(told.text)

    def _look(self, request: Any) -> None:
        if urlsplit(request.url).hostname not in ("127.0.0.1", None):
            self.wrong.append(request.url)

    def forgive(self, words: str) -> None:
        """Take out complaints with these words; nothing else may be there."""
        assert all(words in line for line in self.wrong), self.wrong
        self.wrong.clear()

    def end(self) -> None:
        for context in self.contexts:
            context.close()
        assert self.wrong == []


def axe_finds(page: Any) -> list[str]:
    """What axe-core finds on the page against WCAG 2.2 A and AA, a line each."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    response = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}}).response
    assert len(response["passes"]) > 5, "axe has looked"
    return [
        f"{rule['id']}: {node['html'][:120]} {node['failureSummary'][:200]}"
        for rule in response["violations"] for node in rule["nodes"]
    ]  # fmt: skip
