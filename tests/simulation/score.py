"""Holds the engine's judgement against the truth of many simulated gardens, and prints a table.

`python -m simulation.score --seeds 0-19 [--kinds pump-unpowered,nothing] [--command] [--verbose]`, from tests/. Without
`--command` the engine runs in process; with it, `barreltide replay` runs on written recordings: same result, slower.

How an alarm is scored: *right* names the cause and the subject after the onset; one that `follows` from the fault, or
that the truth bears out (the battery is at the floor, nothing was heard for minutes), is neither good nor bad; any
other is *wrong* after the onset of a fault and *false* otherwise. Delays count from when the condition was truly there.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import statistics
import subprocess
import sys
import tempfile
from bisect import bisect_left
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple

from .fault import KINDS
from .run import Run, plan_for, simulate

SETTLE_S = 300.0  # a cycle this close to the end may still be undecided
NEAR_S = 5.0
SOC_FROM_S = 12 * 3600.0


class Charge(NamedTuple):
    """One judgement of the state of charge against the truth."""

    error: float
    width: float
    covered: bool
    basis: str


@dataclass
class Score:
    """One run's result; `fate` is "right", "wrong" (found, another cause), "missed", "benign" or "unbitten"."""

    seed: int
    kind: str
    when: str
    days: float
    fate: str
    delay_s: float | None = None
    period_s: float | None = None
    false: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    again: int = 0  # raised once more for the same cause
    cycles: int = 0
    missed: int = 0
    doubled: int = 0
    off: int = 0
    soc: list[Charge] = field(default_factory=list)


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
    return [as_line(event) for event in events + list(monitor.advance(run.end_s))]


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
        elif (after and alarm["alarm"] in fault.follows) or _borne_out(run, alarm, heard_s):
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
        result.again = len(right) - len({(alarm["alarm"], alarm["subject"]) for alarm in right})
        result.period_s = _period_s(run)
    else:
        result.fate = "wrong" if result.wrong else "missed"


def _stood_before(fault, alarms: list[dict]) -> bool:
    """The right alarm stood already when the fault came: nothing to be found."""
    standing = set()
    for alarm in alarms:
        if alarm["time"] < fault.onset_s - 60:
            (standing.add if alarm["change"] == "raised" else standing.discard)((alarm["alarm"], alarm["subject"]))
    return any(tuple(pair) in standing for pair in fault.right)


def _borne_out(run: Run, alarm: dict, heard_s: list[float]) -> bool:
    """Whether the truth of the garden makes the alarm a true one, fault or not."""
    time_s, kind = alarm["time"], alarm["alarm"]
    minute = min(max(round((time_s - run.start_s) / 60), 0), len(run.charge) - 1)
    charge, floor = run.charge[minute][1], run.plan.label["floor"]
    if kind == "battery-low":
        return charge < floor + 0.05
    if kind == "battery-will-not-last":
        return min(value for _, value in run.charge[minute : minute + 24 * 60]) < floor + 0.05
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
    subject = run.fault.subject.split("/")[0]
    beds = (
        {subject} if subject in run.cycles else {b for p in run.plan.pumps for b in p["feeds"] if p["name"] == subject}
    )
    medians = []
    for bed in beds or set(run.cycles):
        times = [cycle.time for cycle in run.cycles[bed] if cycle.time < run.fault.onset_s]
        if len(times) > 2:
            medians.append(statistics.median(b - a for a, b in itertools.pairwise(times)))
    return max(medians, default=None)


def _score_cycles(run: Run, told: list[dict], result: Score) -> None:
    fault = run.fault
    unheard = [(start - 60, end + 60) for start, end in run.blind]
    if fault is not None and fault.kind == "wifi-lost":
        unheard.append((fault.onset_s - 60, float("inf")))
    unheard += [(run.end_s - SETTLE_S, float("inf")), (0, run.start_s + 60)]
    for bed, truths in run.cycles.items():
        deaf = list(unheard)
        if fault is not None and fault.kind.startswith("float-") and fault.subject == f"{bed}/high":
            deaf.append((fault.onset_s - 60, float("inf")))
        truth_s = [cycle.time for cycle in truths]
        told_s = sorted(event["time"] for event in told if event["bed"] == bed)
        free = set(range(len(told_s)))
        for time_s in truth_s:
            near = (
                min(free, key=lambda k: abs(told_s[k] - time_s), default=None)
                if len(told_s) < 50
                else _near(told_s, free, time_s)
            )
            far_s = abs(told_s[near] - time_s) if near is not None else float("inf")
            if far_s <= 120:
                free.discard(near)
            if any(start <= time_s <= end for start, end in deaf):
                continue
            result.cycles += 1
            result.off += NEAR_S < far_s <= 120
            result.missed += far_s > 120
        result.doubled += sum(not any(start <= told_s[k] <= end for start, end in deaf) for k in free)


