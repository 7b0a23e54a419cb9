"""Prints what charge.py has found: the state of charge beside two simpler ways, the alarms, the nights, the months."""

from __future__ import annotations

import math
import statistics
from collections import Counter

from .charge_score import LEAD_S, TOUCHED

ESTIMATORS = (("engine", "engine"), ("table", "table look-up"), ("counting", "ampere-hour counting"))
AIMED_RMS = {False: 3.0, True: 2.0}  # with the published tables, with the battery's own
AIMED_INSIDE, AIMED_WIDTH = (85.0, 97.0), 12.0
FAULT_LATE_H = {"charge-fails": 6.0, "charge-voltage-high": 1.0}  # of good light
WORST = 12


def figures(judged) -> tuple[float, float, float, float]:
    """rms and bias in points, truth inside the interval in per cent, mean width in points."""
    rms = 100 * math.sqrt(statistics.fmean(one.error**2 for one in judged))
    bias, width = (100 * statistics.fmean(getattr(one, name) for one in judged) for name in ("error", "width"))
    return rms, bias, 100 * statistics.fmean(one.covered for one in judged), width


def print_table(gardens) -> None:
    published, own = ([one for one in gardens if one.own is is_own] for is_own in (False, True))
    print(f"{len(published)} gardens, {sum(one.days for one in published):.0f} garden-days, each judged with the"
          f" published tables and with its battery's own")  # fmt: skip
    print(f"{'':24}" + "".join(f"| {title:28}" for _, title in ESTIMATORS))
    print(f"{'':24}" + "|   rms  bias  inside  width   " * len(ESTIMATORS) + "judgements")
    days = sorted({one.day for garden in gardens for one in garden.judged["engine"]})
    groups = [
        ("all", gardens, None), ("published tables", published, None), ("own table", own, None),
        ("of the published tables:", [], None),
        ("  load written down", [one for one in published if one.run.plan.label["current_a"]], None),
        ("  load unknown", [one for one in published if not one.run.plan.label["current_a"]], None),
        ("  pump's sensor", [one for one in published if one.run.plan.station.pump_current], None),
        ("  panel's sensor", [one for one in published if one.run.plan.station.panel_current], None),
        ("  flooded", [one for one in published if one.run.plan.label["chemistry"] == "flooded"], None),
        ("  agm", [one for one in published if one.run.plan.label["chemistry"] == "agm"], None),
        ("  gloom, small panel", [one for one in published if one.poor], None),
        *((f"  {basis}", published, ("basis", basis)) for basis in ("charging", "loaded", "rested")),
        *((f"  day {day}", published, ("day", day)) for day in days),
        *((f"own table, day {day}", own, ("day", day)) for day in days),
    ]  # fmt: skip
    for title, group, wanted in groups:
        _print_row(title, group, wanted)
    for title, group in (("published tables", published), ("own table", own)):
        _print_floor(title, group)
    for title, group in (("published tables", published), ("own table", own)):
        _print_nights(title, group)
    _print_aims(published, own)


def _print_row(title: str, gardens, wanted) -> None:
    cells, n = "", 0
    for name, _ in ESTIMATORS:
        judged = [one for garden in gardens for one in garden.judged[name]]
        if wanted is not None and name == "engine":
            judged = [one for one in judged if getattr(one, wanted[0]) == wanted[1]]
        elif wanted is not None and wanted[0] == "basis":
            judged = []  # they have none
        elif wanted is not None:
            judged = [one for one in judged if one.day == wanted[1]]
        n = n or len(judged)
        cells += "| {:5.1f} {:+5.1f} {:6.1f}% {:6.1f}   ".format(*figures(judged)) if judged else f"| {'':28}"
    print(f"{title:24}{cells}{n or '':>10}")


def _hours(values: list[float]) -> str:
    if not values:
        return "none"
    return f"{min(values) / 3600:.1f} to {max(values) / 3600:.1f}, median {statistics.median(values) / 3600:.1f} h"


def _print_floor(title: str, gardens) -> None:
    passed = [one for garden in gardens for one in garden.passings]
    print(f"\nthe floor, {title}: passed {len(passed)} times, {sum(one.by_night for one in passed)} of them by night")
    for name, group in (
        ("where the data allow", [one for one in passed if one.allowed]),
        ("other", [one for one in passed if not one.allowed]),
    ):
        leads = [one.lead_s for one in group if one.lead_s is not None]
        enough, after = sum(lead_s >= LEAD_S for lead_s in leads), sum(lead_s < 0 for lead_s in leads)
        print(f"    {name}: {len(group)}; foretold by 4 h {enough}, by less {len(leads) - enough - after}, only"
              f" afterwards {after}, never {len(group) - len(leads)}; ahead {_hours(leads)}")  # fmt: skip
    deep = [one for one in passed if one.depth > TOUCHED]
    delays = [one.delay_s for one in deep if one.delay_s is not None]
    print(f"    battery-low where it went 3 points below: {len(delays)} of {len(deep)}; delay {_hours(delays)}")
    days = sum(garden.days for garden in gardens)
    for name in ("false", "early"):
        found = Counter(text.split()[0] for garden in gardens for text in getattr(garden, name))
        print(f"    {name} alarms in {days:.0f} garden-days: {sum(found.values())} {dict(found) or ''}")


