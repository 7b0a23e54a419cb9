"""What a page costs on a year of data: server time and bytes of every view and call, beside a plain table of the same.

A year of two beds at full rate: voltage every five seconds, floats at each change and every five minutes, water each
minute, a pack every fifteen seconds, 190 cycles a day, the charge every five minutes, nights, alarms, notes. It is laid
into the store's tables directly, as committing it pack by pack takes half an hour; the roll-ups are then made as for a
store of before them, which is measured too. A process of its own serves it; the times are a client's, over loopback, so
they hold HTTP and compression. The bare way, a table of every reading in HTML, is served by the same kind of process.
"""

from __future__ import annotations

import gzip
import http.server
import math
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from statistics import median
from zoneinfo import ZoneInfo

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import httpx  # noqa: E402

from barreltide.core.event import (  # noqa: E402
    AlarmChanged,
    BatteryJudged,
    CycleCounted,
    NightEnded,
    NotePinned,
)
from barreltide.site import load  # noqa: E402
from barreltide.store import Store, _event_row, squeeze  # noqa: E402
from conftest import SITE, free_port  # noqa: E402

DAYS, DAY_S = 365, 86_400
START_S = 1_756_684_800  # 2025-09-01, 00:00 UTC
END_S = START_S + DAYS * DAY_S
ROUNDS = 30
TWO_BEDS = SITE.replace('[[bed]]\nname = "bed-1"\n', '[[bed]]\nname = "bed-1"\n[[bed]]\nname = "bed-2"\n')
PERIOD_S = {"bed-1": 880, "bed-2": 940}


def views(folder: Path) -> None:
    """Every view and call on the year in `folder`, which is made where missing."""
    folder.mkdir(parents=True, exist_ok=True)
    site_file = folder / "year.toml"
    if not site_file.exists():
        _build(folder)
    (folder / "year.toml").write_text(f"{TWO_BEDS}[store]\npath = 'year.db'\n[web]\nport = {free_port()}\n")
    print(f"\na year: {(folder / 'year.db').stat().st_size / 1e6:,.0f} MB")
    bare_port = free_port()
    servers = [
        subprocess.Popen([sys.executable, __file__, "serve", str(site_file)]),
        subprocess.Popen([sys.executable, __file__, "bare", str(folder / "year.db"), str(bare_port)]),
    ]
    try:
        _measure(f"http://127.0.0.1:{load(site_file).web.port}/", f"http://127.0.0.1:{bare_port}/")
    finally:
        for server in servers:
            server.terminate()
            server.wait(30)


def _measure(ours: str, bare: str) -> None:
    spans = {"day": DAY_S, "week": 7 * DAY_S, "month": 30 * DAY_S, "year": DAYS * DAY_S}
    chart = "api/chart?points=1000&name"
    voltage = {f"voltage, a {name}": f"{chart}=battery/voltage&start_s={END_S - span_s}&end_s={END_S}"
               for name, span_s in spans.items()}  # fmt: skip
    calls = {
        **{f"page {path}": path for path in ("", "nights", "cycles", "alarms", "readings", "set-up")},
        "health": "api/health", "now": "api/now", "series": "api/series", **voltage,
        "a float, a week": f"{chart}=bed-1/high&start_s={END_S - 7 * DAY_S}&end_s={END_S}",
        "a float, a year": f"{chart}=bed-1/high",
        "charge, a year": "api/battery?points=1000", "days, a year": f"api/days?end_s={END_S}&start_s={START_S}",
        "a night": "api/night?date=2026-02-11", "nights, a year": "api/nights?limit=366",
        "cycles, 1,000": "api/cycles?limit=1000", "alarms": "api/alarms", "notes": "api/notes",
        "readings, 10,000": "api/readings?station=barrels&name=battery/voltage&limit=10000",
    }  # fmt: skip
    plain = {f"table, voltage, a {name}": str(END_S - spans[name]) for name in ("day", "month")}
    with httpx.Client(timeout=120) as client:
        for base in (ours + "api/health", bare + str(END_S)):
            _until(client, base)
        began_s = time.monotonic()
        client.get(ours + "api/health")
        print(f"the first count of all packs: {1000 * (time.monotonic() - began_s):,.0f} ms, before anything is cached")
        print(f"\nserver time, ms, {ROUNDS} each in turns (the bare table: 3)\n"
              f"  {'':24} {'median':>8} {'p99':>8} {'KB':>9} {'KB gzip':>9}")  # fmt: skip
        times: dict[str, list[float]] = {name: [] for name in (*calls, *plain)}
        sizes: dict[str, tuple[int, int]] = {}
        for number in range(ROUNDS):
            for name, path in (calls | (plain if number < 3 else {})).items():
                base = bare if name in plain else ours
                began_s = time.monotonic()
                with client.stream("GET", base + path) as answer:
                    raw = b"".join(answer.iter_raw())
                times[name].append(1000 * (time.monotonic() - began_s))
                if answer.status_code != 200:
                    raise RuntimeError(f"{name}: {answer.status_code} {raw[:200]!r}")
                squeezed = answer.headers.get("content-encoding") == "gzip"
                sizes[name] = len(gzip.decompress(raw)) if squeezed else len(raw), len(raw)
        for name, found in times.items():
            found.sort()
            whole, sent = sizes[name]
            worst = found[math.ceil(0.99 * len(found)) - 1]
            figures = f"{median(found):8,.1f} {worst:8,.1f} {whole / 1000:9,.1f} {sent / 1000:9,.1f}"
            print(f"  {name:24} {figures}", flush=True)
        _first_view(client, ours)


