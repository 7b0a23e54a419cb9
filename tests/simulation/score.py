"""Holds the engine's judgement against the truth of many simulated gardens, beside a script of fixed thresholds.

`python -m simulation.score --seeds 0-199`, from tests/, plays every fault by night, at noon and in cloud and prints the
table; `--kinds`, `--when` and `--every` choose a part of it, `--verbose` tells of each run that was not perfect.

How an alarm is scored: *right* names the cause and the subject after the onset; *other* names another cause, *named*
if at least its message says the right one too. One that `follows` from the fault, or that the truth bears out (the
battery is at the floor, nothing was heard for minutes), is neither good nor bad; any other is *false*. Delays count
from when the condition was truly there. *late* is beyond the target:

- a pump without current by night: five minutes; any other stop of the pump: the longest phase of its beds and five
  minutes (until then no float was due);
- siphon and branch: two and a half of the bed's periods and five minutes;
- a flow that falls: two days after it has lost 30 %.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import itertools
import json
import pickle
import statistics
import subprocess
import sys
import tempfile
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import NamedTuple

from barreltide.demo.power import Sky

from .baseline import Thresholds
from .fault import KINDS
from .run import Run, plan_for, simulate
from .table import WHENS, print_details, print_table

SETTLE_S = 300.0  # a cycle this close to the end may still be undecided
AWAITED_S = 1800.0  # so near the end, a pack that is missing may still be waited for
NEAR_S = 5.0
SOC_FROM_S = 12 * 3600.0
RECOVERED = 0.02  # of charge


class Task(NamedTuple):
    """One run to be scored. keep: a folder for simulated runs, or nothing."""

    seed: int
    kind: str
    when: str
    by_command: bool = False
    keep: str = ""


class Charge(NamedTuple):
    """One judgement of the state of charge against the truth."""

    error: float
    width: float
    covered: bool
    basis: str


@dataclass
class Score:
    """One run's result. fate: "right", "named", "other" (found, another cause), "missed", "benign" or "unbitten"."""

    seed: int
    kind: str
    when: str
    days: float
    fate: str
    delay_s: float | None = None
    target_s: float | None = None
    period_s: float | None = None
    false: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    again: int = 0  # raised once more for the same cause
    cycles: int = 0
    missed: int = 0
    doubled: int = 0
    off: int = 0
    soc: list[Charge] = field(default_factory=list)

    @property
    def is_late(self) -> bool:
        return self.delay_s is not None and self.target_s is not None and self.delay_s > self.target_s


def judge_in_process(run: Run) -> list[dict]:
    """The events of a run, as `replay` would print them."""
    from barreltide.core.event import as_line
    from barreltide.core.monitor import Monitor
    from barreltide.site import load
    from barreltide.sun import Sun

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(run.plan.site_toml(), encoding="utf-8")
        site = load(path)
    monitor = Monitor(site, Sun(run.plan.latitude, run.plan.longitude, run.plan.time_zone))
    events = [event for given in run.inputs() for event in monitor.take(given)]
    last_s = run.arrivals[-1].received_s if run.arrivals else run.start_s
    while last_s < run.end_s:  # day by day: a longer leap would be taken for a sleep of the service
        last_s = min(last_s + 86_400, run.end_s)
        events += monitor.advance(last_s)
    return [as_line(event) for event in events]


