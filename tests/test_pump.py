"""What has stopped when water stops: the pump, a bed's branch, or its siphon; a healthy garden is left in peace."""

from __future__ import annotations

from random import Random
from types import SimpleNamespace

import pytest

from barreltide.core.alarm import Alarms
from barreltide.core.bed import Bed, Pace
from barreltide.core.current import PumpCurrent
from barreltide.core.monitor import Monitor
from barreltide.core.reading import Pack, Reading
from barreltide.core.stall import Stall
from barreltide.core.voltage import VoltageTrace
from simulation.draw import draw_garden
from simulation.run import simulate
from simulation.score import judge_in_process
from small_garden import DAWN_S, DUSK_S, HOUR_S, NOON_S, SUN, Garden, alarms, assert_all_counted, drive, monitor, site

SUNSET_S = NOON_S + 7.5 * HOUR_S
ONE = {"bed-1": (400.0, 200.0)}
SLOW = {"bed-1": (1400.0, 500.0), "bed-2": (2300.0, 700.0)}


def stop_at(wet: bool, bed: str, after_s: float, **plan) -> float:
    """A moment after `after_s` at which the bed has just been `wet`, or dry, for a minute."""
    garden = Garden(start_s=NOON_S, end_s=after_s + 3600, **plan)
    return next(at_s for at_s, is_wet in garden.changes(bed) if is_wet == wet and at_s > after_s) + 60


def only(found: list, *expected: tuple[str, str]) -> None:
    assert alarms(found) == [(alarm, subject, "raised") for alarm, subject in expected]


def test_a_healthy_garden_raises_nothing_by_day_and_by_night():
    garden = Garden(end_s=NOON_S + 30 * HOUR_S)
    events = drive(monitor(), garden.packs(), garden.end_s)
    only(events)
    for bed in garden.beds:
        assert_all_counted(garden, events, bed)


# By day both with the first bed full and with it drained: neither may be taken for that bed's siphon.
STOPS_S = [*(stop_at(wet, "bed-1", NOON_S + 4 * HOUR_S) for wet in (True, False)), DUSK_S + 3 * HOUR_S]


