"""Measures the house beside the bare way of doing the same work, in one run: `.venv/bin/python tests/bench/run.py`.

Names after it choose among intake, memory, replay, engine, notice, paint and views; without any, all are measured (some
ten minutes; `--keep FOLDER` keeps the year that views needs for the next time). Each figure is a median of rounds in
which the two take turns. Loopback and this machine's disk: a slow SD card tells another story. Needs mosquitto and
Linux.

The subscriber shares the two ends of the wire with broker and publisher while packs are published, as in life; with all
packs waiting in the broker it has the machine for itself, as after an outage.
"""

from __future__ import annotations

import http.server
import json
import math
import os
import platform
import signal
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from statistics import median

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import paho.mqtt.client as paho  # noqa: E402

from bench import bare  # noqa: E402
from bench.views import views  # noqa: E402
from conftest import SITE, Mosquitto, free_port  # noqa: E402
from simulation.draw import Plan, draw_garden  # noqa: E402
from simulation.run import simulate  # noqa: E402

COMMAND = [sys.executable, "-m", "barreltide"]
BARE = [sys.executable, str(HERE / "bare.py")]
PACKS, ROUNDS = 4_000, 4
DAYS, REPLAY_ROUNDS = 30, 3
NOTICES = 60
PATIENCE_S = 120.0


def main(names: list[str]) -> int:
    measures: dict[str, Callable[[Path], None]] = {
        "intake": intake, "memory": memory, "replay": replay, "engine": engine, "notice": notice,
        "paint": _paint, "views": lambda folder: views(keep or folder / "views"),
    }  # fmt: skip
    keep = None
    if "--keep" in names[:-1]:
        at = names.index("--keep")
        keep = Path(names[at + 1])
        names = names[:at] + names[at + 2 :]
    if strange := [name for name in names if name not in measures]:
        print(f"{strange[0]}: no such measure; {', '.join(measures)} would do", file=sys.stderr)
        return 2
    print(f"{platform.platform()}, {_processor()}, {os.cpu_count()} processors, Python {platform.python_version()}, "
          f"load {os.getloadavg()[0]:.1f}")  # fmt: skip
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="barreltide-bench-") as folder:
        for name in names or measures:
            measures[name](Path(folder))
    print(f"\nmeasured in {time.monotonic() - began_s:.0f} s")
    return 0


# -- intake


def intake(folder: Path) -> None:
    """Committed packs a second while they are being published, and again with all of them waiting in the broker."""
    broker = Mosquitto(folder / "intake", "max_queued_messages 0").start()
    rates: dict[tuple[bool, bool], list[float]] = {(ours, live): [] for ours in (True, False) for live in (True, False)}
    try:
        for number in range(ROUNDS):
            payloads = _payloads(PACKS, boot=number + 1)
            for (ours, live), found in rates.items():
                takes = _service_takes if ours else _bare_takes
                with _Sender(broker.port) as sender:
                    found.append(PACKS / takes(folder / f"{ours}-{live}-{number}", broker, sender, payloads, live))
    finally:
        broker.kill()
    for live, how in ((True, "published meanwhile"), (False, "all waiting in the broker")):
        ratios = [a / b for a, b in zip(rates[True, live], rates[False, live], strict=True)]
        _table(f"intake: {PACKS} packs from broker to disk, {how}; packs/s, {ROUNDS} rounds in turns", [
            ("service: judged, committed, receipted", f"{median(rates[True, live]):,.0f}", _spread(rates[True, live])),
            ("bare paho + executemany: committed", f"{median(rates[False, live]):,.0f}", _spread(rates[False, live])),
            ("ratio (at least 0.6 wanted)", f"{median(ratios):.2f}", _spread(ratios)),
        ])  # fmt: skip


