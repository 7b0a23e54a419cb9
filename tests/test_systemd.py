"""What the service tells systemd, over a real datagram socket, and what it makes of a clock that is not set."""

from __future__ import annotations

import socket
import threading
import time

import pytest

from barreltide import writer as writer_module
from barreltide.service import Service
from barreltide.site import load
from barreltide.systemd import STARTING_S, Systemd
from conftest import SITE as LEAST
from conftest import until
from test_service import START_S, Bench, payload, standin  # noqa: F401


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """systemd's end of the socket; `told()` gives what has been said since it was last asked."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as here:
        here.bind(str(tmp_path / "notify"))
        here.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setattr("barreltide.systemd.BEAT_EVERY_S", 0.1)

        def told() -> list[str]:
            lines: list[str] = []
            try:
                while True:
                    lines += here.recv(4096).decode().splitlines()
            except BlockingIOError:
                return lines

        yield told


def test_it_is_ready_when_it_judges_and_fed_by_the_writer_alone(tmp_path, mosquitto, manager, monkeypatch):
    (tmp_path / "site.toml").write_text(LEAST + f"[web]\nport = 0\n[broker]\nport = {mosquitto.port}\n")
    monkeypatch.setattr(writer_module, "BATCH_S", 0.05)
    running = Service(load(tmp_path / "site.toml"))
    running.start()
    heard: list[str] = []
    try:
        until(lambda: heard.extend(manager()) or "READY=1" in heard, "READY=1")
        assert running.writer.ready and any(line.startswith("STATUS=") for line in heard)
        until(lambda: heard.extend(manager()) or heard.count("WATCHDOG=1") >= 3, "the watchdog to be fed")
        assert heard.count("READY=1") == 1 and not [line for line in heard if line.startswith("EXTEND")]
        hung, hangs = threading.Event(), threading.Event()
        monkeypatch.setattr(running.writer, "_turn", lambda messages: hung.set() or hangs.wait(30))
        until(hung.is_set, "the writer to hang")
        manager()
        time.sleep(0.5)
        assert "WATCHDOG=1" not in manager()
        assert running.live.health()["status"] == "ok", "the pages go on: they must not be what feeds it"
        hangs.set()
        until(lambda: "WATCHDOG=1" in manager(), "the feeding to begin again")
    finally:
        running.stop()
    assert "STOPPING=1" in manager()


def test_while_it_is_made_ready_it_asks_for_more_time(manager):
    systemd = Systemd()
    systemd.beat(False)
    assert manager() == [f"EXTEND_TIMEOUT_USEC={STARTING_S * 1e6:.0f}"]
    systemd.beat(True)
    assert "READY=1" in manager()


def test_without_systemd_nothing_is_said(manager, monkeypatch):
    Systemd().stopping()
    assert manager() == ["STOPPING=1"]
    Systemd().beat(True)  # the variable is taken out of the environment, for the sake of children
    assert manager() == []
    monkeypatch.setenv("NOTIFY_SOCKET", "@nobody-listens")
    Systemd().beat(True)
    Systemd().stopping()


def test_nothing_is_taken_in_while_the_clock_cannot_be_right(tmp_path, monkeypatch):
    """A small computer without a clock of its own starts in 1970, or when it was last switched off."""
    clock_s, asked = [5.0], []
    (tmp_path / "site.toml").write_text(LEAST + "[web]\nport = 0\n[broker]\nport = 1\n")
    running = Service(load(tmp_path / "site.toml"), now=lambda: clock_s[0])

    def beat(systemd: Systemd, is_judging: bool) -> None:
        if not is_judging:
            asked.append(running._trouble())
            clock_s[0] = START_S if len(asked) == 2 else clock_s[0]

    monkeypatch.setattr(Systemd, "beat", beat)
    running.start()
    try:
        until(lambda: running.writer.ready, "the clock to be set")
    finally:
        running.stop()
    assert len(asked) == 2 and all("clock stands in 1970" in trouble[0] for trouble in asked)
    again = Service(load(tmp_path / "site.toml"))
    assert again.store.first_received_s() == START_S, "the start is on record by the clock that is set"
    again.stop()


def test_a_clock_that_is_set_ahead_raises_no_silent_station(tmp_path, standin):  # noqa: F811
    bench = Bench(tmp_path / "bench")
    steady_s = [0.0]
    bench.writer._steady, bench.writer._turned = (lambda: steady_s[0]), (START_S, 0.0)
    kinds = lambda: [row.kind for row in bench.store.arrivals(kinds=("started", "readings"))]  # noqa: E731

    def turn(real_s: float, shown_s: float) -> None:
        steady_s[0] += real_s
        bench.now_s += shown_s
        bench.writer._mind_the_clock()
        bench.arrive(payload(len(kinds())))

    turn(1.0, 1.0)
    turn(1.0, 55.0)  # a clock that drifts is put right by seconds
    turn(1.0, 3 * 3600.0)
    turn(600.0, 600.0)  # a disk that was full for ten minutes: the clock was right
    bench.store.close()
    assert kinds() == ["started", "readings", "readings", "started", "readings", "readings"]
