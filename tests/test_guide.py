"""The guide: its drawings are what their source draws, its figures what can be computed, its examples what works."""

from __future__ import annotations

import importlib.util
import json
import math
import re
import tomllib
from pathlib import Path

import pytest

from barreltide import cli
from barreltide import site as site_module
from barreltide.board import configure
from barreltide.core import sizing
from conftest import until
from firmware_board import ROM, scratchpad
from test_board import Terminal
from test_check import LEAST
from usb_board import UsbBoard, boards  # noqa: F401

ROOT = Path(__file__).resolve().parent.parent
DEPLOY = ROOT / "deploy"
GUIDE, AWAY = ((DEPLOY / name).read_text() for name in ("guide.md", "away.md"))
PLAIN = re.sub(r"\s+", " ", GUIDE)

UPPER_OHM, LOWER_OHM = 100e3, 15e3
SCALE = (UPPER_OHM + LOWER_OHM) / LOWER_OHM
ESP32_GOOD_TO_V = 2.45  # the chip's data sheet, 11 dB attenuation (from memory)
GRAVITY = 9.81


def drawings():
    spec = importlib.util.spec_from_file_location("drawings", DEPLOY / "drawings.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", drawings().DRAWINGS)
def test_each_drawing_is_as_its_source_draws_it(name):
    made = drawings().DRAWINGS[name]().svg()
    assert (DEPLOY / "drawings" / f"{name}.svg").read_text() == made, "python3 deploy/drawings.py draws them anew"
    assert f"(drawings/{name}.svg)" in GUIDE and "prefers-color-scheme:dark" in made


def test_every_link_leads_somewhere_and_no_step_is_left_open():
    for page in (GUIDE, AWAY):
        links = [link for link in re.findall(r"\]\(([^)#]+)\)", page) if "://" not in link]
        assert [link for link in links if not (DEPLOY / link).exists()] == []
        assert not re.search(r"[A-Z]+_[A-Z]+(?!_)", page.replace("proxy_", "")), "a placeholder"


def test_the_divider_is_the_firmwares_and_its_figures_are_right():
    config = json.loads((ROOT / "firmware" / "config.example.json").read_text())
    assert config["battery"]["scale"] == pytest.approx(SCALE, abs=5e-4)
    assert f"{12.6 / SCALE:.2f} V at the node" in PLAIN and f"{16.2 / SCALE:.2f} V at the pin" in PLAIN
    worst_v = 16.2 / (1 + UPPER_OHM * 0.99 / (LOWER_OHM * 1.01))  # both parts off to the wrong side
    assert worst_v < ESP32_GOOD_TO_V and f"never more than {ESP32_GOOD_TO_V} V" in PLAIN
    off_v = 12.6 * ((1 + UPPER_OHM * 1.01 / (LOWER_OHM * 0.99)) / SCALE - 1)
    assert f"{off_v:.2f} V off at 12.6 V" in PLAIN
    node_ohm = UPPER_OHM * LOWER_OHM / (UPPER_OHM + LOWER_OHM)
    assert (
        10e-6 * node_ohm * SCALE == pytest.approx(1.0, abs=0.02)
        and "10 µA through these resistors are a whole volt" in PLAIN
    )
    assert 12.6 / (UPPER_OHM + LOWER_OHM) == pytest.approx(0.1e-3, abs=0.02e-3) and "the divider 0.1 mA" in PLAIN
    proposed = sizing.divider("esp32", "flooded")
    assert proposed.upper_ohm == UPPER_OHM and proposed.lower_ohm <= LOWER_OHM, "the sizing command is the more careful"


