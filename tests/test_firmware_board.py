"""The whole firmware under the real MicroPython interpreter, against a real mosquitto; only the hardware is faked."""

from __future__ import annotations

import collections
import datetime
import ipaddress
import json
import shutil
import socket
import threading
import time

import paho.mqtt.client as mqtt
import pytest

from chain import FastBoard, FastClock
from conftest import Mosquitto, free_port
from firmware_board import FAKES, ROM, TESTS, Board, config, run_micropython, scratchpad, wait_for

QUICK = {"sample_s": 1, "publish_s": 2}


class Host:
    """The service's side of the contract: keeps each pack once and, while `receipting`, says so."""

    def __init__(self, port: int, **tls) -> None:
        self.receipting = True
        self.packs: dict[tuple[int, int], list] = {}
        self.arrived: dict[tuple[int, int], float] = {}
        self.heard: collections.Counter[tuple[int, int]] = collections.Counter()
        self.presence: list[dict] = []
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "host", clean_session=False)
        if tls:
            self.client.tls_set(**tls)
        self.client.on_message = self._take
        self.client.on_connect = lambda client, *_: client.subscribe([("barreltide/garden/barrels/#", 1)])
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("localhost" if tls else "127.0.0.1", port)
        self.client.loop_start()

    def _take(self, client, _, message):
        kind = message.topic.rsplit("/", 1)[1]
        if kind == "presence":
            self.presence.append(json.loads(message.payload))
        if kind != "readings":
            return
        records = json.loads(message.payload)
        assert [record["n"] for record in records[:2]] == ["station/boot", "station/seq"]
        boot, seq = records[0]["v"], records[1]["v"]
        self.arrived.setdefault((boot, seq), time.time())
        self.packs.setdefault((boot, seq), records)
        self.heard[boot, seq] += 1
        if self.receipting:
            self.client.publish("barreltide/garden/barrels/receipt", json.dumps({"boot": boot, "seq": [seq]}), 1)

    def readings(self, name: str) -> list[tuple[float, object]]:
        """(Unix seconds, value), in order of seq; a pack without bt is dated by its arrival, as the host does."""
        found = []
        for key, records in sorted(self.packs.items()):
            base = records[0].get("bt", self.arrived[key])
            for r in records:
                if r["n"] == name:
                    found.append((base + r.get("t", 0), r.get("v", r.get("vb", r.get("vs")))))
        return found

    def last(self, name: str):
        found = self.readings(name)
        return found[-1][1] if found else None

    def stop(self) -> None:
        self.client.loop_stop()
        self.client.disconnect()


@pytest.fixture
def host(mosquitto):
    host = Host(mosquitto.port)
    yield host
    host.stop()


@pytest.fixture
def boards(tmp_path):
    """Makes stations in folders of their own; kills what still runs."""
    made = []

    def make(values, **options):
        made.append(Board(tmp_path / f"board-{len(made)}", values, **options))
        return made[-1]

    yield make
    for board in made:
        board.kill()


def steps(times: list[float]) -> list[float]:
    return [later - earlier for earlier, later in zip(times, times[1:], strict=False)]


def test_readings_reach_the_broker_and_a_change_at_once(mosquitto, host, boards):
    board = boards(config(mosquitto.port, sample_s=1, publish_s=60)).battery_v(12.61).start()
    wait_for(lambda: host.last("battery/voltage"), what="the first pack")
    assert host.last("battery/voltage") == pytest.approx(12.61, abs=0.001)
    assert host.last("water/temperature") == 21.375  # 21.4 in steps of a sixteenth
    assert (host.last("bed-1/high"), host.last("bed-1/low"), host.last("sump/low")) == (False, False, True)
    assert host.last("station/signal") == -91  # -61 dBm
    assert host.presence[-1]["online"] is True and host.presence[-1]["firmware"]
    for _ in range(50):  # more than a broker sends on without a PUBACK; and none of them is for this boot
        host.client.publish("barreltide/garden/barrels/receipt", '{"boot": 1, "seq": [0, 1, 2]}', 1)
    for nonsense in ("", "[1]", '{"boot": null, "seq": 7}', "\x00" * 20_000):
        host.client.publish("barreltide/garden/barrels/receipt", nonsense, 1)
    changed = time.time()
    board.world(pins={25: 0})
    wait_for(lambda: host.last("bed-1/high"), 15, "the change, long before the pack is due")
    assert host.readings("bed-1/high")[-1][0] == pytest.approx(changed, abs=1.5), "dated to the edge itself"
    events = board.events()
    assert "watchdog 8000" in events and "feed" in events
    assert not any(event.startswith(("output", "pin")) for event in events), "it controls nothing"
    time.sleep(4)  # longer than flash_after_s
    assert not list((board.folder / "backlog").iterdir()), "receipted: flash is left alone"


