"""The commands about alarms as processes against a real service, and what a service knows again after kill -9."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from barreltide import writer
from barreltide.commands.alarms import report
from barreltide.commands.client import Client
from barreltide.site import load
from barreltide.store import Store
from conftest import SITE, free_port, until
from test_cli import one_line, run
from test_service import Bench, payload

SUMP = "[sump]\nwarmest_c = 28.0\n"
WARM = ("water-too-warm", "sump")


def warm(seq: int, celsius: float = 31.0) -> bytes:
    return payload(seq, {"n": "water/temperature", "u": "Cel", "v": celsius})


def heat(bench: Bench, seq: int = 0, minutes: int = 9, celsius: float = 31.0) -> int:
    for minute in range(minutes):
        bench.arrive(warm(seq + minute, celsius), after_s=60)
    return seq + minutes


class Lately(Bench):
    """Begins ten minutes ago by this computer's own clock."""

    def begin(self) -> None:
        if not hasattr(self, "store"):
            self.now_s = time.time() - 600
        super().begin()


class Running:
    """`barreltide serve` as a process, on a store in which the water has just become too warm."""

    def __init__(self, folder: Path, broker_port: int) -> None:
        bench = Lately(folder, SUMP)
        heat(bench)
        assert [event["change"] for event in bench.events("alarm")] == ["raised"]
        bench.store.close()
        self.site = folder / "site.toml"
        self.site.write_text(SITE + SUMP + f"[web]\nport = {free_port()}\n[broker]\nport = {broker_port}\n")
        self.client = Client.of_site(load(self.site))
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "barreltide", "serve", "--site", str(self.site)]
        self.process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        until(self.is_ready, "the service")

    def is_ready(self) -> bool:
        try:
            return self.client.get("api/health").get("status") in ("ok", "degraded")
        except Exception:
            assert self.process.poll() is None
            return False

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def rows(self, key: str) -> list[dict]:
        return self.client.get("api/alarms")[key]


@pytest.fixture
def running(tmp_path, mosquitto):
    running = Running(tmp_path / "garden", mosquitto.port)
    yield running
    running.process.kill()
    running.process.wait()


def test_an_alarm_is_shown_answered_shelved_and_taken_back(running):
    site = running.site
    status, out, err = run("alarms", "--site", site)
    assert status == 0 and err == ""
    assert re.match(r"water-too-warm sump  soon, unacknowledged, since \w{3} \d\d \w{3} \d\d:\d\d, \d+ min\n", out)
    assert "  What to do: Shade the sump" in out and "barreltide acknowledge ALARM SUBJECT" in out

    one_line(run("acknowledge", "sump-low", "sump", "--site", site),
             "sump-low sump does not wait for an answer; water-too-warm sump would do")  # fmt: skip
    assert run("acknowledge", *WARM, "--who", "anna", "--site", site) == (0, "water-too-warm sump: acknowledged\n", "")
    _, out, _ = run("alarms", "--site", site)
    assert "soon, acknowledged " in out and " by anna, since" in out and "barreltide acknowledge" not in out
    one_line(run("acknowledge", *WARM, "--site", site), "is acknowledged already by anna")

    one_line(run("shelve", *WARM, "--hours", "100", "--reason", "x", "--site", site),
             "--hours: found 100; more than 0, at most 72, would do")  # fmt: skip
    one_line(run("shelve", "water-too-hot", "sump", "--hours", "1", "--reason", "x", "--site", site),
             "alarm: found 'water-too-hot'; pump-stopped, ")  # fmt: skip
    one_line(run("shelve", "water-too-warm", "pond", "--hours", "1", "--reason", "x", "--site", site),
             "water-too-warm pond is no alarm of this garden; water-too-warm sump would do")  # fmt: skip
    status, out, _ = run("shelve", *WARM, "--hours", "2", "--reason", "shade cloth tomorrow", "--site", site)
    assert status == 0 and out.startswith("water-too-warm sump: shelved until ")
    _, out, _ = run("alarms", "--site", site)
    assert out.startswith("No alarm stands.\n\nPut aside:\n  water-too-warm sump  shelved by ")
    assert ": shade cloth tomorrow. It holds just now." in out

    status, out, _ = run("unshelve", *WARM, "--site", site)
    assert (status, out) == (0, "water-too-warm sump: unshelved\n")
    assert [row["state"] for row in running.rows("standing")] == ["unacknowledged"]
    one_line(run("unshelve", *WARM, "--site", site), "water-too-warm sump is not shelved; nothing is")

    _, out, _ = run("alarms", "--all", "--site", site)
    changes = [line[18:].split()[0] for line in out.splitlines()]
    assert changes == ["raised", "acknowledged", "cleared", "shelved", "unshelved", "raised"]
    rows = [json.loads(line) for line in run("alarms", "--all", "--json", "--site", site)[1].splitlines()]
    assert [row["change"] for row in rows] == changes and rows[1]["who"] == "anna"

    assert run("acknowledge", "--all", "--site", site) == (0, "water-too-warm sump: acknowledged\n", "")
    assert run("acknowledge", "--all", "--site", site) == (0, "Nothing waits for an answer.\n", "")
    (row,) = [json.loads(line) for line in run("alarms", "--json", "--site", site)[1].splitlines()]
    assert (row["state"], row["acknowledged_by"]) == ("acknowledged", row["acknowledged_by"]) and row["raised"]

    status, out, _ = run("alarms", "--statistics", "--json", "--days", "7", "--site", site)
    found = json.loads(out)
    assert (found["alarms"], found["answered"], found["worst"][0]["subject"]) == (2, 2, "sump")
    assert found["days"] < 0.1, "no more than the store's own age"
    assert "2 soon (100 %)" in run("alarms", "--statistics", "--site", site)[1]


