"""What a siphon does is measured by floats and by a level; an ageing one shows before it fails, a good one never."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterator
from random import Random
from statistics import fmean, median

import pytest

from barreltide.commands import recordings
from barreltide.core.event import as_line
from barreltide.core.float_track import Fall, FloatTrack
from barreltide.core.monitor import Monitor
from barreltide.core.reading import Pack, Reading
from barreltide.core.siphon import Siphon, Turn, turn_of_floats
from barreltide.core.voltage import VoltageTrace
from barreltide.demo.garden import Bed, Float
from barreltide.site import load
from barreltide.store import Store, Work
from barreltide.sun import Sun
from simulation.draw import draw_garden
from simulation.fault import KINDS, Kind, Stage
from simulation.run import Run, simulate
from small_garden import NOON_S, SUN, drive, site

DAY_S = 86400.0
L_PER_MIN = 1 / 60_000

# -- one turn


def test_ripple_at_the_lower_float_does_not_move_its_crossings():
    low = FloatTrack()
    for time_s, wet in [(0, True), (1000, False), (1006, True), (1010, False), (1400, True), (1407, False),
                        (1411, True), (3000, False)]:  # fmt: skip
        low.hear(time_s, wet, False, True)
    turn = turn_of_floats(Fall(2600.0, 1660.0, 600.0, 1060.0), low, VoltageTrace())  # the upper one: 940 to 2000 dry
    assert (turn.down_s, turn.bottom_s, turn.up_s, turn.top_s) == (1010 - 940, 1411 - 1010, 2000 - 1411, 600)
    assert turn.down_s + turn.bottom_s + turn.up_s + turn.top_s == turn.period_s
    assert turn.prime_s is None and turn.break_s is None, "two floats do not know the ways to the crest and back"


def test_a_lower_float_that_does_not_follow_gives_no_turn():
    low = FloatTrack()
    fall = Fall(2600.0, 1660.0, 600.0, 1060.0)
    assert turn_of_floats(fall, low, VoltageTrace()) is None
    low.hear(0.0, True, False, False)
    low.hear(1000.0, False, False, True)
    assert turn_of_floats(fall, low, VoltageTrace()) is None


def told_by_level(l_per_min: float, step_s: int, prime_s: float = 0.0, **heights: float) -> tuple[list, list[dict]]:
    """The bed of test_outside_water.py for nine hours, known by its level alone: cycles, each with its picture.

    heights: of floats, m, as the site file may give them even so.
    """
    bed, rng = Bed("bed-1", 0.10, 0.25, 0.03, 0.15, 0.025, 0.55, 1.0, 0.0, prime_s, 0.01, {"high": Float(0.14, 0.0)},
                   ripple_m=1e-9, level_m=0.03), Random(7)  # fmt: skip
    plan = site(beds=("bed-1",))
    heights = {"standpipe_height_m": 0.25, "drain_height_m": 0.03, "float_height_m": None} | heights
    plan.beds[0] = plan.beds[0].model_copy(update=heights)
    watch, cycles, pictures = Monitor(plan, SUN), [], []
    for at_s in range(0, 9 * 3600, step_s):
        level = Reading("bed-1/level", NOON_S + at_s, round(bed.level_m + rng.gauss(0.0, 0.0015), 3))
        for event in watch.take(Pack(NOON_S + at_s + 0.5, "barrels", 7, at_s // step_s, (level,))):
            if event.kind == "cycle":
                cycles.append(event)
                pictures.append(watch.picture()["beds"]["bed-1"])
        for second in range(step_s):
            bed.advance(at_s + second, 1.0, l_per_min * L_PER_MIN, rng, [])
    return cycles, pictures


@pytest.mark.parametrize(
    ("l_per_min", "step_s", "fill_s", "drain_s"),
    [(3, 5, 440.0, 37.865), (6, 5, 220.0, 41.497), (6, 15, 220.0, 41.497), (10, 5, 132.0, 47.616)],
)
def test_a_level_alone_tells_fill_and_drain_from_break_to_crest(l_per_min, step_s, fill_s, drain_s):
    """Drains: the closed form for a drain under inflow, which test_outside_water.py holds to SciPy's quadrature."""
    cycles, pictures = told_by_level(l_per_min, step_s)
    known = [cycle for cycle in cycles if cycle.fill_s is not None]
    assert len(cycles) > 60 and len(known) >= len(cycles) - 2
    assert median(cycle.fill_s for cycle in known) == pytest.approx(fill_s, rel=0.06)
    assert median(cycle.drain_s for cycle in known) == pytest.approx(drain_s, rel=0.08)
    ratios = [picture["flow_ratio"] for picture in pictures if picture["flow_ratio"]]
    assert median(ratios) == pytest.approx(1 + fill_s / drain_s, rel=0.06)
    assert (pictures[-1]["fill_s"], pictures[-1]["drain_s"]) == (known[-1].fill_s, known[-1].drain_s)


