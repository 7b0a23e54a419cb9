"""Recordings: each pack is played once and with a clock that never goes back, whatever the file holds."""

from __future__ import annotations

import gzip
import io
import json
import sys

import pytest

import standin_engine
from barreltide import recording
from barreltide.core.reading import Pack, PumpRested, ServiceStarted
from barreltide.pack import Topics
from barreltide.recording import RecordingError, export, replay
from barreltide.site import load
from barreltide.store import Arrival, Store, Work
from conftest import SITE

START_S = 1_790_000_000.0


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE)
    return load(tmp_path / "site.toml")


@pytest.fixture
def fed(monkeypatch):
    """What the engine was fed with: inputs, and ("advance", time)."""
    fed: list = []

    class Recorder(standin_engine.Monitor):
        def take(self, item):
            fed.append(item)
            return super().take(item)

        def advance(self, time_s):
            if not fed or getattr(fed[-1], "received_s", None) != time_s:
                fed.append(("advance", time_s))
            return super().advance(time_s)

    monkeypatch.setattr(standin_engine, "Monitor", Recorder)
    monkeypatch.setitem(sys.modules, "barreltide.core.monitor", standin_engine)
    return fed


def line(
    seq: int, after_s: float, *records: dict, boot: int = 1, topic="barreltide/garden/barrels/readings", **more
) -> str:
    head = [{"bn": "garden/barrels/", "n": "station/boot", "v": boot}, {"n": "station/seq", "v": seq}]
    return json.dumps({"received": START_S + after_s, "topic": topic, "payload": [*head, *records], **more})


def played(tmp_path, site, lines, until_s=None, name="recording.jsonl"):
    path = tmp_path / name
    text = ("\n".join(lines) + "\n").encode()
    path.write_bytes(gzip.compress(text) if name.endswith(".gz") else text)
    told: list[str] = []
    return list(replay(str(path), site, until_s, told.append)), told


def test_doubles_and_a_clock_put_back(tmp_path, site, fed):
    lines = [
        line(0, 0),
        line(2, 20),
        line(1, 10, {"n": "battery/voltage", "t": -5, "v": 12.5}),
        line(2, 30),
        line(0, 40, boot=2),
    ]
    played(tmp_path, site, lines)
    packs = [item for item in fed if isinstance(item, Pack)]
    assert [(pack.boot, pack.seq, pack.received_s - START_S) for pack in packs] == [
        (1, 0, 0),
        (1, 2, 20),
        (1, 1, 20),
        (2, 0, 40),
    ]
    assert packs[2].readings[0].sampled_s == START_S + 5, "its own arrival is what its times count from"
    assert ("advance", START_S + 30) in fed, "a double still moves the clock"


def test_bad_lines_are_told_and_counted_and_end_nothing(tmp_path, site, fed):
    bad = [
        "nope", "[]", "{}", '{"received": 1, "topic": "x"}', line(5, 1, topic="barreltide/yard/barrels/readings"),
        line(5, 1, {"n": "battery/voltage", "v": "x"}), line(5, 1, received="now"), line(5, 1, received=12),
        line(5, 1, received=4_102_444_800), "x" * (1 << 21), "\xff",
    ]  # fmt: skip
    _, told = played(tmp_path, site, [line(0, 0), *bad, "", line(1, 50)])
    assert [pack.seq for pack in fed if isinstance(pack, Pack)] == [0, 1]
    assert told[-1] == f"{len(bad)} of {len(bad) + 2} lines were no valid message"
    assert len(told) == 6 and told[0].startswith("line 2: no JSON") and all("\n" not in text for text in told)


def test_each_bad_line_has_its_reason(tmp_path, site, fed):
    for text, reason in (
        ("[]", "no JSON object; received, topic and payload would do"),
        ('{"received": 1790000000, "topic": "x"}', "no 'payload'; received, topic and payload would do"),
        (line(5, 1, received=True), "received is True; Unix seconds would do"),
        (line(5, 1, received=12), "received is 12; Unix seconds would do"),
        (
            line(5, 1, received=4_102_444_800),
            "received is 2100-01-01T00:00:00Z, more than a year after the line before",
        ),
        ("x" * (1 << 21), "longer than 1,048,576 bytes"),
        ("[" * 100_000, "no JSON"),
        (line(5, 1, topic=7), "topic is 7; text would do"),
    ):
        _, told = played(tmp_path, site, [line(0, 0), text])
        assert reason in told[0] and told[-1] == "1 of 2 lines was no valid message"


