"""The scorer itself: silence is missed, crying wolf is false, a cycle told twice is doubled, the truth scores full."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from barreltide.core.reading import Pack, Reading
from simulation.baseline import Thresholds
from simulation.charge_baseline import Counting, TableLookUp
from simulation.draw import draw_garden
from simulation.run import simulate
from simulation.score import score


@pytest.fixture(scope="module")
def run():
    return simulate(draw_garden(3, beds=2, pumps=1, period_s=600), 2.2, "pump-unpowered", "night")


def alarm(run, time_s: float, name: str = "pump-stopped", subject: str = "pump", message: str = "") -> dict:
    return {"event": "alarm", "time": time_s, "since": time_s, "alarm": name, "subject": subject, "change": "raised",
            "priority": "urgent", "message": message}  # fmt: skip


def cycles(run) -> list[dict]:
    return [{"event": "cycle", "time": one.time, "bed": bed} for bed, all_of in run.cycles.items() for one in all_of]


def test_the_truth_told_in_time_is_right_and_wants_nothing(run):
    found = score(run, 3, [*cycles(run), alarm(run, run.fault.since_s + 200)])
    assert (found.fate, found.delay_s, found.false, found.wrong, found.is_late) == ("right", 200, [], [], False)
    assert found.cycles > 300 and (found.missed, found.doubled, found.off) == (0, 0, 0)


def test_silence_is_missed_and_every_cycle_with_it(run):
    found = score(run, 3, [])
    assert found.fate == "missed" and found.missed == found.cycles > 300


def test_beyond_the_target_is_late(run):
    assert score(run, 3, [alarm(run, run.fault.since_s + 400)]).is_late


def test_another_cause_is_other_unless_its_message_names_the_right_one(run):
    at_s = run.fault.since_s + 200
    assert score(run, 3, [alarm(run, at_s, "siphon-not-starting", "bed-1", "It hangs.")]).fate == "other"
    words = "It hangs. It may also be that the pump 'pump' lifts no water."
    assert score(run, 3, [alarm(run, at_s, "siphon-not-starting", "bed-1", words)]).fate == "named"


def test_an_alarm_before_the_fault_is_false_whatever_its_name(run):
    before_s = run.start_s + 7200
    found = score(run, 3, [alarm(run, before_s, "sump-low", "sump"), alarm(run, before_s, "bed-starved", "bed-2")])
    assert len(found.false) == 2 and found.fate == "missed"


def test_an_interval_that_holds_the_charge_covers_it(run):
    told = [{"event": "battery", "time": at_s, "state_of_charge": charge + 0.02, "low": charge - 0.01,
             "high": charge + 0.05, "basis": "loaded"} for at_s, charge in run.charge]  # fmt: skip
    soc = score(run, 3, told).soc
    assert {entry.covered for entry in soc} == {True} and soc[0].error == pytest.approx(0.02, abs=0.002)
    assert not any(entry.covered for entry in score(run, 3, [event | {"low": 1.1} for event in told]).soc)


def test_a_cycle_told_twice_is_doubled_and_one_left_out_missed(run):
    told = cycles(run)
    told[20]["time"] += 30
    found = score(run, 3, [*told[:50], *told[51:], dict(told[100], time=told[100]["time"] + 70)])
    assert (found.missed, found.doubled, found.off) == (1, 1, 1)


def test_fixed_thresholds_are_no_straw_man(run):
    found = score(run, 3, list(Thresholds(run).events(run.inputs(), run.end_s)))
    assert found.fate == "right" and found.is_late


def told(estimator, hours: float, volts: float) -> list[dict]:
    """From midnight on, on a Monday in June at the meridian of Greenwich, with a reading a minute."""
    midnight_s = 1_780_876_800.0
    packs = [
        Pack(at_s, "barrels", 1, seq, (Reading("battery/voltage", at_s, volts),))
        for seq, at_s in enumerate(midnight_s + 60.0 * minute for minute in range(int(60 * hours) + 1))
    ]
    return list(estimator.events(packs, packs[-1].received_s))


def garden(**label):
    sheet = {"chemistry": "flooded", "rested": None, "capacity_ah": 100.0, "panel_w": 170.0, "current_a": {"pump": 3.0}}
    return SimpleNamespace(plan=SimpleNamespace(longitude=0.0, label={**sheet, **label}))


def test_a_table_alone_reads_what_the_published_ones_say():
    last = told(TableLookUp(garden()), 1, 12.24)[-1]
    assert (last["low"], last["high"]) == (pytest.approx(0.5), pytest.approx(0.6)), "BCI and T-105, 12.24 V"
    assert last["state_of_charge"] == pytest.approx(0.55)
    own = told(TableLookUp(garden(rested=[[0.0, 12.0], [1.0, 13.0]])), 1, 12.24)[-1]
    assert own["state_of_charge"] == own["low"] == own["high"] == pytest.approx(0.24)


def test_counting_goes_down_by_the_load_up_by_the_sun_and_is_full_at_the_set_point():
    by_night = [event["state_of_charge"] for event in told(Counting(garden()), 5, 12.3)]
    assert by_night[-1] == pytest.approx(0.8 - 0.03 * 5, abs=0.006)
    # 7.5 A at noon are 57 Ah in a day; 54 go out in the eighteen hours.
    assert told(Counting(garden()), 18, 12.9)[-1]["state_of_charge"] == pytest.approx(0.8 + 0.57 - 0.54, abs=0.02)
    held = told(Counting(garden()), 1.1, 14.3)
    assert held[-1]["state_of_charge"] == 1.0 > held[-3]["state_of_charge"]
    assert len(held) == 6
