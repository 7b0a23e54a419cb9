"""What the grower tells the service: only from this host, only what makes sense, and answered once it is on disk."""

from __future__ import annotations

import asyncio
import http.client
import json
import sqlite3
import threading
import time
from datetime import datetime
from zoneinfo import ZoneInfo

import httpx
import pytest

from barreltide import cli, grower, recording, writer
from barreltide.commands import note
from barreltide.commands.client import ClientError
from barreltide.core.alarm_table import TABLE
from barreltide.core.event import ASIDE, NotePinned
from barreltide.core.reading import Answered, Noted, PumpRested
from barreltide.pack import PackError, Topics
from barreltide.service import Service
from barreltide.site import load
from barreltide.web import app as web
from conftest import SITE as LEAST
from conftest import free_port, until
from test_service import Bench, payload, standin, wet  # noqa: F401

TOPICS = Topics("barreltide", "garden", ["barrels"], ["bed-1"], ["pump"])
REST = {"input": "pump-rested", "pump": "pump", "for_s": 1800}
INPUTS = "pump-rested, acknowledged, shelved, out-of-service, unshelved, noted or shakedown"
ACKNOWLEDGED = {"input": "acknowledged", "alarm": "pump-stopped", "subject": "pump"}
SHELVED = ACKNOWLEDGED | {"input": "shelved", "for_s": 1800, "reason": "new rotor"}
NOTED = {"input": "noted", "text": "cut the tube 1 cm", "bed": "bed-1"}
OURS = {"X-Barreltide": "rest-test"}


def test_a_rest_is_read_and_counts_from_its_arrival():
    for written in (REST, json.dumps(REST).encode()):
        assert grower.read(TOPICS, written, 1000.0) == PumpRested(1000.0, "pump", 2800.0)


def test_an_answer_is_read_and_a_shelf_counts_from_its_arrival():
    assert grower.read(TOPICS, ACKNOWLEDGED | {"who": " anna "}, 1000.0) == Answered(
        1000.0, "acknowledged", "pump-stopped", "pump", None, "", "anna"
    )
    shelved = Answered(1000.0, "shelved", "pump-stopped", "pump", 2800.0, "new rotor", "")
    assert grower.read(TOPICS, json.dumps(SHELVED).encode(), 1000.0) == shelved
    aside = ACKNOWLEDGED | {"input": "out-of-service", "reason": "winter"}
    assert grower.read(TOPICS, aside, 1000.0) == shelved._replace(what="out-of-service", until_s=None, reason="winter")
    for alarm, longest_s in (("pump-stopped", 10_800), ("flow-falling", 259_200)):
        assert grower.read(TOPICS, SHELVED | {"alarm": alarm, "for_s": longest_s}, 0.0).until_s == longest_s


def test_a_note_is_read_and_may_be_dated_back_but_not_ahead():
    day_s = 86_400.0
    now_s = 1000 * day_s
    assert grower.read(TOPICS, NOTED, now_s) == Noted(now_s, now_s, "cut the tube 1 cm", "bed-1", "")
    word = NOTED | {"bed": None, "time_s": now_s - 366 * day_s, "who": "anna"}
    assert grower.read(TOPICS, word, now_s) == Noted(now_s, now_s - 366 * day_s, NOTED["text"], None, "anna")
    assert grower.read(TOPICS, NOTED | {"time_s": now_s + 300}, now_s).time_s == now_s, "a phone's fast clock"
    for time_s in (now_s + 301, now_s - 367 * day_s, "noon", True, float("nan")):
        with pytest.raises(PackError, match="^time_s: found .*; Unix seconds, up to a year back, would do$"):
            grower.read(TOPICS, NOTED | {"time_s": time_s}, now_s)


