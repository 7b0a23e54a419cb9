"""`barreltide board` against the real interpreter on a USB cable: from a bare board to its first pack in the store."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import shutil
import sqlite3
import sys
import threading
import time
from pathlib import Path

import numpy
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from barreltide import cli, serial_port
from barreltide.board import BoardError, bench, calibration, configure, find, firmware, install
from barreltide.board.calibration import Reading
from barreltide.board.repl import Repl
from barreltide.serial_port import UsbPort
from chain import SITE, FastClock, FastService
from conftest import free_port, until
from firmware_board import FIRMWARE, scratchpad
from usb_board import UsbBoard, boards, wired  # noqa: F401

QUICK = {"sample_s": 1, "publish_s": 2, "watchdog_s": 2, "debounce_s": 0.2}
SECRET = "kept-quiet-17"


class Terminal:
    """The command line at a terminal of its own, with somebody who types."""

    def __init__(self, *arguments: str) -> None:
        self.shown = ""
        pid, self._fd = pty.fork()
        if pid == 0:
            os.execv(sys.executable, [sys.executable, "-m", "barreltide", *arguments])
        self._pid = pid

    def await_(self, words: str) -> None:
        start = len(self.shown)
        until(lambda: self._read() is None or words in self.shown[start:], f"{words!r}; shown: {self.shown[-500:]!r}")
        assert words in self.shown[start:], self.shown[-1500:]

    def type(self, prompt: str, text: str) -> None:
        self.await_(prompt)
        os.write(self._fd, text.encode() + b"\n")

    def end(self) -> int:
        until(lambda: self._read() is None, "its end")
        os.close(self._fd)
        return os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])

    def _read(self) -> bool | None:
        if select.select([self._fd], [], [], 0.05)[0]:
            try:
                self.shown += os.read(self._fd, 4096).decode(errors="replace")
            except OSError:
                return None
        return False


class Run:
    """One command: its status, and what it said."""

    def __init__(self, capsys, board: UsbBoard) -> None:
        self._capsys, self._board = capsys, board

    def __call__(self, *arguments: str) -> tuple[int, str]:
        self._board.settle()
        status = cli.main(["board", *arguments])
        return status, "".join(self._capsys.readouterr())


def stored(folder: Path) -> list[tuple]:
    try:
        with contextlib.closing(sqlite3.connect(folder / "barreltide.db", timeout=30)) as store:
            return store.execute("SELECT boot, seq FROM arrivals WHERE kind = 'readings'").fetchall()
    except sqlite3.OperationalError:  # it is still being made
        return []


def test_from_a_bare_board_to_its_first_pack_and_an_update_that_is_kept(tmp_path, boards, capsys):
    board = boards().power_on()
    port, run = ("--port", board.device), Run(capsys, board)
    status, said = run("find", *port)
    assert status == 0 and "MicroPython 1." in said and "memory free" in said and "no firmware of ours yet" in said
    status, said = run("read", "--once", *port)
    assert status == 2 and "`barreltide board install` puts it there" in said and said.count("\n") == 1
    status, said = run("install", *port)
    assert status == 0 and "each file as it was sent" in said and "no config.json yet" in said
    for path, content in firmware.files().items():
        assert (board.folder / "a" / path).read_bytes() == content

    board.settle()
    questions = Terminal("board", "configure", *port)
    for prompt, text in (
        ("Name of the site", "garden"), ("Name of this station", "barrels"), ("by USB", "n"), ("Wi-Fi [-]", "trees"),
        ("Its password", SECRET), ("Address of the broker", "192.0.2.5"), ("Its port [1883]", ""),
        ("user name", "barrels"), ("password there", SECRET + "-2"), ("Battery: pin", "34"), ("battery, kOhm", "100"),
        ("minus, kOhm", "15"), ("Names of the beds", "bed-1"), ("upper float", "25"), ("lower float", "26"),
        ("Sump: pin", "27"), ("Pin of the thermometer", "4"),
    ):  # fmt: skip
        questions.type(prompt, text)
    assert questions.end() == 0 and "config.json is on the board" in questions.shown
    assert SECRET not in questions.shown and "192.0.2.5" in questions.shown
    config = json.loads((board.folder / "config.json").read_text())
    assert config["wifi"] == {"ssid": "trees", "password": SECRET} and config["broker"]["password"] == SECRET + "-2"
    assert config["battery"] == {"pin": 34, "adc": "internal", "scale": 7.6667}
    until(lambda: "wifi trees" in board.events(), "the station to use it")
    assert SECRET not in board.said().replace(repr(SECRET), ""), "nor does the board tell it"

    mine = tmp_path / "mine.json"
    mine.write_text(json.dumps(wired(**QUICK) | {"battery": {"pin": 34, "scale": "seven"}}))
    status, said = run("configure", "--from", str(mine), *port)
    assert (status, said) == (2, 'barreltide: config.json: battery.scale is "seven": give a number from 0.1 to 1000\n')
    assert json.loads((board.folder / "config.json").read_text()) == config, "what is wrong is not written"
    mine.write_text(json.dumps(wired(**QUICK) | {"broker": {"host": "h", "ca_file": "ca.der"}}))
    status, said = run("configure", "--from", str(mine), *port)
    assert status == 2 and "authority's file 'ca.der', which does not lie beside it" in said
    (tmp_path / "ca.der").write_bytes(bytes(range(256)) * 6)
    assert run("configure", "--from", str(mine), *port)[0] == 0
    assert (board.folder / "ca.der").read_bytes() == bytes(range(256)) * 6
    config = json.loads((board.folder / "config.json").read_text())
    assert config["wired"] and config["wifi"]["password"] == SECRET, "what the file does not name stays"

    def kept() -> bool:
        return board.said().count("reported in and is kept") == 1

    site = f'{SITE}[broker]\nport = {free_port()}\n[[station]]\nname = "barrels"\nusb = "{board.device}"\n'
    service = FastService(tmp_path / "service", site).start()
    try:
        until(lambda: stored(service.folder), "the first pack")
        board.settle()
        assert install.update(board.device, lambda line: None, True, 6, lambda s: until(kept, "the receipt")) == 0
        assert json.loads((board.folder / "firmware.json").read_text()) == {"run": "b"}
        assert (board.folder / "b" / "program.mpy").exists() and not (board.folder / "b" / "program.py").exists()
        before = set(stored(service.folder))
        status, said = run("read", "--once", *port)  # while the service has the port
        assert status == 0 and re.search(r"battery/voltage +12\.600 V +1\.643\d V at the pin", said), said
        assert re.search(r"water/temperature +21\.38 C", said) and re.search(r"sump/low +water is there +pin 27", said)
        until(
            lambda: {boot for boot, _ in set(stored(service.folder)) - before} - {b for b, _ in before}, "the next boot"
        )
        assert "lent to `barreltide board`" in service.log() and len(stored(service.folder)) == len(
            set(stored(service.folder))
        )
        assert service.end() == 0
    finally:
        service.kill()
    status, said = run("log", "--kept", *port)
    assert status == 0 and "runs: folder b\n" in said and "no error has been kept" in said


@pytest.mark.parametrize("found", [("micropython", (1, 19, 1)), ("circuitpython", (9, 2, 0))])
def test_what_is_too_old_or_no_micropython_is_refused_before_anything_is_put_there(found):
    class Prompt:
        def ask(self, expression: str):
            return eval(expression, {"sys": type("sys", (), {"implementation": found})})

    with pytest.raises(BoardError, match=r"needs MicroPython 1.24 or newer, and this board has \w+ \d+\.\d+\.\d: m"):
        install.install(Prompt(), print)


BROKEN = {
    "does not start": (b"import nothing_that_there_is\n", "ImportError: no module named"),
    "never reports in": (b"def main(place, keep):\n    while True:\n        pass\n", "no pack of it was receipted"),
}


@pytest.mark.parametrize("how", BROKEN)
def test_an_update_with_a_broken_firmware_is_taken_back(how, boards, monkeypatch):
    program, why = BROKEN[how]
    board = boards().give_firmware(wired(**QUICK)).power_on()
    board.settle()
    monkeypatch.setattr(firmware, "files", lambda compiled=False: {"program.py": program})
    said = []
    assert install.update(board.device, said.append, False, 1.0, lambda s: board.settle()) == 1
    assert "the firmware before is back" in said[-1] and why in said[-1]
    assert json.loads((board.folder / "firmware.json").read_text())["run"] == ""
    until(lambda: board.said().count("station firmware %s\n" % firmware.version()) >= 2, "the firmware before")
    assert ("ImportError" in board._text("crash.log")) == (how == "does not start")


@pytest.mark.parametrize("seconds", ["-5", "0", "601", "nan", "soon"])
def test_a_trial_waits_for_no_time_that_cannot_be(seconds, capsys):
    with pytest.raises(SystemExit):
        cli.main(["board", "update", "--port", "/dev/nowhere", "--wait", seconds])
    assert "is no such time; 1 to 600 would do" in capsys.readouterr().err


def test_a_board_that_nobody_looks_at_goes_back_after_three_starts(boards):
    board = boards(watchdog=False).give_firmware(wired(**QUICK))
    (board.folder / "b").mkdir()
    (board.folder / "b" / "program.py").write_bytes(b"print('on trial')\n" + BROKEN["never reports in"][0])
    state = board.folder / "firmware.json"
    state.write_text('{"run": "b", "before": "", "boots": null}')  # a spoiled count is none
    board.power_on()
    for start in (1, 2, 3):
        until(lambda: board.said().count("on trial") == start, f"start {start}")  # noqa: B023
        assert json.loads(state.read_text())["boots"] == start
        board.process.kill()
    until(lambda: "@hello" in board.said(), "the one before, which speaks")
    assert json.loads(state.read_text()) == {"run": "", "failed": "it was started 3 times and has not reported in"}
    state.write_text('{"run": "b", "bef')  # worn flash: then whatever holds a program
    board.process.kill()
    until(lambda: board.said().count("station firmware") == 2, "a start")


# On the bench.


@pytest.fixture
def workbench(boards):
    """A board with its firmware at the prompt, and who stands before it: answers to what is asked, in order."""
    made = []

    def make(values: dict, *answers) -> tuple[UsbBoard, bench.Bench, list[str]]:
        board = boards().give_firmware(values).power_on()
        until(lambda: "watchdog 2000" in board.events(), "the station, its watchdog started")
        board.settle()
        said, left = [], list(answers)

        def ask(words: str) -> str:
            said.append(words)
            answer = left.pop(0)
            return answer() or "" if callable(answer) else answer

        made.append(Repl(board.device).__enter__())
        return board, bench.Bench(made[-1], ask, said.append, lambda s: None), said

    yield make
    for repl in made:
        repl.__exit__(None, None, None)


def test_the_divider_is_calibrated_at_two_points(workbench, monkeypatch):
    """True: 7.9 times and 0.12 V; config.json has 7.667 and nothing. The watchdog is fed while the person dawdles."""
    monkeypatch.setattr(bench, "MEASURE_MS", 300)

    def battery(volts: float, shown: str, wait_s: float = 0.0):
        def turn() -> str:
            time.sleep(wait_s)
            board.world(adc_v={34: (volts - 0.12) / 7.9})
            time.sleep(0.1)
            return shown

        return turn

    answers = (battery(12.0, "11.5"), battery(12.0, "12,00 V", 2.5), "y", "twelve", battery(12.2, "13.9"), "", "", "y")
    board, it, said = workbench(wired(**QUICK), *answers)
    assert it.calibrate() == 0
    assert (
        sum("cannot both be right" in line for line in said) == 2
        and "'twelve' is no number of volts, like 12.64." in said
    )
    assert sum("are those before to be left out?" in line for line in said) == 2, "11.5 is, 12.00 is not"
    assert any("Near 12.00 V" in line and "±0.08 V" in line for line in said)
    config = json.loads((board.folder / "config.json").read_text())
    assert config["battery"]["points"] == [[pytest.approx(11.88 / 7.9, abs=0.001), 12.0]]
    assert config["battery"]["scale"] == pytest.approx(12 / (11.88 / 7.9), abs=0.01)
    assert board.events().count("watchdog 2000") == 1, "it was not started anew by its watchdog"

    another_day = bench.Bench(it._repl, it._ask, said.append)
    answers_left = [battery(14.4, "14.40"), "", "y"]
    another_day._ask = lambda words: (lambda answer: answer() if callable(answer) else answer)(answers_left.pop(0))
    assert another_day.calibrate() == 0
    config = json.loads((board.folder / "config.json").read_text())
    assert config["battery"]["scale"] == pytest.approx(7.9, abs=0.01)
    assert config["battery"]["offset_v"] == pytest.approx(0.12, abs=0.01)
    assert any("Between 12 and 14.4 V" in line and "±0.09 V" in line for line in said)
    assert not firmware.settings_module().read(json.dumps(config))[1], "the station has nothing to say against it"


def test_floats_are_tried_by_hand(workbench, monkeypatch):
    for name, value in (("PATIENCE_S", 0.8), ("SETTLE_MS", 200), ("REST_MS", 100), ("LOOK_MS", 100)):
        monkeypatch.setattr(bench, name, value)
    values = wired(**QUICK, beds={f"bed-{n}": {"high": {"pin": 20 + n, "wet": 0}} for n in (1, 2, 3, 4)})

    def person(line: str) -> None:
        """Does what is said with the float that is its turn; the fourth is on the wrong wire."""
        said.append(line)
        name = next((word for word in reversed(said) if "hang down" in word), "").partition("/")[0]
        pin, lifted, hanging = {"bed-1": (21, 0, 1), "bed-2": (22, 1, 0), "bed-3": (23, 1, 1), "bed-4": (27, 0, 1)}.get(
            name, (0, 0, 0))  # fmt: skip
        if "hold it up" in line:
            board.world(pins={pin: lifted})
        elif "Let it down" in line:
            board.world(pins={pin: hanging})

    once_more = [""] * 3  # for two of them and the sump's: enough tries
    board, it, said = workbench(values, *[""] * 5, *once_more, "y")
    board.world(pins={21: 1, 22: 0, 23: 1, 24: 1, 27: 1})
    time.sleep(0.1)
    it._say = person
    assert it.floats() == 1
    verdict = {line.split()[0]: line for line in said if re.match(r"  \S+/\S+ ", line)}
    assert verdict["bed-1/high"].endswith("is good.") and "is inverted" in verdict["bed-2/high"]
    assert "did not move within 0.8 s: lifted too late, or it sticks" in verdict["bed-3/high"]
    assert "but sump/low did: their pins are exchanged" in verdict["bed-4/high"]
    beds = json.loads((board.folder / "config.json").read_text())["beds"]
    assert [beds[f"bed-{n}"]["high"]["wet"] for n in (1, 2, 3, 4)] == [0, 1, 0, 0]


def test_a_contact_that_bounces_is_told(workbench, monkeypatch):
    monkeypatch.setattr(bench, "SETTLE_MS", 900)
    monkeypatch.setattr(bench, "REST_MS", 100)
    board, it, said = workbench(wired(**QUICK, beds={}, sump={"low": {"pin": 27}}), "", "", "")
    board.world(pins={27: 1})
    time.sleep(0.1)
    tell = it._say

    def person(line: str) -> None:
        tell(line)
        if "hold it up" in line:

            def bounce() -> None:
                for level in (0, 1, 0, 1, 0):
                    board.world(pins={27: level})
                    time.sleep(0.15)

            threading.Thread(target=bounce).start()

    it._say = person
    assert it.floats() == 1
    assert any(re.search(r"sump/low bounces for \d{3} ms", line) for line in said), said


def test_thermometers_are_named_by_a_warm_hand(workbench):
    sump, battery = "28ff000000000001", "28ff000000000002"

    def pads(sump_c: float, battery_c: float) -> dict:
        return {sump: scratchpad(sump_c), battery: scratchpad(battery_c)}

    values = wired(**QUICK, battery_temperature={"pin": 4})
    board, it, said = workbench(values, "", "", "y")
    board.world(one_wire=pads(19.0, 20.0))
    time.sleep(0.1)
    tell = it._say

    def person(line: str) -> None:
        tell(line)
        if "in your hand" in line:
            hands = sum("in your hand" in word for word in said)
            warm = pads(19.1, 24.0) if hands == 1 else pads(25.0, 22.0)
            threading.Timer(0.4, lambda: board.world(one_wire=warm)).start()

    it._say = person
    it._repl.run("bench.CONVERSION_MS = 20")
    assert it.thermometers() == 0
    config = json.loads((board.folder / "config.json").read_text())
    assert (config["water"]["rom"], config["battery_temperature"]["rom"]) == (battery, sump)
    assert sum("grows warmer" in line for line in said) == 2


# The fit, without a board.


def made(pin_v: float, scale: float, offset_v: float, gain: float = 1.0) -> Reading:
    return Reading(pin_v, 0.001, round((pin_v * scale + offset_v) * gain, 2))


@given(
    volts=st.lists(st.floats(11.0, 15.0), min_size=2, max_size=6), scale=st.floats(7.0, 8.4), off=st.floats(-0.2, 0.2),
    gain=st.floats(0.995, 1.005),
)  # fmt: skip
def test_least_squares_agree_with_numpys_and_hold_what_is_promised(volts, scale, off, gain):
    assume(max(volts) - min(volts) > 0.6)
    readings = [made((v - off) / scale, scale, off, gain) for v in volts]
    found = calibration.fit(readings, 7.667)
    slope, intercept = numpy.polyfit([r.pin_v for r in readings], [r.meter_v for r in readings], 1)
    assert (found.scale, found.offset_v) == (pytest.approx(slope, rel=1e-6), pytest.approx(intercept, abs=1e-5))
    promised = float(re.search(r"±(\d\.\d+)", found.words[0])[1])
    for v in (min(volts), max(volts)):
        assert abs(found.scale * (v - off) / scale + found.offset_v - v) <= promised + 0.005


def answering(*typed: str, judge=configure.check) -> tuple[configure.Questions, list[str], list[str]]:
    """Questions, what is left to be typed, and what was said and asked."""
    left, said = list(typed), []

    def ask(words: str) -> str:
        said.append(words)
        return left.pop(0)

    return configure.Questions(ask, lambda words: said.append(words) or SECRET, said.append, judge), left, said


def test_a_wrong_answer_is_asked_for_again_at_once_and_nothing_else_is():
    typed = (
        "Our Garden", "-", "garden", "barrels", "perhaps", "n", "-", "trees", "", "192.0.2.5", "seven", "70000", "",
        "barrels", "GP34", "0", "100k", "nothing", "-5", "15", "Bed 1", "bed-1 bed-2", "25", "34", "25", "26",
        "gpio27", "", "27", "14", "4",
    )  # fmt: skip
    questions, left, said = answering(*typed)
    found = questions.go_through({})
    assert left == [] and found["site"] == "garden" and found["wifi"] == {"ssid": "trees", "password": SECRET}
    assert found["broker"] == {"host": "192.0.2.5", "port": 1883, "username": "barrels", "password": SECRET}
    assert found["battery"] == {"pin": 34, "adc": "internal", "scale": 7.6667}
    assert found["beds"] == {
        "bed-1": {"high": {"wet": 0, "pin": 25}, "low": {"wet": 0, "pin": 26}},
        "bed-2": {"high": {"wet": 0, "pin": 27}},
    }
    assert (found["sump"], found["water"]) == ({"low": {"wet": 0, "pin": 14}}, {"pin": 4})
    for told in (
        'site is "Our Garden": give a name of a-z', "site is missing", "wifi.ssid is missing", "broker.host is missing",
        "'seven' is no number above 0", "broker.port is 70000: give a number from 1 to 65535",
        "'0' is no number above 0", "'nothing' is no number above 0", "'-5' is no number above 0",
        "beds.Bed is no good name",
        "pin 34 is given to bed-1/low and to battery", "pin 25 is given to bed-1/high and to bed-1/low",
        "pin 27 is given to bed-2/high and to sump/low",
    ):  # fmt: skip
        assert sum(told in line for line in said) == 1, told


def test_pins_may_be_exchanged_and_what_is_not_asked_for_stays():
    old = wired(lamp={"pin": 12}, sample_s=3, battery={"pin": 34, "scale": 7.7, "points": [[1.6, 12.4]]})
    questions, left, said = answering("", "", "", "", "", "", "26", "12", "25", "", "")
    found = questions.go_through(old)
    assert left == [] and found == old | {
        "beds": {"bed-1": {"high": {"pin": 26, "wet": 0}, "low": {"pin": 25, "wet": 0}}}
    }
    assert sum("pin 12 is given to bed-1/low and to lamp" in line for line in said) == 1
    with pytest.raises(BoardError, match="sample_s is 0: .*It is not asked for here: `configure --from FILE`"):
        answering()[0].go_through(old | {"sample_s": 0})


def test_resistors_that_are_exchanged_are_told_before_they_cost_a_board():
    start = ("", "", "y", "34")
    questions, left, said = answering(*start, "15", "100", "n", "100", "15", "-", "", "")
    assert questions.go_through({})["battery"]["scale"] == 7.6667 and left == []
    assert any("puts 12.5 V on the pin, and more than 3.3 V destroys it" in line for line in said)
    questions, left, said = answering(*start, "10", "10", "y", "-", "", "")
    assert questions.go_through({})["battery"]["scale"] == 2.0 and left == [], "a battery of 6 V"


def test_the_board_itself_says_which_pins_it_has(boards, capsys, tmp_path):
    board = boards().give_firmware(wired(**QUICK)).power_on()
    board.settle()
    questions = Terminal("board", "configure", "--port", board.device)
    for prompt, text in (
        ("Name of the site", ""), ("Name of this station", ""), ("by USB", ""), ("Battery: pin", "99"),
        ("Battery: pin", "4"), ("Battery: pin", "D5"), ("Battery: pin", "35"), ("been changed", ""),
        ("Names of the beds", ""), ("upper float", "48"), ("upper float", ""), ("lower float", ""), ("Sump: pin", ""),
        ("thermometer", ""),
    ):  # fmt: skip
        questions.type(prompt, text)
    assert questions.end() == 0 and "`barreltide board read --once` shows" in questions.shown
    for told in (
        "battery.pin is pin 99: give a pin that this board has", "battery.pin is 4: give a pin with a converter",
        "battery.pin is pin D5: give a pin that this board has", "beds.bed-1.high.pin is pin 48: give a pin that",
    ):  # fmt: skip
        assert questions.shown.count(told) == 1, (told, questions.shown)
    assert json.loads((board.folder / "config.json").read_text())["battery"]["pin"] == 35

    part = tmp_path / "part.json"  # of a file too, and a part of one is enough
    part.write_text('{"beds": {"bed-1": {"high": {"pin": 48}}}}')
    run = Run(capsys, board)
    status, said = run("configure", "--from", str(part), "--port", board.device)
    assert status == 2 and "beds.bed-1.high.pin is pin 48: give a pin that this board has" in said
    part.write_text('{"beds": {"bed-1": {"high": {"pin": 33}, "low": null}}, "sump": null}')
    assert run("configure", "--from", str(part), "--port", board.device)[0] == 0
    config = json.loads((board.folder / "config.json").read_text())
    assert config["beds"] == {"bed-1": {"high": {"pin": 33, "wet": 0}}} and "sump" not in config
    part.write_text('["beds"]')
    assert "the file is" in run("configure", "--from", str(part), "--port", board.device)[1]
    assert "cannot be read: No such file" in run("configure", "--from", "nowhere.json", "--port", board.device)[1]


def test_whoever_stops_it_half_way_is_told_that_nothing_is_changed(boards):
    board = boards().give_firmware(wired(**QUICK)).power_on()
    before = (board.folder / "config.json").read_text()
    board.settle()
    questions = Terminal("board", "configure", "--port", board.device)
    questions.type("Name of the site", "elsewhere")
    questions.type("Name of this station", "\x03")
    assert questions.end() == 130 and "Stopped; what runs on the board is as it was." in questions.shown
    assert "Traceback" not in questions.shown and (board.folder / "config.json").read_text() == before


def test_the_log_tells_what_the_board_says_while_it_runs(boards):
    board = boards().give_firmware(wired(**QUICK)).power_on()
    board.settle()
    log = Terminal("board", "log", "--port", board.device)
    log.await_("Listening to")
    log.await_("(hello, ")
    (board.folder / "config.json").write_text('{"site": "garden"}')
    board.process.kill()
    log.await_("station firmware")
    log.await_("barreltide: config.json: station is missing")
    assert "@hello" not in log.shown, "lines for the host are told by their kind and length"
    log.type("", "\x03")
    assert log.end() == 130 and "Traceback" not in log.shown


def test_a_trial_that_nobody_receipts_ends_after_ten_minutes(boards):
    board = boards(watchdog=False, clock=FastClock(100)).give_firmware(wired(**QUICK))
    shutil.copytree(FIRMWARE, board.folder / "b", ignore=shutil.ignore_patterns("__pycache__", "main.py"))
    state = board.folder / "firmware.json"
    state.write_text('{"run": "b", "before": "", "boots": 0}')
    board.power_on()
    until(lambda: "failed" in state.read_text(), "the end of the trial")
    failed = json.loads(state.read_text())
    assert failed == {"run": "", "failed": "RuntimeError: no pack was receipted within 10 minutes"}
    assert board.said().count("station firmware") == board.said().count("on trial") == 1
    board.process.kill()  # what is a soft reset on a board leaves this interpreter at its prompt
    until(lambda: board.said().count("station firmware") == 2, "the firmware before")
    assert board.said().count("on trial") == 1


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([(1.6435, 12.6), (1.6435, 12.9)], "cannot both be right"),
        ([(1.6435, 12.6), (1.8783, 12.6)], "cannot both be right"),
        ([(1.6435, 12.6), (1.8783, 13.4)], "cannot both be right"),
        ([(1.5, 11.5), (1.65, 12.65), (1.95, 14.65)], "lie on no line: 12.65 V"),
        ([(1.6435, 1.26)], "the decimal point"),
        ([(0.001, 12.6)], "as if nothing were connected"),
        ([(1.6435, -12.6)], "the right way round"),
        ([(1.6435, float("nan"))], "nan V is no battery's voltage"),
    ],
)
def test_readings_that_cannot_be_right_are_named(readings, words):
    with pytest.raises(BoardError, match=words):
        calibration.fit([Reading(pin_v, 0.001, meter_v) for pin_v, meter_v in readings], 7.667)


def test_noise_is_told_and_near_readings_count_as_one():
    with pytest.raises(BoardError, match="jumps by ±0.15 V: 100 nF"):
        calibration.fit([Reading(1.64, 0.02, 12.6)], 7.667)
    found = calibration.fit([made(1.64, 7.7, 0.0), made(1.68, 7.7, 0.0)], 7.667, 0.0)
    assert found.offset_v == 0.0 and found.scale == pytest.approx(7.7, rel=0.001)
    assert "count as one" in found.words[0] and "±0.0" in found.words[1]


# Finding, and ports that cannot be had.


def test_which_board_is_meant(monkeypatch, tmp_path):
    seen: list[UsbPort] = []
    monkeypatch.setattr(serial_port, "usb_ports", lambda: seen)
    with pytest.raises(BoardError, match="no board is found on USB: does the cable carry data"):
        find.chosen(None)
    seen.append(UsbPort("/dev/ttyUSB7", 0x12D1, 0x1001, "a modem"))
    with pytest.raises(
        BoardError, match=r"no board is found .* /dev/ttyUSB7 \(a modem\), is asked only if --port names"
    ):
        find.chosen(None)
    seen.append(UsbPort("/dev/ttyACM0", 0x2E8A, 0x0005, "Board in FS mode"))
    (named := tmp_path / "ttyUSB7").touch()
    assert find.chosen(None) == "/dev/ttyACM0" and find.chosen(str(named)) == str(named)
    with pytest.raises(BoardError, match="no board at /dev/nowhere: .* There may be one at /dev/ttyACM0."):
        find.chosen("/dev/nowhere")
    seen.append(UsbPort("/dev/ttyACM1", 0x303A, 0x1001, ""))
    with pytest.raises(BoardError, match="2 ports may be boards: name one by --port: /dev/ttyACM0, /dev/ttyACM1"):
        find.chosen(None)


def test_ports_that_cannot_be_had_are_told_in_one_line(tmp_path, boards, monkeypatch, capsys):
    monkeypatch.setattr(serial_port, "LENT_S", 0.2)

    def said() -> str:
        assert cli.main(["board", "read", "--port", device]) == 2
        told = capsys.readouterr().err
        assert told.count("\n") == 1
        return told

    device = str(tmp_path / "nowhere")
    assert "no board at" in said() and "is it plugged in?" in said()
    board = boards()
    device = board.device
    monkeypatch.setattr("barreltide.board.repl.PROMPT_S", 0.3)
    assert "gives no MicroPython prompt" in said()  # nobody is at the other end
    with serial_port.open_port(device, 0, 1):
        assert "is in use by another program" in said()
    with serial_port.Borrowed(device):
        assert "is in use by another `barreltide board`" in said()
    if os.geteuid() == 0:
        refused = PermissionError(13, "Permission denied", device)
        monkeypatch.setattr(os, "open", lambda *_: (_ for _ in ()).throw(refused))
    else:
        Path(os.path.realpath(device)).chmod(0)
    assert "sudo, or membership in the group dialout, would do" in said()