def test_a_level_tells_fill_and_drain_between_two_heights_that_the_site_gives():
    """120.000 and 22.2241 s: as in test_outside_water.py, where SciPy solves the bed's equation."""
    cycles, _ = told_by_level(6, 5, float_height_m=0.20, low_float_height_m=0.08)
    known = [cycle for cycle in cycles if cycle.fill_s is not None]
    assert median(cycle.fill_s for cycle in known) == pytest.approx(120.0, rel=0.06)
    assert median(cycle.drain_s for cycle in known) == pytest.approx(22.2241, rel=0.06)


def test_samples_of_a_level_may_come_in_any_order_but_must_be_there():
    """Two turns of 600 s: up for 400 s, at rest for 60, down within 100, at rest for 40."""
    corners = [(0, 0.05), (400, 0.25), (460, 0.25), (560, 0.05), (600, 0.05)]

    def level_m(at_s: float) -> float:
        at_s %= 600
        after = next(i for i, corner in enumerate(corners) if corner[0] > at_s)
        (from_s, from_m), (to_s, to_m) = corners[after - 1], corners[after]
        return from_m + (to_m - from_m) * (at_s - from_s) / (to_s - from_s)

    def turn_of(samples: list[tuple[float, float]]) -> Turn | None:
        siphon = Siphon("bed-1", None, VoltageTrace())
        for first_s, last_s in ((0, 1200), (1200, 1800)):
            for at_s, sample_m in samples:
                if first_s <= at_s < last_s:
                    siphon.hear_level(at_s, sample_m)
            turn = siphon.turn(Fall(last_s - 90.0, 600.0, 250.0, 350.0), None)  # a float at 0.15 m: 260 to 510 s wet
        return turn

    samples = [(float(at_s), level_m(at_s)) for at_s in range(0, 1800, 5)]
    turn = turn_of(samples)
    assert turn.fill_s == pytest.approx(400, abs=1) and turn.drain_s == pytest.approx(100, abs=1)
    assert turn.prime_s == pytest.approx(60, abs=3) and turn.break_s == pytest.approx(40, abs=3)
    assert turn_of(Random(3).sample(samples, len(samples))) == turn
    assert turn_of([sample for sample in samples if not 1230 < sample[0] < 1330]) is None


def test_a_level_tells_how_long_the_siphon_waits_to_start():
    """Each wait of the garden's is another; by how much it is longer on the mean, the period tells.

    The first seconds of it are no rest: at a millimetre a second the trickle climbs to 8.1 mm over the standpipe, the
    head of 6 l/min on a rim of 25 mm (broad-crested weir, coefficient 1.75 from memory).
    """
    means = []
    for prime_s in (0.0, 45.0):
        cycles, pictures = told_by_level(6, 5, prime_s)
        waits = [picture["prime_s"] for picture in pictures if picture["prime_s"] is not None]
        means.append((fmean(waits), fmean(cycle.period_s for cycle in cycles if cycle.period_s)))
    (none_s, period_s), (wait_s, longer_s) = means
    assert none_s < 5 and longer_s - period_s > 40
    assert wait_s - none_s == pytest.approx(longer_s - period_s - 8.1, rel=0.15)


@pytest.mark.parametrize("l_per_min", [6, 24])
def test_a_way_is_no_wait_however_slowly_the_water_falls_at_its_end(l_per_min):
    """This bed's siphon starts and breaks at once; against 24 l/min it falls ever more slowly."""
    _, pictures = told_by_level(l_per_min, 5)
    for wait in ("prime_s", "break_s"):
        assert median(picture[wait] for picture in pictures if picture[wait] is not None) < 6


# -- turns by a ruler: what is a sign, and what is none