def _print_nights(title: str, gardens) -> None:
    nights = [night for garden in gardens for night in garden.nights]
    cells = []
    told = (("used", "used", 100, "%"), ("left_h", "hours left", 1, "h"), ("lowest_v", "lowest voltage", 1000, "mV"))
    for name, words, factor, unit in told:
        errors = [factor * getattr(night, name) for night in nights if getattr(night, name) is not None]
        if errors:
            rms = math.sqrt(statistics.fmean(error**2 for error in errors))
            cells.append(f"{words} {statistics.fmean(errors):+.1f} {unit} (rms {rms:.1f}, worst"
                         f" {max(errors, key=abs):+.1f})")  # fmt: skip
    covered = 100 * statistics.fmean(night.capacity_covered for night in nights)
    rms = 100 * math.sqrt(statistics.fmean(night.capacity**2 for night in nights))
    print(f"\n{len(nights)} nights' records, {title}: {'; '.join(cells)};\n    capacity rms {rms:.0f} %, inside its"
          f" interval {covered:.0f} %")  # fmt: skip


def _print_aims(published, own) -> None:
    print()
    for group, title in ((published, "published tables"), (own, "own table")):
        rms, _, inside, width = figures([one for garden in group for one in garden.judged["engine"]])
        allowed = [one for garden in group for one in garden.passings if one.allowed]
        aimed = AIMED_RMS[title == "own table"]
        for aim, is_met in (
            (f"rms of {aimed:.0f} points at most", rms <= aimed),
            ("truth inside 85 to 97 % of the time", AIMED_INSIDE[0] <= inside <= AIMED_INSIDE[1]),
            ("width of 12 points at most", width <= AIMED_WIDTH),
            ("floor foretold by 4 h", all(one.lead_s is not None and one.lead_s >= LEAD_S for one in allowed)),
            ("no false alarm of the battery", not any(garden.false for garden in group)),
        ):
            print(f"aimed at, {title}: {aim}: {'met' if is_met else 'NOT MET'}")


def print_faults(found, verbose: bool) -> None:
    """found: scores of runs, each with the hours of good light from the bite to the alarm."""
    print()
    for kind in dict.fromkeys(one.kind for one, _ in found):
        for when in dict.fromkeys(one.when for one, _ in found if one.kind == kind):
            group = [pair for pair in found if pair[0].kind == kind and pair[0].when == when]
            fates = Counter(one.fate for one, _ in group)
            light = sorted(hours for _, hours in group if hours is not None)
            late = sum(hours > FAULT_LATE_H[kind] for hours in light)
            told = f"{statistics.median(light):.1f} h of good light, at most {light[-1]:.1f}" if light else "never"
            print(f"{kind} ({when}): {dict(fates)}, {told}, late {late}, other alarms"
                  f" {sum(len(one.wrong) + len(one.false) for one, _ in group)}")  # fmt: skip
    for one, hours in found if verbose else []:
        notes = [f"FALSE {text}" for text in one.false + one.wrong]
        if hours is not None and hours > FAULT_LATE_H[one.kind]:
            notes.append(f"late: {hours:.1f} h of good light")
        if notes or one.fate not in ("right", "unbitten"):
            print(f"seed {one.seed} {one.kind} ({one.when}): {one.fate}", *notes, sep="\n    ")


def print_months(found) -> None:
    """found: a garden, what `barreltide nights` says of its capacity."""
    for garden, words in found:
        true_ah, label_ah = garden.run.plan.battery["capacity_ah"], garden.run.plan.label["capacity_ah"]
        rms, bias, inside, width = figures(garden.judged["engine"])
        covered = sum(one.capacity_covered for one in garden.nights)
        print(f"\nseed {garden.seed}, {garden.days:.0f} days, holds {100 * true_ah / label_ah:.0f} % of its label:"
              f" charge rms {rms:.1f}, bias {bias:+.1f}, inside {inside:.0f} %, width {width:.1f};\n   "
              f" capacity {true_ah:.0f} Ah, inside the interval after {covered} of {len(garden.nights)} nights. At the"
              f" end: {words}")  # fmt: skip


def print_details(gardens) -> None:
    """The worst gardens, and each alarm that was not as it should be."""
    worst = sorted(gardens, key=lambda one: figures(one.judged["engine"])[0], reverse=True)
    for one in worst[:WORST]:
        battery, label = one.run.plan.battery, one.run.plan.label
        drop_v = sum(pump["current_a"] for pump in one.run.plan.pumps) * (
            battery["ohm"] + battery["fast_ohm"] + battery["slow_ohm"])  # fmt: skip
        print(f"{_name(one)}: rms {{:.1f}}, bias {{:+.1f}}, inside {{:.0f}} %, width {{:.1f}};".format(
            *figures(one.judged["engine"])), f"{label['chemistry']}, holds"
            f" {battery['capacity_ah'] / label['capacity_ah']:.2f} of its label, drop {1000 * drop_v:.0f} mV, meter"
            f" {1000 * (12.5 * (one.run.plan.station.meter_gain - 1) + one.run.plan.station.meter_offset_v):+.0f} mV,"
            f" load {'known' if label['current_a'] else 'unknown'}")  # fmt: skip
    for one in gardens:
        for text in one.early:
            print(f"{_name(one)}: {'FALSE' if text in one.false else 'early'} {text}")
        for passing in one.passings:
            late = passing.allowed and (passing.lead_s is None or passing.lead_s < LEAD_S)
            if late or (passing.depth > TOUCHED and passing.delay_s is None):
                lead = "never" if passing.lead_s is None else f"{passing.lead_s / 3600:.1f} h ahead"
                print(f"{_name(one)}: {'LATE' if late else 'no battery-low'}, passed day"
                      f" {(passing.at_s - one.run.start_s) / 86400:.2f} by {100 * passing.depth:.0f} points,"
                      f" told {lead}: {passing.text}")  # fmt: skip


def _name(garden) -> str:
    return f"seed {garden.seed}{' own' * garden.own}{' gloom' * garden.poor}"
