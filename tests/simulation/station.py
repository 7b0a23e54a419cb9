"""The board at the barrels and the way its packs travel, as the contract describes them.

`Station.observe()` is called every five seconds and closes packs; `deliver()` then decides when each one arrives: at
once, twice, late, or in a burst when an outage ends.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random
from typing import NamedTuple

from barreltide.demo.garden import Garden

from .draw import Plan, StationPlan

DEBOUNCE_S, PACK_S, REPEAT_S, THERMOMETER_S, LEVEL_S = 2.0, 15, 300, 60, 15
REALIZE_S = 30.0  # before a station notices that the host is away


class Closed(NamedTuple):
    """A pack as closed at the station. records: (name, sampled_s, value)."""

    closed_s: float
    boot: int
    seq: int
    records: tuple


class Arrival(NamedTuple):
    """A pack as received. sent_s: the (re)sending that got through, which relative times are relative to."""

    received_s: float
    sent_s: float
    pack: Closed


@dataclass
class Switch:
    """Debounce on both edges, back-dated to the first sample of the stable run."""

    told: bool
    pending: tuple[float, bool] | None = None
    stuck: bool = False

    def edge(self, at_s: float, wet: bool) -> tuple[float, bool] | None:
        change = self.settle(at_s)
        self.pending = (at_s, wet)
        return change

    def settle(self, now_s: float) -> tuple[float, bool] | None:
        if self.pending is None or now_s - self.pending[0] < DEBOUNCE_S:
            return None
        change, self.pending = self.pending, None
        if change[1] is self.told or self.stuck:
            return None
        self.told = change[1]
        return change


@dataclass
class Station:
    plan: Plan
    garden: Garden
    rng: Random
    outages: list[tuple[float, float]] = field(default_factory=list)  # host or Wi-Fi away
    reboots: list[tuple[float, float]] = field(default_factory=list)  # without power, from and to
    dead_s: float = float("inf")
    thermometer: str | float = "good"  # "good", "missing", "frozen", or the value it insists on
    chatters: str | None = None  # a float that never rests
    packs: list[Closed] = field(default_factory=list)
    switches: dict[str, Switch] = field(default_factory=dict)
    _boot: int = 0
    _seq: int = 0
    _records: list = field(default_factory=list)
    _last_c: float = 15.0
    _next_flip_s: float = 0.0
    _voltage_s: float = 0.0
    _was_off: bool = True
    _repeat_due: bool = False

    def observe(self) -> None:
        """Takes what the garden shows now, at a multiple of five seconds."""
        garden = self.garden
        now_s = garden.now_s
        edges, garden.edges = garden.edges, []
        if now_s >= self.dead_s or any(start <= now_s < end for start, end in self.reboots):
            self._was_off, self._records = True, []
            return
        if self._was_off:
            self._start()
            edges = []
        self._voltage(now_s)
        changes = self._changes(edges, now_s)
        tick = round(now_s / 5) * 5
        if tick % THERMOMETER_S == 0:
            self._water(now_s)
        if tick % LEVEL_S == 0:
            self._slow_sensors(now_s)
        for at_s, name, wet in changes:
            self._close(max(at_s + DEBOUNCE_S + 0.1, now_s - 4.9), [(name, at_s, wet)])
        self._repeat_due |= tick % REPEAT_S == 0
        undecided = any(switch.pending and switch.pending[1] is not switch.told for switch in self.switches.values())
        repeated = False
        if self._repeat_due and not (self.plan.station.patient and undecided):
            self._repeat_due = False
            repeated = self.plan.station.patient  # closes the pack at once; else a change may overtake it
            self._records += [(name, now_s, switch.told) for name, switch in self.switches.items()]
        if (tick % PACK_S == 0 or repeated) and self._records:
            records, self._records = self._records, []
            self._close(now_s, records)

    def _start(self) -> None:
        self._was_off, self._boot, self._seq = False, self.rng.getrandbits(31), 0
        truth = {f"{bed.name}/{name}": switch.wet for bed in self.garden.beds for name, switch in bed.floats.items()}
        if self.plan.station.sump_float:
            truth["sump/low"] = self.garden.sump.low_wet
        for name, wet in truth.items():
            stuck = name in self.switches and self.switches[name].stuck
            self.switches[name] = Switch(self.switches[name].told if stuck else wet, stuck=stuck)
        now_s = self.garden.now_s
        self._records = [(name, now_s, switch.told) for name, switch in self.switches.items()]
        self._close(now_s, [*self._records, ("station/uptime", now_s, 5)])
        self._records = []

    def _voltage(self, now_s: float) -> None:
        plan, battery = self.plan.station, self.garden.battery
        sparse = any(start + REALIZE_S <= now_s < end for start, end in self.outages)
        if sparse and now_s - self._voltage_s < 59.9:
            return
        self._voltage_s = now_s
        noise_v = plan.meter_noise_v + (plan.hum_v if battery.regulating else 0.0)
        volts = battery.volts * plan.meter_gain + plan.meter_offset_v + self.rng.gauss(0.0, noise_v)
        self._records.append(("battery/voltage", now_s, round(round(volts / plan.meter_step_v) * plan.meter_step_v, 3)))

    def _changes(self, edges: list, now_s: float) -> list[tuple[float, str, bool]]:
        changes = []
        for at_s, owner, which, wet in sorted(edges):
            switch = self.switches.get(f"{owner}/{which}")
            if switch is not None and (change := switch.edge(at_s, wet)):
                changes.append((change[0], f"{owner}/{which}", change[1]))
        for name, switch in self.switches.items():
            if change := switch.settle(now_s):
                changes.append((change[0], name, change[1]))
        if self.chatters and now_s >= self._next_flip_s:
            self._next_flip_s = now_s + self.rng.uniform(5, 25)
            switch = self.switches[self.chatters]
            switch.told, switch.stuck = not switch.told, True
            changes.append((now_s - DEBOUNCE_S - 0.3, self.chatters, switch.told))
        return sorted(changes)

    def _water(self, now_s: float) -> None:
        if self.thermometer == "missing":
            return
        if self.thermometer == "good":
            self._last_c = round((self.garden.water_c + self.rng.gauss(0.0, 0.04)) * 16) / 16
        elif self.thermometer != "frozen":
            self._last_c = float(self.thermometer)
        self._records.append(("water/temperature", now_s, self._last_c))

    def _slow_sensors(self, now_s: float) -> None:
        plan, garden, rng = self.plan.station, self.garden, self.rng
        if plan.level:
            self._records += [
                (f"{bed.name}/level", now_s, round(bed.level_m + rng.gauss(0.0, 0.0015), 3)) for bed in garden.beds
            ]
        if plan.pump_current:
            for name, amps in garden.pump_a.items():
                amps += rng.gauss(0.0, plan.current_noise_a)
                self._records.append((f"{name}/current", now_s, round(amps, 3)))
        if plan.panel_current:
            battery = garden.battery
            amps = max(battery.current_a + sum(garden.pump_a.values()) + garden.electronics_a, 0.0)
            self._records.append(("panel/current", now_s, round(amps + rng.gauss(0.0, plan.current_noise_a), 3)))

    def _close(self, closed_s: float, records: list) -> None:
        self.packs.append(Closed(closed_s, self._boot, self._seq, tuple(records)))
        self._seq += 1


def deliver(plan: Plan, packs: list[Closed], outages: list[tuple[float, float]], rng: Random) -> list[Arrival]:
    """When each pack arrives; sorted by arrival. What an endless outage holds never arrives."""
    station = plan.station
    arrivals = []
    free_s = 0.0  # the link is busy with what was kept until then
    for pack in packs:
        sent_s = pack.closed_s
        for start_s, end_s in outages:
            if start_s <= sent_s < end_s:
                sent_s = end_s
        if sent_s == float("inf"):
            continue
        if sent_s > pack.closed_s or sent_s < free_s:
            sent_s = free_s = max(sent_s, free_s) + rng.uniform(0.05, 0.2)
        if rng.random() < station.late:
            sent_s += min(rng.lognormvariate(3.5, 1.8), 4 * 3600.0)
        arrivals.append(Arrival(sent_s + _way_s(station, rng), sent_s, pack))
        if rng.random() < station.duplicates:
            again_s = sent_s + (rng.uniform(5, 60) if rng.random() < 0.97 else rng.uniform(60, 7200))
            arrivals.append(Arrival(again_s + _way_s(station, rng), again_s, pack))
    return sorted(arrivals)


def _way_s(station: StationPlan, rng: Random) -> float:
    return min(0.02 + rng.expovariate(1 / station.jitter_s), 3.0)
