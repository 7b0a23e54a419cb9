"""`barreltide demo`, run for real: firmware, broker, service, page and phone, and a clean end."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request

import pytest

from barreltide.broker import BrokerError, EmbeddedBroker
from barreltide.demo.board import firmware_folder
from barreltide.demo.phone import WIDTH, Message, drawn

PATIENCE_S = 150  # on a busy machine; an idle one takes a third of it


class Demo:
    """The command as a stranger runs it, with its output gathered line by line."""

    def __init__(self, tmp_path, *arguments: str) -> None:
        self.folder = tmp_path / "temporary"
        self.folder.mkdir()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "barreltide", "demo", *arguments],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, encoding="utf-8",
            env=os.environ | {"TMPDIR": str(self.folder), "PYTHONUTF8": "1"}, start_new_session=True,
        )  # fmt: skip
        self.lines: list[str] = []
        self._reader = threading.Thread(target=lambda: self.lines.extend(self.process.stdout), daemon=True)
        self._reader.start()

    @property
    def output(self) -> str:
        return "".join(self.lines)

    def wait_for(self, words: str) -> re.Match:
        give_up = time.monotonic() + PATIENCE_S
        while time.monotonic() < give_up:
            if found := re.search(words, self.output):
                return found
            if self.process.poll() is not None:
                break
            time.sleep(0.1)
        pytest.fail(f"the demo did not come to {words!r} (status {self.process.poll()}):\n{self.output}")

    def interrupt(self) -> int:
        self.process.send_signal(signal.SIGINT)
        status = self.process.wait(30)
        self._reader.join(10)
        return status

    def left_running(self) -> list[str]:
        """Command lines of processes of this demo that still live: the broker's has its temporary folder in it."""
        found = []
        for process in os.listdir("/proc") if os.path.isdir("/proc") else []:
            try:
                environment = open(f"/proc/{process}/environ", "rb").read()
                if f"TMPDIR={self.folder}\0".encode() in environment:
                    found.append(open(f"/proc/{process}/cmdline").read())
            except OSError:
                continue  # it is not ours, or just ended
        return found


@pytest.fixture
def demo(tmp_path):
    try:
        EmbeddedBroker()._command()
    except BrokerError as error:
        pytest.skip(str(error))
    running = []

    def start(*arguments: str) -> Demo:
        running.append(Demo(tmp_path, *arguments))
        return running[-1]

    yield start
    for one in running:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()


def test_a_stranger_sees_the_alarm_and_leaves_nothing_behind(demo):
    shown = demo("--seed", "3", "--speed", "1000000")
    address = shown.wait_for(r"http://127\.0\.0\.1:\d+/")[0]
    shown.wait_for("the pump's fuse blows")
    shown.wait_for(r"Notice pump-stopped-pump-\d+")
    shown.wait_for("That is the whole chain")

    with urllib.request.urlopen(address, timeout=20) as page:
        assert b"Is the water moving?" in page.read()
    with urllib.request.urlopen(f"{address}api/now", timeout=20) as answer:
        standing = json.load(answer)["standing"]
    assert [(row["alarm"], row["subject"]) for row in standing] == [("pump-stopped", "pump")]

    assert len(shown.left_running()) >= 2, "broker and service were looked for in the wrong place"
    assert shown.interrupt() == 0
    assert "Traceback" not in shown.output
    assert shown.output.count("Notice ") == 1, "one fault, one notice"
    before_the_fuse, _, after = shown.output.partition("the pump's fuse blows")
    assert "╭" in after and "╭" not in before_the_fuse
    assert shown.left_running() == []
    assert list(shown.folder.iterdir()) == []


def test_it_ends_at_once_when_told_to_before_the_alarm(demo):
    shown = demo("--speed", "60")
    shown.wait_for("connected to 127.0.0.1")
    assert shown.interrupt() == 0
    assert "Traceback" not in shown.output and "Stopping." in shown.output
    assert shown.left_running() == []
    assert list(shown.folder.iterdir()) == []


def test_a_reader_who_has_seen_enough_ends_it(demo, tmp_path):
    command = f"{sys.executable} -m barreltide demo --speed 1000000 | head -1"
    done = subprocess.run(
        ["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True, timeout=PATIENCE_S,
        env=os.environ | {"TMPDIR": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0 and done.stderr == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("speed", ["0", "-3", "nan"])
def test_a_speed_that_leads_nowhere_gets_one_line(speed):
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", "demo", f"--speed={speed}"], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert done.stderr == f"barreltide: --speed: found {speed}; more than 0 would do\n"


def test_the_phone_keeps_its_frame_around_long_words():
    picture = drawn(Message("garden: Go now. " + "x" * 200, "What to do: look.\n\nSince Thu 04:58."), "04:59")
    widths = {len(line) for line in picture.splitlines()}
    assert widths == {WIDTH + 8}
    assert "What to do: look." in picture and picture.count("x") == 200


def test_the_firmware_is_found():
    assert (firmware_folder() / "station" / "sampler.py").is_file()
    assert (firmware_folder() / "main.py").is_file()


def _take(listener: socket.socket, port: int) -> None:
    """Have the port oneself: a demo of another test that has it now may let it go at any moment."""
    deadline = time.monotonic() + 120
    while True:
        try:
            listener.bind(("127.0.0.1", port))
            break
        except OSError:
            if time.monotonic() > deadline:
                pytest.skip(f"another program has had port {port} for two minutes")
            time.sleep(0.05)
    listener.listen()


def test_a_page_port_that_is_taken_is_no_obstacle(demo):
    with socket.socket() as other:
        other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        _take(other, 8420)
        shown = demo("--speed", "60")
        address = shown.wait_for(r"http://127.0.0.1:(\d+)/")
        shown.wait_for("connected to 127.0.0.1")
        assert address[1] != "8420"
        assert shown.interrupt() == 0 and "Traceback" not in shown.output