def test_last_will_and_receipts_over_power_cuts(mosquitto, host, boards):
    board = boards(config(mosquitto.port, **QUICK, flash_after_s=0))
    host.receipting = False
    boots = []
    for _ in range(3):
        board.start()
        wait_for(lambda: len({seq for boot, seq in host.packs if boot not in boots}) >= 2, what="two packs")
        boots.append(next(boot for boot, _ in host.packs if boot not in boots))
        board.kill()
        wait_for(lambda: host.presence[-1] == {"online": False}, what="the last will")
    sampled = set(host.packs)
    host.packs.clear()
    host.receipting = True
    board.start()
    wait_for(lambda: set(host.packs) >= sampled, what="what earlier boots had sampled")
    wait_for(lambda: not list((board.folder / "backlog").iterdir()), what="forgetting after the receipts")
    for boot in boots:
        seqs = sorted(seq for known, seq in host.packs if known == boot)
        assert seqs == list(range(len(seqs))), "no gap"


def test_broker_killed_and_back(mosquitto, host, boards):
    board = boards(config(mosquitto.port, **QUICK)).start()
    wait_for(lambda: len(host.packs) >= 2)
    host.receipting = False
    before = set(host.packs)
    wait_for(lambda: len(host.packs) >= len(before) + 2, what="packs without a receipt")
    unreceipted = set(host.packs) - before
    mosquitto.kill()
    time.sleep(1.5)
    changed = time.time()
    board.world(pins={25: 0})
    time.sleep(3)
    mosquitto.start()
    wait_for(lambda: all(host.heard[key] >= 2 for key in unreceipted), 60, "all of them again, without any receipt")
    host.receipting = True
    wait_for(lambda: host.last("bed-1/high"), 60, "the change that happened during the outage")
    edge = next(at for at, wet in host.readings("bed-1/high") if wet)
    assert edge == pytest.approx(changed, abs=1.5)
    times = [at for at, _ in host.readings("battery/voltage")]
    assert len(times) > 5 and max(steps(times)) < 4, "sampling went on"
    seqs = sorted(seq for _, seq in host.packs)
    assert seqs == list(range(len(seqs)))


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(b"", id="says nothing"),
        pytest.param(b"HTTP/1.1 400 Bad Request\r\n\r\n", id="is a web server"),
        pytest.param(b"\x20\x02\x00\x00" + b"\x30\xff\xff\xff\xff\x7f", id="sends a malformed length"),
        pytest.param(b"\x20\x02\x00\x00" + b"\x32\x01\x00", id="sends a broken publish"),
        pytest.param(b"\x20\x02\x00\x05", id="refuses"),
    ],
)
def test_a_broker_that_is_none_holds_up_nothing(answer, tmp_path, boards):
    port = free_port()
    served = []

    def serve(listener):
        while len(served) < 3:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            served.append(connection)
            connection.sendall(answer)
            if not answer:
                time.sleep(3)
                connection.close()

    with socket.socket() as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen()
        threading.Thread(target=serve, args=(listener,), daemon=True).start()
        board = boards(config(port, **QUICK)).start()
        wait_for(lambda: len(served) >= 2, 40, "a second try")
        listener.shutdown(socket.SHUT_RDWR)
    for connection in served:
        connection.close()
    mosquitto = Mosquitto(tmp_path / "mosquitto", port=port).start()
    host = Host(port)
    try:
        wait_for(lambda: len(host.readings("battery/voltage")) >= 4, 60, "the readings of all that time")
        times = [at for at, _ in host.readings("battery/voltage")]
        assert max(steps(times)) < 3 and board.running(), "sampling kept its time"
        assert board.output().count("Traceback") == 0
    finally:
        host.stop()
        mosquitto.kill()


