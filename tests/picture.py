"""Makes the README's picture: runs the demo to its alarm and photographs its status page.

    .venv/bin/python tests/picture.py deploy/pictures/status.png
"""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys

from playwright.sync_api import sync_playwright


def main(file: str) -> None:
    demo = subprocess.Popen(
        [sys.executable, "-m", "barreltide", "demo"], stdout=subprocess.PIPE, encoding="utf-8", start_new_session=True
    )
    try:
        address = None
        for line in demo.stdout:
            print(line, end="", flush=True)
            address = address or re.search(r"http://127\.0\.0\.1:\d+/", line)
            if "That is the whole chain" in line:
                break
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1000, "height": 700}, color_scheme="light")
            page.goto(address[0])
            page.screenshot(path=file, full_page=True)
            browser.close()
    finally:
        demo.send_signal(signal.SIGINT)
        demo.wait(30)


if __name__ == "__main__":
    main(sys.argv[1])