def judge_by_command(run: Run) -> list[dict]:
    """The same through `barreltide replay`, in whose recordings no start of the service is noted."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run.write(folder)
        command = [sys.executable, "-m", "barreltide", "replay", str(folder / "recording.jsonl"), "--json"]
        command += ["--site", str(folder / "site.toml"), "--until", str(run.end_s)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"replay ended with {done.returncode}: {done.stderr[-500:]}")
    return [json.loads(line) for line in done.stdout.splitlines()]


def score(run: Run, seed: int, events: list[dict]) -> Score:
    fault = run.fault
    result = Score(
        seed, fault.kind if fault else "healthy", fault.when if fault else "", (run.end_s - run.start_s) / 86400, ""
    )
    _score_alarms(run, [event for event in events if event["event"] == "alarm"], result)
    _score_cycles(run, [event for event in events if event["event"] == "cycle"], result)
    for event in events:
        if event["event"] == "battery" and event["time"] - run.start_s > SOC_FROM_S:
            truth = run.state_of_charge(event["time"])
            error = event["state_of_charge"] - truth
            covered = event["low"] <= truth <= event["high"]
            result.soc.append(Charge(error, event["high"] - event["low"], covered, event["basis"]))
    return result


def _score_alarms(run: Run, alarms: list[dict], result: Score) -> None:
    fault = run.fault
    right: list[dict] = []
    heard_s = [arrival.received_s for arrival in run.arrivals]
    for alarm in alarms:
        if alarm["change"] != "raised":
            continue
        day = (alarm["time"] - run.start_s) / 86400
        text = f"{alarm['alarm']}/{alarm['subject']} day {day:.2f}: {alarm['message'][:150]}"
        after = fault is not None and alarm["time"] >= fault.onset_s - 60
        if after and (alarm["alarm"], alarm["subject"]) in fault.right:
            right.append(alarm)
        elif (after and alarm["alarm"] in fault.follows) or borne_out(run, alarm, heard_s):
            pass
        elif after and fault.right:
            result.wrong.append(text)
        else:
            result.false.append(text)
    if fault is None or not fault.right:
        result.fate = "benign"
    elif fault.since_s is None or _stood_before(fault, alarms):
        result.fate = "unbitten"
    elif right:
        result.fate = "right"
        result.delay_s = right[0]["time"] - fault.since_s
        result.target_s = _target_s(run)
        result.again = len(right) - len({(alarm["alarm"], alarm["subject"]) for alarm in right})
        result.period_s = _period_s(run)
    else:
        result.fate = ("named" if _is_named(run, alarms) else "other") if result.wrong else "missed"


def _is_named(run: Run, alarms: list[dict]) -> bool:
    """Whether an alarm with another cause says the right one in its message."""
    from barreltide.core.alarm import TABLE

    said = " ".join(alarm["message"] for alarm in alarms if alarm["time"] >= run.fault.onset_s - 60)
    return any(TABLE[alarm].about.format(subject) in said for alarm, subject in run.fault.right)


def _target_s(run: Run) -> float | None:
    fault, beds = run.fault, _beds_concerned(run)
    if fault.kind in ("pump-unpowered", "load-dropped") and _is_night(run, fault.since_s):
        return 300.0
    if fault.right[0][0] == "pump-stopped" and fault.kind != "pump-unpowered-unheard":
        before = [[cycle for cycle in run.cycles[bed] if cycle.time < fault.onset_s][-60:] for bed in beds]
        lengths = [length for cycles in before for cycle in cycles for length in (cycle.high_s, cycle.low_s) if length]
        return 300.0 + max(lengths, default=0.0)
    if fault.kind.startswith(("siphon", "branch")):
        return 300.0 + 2.5 * (_period_s(run) or 0.0)
    if fault.kind == "flow-falling" and run.flow_lost_s is not None:
        return run.flow_lost_s - fault.since_s + 2 * 86400.0
    return None


def _is_night(run: Run, time_s: float) -> bool:
    return Sky(run.plan.latitude, run.plan.longitude, 0.0, Random(0)).sun_sine(time_s) < -0.1


def _beds_concerned(run: Run) -> set[str]:
    subject = run.fault.subject.split("/")[0]
    if subject in run.cycles:
        return {subject}
    return {bed for pump in run.plan.pumps for bed in pump["feeds"] if pump["name"] == subject} or set(run.cycles)


def _stood_before(fault, alarms: list[dict]) -> bool:
    """The right alarm stood already when the fault came: nothing to be found."""
    standing = set()
    for alarm in alarms:
        if alarm["time"] < fault.onset_s - 60:
            (standing.add if alarm["change"] == "raised" else standing.discard)((alarm["alarm"], alarm["subject"]))
    return any(tuple(pair) in standing for pair in fault.right)


def lowest_ahead(run: Run, time_s: float) -> float | None:
    """How low the truth goes before the battery next recovers by two points; None if the run ends before it does."""
    lowest = 1.0
    for at_s, charge in run.charge:
        if at_s >= time_s - 60:
            lowest = min(lowest, charge)
            if charge > lowest + RECOVERED:
                return lowest
    return None


def borne_out(run: Run, alarm: dict, heard_s: list[float]) -> bool:
    """Whether the truth of the garden makes the alarm a true one, fault or not."""
    time_s, kind = alarm["time"], alarm["alarm"]
    minute = min(max(round((time_s - run.start_s) / 60), 0), len(run.charge) - 1)
    charge, floor = run.charge[minute][1], run.plan.label["floor"]
    if kind == "battery-low":
        return charge < floor + 0.05
    if kind == "battery-will-not-last":
        lowest = min(value for _, value in run.charge[minute : minute + 24 * 60])
        return lowest < floor + 0.05 or lowest_ahead(run, time_s) is None
    if kind == "battery-not-charging":
        return charge <= run.charge[max(minute - 360, 0)][1] + 0.01
    if kind == "charge-voltage-high":
        return max(run.volts[max(minute - 60, 0) : minute + 1]) > 15.0
    if kind == "water-too-warm":
        return run.water_c[minute] > run.plan.label["warmest_c"] - 0.5
    if kind == "water-too-cold":
        return run.water_c[minute] < run.plan.label["coldest_c"] + 0.5
    if kind == "pump-stopped":
        return any(start - 60 <= time_s <= end + 600 and end - start > 600 for start, end in run.pump_off)
    if kind == "station-silent":
        before = bisect_left(heard_s, time_s) - 1
        return time_s - (heard_s[before] if before >= 0 else run.start_s) > 120
    return False


def _period_s(run: Run) -> float | None:
    """Of the slowest bed that the fault concerns, before the onset."""
    medians = []
    for bed in _beds_concerned(run):
        times = [cycle.time for cycle in run.cycles[bed] if cycle.time < run.fault.onset_s]
        if len(times) > 2:
            medians.append(statistics.median(b - a for a, b in itertools.pairwise(times)))
    return max(medians, default=None)


def _score_cycles(run: Run, told: list[dict], result: Score) -> None:
    fault = run.fault
    unheard = [(start - 60, end + 60) for start, end in run.blind]
    unheard += [(run.end_s - SETTLE_S, float("inf")), (0, run.start_s + 60), *_awaited(run)]
    for bed, truths in run.cycles.items():
        deaf = list(unheard)
        if fault is not None and fault.kind.startswith("float-") and fault.subject == f"{bed}/high":
            deaf.append((fault.onset_s - 150, float("inf")))  # a fall is sure after two minutes of rest
        told_s = sorted(event["time"] for event in told if event["bed"] == bed)
        heard_s = _falls_heard(run, bed)
        free = set(range(len(told_s)))
        for truth in truths:
            near = _near(told_s, free, truth.time)
            far_s = abs(told_s[near] - truth.time) if near is not None else float("inf")
            if far_s <= 120:
                free.discard(near)
            if any(start <= truth.time <= end for start, end in deaf) or not _is_near(heard_s, truth.time):
                continue  # nobody watched, or what the station saw never arrived
            result.cycles += 1
            result.off += NEAR_S < far_s <= 120
            result.missed += far_s > 120
        unfinished_s = run.unfinished_s.get(bed, float("inf"))  # no truth yet: the water may come back to the float
        for time_s in (told_s[k] for k in free):
            if not any(start <= time_s <= end for start, end in deaf) and time_s < unfinished_s - NEAR_S:
                result.doubled += 1


def _awaited(run: Run) -> list[tuple[float, float]]:
    """Where packs had not arrived yet at the run's end, and may still have told of ripple."""
    packs = sorted({arrival.pack for arrival in run.arrivals if arrival.pack.closed_s > run.end_s - AWAITED_S})
    return [
        (before.closed_s - 60, after.closed_s + 60)
        for before, after in itertools.pairwise(packs)
        if before.boot == after.boot and after.seq > before.seq + 1
    ]


