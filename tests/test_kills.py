"""kill -9 of boards, broker and service at random moments: every pack that was sampled is in the store exactly once.

*Sampled* is a pack that the firmware's sampler closed and its backlog took, which with `flash_after_s` at 0 means that
it lies on flash. What each board closed and kept is traced on the board's own side, before anything is sent; a kill may
cost the one pack that was just being handed over, and what was not closed yet. First come the kills, drawn from a seed,
then peace, in which everything must arrive.
"""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections import Counter

import pytest

from barreltide.store import Store
from chain import SITE, FastBoard, FastClock, FastService
from conftest import Mosquitto
from firmware_board import ROM, config, scratchpad, wait_for
from test_notify import hooks  # noqa: F401
from test_rollups import spans_anew

SPEED = 50
SLOW_DISK_S = 0.1  # wide enough for a kill to fall between a commit and what comes before and after it
KILLS = {"board": 33, "broker": 11, "service": 11}
STATIONS = ("east", "west")
TRACED = """
import json
from station import backlog

taken = backlog.Backlog.add


def trace(*what):
    with open("trace.log", "a") as file:
        file.write(json.dumps(what) + "\\n")


def add(self, pack):
    trace("closed", pack)
    taken(self, pack)
    trace("kept", pack[:2])


backlog.Backlog.add = add
import main

main.main()
"""


class Yard:
    """Two boards, a broker and a service that can each be killed and begun anew, and a web hook that cannot."""

    def __init__(self, folder, broker: Mosquitto, hook, rng: random.Random) -> None:
        self.rng, self.broker, self.hook, self.clock = rng, broker, hook, FastClock(SPEED)
        beds = '[[bed]]\nname = "bed-2"\n' + "".join(f'[[station]]\nname = "{name}"\n' for name in STATIONS)
        site = f'{SITE}{beds}[broker]\nport = {broker.port}\n[notify]\nurls = ["{hook.url}"]\n'
        self.service = FastService(folder / "service", site, self.clock, SLOW_DISK_S)
        self.boards = {name: self._board(folder / name, name, number) for number, name in enumerate(STATIONS, 1)}

    def _board(self, folder, name: str, number: int) -> FastBoard:
        rhythm = {"sample_s": 1, "publish_s": 2, "temperature_s": 10, "flash_after_s": 0, "poll_ms": 100}
        floats = {f"bed-{number}": {"high": {"pin": 25}}}
        values = config(self.broker.port, station=name, beds=floats, sump=None, **rhythm)
        board = FastBoard(folder, values, self.clock, "traced.py")
        (folder / "traced.py").write_text(TRACED)
        return board

    def live(self, seconds: float) -> bool:
        """Let time pass; True, at once, when the service raises an alarm: it has a notice to send.

        Meters that show what cannot be, in turn, are what there is to be told about.
        """
        told = self.service.said().count(" raised: ")
        until = time.monotonic() + seconds
        while True:
            minute = int(self.clock.now() / 60)
            volts, celsius = 3.0 if minute % 10 < 4 else 12.6, 60.0 if minute % 10 in (5, 6, 7, 8) else 21.4
            for board in self.boards.values():
                board.world(one_wire={ROM: scratchpad(celsius)})
                board.world(pins={25: int(self.rng.random() < 0.5)})
                board.battery_v(volts)
            if self.service.said().count(" raised: ") > told:
                return True
            if time.monotonic() >= until:
                return False
            time.sleep(min(0.1, max(until - time.monotonic(), 0)))

    def strike(self, kind: str, at_once: bool = False) -> None:
        if kind == "board":
            board = self.boards[self.rng.choice(STATIONS)]
            assert board.running(), board.output()[-2000:]
            board.kill()
            self.live(self.rng.uniform(0, 0.2))
            board.start()
        elif kind == "broker":
            assert self.broker.process.poll() is None
            self.broker.kill()
            self.live(self.rng.uniform(0, 0.4))
            self.broker.start()
        else:
            if not at_once and self.rng.random() < 0.75:  # else wherever it is, its start included
                wait_for(lambda: "connected to the broker" in self.service.said(), 60, "the service to be connected")
                self.live(self.rng.uniform(0, 1.0))
            assert self.service.running(), self.service.said()[-2000:]
            self.service.kill()
            self.service.start()

    def kill(self) -> None:
        for part in (*self.boards.values(), self.service, self.broker):
            part.kill()

    # What is true, by the boards' own traces.

    def traced(self) -> tuple[dict, set]:
        """({(station, boot, seq): its readings} of all packs that were closed, those of them that were kept)."""
        closed, kept = {}, set()
        for name, board in self.boards.items():
            for line in board._text("trace.log").splitlines(keepends=True):
                if not line.endswith("\n"):
                    continue  # the kill came in mid-write
                what, (boot, seq, *rest) = json.loads(line)
                if what == "kept":
                    kept.add((name, boot, seq))
                else:
                    assert (name, boot, seq) not in closed
                    _, epoch_ms, readings = rest
                    closed[name, boot, seq] = frozenset((n, epoch_ms + at_ms, _round(v)) for at_ms, n, v in readings)
        return closed, kept

    # What is in the store.

    def rows(self, sql: str) -> list[tuple]:
        connection = sqlite3.connect(self.service.folder / "barreltide.db", timeout=30)
        try:
            return connection.execute(sql).fetchall()
        finally:
            connection.close()

    def stored(self) -> list[tuple]:
        return self.rows("SELECT station, boot, seq FROM arrivals WHERE kind = 'readings'")


