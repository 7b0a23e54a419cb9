"""Roll-ups: whatever comes, in whatever order, they are what making them anew would give; and what is drawn of them."""

from __future__ import annotations

import sqlite3
from datetime import datetime
from statistics import mean, median
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from barreltide import rollups
from barreltide.core.event import BatteryJudged, CycleCounted
from barreltide.rollups import CHARGE, COARSE_S, FINE_S, HELD_S
from barreltide.store import Arrival, Snapshot, Store, Work

T0 = 1_790_000_000 // 86_400 * 86_400
LISBON = ZoneInfo("Europe/Lisbon")


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "garden.db")
    store.zone = LISBON
    yield store
    store.close()


def put(store: Store, rows: list[tuple[str, float, object]], events: list = ()) -> None:
    work = Work(arrivals=[Arrival(store.next_arrival(), 1.0, "readings", "barrels", 7, store._next_arrival, b"[]")])
    work.readings = [(store.series_id("barrels", name, None, work), time_s, value) for name, time_s, value in rows]
    work.events = [(store.next_event(), None, event) for event in events]
    store.commit(work)


def charge(time_s: float, share: float) -> BatteryJudged:
    return BatteryJudged(time_s, share, share - 0.1, share + 0.1, "loaded")


def cycle(time_s: float, bed: str, period_s: float | None) -> CycleCounted:
    return CycleCounted(time_s, bed, 1, period_s, 300.0, 600.0, None, 60.0)


# What the tables must hold, told again in the plainest way.