def test_lost_wifi(mosquitto, host, boards):
    board = boards(config(mosquitto.port, **QUICK)).start()
    wait_for(lambda: len(host.packs) >= 1)
    board.world(wifi=False)
    wait_for(lambda: host.presence[-1] == {"online": False}, what="the broker sees it go")
    before = len(host.packs)
    board.world(wifi=True)
    wait_for(lambda: len(host.packs) > before and host.presence[-1]["online"], 60, "it is back")
    assert "Wi-Fi is lost" in board.output()


def test_what_is_wrong_is_said_again_for_whoever_listens_later(tmp_path):
    board = FastBoard(tmp_path / "board", config(free_port()), FastClock(40)).start()
    try:
        wait_for(lambda: board.output().count("ECONNREFUSED; trying again") >= 3, what="the same, three times")
    finally:
        board.kill()


def test_a_boards_clock_unset_and_wrapping(mosquitto, host, boards):
    board = boards(config(mosquitto.port, **QUICK), board_time=True, ticks=(1 << 30) - 4_000)
    board.world(ntp=False, one_wire={ROM: scratchpad(85.0, byte_6=0x0C)}).start()
    wait_for(lambda: len(host.packs) >= 5, what="packs from both sides of the wrap")
    assert not any("bt" in record for records in host.packs.values() for record in records)
    for key, records in host.packs.items():
        assert all(-60 < record.get("t", 0) <= 0 for record in records), key
    times = [at for at, _ in host.readings("battery/voltage")]
    assert len(times) >= 6 and min(steps(times)) > 0 and max(steps(times)) < 3
    assert host.readings("water/temperature") == [], "85 C of power-on is no temperature"
    board.world(one_wire={ROM: scratchpad(19.5)})
    wait_for(lambda: host.last("water/temperature") == 19.5, what="the first true temperature")


def test_a_boards_clock_set_by_ntp(mosquitto, host, boards):
    boards(config(mosquitto.port, **QUICK), board_time=True, ticks=(1 << 30) - 3_000).start()
    wait_for(lambda: len(host.packs) >= 4)
    for key, records in host.packs.items():
        # Busy machines are seconds late; a clock that was never set is years off.
        assert records[0]["bt"] == pytest.approx(host.arrived[key], abs=10)


def test_ads1115_and_current_sensors(mosquitto, host, boards):
    code = round(1.6435 / 4.096 * 32768)
    values = config(
        mosquitto.port,
        **QUICK,
        battery={"adc": "ads1115", "scl": 22, "sda": 21, "address": 72, "channel": 1, "scale": 115 / 15},
        current={
            "pump": {"chip": "ina219", "scl": 22, "sda": 21, "address": 64, "shunt_ohm": 0.1},
            "panel": {"chip": "ina226", "scl": 22, "sda": 21, "address": 65, "shunt_ohm": 0.01},
        },
    )
    board = boards(values)
    board.world(i2c={72: {"0": [code >> 8, code & 255]}, 64: {"1": [0x4E, 0x20]}, 65: {"1": [0x06, 0x40]}}).start()
    wait_for(lambda: host.last("panel/current") is not None and host.last("battery/voltage") is not None)
    assert host.last("battery/voltage") == pytest.approx(12.60, abs=0.005)
    assert host.last("pump/current") == pytest.approx(2.0, abs=0.001)  # 20,000 steps of 10 uV over 0.1 ohm
    assert host.last("panel/current") == pytest.approx(0.4, abs=0.001)  # 1,600 steps of 2.5 uV over 0.01 ohm
    assert "i2c 72/1 = d383" in board.events()


