"""What the house is measured against: the least that anyone would write for the same work, each run as a process.

`python bare.py pipe PORT DATABASE COUNT` takes COUNT packs in and prints the moment of the last commit;
`python bare.py compare RECORDING` parses a recording and compares its values; `python bare.py sit` imports and waits;
`python bare.py post PORT HOOK` posts what comes under the topic `bare` to a web hook. `python bare.py raise ARGUMENTS`
is `barreltide ARGUMENTS` with the tests' stand-in for an engine, and no limit on messages an hour.
"""

from __future__ import annotations

import json
import queue
import sqlite3
import sys
import time
from collections.abc import Iterable


def pipe(port: int, database: str, count: int) -> None:
    """A subscriber that stores the readings of each pack durably before it acknowledges: WAL, synchronous=FULL."""
    import paho.mqtt.client as paho

    arrived: queue.Queue = queue.Queue()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="bare", manual_ack=True)
    client.on_connect = lambda client, *_: client.subscribe("barreltide/garden/+/readings", 1)
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.on_message = lambda client, _, message: arrived.put(message)
    store = sqlite3.connect(database, isolation_level=None)
    store.execute("PRAGMA journal_mode=WAL")
    store.execute("PRAGMA synchronous=FULL")
    store.execute("CREATE TABLE reading (name TEXT, time_s REAL, value, PRIMARY KEY (name, time_s)) WITHOUT ROWID")
    client.connect("127.0.0.1", port)
    client.loop_start()
    done = 0
    while done < count:
        batch = [arrived.get()]
        while not arrived.empty():
            batch.append(arrived.get())
        rows = [row for message in batch for row in _rows(message.payload)]
        store.execute("BEGIN")
        store.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", rows)
        store.execute("COMMIT")
        for message in batch:
            client.ack(message.mid, message.qos)
        done += len(batch)
    print(time.time(), flush=True)
    client.disconnect()
    client.loop_stop()


def _rows(payload: bytes) -> list[tuple[str, float, object]]:
    base, base_s, rows = "", 0.0, []
    for record in json.loads(payload):
        base, base_s = record.get("bn", base), record.get("bt", base_s)
        rows.append((base + record["n"], base_s + record.get("t", 0.0), record.get("v", record.get("vb"))))
    return rows


LIMITS = {"garden/barrels/battery/voltage": (11.5, 14.8), "garden/barrels/water/temperature": (8.0, 28.0)}
LATE_S = 5400.0


def compare(lines: Iterable[bytes]) -> tuple[int, int, int]:
    """(records, falls of a float that came late, values beyond a limit): a garden watched by JSON and `<` alone."""
    records = late = beyond = 0
    wet: dict[str, bool] = {}
    fell_s: dict[str, float] = {}
    for line in lines:
        base, base_s = "", 0.0
        for record in json.loads(line)["payload"]:
            records += 1
            base, base_s = record.get("bn", base), record.get("bt", base_s)
            name = base + record["n"]
            if "vb" in record:
                if wet.get(name) and not record["vb"]:
                    time_s = base_s + record.get("t", 0.0)
                    late += time_s - fell_s.get(name, time_s) > LATE_S
                    fell_s[name] = time_s
                wet[name] = record["vb"]
            elif name in LIMITS:
                lowest, highest = LIMITS[name]
                beyond += not lowest <= record["v"] <= highest
    return records, late, beyond


def sit() -> None:
    import fastapi
    import paho.mqtt.client
    import uvicorn

    print(fastapi.__version__, paho.mqtt.client.MQTTv5, uvicorn.__version__, flush=True)
    sys.stdin.read()


def post(port: int, hook: int) -> None:
    import urllib.request

    import paho.mqtt.client as paho

    def take(client, _, message) -> None:
        urllib.request.urlopen(f"http://127.0.0.1:{hook}/", message.payload).close()

    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.on_connect = lambda client, *_: client.subscribe("bare", 1)
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.on_message = take
    client.connect("127.0.0.1", port)
    client.loop_forever()


def raise_alarms(arguments: list[str]) -> int:
    from pathlib import Path

    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    import standin_engine
    from barreltide import cli, writer
    from barreltide.notices import notify

    writer.engine = standin_engine
    notify.MOST_AN_HOUR = notify.MOST_URGENT_AN_HOUR = 10_000
    return cli.main(arguments)


if __name__ == "__main__":
    if sys.argv[1] == "post":
        post(int(sys.argv[2]), int(sys.argv[3]))
    elif sys.argv[1] == "raise":
        sys.exit(raise_alarms(sys.argv[2:]))
    elif sys.argv[1] == "pipe":
        pipe(int(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
    elif sys.argv[1] == "compare":
        with open(sys.argv[2], "rb") as recording:
            print(compare(recording))
    else:
        sit()