def spans_anew(store: Store) -> dict:
    rows, found = store._rows("SELECT series, time_s, value FROM readings ORDER BY series, time_s"), {}
    numbers: dict[int, list] = {}
    for series, time_s, value in rows:
        if isinstance(value, float):
            numbers.setdefault(series, []).append((time_s, value))
    for series, pairs in numbers.items():
        for span_s in (FINE_S, COARSE_S):
            newest = pairs[-1][0] // span_s
            for start in {time_s // span_s for time_s, _ in pairs if time_s // span_s < newest}:
                inside = [value for time_s, value in pairs if time_s // span_s == start]
                row = len(inside), min(inside), pytest.approx(mean(inside)), max(inside), inside[-1]
                found[series, span_s, int(start * span_s)] = row
    quarters: dict[int, list] = {}
    for line in store.events("battery", newest_first=False):
        quarters.setdefault(int(line["time"] // COARSE_S) * COARSE_S, []).append(line)
    for start, lines in quarters.items():
        means = [pytest.approx(mean(line[name] for line in lines)) for name in ("low", "state_of_charge", "high")]
        found[CHARGE, COARSE_S, start] = (len(lines), *means, lines[-1]["state_of_charge"])
    return found


def wet_anew(store: Store) -> dict:
    """Second by second: every time below is a whole one."""
    rows = store._rows("SELECT series, time_s, value FROM readings WHERE typeof(value) = 'integer' ORDER BY 1, 2")
    found: dict = {}
    for series in {row[0] for row in rows}:
        states = {time_s: value for other, time_s, value in rows if other == series}
        times = sorted(states)
        for time_s, until_s in zip(times, [*times[1:], 1e12]):
            for second in range(int(time_s), int(min(until_s, time_s + HELD_S))):
                start = second // COARSE_S * COARSE_S
                if start < times[-1] // COARSE_S * COARSE_S:
                    known = found.setdefault((series, start), [0, 0])
                    known[0] += 1
                    known[1] += states[time_s]
    return {key: tuple(known) for key, known in found.items()}


def days_anew(store: Store, zone: ZoneInfo) -> dict:
    days: dict = {}
    for line in store.events("cycle"):
        days.setdefault((line["bed"], datetime.fromtimestamp(line["time"], zone).date()), []).append(line["period_s"])
    return {
        key: (len(periods), median(known) if (known := [p for p in periods if p is not None]) else None)
        for key, periods in days.items()
    }


def check(store: Store, zone: ZoneInfo = LISBON) -> None:
    spans = {tuple(row[:3]): tuple(row[3:]) for row in store._rows("SELECT * FROM spans")}
    assert spans == spans_anew(store)
    assert {tuple(row[:2]): tuple(row[2:]) for row in store._rows("SELECT * FROM wet")} == wet_anew(store)
    kept = {(row["bed"], datetime.fromtimestamp(row["start_s"], zone)): row for row in store.cycle_days(0, 1e12)}
    assert all(day.hour == 0 for _, day in kept)
    assert {(bed, day.date()): (row["cycles"], row["period_s"]) for (bed, day), row in kept.items()} == days_anew(
        store, zone
    )


READING = st.one_of(
    st.tuples(st.just("volts"), st.integers(0, 9_000), st.sampled_from([12.0, 12.5, 13.25])),
    st.tuples(st.just("high"), st.integers(0, 9_000), st.booleans()),
    st.tuples(st.just("odd"), st.integers(0, 9_000), st.sampled_from([1.5, True, False, "words"])),
)
EVENT = st.one_of(
    st.builds(charge, st.integers(0, 200_000).map(float), st.sampled_from([0.5, 0.625, 0.75])),
    st.builds(cycle, st.integers(0, 200_000).map(float), st.sampled_from(["bed-1", "bed-2"]), st.sampled_from(
        [None, 800.0, 900.0])),
)  # fmt: skip
BATCH = st.tuples(st.lists(READING, max_size=8), st.lists(EVENT, max_size=3))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(BATCH, max_size=12), st.integers(0, 12), st.integers(0, 90_000))
def test_late_packs_and_duplicates_leave_what_making_it_anew_gives(tmp_path_factory, batches, forget_at, offset_s):
    """In any order, and with a store of before the roll-ups among them, which is rolled up while more comes."""
    store = Store(tmp_path_factory.mktemp("roll") / "garden.db")
    store.zone = LISBON
    store._db.execute("PRAGMA synchronous = OFF")  # nobody pulls the plug on this one
    for number, (readings, events) in enumerate(batches):
        put(
            store,
            [(name, float(T0 + offset_s + time_s), value) for name, time_s, value in readings],
            [event._replace(time=T0 + event.time) for event in events],
        )
        if number == forget_at:
            forget(store)
        elif number > forget_at:
            store.roll_up_older(0.0001)
    while store.roll_up_older():
        pass
    check(store)
    store.close()


def forget(store: Store) -> None:
    """Make it a store of before the roll-ups."""
    with store._db.atomic():
        for statement in rollups.TABLES + rollups.GAPS:
            if statement.startswith(("CREATE TABLE", "CREATE INDEX")):
                store._db.execute(f"DROP {statement.split()[1]} {statement.split()[2]}")
        for statement in rollups.TABLES + rollups.GAPS:
            store._db.execute(statement)


def test_a_day_kept_for_elsewhere_is_made_anew(store):
    times = [T0 + hour * 3600.0 for hour in range(0, 96, 5)]
    put(store, [], [cycle(time_s, "bed-1", 900.0 + number) for number, time_s in enumerate(times)])
    check(store)
    elsewhere = ZoneInfo("Asia/Kathmandu")  # 5 h 45 min ahead
    again = Store(store.path)
    again.zone = elsewhere
    while again.roll_up_older():
        pass
    check(again, elsewhere)
    again.close()


@pytest.mark.parametrize("killed", [False, True])
def test_what_an_older_version_wrote_meanwhile_is_rolled_up(store, killed):
    """An update was taken back, and came again."""

    def rows(start_s: float) -> list[tuple[str, float, object]]:
        times = [start_s + second for second in range(0, 7200, 60)]
        return [("volts", t, 12.0 + t % 7200 / 7200) for t in times] + [("high", t, t % 600 == 0) for t in times]

    put(store, rows(T0))
    assert not store.roll_up_older()
    store._db.execute("UPDATE arrivals SET received_s = ?", (T0 + 7300.0,))
    store.commit(Work(snapshot=Snapshot("print", store._next_arrival - 1, 1.0, b"")))
    if killed:
        put(store, rows(T0 + 7200.0))
    with store._db.atomic():  # as the older version does, which knows no roll-ups
        ids = {name: store._series["barrels", name] for name in ("volts", "high")}
        store._insert("INSERT INTO arrivals", [(store.next_arrival(), T0 + 9e4, "readings", "barrels", 8, 0, b"")])
        later = rows(T0 + 50_000.0) + rows(T0 - 30 * 86_400.0)  # and what came late
        store._insert("INSERT OR IGNORE INTO readings", [(ids[name], time_s, value) for name, time_s, value in later])
    again = Store(store.path)
    again.zone = LISBON
    put(again, rows(T0 + 100_000.0))
    again.commit(Work(snapshot=Snapshot("print", again._next_arrival - 1, 1.0, b"")))  # at its start
    while again.roll_up_older():
        pass
    check(again)
    assert again._rows("SELECT count(*) FROM unrolled") == [(0,)]
    again.close()


def test_a_failed_transaction_leaves_no_roll_up(store):
    put(store, [("volts", float(T0), 12.0)])
    work = Work(readings=[(store.series_id("barrels", "volts", None, Work()), T0 + 2000.0, 12.5)])
    work.arrivals = [Arrival(1, 1.0, "readings", "barrels", 7, 2, b"[]")]  # an id that is taken
    with pytest.raises(sqlite3.IntegrityError):
        store.commit(work)
    assert store._rows("SELECT count(*) FROM spans") == [(0,)]
    store.commit(Work(readings=work.readings))
    check(store)
    assert store._rows("SELECT count(*) FROM spans") == [(2,)]


def test_counts_follow_without_being_counted_again(store):
    assert store.counts()["packs"] == 0 and store.stations() == []
    for number in range(3):
        put(store, [("volts", T0 + float(number), 12.0)], [cycle(T0 + 900.0 * number, "bed-1", None)])
        assert (store.counts()["packs"], store.counts()["cycles"], store.counts()["alarms"]) == (number + 1,) * 2 + (0,)
    seen: list[str] = []
    store._db.conn.set_trace_callback(seen.append)
    (station,) = store.stations()
    assert station["packs"] == 3 and station["last_boot"] == 7
    store._db.conn.set_trace_callback(None)
    assert "id > 3" in seen[0], "only what is newer than what was counted"
    plan = store._rows(f"EXPLAIN QUERY PLAN {seen[0]}")
    assert any("USING INTEGER PRIMARY KEY (rowid>?)" in row[-1] for row in plan), "and not all of it looked through"


# What is drawn.

DAY_S = 86_400


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    """Forty days: a reading of voltage each half minute, of a float each five, the charge, cycles; a hole on day 20."""
    store = Store(tmp_path_factory.mktemp("month") / "garden.db")
    store.zone = LISBON
    store._db.execute("PRAGMA synchronous = OFF")
    for day in range(40):
        at_s = float(T0 + day * DAY_S)
        rows = [("battery/voltage", at_s + second, 12.0 + second / DAY_S) for second in range(0, DAY_S, 30)]
        rows += [("bed-1/high", at_s + second, second % 1200 == 0) for second in range(0, DAY_S, 300)]
        events = [charge(at_s + second, 0.5 + second / DAY_S / 4) for second in range(0, DAY_S, 300)]
        events += [cycle(at_s + second, "bed-1", 1200.0) for second in range(600, DAY_S, 1200)]
        put(store, rows if day != 20 else [], events if day != 20 else [])
    yield store
    store.close()


END_S = T0 + 40 * DAY_S


def test_a_short_span_is_drawn_from_the_readings_themselves(month):
    found = month.chart("barrels", "battery/voltage", END_S - 3600, END_S, 500)
    assert found["each_s"] == 0 and found["complete"] and not found["steps"] and len(found["t"]) == 120
    assert found["mean"][0] == pytest.approx(12 + 82_800 / DAY_S, abs=1e-5) and found["low"] == found["high"]
    states = month.chart(None, "bed-1/high", END_S - 3600, END_S, 500)
    assert states["steps"] and states["t"][0] < END_S - 3600 and sum(states["mean"]) == 3, "from the state before it on"


@pytest.mark.parametrize("span_s", [2 * DAY_S, 6 * DAY_S, 40 * DAY_S])
def test_a_long_span_has_its_extremes_and_mean_in_about_so_many_points(month, span_s):
    found = month.chart("barrels", "battery/voltage", END_S - span_s, END_S, 400)
    known = [i for i, mean in enumerate(found["mean"]) if mean is not None]
    assert 200 < len(known) <= 402 and found["t"] == sorted(found["t"])
    assert min(found["low"][i] for i in known) == 12.0 and max(found["high"][i] for i in known) > 12.999
    assert all(found["low"][i] <= found["mean"][i] <= found["high"][i] for i in known)
    assert mean(found["mean"][i] for i in known) == pytest.approx(12.5, abs=0.01)
    assert END_S - found["t"][-1] <= found["each_s"], "up to the newest reading, which is rolled up nowhere yet"
    assert found["mean"].count(None) == (span_s > 19 * DAY_S), "a hole is a hole"
    share = month.chart(None, "bed-1/high", END_S - span_s, END_S, 400)
    if span_s > 6 * DAY_S:
        assert not share["steps"] and mean(x for x in share["mean"] if x is not None) == pytest.approx(0.25, abs=0.01)
    battery = month.charge(END_S - span_s, END_S, 400)
    assert 190 <= len(battery["t"]) <= 403 and min(x for x in battery["mean"] if x is not None) < 0.51
    assert all(
        low == pytest.approx(mean_ - 0.1, abs=1e-4) for low, mean_ in zip(battery["low"], battery["mean"]) if low
    )


def test_nothing_is_drawn_where_nothing_is(month, store):
    assert month.chart(None, "no/such", 0, 1e12, 400) is None
    for empty in (month.chart(None, "battery/voltage", 0, 9, 400), month.charge(0, 9, 400), store.charge(0, 1e12, 400)):
        assert empty == {"each_s": 0.0, "steps": False, "t": [], "mean": [], "low": [], "high": [], "complete": True}


def test_what_is_not_rolled_up_yet_is_owned_up_to(store):
    put(store, [("volts", T0 + 600.0 * number, 12.0) for number in range(1000)])
    forget(store)
    assert store.chart(None, "volts", 0, 1e12, 400)["complete"] is False
    assert store.chart(None, "volts", T0, T0 + 3600, 400)["complete"] is True
    while store.roll_up_older():
        pass
    found = store.chart(None, "volts", 0, 1e12, 400)
    assert found["complete"] is True and len(found["t"]) > 300


def test_days_begin_at_the_garden_s_midnight_and_have_23_to_25_hours(tmp_path):
    spring = datetime(2026, 3, 27, tzinfo=LISBON).timestamp()
    bounds = [*rollups.midnights(spring + 5, spring + 4 * DAY_S - 3600, LISBON)]
    assert [(later - day) / 3600 for day, later in zip(bounds, bounds[1:])] == [24, 24, 23, 24]
    skipped = ZoneInfo("America/Asuncion")  # on 6 October 2024 it had no midnight (IANA tzdata)
    day = datetime(2024, 10, 6, 12, tzinfo=skipped).timestamp()
    first, last = rollups.midnights(day, day + 1, skipped)
    assert datetime.fromtimestamp(first, skipped).hour == 1 and (last - first) / 3600 == 23
    store = Store(tmp_path / "days.db")
    put(store, [("volts", spring + second, 12.0 + second // DAY_S) for second in range(0, 4 * DAY_S, 900)])
    found = store.days("volts", bounds)
    assert [found[day]["low"] for day in bounds[:4]] == [12.0, 13.0, 14.0, 14.0], "the third day has no 24th hour"
    store.close()
