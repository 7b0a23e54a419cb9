"""What waits for the host: outages, power cuts, full flash, clocks that were never set; by a simulated clock."""

from __future__ import annotations

import errno
import json
import shutil

import outage
import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from station import backlog as backlog_module
from station.backlog import RAM_PACKS, Backlog
from station.clock import Clock
from station.pack import MAX_READINGS

from firmware_board import TESTS, run_micropython  # which puts firmware/ and tests/firmware/ on the path

HOUR_MS = 3_600_000
EPOCH_MS = outage.EPOCH_MS


class Host:
    """Takes payloads as the service does: by (boot, seq), once."""

    def __init__(self):
        self.packs = {}
        self.heard = 0

    def __call__(self, payload):
        records = json.loads(payload)
        assert [r["n"] for r in records[:2]] == ["station/boot", "station/seq"]
        key = (records[0]["v"], records[1]["v"])
        self.heard += 1
        assert self.packs.setdefault(key, records) == records, "a pack that was sent before came with other content"
        return True

    def values(self, name):
        """{epoch ms: value}"""
        return {
            round((records[0]["bt"] + record.get("t", 0)) * 1000): record.get("v", record.get("vb"))
            for records in self.packs.values()
            for record in records
            if record["n"] == name
        }

    def edges(self, name):
        values = sorted(self.values(name).items())
        return [now[0] for before, now in zip(values, values[1:], strict=False) if before[1] != now[1]]


class Bench:
    """A backlog under a clock that the test turns."""

    def __init__(self, folder, boot=5, dated=True, **options):
        self.ticks = 0
        self.boot = boot
        self.clock = Clock(lambda: self.ticks)
        if dated:
            self.clock.set_epoch(EPOCH_MS)
        self.backlog = Backlog(str(folder), boot, self.clock, "garden/barrels/", **options)
        self.seq = 0

    def add(self, count=1, value=12.5):
        for _ in range(count):
            readings = [[-5000, "battery/voltage", value], [0, "bed-1/high", True]]
            self.backlog.add([self.boot, self.seq, self.clock.now_ms(), self.clock.epoch_ms(self.ticks), readings])
            self.seq += 1

    def send_all(self, host, receipts=True):
        sent = []
        while (entry := self.backlog.due()) is not None:
            host(self.backlog.payload(entry))
            self.backlog.sent(entry)
            sent.append((entry.boot, entry.seq))
            if receipts:
                self.backlog.forget(entry.boot, [entry.seq])
        return sent


def test_a_day_without_host_loses_no_float_change(tmp_path):
    garden, host = outage.Garden(str(tmp_path / "flash")), Host()
    garden.run(HOUR_MS, host)
    assert garden.backlog.writes == 0, "with the host answering, flash is left alone"
    before = garden.packs
    garden.run(25 * HOUR_MS, None)
    kept_bytes, writes = garden.backlog.on_flash_bytes(), garden.backlog.writes
    garden.run(26 * HOUR_MS, host)
    print(f"outage day: {garden.packs - before} packs, {kept_bytes} bytes on flash, {writes} writes")
    assert garden.backlog.dropped == 0 and garden.backlog.waiting() == 0
    assert sorted(seq for _, seq in host.packs) == list(range(garden.packs))
    for bed in range(1, 5):
        for mark in ("high", "low"):
            name = f"bed-{bed}/{mark}"
            expected = [EPOCH_MS + at for at in garden.true_edges(name, garden.step_ms * 2, 26 * HOUR_MS - 10_000)]
            found = [at for at in host.edges(name) if at < EPOCH_MS + 26 * HOUR_MS - 10_000]
            assert len(expected) > 1000 and found == expected, name
    volts = [at for at in host.values("battery/voltage") if 2 * HOUR_MS < at - EPOCH_MS < 25 * HOUR_MS]
    assert len(volts) == pytest.approx(23 * 60, abs=5), "one a minute"
    assert writes < 3_000 and kept_bytes < 524_288
    assert list((tmp_path / "flash").iterdir()) == [], "receipted segments are deleted"


def test_the_same_day_on_micropython(tmp_path):
    """The flash code under the interpreter that runs on boards, an hour's outage of it."""
    said = run_micropython(
        "import json, outage\n"
        "seen = {}\n"
        "def host(payload):\n"
        "    records = json.loads(payload)\n"
        "    seen[records[1]['v']] = len(records)\n"
        "    return True\n"
        "garden = outage.Garden('flash')\n"
        "garden.run(600_000, host)\n"
        "garden.run(4_200_000, None)\n"
        "flash = garden.backlog.on_flash_bytes()\n"
        "garden.run(4_800_000, host)\n"
        "print(json.dumps([len(seen), garden.packs, garden.backlog.waiting(), garden.backlog.dropped, flash]))\n",
        tmp_path,
        path=(TESTS / "firmware",),
    )
    seen, packs, waiting, dropped, flash = json.loads(said)
    assert seen == packs > 100 and (waiting, dropped) == (0, 0) and flash > 10_000
    assert list((tmp_path / "flash").iterdir()) == []


