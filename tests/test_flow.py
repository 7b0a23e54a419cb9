"""The pump's flow, day against day: clogging is told in time, a grower's valve and the day's breathing are not."""

from __future__ import annotations

from math import pi, sin

import pytest

from barreltide.core.event import CycleCounted
from barreltide.core.flow import DAY_S, Flow, falling
from barreltide.core.voltage import VoltageTrace


def run(share_of_flow, days: float, beds: int = 2, adjusted=lambda bed, day: 0, two_floats: bool | str = False):
    """Yields (day, what `falling` says) after each cycle of beds that fill with so much of the usual flow.

    share_of_flow(bed, day): 1 for the usual. The draining takes a sixth of the filling, whatever the flow; the day's
    voltage sways between 12.2 and 14.2 V, and the flow with it.
    """
    trace = VoltageTrace()
    flows = [Flow(trace) for _ in range(beds)]
    at_s, fill_s, drain_s = 1e9, 1200.0, 200.0
    while at_s < 1e9 + days * DAY_S:
        day = (at_s - 1e9) / DAY_S
        volts = 13.2 + sin(2 * pi * day)
        for bed, flow in enumerate(flows):
            filling_s = fill_s / share_of_flow(bed, day) * 12.6 / volts
            if bed == 0:
                for k in range(1, 9):
                    trace.add(at_s + k * (filling_s + drain_s) / 8, volts, False)
                end_s = at_s + filling_s + drain_s
            cycle = CycleCounted(end_s, f"bed-{bed}", 1, filling_s + drain_s, drain_s, filling_s, None, None)
            if two_floats and not (two_floats == "with misses" and int(at_s) % 5 == 0):
                cycle = cycle._replace(fill_s=0.6 * filling_s, drain_s=0.6 * drain_s)
            flow.gather(cycle, adjusted(bed, day))
        at_s = end_s
        yield day, falling(flows)


def first(found) -> float | None:
    return next((day for day, times in found if times), None)


@pytest.mark.parametrize("two_floats", [False, True, "with misses"])
@pytest.mark.parametrize("beds", [1, 2, 4])
def test_a_flow_that_falls_by_a_third_is_told_within_two_days_of_passing_thirty_per_cent(beds, two_floats):
    def clogging(bed, day):
        return max(1 - 0.1 * max(day - 3, 0), 0.65)  # 70 % on day 6

    told = first(run(clogging, 9, beds, two_floats=two_floats))
    assert told is not None and 4.5 < told < 8


def test_a_healthy_pump_is_told_normal_however_the_voltage_sways():
    told = [times for _, times in run(lambda bed, day: 1 - 0.003 * day, 10)]
    assert set(told) == {None, 0.0} and told[-1] == 0.0


def test_all_beds_slowed_at_once_are_the_pump_and_one_bed_is_its_valve():
    def adjusted(bed, day):
        return int(day > 3)

    assert first(run(lambda bed, day: 0.65 if day > 3 else 1, 6, adjusted=adjusted)) is not None
    assert first(run(lambda bed, day: 0.65 if day > 3 and bed == 0 else 1.2, 6, adjusted=adjusted)) is None
    assert first(run(lambda bed, day: 0.8 if day > 3 else 1, 6, beds=1, adjusted=adjusted)) is None
    assert first(run(lambda bed, day: 0.55 if day > 3 else 1, 6, beds=1, adjusted=adjusted)) is not None


def test_a_cleaned_pump_is_well_again():
    told = list(run(lambda bed, day: 0.6 if 3 < day < 6 else 1, 9))
    assert any(times for day, times in told if 3 < day < 6)
    assert told[-1][1] == 0.0
