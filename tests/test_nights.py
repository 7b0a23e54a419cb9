"""The table of nights: read from a store that a service may be writing just now."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from barreltide.commands import nights
from barreltide.core.event import BatteryJudged, NightEnded
from barreltide.site import load
from barreltide.store import Store, Work
from conftest import SITE

ZONE = ZoneInfo("America/Los_Angeles")
DUSK = datetime(2026, 6, 8, 20, 30, tzinfo=ZONE)
DAWN_AFTER = timedelta(hours=9.2)


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    return load(tmp_path / "site.toml")


@pytest.fixture
def store(site):
    store = Store(site.store_path)
    yield store
    store.close()


def judged(store: Store, dusk: datetime, hours: float, first: float, fall_per_h: float) -> list:
    steps = int(6 * hours)
    return [
        (store.next_event(), None, BatteryJudged(dusk.timestamp() + 600 * k, s := first - fall_per_h * k / 6,
                                                 s - 0.07, s + 0.08, "loaded"))
        for k in range(steps)
    ]  # fmt: skip


def fill(store: Store, count: int = 3, **more: float) -> None:
    """So many nights from DUSK on, each a little deeper than the one before; `more`: in the last record."""
    work = Work()
    for night in range(count):
        dusk = DUSK + timedelta(days=night)
        dawn = dusk + DAWN_AFTER
        first = 0.95 - 0.05 * night
        work.events += judged(store, dusk, 9.2, first, 0.025)
        record = NightEnded(
            dawn.timestamp(), dusk.date().isoformat(), dusk.timestamp(), dawn.timestamp(), first, first - 0.23,
            18.4, 12.31 - 0.04 * night, 12.5,
        )  # fmt: skip
        work.events.append((store.next_event(), None, record))
    store.commit(work)
    if more:
        ((event_id, body),) = store._rows("SELECT max(id), body FROM events WHERE kind = 'night'")
        store._db.execute(
            "UPDATE events SET body = ? WHERE id = ?", (json.dumps(json.loads(body) | more), event_id))  # fmt: skip


def noon(days: int = 3) -> float:
    return (DUSK.replace(hour=12) + timedelta(days=days)).timestamp()


def test_the_nights_stand_in_a_table_the_newest_last(site, store):
    fill(store)
    assert nights.report(site, store, 14, noon()) == [
        "night of    dusk   dawn   charge              used    lowest      slope   left  charge from 63 % to 94 %",
        "2026-06-08  20:30  05:42    95 % → 72 %    18.4 Ah   12.31 V          –   12 h  ██▇▇▆▆▅▅▅▄▄▃",
        "2026-06-09  20:30  05:42    90 % → 67 %    18.4 Ah   12.27 V          –   12 h  ▇▆▆▆▅▅▄▄▃▃▃▂",
        "2026-06-10  20:30  05:42    85 % → 62 %    18.4 Ah   12.23 V          –   12 h  ▆▅▅▄▄▄▃▃▂▂▁▁",
    ]
    assert len(nights.report(site, store, 2, noon())) == 3
    assert nights.report(site, store, 2, noon())[1].startswith("2026-06-09")


def test_what_nobody_knows_is_a_dash_and_a_hole_in_the_data_a_hole(site, store):
    dusk = DUSK.timestamp()
    record = NightEnded(dusk + 33_000, "2026-06-08", dusk, dusk + 33_000, None, None, None, None, None)
    some = [event for event in judged(store, DUSK, 9, 0.9, 0.02) if not 3 < (event[2].time - dusk) / 3600 < 6]
    store.commit(Work(events=[*some, (store.next_event(), None, record)]))
    (row,) = nights.report(site, store, 14, noon())[1:]
    assert row == "2026-06-08  20:30  05:40       – → –             –         –          –      –  █▇▇▆   ▃▃▂▂▁"


def test_slope_capacity_and_resistance_are_told_where_the_record_has_them(site, store):
    fill(store, slope_v_per_h=-0.0213, capacity_ah=88.2, capacity_low_ah=80.0, capacity_high_ah=97.0,
         resistance_ohm=0.0113)  # fmt: skip
    lines = nights.report(site, store, 14, noon())
    assert " -21 mV/h " in lines[3]
    assert lines[4:] == [
        "",
        "The battery holds about 88 Ah (between 80 and 97 Ah) of the 100 Ah on its label.",
        "Battery and leads have a resistance of 11 mΩ.",
    ]


@pytest.mark.parametrize(
    ("capacity_ah", "low_ah", "high_ah", "words"),
    [
        (72.0, 66.0, 78.0, "The battery has lost a fifth of its capacity or more. It holds about 72 Ah (between 66 "),
        (78.0, 70.0, 86.0, "The battery may have lost a fifth of its capacity. It holds about 78 Ah (between 70 and "),
        (81.0, 70.0, 92.0, "The battery holds about 81 Ah (between 70 and 92 Ah) of the 100 Ah on its label."),
        (81.0, None, None, "The battery holds about 81 Ah of the 100 Ah on its label."),
    ],
)
def test_a_battery_that_has_lost_a_fifth_is_named(site, store, capacity_ah, low_ah, high_ah, words):
    fill(store, capacity_ah=capacity_ah, capacity_low_ah=low_ah, capacity_high_ah=high_ah)
    assert nights.report(site, store, 14, noon())[-1].startswith(words)


def test_a_resistance_that_has_risen_is_named(site, store):
    fill(store, 8)
    rows = store._rows("SELECT id, body FROM events WHERE kind = 'night' ORDER BY id")
    for place, (event_id, body) in enumerate(rows):
        line = json.loads(body) | {"resistance_ohm": 0.010 if place < 7 else 0.017}
        store._db.execute("UPDATE events SET body = ? WHERE id = ?", (json.dumps(line), event_id))
    (told,) = nights.report(site, store, 3, noon(8))[-1:]
    assert told.startswith(
        "Battery and leads have a resistance of 17 mΩ, usually 10 mΩ. It has risen: look for a loose"
    )


def test_tonight_has_a_line_of_its_own(site, store):
    fill(store, 2)
    now = DUSK + timedelta(days=2, hours=4)
    work = Work(events=judged(store, DUSK + timedelta(days=2, minutes=5), 3.9, 0.88, 0.03))
    volts = store.series_id("barrels", "battery/voltage", "V", work)
    work.readings = [(volts, now.timestamp() - 60 * k, 12.31 + 0.001 * k) for k in range(120)]
    store.commit(work)
    lines = nights.report(site, store, 14, now.timestamp())
    assert lines[-2] == "" and lines[-1].startswith("Tonight, since 20:3")
    assert ": 88 % → 77 % (between 70 and 85 %), at 00:15" in lines[-1]
    assert "; lowest 12.31 V; dawn is at 05:4" in lines[-1] and lines[-1].endswith("▄")
    assert not [line for line in nights.report(site, store, 14, noon()) if "Tonight" in line], "not by day"
    newest = json.loads(nights.as_json(site, store, 1, now.timestamp())[-1])
    assert newest["event"] == "tonight" and newest["lowest_voltage_v"] == 12.31
    assert newest["charge_through"][0] > 0.86 and newest["charge_through"][-1] is None


def test_json_is_one_object_a_line_with_what_replay_prints(site, store):
    fill(store, slope_v_per_h=-0.02)
    lines = [json.loads(line) for line in nights.as_json(site, store, 2, noon())]
    assert [line["date"] for line in lines] == ["2026-06-09", "2026-06-10"]
    assert set(lines[0]) >= {
        "event", "time", "date", "dusk", "dawn", "state_of_charge_dusk", "state_of_charge_dawn", "used_ah",
        "lowest_voltage_v", "hours_left", "charge_through",
    }  # fmt: skip
    assert lines[1]["slope_v_per_h"] == -0.02 and len(lines[0]["charge_through"]) == nights.PARTS


def test_a_store_without_nights_says_so(site, store):
    assert nights.report(site, store, 14, noon()) == [
        "No night has been recorded yet: the first one is written at its dawn."]  # fmt: skip
    assert nights.as_json(site, store, 14, noon()) == []


def command(site_path, *options: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", "nights", "--site", str(site_path), *options],
        capture_output=True, timeout=60,
    )  # fmt: skip
    return done.returncode, done.stdout.decode(), done.stderr.decode()


def test_the_command_reads_while_another_writes(site, store, tmp_path):
    fill(store)
    stop = threading.Event()

    def write() -> None:
        writer = Store(site.store_path)
        while not stop.is_set():
            writer.commit(Work(events=judged(writer, DUSK + timedelta(days=9), 0.5, 0.8, 0.01)))
        writer.close()

    writing = threading.Thread(target=write)
    writing.start()
    try:
        status, out, err = command(tmp_path / "site.toml", "--last", "2", "--json")
    finally:
        stop.set()
        writing.join()
    assert (status, err) == (0, "") and [json.loads(line)["date"] for line in out.splitlines()][:1] == ["2026-06-09"]


def test_mistakes_get_status_2_and_one_line(site, tmp_path):
    status, out, err = command(tmp_path / "site.toml")
    assert (status, out) == (2, "") and err.endswith("barreltide.db: no store there yet; `barreltide serve` makes it\n")
    assert not site.store_path.exists(), "looking makes no store"
    for last in ("0", "soon", "-3"):
        status, _, err = command(tmp_path / "site.toml", "--last", last)
        assert status == 2 and "1 to 10000 would do" in err.splitlines()[-1]
    site.store_path.write_text("no database, " * 100)
    assert "cannot be opened as the store" in command(tmp_path / "site.toml")[2]
