"""The command line as a process: what goes to standard output, what to standard error, and the exit status."""

from __future__ import annotations

import json
import socket
import subprocess
import sys

import pytest

from barreltide import __version__
from barreltide.cli import main
from barreltide.core.event import BESIDE
from barreltide.store import Arrival, Store, Work
from conftest import SITE
from simulation.draw import draw_garden
from simulation.run import simulate

START_S = 1_790_000_000.0


def run(*arguments: object, stdin: bytes = b"") -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", *map(str, arguments)], input=stdin, capture_output=True, timeout=120
    )
    return done.returncode, done.stdout.decode(), done.stderr.decode()


@pytest.fixture
def site(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
def recorded(tmp_path):
    """Six hours of a bed that floods every ten minutes and a battery that falls slowly."""
    path, seq = tmp_path / "recording.jsonl", 0
    with path.open("w") as out:
        for after_s in range(0, 6 * 3600, 15):
            records = [{"bn": "garden/barrels/", "n": "station/boot", "v": 1}, {"n": "station/seq", "v": seq}]
            records.append({"n": "battery/voltage", "v": round(12.7 - after_s / 100_000, 3)})
            if after_s % 300 == 0:
                records.append({"n": "bed-1/high", "vb": after_s % 600 == 0})
            received = START_S + after_s + 0.5
            out.write(
                json.dumps({"received": received, "topic": "barreltide/garden/barrels/readings", "payload": records})
                + "\n"
            )
            seq += 1
    return path


def test_replay_prints_json_lines(site, recorded):
    status, out, err = run("replay", recorded, "--site", site, "--json", "--until", START_S + 6 * 3600)
    events = [json.loads(line) for line in out.splitlines()]
    assert status == 0 and err == ""
    assert len([event for event in events if event["event"] == "cycle"]) >= 30
    assert {event["event"] for event in events} <= {"cycle", "alarm", "battery", "night"}
    cycle = next(event for event in events if event["event"] == "cycle")
    assert set(cycle) == {"event", "time", "bed", "number", "period_s", "high_s", "low_s", "fill_s", "drain_s"}


def test_replay_in_words_from_standard_input_with_a_time_in_iso(site, recorded):
    status, out, err = run(
        "replay", "-", "--site", site, "--until", "2026-09-21T15:13:20Z", stdin=recorded.read_bytes() + b"junk\n"
    )
    assert status == 0 and err == "", "the junk arrived after the end"
    assert "cycle   bed=bed-1  number=1" in out and out.splitlines()[-1] < "2026-09-21 08:13:21"
    status, _, err = run("replay", "-", "--site", site, stdin=b"junk\n")
    assert status == 0 and err.splitlines()[-1] == "barreltide: 1 of 1 lines was no valid message"


def test_replay_loads_neither_broker_nor_pages(site, recorded):
    code = (
        "import sys\nfrom barreltide.cli import main\n"
        f"main(['replay', {str(recorded)!r}, '--site', {str(site)!r}, '--json'])\n"
        "heavy = ('paho', 'fastapi', 'uvicorn', 'sqlite_utils', 'apprise', 'tqdm')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.stdout.splitlines()[-1] == "[]"


def test_export_gives_each_pack_and_replay_takes_it(site, tmp_path):
    store = Store(tmp_path / "barreltide.db")
    payload = (
        b'[{"bn":"garden/barrels/","n":"station/boot","v":1},{"n":"station/seq","v":0},{"n":"note","vs":"caf\xc3\xa9"}]'
    )
    store.commit(Work(arrivals=[
        Arrival(1, START_S, "started", None, None, None, b"{}"),
        Arrival(2, START_S + 1, "readings", "barrels", 1, 0, payload),
    ]))  # fmt: skip
    store.close()
    status, out, err = run("export", "--site", site)
    assert status == 0 and err == ""
    assert json.loads(out) == {
        "received": START_S + 1,
        "topic": "barreltide/garden/barrels/readings",
        "payload": json.loads(payload),
    }
    status, out, _ = run("export", "--site", site, "--all", "--out", tmp_path / "all.jsonl")
    assert status == 0 and out == "" and len((tmp_path / "all.jsonl").read_text().splitlines()) == 2
    assert run("replay", tmp_path / "all.jsonl", "--site", site, "--json") == (0, "", "")


def one_line(result: tuple[int, str, str], *parts: object) -> None:
    status, out, err = result
    assert status == 2 and out == "" and len(err.splitlines()) == 1 and err.startswith("barreltide: ")
    for part in parts:
        assert str(part) in err


def test_mistakes_get_status_2_and_one_line(site, recorded, tmp_path):
    one_line(run("replay", tmp_path / "none.jsonl", "--site", site, "--json"), "none.jsonl: no such recording")
    one_line(run("replay", tmp_path, "--site", site, "--json"), "cannot be read: Is a directory")
    one_line(run("replay", recorded, "--site", tmp_path / "none.toml"), "none.toml: no such site file")
    one_line(run("export", "--site", site), "barreltide.db: no store there yet")
    assert not (tmp_path / "barreltide.db").exists(), "looking makes no store"
    (tmp_path / "barreltide.db").write_text("no database, " * 100)
    one_line(run("export", "--site", site), "cannot be opened as the store")
    one_line(run("serve", "--site", site), "cannot be opened as the store")
    site.write_text(SITE.replace("capacity_ah", "capacity"))
    one_line(run("serve", "--site", site), "battery.capacity: no such key; did you mean capacity_ah?")
    for until, reason in (("soon", "'soon' is no time"), ("2026-09-21T15:13:20", "has no zone")):
        status, _, err = run("replay", recorded, "--site", site, "--until", until)
        assert status == 2 and reason in err.splitlines()[-1]


def test_ports_in_use_get_status_2_and_one_line(site):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        site.write_text(SITE + f"[web]\nport = {port}\n")
        one_line(run("serve", "--site", site), port, "in use")
        site.write_text(SITE + f'[web]\nport = 0\n[broker]\nport = {port}\nca_file = "none.pem"\n')
        one_line(run("serve", "--site", site), "broker.ca_file", "none.pem")


def test_a_reader_that_has_seen_enough_is_no_error(site, recorded):
    command = f"{sys.executable} -m barreltide replay {recorded} --site {site} --json | head -1"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True, timeout=120)
    assert done.stderr == "" and len(done.stdout.splitlines()) == 1


def test_version_and_help():
    assert run("--version") == (0, f"barreltide {__version__}\n", "")
    status, out, _ = run("--help")
    assert status == 0 and all(command in out for command in ("serve", "replay", "export", "demo"))
    assert run()[0] == 2 and run("serve")[0] == 2


def test_replay_explains_each_alarm_by_what_speaks_for_and_against_each_cause(tmp_path):
    plan = draw_garden(3, beds=1, pumps=1, period_s=600, low_float=False, level=False, pump_current=False)
    simulate(plan, 1.8, "pump-unpowered", "noon").write(tmp_path)
    arguments = ("replay", tmp_path / "recording.jsonl", "--site", tmp_path / "site.toml")
    status, out, _ = run(*arguments, "--explain")
    assert status == 0
    _, _, told = out.partition(" (urgent), since ")
    assert "raised pump-stopped pump (urgent), since " in out
    causes = [line for line in told.splitlines()[1:9] if " %  " in line]
    assert "the pump 'pump' lifts no water" in causes[0] and "the siphon of 'bed-1' does not" in causes[1]
    assert "for:     'bed-1' has stayed " in told and "times in a hundred" in told
    explained = [json.loads(line) for line in run(*arguments, "--json", "--explain")[1].splitlines()]
    (alarm,) = (line for line in explained if line["event"] == "alarm" and line["alarm"] == "pump-stopped")
    assert [cause["alarm"] for cause in alarm["evidence"]][0] == "pump-stopped"
    assert abs(sum(cause["share"] for cause in alarm["evidence"]) - 1) < 0.01
    plain = [json.loads(line) for line in run(*arguments, "--json")[1].splitlines()]
    assert plain == [{key: line[key] for key in line if key not in BESIDE} for line in explained
                     if line["event"] != "siphon"]  # fmt: skip
    assert "capacity_ah" in next(line for line in explained if line["event"] == "night")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["nights"], "there is no --site; `barreltide nights --help` tells more"),
        (["turns", "--last", "x"], "--last: found 'x'; a whole number would do; `barreltide turns --help` tells more"),
        (["board", "fly"], "action: found 'fly'; there are 'find', 'install'"),
        ([], "there is no COMMAND; `barreltide --help` tells more"),
    ],
)
def test_wrong_words_of_a_command_get_one_line(capsys, words, line):
    with pytest.raises(SystemExit) as ended:
        main(words)
    told = capsys.readouterr()
    assert ended.value.code == 2 and told.out == "" and told.err.startswith(f"barreltide: {line}")
    assert told.err.count("\n") == 1