@pytest.mark.parametrize("from_s", STOPS_S, ids=["by day, full", "by day, drained", "by night"])
def test_a_stopped_pump_is_one_alarm_and_clears_when_water_comes_again(from_s):
    garden = Garden(end_s=from_s + 4 * HOUR_S, still=[("pump", from_s, from_s + 2 * HOUR_S)])
    events = drive(monitor(), garden.packs(), garden.end_s)
    assert alarms(events) == [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")]
    raised, cleared = (event for event in events if event.kind == "alarm")
    assert from_s < raised.time < from_s + 1800
    assert abs(raised.since - from_s) < 600
    assert from_s + 2 * HOUR_S < cleared.time < from_s + 2 * HOUR_S + 900


def test_by_night_the_batterys_step_tells_within_ten_minutes_and_to_the_minute():
    from_s = DUSK_S + 3 * HOUR_S
    garden = Garden(end_s=from_s + HOUR_S, still=[("pump", from_s, from_s + 9 * HOUR_S)])
    events = drive(monitor(), garden.packs(), garden.end_s)
    only(events, ("pump-stopped", "pump"))
    (raised,) = (event for event in events if event.kind == "alarm")
    assert raised.time < from_s + 600
    assert abs(raised.since - from_s) < 60
    assert " mV" in raised.message


@pytest.mark.parametrize("seed", range(4))
def test_by_night_a_step_hidden_in_the_meters_noise_tells_within_minutes(seed):
    """14 mV in a noise of 5 mV a reading, as of a small pump on a large battery; the floats would take 25 minutes."""
    from_s = DUSK_S + 3 * HOUR_S
    garden = Garden(SLOW, end_s=from_s + 900, still=[("pump", from_s, from_s + 9 * HOUR_S)], step_v=0.014)
    quiet_v = garden.battery_v
    garden.battery_v = lambda at_s: quiet_v(at_s) + Random(f"{seed} {at_s}").gauss(0, 0.005)
    events = drive(monitor(), garden.packs(), garden.end_s)
    only(events, ("pump-stopped", "pump"))
    (raised,) = (event for event in events if event.kind == "alarm")
    assert from_s + 200 < raised.time < from_s + 600 and abs(raised.since - from_s) < 90


def test_a_step_in_voltage_while_beds_go_on_is_no_stopped_pump():
    lamp_s = DUSK_S + 3 * HOUR_S
    garden = Garden(end_s=lamp_s + 3 * HOUR_S)
    garden.volts = lambda at_s: 12.5 if at_s < lamp_s else 12.56
    only(drive(monitor(), garden.packs(), garden.end_s))


ON_S, OFF_S = DUSK_S + 2 * HOUR_S, DUSK_S + 5 * HOUR_S


def on_mains(at_s: float) -> float:
    """A charger from ON_S to OFF_S: at once a third of a volt, then slowly up to its limit."""
    rested_v = 12.5 - 0.01 * (at_s - DUSK_S) / HOUR_S
    if at_s < ON_S or at_s >= OFF_S + 2 * HOUR_S:
        return rested_v
    if at_s < OFF_S:
        return min(rested_v + 0.35 + 0.6 * (at_s - ON_S) / HOUR_S, 14.2)
    return rested_v + 0.5 * (1 - (at_s - OFF_S) / (2 * HOUR_S))


def test_a_charger_put_on_by_night_is_no_stopped_pump():
    garden = Garden(SLOW, end_s=DUSK_S + 8 * HOUR_S, volts=on_mains)
    only(drive(monitor(), garden.packs(), garden.end_s))


def test_while_a_charger_is_on_the_floats_tell_of_a_stopped_pump():
    from_s = ON_S + HOUR_S
    garden = Garden(end_s=OFF_S, volts=on_mains, still=[("pump", from_s, OFF_S)])
    events = drive(monitor(), garden.packs(), garden.end_s)
    only(events, ("pump-stopped", "pump"))
    (raised,) = (event for event in events if event.kind == "alarm")
    assert from_s < raised.time < from_s + 1800 and " mV" not in raised.message


def test_after_a_charger_the_batterys_step_tells_again():
    from_s = OFF_S + 2.5 * HOUR_S
    garden = Garden(SLOW, end_s=from_s + HOUR_S, still=[("pump", from_s, from_s + 9 * HOUR_S)])
    garden.volts = lambda at_s: on_mains(at_s) + (0.06 if at_s >= from_s else 0.0)
    events = drive(monitor(), garden.packs(), garden.end_s)
    only(events, ("pump-stopped", "pump"))
    (raised,) = (event for event in events if event.kind == "alarm")
    assert raised.time < from_s + 600 and " mV" in raised.message


@pytest.mark.parametrize("wet", [True, False])
def test_a_single_beds_pump_without_current_is_told_by_the_sensor(wet):
    from_s = stop_at(wet, "bed-1", NOON_S + 4 * HOUR_S, beds=ONE)
    garden = Garden(ONE, end_s=from_s + HOUR_S, still=[("pump", from_s, from_s + 9 * HOUR_S)], current=True)
    events = drive(monitor(beds=ONE), garden.packs(), garden.end_s)
    only(events, ("pump-stopped", "pump"))
    (raised,) = (event for event in events if event.kind == "alarm")
    assert raised.time < from_s + 600 and abs(raised.since - from_s) < 60


def test_a_bed_that_is_late_in_the_very_minutes_of_its_pumps_stop_waits_for_what_the_sensor_says():
    """It was due, and would be a siphon's fault, ten seconds before the missing current is believed."""
    from_s = stop_at(False, "bed-1", NOON_S + 4 * HOUR_S, beds=ONE) + 325
    garden = Garden(ONE, end_s=from_s + HOUR_S, still=[("pump", from_s, from_s + 9 * HOUR_S)], current=True)
    only(drive(monitor(beds=ONE), garden.packs(), garden.end_s), ("pump-stopped", "pump"))


@pytest.mark.parametrize(("wet", "alarm"), [(True, "siphon-not-starting"), (False, "siphon-not-breaking")])
def test_a_single_bed_that_stands_while_its_pump_draws_is_its_siphon(wet, alarm):
    from_s = stop_at(wet, "bed-1", NOON_S + 4 * HOUR_S, beds=ONE)
    garden = Garden(ONE, end_s=from_s + 4 * HOUR_S, still=[("bed-1", from_s, from_s + 9 * HOUR_S)], current=True)
    only(drive(monitor(beds=ONE), garden.packs(), garden.end_s), (alarm, "bed-1"))


@pytest.mark.parametrize(("wet", "alarm"), [(True, "siphon-not-starting"), (False, "siphon-not-breaking")])
def test_one_bed_stands_and_its_neighbour_keeps_its_pace_so_it_is_the_siphon(wet, alarm):
    from_s = stop_at(wet, "bed-1", NOON_S + 4 * HOUR_S)
    garden = Garden(end_s=from_s + 5 * HOUR_S, still=[("bed-1", from_s, from_s + 3 * HOUR_S)])
    events = drive(monitor(), garden.packs(), garden.end_s)
    assert alarms(events) == [(alarm, "bed-1", "raised"), (alarm, "bed-1", "cleared")]


def test_one_bed_stands_dry_and_its_neighbour_quickens_so_its_branch_is_closed():
    from_s = stop_at(False, "bed-1", NOON_S + 4 * HOUR_S)
    garden = Garden(
        end_s=from_s + 4 * HOUR_S, still=[("bed-1", from_s, from_s + 9 * HOUR_S)], pace={"bed-2": (from_s, 0.7)}
    )
    only(drive(monitor(), garden.packs(), garden.end_s), ("bed-starved", "bed-1"))


@pytest.mark.parametrize("pace", [0.8, 0.93])
def test_a_closed_branch_is_named_once_a_slow_neighbour_can_tell(pace):
    """Whatever the rhythm of its station's packs: here one each 15 s, none of them on the minute."""
    beds = {"bed-1": (500.0, 250.0), "bed-2": (1700.0, 800.0)}
    from_s = stop_at(True, "bed-1", NOON_S + 12 * HOUR_S, beds=beds)
    still, paces = [("bed-1", from_s, from_s + 9 * HOUR_S)], {"bed-2": (from_s, pace)}
    garden = Garden(beds, end_s=from_s + 3 * HOUR_S, still=still, pace=paces)
    found = alarms(drive(monitor(), garden.packs(), garden.end_s))
    siphon = ("siphon-not-starting", "bed-1")
    assert found == [(*siphon, "raised"), (*siphon, "cleared"), ("bed-starved", "bed-1", "raised")]


@pytest.mark.parametrize("pace", [0.8, 0.93, 1.0])
def test_a_neighbours_first_phase_tells_of_a_closed_branch_before_its_period_is_over(pace):
    beds = {"bed-1": (500.0, 250.0), "bed-2": (1700.0, 800.0)}
    from_s = stop_at(False, "bed-1", NOON_S + 12 * HOUR_S, beds=beds)
    still, paces = [("bed-1", from_s, from_s + 9 * HOUR_S)], {"bed-2": (from_s, pace)}
    garden = Garden(beds, end_s=from_s + 3 * HOUR_S, still=still, pace=paces)
    alarm = "siphon-not-breaking" if pace == 1.0 else "bed-starved"
    only(drive(monitor(), garden.packs(), garden.end_s), (alarm, "bed-1"))


@pytest.mark.parametrize(
    ("change", "follows", "least", "most"),
    [
        (-0.20, 1.0, 2.0, 9.0),  # faster, as more water makes it
        (-0.04, 1.0, 0.5, 3.0),  # a little faster, which chance makes now and then
        (0.00, 1.0, -9.0, -1.5),  # as before, though more water would show
        (0.00, 0.0, -0.5, 0.5),  # as before, as it would be with more water too
        (0.20, -0.5, 2.0, 9.0),  # near its siphon's limit more water makes it slower
        (0.02, 1.0, -9.0, -1.5),  # a little slower: as chance makes it, and more water never
    ],
)
def test_a_neighbours_pace_tells_as_much_of_a_beds_branch_as_it_follows_the_flow(change, follows, least, most):
    bed = Bed(site(["bed-1"]).beds[0], VoltageTrace())
    bed.high.wet = True
    stall = Stall("pump", VoltageTrace(), PumpCurrent(), Alarms({}), 11.0)

    def lead(pace: Pace | None) -> float:
        other = SimpleNamespace(name="bed-2", inflow=bed.inflow, pace_change=lambda since_s: pace)
        return stall.of_bed(bed, [other], 0.0).lead(("bed-starved", "bed-1"))

    assert least < lead(Pace(change, 0.012, follows, 0.03, 4)) - lead(None) < most


def test_a_pump_that_pauses_for_three_minutes_raises_nothing():
    from_s = DUSK_S + 3 * HOUR_S
    garden = Garden(end_s=from_s + 3 * HOUR_S, still=[("pump", from_s, from_s + 180)])
    only(drive(monitor(), garden.packs(), garden.end_s))


@pytest.mark.parametrize("pause_s", [210.0, 220.0, 230.0])
def test_a_pause_that_is_over_when_its_step_would_be_believed_raises_nothing(pause_s):
    from_s = DUSK_S + 3 * HOUR_S + 10
    garden = Garden(SLOW, end_s=from_s + 1800, still=[("pump", from_s, from_s + pause_s)], step_v=0.012)
    quiet_v = garden.battery_v
    garden.battery_v = lambda at_s: quiet_v(at_s) + Random(f"{at_s}").gauss(0, 0.002)
    only(drive(monitor(), garden.packs(), garden.end_s))


def test_a_slower_pace_that_comes_to_stay_raises_nothing():
    garden = Garden(end_s=NOON_S + 7 * HOUR_S, pace={bed: (NOON_S + 3 * HOUR_S, 1.1) for bed in ("bed-1", "bed-2")})
    only(drive(monitor(), garden.packs(), garden.end_s))


def test_a_bed_that_filled_just_before_its_neighbour_was_due_does_not_show_that_the_pump_runs():
    """By day a phase is more work than seconds: so much work late is not yet so many seconds late."""
    beds = {"bed-1": (400.0, 200.0), "bed-2": (1988.0, 1813.0)}
    start_s = NOON_S - 4 * HOUR_S
    whole = Garden(beds, start_s, NOON_S + 7 * HOUR_S)
    from_s = next(
        s + 2 for s, wet in whole.changes("bed-2")
        if wet and s > NOON_S and any(388 < s - fell_s < 397 for fell_s in whole.falls("bed-1"))
    )  # fmt: skip
    still = [("pump", from_s, from_s + 9 * HOUR_S)]
    garden = Garden(beds, start_s, from_s + HOUR_S, still, volts=lambda at_s: 14.3)
    only(drive(monitor(beds=beds), garden.packs(), garden.end_s), ("pump-stopped", "pump"))


@pytest.mark.parametrize("after_s", [450, 1200, 2250])
def test_a_flow_that_drops_is_no_stop_once_a_quick_bed_has_shown_it(after_s):
    """A hose that kinks: a phase takes longer, and ends; when the slow bed is late, the quick one's next may be too."""
    beds = {"bed-1": (640.0, 100.0), "bed-2": (1500.0, 300.0)}
    drops_s = NOON_S + 3 * HOUR_S + after_s
    garden = Garden(beds, end_s=drops_s + 2 * HOUR_S, pace={bed: (drops_s, 1.38) for bed in beds})
    only(drive(monitor(beds=beds), garden.packs(), garden.end_s))


def test_a_bed_that_more_flow_does_not_quicken_is_no_stop_at_noon():
    """Near a siphon's limit more flow drains longer: its phases grow by the clock, and more so by work."""
    beds = {"bed-1": (4000.0, 1200.0)}
    garden = Garden(beds, start_s=DUSK_S, end_s=DAWN_S + 9 * HOUR_S)
    garden.volts = lambda at_s: 12.3 if at_s < DAWN_S + HOUR_S else 14.4
    garden.pace = {bed: (DAWN_S + HOUR_S, 1.12) for bed in beds}
    told = alarms(drive(monitor(beds=beds), garden.packs(), garden.end_s))
    assert not [subject for _, subject, _ in told if subject != "battery"]


@pytest.mark.parametrize("falls", [True, False])
def test_a_change_in_a_pack_that_never_came_is_no_overdue_bed(falls):
    quick = {"bed-1": (110.0, 90.0)}
    garden = Garden(quick, end_s=NOON_S + 5 * HOUR_S)
    # Lost: a change just after the floats were repeated, so that nothing tells of it for nearly five minutes.
    lost_s = next(s for s, wet in garden.changes("bed-1") if wet != falls and s > NOON_S + 3 * HOUR_S and s % 300 < 20)
    packs = [pack for pack in garden.packs() if pack.readings[0][:2] != ("bed-1/high", lost_s)]
    assert len(packs) == len(list(garden.packs())) - 1
    only(drive(monitor(beds=quick), packs, garden.end_s))


def test_a_rise_in_a_pack_that_never_came_is_known_by_a_repetition_just_before_the_fall():
    beds = {"bed-1": (100.0, 210.0)}
    garden = Garden(beds, end_s=NOON_S + 8 * HOUR_S)
    changes = garden.changes("bed-1")
    lost_s = next(s for s, wet in changes if wet and s > NOON_S + 3 * HOUR_S and 3 < (s + 210) % 300 < 13)
    packs = [pack for pack in garden.packs() if pack.readings[0][:2] != ("bed-1/high", lost_s)]
    assert len(packs) == len(list(garden.packs())) - 1
    only(drive(monitor(beds=beds), packs, garden.end_s))


def test_ripple_at_the_very_start_sets_no_normal():
    changes = [(NOON_S + 60, True), (NOON_S + 105, False), (NOON_S + 124, True)]
    while changes[-1][0] < NOON_S + 6 * HOUR_S:
        wet = changes[-1][1]
        changes.append((changes[-1][0] + (1540 if wet else 3300), not wet))
    garden = Garden(ONE, end_s=NOON_S + 6 * HOUR_S, floats={"bed-1/high": changes})
    only(drive(monitor(beds=ONE), garden.packs(), garden.end_s))


def test_a_first_day_that_does_not_speed_a_slow_bed_up_is_no_stop():
    """Its normal is from the night alone, and its pump hardly follows the voltage: work runs ahead of the water."""
    beds = {"bed-1": (4600.0, 3700.0)}
    garden = Garden(beds, start_s=DUSK_S, end_s=DAWN_S + 9 * HOUR_S)
    garden.volts = lambda at_s: 12.5 if at_s < DAWN_S + HOUR_S else 14.4
    only(drive(monitor(beds=beds), garden.packs(), garden.end_s))


def test_a_verdict_between_pump_and_siphon_keeps_its_account_and_names_the_other():
    from_s = stop_at(False, "bed-1", NOON_S + 4 * HOUR_S, beds=ONE)
    garden = Garden(ONE, end_s=from_s + HOUR_S, still=[("pump", from_s, from_s + 9 * HOUR_S)])
    (raised,) = (event for event in drive(monitor(beds=ONE), garden.packs(), garden.end_s) if event.kind == "alarm")
    pump, siphon = raised.evidence
    assert (pump.alarm, siphon.alarm) == ("pump-stopped", "siphon-not-breaking")
    assert 0.5 < pump.share < 0.95 and abs(pump.share + siphon.share - 1) < 0.01
    assert "'bed-1' has stayed drained for" in pump.speaks_for[0] and "73 times in a hundred" in pump.speaks_for[1]
    assert "It may also be that the siphon of 'bed-1' does not break." in raised.message


@pytest.mark.parametrize("wet", [True, False])
@pytest.mark.parametrize(
    ("base_v", "step_v", "cause"),
    [(12.7, 0.0, "siphon"), (12.7, 0.05, "pump"), (13.7, 0.0, "pump")],
    ids=["no step", "a step", "held by a charger, no step"],
)
def test_under_an_even_sky_the_batterys_step_tells_by_day_too_where_no_charger_holds_it(base_v, step_v, cause, wet):
    """Where the voltage is held there is nothing to be seen, and the pump is the likelier cause."""
    bed = {"bed-1": (500.0, 700.0)}
    from_s = stop_at(wet, "bed-1", NOON_S + 2 * HOUR_S, beds=bed)
    garden = Garden(bed, end_s=from_s + HOUR_S, still=[("bed-1", from_s, from_s + 9 * HOUR_S)])
    falls_v_h = 0.05 if base_v < 13 else 0.0
    garden.volts = lambda at_s: base_v - falls_v_h * (at_s - NOON_S) / HOUR_S + (step_v if at_s > from_s else 0.0)
    siphon = ("siphon-not-starting" if wet else "siphon-not-breaking", "bed-1")
    found = drive(monitor(beds=bed), garden.packs(), garden.end_s)
    only(found, siphon if cause == "siphon" else ("pump-stopped", "pump"))


@pytest.mark.parametrize("into_s", [100.0, 300.0, 500.0])
def test_a_float_that_begins_to_chatter_is_no_bed_that_stands_still(into_s):
    """A quick bed would long be overdue before half an hour of unrest makes a fault of the float."""
    quick = Garden({"bed-1": (400.0, 200.0)}, end_s=NOON_S + 4 * HOUR_S)
    from_s = quick.falls("bed-1")[-3] + into_s
    changes = [change for change in quick.changes("bed-1") if change[0] < from_s]
    rng, at_s, wet = Random(5), from_s, changes[-1][1]
    while at_s < quick.end_s:
        wet = not wet
        changes.append((at_s, wet))
        at_s += rng.uniform(5, 45)
    quick.floats = {"bed-1/high": changes}
    only(drive(monitor(beds=["bed-1"]), quick.packs(), quick.end_s), ("sensor-fault", "bed-1/high"))


@pytest.mark.parametrize(("falls_v_h", "last"), [(0.0, "pump-stopped"), (0.013, "siphon-not-breaking")])
def test_the_voltage_of_the_night_decides_between_pump_and_siphon(falls_v_h, last):
    """By day they look alike, and a lower float that stays dry makes it the siphon. 2 A are 13 mV an hour of 100 Ah."""
    from_s = NOON_S + 4 * HOUR_S
    night_s = DUSK_S - 1800

    def volts(at_s: float) -> float:
        hours = (at_s - night_s + 24 * HOUR_S) / HOUR_S
        if hours > 24:
            return 12.64 - falls_v_h * (hours - 24) - (0.04 if falls_v_h else 0.0)
        return 12.60 - 0.013 * hours if hours < 10.2 else 13.8

    dry = {"bed-1/high": [], "bed-1/low": []}
    for k in range(200):
        at_s = night_s - 24 * HOUR_S + 900 * k
        if at_s + 900 < from_s:
            dry["bed-1/high"] += [(at_s + 600, True), (at_s + 780, False)]
            dry["bed-1/low"] += [(at_s + 120, True), (at_s + 860, False)]
    garden = Garden(ONE, night_s - 24 * HOUR_S, night_s + 9 * HOUR_S, volts=volts, floats=dry)
    told = [row for row in alarms(drive(monitor(beds=ONE), garden.packs(), garden.end_s)) if row[1] != "battery"]
    assert told[0] == ("siphon-not-breaking", "bed-1", "raised")
    assert [row[0] for row in told if row[2] == "raised"][-1] == last


@pytest.mark.parametrize("sensor", ["low_float", "level"])
@pytest.mark.parametrize("kind", ["float-stuck-wet", "float-stuck-dry"])
def test_a_float_that_hangs_is_found_by_the_beds_other_sensor(sensor, kind):
    sensors = {"low_float": False, "level": False} | {sensor: True}
    run = simulate(draw_garden(31, beds=2, pumps=1, period_s=900, **sensors), None, kind)
    events = [event for event in judge_in_process(run) if event["event"] == "alarm"]
    found = [event for event in events if event["time"] > run.fault.onset_s]
    assert [(alarm["alarm"], alarm["subject"]) for alarm in found] == [("sensor-fault", run.fault.subject)]


@pytest.mark.parametrize("wet", [True, False])
@pytest.mark.parametrize("hangs", [False, True])
def test_a_lower_float_that_the_water_now_and_then_does_not_pass_hangs_only_when_it_stays_for_longer(wet, hangs):
    """It lies where the siphon breaks: once, then twice, then three times in a row it stays wet, or dry."""
    garden = Garden(ONE, end_s=NOON_S + 7 * HOUR_S)
    low, last_s = [], garden.end_s - (3 * HOUR_S if hangs else 0.0)
    for turn, fall_s in enumerate(garden.falls("bed-1")):
        if turn % 12 in (1, 4, 5, 8, 9, 10) or fall_s > last_s:
            continue
        low += [(fall_s + 20, False), (fall_s + 150, True)] if wet else [(fall_s - 120, True), (fall_s + 20, False)]
    floats = {"bed-1/high": garden.changes("bed-1"), "bed-1/low": low}
    garden.floats = floats
    only(drive(monitor(beds=ONE), garden.packs(), garden.end_s), *[("sensor-fault", "bed-1/low")] * hangs)


def test_a_lower_float_that_was_freed_is_found_again_when_it_hangs_again():
    """Hours in which it hung are no habit of it."""
    garden = Garden(ONE, end_s=NOON_S + 13 * HOUR_S)
    hung = [(NOON_S + 3 * HOUR_S, NOON_S + 7 * HOUR_S), (NOON_S + 9 * HOUR_S, garden.end_s)]
    falls = [at_s for at_s in garden.falls("bed-1") if not any(from_s < at_s < to_s for from_s, to_s in hung)]
    low = [change for at_s in falls for change in ((at_s + 20, False), (at_s + 150, True))]
    garden.floats = {"bed-1/high": garden.changes("bed-1"), "bed-1/low": low}
    found = alarms(drive(monitor(beds=ONE), garden.packs(), garden.end_s))
    assert found == [("sensor-fault", "bed-1/low", change) for change in ("raised", "cleared", "raised")]


def test_a_lower_float_that_is_put_in_later_has_missed_no_floods():
    garden = Garden(ONE, end_s=NOON_S + 5 * HOUR_S)
    low = [change for at_s in garden.falls("bed-1") for change in ((at_s + 20, False), (at_s + 150, True))]
    garden.floats = {"bed-1/high": garden.changes("bed-1"), "bed-1/low": low}
    from_s = NOON_S + 3 * HOUR_S + 450  # it has not settled when floats are looked at a minute later
    packs = [
        pack._replace(readings=tuple(r for r in pack.readings if r.name != "bed-1/low" or r.sampled_s >= from_s))
        for pack in garden.packs()
    ]
    only(drive(monitor(beds=ONE), packs, garden.end_s))


TWO_PUMPS = {"bed-1": (400.0, 200.0), "bed-2": (520.0, 230.0)}


def two_pumps():
    """The small garden's two beds, each on a pump of its own."""
    plan = site(TWO_PUMPS)
    pumps = [plan.pumps[0].model_copy(update={"name": f"pump-{k}", "feeds": [f"bed-{k}"]}) for k in (1, 2)]
    return Monitor(plan.model_copy(update={"pumps": pumps}), SUN)


@pytest.mark.parametrize("bed", ["bed-1", "bed-2"])
def test_a_step_by_night_is_told_of_one_pump_and_of_the_right_one_in_the_end(bed):
    from_s = DUSK_S + 3 * HOUR_S
    garden = Garden(TWO_PUMPS, end_s=from_s + 2 * HOUR_S, still=[(bed, from_s, from_s + 9 * HOUR_S)])
    plain = garden.battery_v
    garden.battery_v = lambda at_s: plain(at_s) + (0.06 if at_s >= from_s else 0.0)
    events = drive(two_pumps(), garden.packs(), garden.end_s)
    told = [alarm for alarm in alarms(events) if alarm[0] == "pump-stopped"]
    right = ("pump-stopped", bed.replace("bed", "pump"), "raised")
    assert told[-1] == right and len(told) in (1, 3), told
    first = next(event for event in events if event.kind == "alarm" and event.alarm == "pump-stopped")
    assert first.time < from_s + 330
    if len(told) == 3:
        assert f"'{right[1]}'" in first.message, "the other pump is named with the first"


@pytest.mark.parametrize("falls_for_s", [1800.0, 2040.0, 2070.0])
def test_a_nearly_empty_battery_that_falls_fast_hides_no_stopped_pump(falls_for_s):
    """It makes steps of its own, downwards, which a load that goes does not take back, however soon after one."""
    slow, from_s = {"bed-1": (2400.0, 1200.0)}, DUSK_S + 3 * HOUR_S
    garden = Garden(slow, end_s=from_s + 900, still=[("pump", from_s, from_s + 9 * HOUR_S)])

    def volts(at_s: float) -> float:
        if at_s < DUSK_S - 1800:
            return 13.6
        falls_s = min(max(at_s - from_s + falls_for_s, 0.0), falls_for_s)
        return 12.2 - 0.35 * falls_s / HOUR_S + (0.03 if at_s > from_s else 0.0)

    garden.volts = volts
    events = [event for event in drive(monitor(beds=slow), garden.packs(), garden.end_s) if event.kind == "alarm"]
    (stop,) = (event for event in events if event.alarm == "pump-stopped")
    assert stop.time < from_s + 400 and abs(stop.since - from_s) < 60


def test_when_the_charge_controller_drops_its_loads_each_pump_is_told_by_the_step_of_all():
    from_s = DUSK_S + 5 * HOUR_S
    garden = Garden({"bed-1": (2400.0, 1200.0), "bed-2": (2700.0, 1500.0)}, end_s=from_s + 900)
    garden.still = [(bed, from_s, from_s + 9 * HOUR_S) for bed in garden.beds]
    cut_off_v = site().battery.cut_off_voltage_v

    def volts(at_s: float) -> float:
        if at_s < DUSK_S - 1800:
            return 13.6
        return cut_off_v + (0.25 if at_s > from_s else 0.1 * (from_s - at_s) / HOUR_S)

    garden.volts = volts
    watch = two_pumps()
    events = [event for event in drive(watch, garden.packs(), garden.end_s) if event.kind == "alarm"]
    stops = [event for event in events if event.alarm == "pump-stopped"]
    assert sorted((event.subject, event.change) for event in stops) == [("pump-1", "raised"), ("pump-2", "raised")]
    assert all(event.time < from_s + 330 and "dropped the load" in event.message for event in stops)
    assert watch._resistance.ohm is None, "the current of all pumps is not that of one"


def test_a_stop_that_seems_to_come_again_while_one_bed_never_moved_names_its_branch_too():
    """Its neighbour gets its water as well: its siphon carries that for a while, and then never breaks."""
    from_s = stop_at(False, "bed-2", NOON_S + 3 * HOUR_S)
    garden = Garden(end_s=from_s + 2 * HOUR_S)
    floats = {f"{bed}/high": [change for change in garden.changes(bed) if change[0] < from_s] for bed in garden.beds}
    rise_s = next(at_s for at_s, wet in garden.changes("bed-1") if wet and at_s > from_s)
    floats["bed-1/high"] += [change for change in garden.changes("bed-1") if from_s < change[0] < rise_s]
    garden.floats = floats
    floats["bed-1/high"] += [(rise_s, True), (rise_s + 1500, False)]
    events = [event for event in drive(monitor(), garden.packs(), garden.end_s) if event.kind == "alarm"]
    told = [event for event in events if event.change == "raised"]
    assert [event.alarm for event in told] == ["pump-stopped", "pump-stopped"]
    assert "no water reaches" not in told[0].message and "no water reaches 'bed-2'" in told[1].message


def test_a_lamp_that_goes_out_each_night_is_taken_for_a_pump_once_at_most_where_there_are_two():
    beds = {"bed-1": (2400.0, 1200.0), "bed-2": (2700.0, 1500.0)}
    garden = Garden(beds, end_s=DAWN_S + 24 * HOUR_S)
    off_s = DUSK_S + 3 * HOUR_S  # it was put on in the broad light of the afternoon

    def volts(at_s: float) -> float:
        of_day_s = (at_s - NOON_S) % (24 * HOUR_S)
        base_v = 12.55 if DUSK_S - 1800 < of_day_s + NOON_S < DAWN_S + 1800 else 13.6
        return base_v - (0.05 if of_day_s < off_s - NOON_S else 0.0)

    garden.volts = volts
    found = drive(two_pumps(), garden.packs(), garden.end_s)
    changed = [event for event in found if event.kind == "alarm" and event.alarm == "pump-stopped"]
    raised = [event for event in changed if event.change == "raised"]
    assert 0 < len(raised) <= 2 and all(event.time < off_s + 3 * HOUR_S for event in raised)


@pytest.mark.parametrize("each_s", [5, 15, 30])
def test_a_load_that_goes_makes_one_step_however_often_the_voltage_is_read(each_s):
    rng, trace, gone_s = Random(1), VoltageTrace(), DUSK_S + 3 * HOUR_S
    for at_s in range(int(DUSK_S), int(DUSK_S + 4 * HOUR_S), each_s):
        trace.add(float(at_s), 12.4 + (0.1 if at_s > gone_s else 0.0) + rng.gauss(0, 0.004), True)
    (step,) = trace.steps
    assert abs(step.time_s - gone_s) < 60 and step.volts == pytest.approx(0.1, abs=0.01)


def test_a_lamp_that_goes_out_just_as_it_becomes_dark_is_not_taken_for_a_pump_each_evening():
    """Its step is seen in part at first, and otherwise once the hour of dusk is over: it is the same step."""
    garden = Garden({"bed-1": (2400.0, 1200.0)}, end_s=NOON_S + 60 * HOUR_S)
    off_s = SUNSET_S + 22 * 60

    def volts(at_s: float) -> float:
        of_day_s = NOON_S + (at_s - NOON_S) % (24 * HOUR_S)
        base_v = 12.55 if DUSK_S - 1800 < of_day_s < DAWN_S + 1800 else 13.6
        return base_v - (0.05 if of_day_s < off_s else 0.0)

    garden.volts = volts
    found = alarms(drive(monitor(beds=garden.beds), garden.packs(), garden.end_s))
    assert 0 < found.count(("pump-stopped", "pump", "raised")) < 3, "of three evenings"


@pytest.mark.parametrize("on_h", [-0.9, -0.5, 0.0, 0.2, 2.0])
def test_a_lamp_that_goes_out_by_night_is_no_pump_however_slow_the_beds(on_h):
    """It was put on so many hours after sunset; before, the day's charge fades, by much more than a lamp takes."""
    slow, on_s = {"bed-1": (2400.0, 1200.0)}, SUNSET_S + on_h * HOUR_S
    garden = Garden(slow, start_s=NOON_S - 4 * HOUR_S, end_s=on_s + 5 * HOUR_S)

    def volts(at_s: float) -> float:
        sun = min(max((SUNSET_S - at_s) / (1.5 * HOUR_S), 0.0), 1.0)
        by_night_v = 12.6 - 0.01 * max(at_s - SUNSET_S, 0.0) / HOUR_S
        return by_night_v + sun**1.5 - (0.05 if on_s < at_s < on_s + 9000 else 0.0)

    garden.volts = volts
    only(drive(monitor(beds=slow), garden.packs(), garden.end_s))


def test_a_load_that_comes_and_goes_all_night_is_no_pump_however_uneven_its_steps_look():
    slow, from_s = {"bed-1": (2400.0, 1200.0)}, DUSK_S + 2 * HOUR_S
    garden = Garden(slow, start_s=NOON_S - 4 * HOUR_S, end_s=DUSK_S + 9 * HOUR_S)
    plain = garden.battery_v

    def volts(at_s: float) -> float:
        turn, into_s = divmod(at_s - from_s, 2700.0)
        load_v = (0.030, 0.020, 0.045, 0.030)[int(turn) % 4]  # the last one goes with more than it came with
        gone_v = (0.030, 0.020, 0.045, 0.045)[int(turn) % 4]
        left_v = gone_v - load_v if into_s > 900 and int(turn) % 4 == 3 else 0.0
        return plain(at_s) + (left_v - (load_v if into_s < 900 else 0.0) if at_s > from_s else 0.0)

    garden.battery_v = volts
    only(drive(monitor(beds=slow), garden.packs(), garden.end_s))


def test_a_current_sensor_that_dies_is_no_stopped_pump_for_long_and_not_twice():
    dead_s = NOON_S + 4 * HOUR_S
    garden = Garden(end_s=NOON_S + 7 * HOUR_S, current=True)
    packs = [
        pack._replace(readings=tuple(
            reading._replace(value=0.0) if reading.name == "pump/current" and reading.sampled_s > dead_s else reading
            for reading in pack.readings
        ))
        for pack in garden.packs()
    ]  # fmt: skip
    told = [alarm for alarm in alarms(drive(monitor(), packs, garden.end_s)) if alarm[0] == "pump-stopped"]
    assert told in ([], [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")])


def test_by_night_a_step_is_another_loads_while_the_pumps_own_current_flows():
    slow = {"bed-1": (2400.0, 1200.0)}
    from_s = DUSK_S + 3 * HOUR_S
    garden = Garden(SLOW, start_s=NOON_S - 4 * HOUR_S, end_s=from_s + 3 * HOUR_S, current=True)
    plain = garden.battery_v
    garden.battery_v = lambda at_s: plain(at_s) + (0.06 if at_s > from_s else 0.0)
    only(drive(monitor(beds=slow), garden.packs(), garden.end_s))


@pytest.mark.parametrize("sensor", [False, True])
def test_after_a_clock_was_set_back_a_stop_is_told_as_soon_as_ever(sensor):
    """By two hours, while the pump runs; it stops an hour later and comes again."""
    back_s, set_s, stop_s = 2 * HOUR_S, NOON_S + 4 * HOUR_S, NOON_S + 3 * HOUR_S
    before = Garden(start_s=NOON_S, end_s=set_s, current=sensor)
    still = [("pump", stop_s, stop_s + HOUR_S)]
    after = Garden(start_s=set_s - back_s, end_s=stop_s + 2 * HOUR_S, current=sensor, still=still)
    packs = [*before.packs()]
    packs += [
        pack._replace(received_s=pack.received_s + back_s, seq=pack.seq + len(packs)) for pack in after.packs()
    ]
    told = [event for event in drive(monitor(), packs) if event.kind == "alarm" and event.alarm == "pump-stopped"]
    assert [event.change for event in told] == ["raised", "cleared"]
    raised_s, cleared_s = (event.time - back_s - stop_s for event in told)
    assert 0 < raised_s < (6 * 60 if sensor else 20 * 60) and HOUR_S < cleared_s < HOUR_S + 15 * 60


def test_a_lower_float_that_falls_silent_after_a_clock_was_set_back_is_missed():
    back_s, set_s = 2 * HOUR_S, NOON_S + 4 * HOUR_S
    before = Garden(ONE, start_s=NOON_S, end_s=set_s)
    before.floats = {f"bed-1/{which}": before.changes("bed-1") for which in ("high", "low")}
    after = Garden(ONE, start_s=set_s - back_s, end_s=set_s - 600)
    packs = [*before.packs()]
    packs += [
        pack._replace(received_s=pack.received_s + back_s, seq=pack.seq + len(packs)) for pack in after.packs()
    ]
    told = [event for event in drive(monitor(beds=ONE), packs) if event.kind == "alarm"]
    assert [(event.alarm, event.subject) for event in told] == [("sensor-fault", "bed-1/low")]
    assert "is missing" in told[0].message


def test_what_was_left_open_by_day_is_closed_by_a_rest_and_by_water():
    """Pump or siphon: the night's voltage is not asked of what the grower has seen to meanwhile."""
    from_s = stop_at(False, "bed-1", NOON_S + 3 * HOUR_S, beds=ONE)
    garden = Garden(ONE, end_s=from_s + 2 * HOUR_S, still=[("bed-1", from_s, from_s + 9 * HOUR_S)])
    for ending in ("come back", "stay away", "night"):
        watch = monitor(beds=ONE)
        drive(watch, garden.packs(), garden.end_s)
        pump = watch._pumps["pump"]
        assert pump._by_day is not None
        if ending == "come back":
            pump.come_back(garden.end_s, garden.end_s)
        elif ending == "stay away":
            pump.stay_away(garden.end_s, from_s, garden.end_s)
        else:
            pump._judge_single(garden.end_s, garden.end_s, pump.beds[0], from_s - HOUR_S)
        assert pump._by_day is None and not pump.is_in_question


@pytest.mark.parametrize("late_s", [250.0, 550.0], ids=["before anything is told", "after its siphon was named"])
def test_a_siphon_that_breaks_late_is_no_stopped_pump_once_water_has_reached_the_lower_float(late_s):
    """The lower float is passed on the way up 250 s before the upper one, however late."""
    high, low, at_s = [], [], NOON_S + 100
    while at_s < NOON_S + 6 * HOUR_S:
        wait_s = late_s if NOON_S + 4 * HOUR_S < at_s < NOON_S + 4 * HOUR_S + 600 else 0.0
        low += [(at_s + 150 + wait_s, True), (at_s + 630 + wait_s, False)]
        high += [(at_s + 400 + wait_s, True), (at_s + 600 + wait_s, False)]
        at_s += 600 + wait_s
    garden = Garden({"bed-1": (400.0, 200.0)}, end_s=NOON_S + 6 * HOUR_S)
    garden.floats = {"bed-1/high": high, "bed-1/low": low}
    found = drive(monitor(beds=["bed-1"]), garden.packs(), garden.end_s)
    broken = [("siphon-not-breaking", "bed-1", change) for change in ("raised", "cleared")]
    assert alarms(found) == (broken if late_s > 400 else [])


def test_a_float_that_was_unplugged_and_is_back_as_it_was_is_no_bed_that_stood_still():
    garden = Garden(SLOW, end_s=NOON_S + 14 * HOUR_S, volts=lambda at_s: 13.6)
    dry_s = [at_s for at_s, wet in garden.changes("bed-1") if not wet]
    from_s = next(at_s for at_s in dry_s if at_s > NOON_S + 6 * HOUR_S) + 600
    until_s = next(at_s for at_s in dry_s if at_s > from_s + 4 * HOUR_S)

    def unplugged():
        for pack in garden.packs():
            gone = from_s < pack.readings[0].sampled_s <= until_s
            kept = tuple(each for each in pack.readings if each.name != "bed-1/high" or not gone)
            yield pack._replace(readings=kept)

    found = alarms(drive(monitor(beds=SLOW), unplugged(), garden.end_s))
    assert [each for each in found if each[1] != "battery"] == [
        ("sensor-fault", "bed-1/high", change) for change in ("raised", "cleared")
    ]


@pytest.mark.parametrize("late_s", [250.0, 550.0], ids=["before anything is told", "after its siphon was named"])
def test_a_siphon_that_breaks_late_is_no_stopped_pump_once_the_level_rises(late_s):
    high, rises, at_s = [], [], NOON_S + 100
    while at_s < NOON_S + 6 * HOUR_S:
        wait_s = late_s if NOON_S + 4 * HOUR_S < at_s < NOON_S + 4 * HOUR_S + 600 else 0.0
        rises.append((at_s, at_s + 400 + wait_s))
        high += [(at_s + 400 + wait_s, True), (at_s + 600 + wait_s, False)]
        at_s += 600 + wait_s
    garden = Garden({"bed-1": (400.0, 200.0)}, end_s=NOON_S + 6 * HOUR_S)
    garden.floats = {"bed-1/high": high}

    def level_m(at_s):
        fell_s, rose_s = max((turn for turn in rises if turn[0] <= at_s), default=rises[0])
        if at_s < rose_s:  # down to where the siphon breaks, and up from there in the last 300 s
            return max(0.20 - 0.16 * max(at_s - fell_s, 0) / 60, 0.04, 0.20 - 0.16 * (rose_s - at_s) / 300)
        return min(0.20 + 0.10 * (at_s - rose_s) / 150, 0.30) if at_s < rose_s + 170 else 0.25

    def measured():
        for pack in garden.packs():
            at_s = pack.readings[0].sampled_s
            level = Reading("bed-1/level", at_s, level_m(at_s))
            yield pack._replace(readings=(*pack.readings, level)) if len(pack.readings) > 1 or pack.seq % 2 else pack

    found = drive(monitor(beds=["bed-1"]), measured(), garden.end_s)
    broken = [("siphon-not-breaking", "bed-1", change) for change in ("raised", "cleared")]
    assert alarms(found) == (broken if late_s > 400 else [])


@pytest.mark.parametrize("wrong_m", [-0.05, 0.05])
@pytest.mark.parametrize(
    ("wet", "stands_m", "alarm"),
    [
        (True, 0.30, "siphon-not-starting"),
        (True, 0.255, "pump-stopped"),
        (False, 0.04, "siphon-not-breaking"),
        (False, 0.085, "pump-stopped"),
    ],
)
def test_a_level_knows_the_beds_crest_and_bottom_whatever_the_site_file_says(wet, stands_m, alarm, wrong_m):
    """A float at 0.20 m, and a bed that fills for 400 s and drains in 150, wrongly measured by its grower."""
    from_s = NOON_S + 4 * HOUR_S

    def level_m(at_s: float) -> float:
        into_s = (at_s - NOON_S) % 550
        level_m = 0.04 + 0.26 * (into_s / 400 if into_s < 400 else (550 - into_s) / 150)
        at_end = level_m >= stands_m if wet else level_m <= stands_m and into_s < 400
        return stands_m if at_s > from_s + 600 or (at_s > from_s and at_end) else level_m

    plan = site(["bed-1"])
    heights = {"standpipe_height_m": 0.30 + wrong_m, "drain_height_m": max(0.04 + wrong_m, 0.0)}
    beds = [plan.beds[0].model_copy(update=heights | {"float_height_m": 0.20})]
    at_s = [NOON_S + 15 * k for k in range(5 * 240)]
    stopped_s = next(s for s in at_s if s > from_s and level_m(s) == stands_m)
    packs = [
        Pack(s + 0.5, "barrels", 7, seq, (Reading("bed-1/level", s, stands_m if s > stopped_s else level_m(s)),))
        for seq, s in enumerate(at_s)
    ]
    found = drive(Monitor(plan.model_copy(update={"beds": beds}), SUN), packs, at_s[-1])
    only(found, (alarm, "pump" if alarm == "pump-stopped" else "bed-1"))