def test_a_power_cut_at_any_byte_costs_the_last_record_only(tmp_path):
    bench = Bench(tmp_path / "flash")
    bench.add(6)
    bench.backlog.keep(connected=False)
    bench.add(1, value=13.25)
    bench.backlog.keep(connected=False)
    (segment,) = (tmp_path / "flash").iterdir()
    whole = segment.read_bytes()
    last = len(whole.splitlines(keepends=True)[-1])
    for cut in range(last + 1):
        folder = tmp_path / f"cut-{cut}"
        folder.mkdir()
        (folder / segment.name).write_bytes(whole[: len(whole) - cut])
        again, host = Bench(folder, boot=6), Host()
        again.add(1)
        again.backlog.keep(connected=False)
        again.send_all(host)
        assert sorted(host.packs) == [(5, seq) for seq in range(7 if cut == 0 else 6)] + [(6, 0)], cut
        assert again.backlog.waiting() == 0 and not list(folder.iterdir())


def test_a_spoiled_byte_costs_one_record(tmp_path):
    bench = Bench(tmp_path / "flash")
    bench.add(5)
    bench.backlog.keep(connected=False)
    (segment,) = (tmp_path / "flash").iterdir()
    data = bytearray(segment.read_bytes())
    third = sum(len(line) for line in bytes(data).splitlines(keepends=True)[:2])
    data[third + 20] ^= 0x40
    segment.write_bytes(data)
    again, host = Bench(tmp_path / "flash", boot=6), Host()
    again.send_all(host)
    assert sorted(host.packs) == [(5, 0), (5, 1), (5, 3), (5, 4)]


def test_only_the_hosts_receipt_forgets(tmp_path):
    bench, host = Bench(tmp_path / "flash"), Host()
    bench.add(3)
    bench.send_all(host, receipts=False)
    assert bench.backlog.waiting() == 3 and bench.backlog.due() is None
    bench.backlog.forget(4, [0, 1, 2])
    bench.backlog.forget(5, [99])
    assert bench.backlog.waiting() == 3
    bench.backlog.forget(5, [0, 2])
    assert bench.backlog.waiting() == 1
    bench.ticks += 10_000
    assert bench.send_all(host) == [(5, 1)] and bench.backlog.waiting() == 0


