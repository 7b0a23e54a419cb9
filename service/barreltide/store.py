"""The store: one SQLite file, written in whole transactions, so that a pack, what was judged from it, and the notices
that must go out are all there or none is.

`Store` may be used from any thread: each gets a connection of its own. Only one thread calls `commit`; the only other
writes are the notifier's, in the outbox (outbox.py, which holds its statements). What pages draw of long spans is kept
in the same transactions (rollups.py).
"""

from __future__ import annotations

import itertools
import json
import sqlite3
import sys
import threading
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

# sqlite-utils loads pandas and numpy where it finds them, only to know their types again: 50 MB for nothing.
_spared = [name for name in ("pandas", "numpy") if name not in sys.modules]
sys.modules.update(dict.fromkeys(_spared))  # type: ignore[arg-type]
from sqlite_utils import Database  # noqa: E402
from sqlite_utils.migrations import Migrations  # noqa: E402

for _name in _spared:
    del sys.modules[_name]

from . import Failure, rollups  # noqa: E402
from .core.event import Event, as_line  # noqa: E402
from .notices import outbox  # noqa: E402
from .notices.outbox import MOST_ROWS, Answer, Notice, Outbox  # noqa: E402
from .rollups import Rollups  # noqa: E402

MOST_REFUSED = 10_000
MOST_REFUSED_PAYLOADS = 1_000
MOST_SERIES = 1_000
MOST_BOOTS_KNOWN = 1_000
MOST_PAYLOAD = 65_536
MOST_REASON = 2_000
ROWS_IN_STATEMENT = 100

# Packs of a few hundred bytes hold little that a compressor could learn from, but look alike: with this for a start
# they shrink to a third or less, and a memory card is worn less. Never change it: rows are read back with it.
_DICTIONARY = (
    b'{"online": false}{"online": true, "boot": , "firmware": "0.1.0"}"vs":""u":"B","v":"u":"s","v":"u":"dBW","v":-/'
    b'free-memory","station/signal","station/uptime","pump/current","u":"A","v":0.panel/current","u":"A","v":{"n":"s'
    b'ump/low","vb":true},{"n":"bed-2/low","vb":false},{"n":"bed-1/low","vb":true},{"n":"bed-2/high","vb":false},{"n'
    b'":"bed-1/high","vb":true},"t":-300,{"n": "bed-1/high", "t": -1, "vb": false}{"n":"water/temperature","u":"Cel"'
    b',"v":2{"n": "battery/voltage", "u": "V", "t": -10, "v": 12.}, {"n": "station/seq", "v": 1}, "bt": 179[{"bn": "'
    b'garden/barrels/", "n": "station/boot", "v": [{"bn":"garden/barrels/","bt":17,"n":"station/boot","v":},{"n":"st'
    b'ation/seq","v":1},{"n":"battery/voltage","u":"V","t":-10,"v":12.},{"n":"battery/voltage","u":"V","t":-5,"v":12'
    b"."
)

_INSIDE = (
    "FROM readings WHERE series = (SELECT id FROM series WHERE station = ? AND name = ?) AND time_s BETWEEN ? AND ?"
)

migrations = Migrations("barreltide")