def test_a_float_is_read_by_its_parts():
    """High and low as the ESP32 takes them: 0.75 and 0.25 of its supply (data sheet, from memory)."""
    pull_up, series = 4.7e3, 1e3
    assert 3.3 * series / (series + pull_up) < 0.8 < 0.25 * 3.3
    assert 3.3 / pull_up == pytest.approx(0.7e-3, abs=0.05e-3) and "wets the contact with 0.7 mA" in PLAIN
    assert pull_up * 100e-9 < 0.05, "far quicker than the firmware looks"
    # Torricelli's law with a discharge coefficient of 0.6 (a sharp-edged hole; common practice, no source).
    tube_mm2, holes_mm2 = math.pi * 25**2, 3 * math.pi * 2**2
    through_mm_s = 5 * tube_mm2 / holes_mm2
    lag_mm = (through_mm_s / 0.6) ** 2 / (2 * GRAVITY * 1000)
    assert 5 < lag_mm < 10 and "drains at 5 mm/s within 1 cm" in PLAIN


def test_fuses_and_shunt_suit_what_they_carry():
    assert 5 * 0.5 / 0.8 / 10.5 < 0.75 * 1.0, "the board's converter at its most, on a low battery"
    assert 5 * 3.0 / 0.8 / 10.5 < 0.75 * 3.0, "the computer's"
    assert 0.02 * 3.0 < 0.0819, "INA226: full scale ±81.92 mV (data sheet, from memory)"


def test_the_follower_of_the_page_is_a_good_site_file(tmp_path):
    proxied, block = re.findall(r"```toml\n(.*?)```", AWAY, re.DOTALL)
    (tmp_path / "site.toml").write_text(LEAST + proxied + block + '[notify]\nalarms = ["station-silent"]\n')
    site = site_module.load(tmp_path / "site.toml")
    assert (
        site.web.behind_proxy
        and site.broker.follow
        and site.notify.alarms == ["station-silent"]
        and tomllib.loads(block)["broker"]["port"] == 8883
    )
    queued = re.search(r"max_queued_messages (\d+)", (DEPLOY / "mosquitto.conf").read_text())[1]
    assert f"{int(queued):,} messages" in AWAY and 3 * 86_400 / 15 < int(queued)


def test_the_pins_are_those_of_the_example_and_each_is_given_once():
    example = json.loads((ROOT / "firmware" / "config.example.json").read_text())
    table = re.search(r"^\| sensor \| ESP32 .*?\n\n", GUIDE, re.MULTILINE | re.DOTALL)[0]
    rows = {
        cells[0]: cells[1:3] for cells in re.findall(r"^\| (.*?) \| ([\d, ]+) \| ([\d, ]+) \|", table, re.MULTILINE)
    }
    columns = [[int(pin) for row in rows.values() for pin in row[place].split(",")] for place in (0, 1)]
    assert len(rows) == 7 and all(len(column) == len(set(column)) == 9 for column in columns)
    bed = example["beds"]["bed-1"]
    wanted = (example["battery"]["pin"], bed["high"]["pin"], bed["low"]["pin"], example["sump"]["low"]["pin"])
    names = ("battery's divider", "first bed, upper float", "first bed, lower float", "float at the sump's low mark")
    assert tuple(int(rows[name][0]) for name in names) == wanted and int(rows["thermometers, all on one"][0]) == 4

    parts = re.findall(r"```json\n(.*?)```", GUIDE, re.DOTALL) + re.findall(r"`(\{.*?\})`", GUIDE)
    assert len(parts) == 2
    for part in parts:
        assert configure.check(json.dumps(configure.merged(example, json.loads(part)))) == []


# The bench, walked by the guide alone.


def steps(section: int) -> list[tuple[list[str], list[str]]]:
    """(commands to a board, what should be seen, … standing for anything) of each numbered step of a section."""
    text = re.search(rf"^## {section}\. .*?(?=^## )", GUIDE, re.MULTILINE | re.DOTALL)[0]
    found = []
    for step in re.findall(r"^\d+\. .*?(?=^\d+\. |^\S)", text, re.MULTILINE | re.DOTALL):
        told, _, seen = re.sub(r"\s+", " ", step).partition("**You should see**")
        seen = seen or re.sub(r"\s+", " ", step).partition("**you should see**")[2]
        sentence = re.match(r"(?:`[^`]*`|[^`.]|\.(?! [A-Z]))*", seen)[0]
        found.append((re.findall(r"`sudo barreltide (board [^`…]*)`", told), re.findall(r"`([^`]*)`", sentence)))
    return found


