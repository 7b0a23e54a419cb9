"""The stream of the engine's picture, from a real server: it tells changes, lets go, and ends with the server."""

from __future__ import annotations

import json
import logging
import socket

import httpx
import pytest

from barreltide.service import Live
from barreltide.site import load
from barreltide.web import app as web
from barreltide.web import live as module
from conftest import SITE, until


class Running:
    """A served site whose picture can be changed."""

    def __init__(self, folder) -> None:
        (folder / "site.toml").write_text(SITE + "[web]\nport = 0\n")
        site = load(folder / "site.toml")
        self.live = Live(dict, None)
        self.live.show({"time": 1.0})
        self.server = web.serve(site, site.store_path, self.live, lambda: 5.0)
        self.server.start()

    def listen(self, **headers: str):
        return httpx.stream("GET", f"{self.server.address}api/live", headers=headers, timeout=30)

    @property
    def listening(self) -> int:
        return len(self.live._listeners)


@pytest.fixture
def served(tmp_path):
    running = Running(tmp_path)
    yield running
    running.server.stop()


def pictures(answer: httpx.Response):
    return (json.loads(line[6:]) for line in answer.iter_lines() if line.startswith("data: "))


def test_a_change_reaches_every_listener_and_a_burst_is_one(served):
    with served.listen() as one, served.listen(**{"Last-Event-ID": "\"> 99"}) as two:
        assert one.headers["content-type"].startswith("text/event-stream") and "content-encoding" not in one.headers
        assert one.headers["cache-control"] in ("no-store", "no-cache"), "nobody on the way keeps it"
        seen = [pictures(answer) for answer in (one, two)]
        first = {"now_s": 5.0, "time": 1.0, "beds": {}, "pumps": {}, "battery": None, "water": None, "stations": {},
                 "standing": [], "returned": [], "shelved": []}  # fmt: skip
        assert [next(stream) for stream in seen] == [first, first], "at once, whatever they say they saw last"
        for time_s in range(2, 102):
            served.live.show({"time": float(time_s)})
        assert [next(stream)["time"] for stream in seen] == [101.0, 101.0], "the newest of what came within the second"
        served.live.show({"time": 102.0})
        assert next(seen[0])["time"] == 102.0
    until(lambda: served.listening == 0, "both to be let go")


def test_silence_is_filled_with_comments(served, monkeypatch):
    monkeypatch.setattr("fastapi.routing._PING_INTERVAL", 0.05)
    with served.listen() as answer:
        lines = answer.iter_lines()
        assert [next(line for line in lines if line.startswith(":")) for _ in range(2)] == [": ping", ": ping"]


def test_listeners_are_few_and_a_seat_comes_free(served, monkeypatch):
    monkeypatch.setattr(module, "MOST_LISTENERS", 1)
    with served.listen() as one:
        seen = pictures(one)
        assert next(seen)["time"] == 1.0
        with served.listen() as two:
            assert two.status_code == 503
            two.read()
            assert two.json() == {"error": "too many pages listen already; /api/now answers all the same"}
        assert httpx.get(f"{served.server.address}api/now").status_code == 200
    until(lambda: served.listening == 0, "the seat to come free")
    with served.listen() as three:
        assert next(pictures(three))["time"] == 1.0


def test_a_stream_ends_after_its_time(served, monkeypatch):
    monkeypatch.setattr(module, "PAUSE_S", 0.01)
    monkeypatch.setattr(module, "LONGEST_S", 0.1)
    with served.listen() as answer:
        assert len(list(pictures(answer))) == 1


def test_the_server_stops_at_once_with_streams_open(served, caplog):
    with served.listen() as one, served.listen() as two:
        streams = [pictures(answer) for answer in (one, two)]
        assert [next(stream)["time"] for stream in streams] == [1.0, 1.0]
        with caplog.at_level(logging.ERROR, "uvicorn"):
            served.server.stop()
        assert [list(stream) for stream in streams] == [[], []], "ended whole, and not cut off"
    assert not caplog.records, "no task had to be cancelled"


def test_an_answer_waits_for_no_acknowledgement(served):
    assert served.server._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_pages_and_json_are_squeezed_only_where_it_pays(served):
    short = httpx.get(f"{served.server.address}api/now")
    page = httpx.get(served.server.address)
    assert "content-encoding" not in short.headers and len(short.content) < 1000 < len(page.content)
    assert page.headers["content-encoding"] == "gzip" and int(page.headers["content-length"]) < len(page.content) / 2