@pytest.mark.parametrize(
    ("written", "line"),
    [
        (b"nope", "no JSON; an object with input would do"),
        (b"[" * 4000, "no JSON; an object with input would do"),
        (b" " * 5000, "5,000 bytes; at most 4,096 would do"),
        ([], "no JSON object; one with input would do"),
        ({}, f"input: found None; {INPUTS} would do"),
        (REST | {"input": "pump-started"}, f"input: found 'pump-started'; {INPUTS} would do"),
        (REST | {"input": ["shelved"]}, f"input: found ['shelved']; {INPUTS} would do"),
        (
            ACKNOWLEDGED | {"alarm": "no-such"},
            f"alarm: found 'no-such'; {', '.join([*TABLE][:-1])} or sensor-fault would do",
        ),
        (ACKNOWLEDGED | {"subject": ""}, "subject: found ''; a few words would do"),
        (
            ACKNOWLEDGED | {"subject": "x" * 129},
            f"subject: found '{'x' * 56}…; a line of at most 128 characters would do",
        ),
        (ACKNOWLEDGED | {"who": "an\nna"}, "who: found 'an\\nna'; a line of at most 60 characters would do"),
        (ACKNOWLEDGED | {"who": None}, "who: found None; a line of at most 60 characters would do"),
        (ACKNOWLEDGED | {"for_s": 60}, "'for_s': no such key; input, alarm, subject and who would do"),
        (SHELVED | {"for_s": 10_801}, "for_s: found 10801; seconds, at most 10,800, would do"),
        (SHELVED | {"reason": " "}, "reason: found ' '; a few words would do"),
        (SHELVED | {"until_s": 1}, "'until_s': no such key; input, alarm, subject, for_s, reason and who would do"),
        (REST | {"pump": "bed-1"}, "pump: found 'bed-1'; pump would do"),
        (REST | {"pump": ["pump"]}, "pump: found ['pump']; pump would do"),
        (REST | {"for_s": 0}, "for_s: found 0; seconds, at most 86,400, would do"),
        (REST | {"for_s": 86_401}, "for_s: found 86401; seconds, at most 86,400, would do"),
        (REST | {"for_s": True}, "for_s: found True; seconds, at most 86,400, would do"),
        (REST | {"for_s": float("nan")}, "for_s: found nan; seconds, at most 86,400, would do"),
        (NOTED | {"bed": "bed-9"}, "bed: found 'bed-9'; bed-1 would do, or none"),
        (NOTED | {"text": "  "}, "text: found '  '; a few words would do"),
        (NOTED | {"text": "x" * 201}, f"text: found '{'x' * 56}…; a line of at most 200 characters would do"),
        (NOTED | {"until_s": 5}, "'until_s': no such key; input, text, bed, time_s and who would do"),
        (REST | {"until_s": 5}, "'until_s': no such key; input, pump and for_s would do"),
    ],
)
def test_what_makes_no_sense_gets_one_line(written, line):
    with pytest.raises(PackError) as told:
        grower.read(TOPICS, written, 1000.0)
    assert str(told.value) == line


# At the page's door.


class Told:
    """Stands where the service would be."""

    def __init__(self) -> None:
        self.told: list[bytes] = []
        self.error: Exception | None = None

    def picture(self) -> dict:
        return {}

    health = picture

    def tell(self, payload: bytes) -> PumpRested:
        self.told.append(payload)
        if self.error:
            raise self.error
        return grower.read(TOPICS, payload, 1000.0)


class Door:
    """The application, asked from any address and by any name."""

    def __init__(self, folder) -> None:
        (folder / "site.toml").write_text(LEAST)
        site = load(folder / "site.toml")
        self.live = Told()
        self._app = web.create_app(site, web.Store(site.store_path), self.live)

    def ask(
        self, body: str | bytes | None = None, client: str = "127.0.0.1", named: str = "127.0.0.1:8420",
        method: str = "POST", **headers: str | None,
    ) -> httpx.Response:  # fmt: skip
        sent = OURS | {"Content-Type": "application/json"} | {k.replace("_", "-"): v for k, v in headers.items()}

        async def answer() -> httpx.Response:
            transport = httpx.ASGITransport(self._app, client=(client, 50_000))
            async with httpx.AsyncClient(transport=transport, base_url=f"http://{named}") as browser:
                return await browser.request(
                    method, "/api/grower", content=json.dumps(REST) if body is None else body,
                    headers={k: v for k, v in sent.items() if v is not None},
                )  # fmt: skip

        return asyncio.run(answer())


@pytest.fixture
def door(tmp_path):
    return Door(tmp_path)


def test_a_program_on_this_host_is_let_in(door):
    ask, live = door.ask, door.live
    answer = ask()
    assert answer.status_code == 200 and json.loads(live.told[0]) == REST
    assert answer.json() == {"input": "pump-rested", "pump": "pump", "received_s": 1000.0, "until_s": 2800.0}
    for client, named in (("::1", "[::1]:8420"), ("127.0.0.9", "localhost"), ("::ffff:127.0.0.1", "127.0.0.1")):
        assert ask(client=client, named=named).status_code == 200
    assert ask(Content_Type="application/json; charset=utf-8").status_code == 200


def test_nobody_else_is(door):
    ask, live = door.ask, door.live
    for client in ("192.0.2.7", "10.0.0.1", "::ffff:192.0.2.7", "testclient", "2001:db8::1"):
        assert ask(client=client).status_code == 401
    assert ask(named="garden.example:8420").status_code == 401, "a name that was made to mean this host"
    assert ask(named="127.0.0.1.garden.example").status_code == 401
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", None):
        assert ask(Content_Type=kind).status_code == 415, "what any page may send without asking"
    assert ask(X_Barreltide=None).status_code == 415
    assert ask(b"x" * 5000).status_code == 413
    assert live.told == []


