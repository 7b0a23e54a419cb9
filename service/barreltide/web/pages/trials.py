"""The page of trials, and the report of a shakedown as a sheet to print: what stands on them, and their charts. Pure.

The report is one file that needs nothing else: its style and its charts are in it, and it asks no network for anything.
"""

from __future__ import annotations

import re
from statistics import median
from typing import Any

from ...core.shakedown import Report
from ...core.shakedown_beds import BedSpan, Check
from ...core.trials import LIKELY, MEASURES, Summary, between, odds, shown
from ...site import Site
from . import figures
from .figures import Axis, Mark, Scale
from .tide import Night
from .words import Taste, percent

WIDTH, LEFT, RIGHT = 720, 44, 712
GAP_S = 1800.0
MOST_BESIDE = 4  # trials
MOST_DOTS = 1_500  # of a bed's cycles; beyond, every so manieth
HIGHEST = 1.6  # of the usual period: what took longer stands at the edge
TITLES = {
    "length": "How long it ran", "data": "Data", "cycles": "Cycles", "trickle": "Starting", "dribble": "Breaking",
    "float": "Float", "back": "Water back after a stop", "even": "Beds in proportion", "floor": "Lowest charge",
    "evening": "Charge by evening", "shade": "Shade", "weather": "Weather", "water": "Water's warmth",
}  # fmt: skip
KINDS = {"clear": "clear", "cloudy": "cloudy", "between": "in between", "unknown": "not seen whole"}
WORDS = {"ready": "Ready for {}", "not yet": "Not yet ready for {}", "so far": "Not known yet for {}"}
MOODS = {"ready": "good", "not yet": "bad", "so far": "unsure", "good": "good", "bad": "bad", "open": "unsure"}


def verdicts(report: Report, taste: Taste) -> list[dict[str, Any]]:
    """The stages with their verdicts, and why not yet."""
    found: list[dict[str, Any]] = []
    told: tuple[str, ...] = ()
    for stage in report.stages:
        reasons = [reason for reason in stage.because if reason not in told]
        if told and len(reasons) < len(stage.because) and stage.verdict == "not yet":
            reasons = ["What keeps media out.", *reasons]
        told, reasons = stage.because, [taste.told(reason) for reason in reasons]
        if stage.verdict == "so far":
            reasons = [f"Nothing is wrong so far. {reasons[0]}" if reasons else "Nothing is wrong so far."]
        found.append(
            {"mood": MOODS[stage.verdict], "word": WORDS[stage.verdict].format(stage.stage), "reasons": reasons,
             "lead": "because:" if stage.verdict == "not yet" else ""}
        )  # fmt: skip
    return found


def rows(report: Report, taste: Taste) -> list[dict[str, Any]]:
    """The checks, what is wrong first."""
    order = {"bad": 0, "open": 1, "good": 2}
    return [
        {"mood": MOODS[check.state], "state": check.state, "title": TITLES[check.name], "subject": check.subject,
         "words": taste.told(check.words), "evidence": evidence(check, taste), "advice": check.advice}
        for check in sorted(report.checks, key=lambda check: order[check.state])
    ]  # fmt: skip


def evidence(check: Check, taste: Taste) -> list[str]:
    """Its lines, with each moment in the garden's time."""
    lines = [taste.told(line) for line in check.evidence]
    return [re.sub(r"\{(\d+)\}", lambda found: taste.full(float(found[1])), line) for line in lines]


def sheet(site: Site, report: Report, nights: list[Night], taste: Taste) -> dict[str, Any]:
    """All that the report's template puts down. nights: those of the span."""
    axis = Axis(report.start_s, report.until_s, LEFT, RIGHT)
    dark = [(axis.x(from_s), axis.x(to_s)) for from_s, to_s in nights]
    marks = figures.hours(axis, taste, 6 if report.until_s - report.start_s < 100 * 3600 else 12)
    kinds = [Mark(axis.x(0.5 * (d.dawn_s + d.dusk_s)), d.kind) for d in report.days if d.kind != "unknown"]
    return {
        "garden": site.name, "is_over": report.is_over, "judged": taste.full(report.judged_s),
        "from": taste.full(report.start_s), "until": taste.full(report.until_s),
        "verdicts": verdicts(report, taste), "checks": rows(report, taste),
        "beds": [_bed_row(bed) for bed in report.beds.values()],
        "days": [
            {"date": taste.full(day.dawn_s).partition(",")[0], "kind": KINDS[day.kind],
             "brightness": percent(day.brightness), "dawn": taste.clock(day.dawn_s), "dusk": taste.clock(day.dusk_s)}
            for day in report.days
        ],
        "width": WIDTH, "left": LEFT, "right": RIGHT, "nights": dark, "hours": marks, "kinds": kinds,
        "stops": [(axis.x(s.from_s), axis.x(s.until_s or report.judged_s)) for s in report.stops],
        "volts": _volts(site, report, axis), "charge": _charge(site, report, axis),
        "water": _water(site, report, axis, taste), "cycles": [_dots(bed, axis) for bed in report.beds.values()],
    }  # fmt: skip