def _falls_heard(run: Run, bed: str) -> list[float]:
    """The falls of the bed's float that arrived and could settle, by the station's own time."""
    name = f"{bed}/high"
    until_s = run.end_s - SETTLE_S
    records = (record for arrival in run.arrivals if arrival.received_s < until_s for record in arrival.pack.records)
    return sorted(at_s for record_name, at_s, value in records if record_name == name and value is False)


def _is_near(times_s: list[float], time_s: float) -> bool:
    at = bisect_left(times_s, time_s - NEAR_S)
    return at < len(times_s) and times_s[at] <= time_s + NEAR_S


def _near(told_s: list[float], free: set[int], time_s: float) -> int | None:
    at = bisect_left(told_s, time_s)
    return min((k for k in range(at - 3, at + 3) if k in free), key=lambda k: abs(told_s[k] - time_s), default=None)


def run_one(task: Task) -> tuple[Score, Score]:
    """The engine's score and the thresholds'."""
    run = simulated(task)
    events = (judge_by_command if task.by_command else judge_in_process)(run)
    return score(run, task.seed, events), score(run, task.seed, list(Thresholds(run).events(run.inputs(), run.end_s)))


def simulated(task: Task) -> Run:
    kind = None if task.kind == "healthy" else task.kind
    name = f"{task.seed}-{task.kind}-{task.when or 'drawn'}"
    return kept(task.keep, name, lambda: simulate(plan_for(task.seed, kind), None, kind, task.when or None))