def _round(value):
    return round(value, 4) if isinstance(value, float) else value


def _resolved(payload: list[dict]) -> tuple[tuple, frozenset]:
    """(station, boot, seq) and readings of an exported pack, taken apart without the service's help."""
    station, base_s = payload[0]["bn"].split("/")[1], payload[0]["bt"]
    readings = []
    for record in payload[2:]:
        value = next(record[label] for label in ("v", "vb", "vs") if label in record)
        readings.append((record["n"], round(1000 * (base_s + record.get("t", 0))), _round(value)))
    return (station, payload[0]["v"], payload[1]["v"]), frozenset(readings)


@pytest.mark.parametrize(
    ("seed", "persistence"),
    [
        pytest.param(1, "", id="a broker as shipped, that forgets"),
        pytest.param(2, "autosave_interval 1", id="a broker that comes back with what it knew a second before"),
    ],
)
def test_every_sampled_pack_is_stored_exactly_once(seed, persistence, tmp_path, hooks):  # noqa: F811
    rng = random.Random(seed)
    yard = Yard(tmp_path, Mosquitto(tmp_path / "mosquitto", persistence).start(), hooks(), rng)
    try:
        yard.service.start()
        for board in yard.boards.values():
            board.start()
        kinds = [kind for kind, count in KILLS.items() for _ in range(count)]
        rng.shuffle(kinds)
        for kind in kinds:
            if yard.live(min(rng.expovariate(1 / 0.3), 1.5)):
                time.sleep(rng.uniform(0, 1.0))  # somewhere on the notice's way
                yard.strike("service", at_once=True)
            yard.strike(kind)
        live_in_peace(yard)
        judge(yard)
    finally:
        yard.kill()


def live_in_peace(yard: Yard) -> None:
    """Until all that was kept when peace began, and all notices, have arrived."""
    for board in yard.boards.values():
        board.kill()
        board.start()  # so that none of them still waits a garden's minute before it tries the broker again
    wait_for(lambda: "connected to the broker" in yard.service.said(), 60, "the service to be connected")
    _, yard.required = yard.traced()
    wait_for(lambda: yard.required <= set(yard.stored()), 180, f"all of {len(yard.required)} packs")
    wait_for(lambda: not yard.rows("SELECT 1 FROM sendings WHERE state = 'waiting'"), 180, "the notices to be sent")
    for board in yard.boards.values():
        board.kill()
    assert yard.service.end() == 0