def _bed_row(bed: BedSpan) -> dict[str, Any]:
    periods = sorted(cycle["period_s"] for cycle in bed.whole)
    return {
        "name": bed.name, "cycles": len(bed.cycles),
        "period": shown(median(periods), "s") if periods else "–",
        "range": f"{shown(periods[0], 's')} to {shown(periods[-1], 's')}" if periods else "–",
        "work": shown(bed.work_s, "s") if bed.work_s else "–",
    }  # fmt: skip


def _ticks(low: float, high: float, scale: Scale, unit: str, digits: int) -> list[Mark]:
    """Three marks at round figures."""
    step = next(s for s in (0.1, 0.2, 0.25, 0.5, 1, 2, 5, 10, 20, 50, 100) if (high - low) / s <= 4)
    first = -(-low // step) * step
    values = [first + step * k for k in range(5) if first + step * k <= high + 1e-9]
    return [Mark(scale.y(value), f"{value:.{digits}f}{unit}") for value in values]


def _volts(site: Site, report: Report, axis: Axis) -> dict[str, Any] | None:
    known = [(start_s, volts) for start_s, volts, _ in report.bins if volts is not None]
    if not known:
        return None
    low, high = min(v for _, v in known) - 0.1, max(v for _, v in known) + 0.1
    scale = Scale(low, high, 18, 132)
    cut_v = site.battery.cut_off_voltage_v
    return {"d": figures.line(known, axis, scale, GAP_S), "ticks": _ticks(low, high, scale, " V", 1),
            "cut_y": scale.y(cut_v) if low < cut_v < high else None}  # fmt: skip


def _charge(site: Site, report: Report, axis: Axis) -> dict[str, Any] | None:
    if not report.charge:
        return None
    floor = site.battery.lowest_state_of_charge
    low = max(min(floor, *(row[2] for row in report.charge)) - 0.05, 0.0) if len(report.charge) > 1 else 0.0
    scale = Scale(low, 1.0, 18, 132)
    return {
        "band": figures.band([(t, a, b) for t, _, a, b in report.charge], axis, scale, 2 * GAP_S),
        "d": figures.line([(t, share) for t, share, _, _ in report.charge], axis, scale, 2 * GAP_S),
        "floor_y": scale.y(floor), "floor": percent(floor),
        "ticks": [Mark(scale.y(share), percent(share)) for share in (0.25, 0.5, 0.75, 1.0) if share >= low],
    }  # fmt: skip


def _water(site: Site, report: Report, axis: Axis, taste: Taste) -> dict[str, Any] | None:
    known = [(start_s, celsius) for start_s, _, celsius in report.bins if celsius is not None]
    if not known:
        return None
    limits = [site.sump.coldest_c, site.sump.warmest_c] if site.sump else []
    low, high = min([v for _, v in known] + limits) - 1, max([v for _, v in known] + limits) + 1
    scale = Scale(low, high, 8, 92)
    return {"d": figures.line(known, axis, scale, GAP_S), "limits": [scale.y(limit) for limit in limits],
            "ticks": [Mark(scale.y(v), taste.degrees(v, 0)) for v in [*limits, known[-1][1]]]}  # fmt: skip


def _dots(bed: BedSpan, axis: Axis) -> dict[str, Any]:
    """Each cycle at its end, as high as its work; what took far longer at the upper edge, in another colour."""
    usual = bed.work_s or (bed.whole[0]["period_s"] if bed.whole else 1.0)
    scale = Scale(0.0, HIGHEST, 12, 84)
    whole = bed.whole[:: -(-len(bed.whole) // MOST_DOTS) or 1]
    works = [(cycle["time"], (cycle.get("work_s") or cycle["period_s"]) / usual) for cycle in whole]
    return {
        "name": bed.name, "usual_y": scale.y(1.0), "usual": shown(usual, "s") if bed.whole else "",
        "dots": [(axis.x(t), scale.y(share)) for t, share in works if share <= HIGHEST],
        "long": [(axis.x(t), scale.y(HIGHEST)) for t, share in works if share > HIGHEST],
    }  # fmt: skip


def dialling(answer: dict[str, Any], taste: Taste) -> list[dict[str, Any]]:
    """Each bed's trials side by side, the newest first: answer as `/api/trials` gives it."""
    found = []
    for name, bed in answer["beds"].items():
        beside = bed["trials"][::-1][:MOST_BESIDE]
        known = [m for m in MEASURES if any(m.key in trial["measures"] for trial in beside)]
        found.append(
            {"name": name, "verdict": bed["verdict"], "advice": bed["advice"],
             "has_cycles": any(trial["cycles"] for trial in beside),
             "heads": [
                 {"number": trial["number"], "note": trial["note"] or "from the start", "cycles": trial["cycles"],
                  "since": taste.moment(trial["since_s"]) if trial["since_s"] else ""}
                 for trial in beside
             ],
             "rows": [{"name": m.name, "cells": [_cell(trial["measures"].get(m.key), m.unit) for trial in beside]}
                      for m in known]}
        )  # fmt: skip
    return found


def _cell(measure: dict[str, Any] | None, unit: str) -> dict[str, str] | None:
    if measure is None:
        return None
    summary = Summary(**measure)
    is_told = summary.chance is not None and summary.chance < LIKELY
    return {"median": shown(summary.median, unit), "spread": between(summary, unit),
            "odds": odds(summary.chance) if is_told else ""}  # fmt: skip