def test_a_page_of_another_origin_gets_no_leave_to_ask(door):
    answer = door.ask(
        "", method="OPTIONS", Origin="https://garden.example", Access_Control_Request_Method="POST",
        Access_Control_Request_Headers="content-type,x-barreltide",
    )  # fmt: skip
    assert answer.status_code == 405 and not [name for name in answer.headers if name.startswith("access-control")]


def test_what_the_service_answers_is_passed_on(door):
    ask, live = door.ask, door.live
    answer = ask(json.dumps(REST | {"pump": "hose"}))
    assert answer.status_code == 422 and answer.json() == {"error": "pump: found 'hose'; pump would do"}
    live.error = grower.NotNow("the service is still starting; try again in a minute")
    assert ask().status_code == 503 and ask().json()["error"].startswith("the service is still starting")


@pytest.mark.parametrize(
    ("at", "time_s"),
    [("14:30", "2026-07-01T14:30+02:00"), ("09:00", "2026-07-02T09:00+02:00"), ("2026-01-03", "2026-01-03T00:00+01:00"),
     ("2026-07-01T05:00Z", "2026-07-01T07:00+02:00"), ("1790000000.5", "2026-09-21T14:13:20.5Z")],
)  # fmt: skip
def test_a_note_s_time_as_it_is_typed(at, time_s):
    now_s = datetime.fromisoformat("2026-07-02T10:00+02:00").timestamp()
    assert note.moment(at, ZoneInfo("Europe/Madrid"), now_s) == datetime.fromisoformat(time_s).timestamp()
    with pytest.raises(ClientError, match="^--at: found 'noon'; 14:30 or 2026-07-01T14:30 would do$"):
        note.moment("noon", ZoneInfo("Europe/Madrid"), now_s)


# In the writer.


@pytest.fixture
def bench(tmp_path, standin):  # noqa: F811
    bench = Bench(tmp_path / "bench")
    yield bench
    bench.store.close()


def say(bench: Bench, *words: dict) -> list:
    """One turn with these words; their answers."""
    waiting = [grower.Word(json.dumps(word).encode(), grower.concurrent.futures.Future()) for word in words]
    bench.writer._turn(waiting)
    return [word.answer.result(0) for word in waiting]


def test_a_word_is_stored_and_judged_and_then_answered(bench, monkeypatch):
    bench.arrive(payload(0, wet(True)))
    bench.now_s += 60
    commit, seen = bench.store.commit, []
    monkeypatch.setattr(bench.store, "commit", lambda work: (seen.append(work.arrivals), commit(work)))
    (answer,) = say(bench, REST)
    assert answer == PumpRested(bench.now_s, "pump", bench.now_s + 1800) and len(seen) == 1
    assert bench.writer.monitor.state["rested"] == ["pump", answer.until_s]
    (arrival,) = bench.store.arrivals(kinds=("grower",))
    assert arrival.received_s == bench.now_s and json.loads(arrival.payload) == REST
    assert bench.store.counts()["packs"] == 1


def test_a_wrong_word_is_answered_and_leaves_nothing(bench):
    good, bad = say(bench, REST, REST | {"pump": "hose"})
    assert isinstance(good, PumpRested) and isinstance(bad, PackError)
    assert len(list(bench.store.arrivals(kinds=("grower",)))) == 1


def test_a_note_becomes_an_event_at_its_own_time(bench):
    early_s = bench.now_s - 7200
    garden, bed = say(bench, NOTED | {"bed": None, "who": "anna"}, NOTED | {"time_s": early_s})
    assert (garden.bed, bed.time_s) == (None, early_s)
    assert bench.store.events("note") == [
        {"event": "note", "time": bench.now_s, "bed": None, "text": NOTED["text"], "who": "anna"},
        {"event": "note", "time": early_s, "bed": "bed-1", "text": NOTED["text"], "who": ""},
    ]
    assert [line["time"] for line in bench.store.events("note", "bed-1")] == [early_s]


def test_the_engine_tells_a_note_in_replays_too(tmp_path):
    (tmp_path / "site.toml").write_text(LEAST)
    site = load(tmp_path / "site.toml")
    line = {"received": 1_790_000_000.0, "topic": "barreltide/garden/grower", "payload": NOTED}
    (tmp_path / "told.jsonl").write_text(json.dumps(line))
    (event,) = recording.replay(str(tmp_path / "told.jsonl"), site)
    assert event == NotePinned(1_790_000_000.0, "bed-1", NOTED["text"], "") and event.kind in ASIDE


