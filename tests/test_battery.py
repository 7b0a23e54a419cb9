"""The state of charge on simulated gardens, whose batteries share no formula with the engine."""

from __future__ import annotations

import math
import re
import statistics

import pytest

from barreltide.core.battery import StateOfCharge
from barreltide.core.daylight import Daylight
from barreltide.core.monitor import Monitor
from barreltide.site import load
from barreltide.sun import Sun
from conftest import SITE
from simulation.draw import draw_garden
from simulation.run import simulate
from small_garden import NOON_S, SUN


def judged(run, toml: str, tmp_path) -> list[tuple[float, bool]]:
    """From the second half day on: the error of each judgement, and whether the truth lay inside its interval."""
    (tmp_path / "site.toml").write_text(toml, encoding="utf-8")
    plan = run.plan
    monitor = Monitor(load(tmp_path / "site.toml"), Sun(plan.latitude, plan.longitude, plan.time_zone))
    events = [event for given in run.inputs() for event in monitor.take(given) if event.kind == "battery"]
    late = [event for event in events if event.time > run.start_s + 43_200]
    truths = [run.state_of_charge(event.time) for event in late]
    return [
        (event.state_of_charge - truth, event.low <= truth <= event.high)
        for event, truth in zip(late, truths, strict=True)
    ]


@pytest.mark.parametrize("seed", [9, 15, 16])
def test_a_panel_that_nobody_wrote_down_charges_all_the_same(seed, tmp_path):
    run = simulate(draw_garden(seed, gloom=0.1), 2.5)
    toml = re.sub(r"\[panel\]\npower_w = .*\n", "", run.plan.site_toml())
    assert "[panel]" not in toml
    found = judged(run, toml, tmp_path)
    assert math.sqrt(statistics.fmean(error**2 for error, _ in found)) < 0.1
    assert statistics.fmean(inside for _, inside in found) > 0.6


def test_a_station_whose_clock_was_set_back_goes_on_being_judged(tmp_path):
    """By years: nothing of before counts any more, but the charge that was known."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    site = load(tmp_path / "site.toml")
    charge = StateOfCharge(site.battery, 100.0, {"pump": 2.0}, Daylight(SUN, site.latitude))
    running = frozenset({"pump"})
    later = [charge.add(NOON_S + 15 * i, 12.9, running, None) for i in range(400)]
    earlier = [charge.add(NOON_S - 1e8 + 15 * i, 12.4, running, None) for i in range(400)]
    before, after = ([event for event in told if event is not None] for told in (later, earlier))
    assert len(before) == len(after) >= 6
    assert abs(after[0].state_of_charge - before[-1].state_of_charge) < 0.15
