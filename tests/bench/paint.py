"""How soon a page is seen on a slow phone: Chromium slowed down four times, a page of ours beside a plain HTML table
of the same data, in turns. Bytes are those that went over the wire."""

from __future__ import annotations

import gzip
import http.server
import threading
from collections.abc import Callable
from html import escape
from pathlib import Path
from statistics import median
from typing import Any

import httpx
from playwright.sync_api import sync_playwright

from browsing import CHROMIUM, PHONE
from simulation.month import Lived

DAYS, ROUNDS, SLOWER = 8.0, 5, 4
VIEWS = {"now": ("", "now"), "nights": ("nights", "nights"), "cycles": ("cycles", "cycles?limit=800")}
# Paint Timing (W3C) and Chromium's own count of script.
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
WIRE = "performance.getEntries().filter(e => e.transferSize).reduce((sum, e) => sum + e.transferSize, 0)"


def paint(folder: Path, table: Callable[[str, list[tuple[str, str, str]]], None]) -> None:
    """table: prints a title and rows."""
    (folder / "paint").mkdir()
    garden = Lived(folder / "paint", DAYS)
    garden.feed(garden.end_s)
    ours = garden.server.address
    answers = {name: httpx.get(f"{ours}api/{data}").json() for name, (_, data) in VIEWS.items()}
    plain = _Plain({f"/{name}": _table_of(answer) for name, answer in answers.items()})
    rows = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for name, (path, _) in VIEWS.items():
            found: dict[str, list[tuple[float, float, float]]] = {"ours": [], "plain table": []}
            for _ in range(ROUNDS):
                found["ours"].append(_look(browser, f"{ours}{path}"))
                found["plain table"].append(_look(browser, f"{plain.address}{name}"))
            for whose, looks in found.items():
                painted, script, size = (median(column) for column in zip(*looks, strict=True))
                rows.append((f"{name}, {whose}", f"{painted:.0f} ms", f"script {script:.0f} ms, {size / 1000:.0f} kB"))
        browser.close()
    plain.close()
    garden.server.stop()
    table(
        f"paint: first contentful paint at a {SLOWER} times slower processor, cold cache, p50 of {ROUNDS} in turns",
        rows,
    )


def _look(browser: Any, address: str) -> tuple[float, float, float]:
    """First contentful paint and script in milliseconds, and bytes over the wire (at most 150 kB wanted)."""
    context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, service_workers="block")
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    session.send("Performance.enable")
    page.goto(address, wait_until="load")
    page.wait_for_timeout(400)
    metrics = {row["name"]: row["value"] for row in session.send("Performance.getMetrics")["metrics"]}
    look = page.evaluate(PAINTED), 1000 * metrics["ScriptDuration"], page.evaluate(WIRE)
    context.close()
    return look


def _table_of(answer: dict[str, Any]) -> bytes:
    """The same data as rows of a table, and nothing else."""
    rows: list[str] = []

    def put(name: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                put(f"{name} {key}", inner)
        elif isinstance(value, list):
            for number, inner in enumerate(value):
                put(f"{name} {number}", inner)
        else:
            rows.append(f"<tr><td>{escape(name)}<td>{escape(str(value))}")

    put("", answer)
    return f'<!doctype html><meta charset="utf-8"><title>table</title><table>{"".join(rows)}</table>'.encode()


class _Plain:
    """Serves the tables, squeezed as our own pages are."""

    def __init__(self, pages: dict[str, bytes]) -> None:
        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                body = gzip.compress(pages.get(self.path, b""), 6)
                self.send_response(200 if self.path in pages else 404)
                for name, value in (("Content-Type", "text/html"), ("Content-Encoding", "gzip"),
                                    ("Content-Length", str(len(body)))):  # fmt: skip
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_address[1]}/"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
