"""Lamp and buzzer under the real interpreter and a real broker: the host's word, and the station's own without it."""

from __future__ import annotations

import json

import paho.mqtt.client as paho
import pytest

from chain import FastBoard, FastClock
from conftest import Mosquitto
from firmware_board import Board, config, wait_for

LAMP, BUZZER = 12, 13
OUTPUTS = {"lamp": {"pin": LAMP}, "buzzer": {"pin": BUZZER, "on": 0}}
URGENT = {"alarm": "pump-stopped", "subject": "pump", "priority": "urgent", "message": "x" * 600}
ALARMS = "barreltide/garden/alarms"


@pytest.fixture
def host(mosquitto):
    host = paho.Client(paho.CallbackAPIVersion.VERSION2)
    host.connect("127.0.0.1", mosquitto.port)
    host.loop_start()
    yield host
    host.loop_stop()


@pytest.fixture
def boards():
    made = []
    yield lambda board: made.append(board) or board
    for board in made:
        board.kill()


def tell(host, *alarms: dict) -> None:
    host.publish(ALARMS, json.dumps(alarms), 1, retain=True).wait_for_publish(10)


def count(board, pin: int, level: int) -> int:
    return board.events().count(f"pin {pin} = {level}")


def test_they_follow_the_host_and_go_out(mosquitto, host, boards, tmp_path):
    tell(host, URGENT, *[URGENT | {"priority": "soon"}] * 12)  # more than the board reads of a message
    board = boards(Board(tmp_path / "board", config(mosquitto.port, **OUTPUTS))).start()
    wait_for(lambda: count(board, LAMP, 1) > 3 and count(board, BUZZER, 0) >= 3, what="lamp and buzzer")
    assert board.events().index(f"pin {BUZZER} = 1") < board.events().index(f"pin {BUZZER} = 0"), "off at first"
    tell(host, URGENT | {"state": "acknowledged"})
    before = count(board, BUZZER, 0)
    seen = count(board, LAMP, 1)
    wait_for(lambda: count(board, LAMP, 1) > seen + 25, what="the lamp, for longer than beeps are apart")
    assert count(board, BUZZER, 0) <= before + 1
    host.publish(ALARMS, b"nonsense", 1).wait_for_publish(10)
    tell(host)
    wait_for(lambda: "alarms that cannot be read are left unused" in board.output(), what="the complaint")
    wait_for(lambda: count(board, LAMP, 0) == count(board, LAMP, 1) + 1, what="the lamp to go out")
    assert board.running() and "Traceback" not in board.output()


def test_a_broker_that_keeps_the_alarms_from_a_station_still_takes_its_packs(boards, tmp_path):
    rules = tmp_path / "acl"
    rules.write_text("topic readwrite barreltide/garden/barrels/#\n")
    rules.chmod(0o644)
    broker = Mosquitto(tmp_path / "strict", f"acl_file {rules}").start()
    try:
        board = boards(Board(tmp_path / "board", config(broker.port, **OUTPUTS))).start()
        wait_for(lambda: "connected to" in board.output(), what="the connection")
        wait_for(lambda: "feed" in board.events(), what="a second of life")
        assert board.output().count("connected to") == 1 and "trying again" not in board.output()
    finally:
        broker.kill()


def test_it_sounds_by_itself_when_the_host_is_gone_and_no_water_moves(mosquitto, boards, tmp_path):
    clock = FastClock(30)
    values = config(mosquitto.port, **OUTPUTS, host_silent_s=120, still_s=600, flash_after_s=600)
    board = boards(FastBoard(tmp_path / "board", values, clock)).start()  # a broker, but no host behind it
    wet, began_s = 0, clock.now()
    while clock.now() < began_s + 900:  # water moves for a quarter of an hour
        wet = 1 - wet
        board.world(pins={25: wet})
        wait_for(lambda until_s=clock.now() + 100: clock.now() > until_s, what="half a cycle")
        assert count(board, BUZZER, 0) == 0, "no word of its own while water moves"
    assert count(board, LAMP, 1) > 0, "though it shows that the host is silent"
    wait_for(lambda: count(board, BUZZER, 0) > 3, 60, "its own alarm")
    board.world(pins={25: 1 - wet})
    wait_for(lambda: board.events()[-1] == f"pin {BUZZER} = 1" or count(board, BUZZER, 0) > 0, what="quiet")
    heard_s, before = clock.now(), count(board, BUZZER, 0)
    wait_for(lambda: clock.now() > heard_s + 200, what="some minutes")
    assert count(board, BUZZER, 0) <= before + 3, "it ended with the float's movement"
