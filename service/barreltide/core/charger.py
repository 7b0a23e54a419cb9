"""A source that comes by night: the owner puts a mains charger on, or a generator runs.

Theory. A load that goes lifts the battery's voltage by its I·R, and a little more while the battery relaxes: some tens
of millivolts, 0.1 V on a small battery. A lead battery of C ampere-hours has about 1/C ohm when it is good, two or
three times that when it is worn, cold or low, and the wires add some hundredths. What lifts the voltage by more than
all the garden's pumps could is a source, and so is what holds it above any rested battery's by night. While it lasts,
the voltage tells nothing of the pumps, just as by day. It is over when the voltage falls by as much at once, or is back
where it was.

It cannot tell a source so weak that it lifts no more than a load does from a load that has gone: then floats decide.

Sources, all from memory: 12 V lead batteries of 100 Ah have 5 to 14 mΩ (makers' sheets); a rested full one has 12.6 to
12.9 V, one of lithium iron phosphate 13.3 to 13.6 V; charge controllers hold a full one at 13.2 to 13.8 V.
"""

from __future__ import annotations

from .voltage import VoltageTrace

OHM_AH, WIRING_OHM = 4.0, 0.02  # of a 12 V battery, worn; of what lies between it and the meter
UNKNOWN_LOAD_H = 20.0  # no garden's pumps empty its battery faster, where their current is not given
RESTED_MOST_V, RESTED_MOST_LITHIUM_V = 13.2, 13.7  # of a 12 V battery, with what is left of the day's charge
HELD_LEAST_V = 13.0  # of a 12 V battery: no controller holds one lower, in a hot summer either
GONE_V = 0.2  # below that it is over
LOOKED_AFTER_S = 150.0  # so long after a step is it wholly in view


class Charger:
    """Asked at every judgement: since when nothing charges."""

    def __init__(self, battery, pumps_a: list[float | None]) -> None:
        """battery: the site's table; pumps_a: what each pump draws, None where that is not given."""
        capacity_ah, scale = battery.capacity_ah * battery.in_parallel, battery.nominal_voltage_v / 12.0
        load_a = capacity_ah / UNKNOWN_LOAD_H if None in pumps_a else sum(pumps_a)
        self.most_step_v = load_a * (WIRING_OHM + OHM_AH / capacity_ah) * scale
        self.held_least_v = scale * HELD_LEAST_V
        lithium = battery.chemistry == "lifepo4"
        self._rested_most_v = scale * (RESTED_MOST_LITHIUM_V if lithium else RESTED_MOST_V)
        self._gone_v = scale * GONE_V
        self._ends_v: float | None = None  # it is on until the voltage is below this; None: it is off
        self._looked_s = 0.0  # up to when steps have been looked at
        self._gone_s = 0.0

    @property
    def is_on(self) -> bool:
        return self._ends_v is not None

    def dark_since_s(self, trace: VoltageTrace, sampled_s: float, dark_since_s: float | None) -> float | None:
        """Since when nothing charges, neither sun nor mains. dark_since_s: the sun, None by day."""
        volts = trace.mean_v
        if dark_since_s is None or volts is None:
            self._ends_v = None
            return dark_since_s
        if trace.steps and trace.steps[-1].time_s > self._looked_s:
            until_s = min(sampled_s, trace.time_s) - LOOKED_AFTER_S
            for step in trace.steps:
                if self._looked_s < step.time_s <= until_s and step.time_s > dark_since_s:
                    self._looked_s = step.time_s
                    if step.volts > 0 and volts - step.base_v > self.most_step_v:
                        self._ends_v = step.base_v + 0.5 * self.most_step_v
                    elif step.volts < -self.most_step_v:
                        self._end(step.time_s)
        if volts > self._rested_most_v:
            self._ends_v = max(self._ends_v or 0.0, self._rested_most_v - self._gone_v)
        elif self._ends_v is not None and volts < self._ends_v:
            self._end(trace.time_s)
        return None if self.is_on else max(dark_since_s, self._gone_s)

    def _end(self, time_s: float) -> None:
        if self.is_on:
            self._ends_v, self._gone_s = None, time_s
