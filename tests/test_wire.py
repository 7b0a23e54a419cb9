"""Wired stations: lines over USB, from the real interpreter's firmware to the store, over an ill-treated cable."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from station import line

from barreltide import serial_port, wire
from barreltide.pack import Topics
from chain import SITE, FastClock, FastService
from conftest import free_port, until
from firmware_board import FAKES, ROM, run_micropython, scratchpad
from test_kills import TRACED, _resolved, _round
from usb_board import UsbBoard, boards, wired  # noqa: F401

QUICK = {"sample_s": 1, "publish_s": 2}
KINDS = st.sampled_from(["hello", "readings", "receipt", "time"])
BODIES = st.dictionaries(st.sampled_from("abc"), st.one_of(st.integers(), st.text(max_size=30), st.booleans()))
NOISE = st.one_of(
    st.binary(max_size=60).map(lambda data: data.replace(b"\n", b"")),
    st.sampled_from(
        [b">>> ", b"barreltide: no time", b"@", b"@hello", b"@hello 00000000 {}", b"@a b c\r", b"\xff" * 9]
    ),
)


@pytest.mark.parametrize("reader", [wire.Lines, lambda: line.Lines(wire.LONGEST)], ids=["host", "board"])
@pytest.mark.parametrize("writer", [wire.line_of, lambda k, b: line.line_of(k, json.dumps(b))], ids=["host", "board"])
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_lines_come_whole_through_noise_half_lines_and_any_cut(writer, reader, data):
    """Noise and halves stand before and after lines, as prints and pulled plugs leave them; none is inside a line."""
    sent, stream = [], b""
    for kind, body in data.draw(st.lists(st.tuples(KINDS, BODIES), max_size=6)):
        whole = writer(kind, body)
        stream += data.draw(NOISE)
        stream += whole[: data.draw(st.integers(0, len(whole) - 2))]  # a half; its end is missing
        stream += whole
        sent.append((kind, body))
    stream += data.draw(NOISE)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=20)))
    lines, heard = reader(), []
    for start, end in zip([0, *cuts], [*cuts, len(stream)]):
        heard += [(kind, json.loads(body)) for kind, body in lines.feed(stream[start:end])]
    assert heard == sent


@settings(max_examples=150, deadline=None)
@given(body=BODIES, at=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_a_line_with_a_wrong_bit_is_none(body, at, bit):
    """CRC-32 finds each single wrong bit, in the kind, in itself and in the body."""
    spoiled = bytearray(wire.line_of("receipt", body))
    spoiled[1 + at % (len(spoiled) - 2)] ^= 1 << bit
    for lines in (wire.Lines(), line.Lines(1000)):
        assert list(lines.feed(bytes(spoiled) + b"\n")) == []


def test_a_line_without_end_costs_a_bounded_memory_and_no_line_after_it():
    for lines, longest in ((wire.Lines(), wire.LONGEST), (line.Lines(1024), 1024)):
        for _ in range(300):
            assert list(lines.feed(b"@readings 00000000 " + b"x" * 1000)) == []
            assert len(lines._rest) <= longest
        assert list(lines.feed(b"\n" + wire.line_of("hello", {}))) == [("hello", b"{}")]


# The board's half, alone.


class Talk:
    """This computer's end of a cable, by hand."""

    def __init__(self, device: str) -> None:
        self.port = serial_port.open_port(device, 0, 2.0)
        self.lines, self.heard = wire.Lines(), []

    def listen(self) -> list[tuple[str, object]]:
        new = [(kind, json.loads(body)) for kind, body in self.lines.feed(self.port.read(65536))]
        self.heard += new
        return new

    def hello(self) -> dict:
        return until(lambda: next((told for kind, told in self.listen() if kind == "hello"), None), "a hello")

    def answer(self, told: dict, unix_s: float) -> None:
        self.port.write(wire.line_of("time", {"ms": told["ms"], "unix_ms": round(unix_s * 1000)}))

    def packs(self) -> list[list[dict]]:
        self.listen()
        return [told for kind, told in self.heard if kind == "readings"]


