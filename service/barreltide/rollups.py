"""Roll-ups: what a page draws of weeks and years, kept by the writer in the transaction of the readings themselves.

A part of the store (store.py). Theory. A span that is long beside its number of points is drawn from rows that each
stand for five minutes or a quarter of an hour: count, lowest, mean, highest and last of a series of numbers; for how
long a float was wet; the charge with its interval; and for each bed and day the cycles. A year of voltage every five
seconds, 6.3 million readings, becomes 105,000 rows of five minutes (5 MB) and 35,000 of a quarter of an hour (2 MB): a
year is then drawn from the latter in 20 ms, and what is drawn from readings is 60,000 of them at the most (30 ms, on
one x86_64 core). One-minute rows would take 25 MB and save nothing that a page waits for. A quarter of an hour, as
every time zone's midnight is a multiple of it: so days are sums of those, wherever the garden is.

A row is never counted up: it is made from the readings whenever they have changed, so late packs and duplicates need
no care, and a row is what making it anew would give. It is written once its span is over, which is when a later reading
is there; what is younger is drawn from the readings. That spares the card: a row is written once, not with each pack.

A float's state is taken to last until its next reading, but for a quarter of an hour at the most: boards repeat it
every few minutes, and what is not repeated is not known.

A store of before the roll-ups is rolled up backwards from its newest day, in small steps, while nothing else waits. So
is what an older version has written meanwhile, after an update was taken back: from the last arrival on that is known
to be rolled up (it is noted with each snapshot), and as far back as a pack may come late.
"""

from __future__ import annotations

import json
import time
from bisect import bisect_right
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

FINE_S, COARSE_S = 300, 900
HELD_S = 900.0
LATEST_S = 62 * 86_400.0  # a pack's readings are never older (pack.py), and a day's worth is made anew at a time
GAPS = (
    "ALTER TABLE unrolled ADD COLUMN since_s REAL NOT NULL DEFAULT 0",
    "CREATE TABLE rolled (id INTEGER PRIMARY KEY CHECK (id = 1), through_arrival INTEGER NOT NULL)",
)

_Newest = dict[tuple[int, bool], float | None]
CHARGE = 0  # stands where a series' number would: no series has it
DAY_S = 86_400
STEP_S = 0.1  # of rolling up what is old, before whoever waits is looked at again
MOST_STATES = 5_000  # of a float, drawn as they came

TABLES = (
    # span_s: FINE_S or COARSE_S; start_s: a multiple of it.
    "CREATE TABLE spans (series INTEGER NOT NULL, span_s INTEGER NOT NULL, start_s INTEGER NOT NULL, count INTEGER"
    " NOT NULL, low REAL, mean REAL, high REAL, last REAL, PRIMARY KEY (series, span_s, start_s)) WITHOUT ROWID",
    # Of a quarter of an hour: for how long the float's state is known, and for how long it was wet.
    "CREATE TABLE wet (series INTEGER NOT NULL, start_s INTEGER NOT NULL, known_s REAL NOT NULL, wet_s REAL NOT NULL,"
    " PRIMARY KEY (series, start_s)) WITHOUT ROWID",
    # start_s: midnight at the garden; the middle ones are medians.
    "CREATE TABLE cycle_days (bed TEXT NOT NULL, start_s INTEGER NOT NULL, cycles INTEGER NOT NULL, shortest_s REAL,"
    " period_s REAL, longest_s REAL, high_s REAL, fill_s REAL, drain_s REAL, PRIMARY KEY (bed, start_s)) WITHOUT ROWID",
    # What is older than before_s is still to be rolled up. kind: readings, charge or cycles; subject: series or bed.
    "CREATE TABLE unrolled (kind TEXT NOT NULL, subject NOT NULL, before_s REAL NOT NULL, PRIMARY KEY (kind, subject))",
    "INSERT INTO unrolled SELECT 'readings', id, 1e12 FROM series UNION ALL SELECT 'charge', '', 1e12"
    " UNION ALL SELECT DISTINCT 'cycles', subject, 1e12 FROM events WHERE kind = 'cycle'",
    "CREATE INDEX presences ON arrivals (station) WHERE kind = 'presence'",
)