def judge(yard: Yard) -> None:
    closed, kept = yard.traced()
    stored, required = yard.stored(), yard.required
    assert yard.rows("PRAGMA integrity_check") == [("ok",)]
    assert max(Counter(stored).values()) == 1
    assert required <= set(stored) <= set(closed)
    boots = Counter((station, boot) for station, boot, _ in required)
    assert required == {(*boot, seq) for boot, count in boots.items() for seq in range(count)}, "no holes"
    lost = len(closed) - len(kept)
    print(f"{len(required)} packs of {len(boots)} boots, {lost} just being handed over")
    assert len(boots) > 15 and len(required) > 200 and lost <= KILLS["board"] + 2 * len(STATIONS)

    exported = [_resolved(line["payload"]) for line in yard.service.export()]
    assert Counter(pack for pack, _ in exported) == Counter(stored)
    assert dict(exported) == {pack: closed[pack] for pack in stored}, "nothing was changed on the way"
    series = "readings r JOIN series s ON s.id = r.series"
    rows = yard.rows(f"SELECT s.station, s.name, r.time_s, r.value FROM {series}")
    assert {(s, name, round(1000 * time_s), _round(value)) for s, name, time_s, value in rows} == {
        (pack[0], *reading) for pack in stored for reading in closed[pack]
    }
    store = Store(yard.service.folder / "barreltide.db")
    kept = {tuple(row[:3]): tuple(row[3:]) for row in store._rows("SELECT * FROM spans")}
    assert len(kept) > 10 and kept == spans_anew(store), "roll-ups as the readings give them"
    store.close()
    dropped = yard.rows(f"SELECT max(r.value) FROM {series} WHERE s.name LIKE '%dropped'")
    assert dropped == [(0,)] and yard.rows("SELECT count(*) FROM refused") == [(0,)]
    assert "Traceback" not in yard.service.log()

    judge_notices(yard)


def judge_notices(yard: Yard) -> None:
    """Every alarm has its notice, and every notice went out, alone or with others in one message, unless it was over
    before its turn came and asked nobody to act."""
    told: dict[str, set] = {}
    for message in yard.hook.got:
        told.setdefault(message["message"].rpartition("\n")[2], set()).add((message["title"], message["message"]))
    assert all(len(texts) == 1 for texts in told.values()), "the same number is the same notice"
    lines = [json.loads(body) for (body,) in yard.rows("SELECT body FROM events WHERE kind = 'alarm'")]
    raised = {f"{line['alarm']}-{line['subject']}-{line['time']:.0f}" for line in lines if line["change"] == "raised"}
    assert raised and raised == {
        notice for (notice,) in yard.rows("SELECT id FROM notices WHERE change = 'raised'")}  # fmt: skip
    assert yard.rows("SELECT count(*) FROM notices WHERE stage <> 'done'") == [(0,)]
    states = yard.rows(
        "SELECT s.notice, s.state, s.sent_s, n.priority FROM sendings s JOIN notices n ON n.id = s.notice"
        " ORDER BY n.rowid"
    )
    assert {notice for notice, *_ in states} >= raised
    assert all(state == "sent" or (state == "passed" and priority != "urgent") for _, state, _, priority in states)
    together: dict[float, list[str]] = {}
    for notice, state, sent_s, _ in states:
        if state == "sent":
            together.setdefault(sent_s, []).append(notice)
    assert list(together) == sorted(together), "in the order of their birth"
    for ids in together.values():
        assert (f"Notice {ids[0]}" if len(ids) == 1 else f"{len(ids)} notices up to {ids[-1]}") in told
    print(f"{len(raised)} raised, {len(states)} notices in {len(together)} messages, sent {len(yard.hook.got)} times")