def test_the_time_comes_by_the_line_and_dates_what_was_sampled_before(boards):
    """A board's clock, unset at its start and wrapping; no host for a while; answers that came late, or to nothing."""
    values = wired(**QUICK, debounce_s=0.5, lamp={"pin": 12})
    board = boards(board_time=True, ticks=(1 << 30) - 2_000).give_firmware(values).power_on()
    began_s = time.time()
    time.sleep(1.5)
    board.world(pins={25: 0})
    changed_s = time.time()
    time.sleep(1)
    talk = Talk(board.device)
    old = talk.hello()
    assert old["alarms"] is True
    talk.hello()
    talk.answer(old, began_s - 86_400)  # to a question before the last
    talk.answer({"ms": 7}, began_s - 86_400)
    talk.port.write(b"@time 00000000 {}\n@receipt\n\xff\xfe" + wire.line_of("receipt", {"boot": None}) + b"\n@ti")
    told = talk.hello()
    assert talk.packs() == [], "before the time is known nothing is sent"
    talk.answer(told, time.time())
    packs = until(lambda: len(talk.packs()) >= 3 and talk.packs(), "packs")
    assert all(248e6 < pack[0]["bt"] for pack in packs)
    voltages = [pack[0]["bt"] + r.get("t", 0) for pack in packs for r in pack if r["n"] == "battery/voltage"]
    assert began_s < voltages[0] < began_s + 3 and voltages == sorted(voltages)
    (rose_s,) = [
        pack[0]["bt"] + r.get("t", 0) for pack in packs for r in pack if r["n"] == "bed-1/high" and r.get("vb")
    ][:1]
    assert rose_s == pytest.approx(changed_s, abs=0.7)
    talk.port.write(wire.line_of("alarms", [{"priority": "urgent", "state": "unacknowledged"}]))
    until(lambda: "pin 12 = 1" in board.events(), "the lamp")
    for pack in talk.packs():
        talk.port.write(wire.line_of("receipt", {"boot": pack[0]["v"], "seq": [pack[1]["v"]]}))
    until(lambda: len(talk.packs()) >= 5, "more packs")
    assert all(abs(pack[0]["bt"] - time.time()) < 60 for pack in talk.packs())
    talk.port.close()


def test_an_answer_that_lay_on_the_way_is_no_time(tmp_path):
    """Half of a short way is allowed for; a small difference is left alone, so that the clock does not tremble."""
    said = run_micropython(
        "import json, time, wire\n"
        "from station import settings\nfrom station.clock import Clock\n"
        "class Backlog:\n    def reconnected(self):\n        pass\n"
        "now = [0]\nclock = Clock(lambda: now[0], lambda later, earlier: later - earlier)\n"
        "found, _ = settings.read(json.dumps({'site': 'a', 'station': 'b', 'wired': True}))\n"
        "it = wire.Wire(found, Backlog(), clock, 1, lambda: None, '')\n"
        "for asked, answered, unix_ms in ((10, 2011, 5000000), (3000, 3400, 9000000), (9000, 9100, 9005500),\n"
        "                                 (9200, 9300, 9006900), (9400, 9500, '7')):\n"
        "    now[0] = answered\n"
        "    it._asked_ms = asked\n"
        "    it._take('time', json.dumps({'ms': asked, 'unix_ms': unix_ms}))\n"
        "    print(it.connected, clock.epoch_ms(answered))\n",
        tmp_path,
        path=(FAKES,),
    ).replace("barreltide: connected to the host over USB\n", "")
    assert said.splitlines() == ["False None", "True 9000200", "True 9005900", "True 9006950", "True 9007150"]


# Board and service.


