"""A pump that rests by its grower's hand: nothing is raised meanwhile, and a pump that is forgotten is told at once."""

from __future__ import annotations

import tomllib

import pytest

from barreltide.core.alarm import Alarms
from barreltide.core.monitor import Monitor
from barreltide.core.reading import Pack, PumpRested, Reading, ServiceStarted
from barreltide.site import Site
from barreltide.sun import Sun
from simulation.run import plan_for, simulate
from small_garden import DUSK_S, HOUR_S, NOON_S, SUN, Garden, alarms, drive, monitor, site

REST_S = NOON_S + 4 * HOUR_S
NIGHT_S = DUSK_S + 2 * HOUR_S
OF_WATER = ("pump-stopped", "bed-starved", "siphon-not-starting", "siphon-not-breaking", "flow-falling", "sump-low")


def rest(at_s: float, for_s: float, pump: str = "pump") -> PumpRested:
    return PumpRested(at_s, pump, at_s + for_s)


def rested(off_s: float, off_for_s: float, *said: PumpRested, **garden) -> list:
    """What is told of a garden whose pump is off for so long, from an hour after the beds are known to two hours on."""
    plan = Garden(
        start_s=off_s - 4 * HOUR_S, end_s=off_s + 3 * HOUR_S, still=[("pump", off_s, off_s + off_for_s)], **garden
    )
    return [event for event in drive(monitor(), [*plan.packs(), *said]) if event.kind in ("alarm", "cycle")]


@pytest.mark.parametrize("off_s", [REST_S, NIGHT_S], ids=["by day", "by night"])
@pytest.mark.parametrize("off_for_s", [300, 1200, 2400])
@pytest.mark.parametrize("later_s", range(0, 900, 150))
def test_a_rest_that_ends_in_time_is_told_to_nobody(off_s, off_for_s, later_s):
    off_s += later_s
    assert alarms(rested(off_s, off_for_s, rest(off_s - 60, 3600))) == []


def test_the_same_without_a_word_is_a_stopped_pump():
    assert alarms(rested(REST_S, 2400))[0] == ("pump-stopped", "pump", "raised")
    assert alarms(rested(NIGHT_S, 1200))[0] == ("pump-stopped", "pump", "raised")


@pytest.mark.parametrize("off_s", [REST_S, NIGHT_S], ids=["by day", "by night"])
@pytest.mark.parametrize("for_s", [400, 1800, 5400])
def test_a_pump_that_is_forgotten_is_told_as_soon_as_the_time_is_over(off_s, for_s):
    events = rested(off_s, 2.5 * HOUR_S, rest(off_s - 30, for_s))
    first, second = [event for event in events if event.kind == "alarm"]
    assert (first.alarm, first.subject, first.change, first.priority) == ("pump-stopped", "pump", "raised", "urgent")
    assert 0 <= first.time - (off_s - 30 + for_s) <= 30
    assert first.message.startswith("The pump 'pump' is not back from its rest. It was switched off for ")
    assert abs(first.since - off_s) < 400 and first.evidence[0].share > 0.9
    assert second.change == "cleared" and 0 < second.time - (off_s + 2.5 * HOUR_S) < 700