def _first_view(client: httpx.Client, ours: str) -> None:
    """The page of this moment, and what it loads."""
    page = client.get(ours)
    loads = {part.split('"')[0] for mark in ('src="', 'href="') for part in page.text.split(mark)[1:]}
    total, number = int(page.headers.get("content-length", len(page.content))), 1
    for path in loads:
        if "." in path.rpartition("/")[2]:
            with client.stream("GET", ours + path.lstrip("/")) as answer:
                total, number = total + len(b"".join(answer.iter_raw())), number + 1
    print(f"\nthe first view: {number} requests, {total / 1000:,.1f} KB compressed (at most 150 wanted)")


def _until(client: httpx.Client, address: str) -> None:
    give_up = time.monotonic() + 60
    while True:
        try:
            client.get(address)
            return
        except httpx.TransportError:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.1)


# -- the year


def _build(folder: Path) -> None:
    (folder / "year.db").unlink(missing_ok=True)
    (folder / "year.toml.new").write_text(f"{TWO_BEDS}[store]\npath = 'year.db'\n")
    site = load(folder / "year.toml.new")
    began_s = time.monotonic()
    store = Store(site.store_path)
    store.zone = ZoneInfo(site.time_zone)
    db: sqlite3.Connection = store._db.conn
    db.execute("PRAGMA synchronous = OFF")
    names = {"battery/voltage": "V", "bed-1/high": None, "bed-2/high": None, "water/temperature": "Cel"}
    with db:
        db.executemany("INSERT INTO series VALUES (?, 'barrels', ?, ?)",
                       [(number, *row) for number, row in enumerate(names.items(), start=1)])  # fmt: skip
        for number, name in enumerate(names, start=1):
            db.executemany("INSERT INTO readings VALUES (?, ?, ?)", ((number, *row) for row in _readings(name)))
        blob = squeeze(_pack())
        db.executemany("INSERT INTO arrivals VALUES (?, ?, 'readings', 'barrels', 7, ?, ?)",
                       ((seq + 1, START_S + 15.0 * seq, seq, blob) for seq in range(DAYS * DAY_S // 15)))  # fmt: skip
        rows = (_event_row(number, None, event) for number, event in enumerate(_events(), start=1))
        db.executemany("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", rows)
        db.execute("INSERT INTO unrolled SELECT 'readings', id, 1e12, 0 FROM series")
        db.execute("INSERT INTO unrolled VALUES ('cycles', 'bed-1', 1e12, 0), ('cycles', 'bed-2', 1e12, 0)")
    print(f"a year laid down in {time.monotonic() - began_s:.0f} s")
    began_s, longest_s = time.monotonic(), 0.0
    more = True
    while more:
        step_s = time.monotonic()
        more = store.roll_up_older()
        longest_s = max(longest_s, time.monotonic() - step_s)
    print(f"rolled up in {time.monotonic() - began_s:.0f} s, the longest step {1000 * longest_s:.0f} ms")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    (folder / "year.toml.new").rename(folder / "year.toml")


def _readings(name: str):
    chance = random.Random(7)
    if name == "battery/voltage":
        for second in range(0, DAYS * DAY_S, 5):
            sun = math.sin(2 * math.pi * (second % DAY_S) / DAY_S - math.pi / 2)
            yield START_S + second, round(12.6 + 0.9 * max(sun, 0) + 0.2 * sun + chance.gauss(0, 0.004), 3)
    elif name == "water/temperature":
        for second in range(0, DAYS * DAY_S, 60):
            yield START_S + second, round(18 + 6 * math.sin(2 * math.pi * second / (DAYS * DAY_S)), 2)
    else:
        period_s = PERIOD_S[name.partition("/")[0]]
        changes = {second: int(second % period_s == 0) for turn in range(DAYS * DAY_S // period_s)
                   for second in (turn * period_s, turn * period_s + period_s // 3)}  # fmt: skip
        for second in range(0, DAYS * DAY_S, 300):
            changes.setdefault(second, int(second % period_s < period_s // 3))
        for second in sorted(changes):
            yield START_S + second, changes[second]


def _events():
    for second in range(300, DAYS * DAY_S, 300):
        charge = 0.75 + 0.2 * math.sin(2 * math.pi * second / DAY_S)
        yield BatteryJudged(float(START_S + second), charge, charge - 0.08, charge + 0.08, "loaded")
    for bed, period_s in PERIOD_S.items():
        for number in range(1, DAYS * DAY_S // period_s):
            high_s = period_s / 3
            yield CycleCounted(float(START_S + number * period_s), bed, number, float(period_s), high_s,
                               period_s - high_s, None, None)  # fmt: skip
    for day in range(DAYS - 1):
        dusk = START_S + day * DAY_S + 26 * 3600.0
        date = time.strftime("%Y-%m-%d", time.gmtime(dusk - 8 * 3600))
        yield NightEnded(dusk + 11 * 3600, date, dusk, dusk + 11 * 3600, 0.92, 0.66, 21.0, 12.1, 20.0)
        if day % 5 == 0:
            words = ("pump-stopped", "pump", "raised", "urgent", "The pump stands still.")
            yield AlarmChanged(dusk + 3600, dusk + 3500, *words)
            yield AlarmChanged(dusk + 5400, dusk + 3500, *words[:2], "cleared", *words[3:])
            yield NotePinned(dusk + 5400, "bed-1", "cut the tube 1 cm", "anna")


def _pack() -> bytes:
    volts = "".join(f',{{"n":"battery/voltage","u":"V","t":{t},"v":12.6{-t}}}' for t in (-10, -5, 0))
    return (
        f'[{{"bn":"garden/barrels/","bt":{START_S}.0,"n":"station/boot","v":7}},{{"n":"station/seq","v":1}}{volts}]'
    ).encode()


# -- the two servers


class _Live:
    """Stands where the running service would be."""

    def picture(self) -> dict:
        now_s = END_S - 5.0
        bed = {"wet": True, "since": now_s - 100, "phase": "filling", "period_s": 900, "cycles": 34_000,
               "last_cycle": now_s - 420, "fill_s": None, "drain_s": None, "flow_ratio": None, "prime_s": None,
               "break_s": None, "sign": None}  # fmt: skip
        battery = {"voltage_v": 12.41, "state_of_charge": 0.7, "low": 0.62, "high": 0.78, "basis": "loaded",
                   "outlook": None, "time": now_s}  # fmt: skip
        return {
            "time": now_s, "beds": {"bed-1": bed, "bed-2": bed}, "battery": battery,
            "pumps": {"pump": {"running": True, "since": None, "resting_until": None}},
            "water": {"temperature_c": 21.4, "time": now_s}, "standing": [], "returned": [], "shelved": [],
            "stations": {"barrels": {"last_heard": now_s, "silent": False}},
        }  # fmt: skip

    def health(self) -> dict:
        return {"status": "ok", "problems": []}

    def subscribe(self, listener) -> None: ...

    def unsubscribe(self, listener) -> None: ...

    @property
    def phones(self) -> _Live:
        return self

    def known(self) -> list:
        return []

    def public_key(self) -> str:
        return "key"


def _serve(site_file: str) -> None:
    from barreltide.web import app

    site = load(site_file)
    server = app.serve(site, site.store_path, _Live(), lambda: float(END_S))
    server.start()
    while True:
        time.sleep(60)


def _serve_bare(path: str, port: str) -> None:
    class Handler(http.server.BaseHTTPRequestHandler):
        """GET /START: a table of every reading of voltage from then on, compressed."""

        def do_GET(self) -> None:
            db = sqlite3.connect(path)
            rows = db.execute("SELECT time_s, value FROM readings WHERE series = 1 AND time_s >= ? ORDER BY time_s",
                              (float(self.path[1:]),))  # fmt: skip
            cells = "".join(f"<tr><td>{time.strftime('%F %T', time.gmtime(t))}<td>{v}" for t, v in rows)
            body = gzip.compress(f"<!doctype html><title>Voltage</title><table>{cells}</table>".encode(), 6)
            self.send_response(200)
            self.send_header("Content-Encoding", "gzip")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    http.server.ThreadingHTTPServer(("127.0.0.1", int(port)), Handler).serve_forever()


if __name__ == "__main__":
    {"serve": _serve, "bare": _serve_bare}[sys.argv[1]](*sys.argv[2:])
