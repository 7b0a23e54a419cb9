"""The store: whole transactions, the outbox, limits, and what the pages ask for."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading

import pytest

from barreltide.core.event import AlarmChanged, CycleCounted, NightEnded
from barreltide.notices.outbox import Answer, Notice
from barreltide.store import (
    MOST_REFUSED,
    Arrival,
    Refused,
    Snapshot,
    Store,
    StoreError,
    Work,
    squeeze,
    unsqueeze,
)  # fmt: skip

PAYLOAD = (
    b'[{"bn":"garden/barrels/","bt":1790000000.0,"n":"station/boot","v":91823},{"n":"station/seq","v":17},'
    b'{"n":"battery/voltage","u":"V","t":-10,"v":12.61}]'
)


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "garden.db")
    yield store
    store.close()


def pack_work(store: Store, seq: int, time_s: float, **readings) -> Work:
    work = Work(arrivals=[Arrival(store.next_arrival(), time_s, "readings", "barrels", 7, seq, PAYLOAD)])
    for name, value in readings.items():
        work.readings.append((store.series_id("barrels", name, {"volts": "V"}.get(name), work), time_s, value))
    return work


def alarm(change: str, time_s: float, name="pump-stopped") -> AlarmChanged:
    return AlarmChanged(time_s, time_s - 60, name, "pump", change, "urgent", "The pump stopped.")


def test_payloads_come_back_as_they_were_and_smaller():
    for payload in (b"", b"\xff\x00", PAYLOAD, PAYLOAD * 100):
        assert unsqueeze(squeeze(payload)) == payload
    assert len(squeeze(PAYLOAD)) < len(PAYLOAD) / 2


def test_an_old_row_can_still_be_read():
    # Written once with the dictionary of the first release: a changed dictionary would lose every owner's packs.
    assert unsqueeze(bytes.fromhex(FIRST_ROW)) == PAYLOAD


FIRST_ROW = "23e4604b0308d033c0e5744b430b2363dcee3727d5036686b5b100"


def test_a_transaction_is_whole_or_nothing(store):
    store.commit(pack_work(store, 0, 100.0, volts=12.5))
    twin = pack_work(store, 1, 101.0, volts=12.6)
    twin.arrivals.append(twin.arrivals[0]._replace(id=store.next_arrival()))
    twin.events.append((store.next_event(), 1, alarm("raised", 101.0)))
    with pytest.raises(sqlite3.IntegrityError):
        store.commit(twin)
    assert store.counts()["packs"] == 1 and store.counts()["alarms"] == 0
    assert [row["time_s"] for row in store.readings("barrels", "volts")] == [100.0]
    twin.arrivals.pop()
    store.commit(twin)  # the same work, mended, can be tried again: its ids were drawn before
    assert store.counts()["packs"] == 2 and store.has_pack("barrels", 7, 1) and not store.has_pack("barrels", 7, 2)


def test_it_is_durable_by_its_settings(store, tmp_path):
    store.commit(pack_work(store, 0, 100.0))
    assert store._rows("PRAGMA journal_mode") == [("wal",)]
    assert store._rows("PRAGMA synchronous") == [(2,)], "2 is FULL"


def test_readings_keep_their_kind(store):
    store.commit(pack_work(store, 0, 100.0, high=True, volts=12.0, note="hello"))
    store.commit(pack_work(store, 1, 110.0, high=False))
    assert [row["value"] for row in store.readings("barrels", "high")] == [True, False]
    latest = {row["name"]: row["value"] for row in store.latest_readings()}
    assert latest == {"high": False, "volts": 12.0, "note": "hello"} and type(latest["volts"]) is float
    assert {row["name"]: row["unit"] for row in store.series()} == {"high": None, "volts": "V", "note": None}
    assert [row["time_s"] for row in store.readings("barrels", "high", limit=1)] == [110.0], "the newest"


def test_it_is_found_again_after_opening(store, tmp_path):
    store.commit(pack_work(store, 0, 100.0, volts=12.5))
    again = Store(tmp_path / "garden.db")
    assert again.next_arrival() == 2
    work = pack_work(again, 1, 110.0, volts=12.4)
    assert not work.series, "the series is known"
    again.commit(work)
    assert [row["value"] for row in again.readings("barrels", "volts")] == [12.5, 12.4]
    assert [arrival.payload for arrival in again.arrivals()] == [PAYLOAD, PAYLOAD]
    assert [arrival.id for arrival in again.arrivals(after=1)] == [3], "an id drawn and not used is no harm"
    again.close()


def test_standing_alarms_and_cycle_numbers(store):
    cycle = CycleCounted(90.0, "bed-1", 41, 400.0, 300.0, 100.0, None, None)
    night = NightEnded(95.0, "2026-06-21", 10.0, 90.0, 0.8, 0.6, 12.0, 12.2, None)
    events = [
        alarm("raised", 1.0),
        alarm("cleared", 2.0),
        alarm("raised", 3.0),
        alarm("raised", 4.0, "battery-low"),
        cycle,
        night,
    ]
    store.commit(Work(events=[(store.next_event(), None, event) for event in events]))
    assert {line["alarm"] for line in store.standing()} == {"pump-stopped", "battery-low"}
    store.commit(Work(events=[(store.next_event(), None, alarm("cleared", 5.0))]))
    assert [line["alarm"] for line in store.standing()] == ["battery-low"]
    assert store.last_cycles() == {"bed-1": 41}
    assert store.events("cycle", "bed-1")[0]["number"] == 41 and store.events("cycle", "bed-2") == []
    assert [line["time"] for line in store.events("alarm", limit=2)] == [5.0, 4.0]
    assert [line["time"] for line in store.events("alarm", newest_first=False, start_s=2, end_s=3)] == [2.0, 3.0]
    assert store.events("night")[0]["date"] == "2026-06-21"


def test_the_outbox(store):
    notices = [
        Notice(f"n{number}", number, 100.0 + number, "pump-stopped", subject, priority, "title", "body")
        for number, (subject, priority) in enumerate([("pump", "soon"), ("pump", "urgent"), ("other", "soon")])
    ]
    work = Work(events=[(store.next_event(), None, alarm("raised", 100.0))], notices=notices)
    store.commit(work)
    planned = store.notices_to_plan()
    assert [(row["id"], row["stage"], row["sendings"]) for row in planned] == [
        ("n0", "new", []), ("n1", "new", []), ("n2", "new", [])]  # fmt: skip
    assert not store.is_newest(planned[0]["number"], "pump-stopped", "pump")
    assert store.is_newest(planned[1]["number"], "pump-stopped", "pump")
    store.carry_out("n0", "done", ["1 json", "2 mailto"], [], [], 100.0)
    store.carry_out("n1", "open", ["2 mailto", "1 json"], [], [("n0", "2 mailto")], 100.0)
    assert [(row["id"], row["stage"]) for row in store.notices_to_plan()] == [("n1", "open"), ("n2", "new")]
    assert [row["channel"] for row in store.told_before(planned[1]["number"], "pump-stopped", "pump")] == [
        "1 json", "2 mailto"], "of the notice before it"  # fmt: skip
    assert sorted(store.waiting_channels()) == ["1 json", "2 mailto"]
    assert [row["notice"] for row in store.waiting(["1 json", "2 mailto"])] == ["n0", "n1", "n1"], "in their order"
    store.mark_sent([("n0", "1 json"), ("n1", "1 json")], 150.0)
    store.mark_failed([("n1", "2 mailto", 300.0)], "no answer")
    assert store.waiting(["1 json"]) == [] and store.waiting(["2 mailto"])[0]["tries"] == 1
    assert store.messages_since("1 json", 149.0) == 1, "two notices in one message"
    store.mark_failed([("n1", "2 mailto", None)], "gone")
    shown = {row["id"]: row["sendings"] for row in store.notices()}
    assert shown["n1"][0] == {
        "channel": "1 json", "state": "sent", "tries": 1, "told": 1, "sent_s": 150.0, "error": None}  # fmt: skip
    assert [row["state"] for row in shown["n0"]] == ["sent", "passed"]
    assert shown["n1"][1]["state"] == "given-up" and store.counts()["given_up"] == 1
    store.carry_out("n1", "open", [], ["1 json", "2 mailto"], [], 200.0)
    assert [(row["channel"], row["told"]) for row in store.waiting(["1 json", "2 mailto"])] == [("1 json", 1)]
    store.commit(Work(answers=[Answer("pump-stopped", "pump", 210.0)]))
    assert {row["id"]: row["answered_s"] for row in store.notices()} == {"n0": None, "n1": 210.0, "n2": None}
    store.commit(Work(events=[(store.next_event(), None, alarm("raised", 101.0))], notices=notices))
    assert store.notices()[0]["id"] == "n2" and len(store.notices()) == 3, "the same id is the same notice"


def test_a_store_of_before_the_stages_asks_nobody_anew(tmp_path):
    path = tmp_path / "old.db"
    old = sqlite3.connect(path)
    for statement in OLD_OUTBOX:
        old.execute(statement)
    old.commit()
    old.close()
    store = Store(path)
    assert store.notices_to_plan() == []
    assert [(row["id"], row["change"]) for row in store.notices()] == [("a-over", "cleared"), ("a", "raised")]
    assert [(row["notice"], row["told"]) for row in store.waiting(["1 json"])] == [("a-over", 0)]
    store.close()


OLD_OUTBOX = (
    "CREATE TABLE _sqlite_migrations (migration_set TEXT, name TEXT, applied_at TEXT)",
    "CREATE TABLE arrivals (id INTEGER PRIMARY KEY, received_s REAL NOT NULL, kind TEXT NOT NULL, station TEXT,"
    " boot INTEGER, seq INTEGER, payload BLOB)",
    "CREATE TABLE series (id INTEGER PRIMARY KEY, station TEXT NOT NULL, name TEXT NOT NULL, unit TEXT)",
    "CREATE TABLE events (id INTEGER PRIMARY KEY, arrival INTEGER, time_s REAL NOT NULL, kind TEXT NOT NULL,"
    " subject TEXT, body TEXT NOT NULL)",
    "CREATE TABLE notices (id TEXT PRIMARY KEY, event INTEGER, created_s REAL NOT NULL, alarm TEXT NOT NULL,"
    " subject TEXT NOT NULL, priority TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL)",
    "CREATE TABLE sendings (notice TEXT NOT NULL REFERENCES notices (id), channel TEXT NOT NULL,"
    " state TEXT NOT NULL, tries INTEGER NOT NULL, next_try_s REAL NOT NULL, sent_s REAL, error TEXT,"
    " PRIMARY KEY (notice, channel))",
    "INSERT INTO _sqlite_migrations VALUES ('barreltide', 'first_tables', '2026-01-01')",
    "INSERT INTO notices VALUES ('a', 1, 10, 'pump-stopped', 'pump', 'urgent', 't', 'b'),"
    " ('a-over', 2, 20, 'pump-stopped', 'pump', 'urgent', 't', 'b')",
    "INSERT INTO sendings VALUES ('a', '1 json', 'sent', 1, 10, 11, NULL), ('a-over', '1 json', 'waiting', 0, 20, NULL,"
    " NULL)",
)


def test_phones_come_and_go_and_are_few(store, monkeypatch):
    first = {"endpoint": "https://push.example/1", "keys": {"p256dh": "a", "auth": "b"}}
    one = store.add_phone("anna", first, 1.0)
    two = store.add_phone(None, first | {"endpoint": "https://push.example/2"}, 2.0)
    assert store.add_phone(None, first, 3.0) == one and two != one, "the same phone again"
    assert [(row["id"], row["person"]) for row in store.phones()] == [(one, None), (two, None)]
    store.remove_phone(two)
    third = store.add_phone(None, first | {"endpoint": "https://push.example/3"}, 4.0)
    assert third not in (one, two), "a number once given is never another phone's"
    monkeypatch.setattr("barreltide.notices.outbox.MOST_SUBSCRIPTIONS", 2)
    assert store.add_phone(None, first | {"endpoint": "https://push.example/4"}, 5.0) is None
    assert store.add_phone("anna", first, 6.0) == one and store.phones()[0]["subscription"] == first


def test_what_is_refused_is_bounded_and_counted(store):
    payload = b"\x00\xff" * 40_000
    store.commit(Work(refused=[Refused(1.0, "t", "why", payload)]))
    for _ in range(3):
        store.commit(Work(refused=[Refused(2.0, "t" * 1000, "why " * 1000, b"x")] * (MOST_REFUSED // 2)))
    rows = store.refusals(20_000)
    assert len(rows) == MOST_REFUSED and store.counts()["refused"] == 3 * MOST_REFUSED // 2 + 1
    assert len(rows[0]["topic"]) == 200 and len(rows[0]["reason"]) == 2_000
    assert rows[0]["payload"] == "x" and rows[999]["payload"] == "x" and rows[1000]["payload"] is None


def test_one_snapshot_and_one_clock(store):
    for number in (1, 2):
        store.commit(Work(snapshot=Snapshot("print", number, 100.0, b"state"), ticked_s=10.0 * number))
    assert store.snapshot() == Snapshot("print", 2, 100.0, b"state") and store.ticked_s() == 20.0


def test_series_have_a_limit(store, monkeypatch):
    monkeypatch.setattr("barreltide.store.MOST_SERIES", 3)
    work = Work()
    assert [store.series_id("barrels", f"name-{number}", None, work) for number in range(5)] == [1, 2, 3, None, None]


def test_threads_read_while_one_writes(store):
    seen, failures = [], []

    def read():
        try:
            while not seen or seen[-1] < 50:
                seen.append(store.counts()["packs"])
            store.close()
        except Exception as error:
            failures.append(error)

    reader = threading.Thread(target=read)
    reader.start()
    for seq in range(50):
        store.commit(pack_work(store, seq, 100.0 + seq))
    reader.join(60)
    assert not failures and seen[-1] == 50 and seen == sorted(seen)


def test_a_store_that_cannot_be(tmp_path):
    (tmp_path / "text.db").write_text("no database, " * 100)
    for path in (tmp_path / "text.db", tmp_path, tmp_path / "none" / "x.db"):
        with pytest.raises(StoreError, match="cannot be opened as the store") as error:
            Store(path)
        assert "\n" not in str(error.value)


def test_a_full_disk_writes_nothing_and_goes_on_when_there_is_room(store):
    store.commit(pack_work(store, 0, 100.0))
    pages = store._rows("PRAGMA page_count")[0][0]
    store._rows(f"PRAGMA max_page_count = {pages + 1}")
    work = pack_work(store, 1, 101.0)
    work.refused = [Refused(1.0, "t", "why", os.urandom(60_000))]
    with pytest.raises(sqlite3.OperationalError, match="full"):
        store.commit(work)
    assert store.counts()["packs"] == 1
    store._rows("PRAGMA max_page_count = 1000000")
    store.commit(work)
    assert store.counts()["packs"] == 2


def test_the_library_of_the_store_brings_no_pandas(tmp_path):
    code = "import sys, barreltide.store; sys.exit('pandas' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
