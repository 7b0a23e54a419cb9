"""The writer and the whole service: committed before acknowledged, exactly once, across crashes and full disks."""

from __future__ import annotations

import json
import logging
import os
import queue
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request

import paho.mqtt.client as paho
import pytest

import standin_engine
from barreltide import recording, writer
from barreltide.mqtt import Message
from barreltide.pack import Topics
from barreltide.service import Service
from barreltide.site import load
from barreltide.store import Store, Work
from barreltide.writer import Writer
from conftest import SITE as LEAST
from conftest import free_port, until

START_S = 1_790_000_000.0
SITE = LEAST + "[web]\nport = 0\n"
READINGS = "barreltide/garden/barrels/readings"


def payload(seq: int, *records: dict, boot: int = 1) -> bytes:
    head = [{"bn": "garden/barrels/", "n": "station/boot", "v": boot}, {"n": "station/seq", "v": seq}]
    return json.dumps([*head, *records]).encode()


def wet(value: bool) -> dict:
    return {"n": "bed-1/high", "vb": value}


class Intake:
    """Stands where the broker would be: messages are put in by hand, acknowledgements and receipts are kept."""

    def __init__(self) -> None:
        self.messages: queue.Queue[Message] = queue.Queue()
        self.acknowledged: list[int] = []
        self.receipted: list[tuple[str, int, int]] = []
        self.alarms: list[dict] | None = None
        self.problems: list[str] = []

    def start(self) -> None:
        pass

    def acknowledge(self, messages) -> None:
        self.acknowledged += [message.mid for message in messages]

    def receipts(self, packs) -> None:
        self.receipted += [(station, boot, seq) for (station, boot), seqs in packs.items() for seq in seqs]

    def tell_alarms(self, standing) -> None:
        self.alarms = standing


class Bench:
    """A writer that is turned by hand, with a clock set by hand, and can be killed and begun anew."""

    def __init__(self, folder, extra: str = "") -> None:
        folder.mkdir(exist_ok=True)
        (folder / "site.toml").write_text(SITE + extra)
        self.site = load(folder / "site.toml")
        self.topics = Topics.of_site(self.site)
        self.now_s = START_S
        self.stopping = threading.Event()
        self.begin()

    def begin(self) -> None:
        self.store = Store(self.site.store_path)
        self.intake = Intake()
        self.writer = Writer(self.site, self.topics, self.store, self.intake, lambda work: None, lambda: self.now_s)
        self.writer._stopping = self.stopping
        self.writer._wake_engine()

    def kill_and_begin(self) -> None:
        """As after kill -9: nothing is saved in parting."""
        self.store.close()
        self.begin()

    def arrive(self, *payloads: bytes, topic: str = READINGS, after_s: float = 0.0) -> None:
        """One turn with these messages, `after_s` later."""
        self.now_s += after_s
        messages = [
            Message(topic, data[:65536], len(data), 1, number, 1) for number, data in enumerate(payloads, start=1)
        ]
        self.writer._turn(messages)

    def events(self, kind: str) -> list[dict]:
        return self.store.events(kind, newest_first=False)


@pytest.fixture
def standin(monkeypatch):
    monkeypatch.setattr(writer, "engine", standin_engine)


@pytest.fixture
def bench(tmp_path, standin):
    bench = Bench(tmp_path / "bench")
    yield bench
    bench.store.close()


def test_a_pack_is_committed_then_acknowledged_and_receipted(bench, monkeypatch):
    seen = []
    commit = bench.store.commit
    monkeypatch.setattr(
        bench.store, "commit", lambda work: (seen.append(list(bench.intake.acknowledged)), commit(work))
    )
    bench.arrive(payload(0, wet(True)), payload(1, wet(False)))
    assert seen == [[]], "nothing was acknowledged before the one commit"
    assert bench.intake.acknowledged == [1, 2]
    assert bench.intake.receipted == [("barrels", 1, 0), ("barrels", 1, 1)]
    assert bench.store.counts()["packs"] == 2 and bench.events("cycle")[0]["number"] == 1


