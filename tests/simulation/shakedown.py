"""Simulated shakedowns: sound gardens, and gardens with a planted defect that the report must name; nothing else.

`python -m simulation.shakedown --seeds 0-99`, from tests/, runs each seed's garden for two days and a few hours, once
as it was drawn and once with a defect (the kinds by turns), the shakedown starting after the first hours. A defect is
*named* when the check for it is bad, for its bed where it has one; *invented* is whatever else is bad that neither
the defect brings with it nor the garden's truth shows: a battery that truly came to its floor, weather that truly
kept its panel dark. The days' kinds are held against the sky that the garden had."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import NamedTuple

from barreltide.core.event import as_line
from barreltide.core.monitor import Monitor
from barreltide.core.shakedown import Check, Report, Shakedown
from barreltide.demo.power import Sky
from barreltide.site import Site, load
from barreltide.sun import Sun

from .draw import Plan, draw_garden
from .fault import Stage
from .run import Run, simulate
from .score import kept, seeds

DAYS, LEAD_H, SHAKEDOWN_H = 2.3, 4.0, 50.0
# Of the light that a clear sky would have given: truly clear from here on, truly cloudy down to here.
TRULY_CLEAR, TRULY_CLOUDY = 0.80, 0.45
NEAR_FLOOR = 0.06  # of charge: so near its floor, a battery may be said to have reached it


@dataclass
class Defect:
    """draw: overrides of the draw; plan: changes what was built; act: what happens while it runs; names: the checks of
    which one must be bad; brings: checks that may be bad beside it."""

    names: tuple[str, ...]
    brings: tuple[str, ...] = ()
    draw: dict | None = None
    plan: Callable[[Plan, Random], str] = lambda plan, rng: ""
    act: Callable[[Stage, str], None] = lambda stage, bed: None


def _bed(plan: Plan, rng: Random) -> dict:
    return rng.choice(plan.beds)


def _trickles(plan: Plan, rng: Random) -> str:
    """Its siphon needs what the pump brings in the battery's better hours."""
    bed = _bed(plan, rng)
    bed["choke_m3_s"] = bed["flow"] * rng.uniform(1.0, 1.06)
    return bed["name"]


def _dribbles(plan: Plan, rng: Random) -> str:
    """Its siphon carries, where it should break, less than the pump brings at a charging voltage."""
    bed = _bed(plan, rng)
    limit = bed["flow"] * rng.uniform(1.06, 1.10)
    carries = (
        bed["discharge"]
        * 3.14159
        * bed["bore_m"] ** 2
        / 4
        * (2 * 9.80665 * (bed["break_m"] + bed["outlet_below_m"])) ** 0.5
    )
    bed["discharge"] *= limit / carries
    return bed["name"]


def _small_battery(plan: Plan, rng: Random) -> str:
    """A night takes more than half of it."""
    load_a = sum(pump["current_a"] for pump in plan.pumps)
    label_ah = round(load_a * rng.uniform(13, 17))
    scale = plan.battery["capacity_ah"] / label_ah
    plan.battery["capacity_ah"] = label_ah * rng.uniform(0.9, 1.0)
    for key in ("ohm", "fast_ohm", "slow_ohm"):
        plan.battery[key] *= scale
    plan.battery["charge"] = 0.95
    plan.label["capacity_ah"] = float(label_ah)
    return ""


def _half_shaded(plan: Plan, rng: Random) -> str:
    """A house stands before it until, or from, an hour before or after noon."""
    left = rng.uniform(0.1, 0.2)
    plan.shade = rng.choice(((3.0, rng.uniform(12.0, 12.8), left), (rng.uniform(11.2, 12.0), 21.0, left)))
    return ""


def _slow_bed(plan: Plan, rng: Random) -> str:
    """Its valve is nearly closed: three times as long for a cycle as the quickest; all its siphon needs is scaled
    too."""
    pump = max(plan.pumps, key=lambda p: len(p["feeds"]))
    beds = [bed for bed in plan.beds if bed["name"] in pump["feeds"]]

    def fill_s(bed: dict) -> float:
        return bed["area_m2"] * (bed["standpipe_m"] - bed["break_m"]) / bed["branch"]

    slow = max(beds, key=fill_s)
    quick_s = min(fill_s(bed) for bed in beds if bed is not slow)
    share = fill_s(slow) / (quick_s * rng.uniform(3.6, 5.0))
    slow["branch"] *= share
    slow["choke_m3_s"] *= share
    for bed in beds:  # what it does not take, the others get: their siphons stand it
        if bed is not slow:
            bed["discharge"] *= 2.5
    return slow["name"]


