"""Real parts for the tests: a mosquitto on a free port, and free ports themselves."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest

from browsing import CHROMIUM, Visit

SITE = """
[site]
name = "garden"
latitude = 38.5
longitude = -121.7
time_zone = "America/Los_Angeles"
[battery]
capacity_ah = 100
[[pump]]
name = "pump"
[[bed]]
name = "bed-1"
[[station]]
name = "barrels"
"""  # the least that a site file may say


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def until(condition, what: str, seconds: float = 40.0):
    """Wait for it, with a limit that only a hung machine meets."""
    give_up = time.monotonic() + seconds
    while not (result := condition()):
        assert time.monotonic() < give_up, f"waited {seconds:g} s for {what}"
        time.sleep(0.02)
    return result


class Mosquitto:
    """A real mosquitto on loopback that can be killed and started again on the same port."""

    def __init__(self, folder: Path, extra: str = "", port: int | None = None) -> None:
        self.port = port or free_port()
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "data").mkdir(exist_ok=True)
        (folder / "data").chmod(0o777)
        folder.chmod(0o777)
        self.configuration = folder / "mosquitto.conf"
        self.configuration.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder / 'data'}/\nuser root\n{extra}\n"
        )
        self.process: subprocess.Popen | None = None

    def start(self) -> Mosquitto:
        executable = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
        if executable is None:
            pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
        self.process = subprocess.Popen(
            [executable, "-c", str(self.configuration)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        give_up = time.monotonic() + 10
        while time.monotonic() < give_up:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return self
            if self.process.poll() is not None:
                raise RuntimeError(f"mosquitto ended with {self.process.returncode}: {self.configuration.read_text()}")
            time.sleep(0.02)
        raise RuntimeError("mosquitto did not listen within 10 s")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


@pytest.fixture
def mosquitto(tmp_path):
    broker = Mosquitto(tmp_path / "mosquitto").start()
    yield broker
    broker.kill()


@pytest.fixture(scope="module")
def browser():
    """One Chromium for the tests of a module: while it lives, its module can run no event loop of its own."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as running:
        chromium = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def visit(browser, served):
    """Opens pages of `served` (browsing.Visit)."""
    visiting = Visit(browser, served.server.address)
    yield visiting
    visiting.end()