def _near(told_s: list[float], free: set[int], time_s: float) -> int | None:
    at = bisect_left(told_s, time_s)
    return min((k for k in range(at - 3, at + 3) if k in free), key=lambda k: abs(told_s[k] - time_s), default=None)


def run_one(task: tuple[int, str, bool]) -> Score:
    seed, kind, by_command = task
    run = simulate(plan_for(seed, None if kind == "healthy" else kind), None, None if kind == "healthy" else kind)
    return score(run, seed, (judge_by_command if by_command else judge_in_process)(run))


def print_table(scores: list[Score]) -> None:
    by_kind = defaultdict(list)
    for one in scores:
        by_kind[one.kind].append(one)
    head = ("runs", "right", "wrong", "missed", "again", "minutes", "p90", "periods", "false")
    print(f"{'kind':24}" + "".join(f"{name:>8}" for name in head) + "  beside it or instead")
    for kind, group in by_kind.items():
        fates = Counter(one.fate for one in group)
        minutes = sorted(one.delay_s / 60 for one in group if one.delay_s is not None)
        periods = [one.delay_s / one.period_s for one in group if one.delay_s is not None and one.period_s]
        cells = [len(group) - fates["unbitten"], fates["right"], fates["wrong"], fates["missed"]]
        cells.append(sum(one.again for one in group))
        cells.append(f"{statistics.median(minutes):.1f}" if minutes else "")
        cells.append(f"{minutes[math.ceil(0.9 * len(minutes)) - 1]:.1f}" if minutes else "")
        cells.append(f"{statistics.median(periods):.2f}" if periods else "")
        cells.append(sum(len(one.false) for one in group))
        beside = Counter(text.split("/")[0] for one in group for text in one.wrong)
        notes = ", ".join(f"{alarm} {count}" for alarm, count in beside.most_common())
        print(f"{kind:24}" + "".join(f"{cell:>8}" for cell in cells) + f"  {notes}")
    _print_totals(scores)


def _print_totals(scores: list[Score]) -> None:
    fates = Counter(one.fate for one in scores)
    print(f"\nfaults: right {fates['right']}, other cause {fates['wrong']}, missed {fates['missed']}")
    days = sum(one.days for one in scores)
    false = Counter(text.split("/")[0] for one in scores for text in one.false)
    print(
        f"false alarms: {sum(false.values())} in {days:.0f} garden-days, {sum(false.values()) / days:.3f} a day",
        end=" ",
    )
    print(dict(false) or "")
    missed, doubled, off = (sum(getattr(one, name) for one in scores) for name in ("missed", "doubled", "off"))
    print(f"cycles: {sum(one.cycles for one in scores)}, missed {missed}, doubled {doubled}, {NEAR_S:.0f} s off {off}")
    for basis in ("", "loaded", "charging", "rested"):
        soc = [entry for one in scores for entry in one.soc if basis in ("", entry.basis)]
        if soc:
            rms = 100 * math.sqrt(statistics.fmean(entry.error**2 for entry in soc))
            bias, width = (100 * statistics.fmean(getattr(entry, name) for entry in soc) for name in ("error", "width"))
            covered = 100 * statistics.fmean(entry.covered for entry in soc)
            print(f"state of charge {basis or 'in all':9} rms {rms:4.1f} points, bias {bias:+.1f}, truth inside "
                  f"{covered:.0f} %, width {width:.0f} points ({len(soc)} judgements)")  # fmt: skip


def print_details(scores: list[Score]) -> None:
    for one in scores:
        worst = max((abs(entry.error) for entry in one.soc), default=0.0)
        notes = [f"cycles missed {one.missed} doubled {one.doubled} off {one.off}"] * bool(
            one.missed + one.doubled + one.off
        )
        notes += [f"charge off by up to {100 * worst:.0f} points"] * (worst > 0.12)
        notes += [f"FALSE {text}" for text in one.false] + [f"WRONG {text}" for text in one.wrong]
        if notes or one.fate in ("wrong", "missed"):
            print(f"seed {one.seed} {one.kind} ({one.when}): {one.fate}", *notes, sep="\n    ")


def _seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=_seeds, default=_seeds("0-9"), help="first-last")
    parser.add_argument("--kinds", default=",".join(KINDS), help="healthy, " + ", ".join(KINDS))
    parser.add_argument("--command", action="store_true", help="through `barreltide replay`")
    parser.add_argument("--verbose", action="store_true", help="each run that was not perfect")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    tasks = [(seed, kind, given.command) for kind in given.kinds.split(",") for seed in given.seeds]
    with Pool(given.processes) as pool:
        scores = pool.map(run_one, tasks, chunksize=1)
    if given.verbose:
        print_details(scores)
    print_table(scores)


if __name__ == "__main__":
    main()