def test_water_that_moves_again_ends_the_rest_before_its_time():
    """A second stop in the time of the first rest is nobody's rest."""
    plan = Garden(end_s=REST_S + 4 * HOUR_S, still=[
        ("pump", REST_S, REST_S + 1200), ("pump", REST_S + 3600, REST_S + 3 * HOUR_S)])  # fmt: skip
    events = drive(monitor(), [*plan.packs(), rest(REST_S - 60, 3 * HOUR_S)])
    assert alarms(events) == [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")]
    stopped = next(event for event in events if event.kind == "alarm")
    assert REST_S + 3600 < stopped.time < REST_S + 5400 and "rest" not in stopped.message.partition(". ")[0]


def test_a_rest_makes_nobody_slower_to_see_the_next_stop():
    """What a rest looks like is no surprise that a pump's watchman must learn to be patient from."""

    def slowest(rest_s: float) -> float:
        waits = []
        for later_s in range(0, 700, 100):
            plan = Garden(end_s=REST_S + 4 * HOUR_S, still=[("pump", REST_S + 5400 + later_s, REST_S + 4 * HOUR_S)])
            if rest_s:
                plan.still.append(("pump", REST_S, REST_S + rest_s))
            told = drive(monitor(), [*plan.packs(), rest(REST_S, 4500)])
            (stopped,) = [event for event in told if event.kind == "alarm"]
            waits.append(stopped.time - plan.still[0][1])
        return max(waits)

    usual_s = slowest(0)
    for rest_s in (500, 700, 900, 1100):
        assert slowest(rest_s) < usual_s + 150  # the beds stand elsewhere in their turns


def test_water_that_still_rises_while_the_grower_walks_to_the_switch_ends_no_rest():
    plan = Garden(end_s=REST_S + HOUR_S)
    rise_s = next(at_s for at_s, wet in plan.changes("bed-1") if wet and at_s > REST_S)
    plan.still = [("pump", rise_s + 100, rise_s + 2000)]
    assert alarms(drive(monitor(), [*plan.packs(), rest(rise_s - 150, 3600)])) == []


def test_one_bed_alone_where_a_stop_and_a_stalled_siphon_look_alike():
    for later_s in range(0, 600, 120):
        off_s = REST_S + later_s
        plan = Garden(beds={"bed-1": (400.0, 200.0)}, end_s=off_s + 3 * HOUR_S, still=[("pump", off_s, off_s + 2700)])
        assert alarms(drive(monitor(beds=["bed-1"]), [*plan.packs(), rest(off_s, 3600)])) == []
        plan.still = [("pump", off_s, off_s + 9000)]
        told = alarms(drive(monitor(beds=["bed-1"]), [*plan.packs(), rest(off_s, 3600)]))
        assert told == [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")]


def test_the_sump_s_float_is_held_back_too_and_a_leak_is_told_afterwards():
    def told(low_for_s: float, *said: PumpRested) -> list:
        """What is told where the sump falls low with the pump's stop; its float is read by a station of its own."""
        plan = Garden(end_s=REST_S + 3 * HOUR_S, still=[("pump", REST_S, REST_S + 2400)])
        lows = [
            Pack(at_s + 1, "shed", 8, seq, (Reading("sump/low", at_s, not REST_S < at_s < REST_S + low_for_s),))
            for seq, at_s in enumerate(NOON_S + 60 * minute for minute in range(420))
        ]
        watch = monitor(stations=["barrels", "shed"])
        return [event for event in drive(watch, [*plan.packs(), *lows, *said]) if event.kind == "alarm"]

    assert told(3200, rest(REST_S, 3600)) == []
    (leak,) = told(3 * HOUR_S, rest(REST_S, 3600))
    assert leak.alarm == "sump-low" and leak.time > REST_S + 2400 + 600, "counted from when water moved again"
    assert {event.alarm for event in told(3200)} == {"sump-low", "pump-stopped"}


def test_other_pumps_and_other_alarms_are_judged_as_ever():
    def warm(at_s: float) -> float:
        return 20.0 if at_s < REST_S + 600 else 29.5

    events = rested(REST_S, 2400, rest(REST_S, 3600), water_c=warm)
    assert alarms(events)[:1] == [("water-too-warm", "sump", "raised")]
    assert events[0].kind == "cycle" and REST_S < next(e.time for e in events if e.kind == "alarm") < REST_S + 1200
    assert alarms(rested(REST_S, 2400, rest(REST_S, 3600, pump="another")))[0][0] == "pump-stopped"


def test_a_silent_station_is_told_in_a_rest_and_the_rest_waits_for_its_word():
    plan = Garden(end_s=REST_S + 4 * HOUR_S, still=[("pump", REST_S, REST_S + 3.5 * HOUR_S)])
    inputs = [pack for pack in plan.packs() if not REST_S + 900 < pack.received_s < REST_S + 2 * HOUR_S]
    told = [e for e in drive(monitor(), [*inputs, rest(REST_S, 1800)]) if e.kind == "alarm"]
    assert [(e.alarm, e.change) for e in told[:3]] == [
        ("station-silent", "raised"), ("station-silent", "cleared"), ("pump-stopped", "raised")]  # fmt: skip
    assert told[2].time > REST_S + 2 * HOUR_S and "not back from its rest" in told[2].message


def test_said_again_it_is_one_rest_with_another_end():
    said = [rest(REST_S, 900), rest(REST_S + 800, 3600)]
    assert alarms(rested(REST_S, 3000, *said)) == []
    (told, _) = [e for e in rested(REST_S, 2.5 * HOUR_S, *said) if e.kind == "alarm"]
    assert 0 <= told.time - (REST_S + 800 + 3600) <= 30 and "for 73 minutes" in told.message


def test_a_rest_lives_through_a_saved_state_and_a_start():
    plan = Garden(end_s=REST_S + 3 * HOUR_S, still=[("pump", REST_S, REST_S + 2 * HOUR_S)])
    inputs = sorted([*plan.packs(), rest(REST_S, 3600)], key=lambda item: item.received_s)
    watch = monitor()
    events = drive(watch, [item for item in inputs if item.received_s < REST_S + 1200])
    assert watch.picture()["pumps"]["pump"]["resting_until"] == REST_S + 3600
    watch = Monitor.restore(watch.save(), site(), SUN)
    later = [item for item in inputs if item.received_s >= REST_S + 1200]
    events += drive(watch, [ServiceStarted(REST_S + 1200), *later])
    assert alarms(events) == [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")]
    assert watch.picture()["pumps"]["pump"]["resting_until"] is None


def test_a_stop_that_stands_already_is_held_back_by_a_word_and_told_again_when_no_water_comes():
    """Who has switched the pump off may think of the word only when the alarm is there."""
    said = rest(REST_S + 3000, 1800)
    first, aside, again, over = [e for e in rested(REST_S, 2.5 * HOUR_S, said) if e.kind == "alarm"]
    assert {event.alarm for event in (first, aside, again, over)} == {"pump-stopped"}
    assert [e.change for e in (first, aside, again, over)] == ["raised", "cleared"] * 2
    assert first.time < said.received_s == aside.time and "Held back while the pump 'pump' rests: " in aside.message
    assert 0 <= again.time - said.until_s <= 30 and "not back from its rest" in again.message
    assert abs(again.since - REST_S) < 700 and over.message.startswith("Back to normal: ")


def test_a_stop_that_stands_already_is_told_no_more_when_water_comes_back_in_time():
    told = alarms(rested(REST_S, 3900, rest(REST_S + 3000, 3600)))
    assert told == [("pump-stopped", "pump", "raised"), ("pump-stopped", "pump", "cleared")]


def test_what_is_held_back_waits_and_is_not_lost():
    held = Alarms({})
    held.hold(0, "a", [("bed-starved", "bed-1"), ("sump-low", "sump")])
    held.hold(0, "b", [("sump-low", "sump")])
    held.report(10, "bed-starved", "bed-1", 5, "Dry.")
    held.report(10, "sump-low", "sump", 5, "Low.")
    held.report(10, "battery-low", "battery", 5, "Low.")
    held.tick(20)
    held.release("a")
    held.tick(30)
    held.release("b")
    held.normal(40, "sump-low", "sump")
    held.tick(50)
    assert [(e.time, e.alarm) for e in held.events] == [(10, "battery-low"), (30, "bed-starved")]


@pytest.mark.parametrize(
    ("celsius", "hours"), [(20.0, "about 3 to 9 hours"), (27.0, "about 1 to 5 hours"), (None, None)]
)
def test_a_stopped_pump_s_message_says_how_long_the_fish_have(celsius, hours):
    plan = site()
    sump = plan.sump.model_copy(update={"volume_l": 200.0, "fish": "goldfish", "fish_mass_kg": 1.5})
    watch = Monitor(plan.model_copy(update={"sump": sump}), SUN)
    garden = Garden(end_s=REST_S + HOUR_S, still=[("pump", REST_S, REST_S + HOUR_S)], water_c=celsius)
    (stopped,) = [event for event in drive(watch, garden.packs()) if event.kind == "alarm"]
    words = f"oxygen that is in the sump. It lasts {hours} from the stop on (an estimate)."
    assert words in stopped.message if hours else "estimate" not in stopped.message
    assert watch.standing()[0]["consequence"] in stopped.message
    nobody = Monitor(site(), SUN)  # a sump without fish
    assert not [e for e in drive(nobody, garden.packs()) if e.kind == "alarm" and "estimate" in e.message]


@pytest.mark.parametrize("seed", [3, 4, 20, 23])
def test_a_simulated_grower_who_says_so_cleans_the_pump_in_peace(seed):
    """Other gardens, with ripple, gaps and slow beds; at seed 20 both beds are full when the pump is switched off."""
    run = simulate(plan_for(seed, "pump-serviced"), fault="pump-serviced")
    plan, off_s = Site.model_validate(tomllib.loads(run.plan.site_toml())), run.fault.onset_s

    def told(*said: PumpRested) -> list:
        inputs = [item for item in run.inputs() if item.received_s < off_s + 4 * HOUR_S]
        watch = Monitor(plan, Sun(plan.latitude, plan.longitude, plan.time_zone))
        return [
            e for e in drive(watch, [*inputs, *said]) if e.kind == "alarm" and e.alarm in OF_WATER and e.time > off_s
        ]

    assert told()[0].alarm == "pump-stopped"
    assert told(*(rest(off_s - 60, 5400, pump.name) for pump in plan.pumps)) == []