def _loose(stage: Stage, name: str) -> None:
    """From turn to turn it hangs at another height."""
    bed = next(bed for bed in stage.garden.beds if bed.name == name)
    switch, rng, middle_m = bed.floats["high"], stage.rng, bed.floats["high"].height_m
    span_m = bed.standpipe_m - bed.break_m

    def slip(turns: int) -> None:
        if len(bed.cycles) != turns:
            turns = len(bed.cycles)
            height_m = middle_m + span_m * rng.uniform(-0.3, 0.3)
            switch.height_m = min(max(height_m, bed.break_m + 0.12 * span_m), bed.standpipe_m - 0.08 * span_m)
        stage.after(20.0, lambda: slip(turns))

    slip(-1)


def _restless(stage: Stage, name: str) -> None:
    stage.station.chatters = f"{name}/high"


def _some_bed(plan: Plan, rng: Random) -> str:
    return _bed(plan, rng)["name"]


TWO = {"beds": 2, "pumps": 1, "period_s": 900.0}
QUICK = {"period_s": 900.0}
POWER = ("floor", "evening", "weather", "back", "cycles", "trickle", "dribble", "even", "data")
BEDS_OWN = ("cycles", "trickle", "dribble", "even", "float", "back")
DEFECTS: dict[str, Defect] = {
    "siphon trickles at low flow": Defect(("trickle",), BEDS_OWN, QUICK, _trickles),
    "siphon dribbles at high flow": Defect(("dribble",), BEDS_OWN, QUICK, _dribbles),
    "battery too small": Defect(("floor",), POWER, {"gloom": 0.0}, _small_battery),
    "panel half shaded": Defect(("shade",), POWER, {"gloom": 0.0}, _half_shaded),
    "one bed slow": Defect(("even",), (), TWO, _slow_bed),
    "float loose": Defect(("float",), BEDS_OWN, QUICK, _some_bed, _loose),
    "float restless": Defect(("float",), BEDS_OWN, QUICK, _some_bed, _restless),
}


class Score(NamedTuple):
    """defect: None in a sound garden; named: None there; invented: "check bed" of each that nothing explains; days:
    (kind said, clearness of the sky)."""

    seed: int
    defect: str | None
    subject: str
    named: bool | None
    invented: tuple[str, ...]
    days: tuple[tuple[str, float], ...]
    report: Report


def shake(seed: int, defect: str | None, keep: str = "") -> Score:
    """One garden's shakedown, judged."""
    kind = DEFECTS[defect] if defect else Defect(())
    rng = Random(f"shakedown {seed} {defect}")
    plan = draw_garden(seed, **(kind.draw or {}))
    plan.shade = (0.0, 0.0, 1.0)  # a drawn shadow is a true finding, and has a defect of its own here
    subject = kind.plan(plan, rng)
    name = f"{seed}-shakedown-{(defect or 'sound').replace(' ', '-')}"
    run = kept(keep, name, lambda: simulate(plan, DAYS, planted=lambda stage: kind.act(stage, subject)))
    site = site_of(plan)
    report = judged(run, site)
    bad = [check for check in report.checks if check.state == "bad"]
    named = None if defect is None else any(c.name in kind.names and c.subject in (subject, "") for c in bad)
    invented = [f"{c.name} {c.subject}".strip() for c in bad if not _is_explained(c, kind, run, report)]
    return Score(seed, defect, subject, named, tuple(invented), tuple(_days(run, report)), report)


def site_of(plan: Plan) -> Site:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(plan.site_toml(), encoding="utf-8")
        return load(path)


def judged(run: Run, site: Site) -> Report:
    """The report at the shakedown's end: the engine's events and the packs' readings, as they came."""
    sun = Sun(site.latitude, site.longitude, site.time_zone)
    monitor = Monitor(site, sun)
    start_s = run.start_s + LEAD_H * 3600
    shakedown = Shakedown(site, sun, start_s, start_s + SHAKEDOWN_H * 3600)
    for given in run.inputs():
        for event in monitor.take(given):
            if event.kind != "choked":
                shakedown.hear(as_line(event))
        for name, sampled_s, value in getattr(given, "readings", ()):
            shakedown.read(name, sampled_s, value)
    for event in monitor.advance(run.end_s):
        shakedown.hear(as_line(event))
    return shakedown.report(run.end_s)