def test_other_messages_move_the_clock_and_a_start_is_an_input(tmp_path, site, fed):
    presence = {"received": START_S + 5, "topic": "barreltide/garden/barrels/presence", "payload": {"online": True}}
    started = {"received": START_S + 6, "topic": "barreltide/garden/service", "payload": {}}
    rest = {
        "received": START_S + 6.5,
        "topic": "barreltide/garden/grower",
        "payload": {"input": "pump-rested", "pump": "pump", "for_s": 600},
    }
    receipt = {
        "received": START_S + 7,
        "topic": "barreltide/garden/barrels/receipt",
        "payload": {"boot": 1, "seq": [1]},
    }
    _, told = played(tmp_path, site, [json.dumps(message) for message in (presence, started, rest, receipt)])
    rested = PumpRested(START_S + 6.5, "pump", START_S + 606.5)
    assert not told
    assert fed == [("advance", START_S + 5), ServiceStarted(START_S + 6), rested, ("advance", START_S + 7)]
    rest["payload"]["pump"] = "another"
    _, told = played(tmp_path, site, [json.dumps(rest)])
    assert told[0] == "line 1: pump: found 'another'; pump would do"


def test_until_leaves_out_what_arrived_later_and_stands_there(tmp_path, site, fed):
    events, _ = played(tmp_path, site, [line(0, 0), line(1, 10), line(2, 100)], until_s=START_S + 90)
    assert [pack.seq for pack in fed if isinstance(pack, Pack)] == [0, 1]
    assert fed[-1] == ("advance", START_S + 90)
    assert [(event.alarm, event.time) for event in events] == [("station-silent", START_S + 70)]


def test_nothing_is_used_before_it_arrived(tmp_path, site, fed):
    """Every prefix of a recording gives a prefix of its events."""
    lines = [line(seq, 100 * seq, {"n": "bed-1/high", "vb": seq % 3 == 0}) for seq in range(12)]
    whole, _ = played(tmp_path, site, lines)
    assert len(whole) > 10
    for count in range(1, len(lines)):
        part, _ = played(tmp_path, site, lines[:count])
        assert part == whole[: len(part)]


def test_a_pack_that_the_engine_chokes_on_is_told(tmp_path, site, fed):
    events, told = played(tmp_path, site, [line(0, 0, {"n": "test/choke", "v": 1})])
    assert events == [] and told == ["line 1: the engine failed on it: ValueError: choked"]


def test_gzip_standard_input_and_what_cannot_be_read(tmp_path, site, fed, monkeypatch):
    lines = [line(0, 0), line(1, 10)]
    played(tmp_path, site, lines, name="recording.jsonl.gz")
    assert len([item for item in fed if isinstance(item, Pack)]) == 2
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO("\n".join(lines).encode())))
    list(replay("-", site))
    assert len([item for item in fed if isinstance(item, Pack)]) == 4
    whole = gzip.compress("\n".join(lines * 50).encode())
    (tmp_path / "cut.gz").write_bytes(whole[:-20])
    (tmp_path / "text.gz").write_text("no gzip")
    for name, reason in (
        ("cut.gz", "is broken"),
        ("text.gz", "is broken"),
        ("none", "no such recording"),
        (".", "cannot be read"),
    ):
        with pytest.raises(RecordingError, match=reason):
            list(replay(str(tmp_path / name), site))


def test_export_is_what_replay_reads(tmp_path, site, fed):
    store = Store(tmp_path / "garden.db")
    pack = json.loads(line(0, 1, {"n": "battery/voltage", "v": 12.5}, {"n": "note", "vs": "caf\u00e9\n"}))["payload"]
    payload = json.dumps(pack, indent=1, ensure_ascii=False).encode()
    store.commit(Work(arrivals=[
        Arrival(1, START_S, "started", None, None, None, b"{}"),
        Arrival(2, START_S + 0.25, "presence", "barrels", None, None, b'{"online": true}'),
        Arrival(3, START_S + 1.0000001, "readings", "barrels", 1, 0, payload),
        Arrival(4, START_S + 2, "grower", None, None, None, b'{"input": "pump-rested", "pump": "pump", "for_s": 60}'),
    ]))  # fmt: skip
    out = io.StringIO()
    assert export(store, Topics.of_site(site), out) == 1
    assert json.loads(out.getvalue()) == {
        "received": START_S + 1.0000001, "topic": "barreltide/garden/barrels/readings", "payload": pack}  # fmt: skip
    everything = io.StringIO()
    assert export(store, Topics.of_site(site), everything, everything=True) == 4
    (tmp_path / "all.jsonl").write_text(everything.getvalue())
    told: list[str] = []
    list(replay(str(tmp_path / "all.jsonl"), site, None, told.append))
    assert not told and [type(item).__name__ for item in fed] == ["ServiceStarted", "tuple", "Pack", "PumpRested"]
    store.close()


@pytest.mark.parametrize("numbers", [range(91_823, 92_823), [*range(1_000, 1_500), *range(1_501, 2_000)]])
def test_what_was_seen_takes_little_room_though_the_first_numbers_or_one_between_are_missing(numbers, monkeypatch):
    monkeypatch.setattr(recording, "MOST_BEYOND", 100)
    seen = recording._Seen()
    for seq in numbers:
        assert seen.add(seq) and not seen.add(seq) and not seen.add(numbers[0])
        assert len(seen._beyond) <= 100
