"""A board on a USB cable: the real MicroPython interpreter on one pseudo-terminal, this computer's port on another.

    board = UsbBoard(folder).power_on()             # a bare board at its prompt; give_firmware() first for one with
    board.device                                    # the path to open, as by-id paths do it outlives unplugging
    board.unplug(); board.plug_in()                 # the cable; the board runs on
    board.cable.garble = function                   # bytes, direction (b"<" from the board) -> bytes: noise on the way
    board.kill()                                    # the board's power

Between the two lies the cable, a thread that carries bytes: what the board says while nobody has the port open is lost,
as on USB. The interpreter's end is a reset, soft or by its watchdog, and the board starts again with main.py, if it has
one. On a board Ctrl-C waits until the interpreter is between two steps; here it is a signal that falls into the midst
of one, and now and then leaves the heap locked for good: `settle` waits until it is idle, before one asks it.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import shutil
import subprocess
import termios
import threading
import time
import tty
from pathlib import Path

import pytest

from firmware_board import FIRMWARE, TESTS, Board, config, micropython

FAST_TIME = TESTS / "firmware" / "fast_time"
KEEPS = {"world.json", "world.draft", "events.log", "output.log", "fakes"}


class Cable:
    """Carries bytes between the board's terminal and this computer's port, which appears at `device`."""

    def __init__(self, device: Path) -> None:
        self.device = device
        self.garble = lambda data, direction: data
        self.said = b""  # all that the board has said, heard by somebody or not
        self.board_fd, self.board_end = pty.openpty()
        self._attributes = attributes = termios.tcgetattr(self.board_end)
        attributes[0] &= ~(termios.ICRNL | termios.IXON)
        attributes[1] &= ~termios.OPOST
        attributes[3] &= ~(termios.ECHO | termios.ICANON)  # and ISIG stays: Ctrl-C is the board's to feel
        self.restore()
        self._host_fd: int | None = None
        self._ends = False
        self._lock = threading.Lock()
        self.plug_in()
        threading.Thread(target=self._carry, daemon=True).start()

    def restore(self) -> None:
        """As a board finds its end at a start; an interpreter that was killed may have left it without Ctrl-C."""
        termios.tcsetattr(self.board_end, termios.TCSANOW, self._attributes)

    def plug_in(self) -> None:
        with self._lock:
            self._host_fd, host_end = pty.openpty()
            tty.setraw(host_end)
            self.device.unlink(missing_ok=True)
            self.device.symlink_to(os.ttyname(host_end))
            os.close(host_end)  # from now on this end tells whether somebody has the port open

    def unplug(self) -> None:
        with self._lock:
            self.device.unlink(missing_ok=True)
            os.close(self._host_fd)
            self._host_fd = None

    def end(self) -> None:
        self._ends = True

    def _carry(self) -> None:
        while not self._ends:
            select.select([self.board_fd], [], [], 0.005)
            with self._lock:
                said = self._read(self.board_fd)
                self.said += said
                if self._host_fd is None:
                    continue
                poll = select.poll()
                poll.register(self._host_fd, select.POLLIN)
                is_open = not any(event & select.POLLHUP for _, event in poll.poll(0))
                if said and is_open:
                    self._write(self._host_fd, self.garble(said, b"<"))
                if heard := self._read(self._host_fd):
                    self._write(self.board_fd, self.garble(heard, b">"))

    def _read(self, fd: int) -> bytes:
        if not select.select([fd], [], [], 0)[0]:
            return b""
        with contextlib.suppress(OSError):
            return os.read(fd, 4096)
        return b""

    def _write(self, fd: int, data: bytes) -> None:
        while data and select.select([], [fd], [], 0.2)[1]:
            data = data[os.write(fd, data[:256]) :]


class UsbBoard(Board):
    def __init__(self, folder: Path, clock=None, watchdog: bool = True, **options) -> None:
        """clock: a FastClock (chain.py); watchdog: whether the board's watchdog bites as a real one does."""
        super().__init__(folder, "{}", **options)
        for path in folder.iterdir():
            if path.name not in KEEPS:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        if clock is not None:
            self.environment |= clock.environment
            self.environment["MICROPYPATH"] = f"{FAST_TIME}:{self.environment['MICROPYPATH']}"
        self.device = str(folder.parent / f"usb-{folder.name}")
        self.program = "main.py"
        self.cable = Cable(Path(self.device))
        self._bites = watchdog
        self._powered = False

    def give_firmware(self, values: dict | None = None) -> UsbBoard:
        """As if it had been copied by hand."""
        shutil.copytree(FIRMWARE, self.folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
        if values is not None:
            (self.folder / "config.json").write_text(json.dumps(values))
        return self

    def power_on(self) -> UsbBoard:
        self._powered = True
        self._boot()
        threading.Thread(target=self._live, daemon=True).start()
        return self

    def kill(self) -> None:
        self._powered = False
        super().kill()

    def unplug(self) -> None:
        self.cable.unplug()

    def plug_in(self) -> None:
        self.cable.plug_in()

    def scrap(self) -> None:
        self.kill()
        self.cable.end()

    def said(self) -> str:
        return self.cable.said.decode(errors="replace")

    def settle(self) -> None:
        """Until it has started, and waits for something; or does nothing but turn, as a program that hangs."""
        give_up, calm, before = time.monotonic() + 4.0, 0, -1
        while calm < 3 and time.monotonic() < give_up:
            time.sleep(0.1)
            with contextlib.suppress(OSError, IndexError):
                used = int(Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()[11])
                calm, before = calm + 1 if used == before else 0, used

    def _boot(self) -> None:
        script = ["-i", self.program] if (self.folder / self.program).exists() else []
        end = self.cable.board_end
        self.cable.restore()
        self._events_from = len(self.events())
        # setsid, not preexec_fn: that may hang in a process with threads, which this one has.
        self.process = subprocess.Popen(
            ["setsid", "--ctty", micropython(), *script], cwd=self.folder, env=self.environment,
            stdin=end, stdout=end, stderr=end,
        )  # fmt: skip

    def _live(self) -> None:
        """Start again after each reset; and reset by the watchdog."""
        fed, fed_s = 0, 0.0
        while self._powered:
            process = self.process
            if process is not None and process.poll() is not None and self._powered:
                self._boot()
                fed = 0
            if self._bites:
                events = self.events()[self._events_from :]
                limits = [int(event.split()[1]) for event in events if event.startswith("watchdog ")]
                if len(events) != fed or not limits:
                    fed, fed_s = len(events), time.monotonic()
                elif time.monotonic() - fed_s > limits[-1] / 1000:
                    process.kill()
                    process.wait()
            time.sleep(0.05)


def wired(**changes) -> dict:
    """config.json of a wired station."""
    values = config(1) | {"wired": True} | changes
    return {key: value for key, value in values.items() if key not in ("wifi", "broker")}


@pytest.fixture
def boards(tmp_path):
    made: list[UsbBoard] = []

    def make(**options) -> UsbBoard:
        made.append(UsbBoard(tmp_path / f"board-{len(made)}", **options))
        return made[-1]

    yield make
    for board in made:
        board.scrap()