def _is_explained(check: Check, kind: Defect, run: Run, report: Report) -> bool:
    if check.name in (*kind.names, *kind.brings):
        return True
    span = [charge for time_s, charge in run.charge if report.start_s <= time_s <= report.until_s]
    if check.name == "floor":
        return min(span) < run.plan.label["floor"] + NEAR_FLOOR
    if check.name == "data":
        return any(from_s < report.until_s and to_s - from_s > 240 for from_s, to_s in run.blind)
    if check.name in ("back", "cycles", "even"):  # the controller dropped the load, or the pump truly stood
        return any(to_s > report.start_s and from_s < report.until_s for from_s, to_s in run.pump_off)
    return False


def _days(run: Run, report: Report):
    """The kinds that were said, beside the share of a clear sky's light that there was."""
    sky = Sky(run.plan.latitude, run.plan.longitude, 0.0, Random(0))
    for day in report.days:
        light = clear = 0.0
        for (time_s, _), panel_a in zip(run.charge, run.panel_a, strict=True):
            if day.dawn_s <= time_s <= day.dusk_s and (sine := sky.sun_sine(time_s)) > 0.1:
                light += panel_a / run.plan.panel_a
                clear += sine**1.15
        if day.kind != "unknown" and clear:
            yield day.kind, light / clear


def print_table(scores: list[Score], verbose: bool) -> None:
    rows = [("sound", None), *((name, name) for name in DEFECTS)]
    print(f"{'garden':<30}{'shakedowns':>11}{'named':>8}{'with something invented':>26}")
    for title, defect in rows:
        mine = [score for score in scores if score.defect == defect]
        named = "" if defect is None else f"{sum(bool(s.named) for s in mine)}"
        print(f"{title:<30}{len(mine):>11}{named:>8}{sum(bool(s.invented) for s in mine):>26}")
    days = [day for score in scores if score.defect != "panel half shaded" for day in score.days]
    for truth, of in (("clear", lambda c: c >= TRULY_CLEAR), ("cloudy", lambda c: c <= TRULY_CLOUDY),
                      ("between", lambda c: TRULY_CLOUDY < c < TRULY_CLEAR)):  # fmt: skip
        said = [kind for kind, clearness in days if of(clearness)]
        print(
            f"days truly {truth:<8} {len(said):>4}: "
            + ", ".join(f"{said.count(k)} said {k}" for k in ("clear", "between", "cloudy"))
        )
    ready = [s for s in scores if s.defect is None]
    print(f"sound gardens ready for media: {sum(s.report.stages[0].verdict == 'ready' for s in ready)} of {len(ready)};"
          f" for fish too: {sum(s.report.stages[1].verdict == 'ready' for s in ready)}")  # fmt: skip
    for score in scores if verbose else []:
        if score.named is False or score.invented:
            bad = [f"{c.name} {c.subject}: {c.words}" for c in score.report.checks if c.state == "bad"]
            print(f"\nseed {score.seed} {score.defect} {score.subject} named={score.named} invented={score.invented}")
            print("\n".join(f"    {line}" for line in bad))


def _task(task: tuple[int, str | None], keep: str) -> Score:
    return shake(*task, keep)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seeds, default=seeds("0-99"), help="first-last")
    parser.add_argument("--defect", choices=[*DEFECTS, "sound"], help="this one only, on every seed")
    parser.add_argument("--all", action="store_true", help="every defect on every seed, not by turns")
    parser.add_argument("--verbose", action="store_true", help="each shakedown that failed")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="keep simulated gardens there, and use them again")
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    if given.keep:
        Path(given.keep).mkdir(parents=True, exist_ok=True)
    names = list(DEFECTS)
    tasks: list[tuple[int, str | None]] = []
    for seed in given.seeds:
        if given.defect:
            tasks.append((seed, None if given.defect == "sound" else given.defect))
        else:
            tasks.append((seed, None))
            tasks += [(seed, name) for name in (names if given.all else [names[seed % len(names)]])]
    with Pool(given.processes) as pool:
        print_table(pool.map(partial(_task, keep=given.keep), tasks, chunksize=1), given.verbose)


if __name__ == "__main__":
    main()