def test_a_port_without_one_wire_still_reports(mosquitto, host, boards, tmp_path):
    fakes = tmp_path / "fakes"
    shutil.copytree(FAKES, fakes)
    for driver in ("onewire.py", "ds18x20.py", "ntptime.py"):
        (fakes / driver).unlink()
    board = boards(config(mosquitto.port, **QUICK))
    board.environment["MICROPYPATH"] = f"{fakes}:.frozen"
    board.start()
    wait_for(lambda: host.last("battery/voltage"), what="the battery's voltage")
    said = run_micropython("import board\nprint(board.OneWire(None).temperature(None))", tmp_path, path=(fakes,))
    assert said.startswith('(None, "this MicroPython has no driver: no module named ')


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"battery": {"pin": 34, "scale": "7,667"}}, ['battery.scale is "7,667"', "a number from"]),
        ({"water": {"pin": 77}}, ["water.pin is pin 77", "this board has"]),
        ({"battery": {"pin": 3, "scale": 7}}, ["battery.pin is 3", "converter"]),
    ],
)
def test_a_wrong_config_is_said_and_blinked(change, words, boards):
    board = boards(config(1883, led=2, **change)).start()
    line = wait_for(lambda: [x for x in board.output().splitlines() if "config.json" in x], what="the message")[0]
    assert all(word in line for word in words)
    wait_for(lambda: board.events().count("pin 2 = 1") >= 3, what="the blinks")
    assert board.running() and not any("watchdog" in event or "reset" in event for event in board.events())