_ROLLED = """
    INSERT OR REPLACE INTO spans
    SELECT series, {span_s}, b * {span_s}, count(*), min(value), avg(value), max(value), (SELECT value FROM readings r
     WHERE r.series = g.series AND time_s < (b + 1) * {span_s} AND typeof(value) = 'real' ORDER BY time_s DESC LIMIT 1)
    FROM (SELECT series, CAST(time_s / {span_s} AS INTEGER) b, value FROM readings
     WHERE series = ? AND time_s >= ? AND time_s < ? AND typeof(value) = 'real') g GROUP BY b
"""
_ROLLED_CHARGE = f"""
    INSERT OR REPLACE INTO spans
    SELECT {CHARGE}, {COARSE_S}, b * {COARSE_S}, count(*), avg(low), avg(charge), avg(high),
     (SELECT json_extract(body, '$.state_of_charge') FROM events
      WHERE kind = 'battery' AND time_s < (b + 1) * {COARSE_S} ORDER BY time_s DESC, id DESC LIMIT 1)
    FROM (SELECT CAST(time_s / {COARSE_S} AS INTEGER) b, json_extract(body, '$.low') low,
     json_extract(body, '$.state_of_charge') charge, json_extract(body, '$.high') high FROM events
     WHERE kind = 'battery' AND time_s >= ? AND time_s < ?) GROUP BY b
"""
_OF_CYCLES = ("period_s", "high_s", "fill_s", "drain_s")