@migrations()
def first_tables(db: Database) -> None:
    for statement in (
        # received_s never falls with id. kind: readings, presence, started, grower.
        "CREATE TABLE arrivals (id INTEGER PRIMARY KEY, received_s REAL NOT NULL, kind TEXT NOT NULL, station TEXT,"
        " boot INTEGER, seq INTEGER, payload BLOB)",
        "CREATE UNIQUE INDEX packs ON arrivals (station, boot, seq) WHERE kind = 'readings'",
        "CREATE TABLE series (id INTEGER PRIMARY KEY, station TEXT NOT NULL, name TEXT NOT NULL, unit TEXT,"
        " UNIQUE (station, name))",
        # `value` has no type, so that a float switch stays 0 or 1 and costs nothing.
        "CREATE TABLE readings (series INTEGER NOT NULL, time_s REAL NOT NULL, value,"
        " PRIMARY KEY (series, time_s)) WITHOUT ROWID",
        "CREATE TABLE events (id INTEGER PRIMARY KEY, arrival INTEGER, time_s REAL NOT NULL, kind TEXT NOT NULL,"
        " subject TEXT, body TEXT NOT NULL)",
        "CREATE INDEX events_by_subject ON events (kind, subject, time_s)",
        "CREATE INDEX events_by_time ON events (kind, time_s)",
        "CREATE TABLE notices (id TEXT PRIMARY KEY, event INTEGER, created_s REAL NOT NULL, alarm TEXT NOT NULL,"
        " subject TEXT NOT NULL, priority TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL)",
        "CREATE TABLE sendings (notice TEXT NOT NULL REFERENCES notices (id), channel TEXT NOT NULL,"
        " state TEXT NOT NULL, tries INTEGER NOT NULL, next_try_s REAL NOT NULL, sent_s REAL, error TEXT,"
        " PRIMARY KEY (notice, channel))",
        "CREATE INDEX sendings_waiting ON sendings (next_try_s) WHERE state = 'waiting'",
        "CREATE TABLE refused (id INTEGER PRIMARY KEY AUTOINCREMENT, received_s REAL NOT NULL, topic TEXT NOT NULL,"
        " reason TEXT NOT NULL, payload BLOB)",
        "CREATE TABLE snapshots (id INTEGER PRIMARY KEY CHECK (id = 1), fingerprint TEXT NOT NULL,"
        " through_arrival INTEGER NOT NULL, saved_s REAL NOT NULL, blob BLOB NOT NULL)",
        "CREATE TABLE clock (id INTEGER PRIMARY KEY CHECK (id = 1), ticked_s REAL NOT NULL)",
    ):
        db.execute(statement)


@migrations()
def outbox_with_stages(db: Database) -> None:
    for statement in outbox.STAGES:
        db.execute(statement)


@migrations()
def roll_ups(db: Database) -> None:
    for statement in rollups.TABLES:
        db.execute(statement)


@migrations()
def roll_ups_with_gaps(db: Database) -> None:
    for statement in rollups.GAPS:
        db.execute(statement)


class StoreError(Failure):
    """The store cannot be opened; the text is one line."""


class Arrival(NamedTuple):
    """A message as it came. kind: "readings", "presence", "started" or "grower"; payload: its JSON, as bytes."""

    id: int
    received_s: float
    kind: str
    station: str | None
    boot: int | None
    seq: int | None
    payload: bytes


class Refused(NamedTuple):
    received_s: float
    topic: str
    reason: str
    payload: bytes


class Snapshot(NamedTuple):
    """The engine's state after every arrival up to `through_arrival`."""

    fingerprint: str
    through_arrival: int
    saved_s: float
    blob: bytes


