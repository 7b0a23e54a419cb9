"""The state of charge on simulated gardens, whose batteries share no formula with the engine."""

from __future__ import annotations

import math
import re
import statistics

import pytest
from barreltide.core.monitor import Monitor
from barreltide.site import load
from barreltide.sun import Sun
from simulation.draw import draw_garden
from simulation.run import simulate


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
