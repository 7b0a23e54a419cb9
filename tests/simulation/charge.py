"""Holds the judgement of the battery against the truth of many simulated gardens, beside a voltage table and counting.

`python -m simulation.charge --seeds 0-99 --days 5`, from tests/, plays healthy gardens, every fourth under a gloomy sky
with a panel that is too small, so that the floor is reached. Each is judged twice: with the published tables, and with
its own battery's rested voltages in the site file. Then the faults of charging on the first thirty of the seeds, and
with `--weeks 3` a month of the first three, each as drawn and with a battery that holds 70 % of its label. What the
figures mean stands in charge_score.py.
"""

from __future__ import annotations

import argparse
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from types import SimpleNamespace

from barreltide.demo.power import Sky
from barreltide.web.pages.nights import ageing

from .charge_score import Garden, judge
from .charge_table import print_details, print_faults, print_months, print_table
from .run import Run, plan_for, simulate
from .score import Score, Task, judge_in_process, kept, score, seeds, simulated
from .table import WHENS

POOR_EVERY, POOR_GLOOM, POOR_PANEL = 4, 0.7, 0.6
FAULT_SEEDS, MONTH_DAYS, WORN_SHARE = 30, 30.0, 0.7
FAULTS = [*(("charge-fails", when) for when in WHENS), ("charge-voltage-high", "noon")]


def healthy(seed: int, days: float, is_poor: bool, held: float | None = None) -> Run:
    """held: the share of its label that the battery holds, if not as drawn."""
    plan = plan_for(seed, None)
    if is_poor:
        plan.gloom, plan.panel_a = POOR_GLOOM, plan.panel_a * POOR_PANEL
        plan.label["panel_w"] = round(plan.label["panel_w"] * POOR_PANEL, -1)
    if held is not None:
        plan.battery["capacity_ah"] = held * plan.label["capacity_ah"]
    return simulate(plan, days)


def judge_healthy(seed: int, days: float, keep: str) -> list[Garden]:
    is_poor = seed % POOR_EVERY == POOR_EVERY - 1
    name = f"{seed}-charge-{days:g}-days" + f"-gloom-{POOR_GLOOM}-panel-{POOR_PANEL}" * is_poor
    run = kept(keep, name, lambda: healthy(seed, days, is_poor))
    return [judge(seed, run, own, is_poor)[0] for own in (False, True)]


def judge_month(play: tuple[int, float | None], keep: str) -> tuple[Garden, str]:
    """With what `barreltide nights` then says of the capacity."""
    seed, held = play
    run = kept(keep, f"{seed}-charge-month-held-{held}", lambda: healthy(seed, MONTH_DAYS, False, held))
    garden, events = judge(seed, run, False)
    night = [event for event in events if event["event"] == "night"][-1]
    label = SimpleNamespace(capacity_ah=run.plan.label["capacity_ah"], in_parallel=1)
    return garden, " ".join(ageing(SimpleNamespace(battery=label), night))


def judge_fault(task: Task) -> tuple[Score, float | None]:
    """With the hours of good light from the bite to the alarm: in the dark nobody can tell."""
    run = simulated(task)
    found = score(run, task.seed, judge_in_process(run))
    if found.delay_s is None:
        return found, None
    sky = Sky(run.plan.latitude, run.plan.longitude, 0.0, None)
    minutes = range(max(int(found.delay_s / 60), 0))
    return found, sum(sky.sun_sine(run.fault.since_s + 60 * minute) > 0.2 for minute in minutes) / 60


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seeds, default=seeds("0-99"), help="first-last")
    parser.add_argument("--days", type=float, default=5.0)
    parser.add_argument("--weeks", type=int, default=0, metavar="SEEDS", help="a month of so many gardens as well")
    parser.add_argument("--verbose", action="store_true", help="the worst gardens, and each alarm that failed")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="keep simulated gardens there, and use them again")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    if given.keep:
        Path(given.keep).mkdir(parents=True, exist_ok=True)
    tasks = [Task(seed, *play, False, given.keep) for seed in given.seeds[:FAULT_SEEDS] for play in FAULTS]
    months = [(seed, held) for seed in given.seeds[: given.weeks] for held in (None, WORN_SHARE)]
    with Pool(given.processes) as pool:
        both = pool.map(partial(judge_healthy, days=given.days, keep=given.keep), given.seeds, chunksize=1)
        gardens = [garden for pair in both for garden in pair]
        if given.verbose:
            print_details(gardens)
        print_table(gardens)
        print_faults(pool.map(judge_fault, tasks, chunksize=1), given.verbose)
        print_months(pool.map(partial(judge_month, keep=given.keep), months, chunksize=1))


if __name__ == "__main__":
    main()
