"""A second host that follows the garden's broker: stores, judges, sends no receipt, and tells when all goes dark."""

from __future__ import annotations

import json
import time

import pytest

from barreltide.core.event import AlarmChanged
from barreltide.mqtt import Intake
from barreltide.pack import Topics
from barreltide.site import load
from barreltide.store import Store
from chain import LEAST, SITE, FastClock, FastService
from conftest import Mosquitto
from firmware_board import wait_for
from test_mqtt import Peer
from test_notify import hooks  # noqa: F401
from test_service import START_S, Bench, payload, standin  # noqa: F401

SPEED = 120
STATION = '[[station]]\nname = "barrels"\n'


@pytest.fixture
def pair(tmp_path, hooks):  # noqa: F811
    """(broker, host, follower, the follower's hook, clock)"""
    broker, clock, hook = Mosquitto(tmp_path / "mosquitto").start(), FastClock(SPEED), hooks()
    site = SITE + STATION + f"[broker]\nport = {broker.port}\n"
    host = FastService(tmp_path / "garden", site, clock).start()
    follower = FastService(
        tmp_path / "home",
        f'{site}follow = true\nusername = "home"\n[notify]\nurls = ["{hook.url}"]\nalarms = ["station-silent"]\n',
        clock,
    ).start()
    for service in (host, follower):
        wait_for(lambda service=service: "connected to the broker" in service.said(), 60, "a service to be connected")
    yield broker, host, follower, hook, clock
    for part in (host, follower, broker):
        part.kill()


def test_a_follower_judges_too_sends_no_receipt_and_tells_when_the_garden_goes_dark(pair):
    broker, host, follower, hook, clock = pair
    station = Peer(broker.port, "barreltide/garden/barrels/receipt", "barreltide/garden/alarms")
    for seq in range(20):
        head = {"bn": "garden/barrels/", "bt": clock.now(), "n": "station/boot", "v": 7}
        pack = [head, {"n": "station/seq", "v": seq}, {"n": "battery/voltage", "v": 12.6}]
        station.send("barreltide/garden/barrels/readings", json.dumps(pack).encode())
        time.sleep(15 / SPEED)
    stored = [lambda service=service: packs(service) == list(range(20)) for service in (host, follower)]
    for condition in stored:
        wait_for(condition, 60, "all packs in both stores")
    time.sleep(1.0)  # long enough for a second receipt
    receipts = [seq for message in station.heard if message.topic.endswith("receipt")
                for seq in json.loads(message.payload)["seq"]]  # fmt: skip
    assert sorted(receipts) == list(range(20)), "each once, and so from one of the two"
    assert len([message for message in station.heard if message.topic.endswith("alarms")]) == 1, "the host's alone"
    station.close()
    assert hook.got == []
    broker.kill()
    wait_for(lambda: hook.got, 60, "the word that the garden has gone dark")
    (told,) = hook.got
    assert "barrels" in told["title"] and f"No broker answers at 127.0.0.1:{broker.port}" in told["message"]
    assert follower.end() == 0 and host.end() == 0


def packs(service: FastService) -> list[int]:
    store = Store(service.folder / "barreltide.db")
    try:
        return sorted(arrival.seq for arrival in store.arrivals())
    finally:
        store.close()


def test_a_follower_publishes_nothing_however_it_is_asked_to(tmp_path, mosquitto):
    """Beside a host that does, so that the silence is the follower's."""
    (tmp_path / "host.toml").write_text(LEAST + f"[broker]\nport = {mosquitto.port}\n")
    (tmp_path / "home.toml").write_text(LEAST + f"[broker]\nport = {mosquitto.port}\nfollow = true\n")
    peer = Peer(mosquitto.port, "barreltide/garden/barrels/receipt", "barreltide/garden/alarms")
    for number, name in enumerate(("home", "host")):
        site = load(tmp_path / f"{name}.toml")
        intake = Intake(site, Topics.of_site(site))
        intake.start()
        wait_for(lambda intake=intake: intake.connected, 60, "the connection")
        intake.tell_alarms([{"alarm": name}])
        intake.receipts({("barrels", number): [1]})
        if name == "host":
            wait_for(lambda: len(peer.heard) >= 2, 60, "the host's word")
        intake.stop()
    peer.close()
    assert sorted(message.payload for message in peer.heard) == [b'[{"alarm": "host"}]', b'{"boot": 1, "seq": [1]}']


def test_only_the_alarms_that_are_named_are_told(tmp_path, standin):  # noqa: F811
    settings = (('alarms = ["station-silent"]', 0), ('alarms = ["pump-stopped"]', 1), ("", 1))
    for number, (names, told) in enumerate(settings):
        bench = Bench(tmp_path / str(number), f"[notify]\n{names}\n")
        bench.arrive(payload(0, {"n": "test/alarm", "vs": "raise"}))
        assert (len(bench.events("alarm")), bench.store.counts()["notices"]) == (1, told)
        bench.store.close()


def test_a_silent_station_is_told_with_what_is_known_of_the_broker(tmp_path, standin):  # noqa: F811
    bench = Bench(tmp_path)
    silent = AlarmChanged(START_S, START_S, "station-silent", "barrels", "raised", "urgent", "It is silent.")
    assert "broker" not in bench.writer._notice(1, silent, {}).body
    bench.intake.problems = ["no broker answers at 127.0.0.1:1"]
    assert bench.writer._notice(1, silent, {}).body.endswith("No broker answers at 127.0.0.1:1.")
    bench.store.close()