def test_a_pack_sent_again_is_stored_once_and_gets_a_receipt_again(bench):
    bench.arrive(payload(0, wet(True)), payload(0, wet(True)))
    bench.arrive(payload(0, wet(True)))
    bench.kill_and_begin()
    bench.arrive(payload(0, wet(True)))
    assert bench.store.counts()["packs"] == 1 and bench.writer.monitor.state["fed"] == 1
    assert bench.intake.receipted == [("barrels", 1, 0)] and bench.intake.acknowledged == [1]


def test_bad_messages_are_kept_aside_and_hinder_nothing(bench, caplog):
    bench.arrive(
        payload(0, wet(True)),
        b"nope",
        payload(1, {"n": "battery/voltage", "v": 12.5, "t": 4_102_444_800}),
        bytes(70_000),
        payload(2, wet(False)),
    )
    bench.arrive(payload(3), topic="barreltide/garden/shed/readings")
    bench.arrive(b"{}", topic="barreltide/garden/barrels/presence")
    bench.arrive(b"{}", topic="somewhere/else")
    refused = bench.store.refusals()
    assert [row["reason"].partition(";")[0] for row in reversed(refused)] == [
        "no JSON: expected ident at line 1 column 2",
        "battery/voltage is of 2100-01-01T00:00:00Z, but the pack arrived at 2026-09-21T14:13:20Z",
        "70,000 bytes",
        "station 'shed' is not in the site file",
        "presence is {}",
        "topic 'somewhere/else' is none of barreltide/garden/STATION/readings, presence or receipt",
    ]
    assert bench.store.counts()["refused"] == 6 and bench.store.counts()["packs"] == 2
    assert [seq for _, _, seq in bench.intake.receipted] == [0, 1, 2], (
        "what is aside with a name is on disk too; the stranger's is not ours"
    )
    assert bench.intake.acknowledged == [1, 2, 3, 4, 5, 1, 1, 1], "and the broker need not bring any of them again"
    lines = [record.getMessage() for record in caplog.records if "refused a message" in record.getMessage()]
    assert len(lines) == 6 and all("\n" not in line for line in lines)


def test_presence_is_kept_when_it_changes(bench):
    topic = "barreltide/garden/barrels/presence"
    for online in (True, True, False, False):
        bench.arrive(json.dumps({"online": online}).encode(), topic=topic)
    bench.kill_and_begin()
    bench.arrive(b'{"online": false}', topic=topic)
    kept = [json.loads(arrival.payload)["online"] for arrival in bench.store.arrivals(kinds=("presence",))]
    assert kept == [True, False]


def test_a_notice_is_born_with_its_event(tmp_path, standin):
    bench = Bench(tmp_path / "notices", '[notify]\nurls = ["json://127.0.0.1:9/secret", "mailto://127.0.0.1/secret"]')
    bench.arrive(payload(0, {"n": "test/alarm", "vs": "raise"}))
    bench.arrive(payload(1, {"n": "test/alarm", "vs": "clear"}), after_s=20)
    raised, over = bench.store.notices_to_plan()
    assert (raised["change"], over["change"]) == ("raised", "cleared") and over["id"] == f"{over['id'][:-5]}-over"
    assert raised["stage"] == "new" and "pump-stopped!" in bench.store.notices()[1]["title"]
    assert [line["change"] for line in bench.events("alarm")] == ["raised", "cleared"]
    assert bench.intake.alarms == []


def test_a_crash_at_any_commit_leaves_all_or_nothing(tmp_path, standin):
    """The n-th commit fails for good and the service is killed, for n = 1, 2, 3 …: nothing is lost, nothing doubled."""
    for n in range(1, 7):
        bench = Bench(tmp_path / f"crash-{n}")
        commit, count = bench.store.commit, iter(range(1, 100))

        def failing(work: Work, bench=bench, commit=commit, count=count, n=n) -> None:
            if next(count) == n:
                bench.stopping.set()  # so that the writer gives up, as it would by being killed
                raise sqlite3.OperationalError("disk I/O error")
            commit(work)

        bench.store.commit = failing
        sent = [payload(seq, wet(seq % 2 == 0)) for seq in range(6)]
        for data in sent:
            if not bench.stopping.is_set():
                bench.arrive(data, after_s=5)
        assert len(bench.intake.receipted) == n - 1
        assert bench.store.counts()["packs"] == n - 1
        bench.stopping.clear()
        bench.kill_and_begin()
        for data in sent:
            bench.arrive(data, after_s=5)
        assert bench.store.counts()["packs"] == 6
        assert [line["number"] for line in bench.events("cycle")] == [1, 2, 3]
        bench.store.close()


