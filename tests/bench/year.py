"""A year in a box: `.venv/bin/python tests/bench/year.py [DAYS]` runs the service's writer through a simulated year.

What a small computer at the barrels has to bear, each against its limit: what is written to the card in a day, how big
the store becomes, the memory at the end, how long the log is, how long a start takes then. Twelve months of one garden,
its sun and its weather with the seasons, its board started anew each month, are packed as the station packs them and
taken in one by one: a transaction a pack, as in life, and another for what the passing of time brings about. The clock
is injected; nothing else is hurried. The store lies in memory (/dev/shm), so that waiting for a disk is left out while
every byte that goes to it is counted: /proc/self/io's `wchar`, all that was handed to write(2) and its like.

What it cannot know: how much more a card writes inside than it is given, and the journal of the file system, which puts
its own blocks beside each commit. Some twenty minutes for a year.
"""

from __future__ import annotations

import gc
import json
import logging
import queue
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from barreltide.mqtt import Message  # noqa: E402
from barreltide.pack import Topics  # noqa: E402
from barreltide.site import load  # noqa: E402
from barreltide.store import Store  # noqa: E402
from barreltide.writer import Writer  # noqa: E402
from simulation.draw import PLACES, draw_garden  # noqa: E402
from simulation.run import simulate  # noqa: E402

DAY_S = 86_400.0
START_S = 1_798_761_600.0  # 2027-01-01
MONTHS = 12
TICK_AFTER_S = 7.0

# The limits. A card of 32 GB that bears 1,000 rewritings of each cell takes 32 TB (common practice, no source): at
# 500 MB a day, and three times that inside the card, it is worn out after 58 years. The rest is what the box has.
MOST_WRITTEN_MB_A_DAY = 500.0
MOST_STORE_MB_A_YEAR = 1_000.0
MOST_MEMORY_MB = 150.0
MOST_LOG_KB_A_DAY = 100.0
MOST_START_S = 60.0


class _Intake:
    """Stands where the broker would be."""

    def __init__(self) -> None:
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self.problems: list[str] = []
        self.receipted = 0
        self.known: set[tuple[int, int]] = set()  # packs come twice now and then, and are receipted again

    def start(self) -> None: ...

    def acknowledge(self, messages) -> None: ...

    def tell_alarms(self, standing) -> None: ...

    def receipts(self, packs) -> None:
        for (_, boot), seqs in packs.items():
            self.receipted += len(seqs)
            self.known.update((boot, seq) for seq in seqs)


class _Log(logging.Handler):
    """How many bytes the journal would be given."""

    def __init__(self) -> None:
        super().__init__()
        self.bytes = 0

    def emit(self, record: logging.LogRecord) -> None:
        self.bytes += len(record.getMessage()) + len("barreltide: \n")


def main(days: float) -> int:
    folder = Path(tempfile.mkdtemp(prefix="barreltide-year-", dir="/dev/shm"))
    try:
        return _year(folder, days)
    finally:
        shutil.rmtree(folder)


def _year(folder: Path, days: float) -> int:
    log, clock_s, stopping = _Log(), [START_S], threading.Event()
    logging.getLogger("barreltide").addHandler(log)
    logging.getLogger("barreltide").propagate = False
    logging.getLogger("barreltide").setLevel(logging.INFO)
    writer = intake = topics = store = None
    packs, written, in_month, began_s = 0, 0, days / MONTHS, time.monotonic()
    for month in range(MONTHS):
        plan = draw_garden(11, place=PLACES[0], start_s=START_S + month * in_month * DAY_S, beds=2, pumps=1)
        run = simulate(plan, in_month)
        if writer is None:
            run.write(folder)
            site = load(folder / "site.toml")
            topics, store, intake = Topics.of_site(site), Store(site.store_path), _Intake()
            writer = _begin(site, topics, store, intake, clock_s, stopping)
        before = _written()
        for message, at_s in _messages(run, month):
            for due_s, messages in ((at_s, [message]), (at_s + TICK_AFTER_S, [])):
                clock_s[0] = max(clock_s[0], due_s)
                writer._turn(messages)
            packs += 1
        written += _written() - before
        del run
        gc.collect()
        print(
            f"{time.monotonic() - began_s:5.0f} s: month {month + 1}, {packs:,} packs, "
            f"{written / 1e6 / (in_month * (month + 1)):,.0f} MB a day, store {_size_mb(store):,.0f} MB",
            flush=True,
        )
    counts = store.counts()
    assert packs == intake.receipted and counts["packs"] == len(intake.known), (counts, packs)
    blob = len(store.snapshot().blob)
    size_mb = _size_mb(store)
    store.close()
    memory_mb = _resident_of_a_start(folder)
    store = Store(folder / "barreltide.db")
    with store._db.conn:
        store._db.execute("DELETE FROM snapshots")  # as after an update: a month of readings is judged anew
    starting_s = time.monotonic()
    _begin(load(folder / "site.toml"), topics, store, _Intake(), clock_s, stopping)
    starting_s = time.monotonic() - starting_s
    store.close()
    rows = [
        ("written to the card, MB a day", written / 1e6 / days, MOST_WRITTEN_MB_A_DAY),
        ("store, MB a year", size_mb / days * 365, MOST_STORE_MB_A_YEAR),
        ("memory of a service that starts on it, MB", memory_mb, MOST_MEMORY_MB),
        ("log, kB a day", log.bytes / 1e3 / days, MOST_LOG_KB_A_DAY),
        ("a start after an update, s", starting_s, MOST_START_S),
    ]
    print(
        f"\n{days:g} days, {packs:,} packs, {counts['cycles']:,} cycles, {counts['alarms']:,} changes of alarms, "
        f"snapshot {blob / 1e3:,.0f} kB, peak memory with the simulation in it "
        f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:,.0f} MB"
    )
    for name, found, limit in rows:
        print(f"  {name:44}{found:9.1f}   at most {limit:,.0f}{'' if found <= limit else '   TOO MUCH'}")
    return int(any(found > limit for _, found, limit in rows))


def _begin(site, topics, store, intake, clock_s, stopping) -> Writer:
    writer = Writer(site, topics, store, intake, lambda work: None, lambda: clock_s[0])
    writer._stopping = stopping
    writer._wake_engine()
    return writer


def _messages(run, month: int):
    """(message, when it arrived): the station's packs, its boots told apart by the month."""
    for message in run.lines():
        message["payload"][0]["v"] = message["payload"][0]["v"] * MONTHS + month
        payload = json.dumps(message["payload"], separators=(",", ":")).encode()
        yield Message(message["topic"], payload, len(payload), 1, 1, 1), message["received"]


def _written() -> int:
    with open("/proc/self/io") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("wchar"))


def _size_mb(store: Store) -> float:
    return store.path.stat().st_size / 1e6


def _resident_of_a_start(folder: Path) -> float:
    """VmRSS of a real `barreltide serve` on that store, once it judges."""
    (folder / "serve.toml").write_text((folder / "site.toml").read_text() + "\n[web]\nport = 0\n[broker]\nport = 1\n")
    with subprocess.Popen(
        [sys.executable, "-m", "barreltide", "serve", "--site", str(folder / "serve.toml")], stderr=subprocess.DEVNULL
    ) as process:
        time.sleep(30)
        lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
        process.terminate()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else 365.0))