def kept(folder: str, name: str, make: Callable[[], Run]) -> Run:
    """The run of that name, from the folder of those kept if it is there. folder: empty to keep none."""
    path = Path(folder) / f"{name}-{_digest()}.pickle.gz" if folder else None
    if path is not None and path.exists():
        return pickle.loads(gzip.decompress(path.read_bytes()))
    run = make()
    if path is not None:
        path.write_bytes(gzip.compress(pickle.dumps(run), 1))
    return run


@cache
def _digest() -> str:
    """Changes with anything that makes a garden."""
    from barreltide import demo

    files = [Path(__file__).parent / f"{name}.py" for name in ("draw", "fault", "run", "station")]
    files += [Path(demo.__file__).parent / f"{name}.py" for name in ("garden", "power")]
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seeds, default=seeds("0-199"), help="first-last")
    parser.add_argument("--kinds", default=",".join(["healthy", *KINDS]), help="healthy, " + ", ".join(KINDS))
    parser.add_argument("--when", default=",".join(WHENS), help="of " + ", ".join(WHENS))
    parser.add_argument("--every", type=int, default=20, help="each seed plays every so many-th of kinds and whens")
    parser.add_argument("--command", action="store_true", help="through `barreltide replay`")
    parser.add_argument("--verbose", action="store_true", help="each run that was not perfect")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="keep simulated gardens there, and use them again")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    whens = given.when.split(",")
    plays = [(kind, when) for kind in given.kinds.split(",") for when in (whens if kind != "healthy" else ("",))]
    tasks = [
        Task(seed, *play, given.command, given.keep)
        for number, seed in enumerate(given.seeds)
        for play in plays[number % given.every :: given.every]
    ]
    if given.keep:
        Path(given.keep).mkdir(parents=True, exist_ok=True)
    with Pool(given.processes) as pool:
        scores, thresholds = zip(*pool.map(run_one, tasks, chunksize=1), strict=True)
    if given.verbose:
        print_details(scores)
    print_table(scores, thresholds)


if __name__ == "__main__":
    main()