def turns(
    days: float, start_s: float = 0.0, flow: float = 1.0, siphon: float = 6.0, water: float = 1.0, top_s: float = 0.0,
    bottom_s: float = 0.0, seed: int = 1,
) -> Iterator[Turn]:  # fmt: skip
    """Two floats' turns of about ten minutes. flow, siphon: litres a second; water: 300 l of it; waits in seconds."""
    rng, time_s = Random(seed), start_s
    while time_s < start_s + days * DAY_S:
        pump = flow * (1 + 0.08 * (time_s % DAY_S < DAY_S / 3)) * rng.gauss(1, 0.01)
        up_s, down_s = 300 * water / pump, 300 * water / (siphon - pump)
        over_s = 0.5 * up_s + 0.45 * down_s + 120 + top_s + rng.gauss(0, 3)
        under_s = 0.25 * up_s + 0.3 * down_s + 5 + bottom_s + rng.gauss(0, 3)
        period_s = up_s + down_s + over_s + under_s
        time_s += period_s
        yield Turn(time_s, period_s, up_s, down_s, over_s, under_s, up_s, down_s, up_s * (pump / flow), 0.0)


def learn(siphon: Siphon, *spans: Iterator[Turn]) -> list[tuple[str, str]]:
    return [(event.sign, event.change) for span in spans for turn in span for event in siphon.learn(turn)]


@pytest.fixture
def good():
    """A siphon that has been watched for two days."""
    siphon = Siphon("bed-1", None, VoltageTrace())
    assert learn(siphon, turns(2)) == []
    return siphon


