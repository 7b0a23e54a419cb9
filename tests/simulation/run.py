"""A run: one garden for some days, perhaps with one fault, seen through its station; and the truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from barreltide.core.reading import Pack, Reading, ServiceStarted

from .draw import Plan, draw_garden
from .fault import KINDS, Stage
from .station import Arrival, Station, deliver

LEARN_S = 26 * 3600.0  # no onset before: a watchman must have seen a day


@dataclass
class Fault:
    """kind; onset_s: when it was staged; since_s: when the condition was there, None if never within the run."""

    kind: str
    subject: str
    onset_s: float
    since_s: float | None
    when: str  # "night", "noon" or "cloud"
    right: list[tuple[str, str]]
    follows: list[str]


@dataclass
class Run:
    plan: Plan
    start_s: float
    end_s: float
    arrivals: list[Arrival]
    cycles: dict[str, list]  # bed -> Drain(time, high_s, low_s)
    charge: list[tuple[float, float]]  # (time, truth), each minute; see garden.Battery
    panel_a: list[float]  # what the panel could give, beside `charge`
    volts: list[float]
    water_c: list[float]
    pump_off: list[tuple[float, float]]  # some pump lifted nothing
    blind: list[tuple[float, float]]  # no station was watching
    fault: Fault | None
    started_s: list[float] = field(default_factory=list)  # the service was started again
    unfinished_s: dict[str, float] = field(default_factory=dict)  # bed -> when its siphon started that still runs
    flow_lost_s: float | None = None  # when 30 % of the flow at the onset was lost, if ever

    @property
    def site(self) -> str:
        return "garden"

    def state_of_charge(self, time_s: float) -> float:
        """The truth: charge left over the charge that this battery holds when full (25 degC, 20-hour rate), 0 to 1."""
        return self.charge[min(max(round((time_s - self.start_s) / 60), 0), len(self.charge) - 1)][1]

    def inputs(self) -> Iterator[Pack | ServiceStarted]:
        """What the engine is given, in order of arrival: as a service that reads `lines()` would make it."""
        starts = sorted(self.started_s)
        station = self.plan.station.name
        for arrival in self.arrivals:
            received_s = round(arrival.received_s, 3)
            while starts and starts[0] <= received_s:
                yield ServiceStarted(starts.pop(0))
            shift_s, pack = self._shift_s(arrival), arrival.pack
            readings = [Reading(name, round(at_s + shift_s, 3), value) for name, at_s, value in pack.records]
            yield Pack(received_s, station, pack.boot, pack.seq, tuple(readings))

    def lines(self) -> Iterator[dict]:
        """The same as lines of a recording."""
        name = self.plan.station.name
        topic = f"barreltide/{self.site}/{name}/readings"
        clock = self.plan.station.clock
        for arrival in self.arrivals:
            pack = arrival.pack
            base_s = round(pack.closed_s + self._shift_s(arrival), 3) if clock else round(arrival.received_s, 3)
            head: dict = {"bn": f"{self.site}/{name}/", "n": "station/boot", "v": pack.boot}
            if clock:
                head["bt"] = base_s
            payload = [head, {"n": "station/seq", "v": pack.seq}]
            shift_s = self._shift_s(arrival)
            payload += [_record(name, at_s + shift_s - base_s, value) for name, at_s, value in pack.records]
            yield {"received": round(arrival.received_s, 3), "topic": topic, "payload": payload}

    def _shift_s(self, arrival: Arrival) -> float:
        """From a true time to what the host makes of it: the station's clock error or, without a clock, the way."""
        if self.plan.station.clock:
            return self.plan.station.clock_error_s
        return round(arrival.received_s, 3) - arrival.sent_s

    def write(self, folder: Path) -> None:
        """recording.jsonl, site.toml and truth.json."""
        folder.mkdir(parents=True, exist_ok=True)
        with open(folder / "recording.jsonl", "w", encoding="utf-8") as out:
            for line in self.lines():
                out.write(json.dumps(line, separators=(",", ":")) + "\n")
        (folder / "site.toml").write_text(self.plan.site_toml(), encoding="utf-8")
        truth = {
            "seed": self.plan.seed, "start": self.start_s, "end": self.end_s,
            "fault": self.fault and vars(self.fault), "pump_off": self.pump_off, "blind": self.blind,
            "cycles": {bed: [vars_of(cycle) for cycle in cycles] for bed, cycles in self.cycles.items()},
            "state_of_charge": self.charge[::5],
        }  # fmt: skip
        (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")


UNITS = {"voltage": "V", "temperature": "Cel", "current": "A", "level": "m", "uptime": "s"}


def _record(name: str, t: float, value: float | bool) -> dict:
    if isinstance(value, bool):
        return {"n": name, "t": round(t, 3), "vb": value}
    return {"n": name, "u": UNITS[name.rsplit("/", 1)[1]], "t": round(t, 3), "v": value}


def vars_of(cycle) -> dict:
    return {"time": cycle.time, "high_s": cycle.high_s, "low_s": cycle.low_s}


def plan_for(seed: int, kind: str | None) -> Plan:
    """The garden of that seed, with whatever the fault needs to exist."""
    return draw_garden(seed, **(KINDS[kind].overrides if kind else {}))


def simulate(
    plan: Plan, days: float | None = None, fault: str | None = None, when: str | None = None,
    planted: Callable[[Stage], None] | None = None,
) -> Run:  # fmt: skip
    """Runs the garden; `days` is the whole length, or by default as long as the fault needs (3 days without one).

    when: "night", "noon" or "cloud" at the onset; drawn if it is left out. planted: lays hands on it at the start.
    """
    if fault is not None and fault not in KINDS:
        raise ValueError(f"no such fault: {fault}; there are {', '.join(KINDS)}")
    rng = Random(f"run {plan.seed} {fault}")
    garden = plan.build()
    station = Station(plan, garden, rng)
    pump = rng.choice(garden.pumps)
    stage = Stage(plan, garden, station, rng, pump, rng.choice(pump.feeds))
    if planted is not None:
        planted(stage)
    return _Simulation(stage, fault, days, when).go()


class _Simulation:
    def __init__(self, stage: Stage, kind: str | None, days: float | None, when: str | None) -> None:
        self.stage, self.kind = stage, kind
        self.garden, self.station, self.rng = stage.garden, stage.station, stage.rng
        self.start_s = self.garden.now_s
        drawn = self.rng.choice(("night", "night", "noon", "cloud"))
        self.when = when or drawn
        self.onset_s = self._onset_s() if kind else float("inf")
        self.fixed_s = None if days is None else self.start_s + days * 86400
        self.end_s = self.fixed_s or (self.onset_s + KINDS[kind].patience_s if kind else self.start_s + 3 * 86400)
        self.since_s: float | None = None
        self.flow_lost_s: float | None = None
        self._lifting = 0.0  # of the fault's pump at the onset
        self.minutes: list[tuple[float, float, float, float, float]] = []
        self.pump_off: list[tuple[float, float]] = []
        self._off_s: float | None = None

    def go(self) -> Run:
        self._draw_mishaps()
        garden, station, stage = self.garden, self.station, self.stage
        stage.later.append((self.onset_s, lambda: KINDS[self.kind].apply(stage)))
        now_s = (self.start_s // 5 + 1) * 5
        while now_s <= self.end_s:
            garden.advance(now_s)
            station.observe()
            for due in [entry for entry in stage.later if entry[0] <= now_s]:
                stage.later.remove(due)
                self._lifting = self._lifting or stage.pump.lifting
                due[1]()
            if self.kind and self.since_s is None and now_s >= self.onset_s:
                self._look_for_bite(now_s)
            self._note(now_s)
            now_s += 5
        return self._run()

    def _look_for_bite(self, now_s: float) -> None:
        kind = KINDS[self.kind]
        if kind.bites(self.stage):
            self.since_s = now_s
            if self.fixed_s is None:
                periods = [6 * (b.cycles[-1].time - b.cycles[-2].time) for b in self.garden.beds if len(b.cycles) > 1]
                self.end_s = now_s + max([kind.watch_s, *periods])

    def _note(self, now_s: float) -> None:
        garden = self.garden
        if self.flow_lost_s is None and self.stage.pump.lifting < 0.7 * self._lifting:
            self.flow_lost_s = now_s
        if now_s % 60 == 0:
            self.minutes.append(
                (now_s, garden.battery.charge, garden.panel_now_a, garden.battery.volts, garden.water_c)
            )
        off = any(flow <= 0 for flow in garden.flow_m3_s.values())
        if off and self._off_s is None:
            self._off_s = now_s
        elif not off and self._off_s is not None:
            self.pump_off.append((self._off_s, now_s))
            self._off_s = None

    def _onset_s(self) -> float:
        """Some moment on the second or third day that is what `when` says; a cloud then hangs over it."""
        sky, first_s = self.garden.sky, self.start_s + LEARN_S
        times = [first_s + 300 * k for k in range(288)]
        sines = [sky.sun_sine(t) for t in times]
        night = self.when == "night"
        fit = [t for t, sine in zip(times, sines, strict=True) if (sine < -0.15 if night else sine > 0.8 * max(sines))]
        onset_s = self.rng.choice(fit or times)
        if self.when == "cloud":
            sky.covered.append((onset_s - 7200, onset_s + 14400, 0.15))
        return onset_s

    def _draw_mishaps(self) -> None:
        """Outages and reboots that every garden knows; none near the onset, which has troubles of its own."""
        rng, days = self.rng, max((self.end_s - self.start_s) / 86400, 1)
        for count, shortest_s, longest_s, where in (
            (0.3, 60, 10800, self.station.outages),
            (0.15, 8, 90, self.station.reboots),
        ):
            for _ in range(sum(rng.random() < count for _ in range(int(days)))):
                start_s = self.start_s + rng.uniform(3600, days * 86400)
                end_s = start_s + shortest_s * (longest_s / shortest_s) ** rng.random()
                if not start_s - 6 * 3600 < self.onset_s < end_s + 3600:
                    where.append((start_s, end_s))

    def _run(self) -> Run:
        station, garden = self.station, self.garden
        arrivals = deliver(self.stage.plan, station.packs, station.outages, self.rng)
        arrivals = [arrival for arrival in arrivals if arrival.received_s <= self.end_s]
        if self._off_s is not None:
            self.pump_off.append((self._off_s, self.end_s))
        blind = [*station.reboots, *([(station.dead_s, self.end_s)] if station.dead_s < self.end_s else [])]
        started_s = []
        if self.kind == "service-restarted":
            gap_s = 60 * 10 ** self.rng.random() * 3
            arrivals = [a for a in arrivals if not self.onset_s <= a.received_s < self.onset_s + gap_s] + [
                a._replace(received_s=self.onset_s + gap_s + 1 + 0.01 * k, sent_s=self.onset_s + gap_s + 1 + 0.01 * k)
                for k, a in enumerate(a for a in arrivals if self.onset_s <= a.received_s < self.onset_s + gap_s)
            ]  # fmt: skip
            arrivals.sort()
            started_s = [round(self.onset_s + gap_s, 3)]
        columns = list(zip(*self.minutes, strict=True))
        return Run(
            self.stage.plan, self.start_s, self.end_s, arrivals,
            {bed.name: bed.cycles for bed in garden.beds}, list(zip(columns[0], columns[1], strict=True)),
            list(columns[2]), list(columns[3]), list(columns[4]), self.pump_off, blind, self._fault(), started_s,
            {bed.name: bed._siphoned_s for bed in garden.beds if not bed._counted},
            self.flow_lost_s,
        )  # fmt: skip

    def _fault(self) -> Fault | None:
        if self.kind is None:
            return None
        kind, stage = KINDS[self.kind], self.stage
        names = {"pump": [stage.pump.name], "bed": [stage.bed.name], "bed/high": [f"{stage.bed.name}/high"],
                 "any-pump": [pump.name for pump in self.garden.pumps],
                 "station": [stage.plan.station.name]}  # fmt: skip
        right = [(alarm, name) for alarm, subject in kind.right for name in names.get(subject, [subject])]
        follows = list(kind.follows) + [alarm for alarm, subject in kind.right if subject == "any-pump"]
        subject = right[0][1] if right else ""
        return Fault(self.kind, subject, self.onset_s, self.since_s, self.when, right, follows)