def test_states_outlive_a_kill_and_a_recording_tells_them_again(running, tmp_path):
    site = running.site
    assert run("acknowledge", *WARM, "--who", "anna", "--site", site)[0] == 0
    aside = ["out-of-service", "sensor-fault", "bed-1/high", "--reason", "no float yet", "--who", "anna"]
    assert run(*aside, "--site", site) == (0, "sensor-fault bed-1/high: out of service\n", "")
    assert run("shelve", "sump-low", "sump", "--hours", "1", "--reason", "leak", "--site", site)[0] == 0
    before = {key: running.rows(key) for key in ("standing", "returned", "shelved")}
    assert before["standing"][0]["state"] == "acknowledged"
    assert [row["state"] for row in before["shelved"]] == ["shelved", "out-of-service"]
    running.kill()
    running.start()
    after = {key: running.rows(key) for key in before}
    assert after == before
    _, out, _ = run("export", "--all", "--site", site, "--out", tmp_path / "all.jsonl")
    running.kill()
    words = run("replay", tmp_path / "all.jsonl", "--site", site)[1]
    assert " answer  acknowledged water-too-warm sump by anna\n" in words
    assert " answer  out-of-service sensor-fault bed-1/high by anna: no float yet\n" in words
    assert re.search(r" answer  shelved sump-low sump by \S+, until .*: leak\n", words)
    lines = run("replay", tmp_path / "all.jsonl", "--site", site, "--json")[1].splitlines()
    assert [json.loads(line)["event"] for line in lines if "water-too-warm" in line] == ["alarm"]
    explained = run("replay", tmp_path / "all.jsonl", "--site", site, "--json", "--explain")[1].splitlines()
    live = Bench.__new__(Bench)
    live.store = Store(load(site).store_path)
    assert [json.loads(line) for line in explained if '"event": "answer"' in line] == live.events("answer")
    live.store.close()


def test_maintenance_holds_back_what_a_pump_brings_about(running):
    status, out, _ = run("maintenance", "--site", running.site)
    assert status == 0 and re.match(r"Until \w{3} \d\d \w{3} \d\d:\d\d nothing is raised about the pump 'pump'", out)
    rests_s = running.client.get("api/now")["pumps"]["pump"]["resting_until"]
    assert 1790 < rests_s - time.time() < 1800
    assert run("maintenance", "--pump", "pump", "--minutes", "5", "--site", running.site)[0] == 0
    assert running.client.get("api/now")["pumps"]["pump"]["resting_until"] - time.time() < 300
    one_line(run("maintenance", "--pump", "hose", "--site", running.site), "--pump: found hose; pump would do")
    one_line(run("maintenance", "--minutes", "0", "--site", running.site), "--minutes: found 0; 1 to 1440 would do")