class Rollups:
    """What the store does for them; `_db`, `_rows`, `_dicts` and `_insert` are the store's. zone: where the garden's
    days begin; None for a store that only reads."""

    zone: ZoneInfo | None = None
    _is_caught_up = False

    # Called within the writer's transaction.

    def _newest(self, series: int, is_state: bool) -> float | None:
        """The time of its newest reading of that type: all are of one, unless a station mixes them."""
        rows = self._rows(
            "SELECT time_s FROM readings WHERE series = ? AND typeof(value) = ? ORDER BY time_s DESC LIMIT 1",
            (series, "integer" if is_state else "real"),
        )
        return rows[0][0] if rows else None

    def _newest_before(self, readings: list[tuple[int, float, Any]]) -> _Newest:
        """The newest reading of each series, before these go in."""
        kinds = {(series, isinstance(value, int)) for series, _, value in readings if not isinstance(value, str)}
        return {kind: self._newest(*kind) for kind in kinds}

    def _roll_up(self, readings: list[tuple[int, float, Any]], before: _Newest, events: list[Any]) -> None:
        """Make anew what these readings and events, which are in the tables already, have touched."""
        touched: dict[tuple[int, bool], set[int]] = {kind: set() for kind in before}
        for series, time_s, value in readings:
            if not isinstance(value, str):
                touched[series, isinstance(value, int)].add(int(time_s // FINE_S))
        for kind, fine in touched.items():
            if (newest_s := before[kind]) is not None:
                fine.add(int(newest_s // FINE_S))  # it was the youngest, and may be over now
            self._roll_series(*kind, fine)
        charged = [event.time // COARSE_S for event in events if event.kind == "battery"]
        if charged:
            # The youngest quarter of an hour is kept up to date: such events are few.
            self._db.conn.execute(_ROLLED_CHARGE, (min(charged) * COARSE_S, (max(charged) + 1) * COARSE_S))
        if self.zone is not None:
            days = {(event.bed, _midnight(event.time, self.zone)) for event in events if event.kind == "cycle"}
            for bed, start_s in days:
                self._roll_cycles(bed, start_s)

    def _roll_series(self, series: int, is_state: bool, fine: set[int]) -> None:
        newest_s = self._newest(series, is_state)
        if newest_s is None:
            return
        for span_s in (COARSE_S,) if is_state else (FINE_S, COARSE_S):
            starts = {start * FINE_S // span_s for start in fine}
            if is_state:
                starts |= {start + 1 for start in starts}  # its state may last into the next one
            for start, end in _runs(starts):
                end_s = min(end * span_s, newest_s // span_s * span_s)
                if start * span_s < end_s:
                    (self._roll_wet if is_state else self._roll_numbers)(series, span_s, start * span_s, end_s)

    def _roll_numbers(self, series: int, span_s: int, start_s: float, end_s: float) -> None:
        self._db.conn.execute(_ROLLED.format(span_s=span_s), (series, start_s, end_s))

    def _roll_wet(self, series: int, span_s: int, start_s: float, end_s: float) -> None:
        self._insert("INSERT OR REPLACE INTO wet", [(series, *row) for row in self._wet(series, start_s, end_s)])

    def _wet(self, series: int, start_s: float, end_s: float) -> list[tuple[int, float, float]]:
        """(start_s, known_s, wet_s) of the quarters of an hour in this span, as the readings tell it."""
        rows = self._rows(
            "SELECT time_s, value FROM readings WHERE series = ? AND time_s > ? AND time_s < ? AND typeof(value) ="
            " 'integer' ORDER BY time_s", (series, start_s - HELD_S, end_s))  # fmt: skip
        found: dict[int, list[float]] = {}
        for (time_s, is_wet), (next_s, _) in pairwise([*rows, (end_s, 0)]):
            at_s, until_s = max(time_s, start_s), min(next_s, time_s + HELD_S, end_s)
            while at_s < until_s:
                quarter = int(at_s // COARSE_S) * COARSE_S
                part_s = min(until_s, quarter + COARSE_S) - at_s
                known = found.setdefault(quarter, [0.0, 0.0])
                known[0] += part_s
                known[1] += part_s if is_wet else 0.0
                at_s += part_s
        return [(quarter, *known) for quarter, known in found.items()]

    def _roll_cycles(self, bed: str, start_s: int) -> None:
        found = self._rows(
            "SELECT {} FROM events WHERE kind = 'cycle' AND subject = ? AND time_s >= ? AND time_s < ?".format(
                ", ".join(f"json_extract(body, '$.{name}')" for name in _OF_CYCLES)
            ),
            (bed, start_s, _next_midnight(start_s, self.zone)),
        )
        periods, *others = ([value for value in column if value is not None] for column in zip(*found, strict=True))
        row = (bed, start_s, len(found), min(periods, default=None), _median(periods), max(periods, default=None))
        self._insert("INSERT OR REPLACE INTO cycle_days", [(*row, *map(_median, others))])

    # For the writer, while nothing waits.

    def roll_up_older(self, step_s: float = STEP_S) -> bool:
        """Roll up some of what came before there were roll-ups, for about so long; whether more is left."""
        if not self._is_caught_up:
            if self.zone is not None:
                self._forget_days_of_elsewhere(self.zone)
            with self._db.atomic():
                self._note_gap()
            self._is_caught_up = True
        give_up = time.monotonic() + step_s
        while time.monotonic() < give_up:
            todo = self._rows("SELECT kind, subject, before_s, since_s FROM unrolled ORDER BY before_s DESC LIMIT 1")
            if not todo:
                return False
            with self._db.atomic():
                self._roll_up_a_day(*todo[0])
        return True

    def _note_gap(self) -> None:
        """Have made anew what may have been written by a version without roll-ups; after a kill, a little too much."""
        through = self._rows("SELECT r.through_arrival, a.received_s FROM rolled r JOIN arrivals a"
                             " ON a.id = r.through_arrival")  # fmt: skip
        newest = self._rows("SELECT coalesce(max(id), 0) FROM arrivals")[0][0]
        if through and through[0][0] < newest:
            self._db.conn.execute(
                "INSERT INTO unrolled (kind, subject, before_s, since_s) SELECT 'readings', id, 1e12, ?1 FROM series"
                " UNION ALL SELECT 'charge', '', 1e12, ?1"
                " UNION ALL SELECT DISTINCT 'cycles', subject, 1e12, ?1 FROM events WHERE kind = 'cycle'"
                " ON CONFLICT DO UPDATE SET before_s = 1e12, since_s = min(since_s, excluded.since_s)",
                (through[0][1] - LATEST_S,),
            )  # fmt: skip
        self._mark_rolled(newest)

    def _mark_rolled(self, through_arrival: int) -> None:
        self._db.conn.execute("INSERT OR REPLACE INTO rolled VALUES (1, ?)", (through_arrival,))

    def _forget_days_of_elsewhere(self, zone: ZoneInfo) -> None:
        """Days that do not begin at the garden's midnight are of another zone: all are made anew."""
        kept = [start_s for (start_s,) in self._rows("SELECT DISTINCT start_s FROM cycle_days")]
        if any(start_s != _midnight(start_s, zone) for start_s in kept):
            with self._db.atomic():
                self._db.conn.execute(
                    "INSERT OR REPLACE INTO unrolled SELECT DISTINCT 'cycles', bed, 1e12, 0 FROM cycle_days"
                )
                self._db.conn.execute("DELETE FROM cycle_days")

    def _roll_up_a_day(self, kind: str, subject: Any, before_s: float, since_s: float) -> None:
        where, parameters = {
            "readings": ("readings WHERE series = ?", (subject,)),
            "charge": ("events WHERE kind = 'battery'", ()),
            "cycles": ("events WHERE kind = 'cycle' AND subject = ?", (subject,)),
        }[kind]
        last_s = self._rows(f"SELECT max(time_s) FROM {where} AND time_s < ?", (*parameters, before_s))[0][0]
        if last_s is None or before_s <= since_s:
            self._db.conn.execute("DELETE FROM unrolled WHERE kind = ? AND subject = ?", (kind, subject))
            return
        start_s: float = last_s // DAY_S * DAY_S
        end_s = start_s + DAY_S
        if kind == "readings":
            fine = set(range(int(start_s // FINE_S), int(end_s // FINE_S)))
            types = {row[0] for row in self._rows(
                "SELECT DISTINCT typeof(value) FROM readings WHERE series = ? AND time_s >= ? AND time_s < ?",
                (subject, start_s, end_s))}  # fmt: skip
            for name in types & {"real", "integer"}:
                self._roll_series(subject, name == "integer", fine)
        elif kind == "charge":
            self._db.conn.execute(_ROLLED_CHARGE, (start_s, end_s))
        elif self.zone is not None:
            start_s = _midnight(last_s, self.zone)
            self._roll_cycles(subject, start_s)
        self._db.conn.execute(
            "UPDATE unrolled SET before_s = ? WHERE kind = ? AND subject = ?", (start_s, kind, subject)
        )

    # For the pages.

    def chart(self, station: str | None, name: str, start_s: float, end_s: float, points: int) -> dict[str, Any] | None:
        """A series over a span in about so many points, as arrays: t, mean, low and high, with null where nothing is
        known; of a float, mean is the share of time that it was wet. each_s: what a point stands for, 0 for a reading;
        steps: a float's own states, each until the next; complete: not if some of it is still to be rolled up. station:
        None for that which was heard last. None where there is no such series."""
        series = self._series_of(station, name)
        if series is None:
            return None
        first, is_state = self._rows(
            "SELECT min(time_s), (SELECT typeof(value) = 'integer' FROM readings WHERE series = ?1 ORDER BY time_s DESC"
            " LIMIT 1) FROM readings WHERE series = ?1", (series,))[0]  # fmt: skip
        newest = None if first is None else self._newest(series, bool(is_state))
        if newest is None or first > end_s or newest < start_s:
            return _arrays([], 0.0, bool(is_state)) | {"complete": True}
        start_s, end_s = max(start_s, first), min(end_s, newest)
        drawn = self._chart_of_state if is_state else self._chart_of_numbers
        todo = self._rows("SELECT before_s FROM unrolled WHERE kind = 'readings' AND subject = ?", (series,))
        shown = drawn(series, start_s, end_s, points, newest)
        return shown | {"complete": not (todo and shown["each_s"] >= FINE_S and todo[0][0] > start_s)}

    def _chart_of_numbers(
        self, series: int, start_s: float, end_s: float, points: int, newest_s: float
    ) -> dict[str, Any]:
        span_s, width_s = _width(end_s - start_s, points)
        inside = "series = ? AND time_s >= ? AND time_s <= ? AND typeof(value) = 'real'"
        if not span_s:
            rows = self._rows(f"SELECT time_s, value FROM readings WHERE {inside} ORDER BY time_s LIMIT ?",
                              (series, start_s, end_s, points + 1))  # fmt: skip
            if len(rows) <= points:
                return _arrays([(time_s, value, value, value) for time_s, value in rows], 0.0)
        parts: list[tuple[float, int, float, float, float]] = []
        if span_s:
            start_s = start_s // span_s * span_s
            parts = self._rows(
                "SELECT start_s / ?1 * ?1 b, sum(count), min(low), sum(count * mean) / sum(count), max(high) FROM spans"
                " WHERE series = ?2 AND span_s = ?3 AND start_s >= ?4 AND start_s <= ?5 GROUP BY b ORDER BY b",
                (int(width_s), series, span_s, start_s, end_s))  # fmt: skip
            start_s = max(start_s, newest_s // span_s * span_s)  # the youngest is not rolled up yet
        parts += self._rows(
            f"SELECT CAST(time_s / ? AS INTEGER) * ? b, count(*), min(value), avg(value), max(value) FROM readings"
            f" WHERE {inside} GROUP BY b ORDER BY b", (width_s, width_s, series, start_s, end_s))  # fmt: skip
        return _arrays(_joined(parts, width_s), width_s)

    def _chart_of_state(
        self, series: int, start_s: float, end_s: float, points: int, newest_s: float
    ) -> dict[str, Any]:
        rows = self._rows(
            "SELECT time_s, value FROM readings WHERE series = ? AND time_s >= ? AND time_s <= ? AND typeof(value) ="
            " 'integer' ORDER BY time_s LIMIT ?", (series, start_s - HELD_S, end_s, MOST_STATES + 1))  # fmt: skip
        if len(rows) <= MOST_STATES and (end_s - start_s) / points < COARSE_S:
            return _arrays([(time_s, value, value, value) for time_s, value in rows], 0.0, True)
        width_s = _quarters(end_s - start_s, points)
        quarters = self._rows(
            "SELECT start_s / ?1 * ?1 b, sum(known_s), sum(wet_s) FROM wet WHERE series = ?2 AND start_s >= ?3 AND"
            " start_s <= ?4 GROUP BY b ORDER BY b",
            (int(width_s), series, start_s // COARSE_S * COARSE_S, end_s))  # fmt: skip
        if end_s >= newest_s:
            quarters += self._wet(series, newest_s // COARSE_S * COARSE_S, newest_s)
        shares = [(start, known_s, *[wet_s / known_s] * 3) for start, known_s, wet_s in quarters]
        return _arrays(_joined(shares, width_s, means=True), width_s)

    def charge(self, start_s: float, end_s: float, points: int) -> dict[str, Any]:
        """The state of charge over a span, as `chart` tells a series; low and high: the mean of its interval's ends."""
        first, newest = self._rows("SELECT min(time_s), max(time_s) FROM events WHERE kind = 'battery'")[0]
        if first is None or first > end_s or newest < start_s:
            return _arrays([], 0.0) | {"complete": True}
        start_s, end_s = max(start_s, first), min(end_s, newest)
        bodies = self._rows(
            "SELECT body FROM events WHERE kind = 'battery' AND time_s >= ? AND time_s <= ? ORDER BY time_s, id"
            " LIMIT ?", (start_s, end_s, points + 1))  # fmt: skip
        if len(bodies) <= points:
            lines = [json.loads(body) for (body,) in bodies]
            rows = [(line["time"], line["low"], line["state_of_charge"], line["high"]) for line in lines]
            return _arrays(rows, 0.0) | {"complete": True}
        width_s = _quarters(end_s - start_s, points)
        parts = self._rows(
            "SELECT start_s / ?1 * ?1 b, sum(count), sum(count * low) / sum(count), sum(count * mean) / sum(count),"
            " sum(count * high) / sum(count) FROM spans WHERE series = ?2 AND span_s = ?3 AND start_s >= ?4 AND"
            " start_s <= ?5 GROUP BY b ORDER BY b",
            (int(width_s), CHARGE, COARSE_S, start_s // COARSE_S * COARSE_S, end_s))  # fmt: skip
        todo = self._rows("SELECT before_s FROM unrolled WHERE kind = 'charge'")
        return _arrays(_joined(parts, width_s, means=True), width_s) | {"complete": not (todo and todo[0][0] > start_s)}

    def cycle_days(self, start_s: float, end_s: float) -> list[dict[str, Any]]:
        """bed, start_s, cycles, shortest_s, period_s, longest_s, high_s, fill_s, drain_s of each bed and day that
        begins in the span; those in the middle are medians."""
        return self._dicts("SELECT * FROM cycle_days WHERE start_s >= ? AND start_s < ? ORDER BY start_s, bed",
                           (start_s, end_s))  # fmt: skip

    def days(self, name: str, bounds: list[int]) -> dict[int, dict[str, float]]:
        """low, mean and high of a series of this name, by the moments at which the days begin; the last one ends
        them. Of several stations the one that was heard last."""
        series = self._series_of(None, name)
        if series is None or len(bounds) < 2:
            return {}
        parts: list[Any] = self._rows(
            "SELECT start_s, count, low, mean, high FROM spans WHERE series = ? AND span_s = ? AND start_s >= ? AND"
            " start_s < ? ORDER BY start_s", (series, COARSE_S, bounds[0], bounds[-1]))  # fmt: skip
        days: dict[int, list[Any]] = {}
        for part in parts:
            days.setdefault(bounds[bisect_right(bounds, part[0]) - 1], []).append(part)
        return {
            day: {"low": min(part[2] for part in parts), "mean": _mean(parts), "high": max(part[4] for part in parts)}
            for day, parts in days.items()
        }

    def _series_of(self, station: str | None, name: str) -> int | None:
        rows = self._rows(
            "SELECT id FROM series WHERE name = ?1 AND (?2 IS NULL OR station = ?2) ORDER BY (SELECT max(time_s) FROM"
            " readings WHERE series = id) DESC LIMIT 1", (name, station))  # fmt: skip
        return rows[0][0] if rows else None


def midnights(start_s: float, end_s: float, zone: ZoneInfo) -> Iterator[int]:
    """The beginnings of the days that the span touches, and the first one after it."""
    at_s = _midnight(start_s, zone)
    while at_s < end_s:
        yield at_s
        at_s = _next_midnight(at_s, zone)
    yield at_s


def _midnight(time_s: float, zone: ZoneInfo) -> int:
    """When the day began; its first moment, where midnight itself was skipped."""
    day = datetime.fromtimestamp(time_s, zone).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    return int(day.timestamp())


def _next_midnight(start_s: float, zone: ZoneInfo) -> int:
    day = datetime.fromtimestamp(start_s + 3600, zone).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    return int((day + timedelta(days=1)).timestamp())


def _runs(starts: set[float]) -> Iterator[tuple[float, float]]:
    """[first, end) of each run of neighbours."""
    first = last = None
    for start in sorted(starts):
        if last is None or start > last + 1:
            if last is not None:
                yield first, last + 1
            first = start
        last = start
    if last is not None:
        yield first, last + 1


def _median(values: list[float]) -> float | None:
    return median(values) if values else None


def _width(span_s: float, points: int) -> tuple[int, float]:
    """(of which rows, 0 for readings; how wide) a point is: whole rows, and no more of them than needed to be near."""
    each_s = max(span_s / points, 1e-3)
    span = COARSE_S if each_s >= 4 * COARSE_S else FINE_S if each_s >= FINE_S else 0
    return span, -(-each_s // span) * span if span else each_s


def _quarters(span_s: float, points: int) -> float:
    return max(-(-span_s / points // COARSE_S), 1) * COARSE_S


def _mean(parts: list[Any]) -> float:
    return sum(part[1] * part[3] for part in parts) / sum(part[1] for part in parts)


def _joined(parts: list[Any], width_s: float, means: bool = False) -> list[tuple[float, float, float, float]]:
    """(middle, low, mean, high) of (start, weight, low, mean, high) in order; means: low and high are means too."""
    wide: dict[int, list[Any]] = {}
    for part in parts:
        wide.setdefault(int(part[0] / width_s + 1e-6), []).append(part)
    joined = []
    for number, group in wide.items():
        low, high = min(part[2] for part in group), max(part[4] for part in group)
        if means:
            weight = sum(part[1] for part in group)
            low, high = (sum(part[1] * part[place] for part in group) / weight for place in (2, 4))
        joined.append(((number + 0.5) * width_s, low, _mean(group), high))
    return joined


def _arrays(rows: list[tuple[float, float, float, float]], each_s: float, steps: bool = False) -> dict[str, Any]:
    """Rows of (time, low, mean, high) as arrays, broken by a null where much more time passes than between others."""
    pace_s = max(median(later[0] - row[0] for row, later in pairwise(rows)) if len(rows) > 1 else 0.0, each_s)
    gap_s = max(3 * pace_s, HELD_S if steps else 0.0)
    out: list[tuple[float, ...] | tuple[float, None, None, None]] = []
    for row in rows:
        if out and row[0] - out[-1][0] > gap_s:
            out.append(((row[0] + out[-1][0]) / 2 if not steps else out[-1][0] + HELD_S, None, None, None))
        out.append(row)
    columns = list(zip(*out, strict=True)) or [(), (), (), ()]
    round_to = [3, 5, 5, 5]
    t, low, mean, high = (
        [None if value is None else round(value, digits) for value in column]
        for column, digits in zip(columns, round_to, strict=True)
    )
    return {"each_s": each_s, "steps": steps, "t": t, "mean": mean, "low": low, "high": high}