def test_a_failing_store_keeps_the_work_and_feeds_the_engine_once(bench, monkeypatch, caplog):
    monkeypatch.setattr(writer, "RETRY_S", (0.01,))
    commit, failures = bench.store.commit, iter([True] * 3)

    def failing(work):
        if next(failures, False):
            assert bench.intake.acknowledged == [] and bench.intake.receipted == []
            raise sqlite3.OperationalError("database or disk is full")
        commit(work)

    monkeypatch.setattr(bench.store, "commit", failing)
    bench.arrive(payload(0, wet(True)))
    assert bench.writer.monitor.state["fed"] == 1 and bench.store.counts()["packs"] == 1
    assert bench.intake.receipted == [("barrels", 1, 0)] and bench.writer.problem is None
    told = [record.getMessage() for record in caplog.records if "cannot be written" in record.getMessage()]
    assert len(told) == 1 and "database or disk is full" in told[0] and "nothing is lost" in told[0]


def test_what_the_engine_chokes_on_is_set_aside_and_never_met_again(bench):
    bench.arrive(payload(0, {"n": "test/choke", "v": 1}), payload(1, wet(True)))
    assert [row["reason"] for row in bench.store.refusals()] == ["Traceback\nValueError: choked"]
    assert bench.store.refusals()[0]["payload"] == payload(0, {"n": "test/choke", "v": 1}).decode()
    assert [seq for _, _, seq in bench.intake.receipted] == [0, 1]
    bench.arrive(payload(0, {"n": "test/choke", "v": 1}))
    assert bench.store.counts()["refused"] == 1


def test_time_alone_raises_and_a_crash_does_not_raise_it_twice(bench):
    bench.arrive(payload(0, wet(True)))
    bench.arrive(after_s=100)
    assert [line["alarm"] for line in bench.events("alarm")] == ["station-silent"]
    assert bench.intake.alarms[0]["alarm"] == "station-silent"
    bench.kill_and_begin()
    bench.arrive(after_s=20)
    assert [line["change"] for line in bench.events("alarm")] == ["raised"]
    assert bench.intake.alarms[0]["alarm"] == "station-silent", "told again to whoever listens"
    bench.arrive(payload(1, wet(True)), after_s=5)
    assert [line["change"] for line in bench.events("alarm")] == ["raised", "cleared"]


def test_an_idle_service_writes_nothing(bench):
    bench.arrive(payload(0, wet(True)))
    before = bench.store._rows("PRAGMA data_version"), os.stat(f"{bench.store.path}-wal").st_size
    for _ in range(5):
        bench.arrive(after_s=10)
    assert (bench.store._rows("PRAGMA data_version"), os.stat(f"{bench.store.path}-wal").st_size) == before


def test_the_last_snapshot_is_fed_with_what_came_since(bench):
    for seq in range(10):
        bench.arrive(payload(seq, wet(seq % 2 == 0)), after_s=1)
    state = dict(bench.writer.monitor.state)
    bench.kill_and_begin()
    again = bench.writer.monitor.state
    assert (again["fed"], again["cycles"], again["wet"]) == (state["fed"], state["cycles"], state["wet"])
    assert again["starts"] == 2
    bench.arrive(payload(10, wet(True)), payload(11, wet(False)))
    assert [line["number"] for line in bench.events("cycle")] == [1, 2, 3, 4, 5, 6]


def test_a_snapshot_is_taken_now_and_then(bench):
    first = bench.store.snapshot()
    bench.arrive(payload(0), after_s=599)
    assert bench.store.snapshot() == first
    bench.arrive(payload(1), after_s=2)
    assert bench.store.snapshot().through_arrival == 3 and bench.store.snapshot().saved_s == START_S + 601