def test_without_a_service_each_command_says_so_and_statistics_need_none(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(SITE + f"[web]\nport = {free_port()}\n")
    reason = ["--reason", "x"]
    for command in (
        ["alarms"], ["acknowledge", *WARM], ["acknowledge", "--all"], ["shelve", *WARM, "--hours", "1", *reason],
        ["out-of-service", *WARM, *reason], ["unshelve", *WARM], ["maintenance"],
    ):  # fmt: skip
        one_line(
            run(*command, "--site", site), "no service answers at http://127.0.0.1:", "`barreltide serve` starts it"
        )
    for words in ([], ["pump-stopped"], ["pump-stopped", "pump", "--all"]):
        one_line(run("acknowledge", *words, "--site", site), "ALARM and SUBJECT, or --all, would do")
    one_line(run("alarms", "--statistics", "--site", site), "no store there yet")
    Store(load(site).store_path).close()
    status, out, err = run("alarms", "--statistics", "--site", site)
    assert status == 0 and err == "" and "alarms               0, 0.00 a day\n" in out
    assert run("alarms", "--statistics", "--days", "0", "--site", site)[0] == 2


def test_what_is_over_and_unseen_is_listed():
    row = {"alarm": "pump-stopped", "subject": "pump", "raised": 1_790_000_000.0, "cleared": 1_790_000_600.0,
           "message": "It stood."}  # fmt: skip
    lines = report({"standing": [], "returned": [row], "shelved": []}, ZoneInfo("America/Los_Angeles"), 1_790_001_000.0)
    assert lines[:4] == [
        "No alarm stands.", "", "Over, but nobody has acknowledged it:",
        "  pump-stopped pump  Mon 21 Sep 07:13 to Mon 21 Sep 07:23. It stood.",
    ]  # fmt: skip


# In the writer, with the real engine and a clock set by hand.


def answer(bench: Bench, what: str, key=WARM, **more):
    from test_grower import say

    (taken,) = say(bench, {"input": what, "alarm": key[0], "subject": key[1], **more})
    assert not isinstance(taken, Exception), taken
    return taken


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path / "bench", SUMP)
    yield bench
    bench.store.close()


def states(bench: Bench) -> dict[str, list[str]]:
    picture = bench.writer.monitor.picture()
    return {key: [row["state"] for row in picture[key]] for key in ("standing", "returned", "shelved")}


def test_back_from_the_shelf_it_is_told_anew_and_the_lamp_follows(bench):
    seq = heat(bench)
    first = [notice["id"] for notice in bench.store.notices()]
    bench.intake.alarms = None
    answer(bench, "shelved", for_s=600, reason="shade cloth")
    assert bench.intake.alarms == [], "what is shelved does not stand"
    heat(bench, seq, 14)
    assert [row["alarm"] for row in bench.intake.alarms] == ["water-too-warm"]
    changes = [event["change"] for event in bench.events("alarm")]
    assert changes == ["raised", "cleared", "raised"]
    raised = [notice for notice in bench.store.notices() if not notice["id"].endswith("-over")]
    assert len(raised) == 2 and len(first) == 1, "one notice of its own"


def test_the_lamp_hears_of_an_acknowledgement(bench):
    heat(bench)
    bench.intake.alarms = None
    answer(bench, "acknowledged")
    assert [row["state"] for row in bench.intake.alarms] == ["acknowledged"]


@pytest.mark.parametrize("snapshot", [True, False], ids=["from the saved state", "judged anew"])
def test_each_state_is_known_again_after_a_kill(bench, snapshot):
    seq = heat(bench)
    answer(bench, "acknowledged", who="anna")
    answer(bench, "shelved", ("sump-low", "sump"), for_s=3600, reason="leak")
    answer(bench, "out-of-service", ("flow-falling", "pump"), reason="winter")

    def kill() -> None:
        if not snapshot:
            bench.store._db.execute("DELETE FROM snapshots")
        before = states(bench), bench.writer.monitor.standing()
        bench.kill_and_begin()
        assert (states(bench), bench.writer.monitor.standing()) == before

    kill()
    assert states(bench) == {
        "standing": ["acknowledged"], "returned": [], "shelved": ["shelved", "out-of-service"]}  # fmt: skip
    seq = heat(bench, seq, 10, 20.0)
    assert states(bench)["standing"] == states(bench)["returned"] == []
    seq = heat(bench, seq)
    heat(bench, seq, 10, 20.0)
    kill()
    assert states(bench)["returned"] == ["returned"], "nobody has acknowledged the second one"


def test_what_is_out_of_service_stays_so_when_all_that_is_judged_anew_is_younger(bench, monkeypatch):
    monkeypatch.setattr(writer, "REBUILD_S", 3600.0)
    answer(bench, "out-of-service", reason="winter", who="anna")
    answer(bench, "out-of-service", ("sump-low", "sump"), reason="winter")
    answer(bench, "unshelved", ("sump-low", "sump"))
    bench.now_s += 7200
    heat(bench)
    bench.store._db.execute("DELETE FROM snapshots")
    bench.kill_and_begin()
    (row,) = bench.writer.monitor.picture()["shelved"]
    assert (row["alarm"], row["state"], row["reason"], row["by"]) == (
        "water-too-warm",
        "out-of-service",
        "winter",
        "anna",
    )
    assert row["holds"] and "water-too-warm" not in {event["alarm"] for event in bench.events("alarm")}
