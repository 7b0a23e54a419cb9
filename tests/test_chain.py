"""From the float switch to the phone: everything between them is real, only the hardware and the water are not.

The real interpreter's firmware → a real mosquitto → `barreltide serve` → a web hook and a mail server. Nobody hands the
engine a pack: it learns the garden's cycles from what the firmware sampled, by a clock that is faster than life.
"""

from __future__ import annotations

import itertools
import json
import time

import paho.mqtt.client as paho
import pytest

from barreltide.store import Store
from chain import SITE, FastBoard, FastClock, FastService
from conftest import Mosquitto
from firmware_board import config, wait_for
from test_notify import hooks, mail  # noqa: F401

PERIOD_S = 180.0  # the shortest that the engine is made for


class Bed:
    """Water by the clock: a pump fills the bed to its standpipe, a siphon then drains it to its snorkel, faster."""

    STANDPIPE_M, SNORKEL_M, HIGH_M, LOW_M = 0.30, 0.04, 0.20, 0.08
    FILL_S, DRAIN_S = 0.6 * PERIOD_S, 0.4 * PERIOD_S
    PUMPING_V, RESTING_V = 12.60, 12.67  # 2 A through 35 mOhm of battery and leads

    def __init__(self, clock: FastClock, board: FastBoard) -> None:
        self.clock, self.board = clock, board
        self.level_m, self.draining, self.pumping = 0.10, False, True
        self.stopped_s: float | None = None
        self.falls: list[float] = []
        self._now_s, self._shown = clock.now(), None
        self.flow()

    def stop_pump(self) -> None:
        self.pumping, self.stopped_s = False, self.clock.now()

    def flow(self) -> None:
        """Let the water do what it did since the last call, and show it to the board."""
        now_s, reach_m = self.clock.now(), self.STANDPIPE_M - self.SNORKEL_M
        fill_m_s, siphon_m_s = reach_m / self.FILL_S, reach_m / self.DRAIN_S + reach_m / self.FILL_S
        while self._now_s < now_s:
            step_s = min(1.0, now_s - self._now_s)
            self._now_s += step_s
            before_m = self.level_m
            self.level_m += step_s * (fill_m_s * self.pumping - siphon_m_s * self.draining)
            if before_m >= self.HIGH_M > self.level_m:
                self.falls.append(self._now_s)
            self.draining = self.level_m > self.SNORKEL_M if self.draining else self.level_m >= self.STANDPIPE_M
        volts = self.PUMPING_V if self.pumping else self.RESTING_V
        shown = (int(self.level_m < self.HIGH_M), int(self.level_m < self.LOW_M), volts)
        if shown != self._shown:
            self._shown = shown
            self.board.world(pins={25: shown[0], 26: shown[1]})
            self.board.battery_v(volts)


@pytest.fixture
def chain(tmp_path, mosquitto, hooks, mail):  # noqa: F811
    """(bed, service, hook, mailbox) of a running garden, `chain(speed)` times as fast as life."""
    made = []

    def make(speed: int):
        clock, hook = FastClock(speed), hooks()
        site = f'[broker]\nport = {mosquitto.port}\n[notify]\nurls = ["{hook.url}", "{mail.url}"]\n'
        service = FastService(tmp_path / "service", SITE + '[[station]]\nname = "barrels"\n' + site, clock).start()
        made.append(service)
        wait_for(lambda: "connected to the broker" in service.said(), 60, "the service to be connected")
        board = FastBoard(tmp_path / "board", config(mosquitto.port), clock)
        bed = Bed(clock, board)
        made.append(board.start())
        return bed, service, hook, mail

    yield make
    for part in made:
        part.kill()


def run(bed: Bed, condition, what: str, garden_s: float) -> None:
    """Let the water flow until condition() holds, at most so long by the garden's clock."""
    give_up_s = bed.clock.now() + garden_s
    while not condition():
        assert bed.clock.now() < give_up_s, f"{what} did not come within {garden_s:g} s of the garden's time"
        bed.flow()
        time.sleep(0.01)


def text_of(letter) -> str:
    return f"{letter['subject']}\n{letter.get_content()}".replace("\r", "")


def events(service: FastService, kind: str) -> list[dict]:
    store = Store(service.folder / "barreltide.db")
    try:
        return store.events(kind, newest_first=False)
    finally:
        store.close()


def cycles(service: FastService) -> list[float]:
    return [line["time"] for line in events(service, "cycle")]


