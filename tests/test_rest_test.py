"""The rest test: what it refuses, what it says while it watches, when it ends, and what it makes of what it saw.

Most of it is done with a garden in a list, by a clock that only sleeping moves; the last tests with the real chain.
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import threading
import time
from math import exp

import pytest

from barreltide.commands import rest_result
from barreltide.commands.client import Client, ClientError
from barreltide.commands.rest_result import Seen, result
from barreltide.commands.rest_test import Refusal, RestTest
from barreltide.core import oxygen
from barreltide.core.voltage import Step
from barreltide.site import Site, load
from chain import FastBoard, FastClock, FastService
from conftest import SITE as LEAST
from conftest import free_port
from firmware_board import config, wait_for
from test_chain import PERIOD_S, Bed, run
from test_notify import hooks  # noqa: F401

NIGHT_S = 1_781_160_000.0  # 2026-06-10, 23:40 at the garden
NOON_S = NIGHT_S - 11 * 3600
SUMP = {"volume_l": 200.0, "fish": "goldfish", "fish_mass_kg": 1.5}


def site(sump: dict | None = SUMP, current_a: float | None = 2.0, **battery) -> Site:
    return Site.model_validate(
        {
            "site": {"name": "garden", "latitude": 38.5, "longitude": -121.7, "time_zone": "America/Los_Angeles"},
            "battery": {"capacity_ah": 100.0, **battery},
            "pump": [{"name": "pump", "feeds": ["bed-1"], "current_a": current_a}],
            "bed": [{"name": "bed-1"}],
            **({"sump": sump} if sump is not None else {}),
            "station": [{"name": "barrels"}],
        }
    )


class Garden:
    """Stands where the service would be: answers as it does, and lets time pass when it is slept at."""

    def __init__(self, start_s: float = NIGHT_S) -> None:
        self.now_s = start_s
        self.off_s = self.on_s = 1e12  # when the grower switches
        self.lifts = True  # once it is on again
        self.ohm, self.celsius, self.walk_s = 0.030, 20.0, 20.0
        self.told: list[dict] = []
        self.said: list[str] = []
        self.standing: list[dict] = []
        self.silent_from_s = self.dead_from_s = 1e12
        self.rise_s: float | None = None
        self.current = False
        self.at_minute: dict[int, object] = {}  # minutes from the switch -> what happens then

    # what RestTest is made with

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        for minute in [m for m in self.at_minute if self.now_s >= self.off_s + 60 * m]:
            self.at_minute.pop(minute)()

    def say(self, line: str) -> None:
        self.said.append(line)
        if "on again, now." in line and self.on_s > self.now_s:
            self.on_s = self.now_s + 40

    def ask(self, line: str) -> None:
        self.said.append(line)
        self.off_s = self.now_s + self.walk_s

    def tell(self, word: dict) -> dict:
        self.told.append(word | {"at_s": self.now_s})
        return {}

    def get(self, path: str, **query) -> dict:
        if self.now_s > self.dead_from_s:
            raise ClientError("no service answers at http://127.0.0.1:8420/")
        heard_s = min(self.now_s - 3, self.silent_from_s)
        if path == "api/series":
            names = ["battery/voltage"] + (["pump/current"] if self.current else [])
            return {"series": [{"station": "barrels", "name": name, "time_s": heard_s} for name in names]}
        if path == "api/readings":
            first = int(max(query["start_s"], self.now_s - 7200) // 5) + 1
            times = [5.0 * k for k in range(first, int(heard_s // 5) + 1)]
            value = self.volts if query["name"] == "battery/voltage" else self.amperes
            return {"readings": [[at_s, value(at_s)] for at_s in times]}
        assert path == "api/now"
        wet_s = self.wet_since_s()
        return {
            "now_s": self.now_s,
            "battery": {"voltage_v": self.volts(heard_s), "time": heard_s, "basis": "loaded"},
            "water": None if self.celsius is None else {"temperature_c": self.celsius, "time": heard_s - 20},
            "stations": {"barrels": {"last_heard": heard_s, "silent": self.now_s - heard_s > 420}},
            "beds": {"bed-1": {"wet": wet_s is not None, "since": wet_s or NIGHT_S - 900, "period_s": 900.0}},
            "pumps": {"pump": {"running": True}},
            "standing": self.standing,
        }

    # what it is like

    def is_off(self, at_s: float) -> bool:
        return self.off_s <= at_s < self.on_s

    def amperes(self, at_s: float) -> float:
        return 0.0 if self.is_off(at_s) else 2.5

    def volts(self, at_s: float) -> float:
        noise = (int(at_s) // 5 * 7919 % 11 - 5) / 1500
        volts = 12.40 - 0.000002 * (at_s - NIGHT_S) + noise
        if self.is_off(at_s):
            volts += 2.0 * self.ohm
        if at_s > self.off_s:  # what comes slowly, and goes slowly again
            crept_v = 0.05 * (1 - exp(-(min(at_s, self.on_s) - self.off_s) / 1500))
            volts += crept_v * exp(-max(at_s - self.on_s, 0.0) / 1500)
        return round(volts, 3)

    def wet_since_s(self) -> float | None:
        if self.rise_s is not None and self.now_s > self.rise_s:
            return self.rise_s
        back_s = self.on_s + 400
        return back_s if self.lifts and self.now_s > back_s else None


def rest(garden: Garden, plan: Site | None = None, minutes: float | None = None) -> tuple[int, str]:
    test = RestTest(plan or site(), garden, garden.say, garden.ask, garden.sleep)
    status = test.run(minutes)
    return status, "\n".join(garden.said)


# The whole of it.


def test_a_rest_from_the_cautions_to_the_result():
    garden = Garden()
    status, said = rest(garden, minutes=40)
    assert status == 0
    assert said.index("Local codes and licensed") < said.index("Switch 'pump' off by hand now")
    off_for_s = garden.on_s - garden.off_s
    assert 39 * 60 < off_for_s < 41 * 60
    assert "the load has gone: the voltage rose by" in said and "the load is back: the voltage fell by" in said
    assert "water moves in 'bed-1' again" in said
    assert re.search(r"\d\d:\d\d  12\.\d\d V, 20 minutes left", said)
    assert sum(line.endswith(" left") for line in garden.said) in (39, 40)
    (about,) = re.findall(r"resistance of about (\d+) mΩ", said)
    assert 27 <= int(about) <= 36, "30 mΩ, and the quickest part of what comes after"
    assert "After 40 minutes without load the voltage stands at 12.49 V." in said
    assert "A battery counts as rested after six hours without charge or load; this was 40 minutes" in said
    assert "That is a rested voltage" not in said


def test_a_step_is_measured_once_it_is_wholly_in_view():
    """Wherever it falls among the spans of time over which the voltage is averaged."""
    for walk_s in range(20, 40, 3):
        garden = Garden()
        garden.walk_s = walk_s
        _, said = rest(garden, minutes=10)
        assert 29 <= int(re.findall(r"resistance of about (\d+) mΩ", said)[0]) <= 33, walk_s


def test_the_alarms_are_held_back_before_anything_is_off_and_until_the_water_should_be_back():
    garden = Garden()
    rest(garden, minutes=40)
    first, second = garden.told
    assert first["at_s"] < garden.off_s and second["at_s"] <= garden.off_s
    for word in (first, second):
        assert (word["input"], word["pump"]) == ("pump-rested", "pump")
        assert 40 * 60 < word["for_s"] <= 40 * 60 + 900 + 300, "a bed's period, and a little"
    span = oxygen.hours(200.0, "goldfish", 1.5, 20.0)
    assert second["for_s"] < 3600 * span.low_h, "but told before the fish are in need"


def test_where_the_door_is_shut_nothing_is_switched_off():
    garden = Garden()

    def shut(word: dict) -> dict:
        raise ClientError("the service says: only this host may say that")

    garden.tell = shut
    with pytest.raises(ClientError):
        rest(garden, minutes=30)
    assert not [line for line in garden.said if "off by hand" in line]


# The fish come first.


def test_it_offers_half_of_the_low_end_and_refuses_more():
    span = oxygen.hours(200.0, "goldfish", 3.0, 26.0)
    safe = 30 * span.low_h
    garden, plan = Garden(), site(SUMP | {"fish_mass_kg": 3.0})
    garden.celsius = 26.0
    with pytest.raises(Refusal, match=f"for the fish at most {int(safe)} would do"):
        rest(garden, plan, minutes=safe + 2)
    status, said = rest(garden, plan)
    assert status == 0 and f"For them at most {int(safe)} minutes without the pump are safe." in said
    assert "At 26.0 °C the fish have oxygen for about" in said and "(an estimate)" in said
    assert abs((garden.on_s - garden.off_s) / 60 - safe) < 1.5


def test_without_a_number_it_lasts_an_hour_at_most():
    garden = Garden()
    rest(garden, site(SUMP | {"fish_mass_kg": 0.2}))
    assert abs(garden.on_s - garden.off_s - 3600) < 90


@pytest.mark.parametrize(
    ("sump", "celsius"),
    [(None, 20.0), (SUMP | {"fish_mass_kg": 0.0}, 20.0), ({"fish": "koi", "fish_mass_kg": 2.0}, 20.0), (SUMP, None)],
    ids=["no sump", "no mass", "no volume", "no temperature"],
)  # fmt: skip
def test_what_is_not_known_needs_a_number_and_a_warning(sump, celsius):
    garden = Garden()
    garden.celsius = celsius
    with pytest.raises(Refusal, match="volume_l, fish and fish_mass_kg"):
        rest(garden, site(sump))
    status, said = rest(garden, site(sump), minutes=25)
    assert status == 0 and "WARNING: how long the fish can be without the pump is not known" in said


def test_a_sump_without_fish_needs_none_of_it():
    garden = Garden()
    garden.celsius = None
    status, said = rest(garden, site({"fish": "none"}), minutes=90)
    assert status == 0 and "WARNING" not in said and abs(garden.on_s - garden.off_s - 5400) < 90


def test_water_that_warms_ends_it_at_once():
    garden = Garden()
    garden.at_minute[12] = lambda: setattr(garden, "celsius", 21.1)
    status, said = rest(garden, minutes=40)
    assert "END THE REST NOW. The water has warmed from 20.0 to 21.1 °C." in said
    assert (garden.on_s - garden.off_s) / 60 < 14 and status == 0


def test_water_that_warms_a_little_shortens_it():
    span = oxygen.hours(200.0, "goldfish", 3.0, 26.9)
    garden, plan = Garden(), site(SUMP | {"fish_mass_kg": 3.0})
    garden.celsius = 26.0
    garden.at_minute[5] = lambda: setattr(garden, "celsius", 26.9)
    rest(garden, plan)
    assert abs((garden.on_s - garden.off_s) / 60 - 30 * span.low_h) < 1.5


def test_a_silent_station_ends_it():
    garden = Garden()
    garden.at_minute[10] = lambda: setattr(garden, "silent_from_s", garden.now_s)
    status, said = rest(garden, minutes=40)
    assert "END THE REST NOW. The station 'barrels' is silent: nothing is watched any more." in said
    assert 10 < (garden.on_s - garden.off_s) / 60 < 20


def test_a_service_that_has_gone_ends_it():
    garden = Garden()
    garden.at_minute[10] = lambda: setattr(garden, "dead_from_s", garden.now_s)
    status, said = rest(garden, minutes=40)
    assert status == 1 and "END THE REST NOW. Nothing can be watched any more: no service answers" in said
    assert "Look at the water with your own eyes." in said and garden.on_s - garden.off_s < 20 * 60


def test_a_service_that_is_started_anew_does_not():
    garden = Garden()
    garden.at_minute[10] = lambda: setattr(garden, "dead_from_s", garden.now_s)
    answer = garden.get

    def get(path: str, **query) -> dict:
        if garden.now_s > garden.dead_from_s + 50:
            garden.dead_from_s = 1e12
        return answer(path, **query)

    garden.get = get
    status, said = rest(garden, minutes=40)
    assert status == 0 and "END" not in said


def test_a_pump_that_runs_after_all_ends_it():
    garden = Garden()
    garden.rise_s = NIGHT_S + 900
    _, said = rest(garden, minutes=40)
    assert "END THE REST NOW. Water has risen in 'bed-1': a pump runs." in said


def test_another_urgent_alarm_ends_it():
    garden = Garden()
    alarm = {"alarm": "sump-low", "subject": "sump", "priority": "urgent", "message": "The sump is low. Look."}
    garden.at_minute[8] = lambda: garden.standing.append(alarm | {"raised": garden.now_s})
    _, said = rest(garden, minutes=40)
    assert "END THE REST NOW. The sump is low." in said and garden.on_s - garden.off_s < 11 * 60


def test_where_no_water_comes_back_it_says_so_loudly():
    garden = Garden()
    garden.lifts = False
    status, said = rest(garden, minutes=30)
    assert status == 1 and "NO WATER HAS BEEN SEEN in any bed. Go and look at once" in said
    assert "waiting for the water to reach a float" in said


def test_where_nobody_switches_on_again_it_asks_each_minute():
    garden = Garden()
    test = RestTest(site(), garden, garden.said.append, garden.ask, garden.sleep)
    assert test.run(20) == 1
    assert sum("'pump' on again? Nothing shows it yet." in line for line in garden.said) > 15


@pytest.mark.parametrize("minute", [0.4, 5, 29.9])
def test_ctrl_c_at_any_time_says_switch_on(minute):
    def interrupt() -> None:
        raise KeyboardInterrupt

    garden = Garden()
    garden.at_minute[minute] = interrupt
    with pytest.raises(KeyboardInterrupt):
        rest(garden, minutes=30)
    assert garden.said[-1].strip() == "Switch 'pump' on again now, and see with your own eyes that water moves."
    garden = Garden()
    garden.ask = lambda line: interrupt()
    with pytest.raises(KeyboardInterrupt):
        rest(garden, minutes=30)
    assert "on again now" in garden.said[-1], "the switch may have come before the Enter"


def test_no_step_is_asked_about():
    garden = Garden()
    garden.ohm = -0.025  # what the voltage gains by the rest is lost in what it loses
    _, said = rest(garden, minutes=20)
    assert "no step in the voltage is to be seen. Is the pump off?" in said
    assert "The voltage has shown no step" in said and "RESULT" not in said


def test_what_forbids_a_rest():
    garden = Garden()
    garden.silent_from_s = NIGHT_S - 500
    with pytest.raises(Refusal, match="'barrels' is silent"):
        rest(garden, minutes=20)
    garden = Garden()
    garden.standing = [{"alarm": "pump-stopped", "priority": "urgent", "message": "The pump 'pump' has stopped."}]
    with pytest.raises(Refusal, match="first see to what stands: The pump 'pump' has stopped."):
        rest(garden, minutes=20)
    garden.standing = [{"alarm": "battery-low", "priority": "urgent", "message": "Low.", "raised": NIGHT_S - 900}]
    assert rest(garden, minutes=20)[0] == 0, "a rest does that battery no harm"
    for minutes in (4, 0, -1):
        with pytest.raises(Refusal, match="too short to learn from"):
            rest(Garden(), minutes=minutes)


def test_by_day_it_says_that_the_panel_is_in_the_way():
    garden = Garden(NOON_S)
    _, said = rest(garden, minutes=20)
    assert "It is day: a panel that charges leaves the battery no rest." in said
    assert "nothing is told of the charge" in said and " %." not in said


# What is made of it.


def seen(minutes: float = 60.0, up_v: float = 0.060, down_v: float = -0.064, **more) -> Seen:
    off_s, end_s = NIGHT_S, NIGHT_S + 60 * minutes
    volts = [(off_s - 300 + 5 * k, 12.30) for k in range(60)]
    volts += [(off_s + 5 * k, 12.30 + up_v) for k in range(1, int(12 * minutes) + 1)]
    on = Step(end_s + 20, down_v, -9.0, 12.30 + up_v)
    return Seen(**{"volts": volts, "off": Step(off_s, up_v, 9.0, 12.30), "on": on, "until_s": end_s} | more)


def estimated(monkeypatch, *answer: float) -> None:
    monkeypatch.setattr(rest_result, "rested_estimate", lambda times_s, volts: answer or None)


def test_the_resistance_is_the_step_over_the_current():
    text = "\n".join(result(site(), seen()))
    # 2.0 A at 12.6 V is 1.952 A at 12.3 V; 60 and 64 mV over that are 30.7 and 32.8 mΩ
    assert "resistance of about 32 mΩ: 60 mV when the load went, 64 mV when it came back, at 2.0 A." in text
    assert "resistance of about 25 mΩ" in "\n".join(result(site(current_a=None), seen(load_a=2.5)))
    assert "With current_a of the pump in the site file" in "\n".join(result(site(current_a=None), seen()))
    assert "The two steps disagree" in "\n".join(result(site(), seen(down_v=-0.100)))
    assert "60 mV when the load went, at 2.0 A" in "\n".join(result(site(), seen(on=None)))


def test_the_charge_is_an_interval_over_both_tables(monkeypatch):
    estimated(monkeypatch, 12.40, 0.01)
    text = "\n".join(result(site(), seen()))
    assert "It would come to rest at about 12.40 V, give or take 0.02 V." in text
    (low, high) = map(int, re.findall(r"a charge between (\d+) and (\d+) %", text)[0])
    # Between the tables: 12.40 V is 69 % by BCI's, 72 % by the T-105's; 0.046 V to either side.
    assert 62 <= low <= 65 and 74 <= high <= 77
    own = site(rested_voltage_v=[[0.0, 12.0], [1.0, 12.8]])
    text = "\n".join(result(own, seen()))
    assert "By this battery's own table that is a charge between 44 and 56 %." in text
    assert "this was 60 minutes: an estimate, no rested voltage." in text


def test_a_battery_of_24_volts_is_told_in_its_own_volts(monkeypatch):
    asked: list = []
    monkeypatch.setattr(
        rest_result, "rested_estimate", lambda times_s, volts: asked.append(volts) or (12.40, 0.01))  # fmt: skip
    watched = seen()
    watched.volts = [(at_s, 2 * volts) for at_s, volts in watched.volts]
    text = "\n".join(result(site(nominal_voltage_v=24.0), watched))
    assert "stands at 24.72 V" in text and "at about 24.80 V, give or take 0.03 V" in text
    assert max(asked[0]) < 12.4
    assert re.search(r"a charge between 6[2-5] and 7[4-7] %", text)


def test_what_is_too_short_is_not_told(monkeypatch):
    estimated(monkeypatch)
    text = "\n".join(result(site(), seen(10)))
    assert "Where it would come to rest cannot be told yet." in text and " %" not in text


def test_six_hours_are_a_rest():
    text = "\n".join(result(site(), seen(6.1 * 60)))
    assert "After 6.1 hours without load" in text and "That is a rested voltage." in text and "estimate" not in text
    assert "That is a rested voltage." not in "\n".join(result(site(), seen(5.9 * 60)))


def test_the_real_estimate_is_asked_as_it_wants_to_be():
    """Of a voltage that creeps up to 12.45 V after the load."""
    watched = seen(90)
    rise = [(at_s, 12.45 - 0.09 * exp(-(at_s - NIGHT_S) / 1500)) for at_s, _ in watched.volts if at_s > NIGHT_S]
    watched.volts = [(at_s, volts) for at_s, volts in watched.volts if at_s <= NIGHT_S] + rise
    answer = rest_result.rested_estimate(*rest_result._means([(at_s - NIGHT_S, volts) for at_s, volts in rise]))
    assert abs(answer[0] - 12.45) < 3 * answer[1] and answer[1] < 0.05


# The command.


def command(folder, *options: str, text: str = LEAST) -> tuple[int, str, str]:
    (folder / "site.toml").write_text(text)
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", "rest-test", "--site", str(folder / "site.toml"), *options],
        capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def test_mistakes_get_status_2_and_one_line(tmp_path):
    port = free_port()
    status, out, err = command(tmp_path, text=LEAST + f"[web]\nport = {port}\n")
    assert (status, out) == (2, "") and len(err.splitlines()) == 1
    assert err.startswith(f"barreltide: no service answers at http://127.0.0.1:{port}/ (")
    status, _, err = command(tmp_path, text=LEAST + "[web]\nport = 0\n")
    assert status == 2 and "[web] port: found 0" in err
    assert command(tmp_path, "--minutes", "soon")[0] == 2


# The real thing: firmware, broker, service and web hook, by a clock that is faster than life.


def test_the_whole_chain_through_a_rest_and_a_forgotten_pump(tmp_path, mosquitto, hooks):  # noqa: F811
    clock, hook = FastClock(30), hooks()
    text = LEAST.replace('name = "pump"', 'name = "pump"\ncurrent_a = 2.0')
    text += '[sump]\nvolume_l = 200.0\nfish = "goldfish"\nfish_mass_kg = 1.0\n[web]\nport = 0\n'
    text += f'[broker]\nport = {mosquitto.port}\n[notify]\nurls = ["{hook.url}"]\n'
    service = FastService(tmp_path / "service", text, clock).start()
    board, done = None, threading.Event()
    try:
        wait_for(lambda: "connected to the broker" in service.said(), 60, "the service to be connected")
        board = FastBoard(tmp_path / "board", config(mosquitto.port), clock)
        bed = Bed(clock, board.start())
        run(bed, lambda: len(bed.falls) >= 4, "four cycles", 6 * PERIOD_S)

        def flow() -> None:
            while not done.is_set():
                bed.flow()
                time.sleep(0.02)

        threading.Thread(target=flow, daemon=True).start()
        address = service.said().partition("pages at ")[2].partition(",")[0]
        said: list[str] = []

        def say(line: str) -> None:
            said.append(line)
            if "on again, now." in line:
                bed.pumping = True

        plan, client = load(service.site), Client(address)
        test = RestTest(plan, client, say, lambda line: bed.stop_pump(), lambda s: time.sleep(s / clock.speed))
        assert test.run(12) == 0, said
        assert hook.got == [], said
        told = "\n".join(said)
        assert "the load has gone" in told and "water moves in 'bed-1' again" in told
        (about,) = re.findall(r"resistance of about (\d+) mΩ", told)
        assert 31 <= int(about) <= 40, f"70 mV over 2 A\n{told}"

        # And once more, with a grower who does not come back.
        test = RestTest(plan, client, said.append, lambda line: bed.stop_pump(), lambda s: time.sleep(s / clock.speed))
        assert test.run(6) == 1, said
        assert "NO WATER HAS BEEN SEEN" in "\n".join(said)
        wait_for(lambda: "The pump 'pump' is not back from its rest." in json.dumps(hook.got), 60, "the notice")
    finally:
        done.set()
        if board is not None:
            board.kill()
        with contextlib.suppress(Exception):
            service.kill()
    lines = [line for line in _export_all(service) if line["topic"] == "barreltide/garden/grower"]
    assert len(lines) == 4 and lines[0]["payload"]["input"] == "pump-rested"


def _export_all(service: FastService) -> list[dict]:
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", "export", "--all", "--site", str(service.site)],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    return [json.loads(line) for line in done.stdout.splitlines()]