def test_without_a_snapshot_that_fits_the_last_month_is_fed_and_numbers_go_on(bench, monkeypatch):
    bench.arrive(payload(0, wet(True)), payload(1, wet(False)), payload(2, wet(True)))
    bench.now_s += 40 * 86_400
    bench.arrive(payload(3, wet(True)))
    bench.arrive(payload(4, {"n": "test/alarm", "vs": "raise"}))
    monkeypatch.setattr(standin_engine, "fingerprint", lambda site: "another")
    bench.kill_and_begin()
    assert bench.writer.monitor.state["fed"] == 2, "what is older than thirty days is left"
    assert (
        len(bench.events("cycle")) == 1
        and len([line for line in bench.events("alarm") if line["alarm"] == "pump-stopped"]) == 1
    )
    bench.arrive(payload(5, wet(False)))
    assert [line["number"] for line in bench.events("cycle")] == [1, 2]


def test_a_snapshot_that_cannot_be_read_is_not_the_end(bench, monkeypatch, caplog):
    bench.arrive(payload(0, wet(True)))
    monkeypatch.setattr(standin_engine.Monitor, "save", lambda self: b"rubbish")
    bench.kill_and_begin()  # saves rubbish as it begins
    monkeypatch.undo()
    writer_engine, writer.engine = writer.engine, standin_engine
    try:
        bench.kill_and_begin()
    finally:
        writer.engine = writer_engine
    assert bench.writer.monitor.state["fed"] == 1 and "cannot be used" in caplog.text


def test_standing_alarms_of_store_and_engine_are_brought_together(bench, monkeypatch):
    bench.arrive(payload(0, {"n": "test/alarm", "vs": "raise"}))
    monkeypatch.setattr(standin_engine, "fingerprint", lambda site: "another")
    monkeypatch.setattr(writer, "REBUILD_S", -1.0)  # nothing is young enough to be fed
    bench.kill_and_begin()
    assert [line["change"] for line in bench.events("alarm")] == ["raised", "cleared"]
    assert "after the service was started anew" in bench.events("alarm")[-1]["message"]
    assert bench.intake.alarms == []


def test_a_clock_put_back_stands_still(bench):
    bench.arrive(payload(0), after_s=100)
    bench.arrive(payload(1), after_s=-5000)
    bench.arrive(payload(2), after_s=4000)
    bench.arrive(after_s=0)
    stamps = [arrival.received_s - START_S for arrival in bench.store.arrivals()]
    assert stamps == [100, 100, 100]
    bench.kill_and_begin()
    bench.arrive(payload(3), after_s=2000)
    assert [arrival.received_s - START_S for arrival in bench.store.arrivals()][-1] == 1100