def test_a_pump_that_stops_at_night_reaches_phone_and_mailbox(chain):
    bed, service, hook, mail = chain(30)
    run(bed, lambda: len(bed.falls) >= 4, "four cycles", 6 * PERIOD_S)
    run(bed, lambda: bed.level_m > 0.12 and not bed.draining, "a bed that fills", PERIOD_S)
    assert hook.got == [] and mail.got == [], "all was well so far"
    bed.stop_pump()
    run(bed, lambda: hook.got and mail.got, "the notice on both channels", 1200 + 20 * bed.clock.speed)
    (told,) = hook.got
    number = told["message"].rpartition("\nNotice ")[2]
    (raised,) = events(service, "alarm")
    assert number == f"pump-stopped-pump-{raised['time']:.0f}"
    assert raised["since"] == pytest.approx(bed.stopped_s, abs=30)  # a mean of the voltage takes 20 s
    assert told["title"].startswith("garden: Go now. The pump 'pump' has stopped") and told["type"] == "failure"
    assert [number in text_of(letter) and "What to do: Go and look" in text_of(letter) for letter in mail.got] == [True]
    # What the engine had counted by then is what the water had done, to within the float's debouncing and our haste.
    assert cycles(service) == pytest.approx(bed.falls, abs=6)
    assert service.end() == 0


def test_a_board_that_dies_is_a_silent_station_and_no_stopped_pump(chain):
    bed, service, hook, mail = chain(60)
    run(bed, lambda: len(cycles(service)) >= 3, "three counted cycles", 6 * PERIOD_S + 20 * bed.clock.speed)
    bed.board.kill()
    killed_s = bed.clock.now()
    wait_for(lambda: hook.got and mail.got, 60, "the notice on both channels")
    assert bed.clock.now() - killed_s > 400, "not before its time: a station may miss some packs"
    time.sleep(3 * PERIOD_S / bed.clock.speed)
    numbers = [told["message"].rpartition("\nNotice ")[2] for told in hook.got]
    assert [number.rpartition("-")[0] for number in numbers] == ["station-silent-barrels"]
    assert [numbers[0] in text_of(letter) for letter in mail.got] == [True]
    assert service.end() == 0


# What does not belong, at the door of one service that runs through it all.


class Door:
    """A running service and a client that may publish anything to its broker."""

    def __init__(self, folder) -> None:
        self.broker = Mosquitto(folder / "mosquitto").start()
        site = f'{SITE}[[station]]\nname = "barrels"\n[broker]\nport = {self.broker.port}\n'
        self.service = FastService(folder / "service", site).start()
        self.seqs = itertools.count()
        self.receipted: set[tuple[int, int]] = set()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe("barreltide/garden/+/receipt", 1)
        self.client.on_message = self._receipt
        self.client.connect("127.0.0.1", self.broker.port)
        self.client.loop_start()
        wait_for(lambda: self.service.health()["broker"]["connected"], 60, "the service to be connected")

    def _receipt(self, client, _, message) -> None:
        receipt = json.loads(message.payload)
        self.receipted |= {(receipt["boot"], seq) for seq in receipt["seq"]}

    def send(self, topic: str, payload: bytes) -> None:
        self.client.publish(f"barreltide/garden/{topic}", payload, qos=1).wait_for_publish(30)

    def send_good(self) -> tuple[int, int]:
        seq = next(self.seqs)
        self.send("barrels/readings", pack(1, seq, {"n": "battery/voltage", "u": "V", "v": 12.6}))
        return 1, seq

    def close(self) -> None:
        self.client.loop_stop()
        self.service.kill()
        self.broker.kill()


def pack(boot, seq, *records, **base) -> bytes:
    head = [{"bn": "garden/barrels/", "n": "station/boot", "v": boot} | base, {"n": "station/seq", "v": seq}]
    return json.dumps([*head, *records]).encode()


def volts(**changes) -> dict:
    return {"n": "battery/voltage", "u": "V", "v": 12.6} | changes


@pytest.fixture(scope="module")
def door(tmp_path_factory):
    door = Door(tmp_path_factory.mktemp("door"))
    yield door
    door.close()


