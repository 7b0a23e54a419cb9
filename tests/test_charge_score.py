"""The scorer of the battery's judgement itself, on a charge drawn by hand: what is known in advance must come out."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from barreltide.demo.power import Battery
from simulation.charge import healthy
from simulation.charge_score import against, judge, labelled, nights, passings, rested, unfounded
from simulation.charge_table import figures
from simulation.draw import draw_garden
from simulation.run import Run

HOUR_S = 3600.0
DUSK_H, DAWN_H = 18.0, 30.0  # of the first day, from its midnight on
PASSED_H = 24 + DUSK_H + 10  # the second night: 4 points an hour, from 90 %
CAPACITY_AH = 80.0


def true_charge(hour: float) -> float:
    """90 % at every dusk; by night 2 points an hour go in the first night, 4 in the second; back by noon."""
    day, hour = divmod(hour - 12, 24)  # nights from noon to noon
    per_hour = 0.02 if day < 1 else 0.04
    gone = per_hour * min(max(hour - 6, 0.0), 12.0)
    return 0.9 - gone * min(max((24 - hour) / 6, 0.0), 1.0)


@pytest.fixture(scope="module")
def run() -> Run:
    """Two days and a half from noon on, at an hour's seconds from midnight of the first day."""
    minutes = range(12 * 60, 72 * 60 + 1)
    label = {"floor": 0.5, "capacity_ah": 100.0, "rested": None}
    plan = SimpleNamespace(label=label, battery={"capacity_ah": CAPACITY_AH})
    return Run(
        plan, 12 * HOUR_S, 72 * HOUR_S, [], {}, [(60.0 * m, true_charge(m / 60)) for m in minutes],
        [0.0 if not 6 <= m / 60 % 24 < 18 else 5.0 for m in minutes], [12.0 + true_charge(m / 60) for m in minutes],
        [20.0 for _ in minutes], [], [], None,
    )  # fmt: skip


def told(hour: float, charge: float, half: float = 0.03, basis: str = "loaded") -> dict:
    return {"event": "battery", "time": hour * HOUR_S, "state_of_charge": charge, "low": charge - half,
            "high": charge + half, "basis": basis}  # fmt: skip


def alarm(hour: float, name: str, change: str = "raised") -> dict:
    return {"event": "alarm", "time": hour * HOUR_S, "alarm": name, "subject": "battery", "change": change}