def test_while_the_host_is_silent_only_the_oldest_is_tried_again(tmp_path):
    bench, host = Bench(tmp_path / "flash"), Host()
    bench.add(4)
    bench.send_all(host, receipts=False)
    tries = []
    for _ in range(3_600):
        bench.ticks += 1_000
        tries += [(bench.ticks // 1000, key) for key in bench.send_all(host, receipts=False)]
    assert {key for _, key in tries} == {(5, 0)}
    assert [at for at, _ in tries[:5]] == [10, 30, 70, 150, 310] and len(tries) < 20
    assert bench.backlog.away()
    bench.backlog.forget(5, [0])
    assert not bench.backlog.away()
    assert bench.send_all(host) == [(5, 1), (5, 2), (5, 3)], "it is back: the others follow at once"


def test_a_new_connection_sends_again_in_order(tmp_path):
    bench, host = Bench(tmp_path / "flash"), Host()
    bench.add(3)
    bench.send_all(host, receipts=False)
    bench.backlog.reconnected()
    assert bench.send_all(host) == [(5, 0), (5, 1), (5, 2)]


def test_full_flash_gives_up_the_oldest_and_counts(tmp_path):
    bench, host = Bench(tmp_path / "flash", flash_bytes=65_536), Host()
    bench.add(2_000)
    bench.backlog.keep(connected=False)
    assert bench.backlog.on_flash_bytes() <= 65_536
    assert bench.backlog.dropped > 0
    bench.send_all(host)
    kept = sorted(seq for _, seq in host.packs)
    assert kept == list(range(bench.backlog.dropped, 2_000)), "the newest are kept without a gap"


def test_flash_that_runs_full_under_it(tmp_path, monkeypatch):
    bench, host = Bench(tmp_path / "flash"), Host()
    room = [40_000]

    def write(self, data):
        if len(data) > room[0]:
            with open(self._path(self._open), "ab") as file:
                file.write(data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device")
        room[0] -= len(data)
        with open(self._path(self._open), "ab") as file:
            file.write(data)

    def remove(self, segment, removed=Backlog._remove):
        room[0] += segment.bytes
        removed(self, segment)

    monkeypatch.setattr(Backlog, "_write", write)
    monkeypatch.setattr(Backlog, "_remove", remove)
    for _ in range(1_000):
        bench.add()
        bench.ticks += 1_000
        bench.backlog.keep(connected=False)
    bench.send_all(host)
    kept = sorted(seq for _, seq in host.packs)
    assert 0 < bench.backlog.dropped == 1_000 - len(kept) and len(kept) > 100
    assert kept == list(range(bench.backlog.dropped, 1_000))


def test_flash_that_cannot_be_written_leaves_ram(tmp_path):
    (tmp_path / "flash").write_text("a file where the folder should be")
    bench, host = Bench(tmp_path / "flash"), Host()
    bench.add(RAM_PACKS + 10)
    bench.backlog.keep(connected=False)
    bench.send_all(host)
    assert sorted(seq for _, seq in host.packs) == list(range(10, RAM_PACKS + 10))
    assert bench.backlog.dropped == 10


def test_times_without_a_clock_are_relative_to_each_sending(tmp_path):
    bench = Bench(tmp_path / "flash", dated=False)
    bench.ticks = 100_000
    bench.add()
    for later_ms in (0, 45_000, 900_000):
        bench.ticks = 100_000 + later_ms
        records = json.loads(bench.backlog.payload(bench.backlog.due()))
        assert not any("bt" in record for record in records)
        assert records[2].get("t", 0) == -5 - later_ms / 1000 and records[3].get("t", 0) == -later_ms / 1000


def test_packs_from_before_the_clock_was_set_get_their_time(tmp_path):
    bench, host = Bench(tmp_path / "flash", dated=False), Host()
    bench.ticks = 100_000
    bench.add(RAM_PACKS + 4)
    bench.backlog.keep(connected=False)
    bench.ticks = 400_000
    bench.clock.set_epoch(EPOCH_MS)
    shutil.copytree(tmp_path / "flash", tmp_path / "never")
    bench.backlog.keep(connected=False)
    shutil.copytree(tmp_path / "flash", tmp_path / "learned")
    bench.send_all(host)
    assert len(host.packs) == RAM_PACKS + 4
    assert {records[0]["bt"] for records in host.packs.values()} == {(EPOCH_MS - 300_000) / 1000}

    # A power cut after the clock line: the next boot can date them. Before it: nobody can, and they are counted.
    learned, host = Bench(tmp_path / "learned", boot=6), Host()
    learned.send_all(host)
    assert {records[0]["bt"] for records in host.packs.values()} == {(EPOCH_MS - 300_000) / 1000}
    assert len(host.packs) == RAM_PACKS + 4 and learned.backlog.undated == 0
    never, host = Bench(tmp_path / "never", boot=6), Host()
    never.send_all(host)
    assert host.packs == {} and never.backlog.undated == RAM_PACKS + 4
    assert not list((tmp_path / "never").iterdir())


def test_the_longest_pack_fits_a_line():
    readings = [[-59_999, "a" * 32 + "/high", False]] * backlog_module.MAX_LINE
    longest = [2**31 - 1, 10**7, 2**45, 2**45, readings[: MAX_READINGS - 1] + [[-59_999, "station/fault", '"' * 200]]]
    assert len(backlog_module.line_of(longest)) < backlog_module.MAX_LINE


@hypothesis_settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("add"), st.integers(1, 40)),
            st.tuples(st.just("wait"), st.integers(0, 60)),
            st.tuples(st.just("deliver"), st.integers(0, 30)),
            st.tuples(st.just("send"), st.integers(0, 30)),
            st.tuples(st.just("power-cut"), st.just(0)),
        ),
        max_size=25,
    )
)
def test_whatever_happens_a_pack_on_flash_arrives_and_keeps_its_content(tmp_path, steps):
    """Safety: nothing arrives altered. Liveness: once the host is there, all that was on flash or in RAM arrives."""
    folder = tmp_path / "flash"
    shutil.rmtree(folder, ignore_errors=True)
    boot, host, promised = 1, Host(), set()
    bench = Bench(folder, boot=boot)
    for step, amount in steps:
        if step == "add":
            for _ in range(amount):
                promised.add((boot, bench.seq))
                bench.add(value=float(bench.seq))
        elif step == "wait":
            bench.ticks += amount * 1000
            bench.backlog.keep(connected=amount % 2 == 0)
        elif step in ("deliver", "send"):
            for _ in range(amount):
                entry = bench.backlog.due()
                if entry:
                    host(bench.backlog.payload(entry))
                    bench.backlog.sent(entry)
                    if step == "deliver":
                        bench.backlog.forget(entry.boot, [entry.seq])
        else:
            lost = {(entry.boot, entry.seq) for entry in bench.backlog._ram if entry.segment is None}
            promised -= lost - set(host.packs)
            boot += 1
            bench = Bench(folder, boot=boot)
    bench.backlog.reconnected()
    bench.send_all(host)
    assert set(host.packs) >= promised
    assert bench.backlog.waiting() == 0 and bench.backlog.dropped == 0 and not list(folder.iterdir())