BARRELS = "barrels/readings"
BAD = {
    "no JSON": (BARRELS, b"[{", "no JSON: "),
    "nothing at all": (BARRELS, b"", "no JSON: "),
    "no text": (BARRELS, b"\xff\xfe\x00", "no JSON: "),
    "too deep": (BARRELS, b"[" * 60_000, "no JSON: "),
    "NaN": (BARRELS, pack(2, 1, volts(v=float("nan"))), "record 3: v is nan; a finite number would do"),
    "infinity": (BARRELS, pack(2, 2, volts(v=float("-inf"))), "record 3: v is -inf; a finite number would do"),
    "out of range": (BARRELS, pack(2, 3).replace(b"}]", b'}, {"n": "a", "v": 1e999}]'), "record 3: v is inf; a finite"),
    "a number as text": (BARRELS, pack(2, 4, volts(v="12.6")), "record 3: v is '12.6'; a number would do"),
    "a float switch as a number": (BARRELS, pack(2, 5, {"n": "bed-1/high", "v": 1}), "bed-1/high is 1.0; vb"),
    "volts as true": (BARRELS, pack(2, 6, {"n": "battery/voltage", "vb": True}), "battery/voltage is True; v, a"),
    "another unit": (BARRELS, pack(2, 7, volts(u="mV", v=12600)), "battery/voltage is in 'mV'; V would do"),
    "no array": (BARRELS, b'{"n": "battery/voltage", "v": 12.6}', "a JSON array of records would do"),
    "no records": (BARRELS, b"[]", "no records; 1 to "),
    "no identity": (BARRELS, b'[{"n": "garden/barrels/a", "v": 1}]', "no station/boot; a pack"),
    "half a seq": (BARRELS, pack(2, 8.5, volts()), "station/seq is 8.5; a whole number"),
    "another's name": (BARRELS, pack(2, 9, volts(), bn="garden/shed/"), "does not start with 'garden/barrels/'"),
    "a strange name": (BARRELS, pack(2, 10, volts(n="bed 1/high")), "record 3: name 'garden/barrels/bed 1/high'"),
    "just too big": (BARRELS, pack(2, 11, volts(n="note", vs="x" * 65_536)), " bytes; at most 65,536 would do"),
    "huge": (BARRELS, bytes(3_000_000), "3,000,000 bytes; at most 65,536 would do"),
    "too many records": (BARRELS, b"[" + b"{}," * 4_096 + b"{}]", "4097 records; 1 to 4096 would do"),
    # RFC 8428, 4.5.3: what is below 2^28 counts from now, so the first moments that can be of old are of July 1978.
    "1978": (BARRELS, pack(2, 12, volts(), bt=2**28), "battery/voltage is of 1978-07-04T21:24:16Z, but"),
    "1970, which is a day from now": (BARRELS, pack(2, 13, volts(), bt=86_400), "at most 60 days before or 1 h after"),
    "2100": (BARRELS, pack(2, 14, volts(), bt=4_102_444_800), "battery/voltage is of 2100-01-01T00:00:00Z, but"),
    "beyond all calendars": (BARRELS, pack(2, 15, volts(), bt=1e300), "battery/voltage is of 1e+300 s, but"),
    "a station that nobody named": ("shed/readings", pack(2, 16), "station 'shed' is not in the site file"),
    "a station that cannot be": ("SHED/readings", pack(2, 17), "topic 'barreltide/garden/SHED/readings' is none of"),
    "a presence that is none": ("barrels/presence", b"hello", "presence is no JSON: b'hello'"),
    "a presence that says nothing": ("barrels/presence", b'{"online": 1}', "presence is {'online': 1}; "),
}
# seqs of boot 2: read so far that the station can be told to let go
ASIDE_WITH_A_NAME = {1, 2, 3, 4, 5, 6, 7, 10, 12, 13, 14, 15}


@pytest.mark.xdist_group("door")
@pytest.mark.parametrize("name", BAD)
def test_what_is_wrong_is_refused_with_one_reason_and_what_is_good_is_kept(name, door):
    topic, payload, reason = BAD[name]
    store = Store(door.service.folder / "barreltide.db")
    before, said = store.counts(), door.service.log()
    good = {door.send_good()}
    door.send(topic, payload)
    good.add(door.send_good())
    wait_for(lambda: good <= door.receipted, what="the receipts of what is good")
    wait_for(lambda: store.counts()["refused"] == before["refused"] + 1, what="the refusal")
    newest, counts = store.refusals(1)[0], store.counts()
    store.close()
    assert reason in newest["reason"] and "\n" not in newest["reason"] and len(newest["reason"]) < 300
    assert newest["topic"] == f"barreltide/garden/{topic}"
    assert counts["packs"] == before["packs"] + 2
    lines = door.service.log()[len(said) :].splitlines()
    assert lines == [f"barreltide: refused a message on {newest['topic']}: {newest['reason']}"]
    assert door.service.running() and door.service.health()["status"] == "ok"


@pytest.mark.xdist_group("door")
def test_what_is_aside_with_a_name_may_be_forgotten(door):
    for topic, payload, _ in BAD.values():
        door.send(topic, payload)
    good = door.send_good()
    wait_for(lambda: good in door.receipted, what="the receipt of what is good")
    wait_for(lambda: {seq for boot, seq in door.receipted if boot == 2} == ASIDE_WITH_A_NAME, what="their receipts")


@pytest.mark.xdist_group("door")
def test_strange_but_no_fault(door):
    """Unknown names are kept and shown; a topic that is not ours is none of our business; one name, one pack."""
    store = Store(door.service.folder / "barreltide.db")
    refused = store.counts()["refused"]
    door.send(BARRELS, pack(3, 0, {"n": "hen-house/eggs", "u": "count", "v": 4}, {"n": "hen-house/mood", "vs": "calm"}))
    door.send(BARRELS, pack(3, 0, volts(v=1.0)))
    for topic in ("barrels/readings/more", "barrels/receipt", "alarms", "barrels"):
        door.send(topic, b"nonsense" if topic != "barrels/receipt" else b'{"boot": 9, "seq": []}')
    good = door.send_good()
    wait_for(lambda: good in door.receipted and (3, 0) in door.receipted, what="the receipts")
    kept = {row["name"]: row["value"] for row in store.latest_readings()}
    assert (kept["hen-house/eggs"], kept["hen-house/mood"], kept["battery/voltage"]) == (4, "calm", 12.6)
    assert store.counts()["refused"] == refused
    assert sum(arrival.boot == 3 for arrival in store.arrivals()) == 1
    store.close()
    assert door.service.running() and "Traceback" not in door.service.log()
