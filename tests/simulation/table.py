"""Prints the scores of many runs: a row a fault, the engine beside the fixed thresholds, and what was aimed at."""

from __future__ import annotations

import math
import statistics
from collections import Counter, defaultdict

WHENS = ("night", "noon", "cloud")
AIMED_AT = 0.98  # of the faults found, those with the right cause


def print_table(scores, thresholds) -> None:
    """scores, thresholds: one `Score` a run each, of the same runs in the same order."""
    groups = defaultdict(list)
    for pair in zip(scores, thresholds, strict=True):
        groups[pair[0].kind].append(pair)
    print(f"{'':22}{'right of runs':^24} {'told in minutes':^23} {'periods':>7} {'other':>6}          "
          f"| fixed thresholds")  # fmt: skip
    head = "".join(f"{when:>8}" for when in WHENS) + "".join(f"{when:>8}" for when in WHENS)
    print(f"{'fault':22}{head} {'p90':>6} {'named':>6} {'missed':>6} {'late':>5} {'false':>5} "
          f"| {'right':>5} {'late':>5} {'false':>6}")  # fmt: skip
    for kind, pairs in groups.items():
        print(f"{kind:22}" + _row([one for one, _ in pairs], [other for _, other in pairs]))
    _print_totals(scores, thresholds)


def _row(group, baseline) -> str:
    bitten = [one for one in group if one.fate not in ("unbitten", "benign")]
    cells = ""
    for when in WHENS:
        at = [one for one in bitten if one.when == when]
        cells += f"{sum(one.fate == 'right' for one in at):>4}/{len(at):<3}" if at else f"{'':8}"
    for when in WHENS:
        minutes = [one.delay_s / 60 for one in group if one.when == when and one.delay_s is not None]
        cells += f"{statistics.median(minutes):8.1f}" if minutes else f"{'':8}"
    periods = sorted(one.delay_s / one.period_s for one in group if one.delay_s is not None and one.period_s)
    cells += f" {periods[math.ceil(0.9 * len(periods)) - 1]:6.1f}" if periods else f" {'':6}"
    fates = Counter(one.fate for one in group)
    named = f"{fates['named']}+{fates['other']}" if fates["named"] or fates["other"] else ""
    cells += f" {named:>6} {fates['missed'] or '':>6} {sum(one.is_late for one in group) or '':>5}"
    cells += f" {sum(len(one.false) for one in group) or '':>5}"
    right = sum(one.fate == "right" for one in baseline)
    late, false = sum(one.is_late for one in baseline), sum(len(one.false) for one in baseline)
    return f"{cells} | {right if bitten else '':>5} {late or '':>5} {false or '':>6}"


def _print_totals(scores, thresholds) -> None:
    days = sum(one.days for one in scores)
    print(f"\n{len({one.seed for one in scores})} gardens, {len(scores)} runs, {days:.0f} garden-days; periods: p90")
    for name, group in (("engine", scores), ("fixed thresholds", thresholds)):
        fates = Counter(one.fate for one in group)
        runs = sum(fates[fate] for fate in ("right", "named", "other", "missed"))
        found = runs - fates["missed"]
        false = Counter(text.split("/")[0] for one in group for text in one.false)
        beside = Counter(text.split("/")[0] for one in group if one.fate == "right" for text in one.wrong)
        missed, doubled, off = (sum(getattr(one, field) for one in group) for field in ("missed", "doubled", "off"))
        print(f"{name}: {runs} faults, found {found}, right cause {fates['right']}, the right one named beside another"
              f" {fates['named']}, another {fates['other']}, missed {fates['missed']},"
              f" late {sum(one.is_late for one in group)}")  # fmt: skip
        print(
            f"    false alarms {sum(false.values())}, {sum(false.values()) / days:.3f} a garden-day {dict(false) or ''}"
        )
        print(f"    beside the right one {dict(beside) or 0}, raised again {sum(one.again for one in group)}")
        print(
            f"    cycles {sum(one.cycles for one in group)}: missed {missed}, doubled {doubled}, told off by 5 s {off}"
        )
    _print_aims(scores)
    _print_charge(scores)


def _print_aims(scores) -> None:
    fates = Counter(one.fate for one in scores)
    found = fates["right"] + fates["named"] + fates["other"]
    false = sum(len(one.false) for one in scores)
    cycles = sum(one.missed + one.doubled for one in scores)
    for aim, is_met in (
        ("every fault found", not fates["missed"]),
        (f"the right cause {100 * AIMED_AT:.0f} times in a hundred", fates["right"] >= AIMED_AT * found),
        ("none late", not any(one.is_late for one in scores)),
        ("no false alarm", not false),
        ("no cycle wrong", not cycles),
    ):
        print(f"aimed at: {aim}: {'met' if is_met else 'NOT MET'}")


def _print_charge(scores) -> None:
    for basis in ("", "loaded", "charging", "rested"):
        soc = [entry for one in scores for entry in one.soc if basis in ("", entry.basis)]
        if soc:
            rms = 100 * math.sqrt(statistics.fmean(entry.error**2 for entry in soc))
            bias, width = (100 * statistics.fmean(getattr(entry, name) for entry in soc) for name in ("error", "width"))
            covered = 100 * statistics.fmean(entry.covered for entry in soc)
            print(f"state of charge {basis or 'in all':9} rms {rms:4.1f} points, bias {bias:+.1f}, truth inside "
                  f"{covered:.0f} %, width {width:.0f} points ({len(soc)} judgements)")  # fmt: skip


def print_details(scores) -> None:
    """Each run that was not perfect."""
    for one in scores:
        notes = [f"cycles missed {one.missed} doubled {one.doubled} off {one.off}"] * bool(
            one.missed + one.doubled + one.off
        )
        if one.is_late:
            notes.append(f"late: {one.delay_s / 60:.0f} minutes, {one.target_s / 60:.0f} aimed at")
        notes += [f"FALSE {text}" for text in one.false] + [f"OTHER {text}" for text in one.wrong]
        if notes or one.fate in ("named", "other", "missed"):
            print(f"seed {one.seed} {one.kind} ({one.when}): {one.fate}", *notes, sep="\n    ")