class _Sender:
    """Publishes packs at the broker, and counts receipts."""

    def __init__(self, port: int) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(0)
        self._client.max_queued_messages_set(0)
        self._client.on_message = self._receipt
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._subscribed, self._all = threading.Event(), threading.Event()
        self._port = port
        self._missing: set[int] = set()
        self.last_s = 0.0

    def __enter__(self) -> _Sender:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self._client.subscribe("barreltide/garden/barrels/receipt", 1)
        assert self._subscribed.wait(PATIENCE_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def send(self, payloads: list[bytes]) -> None:
        """Returns once the broker has acknowledged every pack."""
        self._missing, self.last_s = set(range(len(payloads))), 0.0
        self._all.clear()
        infos = [self._client.publish("barreltide/garden/barrels/readings", payload, qos=1) for payload in payloads]
        for info in infos:
            info.wait_for_publish(PATIENCE_S)
            assert info.is_published()

    def wait_for_receipts(self) -> None:
        assert self._all.wait(PATIENCE_S), f"{len(self._missing)} packs without a receipt"

    def _receipt(self, client: paho.Client, _: object, message: paho.MQTTMessage) -> None:
        self._missing.difference_update(json.loads(message.payload)["seq"])
        if not self._missing:
            self.last_s = time.time()
            self._all.set()


def _service_takes(folder: Path, broker: Mosquitto, sender: _Sender, payloads: list[bytes], live: bool) -> float:
    with _Service(folder, broker.port) as service:
        began_s = _send(sender, payloads, service.pid, live)
        sender.wait_for_receipts()
    _forget_session(broker.port, "garden-host")
    return sender.last_s - began_s


def _bare_takes(database: Path, broker: Mosquitto, sender: _Sender, payloads: list[bytes], live: bool) -> float:
    arguments = ["pipe", str(broker.port), str(database), str(len(payloads))]
    with subprocess.Popen([*BARE, *arguments], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None and process.stdout.readline() == "ready\n"
        began_s = _send(sender, payloads, process.pid, live)
        return float(process.stdout.readline()) - began_s


def _send(sender: _Sender, payloads: list[bytes], pid: int, live: bool) -> float:
    """When the subscriber `pid` began: with the first pack, or once all wait for it in the broker."""
    if live:
        began_s = time.time()
        sender.send(payloads)
        return began_s
    os.kill(pid, signal.SIGSTOP)
    sender.send(payloads)
    began_s = time.time()
    os.kill(pid, signal.SIGCONT)
    return began_s


def _forget_session(port: int, client_id: str) -> None:
    """Else the broker keeps the next packs for a service that is gone."""
    gone = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=True)
    client.on_connect = lambda client, *_: client.disconnect()
    client.on_disconnect = lambda *_: gone.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert gone.wait(PATIENCE_S)
    client.loop_stop()


# -- memory


def memory(folder: Path) -> None:
    broker = Mosquitto(folder / "memory").start()
    try:
        with _Service(folder / "external", broker.port) as service:
            time.sleep(5)
            external = _resident_mb(service.pid)
            with _Sender(broker.port) as sender:
                sender.send(_payloads(900, boot=1))  # below mosquitto's own limit for what waits
                sender.wait_for_receipts()
            time.sleep(5)
            fed = _resident_mb(service.pid)
    finally:
        broker.kill()
    with _Service(folder / "embedded", None) as service:
        time.sleep(5)
        embedded = _resident_mb(service.pid)
        children = [(_command_of(child), _resident_mb(child)) for child in _children(service.pid)]
    with subprocess.Popen([*BARE, "sit"], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        process.stdout.readline()
        theirs = _resident_mb(process.pid)
        process.stdin.close()
    _table("memory: resident (VmRSS), MB", [
        ("service, idle, with mosquitto (at most 80 wanted)", f"{external:.1f}", ""),
        ("the same after 900 packs", f"{fed:.1f}", ""),
        ("service, idle, with its embedded broker", f"{embedded:.1f}", ""),
        *((f"  its child {name}", f"{size:.1f}", "") for name, size in children),
        ("bare Python with paho, fastapi, uvicorn imported", f"{theirs:.1f}", ""),
    ])  # fmt: skip


def _resident_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS")) / 1024


def _children(pid: int) -> list[int]:
    return [int(child) for task in Path(f"/proc/{pid}/task").iterdir()
            for child in (task / "children").read_text().split()]  # fmt: skip


def _command_of(pid: int) -> str:
    return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ").strip()[-60:]


# -- replay and engine


def replay(folder: Path) -> None:
    recording, site = _recording(folder)
    times: dict[str, list[float]] = {"replay": [], "bare": []}
    for _ in range(REPLAY_ROUNDS):
        times["replay"].append(_timed([*COMMAND, "replay", str(recording), "--site", str(site), "--json"]))
        times["bare"].append(_timed([*BARE, "compare", str(recording)]))
    ours, theirs = median(times["replay"]), median(times["bare"])
    size_mb = recording.stat().st_size / 1e6
    _table(f"replay: {DAYS} days of two beds ({size_mb:.0f} MB), s, {REPLAY_ROUNDS} rounds in turns", [
        ("barreltide replay", f"{ours:.1f}", f"{DAYS * 86400 / ours:,.0f} × real time (at least 100,000 wanted)"),
        ("bare: JSON and comparisons", f"{theirs:.1f}", f"{DAYS * 86400 / theirs:,.0f} × real time"),
        ("ratio (at most 4 wanted)", f"{ours / theirs:.1f}", ""),
    ])  # fmt: skip


def _timed(command: list[str]) -> float:
    began_s = time.monotonic()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - began_s


def engine(folder: Path) -> None:
    """The engine alone, on packs that are parsed already: the recording's first 45,000."""
    from barreltide.core.monitor import Monitor
    from barreltide.pack import Topics, read_pack
    from barreltide.site import load
    from barreltide.sun import Sun

    recording, site_file = _recording(folder)
    site = load(site_file)
    with open(recording, "rb") as file:
        lines = [line for _, line in zip(range(45_000), file, strict=False)]
    messages, topics = [json.loads(line) for line in lines], Topics.of_site(site)
    packs = [read_pack(topics, m["topic"], m["payload"], m["received"]) for m in messages]
    readings = sum(len(pack.readings) for pack in packs)
    times: dict[str, list[float]] = {"engine": [], "bare": []}
    for _ in range(REPLAY_ROUNDS):
        monitor = Monitor(site, Sun(site.latitude, site.longitude, site.time_zone))
        began_s = time.monotonic()
        for pack in packs:
            monitor.take(pack)
        times["engine"].append(time.monotonic() - began_s)
        began_s = time.monotonic()
        bare.compare(lines)
        times["bare"].append(time.monotonic() - began_s)
    ours, theirs = (1e6 * median(times[name]) / readings for name in ("engine", "bare"))
    _table(f"engine: {readings:,} readings in {len(packs):,} packs, µs a reading, {REPLAY_ROUNDS} rounds in turns", [
        ("core alone, from packs", f"{ours:.1f}", ""),
        ("bare: JSON and comparisons", f"{theirs:.1f}", ""),
        ("ratio", f"{ours / theirs:.1f}", ""),
    ])  # fmt: skip


# -- notice


def notice(folder: Path) -> None:
    """From a station's publish to a receiver's web hook: the service, with an engine that raises an alarm at a word,
    and a bare subscriber that posts at once, which is the way's own time: broker, loopback and HTTP. Beside them the
    courier alone, a fresh process with the library of channels in it, and of the channels the one that it needs."""
    from barreltide.notices import courier

    hook, broker = _Hook(), Mosquitto(folder / "notice").start()
    site = folder / "notice.toml"
    site.write_text(
        f"{SITE}[broker]\nport = {broker.port}\n[web]\nport = 0\n[notify]\nurls = ['json://127.0.0.1:{hook.port}/']\n"
    )
    service = subprocess.Popen([*BARE, "raise", "serve", "--site", str(site)], stderr=subprocess.PIPE, text=True)
    poster = subprocess.Popen([*BARE, "post", str(broker.port), str(hook.port)], stdout=subprocess.PIPE, text=True)
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    times: dict[str, list[float]] = {"barreltide/garden/barrels/readings": [], "bare": []}
    alone: list[float] = []
    assert courier.check([f"json://127.0.0.1:{hook.port}/"]) == []  # as the service does at its start
    try:
        next(line for line in service.stderr if "connected to the broker" in line)
        assert poster.stdout.readline() == "ready\n"
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        for number in range(NOTICES):
            time.sleep(0.6)  # a notice is named by its alarm and the second: no alarm of life's comes twice in one
            for topic, found in times.items():
                hook.got.clear()
                began_s = time.monotonic()
                client.publish(topic, _word(number), 1).wait_for_publish(PATIENCE_S)
                assert hook.got.wait(PATIENCE_S)
                found.append(1000 * (hook.at_s - began_s))
            hook.got.clear()
            began_s = time.monotonic()
            assert courier.send(f"json://127.0.0.1:{hook.port}/", "title", "body") is None
            alone.append(1000 * (hook.at_s - began_s))
    finally:
        client.loop_stop()
        for process in (service, poster):
            process.terminate()
            process.communicate(timeout=PATIENCE_S)
        broker.kill()
        hook.close()
    rows = []
    names = "service: judged, committed, planned, sent", "bare subscriber that posts", "the courier alone"
    for name, found in zip(names, [*times.values(), alone], strict=True):
        found.sort()
        rows.append((name, f"{median(found):,.0f}", f"p99 {found[math.ceil(0.99 * len(found)) - 1]:,.0f}"))
    _table(f"notice: from a station's publish to a web hook, ms, p50 of {NOTICES} in turns", rows)


def _word(number: int) -> bytes:
    """A pack that raises or clears the alarm, in turn."""
    head = {"bn": "garden/barrels/", "bt": time.time(), "n": "station/boot", "v": 1}
    word = {"n": "test/alarm", "vs": "clear" if number % 2 else "raise"}
    return json.dumps([head, {"n": "station/seq", "v": number}, word]).encode()


class _Hook:
    """A web hook that notes when something came; got: set then."""

    def __init__(self) -> None:
        self.got, self.at_s, hook = threading.Event(), 0.0, self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                hook.at_s = time.monotonic()
                hook.got.set()
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


# -- paint


def _paint(folder: Path) -> None:
    from bench.paint import paint  # needs playwright and chromium, which the other measures do not

    paint(folder, _table)


# -- common


class _Service:
    """`barreltide serve` as a process, ready when entered. port: of a broker, None for the embedded one."""

    def __init__(self, folder: Path, port: int | None) -> None:
        folder.mkdir()
        self._web, broker = free_port(), f"[broker]\nport = {port}\n" if port else ""
        self._site = folder / "site.toml"
        self._site.write_text(f"{_garden().site_toml()}\n{broker}[web]\nport = {self._web}\n")

    def __enter__(self) -> _Service:
        command = [*COMMAND, "serve", "--site", str(self._site)]
        self._process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
        self.pid = self._process.pid
        give_up = time.monotonic() + PATIENCE_S
        while not self._is_ready():
            if self._process.poll() is not None or time.monotonic() > give_up:
                self._process.kill()
                raise RuntimeError(f"the service did not start: {self._process.stderr.read()}")
            time.sleep(0.1)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGCONT)
        self._process.terminate()
        self._process.communicate(timeout=PATIENCE_S)

    def _is_ready(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self._web}/api/health", timeout=5) as answer:
                health = json.load(answer)
        except OSError:
            return False
        return health["status"] == "ok" and health["broker"]["connected"]


def _garden() -> Plan:
    return draw_garden(11, beds=2, clock=True)


def _payloads(count: int, boot: int) -> list[bytes]:
    """Packs of the garden's last hours, up to now, in the order in which the station made them."""
    run = simulate(_garden(), count / 5_000)
    lines = {line["payload"][1]["v"]: line["payload"] for line in run.lines()}
    shift_s = time.time() - run.end_s
    payloads = []
    for seq in range(count):
        records = lines[seq]
        records[0] |= {"v": boot, "bt": round(records[0]["bt"] + shift_s, 3)}
        payloads.append(json.dumps(records, separators=(",", ":")).encode())
    return payloads


def _recording(folder: Path) -> tuple[Path, Path]:
    made = folder / "recording"
    if not made.exists():
        simulate(_garden(), float(DAYS)).write(made)
    return made / "recording.jsonl", made / "site.toml"


def _processor() -> str:
    lines = Path("/proc/cpuinfo").read_text().splitlines()
    return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), platform.machine())


def _spread(values: list[float]) -> str:
    digits = 2 if max(values) < 10 else 0
    return f"{min(values):,.{digits}f} to {max(values):,.{digits}f}"


def _table(title: str, rows: list[tuple[str, str, str]]) -> None:
    width = max(len(row[0]) for row in rows)
    print(f"\n{title}")
    for name, figure, note in rows:
        print(f"  {name:{width}}  {figure:>8}  {note}".rstrip(), flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