@dataclass
class Work:
    """One transaction's worth. readings: (series, time, value); events: (id, arrival, event); ticked_s: the engine's
    clock, given when events came from the passing of time alone."""

    arrivals: list[Arrival] = field(default_factory=list)
    series: list[tuple[int, str, str, str | None]] = field(default_factory=list)
    readings: list[tuple[int, float, Any]] = field(default_factory=list)
    events: list[tuple[int, int | None, Event]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    ticked_s: float | None = None
    snapshot: Snapshot | None = None

    def __bool__(self) -> bool:
        return bool(self.arrivals or self.events or self.refused or self.answers or self.snapshot)


def squeeze(payload: bytes) -> bytes:
    squeezer = zlib.compressobj(6, zlib.DEFLATED, -15, 4, zlib.Z_DEFAULT_STRATEGY, _DICTIONARY)
    return squeezer.compress(payload) + squeezer.flush()


def unsqueeze(blob: bytes) -> bytes:
    return zlib.decompressobj(-15, _DICTIONARY).decompress(blob)


class Store(Outbox, Rollups):
    """path: of the SQLite file, made where missing. Raises StoreError where that cannot be."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._threads = threading.local()
        try:
            migrations.apply(self._db)
            self._series = {(row[1], row[2]): row[0] for row in self._rows("SELECT id, station, name FROM series")}
            # What is asked about, whether or not it was committed then: beyond it nothing can be in the store.
            self._newest_seq: dict[tuple[str, int], int] = {}
            self._packs_counted = _Counted(self, "station", "arrivals", "kind = 'readings'", "INDEXED BY packs")
            self._events_counted = _Counted(self, "kind", "events", "kind IN ('cycle', 'alarm')")
            self._next_arrival = self._rows("SELECT coalesce(max(id), 0) + 1 FROM arrivals")[0][0]
            self._next_event = self._rows("SELECT coalesce(max(id), 0) + 1 FROM events")[0][0]
        except sqlite3.Error as error:
            raise StoreError(f"{self.path}: cannot be opened as the store: {error}") from None

    @classmethod
    def existing(cls, path: Path) -> Store:
        """The store that a service has made. Raises StoreError where there is none yet."""
        if not path.exists():
            raise StoreError(f"{path}: no store there yet; `barreltide serve` makes it")
        return cls(path)

    @property
    def _db(self) -> Database:
        db = getattr(self._threads, "db", None)
        if db is None:
            connection = sqlite3.connect(self.path, timeout=10.0)
            db = Database(connection)
            db.enable_wal()
            db.execute("PRAGMA synchronous = FULL")
            self._threads.db = db
        return db

    def close(self) -> None:
        """Close this thread's connection."""
        db = getattr(self._threads, "db", None)
        if db is not None:
            db.conn.close()
            self._threads.db = None

    def _rows(self, sql: str, parameters: tuple[Any, ...] | list[Any] = ()) -> list[tuple[Any, ...]]:
        return self._db.conn.execute(sql, parameters).fetchall()

    # Writing. The ids are drawn here and not by SQLite, so that a transaction that failed can be tried again as it is.

    def next_arrival(self) -> int:
        self._next_arrival += 1
        return self._next_arrival - 1

    def next_event(self) -> int:
        self._next_event += 1
        return self._next_event - 1

    def series_id(self, station: str, name: str, unit: str | None, work: Work) -> int | None:
        """The id of a series, a new one being added to `work`; None when there are too many already."""
        series = self._series.get((station, name))
        if series is None and len(self._series) < MOST_SERIES:
            series = self._series[station, name] = len(self._series) + 1
            work.series.append((series, station, name, unit))
        return series

    def has_pack(self, station: str, boot: int, seq: int) -> bool:
        newest = self._newest_seq.get((station, boot))
        if newest is None:
            newest = self._rows(
                "SELECT coalesce(max(seq), -1) FROM arrivals WHERE kind = 'readings' AND station = ? AND boot = ?",
                (station, boot))[0][0]  # fmt: skip
            if len(self._newest_seq) >= MOST_BOOTS_KNOWN:
                self._newest_seq.clear()
        self._newest_seq[station, boot] = max(newest, seq)
        return seq <= newest and bool(self._rows(
            "SELECT 1 FROM arrivals WHERE kind = 'readings' AND station = ? AND boot = ? AND seq = ?",
            (station, boot, seq)))  # fmt: skip

    def commit(self, work: Work) -> None:
        """Write all of `work`, or raise sqlite3.Error and write nothing; the same work may be tried again."""
        with self._db.atomic():
            newest = self._newest_before(work.readings)
            self._insert(
                "INSERT INTO arrivals", [(*arrival[:6], squeeze(arrival.payload)) for arrival in work.arrivals]
            )
            self._insert("INSERT INTO series", work.series)
            self._insert("INSERT OR IGNORE INTO readings", work.readings)
            self._insert("INSERT INTO events", [_event_row(*event) for event in work.events])
            self._roll_up(work.readings, newest, [event for _, _, event in work.events])
            self._put_notices(work.notices, work.answers)
            if work.refused:
                self._set_aside(work.refused)
            if work.ticked_s is not None:
                self._insert("INSERT OR REPLACE INTO clock", [(1, work.ticked_s)])
            if work.snapshot is not None:
                self._insert("INSERT OR REPLACE INTO snapshots", [(1, *work.snapshot)])
                if self._is_caught_up:
                    self._mark_rolled(work.snapshot.through_arrival)

    def _insert(self, head: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Many rows in one statement: `executemany` gives up Python's lock at each row, and waits to have it back."""
        for start in range(0, len(rows), ROWS_IN_STATEMENT):
            part = rows[start : start + ROWS_IN_STATEMENT]
            marks = ", ".join([f"({', '.join('?' * len(part[0]))})"] * len(part))
            self._db.conn.execute(f"{head} VALUES {marks}", list(itertools.chain.from_iterable(part)))

    def _set_aside(self, refused: list[Refused]) -> None:
        self._insert(
            "INSERT INTO refused (received_s, topic, reason, payload)",
            [(row.received_s, row.topic[:200], row.reason[:MOST_REASON], squeeze(row.payload[:MOST_PAYLOAD]))
             for row in refused],
        )  # fmt: skip
        newest = self._rows("SELECT max(id) FROM refused")[0][0]
        self._db.conn.execute("DELETE FROM refused WHERE id <= ?", (newest - MOST_REFUSED,))
        self._db.conn.execute(
            "UPDATE refused SET payload = NULL WHERE id BETWEEN ? AND ?",
            (newest - MOST_REFUSED_PAYLOADS - len(refused) + 1, newest - MOST_REFUSED_PAYLOADS),
        )

    # For the start of the service.

    def snapshot(self) -> Snapshot | None:
        rows = self._rows("SELECT fingerprint, through_arrival, saved_s, blob FROM snapshots")
        return Snapshot(*rows[0]) if rows else None

    def ticked_s(self) -> float | None:
        rows = self._rows("SELECT ticked_s FROM clock")
        return rows[0][0] if rows else None

    def last_received_s(self) -> float | None:
        rows = self._rows("SELECT received_s FROM arrivals ORDER BY id DESC LIMIT 1")
        return rows[0][0] if rows else None

    def first_received_s(self) -> float | None:
        rows = self._rows("SELECT received_s FROM arrivals ORDER BY id LIMIT 1")
        return rows[0][0] if rows else None

    def last_reading_s(self) -> float | None:
        """When the last pack arrived."""
        rows = self._rows("SELECT received_s FROM arrivals WHERE kind = 'readings' ORDER BY id DESC LIMIT 1")
        return rows[0][0] if rows else None

    def arrivals(
        self, after: int = 0, since_s: float = 0.0, kinds: tuple[str, ...] = ("readings",)
    ) -> Iterator[Arrival]:
        """The arrivals in their order, streamed in pages; since_s: the first ones' received_s, Unix seconds."""
        marks = ", ".join("?" * len(kinds))
        after = max(after, self._before(since_s))
        while True:
            page = self._rows(
                f"SELECT id, received_s, kind, station, boot, seq, payload FROM arrivals"
                f" WHERE id > ? AND kind IN ({marks}) ORDER BY id LIMIT 500",
                (after, *kinds),
            )
            for row in page:
                yield Arrival(*row[:6], unsqueeze(row[6]))
            if len(page) < 500:
                return
            after = page[-1][0]

    def _before(self, since_s: float) -> int:
        """The last id that was received before then: halving the span is quicker than reading a year."""
        low, high = 0, self._rows("SELECT coalesce(max(id), 0) FROM arrivals")[0][0] if since_s > 0 else 0
        while low < high:
            middle = (low + high + 1) // 2
            found = self._rows("SELECT id, received_s FROM arrivals WHERE id <= ? ORDER BY id DESC LIMIT 1", (middle,))
            if not found or found[0][1] < since_s:
                low = middle
            else:
                high = found[0][0] - 1
        return low

    def last_cycles(self) -> dict[str, int]:
        """The highest number of a counted cycle, by bed."""
        return dict(
            self._rows(
                "SELECT subject, max(json_extract(body, '$.number')) FROM events WHERE kind = 'cycle' GROUP BY subject"
            )
        )

    def standing(self) -> list[dict[str, Any]]:
        """The alarms whose last change was to be raised, as their lines."""
        return [
            json.loads(body)
            for (body,) in self._rows(
                "SELECT body FROM events WHERE id IN (SELECT max(id) FROM events WHERE kind = 'alarm'"
                " GROUP BY subject, json_extract(body, '$.alarm')) AND json_extract(body, '$.change') = 'raised'"
            )
        ]

    # For the pages: plain dictionaries, times in Unix seconds, never more than MOST_ROWS.

    def _dicts(self, sql: str, parameters: tuple[Any, ...] | list[Any] = ()) -> list[dict[str, Any]]:
        cursor = self._db.conn.execute(sql, parameters)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor]

    def counts(self) -> dict[str, int]:
        """packs, cycles, alarms (changes), notices, waiting (sendings), given_up (sendings), refused (ever)."""
        events = self._events_counted.now()
        found = self._dicts(
            "SELECT (SELECT count(*) FROM notices) AS notices,"
            " (SELECT count(*) FROM sendings WHERE state = 'waiting') AS waiting,"
            " (SELECT count(*) FROM sendings WHERE state = 'given-up') AS given_up,"
            " coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'refused'), 0) AS refused"
        )[0]
        packs = sum(count for count, _ in self._packs_counted.now().values())
        cycles, alarms = (events.get(kind, (0, 0))[0] for kind in ("cycle", "alarm"))
        return {"packs": packs, "cycles": cycles, "alarms": alarms, **found}

    def stations(self) -> list[dict[str, Any]]:
        """station, last_received_s, last_boot, packs; and presence, its last word, or None."""
        found = []
        for station, (packs, newest) in sorted(self._packs_counted.now().items()):
            ((received_s, boot),) = self._rows("SELECT received_s, boot FROM arrivals WHERE id = ?", (newest,))
            row = {"station": station, "last_received_s": received_s, "last_boot": boot, "packs": packs}
            found.append(row | {"presence": self.presence(station)})
        return found

    def presence(self, station: str) -> dict[str, Any] | None:
        rows = self._rows(
            "SELECT payload FROM arrivals WHERE kind = 'presence' AND station = ? ORDER BY id DESC LIMIT 1", (station,)
        )
        return json.loads(unsqueeze(rows[0][0])) if rows else None

    def series(self) -> list[dict[str, Any]]:
        """station, name, unit."""
        return self._dicts("SELECT station, name, unit FROM series ORDER BY station, name")

    def latest_readings(self) -> list[dict[str, Any]]:
        """station, name, unit, time_s and value of the newest reading of every series."""
        rows = self._dicts(
            "SELECT s.station, s.name, s.unit, r.time_s, r.value FROM series s JOIN readings r ON r.series = s.id AND"
            " r.time_s = (SELECT max(time_s) FROM readings WHERE series = s.id) ORDER BY s.station, s.name"
        )
        return [row | {"value": _value(row["value"])} for row in rows]

    def readings(
        self, station: str, name: str, start_s: float = 0.0, end_s: float = 1e12, limit: int = MOST_ROWS
    ) -> list[dict[str, Any]]:
        """time_s and value, in order of time; the newest `limit` of them."""
        rows = self._rows(
            f"SELECT time_s, value {_INSIDE} ORDER BY time_s DESC LIMIT ?",
            (station, name, start_s, end_s, min(limit, MOST_ROWS)),
        )
        return [{"time_s": time_s, "value": _value(value)} for time_s, value in reversed(rows)]

    def readings_from(
        self, station: str, name: str, start_s: float, end_s: float, limit: int
    ) -> list[tuple[float, Any]]:
        """(time_s, value), in order of time; the oldest `limit` of them."""
        sql = f"SELECT time_s, value {_INSIDE} ORDER BY time_s LIMIT ?"
        rows = self._rows(sql, (station, name, start_s, end_s, limit))
        return [(time_s, _value(value)) for time_s, value in rows]

    def has_more_readings(self, station: str, name: str, start_s: float, end_s: float, limit: int) -> bool:
        return bool(self._rows(f"SELECT 1 {_INSIDE} LIMIT 1 OFFSET ?", (station, name, start_s, end_s, limit)))

    def has_more_arrivals(self, start_s: float, end_s: float, limit: int) -> bool:
        return self._before(end_s) - self._before(start_s) > limit

    def events(
        self, kind: str, subject: str | None = None, start_s: float = 0.0, end_s: float = 1e12,
        limit: int = MOST_ROWS, newest_first: bool = True,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """The lines of events of this kind ("cycle", "alarm", "siphon", "battery" …), as `replay` prints them."""
        of_subject, parameters = ("", []) if subject is None else (" AND subject = ?", [subject])
        rows = self._rows(
            f"SELECT body FROM events WHERE kind = ?{of_subject} AND time_s BETWEEN ? AND ?"
            f" ORDER BY time_s {'DESC' if newest_first else 'ASC'}, id {'DESC' if newest_first else 'ASC'} LIMIT ?",
            [kind, *parameters, start_s, end_s, min(limit, MOST_ROWS)],
        )
        return [json.loads(body) for (body,) in rows]

    def refusals(self, limit: int = 100) -> list[dict[str, Any]]:
        """id, received_s, topic, reason and the start of the payload as text, the newest first."""
        rows = self._dicts(
            "SELECT id, received_s, topic, reason, payload FROM refused ORDER BY id DESC LIMIT ?",
            (min(limit, MOST_ROWS),),
        )
        for row in rows:
            blob = row["payload"]
            row["payload"] = None if blob is None else unsqueeze(blob)[:500].decode("utf-8", "replace")
        return rows


class _Counted:
    """How many rows there are of each kind, and the newest one's id. Rows are only ever added, with rising ids, so that
    only the first time all are counted, along an index: a year holds two million packs."""

    def __init__(self, store: Store, by: str, table: str, where: str, first: str = "") -> None:
        self._store, self._first = store, first
        self._sql = f"SELECT {by}, count(*), max(id) FROM {table} {{}} WHERE {where} AND id > ? GROUP BY {by}"
        self._known: tuple[int, dict[str, tuple[int, int]]] = 0, {}

    def now(self) -> dict[str, tuple[int, int]]:
        through, counts = self._known
        # What is new is found by its id: SQLite would rather walk an index of all of them, as that is sorted already.
        rows = self._store._rows(self._sql.format("NOT INDEXED" if through else self._first), (through,))
        if rows:
            counts = counts | {name: (counts.get(name, (0, 0))[0] + count, newest) for name, count, newest in rows}
            self._known = max(row[2] for row in rows), counts  # at once, as several threads ask
        return counts


def _event_row(event_id: int, arrival: int | None, event: Event) -> tuple[Any, ...]:
    subject = getattr(event, "subject", getattr(event, "bed", "battery"))  # None where a note is about the whole garden
    return event_id, arrival, event.time, event.kind, subject, json.dumps(as_line(event), ensure_ascii=False)


def _value(value: Any) -> Any:
    return bool(value) if isinstance(value, int) else value
