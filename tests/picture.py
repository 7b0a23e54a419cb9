"""Makes the README's pictures: a month of the demo's garden, a morning at a desk, and the last night on a phone.

.venv/bin/python tests/picture.py deploy/pictures
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from browsing import CHROMIUM, DESK, PHONE
from simulation.month import Lived

DAYS = 31.9
HOUR_S = 3600.0


def main(folder: Path) -> None:
    with tempfile.TemporaryDirectory(prefix="barreltide-picture-") as work, sync_playwright() as play:
        garden = Lived(Path(work), DAYS)
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        garden.feed(garden.end_s - 18 * HOUR_S)
        take(browser, garden.server.address, "", folder / "now-desk.png", DESK, "light")
        garden.feed(garden.end_s - 4.73 * HOUR_S)
        take(browser, garden.server.address, "", folder / "now-phone.png", PHONE, "dark")
        garden.feed(garden.end_s)
        take(browser, garden.server.address, "nights", folder / "nights.png", (1280, 1080), "light")
        browser.close()
        garden.server.stop()


def take(browser: Browser, address: str, path: str, file: Path, size: tuple[int, int], scheme: str) -> None:
    page = browser.new_page(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, reduced_motion="reduce"
    )
    page.goto(f"{address}{path}")
    page.screenshot(path=file)
    page.close()
    print(f"{file}: {file.stat().st_size:,} bytes", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