CHANGES = {
    "valve opened": {"flow": 2.0},
    "valve closed": {"flow": 0.7},
    "medium added": {"water": 0.8},
    "medium taken out": {"water": 1.25},
    "cleaned": {"siphon": 9.0},
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_what_a_grower_turns_adds_or_cleans_is_no_sign(good, change):
    assert learn(good, turns(3, 2 * DAY_S, **change)) == []
    assert good.message is None and good.last is not None


FAULTS = {
    "slow-to-start": ({"top_s": 50.0}, ("bell", "cup"), ("siphon-not-starting",)),
    "slow-to-break": ({"bottom_s": 50.0}, ("tube",), ("siphon-not-breaking",)),
    "slow-to-drain": ({"siphon": 4.5}, ("pipe",), ("siphon-not-starting", "siphon-not-breaking")),
}


@pytest.mark.parametrize("sign", FAULTS)
def test_a_sign_is_told_once_when_it_comes_and_once_when_it_has_gone(good, sign):
    change, parts, alarms = FAULTS[sign]
    assert learn(good, turns(2, 2 * DAY_S, **change)) == [(sign, "seen")]
    assert all(part in good.message for part in parts)
    for alarm in ("siphon-not-starting", "siphon-not-breaking", "bed-starved"):
        advice = good.advice(alarm)
        began = re.match(f"For (4[78] h|2 days) before, it had been {sign.replace('-', ' ')}: ", advice)
        assert began if alarm in alarms else advice == ""
    assert learn(good, turns(1, 4 * DAY_S)) == [(sign, "gone")]
    assert good.message is None and good.advice(alarms[0]) == ""


def test_what_has_stood_for_a_week_is_the_usual_from_then_on(good):
    assert learn(good, turns(12, 2 * DAY_S, top_s=50.0)) == [("slow-to-start", "seen"), ("slow-to-start", "gone")]
    assert learn(good, turns(2, 14 * DAY_S, top_s=100.0)) == [("slow-to-start", "seen")]


def test_a_siphon_that_was_cleaned_is_held_to_its_better_days(good):
    """Six litres a second were the usual; since the cleaning nine are."""
    assert learn(good, turns(3, 2 * DAY_S, siphon=9.0), turns(1, 5 * DAY_S)) == [("slow-to-drain", "seen")]


def test_a_weaker_flow_is_named_before_the_bell(good):
    assert learn(good, turns(2, 2 * DAY_S, flow=0.8)) == []
    assert "too weak to start it" in good.advice("siphon-not-starting")
    assert good.advice("siphon-not-breaking") == ""
    learn(good, turns(2, 4 * DAY_S, flow=0.8, top_s=60.0))
    assert good.message.index("too weak to start it") < good.message.index("bell")


def test_times_of_a_level_are_not_held_against_those_of_floats(good):
    def level(days: float, start_s: float, top_s: float) -> Iterator[Turn]:
        return (turn._replace(top_s=top_s, bottom_s=5.0, step_s=15.0) for turn in turns(days, start_s))

    assert learn(good, level(2, 2 * DAY_S, 12.0)) == []
    for turn in turns(0.1, 4 * DAY_S):  # the level is missed for a while
        assert good.learn(turn) == [] and good.last.step_s
    assert learn(good, level(0.3, 4.1 * DAY_S, 40.0)) == [("slow-to-start", "seen")]


def test_a_sign_is_stored_and_printed_like_other_events(good, tmp_path):
    (seen,) = [event for turn in turns(1, 2 * DAY_S, top_s=50.0) for event in good.learn(turn)]
    line = as_line(seen)
    assert set(line) == {"event", "time", "bed", "sign", "change", "message"}
    assert (line["event"], line["bed"], line["sign"], line["change"]) == ("siphon", "bed-1", "slow-to-start", "seen")
    store = Store(tmp_path / "barreltide.db")
    work = Work()
    work.events = [(store.next_event(), None, seen)]
    store.commit(work)
    assert store.events("siphon", "bed-1") == [line]
    words = recordings._in_words(dict(line), datetime.UTC)
    assert words == f"1970-01-03 {words[11:19]} UTC  siphon  seen slow-to-start bed-1: {seen.message}"


# -- whole gardens

SENSORS = {"floats": {"low_float": True, "level": False}, "level": {"low_float": False, "level": True}}


def judged(run: Run, tmp_path) -> tuple[Monitor, list]:
    path = tmp_path / "site.toml"
    path.write_text(run.plan.site_toml())
    watch = Monitor(load(path), Sun(run.plan.latitude, run.plan.longitude, run.plan.time_zone))
    events = drive(watch, run.inputs(), run.end_s)
    assert not [event for event in events if event.kind == "choked"]
    return watch, [event for event in events if event.kind in ("siphon", "alarm")]


@pytest.mark.parametrize("sensors", SENSORS)
@pytest.mark.parametrize("seed", range(20))
def test_a_good_siphon_shows_no_sign(seed, sensors, tmp_path):
    watch, events = judged(simulate(draw_garden(seed, beds=1, pumps=1, **SENSORS[sensors]), 3.0), tmp_path)
    assert [event for event in events if event.kind == "siphon"] == []
    assert all(bed["flow_ratio"] > 1 for bed in watch.picture()["beds"].values())


@pytest.mark.parametrize("sensors", SENSORS)
@pytest.mark.parametrize("change", ["valve-adjusted", "medium-added"])
def test_a_grower_at_work_is_no_sign(change, sensors, tmp_path):
    plan = draw_garden(3, beds=2, pumps=1, **SENSORS[sensors])
    assert [event for event in judged(simulate(plan, 3.5, change), tmp_path)[1] if event.kind == "siphon"] == []


def ageing(part: str, end: Callable[[Bed, float], float], fails: str) -> Callable[[Stage], None]:
    """Within two days the bed's `part` changes to `end(bed, its period)`; then the siphon fails: `fails` is false."""

    def apply(stage: Stage) -> None:
        bed, steps = stage.bed, 200
        first, last = getattr(bed, part), end(bed, (bed.cycles[-1].time - bed.cycles[-11].time) / 10)
        for step in range(1, steps + 1):
            value = first + (last - first) * step / steps
            stage.after(2 * DAY_S * step / steps, lambda value=value: setattr(bed, part, value))
        stage.after(2.1 * DAY_S, lambda: setattr(bed, fails, False))
        stage.plan.label["ageing"] = bed.name

    return apply


AGEING = {
    "slow-to-start": ("bell", ageing("prime_s", lambda bed, period_s: 0.2 * period_s, "primes")),
    "slow-to-break": ("tube", ageing("break_s", lambda bed, period_s: 0.2 * period_s, "breaks")),
    "slow-to-drain": ("pipe", ageing("bore_m", lambda bed, period_s: 0.8 * bed.bore_m, "breaks")),
}


@pytest.mark.parametrize("sensors", SENSORS)
@pytest.mark.parametrize("seed", [4, 14])  # periods of 8 and 16 minutes
@pytest.mark.parametrize("sign", AGEING)
def test_an_ageing_siphon_shows_before_it_fails(sign, seed, sensors, tmp_path, monkeypatch):
    part, apply = AGEING[sign]
    monkeypatch.setitem(KINDS, "siphon-ageing", Kind(apply))
    run = simulate(draw_garden(seed, beds=1, pumps=1, **SENSORS[sensors]), 5.2, "siphon-ageing")
    name = run.plan.label["ageing"]
    watch, events = judged(run, tmp_path)
    seen = [event for event in events if event.kind == "siphon"]
    assert [(event.bed, event.sign, event.change) for event in seen] == [(name, sign, "seen")]
    assert run.fault.onset_s < seen[0].time < run.fault.onset_s + 1.5 * DAY_S
    assert part in seen[0].message and watch.picture()["beds"][name]["sign"]
    alarm = "siphon-not-starting" if sign == "slow-to-start" else "siphon-not-breaking"
    failed = [event.time for event in events if event.kind == "alarm" and event.subject in (name, "pump")]
    assert seen[0].time < min(failed)
    assert part in watch._beds[name].siphon.advice(alarm)