def test_an_answer_is_stored_only_where_it_fits(bench):
    bench.arrive(payload(0, {"n": "test/alarm", "vs": "raise"}))
    bench.intake.alarms = None
    good, bad = say(bench, ACKNOWLEDGED, SHELVED | {"alarm": "battery-low", "subject": "battery"})
    assert isinstance(good, Answered) and bench.writer.monitor.state["answered"][0] == "acknowledged"
    assert isinstance(bad, grower.Unfit) and str(bad) == "battery-low does not stand"
    assert len(list(bench.store.arrivals(kinds=("grower",)))) == 1


def test_after_a_kill_the_word_is_known_again(bench):
    bench.arrive(payload(0, wet(True)))
    (answer,) = say(bench, REST)
    bench.arrive(payload(1, wet(False)), after_s=30)
    bench.kill_and_begin()
    assert bench.writer.monitor.state["rested"] == ["pump", answer.until_s] and bench.writer.monitor.state["fed"] == 2


def test_no_answer_before_the_commit(bench, monkeypatch):
    """The disk is full: whoever waits is told that nothing is certain, and the word is judged once it is written."""
    monkeypatch.setattr(grower, "ANSWER_S", 0.3)
    monkeypatch.setattr(writer, "RETRY_S", (0.1,))
    commit, is_full = bench.store.commit, threading.Event()
    is_full.set()

    def full(work) -> None:
        if is_full.is_set():
            raise sqlite3.OperationalError("database or disk is full")
        commit(work)

    monkeypatch.setattr(bench.store, "commit", full)
    told: list = []

    def ask() -> None:
        try:
            told.append(grower.say(bench.intake.messages, json.dumps(REST).encode()))
        except grower.NotNow as error:
            told.append(error)

    asking = threading.Thread(target=ask)
    asking.start()
    turning = threading.Thread(target=lambda: (bench.writer._turn(bench.writer._gather()), bench.store.close()))
    turning.start()
    asking.join()
    assert isinstance(told[0], grower.NotNow) and "not committed yet" in str(told[0])
    is_full.clear()
    turning.join()
    assert len(list(bench.store.arrivals(kinds=("grower",)))) == 1


def test_too_much_that_waits_is_refused_at_once(bench, monkeypatch):
    monkeypatch.setattr(grower, "MOST_WAITING", 2)
    for _ in range(2):
        bench.intake.messages.put("something")
    began = time.monotonic()
    with pytest.raises(grower.NotNow, match="too much waits"):
        grower.say(bench.intake.messages, b"{}")
    assert time.monotonic() - began < 1


# The whole service.


def test_from_a_request_to_the_engine_and_the_recording(tmp_path, mosquitto, capsys):
    (tmp_path / "site.toml").write_text(LEAST + f"[web]\nport = {free_port()}\n[broker]\nport = {mosquitto.port}\n")
    site = load(tmp_path / "site.toml")
    running = Service(site)
    running.start()
    try:
        until(lambda: running.writer.ready, "the engine")
        answer = httpx.post(f"{running.web.address}api/grower", json=REST, headers=OURS)
        assert answer.status_code == 200
        now = until(
            lambda: (httpx.get(f"{running.web.address}api/now").json()["pumps"].get("pump") or {}).get("resting_until"),
            "the engine's picture",
        )
        assert now == answer.json()["until_s"]
        pin = ["note", "cut the tube", "--bed", "bed-1", "--at", "14:30", "--who", "anna"]
        assert cli.main([*pin, "--site", str(tmp_path / "site.toml")]) == 0
        assert capsys.readouterr().out.endswith(" 14:30  bed-1: cut the tube\n")
        (pinned,) = httpx.get(f"{running.web.address}api/notes?bed=bed-1").json()["notes"]
        assert (pinned["text"], pinned["who"]) == ("cut the tube", "anna")
        assert httpx.get(f"{running.web.address}api/notes?end_s=1").json() == {"notes": [], "more": False}
        connection = http.client.HTTPConnection("127.0.0.1", running.web.port)
        connection.request("POST", "/api/grower", json.dumps(REST), {"Content-Type": "text/plain"})
        assert connection.getresponse().status == 415
        connection.close()
    finally:
        running.stop()
    with open(tmp_path / "all.jsonl", "w+") as out:
        store = web.Store(site.store_path)
        recording.export(store, Topics.of_site(site), out, everything=True)
        store.close()
        out.seek(0)
        lines = [json.loads(line) for line in out]
    topics = ["barreltide/garden/service", "barreltide/garden/grower", "barreltide/garden/grower"]
    assert [line["topic"] for line in lines] == topics and lines[2]["payload"]["text"] == "cut the tube"
    assert lines[1]["payload"] == REST