def test_every_sampled_pack_is_stored_once_whatever_becomes_of_the_cable(tmp_path, boards):
    """Plugs pulled, lines cut, bytes made of nothing, Ctrl-C among them; kill -9 of service and board; then peace.

    No broker runs: a wired station needs none.
    """
    rng, clock = random.Random(7), FastClock(12)
    board = boards(clock=clock)
    rhythm = {"sample_s": 1, "publish_s": 2, "flash_after_s": 0, "poll_ms": 100, "watchdog_s": 2}
    board.give_firmware(wired(**rhythm, sump=None))
    (board.folder / "traced.py").write_text(TRACED)
    board.program = "traced.py"
    site = f'{SITE}[broker]\nport = {free_port()}\n[[station]]\nname = "barrels"\nusb = "{board.device}"\n'
    service = FastService(tmp_path / "service", site, clock, 0.05).start()
    board.power_on()
    noise, spoiled = [0.0], [0]

    def garble(data: bytes, direction: bytes) -> bytes:
        if rng.random() >= noise[0]:
            return data
        spoiled[0] += 1
        at = rng.randrange(len(data) + 1)
        return data[:at] + rng.randbytes(rng.randrange(12)) + data[at + rng.randrange(4) :]

    board.cable.garble = garble
    wires = ("unplug", "garble", "board", "service")
    try:
        until(lambda: "the wired station 'barrels' is there" in service.said(), "the station")
        for strike in [*wires, *rng.choices(wires, k=8)]:
            board.world(pins={25: rng.randrange(2)}, one_wire={ROM: scratchpad(rng.uniform(5, 30))})
            time.sleep(rng.uniform(0.05, 0.5))
            if strike == "unplug":
                board.unplug()
                time.sleep(rng.uniform(0, 0.6))
                board.plug_in()
            elif strike == "garble":
                noise[0], enough = rng.choice([0.5, 0.8, 1.0]), spoiled[0] + 5
                until(lambda: spoiled[0] >= enough, "noise")  # noqa: B023
                noise[0] = 0.0
            elif strike == "board":
                board.process.kill()
            else:
                service.kill()
                service.start()
        board.process.kill()
        until(lambda: service.said().count("is there"), "peace")
        time.sleep(0.5)
        closed, kept = _traced(board)
        until(lambda: kept <= set(_stored(service)), f"all of {len(kept)} packs")
        board.kill()
        assert service.end() == 0
    finally:
        service.kill()
    closed, _ = _traced(board)
    stored = _stored(service)
    boots = {boot for _, boot, _ in kept}
    print(f"{len(stored)} packs of {len(boots)} boots; {spoiled[0]} pieces spoiled")
    assert len(boots) > 1 and len(stored) > 20 and spoiled[0] >= 5
    assert max(Counter(stored).values()) == 1 and kept <= set(stored) <= set(closed)
    assert kept == {("barrels", boot, seq) for boot in boots for seq in range(Counter(b for _, b, _ in kept)[boot])}
    exported = dict(_resolved(line["payload"]) for line in service.export())
    assert exported == {pack: closed[pack] for pack in stored}, "nothing was changed on the way"
    with sqlite3.connect(service.folder / "barreltide.db") as store:
        assert store.execute("SELECT count(*) FROM refused").fetchone() == (0,)
    assert "Traceback" not in service.log()


def _traced(board: UsbBoard) -> tuple[dict, set]:
    """As in test_kills: ({(station, boot, seq): readings} of all packs that were closed, those that were kept)."""
    closed, kept = {}, set()
    for row in board._text("trace.log").splitlines(keepends=True):
        if row.endswith("\n"):
            what, (boot, seq, *rest) = json.loads(row)
            if what == "kept":
                kept.add(("barrels", boot, seq))
            else:
                _, epoch_ms, readings = rest
                closed["barrels", boot, seq] = frozenset((n, epoch_ms + at_ms, _round(v)) for at_ms, n, v in readings)
    return closed, kept


def _stored(service: FastService) -> list[tuple]:
    store = sqlite3.connect(service.folder / "barreltide.db", timeout=30)
    try:
        return store.execute("SELECT station, boot, seq FROM arrivals WHERE kind = 'readings'").fetchall()
    finally:
        store.close()


def test_a_board_at_its_prompt_is_started_and_a_silent_one_is_told_of(boards, monkeypatch, tmp_path):
    monkeypatch.setattr(wire, "SILENT_S", 1.0)
    monkeypatch.setattr(wire, "START_AGAIN_S", 2.0)
    heard = []
    board = boards()
    topics = Topics("barreltide", "garden", ["barrels"])
    barrels = wire.Wire("barrels", board.device, topics, heard.append, time.time)
    barrels.start()
    try:
        board.power_on()
        until(lambda: barrels.problem and "nothing is heard" in barrels.problem, "a word about a bare board")
        board.give_firmware(wired(**QUICK, lamp={"pin": 12}))
        row = {
            "alarm": "sump-low",
            "subject": "sump",
            "priority": "urgent",
            "state": "acknowledged",
            "message": "x" * 900,
        }
        barrels.tell_alarms([row] * 40)
        until(lambda: any(message.topic.endswith("presence") for message in heard), "its start out of the prompt")
        until(lambda: barrels.problem is None, "that it is well")
        until(lambda: "pin 12 = 1" in board.events(), "its lamp, which follows the alarms")
        board.unplug()
        until(lambda: barrels.problem and "is it plugged in?" in barrels.problem, "a word about the plug")
        assert heard[-1].topic.endswith("presence") and json.loads(heard[-1].payload) == {"online": False}
        board.plug_in()
        until(lambda: barrels.problem is None, "that it is back")
    finally:
        barrels.stop()


def test_what_is_told_to_a_wire_that_has_ended_goes_into_no_other_file(tmp_path):
    topics = Topics("barreltide", "garden", ["barrels"])
    barrels = wire.Wire("barrels", str(tmp_path / "no-port"), topics, lambda message: None, time.time)
    barrels.start()
    barrels.stop()
    files = [open(tmp_path / str(number), "wb") for number in range(8)]  # they get the numbers that are free again
    barrels.receipt(1, [1])
    barrels.stop()
    for file in files:
        file.close()
        assert not (tmp_path / str(file.name)).stat().st_size