def test_errors_intervals_and_days_are_what_was_put_in(run):
    hours = [12.25 + 0.25 * step for step in range(200)]
    events = [told(hour, true_charge(hour) + (0.02 if k % 2 else -0.04)) for k, hour in enumerate(hours)]
    judged = against(run, events)
    assert len(judged) == sum(hour > 24 for hour in hours), "the first half day is left out"
    rms, bias, inside, width = figures(judged[: 2 * (len(judged) // 2)])
    assert rms == pytest.approx((2**2 / 2 + 4**2 / 2) ** 0.5, abs=0.05) and bias == pytest.approx(-1.0, abs=0.05)
    assert (inside, width) == (pytest.approx(50.0), pytest.approx(6.0))
    assert {one.day for one in judged} == {1, 2, 3}


@pytest.mark.parametrize(
    ("events", "lead_h", "delay_h"),
    [
        ([alarm(PASSED_H - 5, "battery-will-not-last")], 5, None),
        ([alarm(PASSED_H - 9, "battery-will-not-last"), alarm(PASSED_H - 8, "battery-will-not-last", "cleared"),
          alarm(PASSED_H - 1, "battery-will-not-last")], 1, None),
        ([alarm(PASSED_H - 5, "battery-will-not-last"), alarm(PASSED_H + 0.5, "battery-low")], 5, 0.5),
        ([alarm(PASSED_H + 1, "battery-will-not-last")], -1, None),
        ([alarm(PASSED_H - 4.5, "battery-low")], 4.5, -4.5),
        ([alarm(PASSED_H - 20, "battery-low"), alarm(PASSED_H - 12, "battery-low", "cleared")], None, None),
        ([], None, None),
    ],
)  # fmt: skip
def test_a_passing_of_the_floor_is_foretold_by_what_stands_then(run, events, lead_h, delay_h):
    (found,) = passings(run, events)
    assert found.by_night and found.allowed and found.depth == pytest.approx(0.08, abs=0.001)
    assert found.at_s == pytest.approx(PASSED_H * HOUR_S, abs=120)
    for value_s, hours in ((found.lead_s, lead_h), (found.delay_s, delay_h)):
        assert value_s is None if hours is None else value_s == pytest.approx(hours * HOUR_S, abs=120)


def test_the_data_allow_no_notice_soon_after_dusk_nor_of_a_touch(run):
    def at_floor(floor: float) -> bool:
        plan = SimpleNamespace(label=run.plan.label | {"floor": floor}, battery=run.plan.battery)
        return passings(replace(run, plan=plan), [])[-1].allowed

    assert at_floor(0.9 - 0.04 * 4.6) and not at_floor(0.9 - 0.04 * 4.4), "half an hour beside the four"
    assert not at_floor(0.44), "it goes to 42 %"


def test_an_alarm_without_its_truth_is_false_and_near_it_early(run):
    first_night = alarm(24, "battery-will-not-last")  # it goes to 66 %
    assert [len(found) for found in unfounded(run, [first_night])] == [1, 1]
    assert unfounded(run, [alarm(48, "battery-will-not-last")]) == ([], [])
    assert unfounded(run, [alarm(48 + DUSK_H, "battery-will-not-last")]) == ([], []), "its night is cut off"
    near = unfounded(run, [alarm(PASSED_H - 1, "battery-low"), alarm(PASSED_H - 3, "battery-low")])
    assert [len(found) for found in near] == [1, 2], "54 % is within five points of the floor, 62 % is not"
    assert [len(found) for found in unfounded(run, [alarm(24 + 10.5, "battery-not-charging")])] == [1, 1]
    assert [len(found) for found in unfounded(run, [alarm(24 + 3, "charge-voltage-high")])] == [1, 1]


def test_a_nights_record_is_held_against_what_was_drawn(run):
    record = {"event": "night", "time": DAWN_H * HOUR_S, "dusk": DUSK_H * HOUR_S, "dawn": DAWN_H * HOUR_S,
              "used_ah": 1.1 * 0.24 * CAPACITY_AH, "hours_left": (0.66 - 0.5) / 0.02 - 1, "lowest_voltage_v": 12.64,
              "capacity_ah": 0.9 * CAPACITY_AH, "capacity_low_ah": 60.0, "capacity_high_ah": 81.0}  # fmt: skip
    (found,) = nights(run, [record])
    assert found.used == pytest.approx(0.1, abs=0.01) and found.left_h == pytest.approx(-1.0, abs=0.05)
    assert found.lowest_v == pytest.approx(-0.02, abs=0.002) and found.capacity == pytest.approx(-0.1)
    assert found.capacity_covered and not nights(run, [record | {"capacity_high_ah": 79.0}])[0].capacity_covered
    assert nights(run, [record | {"dusk": 11 * HOUR_S}]) == [], "began before the run"


def test_the_own_table_is_the_batterys_own():
    plan = draw_garden(4)
    for share, volts in rested(plan.battery):
        assert Battery(**plan.battery | {"charge": share}).rested_v(25.0) == pytest.approx(volts, abs=0.006)
    with_table = labelled(Run(plan, 0.0, 0.0, [], {}, [], [], [], [], [], [], None), True)
    assert "rested_voltage_v = [[0.25" in with_table.plan.site_toml()
    assert "rested_voltage_v" not in labelled(with_table, False).plan.site_toml()


def test_a_short_run_is_judged_by_all_three():
    garden, _ = judge(8, healthy(8, 1.0, True), True, True)
    assert set(garden.judged) == {"engine", "table", "counting"} and all(garden.judged.values())
    assert garden.own and garden.poor and garden.days == pytest.approx(1.0)