def test_a_missing_or_broken_config_repeats_its_message(boards):
    broken, missing = boards('{"site": "garden",'), boards("{}")
    (missing.folder / "config.json").unlink()
    broken.start(), missing.start()
    wait_for(lambda: broken.output().count("config.json is no valid JSON") >= 2, 40, "the message again")
    wait_for(lambda: missing.output().count("config.json is missing") >= 2, 40, "the message again")
    assert broken.running() and missing.running()


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    """A certificate authority and a broker's certificate for localhost and 127.0.0.1."""
    x509 = pytest.importorskip("cryptography.x509", reason="cryptography is not installed")
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    folder = tmp_path_factory.mktemp("authority")
    today = datetime.datetime.now(datetime.UTC)

    def issue(name, issuer=None):
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(issuer[1].subject if issuer else subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(today - datetime.timedelta(days=1))
            .not_valid_after(today + datetime.timedelta(days=30))
            .add_extension(x509.BasicConstraints(ca=issuer is None, path_length=None), critical=True)
        )
        if issuer:
            names = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
            builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        certificate = builder.sign((issuer or (key,))[0], hashes.SHA256())
        (folder / f"{name}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        (folder / f"{name}.der").write_bytes(certificate.public_bytes(serialization.Encoding.DER))
        (folder / f"{name}.key").write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return key, certificate

    issue("broker", issue("ca"))
    issue("stranger")
    return folder


@pytest.fixture
def tls_mosquitto(tmp_path, authority):
    lines = f"cafile {authority}/ca.pem\ncertfile {authority}/broker.pem\nkeyfile {authority}/broker.key"
    broker = Mosquitto(tmp_path / "mosquitto", lines).start()
    yield broker
    broker.kill()


@pytest.mark.parametrize(("address", "form"), [("localhost", "pem"), ("127.0.0.1", "der")])
def test_tls(address, form, tls_mosquitto, authority, boards):
    values = config(tls_mosquitto.port, **QUICK)
    values["broker"] |= {"host": address, "ca_file": f"ca.{form}"}
    board = boards(values)
    shutil.copy(authority / f"ca.{form}", board.folder)
    host = Host(tls_mosquitto.port, ca_certs=str(authority / "ca.pem"))
    try:
        board.start()
        wait_for(lambda: len(host.packs) >= 3, what="packs over TLS")
        wait_for(lambda: not list((board.folder / "backlog").iterdir()), what="receipts over TLS")
    finally:
        host.stop()


def test_tls_refuses_a_broker_of_another_authority(tls_mosquitto, authority, boards):
    values = config(tls_mosquitto.port, **QUICK)
    values["broker"] |= {"host": "localhost", "ca_file": "stranger.pem"}
    board = boards(values)
    shutil.copy(authority / "stranger.pem", board.folder)
    host = Host(tls_mosquitto.port, ca_certs=str(authority / "ca.pem"))
    try:
        board.start()
        wait_for(lambda: "trying again" in board.output(), what="the refusal")
        assert "connected to" not in board.output() and not host.packs and board.running()
    finally:
        host.stop()


def test_names_are_looked_up_without_blocking(tmp_path):
    """Against a name server of the test's own that leaves the first question unanswered."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server:
        server.bind(("127.0.0.1", 0))
        server.settimeout(30)

        def answer():
            server.recvfrom(512)
            asked, sender = server.recvfrom(512)
            head = asked[:2] + bytes.fromhex("8180 0001 0001 0000 0000")
            server.sendto(head + asked[12:] + bytes.fromhex("C00C 0001 0001 00000e10 0004 C0000207"), sender)

        threading.Thread(target=answer, daemon=True).start()
        said = run_micropython(
            "import asyncio, json, link\n"
            "from station import settings\nfrom station.backlog import Backlog\nfrom station.clock import Clock\n"
            "import time\n"
            f"link.OWN_LOOKUP, link.DNS_PORT = True, {server.getsockname()[1]}\n"
            f"found, _ = settings.read(json.dumps({config(1)!r}))\n"
            "clock = Clock(time.ticks_ms, time.ticks_diff)\n"
            "it = link.Link(found, Backlog('b', 1, clock, 'b/'), clock, 1, lambda: None, '')\n"
            "turns = [0]\n"
            "async def count():\n    while True:\n        turns[0] += 1\n        await asyncio.sleep_ms(50)\n"
            "async def main():\n"
            "    asyncio.create_task(count())\n"
            "    print(await it._resolve('broker.example'), turns[0])\n"
            "asyncio.run(main())\n",
            tmp_path,
            path=(FAKES,),
        )
        address, turns = said.split()
        assert address == "192.0.2.7" and int(turns) >= 10, "others ran while it waited"


def test_a_firmware_on_trial_that_takes_the_settings_for_wrong_gives_way_to_the_one_before(tmp_path):
    board = Board(tmp_path / "board", config(1, sample_s="often"))
    (board.folder / "b").mkdir()
    shutil.copy(board.folder / "program.py", board.folder / "b")
    state = board.folder / "firmware.json"
    state.write_text('{"run": "b", "before": "", "boots": 0}')
    board.start()
    try:
        wait_for(lambda: not board.running(), what="the end of the trial")
        told = json.loads(state.read_text())
        assert told["run"] == "" and "sample_s" in told["failed"]
    finally:
        board.kill()


def test_a_day_in_a_small_heap_does_not_grow(tmp_path):
    """128 KiB of 64-bit objects: about half of that on a board. Twelve of the hours are an outage."""
    said = run_micropython(
        "import gc, json, outage\n"
        "gc.threshold(8192)\n"
        "def host(payload):\n    return True\n"
        "garden = outage.Garden('flash', step_ms=250)\n"
        "hours, peak = [], 0\n"
        "for hour in range(1, 25):\n"
        "    away = 6 <= hour < 18\n"
        "    for part in range(20):\n"
        "        garden.run((hour - 1) * 3_600_000 + (part + 1) * 180_000, None if away else host)\n"
        "        peak = max(peak, gc.mem_alloc())\n"
        "    gc.collect()\n"
        "    hours.append(gc.mem_alloc())\n"
        "print(json.dumps([hours, peak, garden.packs, garden.backlog.waiting(), garden.backlog.dropped]))\n",
        tmp_path,
        "-X",
        "heapsize=128k",
        path=(TESTS / "firmware",),
        timeout=180,
    )
    hours, peak, packs, waiting, dropped = json.loads(said)
    print(f"heap by the hour: {hours}; highest seen {peak} bytes of 131072; {packs} packs")
    assert (waiting, dropped) == (0, 0) and packs > 5_000
    assert hours[23] <= hours[1] + 4_096, "bytes in use after 24 h and after 2 h"