def walk(board: UsbBoard, command: str, *dialogue: tuple) -> str:
    """Type the command; answer each prompt, or do what it asks for. What it showed."""
    board.settle()
    terminal = Terminal(*command.split(), "--port", board.device)
    for prompt, act in dialogue:
        if callable(act):
            terminal.await_(prompt)
            act()
        else:
            terminal.type(prompt, act)
    status = terminal.end()
    assert (status == 0 or "no sensor answers" in terminal.shown) and "Traceback" not in terminal.shown, terminal.shown
    return terminal.shown


def test_the_bench_says_what_the_guide_says_it_will(tmp_path, boards):  # noqa: F811
    """From a bare board to a calibrated one, each command as it is written, each line looked for."""
    part = {"site": "garden", "station": "barrels", "beds": {"mint": {}}}
    part["broker"] = {"host": "192.0.2.5", "port": 8883, "username": "barrels", "password": "x", "ca_file": "ca.der"}
    (tmp_path / "config.json").write_text(json.dumps(part))
    (tmp_path / "ca.der").write_bytes(b"authority")
    board = boards(watchdog=False).power_on()
    board.world(one_wire={}, adc_v={34: 0.0})

    def lift(level: int):
        return lambda: board.world(pins={25: level})

    dialogues = {
        "board configure": (
            ("Name of the site", ""), ("this station", ""), ("by USB", ""), ("Wi-Fi [-]", "trees"),
            ("password", "secret"), ("Address", ""), ("port", ""), ("user name", ""), ("password there", ""),
            ("Battery: pin", "34"), ("battery, kOhm [100]", ""), ("minus, kOhm [15]", ""), ("[mint]", ""),
            ("upper float [-]", "25"),
            ("lower float [-]", ""), ("Sump: pin", "-"), ("thermometer", "4"),
        ),
        "board calibrate": (("volts: ", "12.5"), ("Enter to end", ""), ("Write this", "y")),
        "board floats": (("press Enter", ""), ("hold it up", lift(0)), ("Let it down", lift(1))),
    }  # fmt: skip
    walked = []
    for section in (2, 4):
        for commands, seen in steps(section):
            if not commands or "thermometers" in commands[0]:
                continue
            (written,) = commands
            command = written.replace("/etc/barreltide/boards/barrels", str(tmp_path))
            shown = re.sub(r"\s+", " ", walk(board, command, *dialogues.get(written, ())))
            for quote in seen:
                wanted = ".*".join(re.escape(piece.strip()) for piece in re.split("…", re.sub(r"\s+", " ", quote)))
                assert re.search(wanted, shown), (command, quote, shown)
            walked.append((written.split()[1], len(seen)))
        board.world(one_wire={ROM: scratchpad(18.0)}, adc_v={34: 12.6 / SCALE})
    assert [name for name, _ in walked] == [
        "find", "install", "configure", "configure", "read", "read", "calibrate", "floats",
    ] and all(count for _, count in walked)  # fmt: skip
    config = json.loads((board.folder / "config.json").read_text())
    assert config["battery"]["points"] == [[pytest.approx(12.6 / SCALE, abs=0.001), 12.5]]
    until(lambda: "wifi trees" in board.events(), "the station, which runs by its new settings")


def test_every_command_that_the_pages_name_is_one():
    """With its options; those of `board` by its actions."""
    parser = cli._parser()
    commands = next(action for action in parser._actions if action.choices).choices
    named = re.findall(r"(?:^|`|sudo )barreltide ([a-z][^`\n]*)", GUIDE + AWAY, re.MULTILINE)
    assert len(named) > 12
    for line in named:
        command, *rest = line.split()
        assert command in commands, line
        known = {option for action in commands[command]._actions for option in action.option_strings}
        assert {word for word in rest if word.startswith("--")} <= known, line
        if command == "board":
            assert rest[0] in next(action for action in commands["board"]._actions if action.choices).choices, line
