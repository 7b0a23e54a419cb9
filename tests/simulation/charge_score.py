"""What the battery's judgement of one garden is worth: its events beside the truth.

The first half day is left out: nobody knows a battery at first sight. The floor is *passed* when the truth falls below
it, once until it has recovered by two points. A passing is *foretold* by the time for which `battery-will-not-last` or
`battery-low` has then been standing. The data *allow* four hours of notice where the night, and half a day of data,
began that long before and half an hour (for the light to go and the judgement to be sure), and where the truth goes
more than three points below the floor: what only touches it, nobody can foretell. An alarm is *false* where the truth
does not bear it out within five points, *early* where it does not to the point; of a night that the run's end cuts off
nobody knows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from .charge_baseline import Counting, TableLookUp
from .run import Run
from .score import RECOVERED, SOC_FROM_S, borne_out, judge_in_process, lowest_ahead

LEAD_S, SURE_S = 4 * 3600.0, 1800.0
TOUCHED = 0.03  # so little below the floor it is only touched
LOW = ("battery-will-not-last", "battery-low")


class Judged(NamedTuple):
    """One judgement of the state of charge against the truth. day: from 1."""

    day: int
    error: float
    width: float
    covered: bool
    basis: str


class Passing(NamedTuple):
    """The truth fell below the floor. lead_s: for how long that had been told, negative if it was told afterwards, None
    if never; delay_s: from the passing to battery-low, negative if that came before, None if never."""

    at_s: float
    by_night: bool
    allowed: bool
    depth: float
    lead_s: float | None
    delay_s: float | None
    text: str


class NightHeld(NamedTuple):
    """A night's record against the truth; shares of the truth, hours and volts. None where the record says nothing."""

    used: float | None
    left_h: float | None
    lowest_v: float | None
    capacity: float
    capacity_covered: bool


@dataclass
class Garden:
    """What was found in one garden, with one site file."""

    seed: int
    run: Run
    own: bool  # the site file has the battery's own table
    poor: bool  # gloom and a small panel
    judged: dict[str, list[Judged]]  # by "engine", "table" and "counting"
    passings: list[Passing]
    false: list[str]
    early: list[str]
    nights: list[NightHeld]

    @property
    def days(self) -> float:
        return (self.run.end_s - self.run.start_s) / 86400


def rested(battery: dict) -> list[list[float]]:
    """What its owner would write into `rested_voltage_v` of a battery that was measured at rest, 25 degC."""
    full_v, span_v, bow = battery["full_v"], battery["span_v"], battery["bow"]
    return [[s, round(full_v - span_v * ((1 - s) + bow * (1 - s) ** 2) / (1 + bow), 2)] for s in (0.25, 0.5, 0.75, 1.0)]


def labelled(run: Run, own: bool) -> Run:
    """The same garden, its site file with the battery's own table or without."""
    label = run.plan.label | {"rested": rested(run.plan.battery) if own else None}
    return replace(run, plan=replace(run.plan, label=label))


def judge(seed: int, run: Run, own: bool, poor: bool = False) -> tuple[Garden, list[dict]]:
    run = labelled(run, own)
    told = {
        "engine": judge_in_process(run),
        "table": list(TableLookUp(run).events(run.inputs(), run.end_s)),
        "counting": list(Counting(run).events(run.inputs(), run.end_s)),
    }
    events = told["engine"]
    judged = {name: against(run, lines) for name, lines in told.items()}
    bare = replace(run, arrivals=[])  # what is printed needs no packs, and they are large
    return Garden(
        seed, bare, own, poor, judged, passings(run, events), *unfounded(run, events), nights(run, events)
    ), events