def test_live_and_replay_are_one(tmp_path):
    """A simulated garden through the writer and the real engine, with restarts; then its export through `replay`."""
    from simulation.draw import draw_garden
    from simulation.run import simulate

    plan = draw_garden(11)
    lines = list(simulate(plan, 0.3).lines())
    folder = tmp_path / "garden"
    folder.mkdir()
    (folder / "site.toml").write_text(plan.site_toml())
    bench = Bench.__new__(Bench)
    bench.site = load(folder / "site.toml")
    bench.topics, bench.stopping = Topics.of_site(bench.site), threading.Event()
    bench.now_s = lines[0]["received"] - 1
    bench.begin()
    for number, line in enumerate(lines):
        while bench.now_s + 7 < line["received"]:
            bench.arrive(after_s=7)
        bench.now_s = line["received"]
        bench.arrive(json.dumps(line["payload"]).encode(), topic=line["topic"])
        if number in (len(lines) // 3, len(lines) // 2):
            bench.kill_and_begin()
    bench.arrive(after_s=60)
    live = {kind: bench.events(kind) for kind in ("cycle", "alarm", "battery", "night")}
    with open(tmp_path / "all.jsonl", "w") as out:
        recording.export(bench.store, bench.topics, out, everything=True)
    replayed: dict[str, list] = {kind: [] for kind in live}
    for event in recording.replay(str(tmp_path / "all.jsonl"), bench.site, (bench.now_s - 2) // 10 * 10):
        replayed[event.kind].append(service_line(event))
    bench.store.close()
    assert len(live["cycle"]) > 5 and len(live["battery"]) > 10
    for kind in live:
        assert sorted(map(str, live[kind])) == sorted(map(str, replayed[kind]))


def service_line(event) -> dict:
    from barreltide.core.event import as_line

    return json.loads(json.dumps(as_line(event)))


# The whole service.


class Station:
    """Sends packs until they are receipted, as a board does."""

    def __init__(self, port: int, boot: int = 1) -> None:
        self.boot, self.waiting, self._lock = boot, {}, threading.Lock()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="garden-barrels", clean_session=False)
        self.client.on_connect = lambda client, *rest: client.subscribe("barreltide/garden/barrels/receipt", 1)
        self.client.on_message = self._receipted
        self.client.reconnect_delay_set(1, 1)
        self.client.connect_async("127.0.0.1", port)
        self.client.loop_start()

    def _receipted(self, client, data, message) -> None:
        receipt = json.loads(message.payload)
        with self._lock:
            for seq in receipt["seq"] if receipt["boot"] == self.boot else []:
                self.waiting.pop(seq, None)

    def send(self, seq: int, data: bytes) -> None:
        with self._lock:
            self.waiting[seq] = data
        self.client.publish(READINGS, data, qos=1)

    def settle(self, seconds: float = 40.0) -> None:
        """Send again what has no receipt, until all has."""
        give_up = time.monotonic() + seconds
        while self.waiting:
            assert time.monotonic() < give_up, f"no receipt for {sorted(self.waiting)[:10]}"
            time.sleep(1.0)
            with self._lock:
                rest = dict(self.waiting)
            for data in rest.values():
                self.client.publish(READINGS, data, qos=1)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


_processes: list[subprocess.Popen] = []


@pytest.fixture(autouse=True)
def _nothing_left_running():
    yield
    while _processes:
        _processes.pop().kill()


def serve(folder, site_text: str) -> tuple[subprocess.Popen, str]:
    """`barreltide serve` as a process; returns it with the address of its pages."""
    folder.mkdir(exist_ok=True)
    (folder / "site.toml").write_text(site_text)
    log = open(folder / "log", "a+")
    log.seek(0, os.SEEK_END)
    start = log.tell()
    process = subprocess.Popen(
        [sys.executable, "-m", "barreltide", "serve", "--site", str(folder / "site.toml")], stderr=log, text=True
    )

    _processes.append(process)

    def address() -> str | None:
        log.seek(start)
        text = log.read()
        assert process.poll() is None, text
        return text.partition("pages at ")[2].partition(",")[0] if "pages at " in text else None

    return process, until(address, "the service to serve")


def health(address: str) -> dict:
    with urllib.request.urlopen(address + "api/health", timeout=30) as answer:
        return json.load(answer)


def test_killed_at_any_moment_each_pack_is_stored_exactly_once(tmp_path, mosquitto):
    text = SITE + f"[broker]\nport = {mosquitto.port}\n"
    station, seq = Station(mosquitto.port), 0
    for pause_s in (0.3, 0.05, None):
        process, _ = serve(tmp_path / "garden", text)
        if pause_s is None:
            mosquitto.kill()
            mosquitto.start()
        for _ in range(150):
            station.send(seq, payload(seq, {"n": "battery/voltage", "v": 12.5}))
            seq += 1
        if pause_s is not None:
            time.sleep(pause_s)
            process.kill()
            process.wait()
    station.settle()
    process.terminate()
    assert process.wait(30) == 0
    station.close()
    store = Store(tmp_path / "garden" / "barreltide.db")
    stored = sorted(arrival.seq for arrival in store.arrivals())
    store.close()
    assert stored == list(range(seq))


def test_with_its_own_broker_from_start_to_stop(tmp_path):
    port = free_port()
    (tmp_path / "site.toml").write_text(SITE)
    running = Service(load(tmp_path / "site.toml"), broker_port=port)
    assert running.live.health()["status"] == "starting" and running.live.picture() == {}
    listened: list[int] = []
    listener = lambda: listened.append(1)  # noqa: E731
    running.live.subscribe(listener)
    running.live.subscribe(lambda: 1 / 0)
    running.start()
    try:
        until(lambda: running.live.health()["status"] == "ok", "the service to be well")
        station = Station(port)
        now_s = time.time()
        station.send(0, payload(0, {"n": "battery/voltage", "v": 12.5, "t": now_s}))
        station.settle()
        answer = until(
            lambda: (h := health(running.web.address))["last_reading_age_s"] is not None and h, "the reading's age"
        )
        assert answer["last_reading_age_s"] < 60 and answer["packs_stored"] == 1 and answer["broker"]["embedded"]
        until(lambda: listened, "the listener to be told")
        running.live.unsubscribe(listener)
        os.kill(running.broker._child.pid, signal.SIGKILL)
        running.wait(3)
        station.send(1, payload(1, {"n": "battery/voltage", "v": 12.5}))
        station.settle()
        station.close()
    finally:
        began = time.monotonic()
        running.stop()
    assert time.monotonic() - began < 20, "a few seconds, and more only on a machine that is overrun"
    again = Service(load(tmp_path / "site.toml"), broker_port=port)
    assert again.store.counts()["packs"] == 2 and again.store.snapshot() is not None
    again.stop()


def test_no_broker_is_told_and_does_not_stop_the_pages(tmp_path):
    port = free_port()
    process, address = serve(tmp_path / "garden", SITE + f"[broker]\nport = {port}\n")
    answer = until(lambda: "answers" in str((h := health(address))["problems"]) and h, "the problem to be told")
    assert f"no broker answers at 127.0.0.1:{port}" in answer["problems"][0]
    process.terminate()
    assert process.wait(30) == 0
    log = (tmp_path / "garden" / "log").read_text()
    assert "Traceback" not in log and log.count("no broker answers") == 1


@pytest.fixture
def small_disk(tmp_path):
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = shutil.which("mount")
    if mount is None or os.geteuid() != 0:
        pytest.skip("a small disk can be mounted by root only")
    made = subprocess.run([mount, "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(disk)], capture_output=True, text=True)
    if made.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {made.stderr.strip()}")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_holds_receipts_back_until_there_is_room(tmp_path, small_disk, mosquitto):
    text = SITE + f'[store]\npath = "{small_disk}/garden.db"\n[broker]\nport = {mosquitto.port}\n'
    process, address = serve(tmp_path / "garden", text)
    station = Station(mosquitto.port)
    station.send(0, payload(0, {"n": "battery/voltage", "v": 12.5}))
    station.settle()
    filler = small_disk / "filler"
    with open(filler, "wb", buffering=0) as out, pytest.raises(OSError):
        while True:
            out.write(os.urandom(4096))
    for seq in range(1, 30):
        station.send(seq, payload(seq, {"n": "note", "vs": os.urandom(400).hex()}))
    answer = until(lambda: (h := health(address))["status"] == "degraded" and h, "the full disk to be told")
    assert "the store cannot be written: database or disk is full" in answer["problems"][0]
    assert station.waiting
    time.sleep(1.2 * sum(writer.RETRY_S[:2]))  # it tries again meanwhile
    filler.unlink()
    station.settle()
    assert until(lambda: (h := health(address))["status"] == "ok" and h, "all well again")["packs_stored"] == 30
    station.close()
    process.terminate()
    assert process.wait(30) == 0
    log = (tmp_path / "garden" / "log").read_text()
    told = re.findall("cannot be written|is written again", log)  # a small pack may still have found room in between
    assert told and told == ["cannot be written", "is written again"] * (len(told) // 2), "not at each try"
    assert "Traceback" not in log


def test_logging_stays_quiet_about_what_is_well(bench, caplog):
    caplog.set_level(logging.INFO)
    bench.arrive(payload(0, wet(True)), payload(1, wet(False)))
    assert caplog.records == []


def test_a_reading_beyond_all_measure_leaves_the_charts_whole(bench):
    values = (1.7e308, 1.7e308, -1.7e308)
    bench.arrive(*(payload(seq, {"n": "x/y", "t": -seq - 1.5, "v": value}) for seq, value in enumerate(values)))
    assert [row["value"] for row in bench.store.readings("barrels", "x/y")] == [-1e100, 1e100, 1e100]
    json.dumps(bench.store.chart("barrels", "x/y", 0, 2e9, 10), allow_nan=False)
    kept = b"".join(arrival.payload for arrival in bench.store.arrivals())
    assert kept.count(b"1.7e+308") == 3, "the packs are as they came"