def against(run: Run, events: list[dict]) -> list[Judged]:
    """Each judgement after the first half day beside the truth."""
    found = []
    for event in events:
        if event["event"] == "battery" and event["time"] - run.start_s > SOC_FROM_S:
            truth, day = run.state_of_charge(event["time"]), 1 + int((event["time"] - run.start_s) // 86400)
            covered = event["low"] <= truth <= event["high"]
            found.append(
                Judged(day, event["state_of_charge"] - truth, event["high"] - event["low"], covered, event["basis"])
            )
    return found


def standing(events: list[dict], names: tuple[str, ...]) -> list[tuple[float, float]]:
    """From when to when one of these alarms stood, each by itself."""
    raised, spans = {}, []
    for event in events:
        if event["event"] == "alarm" and event["alarm"] in names:
            if event["change"] == "raised":
                raised[event["alarm"]] = event["time"]
            else:
                spans.append((raised.pop(event["alarm"]), event["time"]))
    return sorted(spans + [(since_s, float("inf")) for since_s in raised.values()])


def told_before(spans: list[tuple[float, float]], at_s: float, until_s: float) -> float | None:
    """For how long one of the spans had lasted at that time; negative if it only began later."""
    then = [since_s for since_s, end_s in spans if since_s <= at_s < end_s]
    then = then or [since_s for since_s, _ in spans if at_s < since_s <= until_s]
    return at_s - min(then) if then else None


def passings(run: Run, events: list[dict]) -> list[Passing]:
    floor, charge = run.plan.label["floor"], [value for _, value in run.charge]
    warned, low, found = standing(events, LOW), standing(events, LOW[1:]), []
    above = charge[0] > floor
    for minute in range(1, len(charge)):
        above = above or charge[minute] > floor + RECOVERED
        if not above or charge[minute] >= floor:
            continue
        above = False
        end = next((m for m in range(minute, len(charge)) if charge[m] > floor + RECOVERED), len(charge) - 1)
        lit = next((m for m in range(minute, 0, -1) if run.panel_a[m] > 0), 0)
        at_s, depth = run.charge[minute][0], floor - min(charge[minute : end + 1])
        seen_s = max(run.charge[lit][0], run.start_s + SOC_FROM_S) + SURE_S
        lead_s = told_before(warned, at_s, run.charge[end][0])
        told_s = told_before(low, at_s, run.charge[end][0])
        by_night = run.panel_a[minute] == 0
        allowed = by_night and at_s - seen_s >= LEAD_S and depth > TOUCHED
        found.append(
            Passing(
                at_s, by_night, allowed, depth, lead_s, None if told_s is None else -told_s, beside(run, events, at_s)
            )
        )
    return found


def beside(run: Run, events: list[dict], at_s: float) -> str:
    """What was told six hours and two hours before, then, and two hours later, beside the truth."""
    texts = []
    for hours in (-6, -2, 0, 2):
        then_s = at_s + 3600 * hours
        told = [event for event in events if event["event"] == "battery" and event["time"] <= then_s][-1:]
        for event in told if run.start_s <= then_s <= run.end_s else []:
            texts.append(
                f"{hours:+d} h {100 * run.state_of_charge(then_s):.0f} told {100 * event['state_of_charge']:.0f}"
                f" ({100 * event['low']:.0f}-{100 * event['high']:.0f} {event['basis'][0]})"
            )
    return ", ".join(texts)


def unfounded(run: Run, events: list[dict]) -> tuple[list[str], list[str]]:
    """The alarms of the battery that the truth does not bear out: within five points, and to the point."""
    heard_s, false, early = [arrival.received_s for arrival in run.arrivals], [], []
    for event in events:
        if event["event"] != "alarm" or event["subject"] != "battery" or event["change"] != "raised":
            continue
        day = (event["time"] - run.start_s) / 86400
        text = f"{event['alarm']} day {day:.2f}, floor {run.plan.label['floor']}: {beside(run, events, event['time'])}"
        lowest = lowest_ahead(run, event["time"]) or 1.0
        if event["alarm"] == "battery-will-not-last":
            if lowest == 1.0:
                continue
            is_true = lowest < run.plan.label["floor"] + 0.05
            text += f", lowest {100 * lowest:.0f}"
        else:
            is_true = borne_out(run, event, heard_s)
        if not is_true:
            false.append(text)
        if not is_true or not to_the_point(run, event, lowest):
            early.append(text)
    return false, early


def to_the_point(run: Run, alarm: dict, lowest: float) -> bool:
    at = min(max(round((alarm["time"] - run.start_s) / 60), 0), len(run.charge) - 1)
    charge, floor = run.charge[at][1], run.plan.label["floor"]
    return {
        "battery-low": charge < floor,
        "battery-will-not-last": lowest < floor,
        "battery-not-charging": charge <= run.charge[max(at - 360, 0)][1],
        "charge-voltage-high": max(run.volts[max(at - 60, 0) : at + 1]) > 15.2,
    }[alarm["alarm"]]


def nights(run: Run, events: list[dict]) -> list[NightHeld]:
    """Each night of which the run has the whole."""
    found = []
    for event in events:
        if event["event"] != "night" or event["dusk"] < run.start_s + 60:
            continue
        true_ah, hours = run.plan.battery["capacity_ah"], (event["dawn"] - event["dusk"]) / 3600
        dusk, dawn = (run.state_of_charge(event[name]) for name in ("dusk", "dawn"))
        first, last = (round((event[name] - run.start_s) / 60) for name in ("dusk", "dawn"))
        used_ah, lowest_v = (dusk - dawn) * true_ah, min(run.volts[first : last + 1])
        left_h = max(dawn - run.plan.label["floor"], 0.0) * true_ah * hours / used_ah
        told_ah, told_h, told_v = (event[name] for name in ("used_ah", "hours_left", "lowest_voltage_v"))
        found.append(
            NightHeld(
                None if told_ah is None else told_ah / used_ah - 1,
                None if told_h is None else told_h - left_h,
                None if told_v is None else told_v - lowest_v,
                event["capacity_ah"] / true_ah - 1,
                event["capacity_low_ah"] <= true_ah <= event["capacity_high_ah"],
            )
        )
    return found
