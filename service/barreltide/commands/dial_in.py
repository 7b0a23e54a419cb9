"""`barreltide dial-in`: each cycle as it comes, while the grower works on a siphon, and one trial beside the next.

Live it follows the running service; from a recording it tells the same at once. Notes that are pinned meanwhile
(`barreltide note`, or the page) cut the cycles into trials (core/trials.py).
"""

from __future__ import annotations

import json
import time
from argparse import Namespace
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..core import hydraulics, trials
from ..core.event import as_line
from ..core.trials import MEASURES, Trial, between, shown
from ..site import Bed, Site
from .client import Client, ClientError

POLL_S = 5.0
LONGEST_H = 24 * 14.0
MOST_CYCLES = 2_000
MOST_TRIALS = 12  # newest ones, told
L_PER_H = 3.6e6  # of a m³/s
START = (
    "If it will not start: open its branch for more flow; look for an air leak at the bell's rim and cap; give the"
    " standpipe a funnel that is less wide, or a narrower bore; let the outlet end in a bend or a cup, so that water"
    " closes the pipe."
)
BREAK = (
    "If it will not break: close its branch a little; a wider air tube, or its end a centimetre higher; a cup under the"
    " tube's end, so that it takes air at once; clear notches at the bell's rim."
)
CAUTION = (
    "Keep sleeves and cables out of the wet. Pull the pump's plug before you reach into the sump, and say so first:"
    " `barreltide maintenance`."
)

Line = dict[str, Any]


def run(site: Site, options: Namespace) -> int:
    """The command. Raises ClientError or RecordingError."""
    names = [bed.name for bed in site.beds]
    if options.bed is not None and options.bed not in names:
        raise ClientError(f"--bed: found {options.bed}; {' or '.join(names)} would do")
    if not 0 < options.hours <= LONGEST_H:
        raise ClientError(f"--hours: found {options.hours:g}; more than 0, at most {LONGEST_H:g}, would do")
    beds = [bed for bed in site.beds if options.bed in (bed.name, None)]
    if options.recording is not None:
        cycles, notes = _recorded(site, options.recording)
    else:
        client = Client.of_site(site)
        start_s = time.time() - 3600 * options.hours
        cycles, notes = _lines(client, start_s)
    answer = found(site, beds, cycles, notes)
    if options.json:
        print(json.dumps(answer, ensure_ascii=False))
        return 0
    _print(answer["words"])
    if options.recording is None and not options.once:
        _follow(site, beds, client, start_s, cycles, notes, time.sleep)
    return 0


def found(site: Site, beds: Iterable[Bed], cycles: list[Line], notes: list[Line]) -> Line:
    """The trials of each bed, its siphon's limits, and both in sentences. cycles, notes: as lines, in any order."""
    answer: Line = {"beds": {}, "words": []}
    zone = ZoneInfo(site.time_zone)
    for bed in beds:
        runs = trials.trials(cycles, notes, bed.name)
        seen = {key: summary.median for key, summary in runs[-1].summaries.items()}
        if runs[-1].cycles and "fill_s" in seen:
            seen["fill_s"] = trials.median_of("fill_s", runs[-1].cycles)
        limits = hydraulics.limits(bed, seen)
        words = _limits_in_words(bed, limits)
        answer["beds"][bed.name] = {
            "trials": [
                {"number": run.number, "since_s": run.since_s, "note": run.note, "cycles": len(run.cycles),
                 "measures": {key: summary._asdict() for key, summary in run.summaries.items()}}
                for run in runs[-MOST_TRIALS:]
            ],
            "verdict": trials.verdict(runs),
            "limits_m3_s": limits and limits._asdict(),
            "advice": words,
        }  # fmt: skip
        answer["words"] += [f"{bed.name}", *table(runs, zone), trials.verdict(runs), *words, ""]
    answer["words"] += [START, BREAK, CAUTION]
    return answer


def table(runs: list[Trial], zone: ZoneInfo) -> list[str]:
    """A row for each trial, a column for each measure that is known: the median, and its quartiles in brackets."""
    known = [m for m in MEASURES if any(m.key in run.summaries for run in runs)]
    heads = ["trial", "since", "cycles", *(m.name for m in known), "note"]
    rows = [heads]
    for run in runs[-MOST_TRIALS:]:
        row = [str(run.number), clock(run.since_s, zone) if run.since_s else "", str(len(run.cycles))]
        for m in known:
            s = run.summaries.get(m.key)
            row.append("–" if s is None else f"{shown(s.median, m.unit)} ({between(s, m.unit)})")
        rows.append([*row, run.note])
    widths = [max(len(row[at]) for row in rows) for at in range(len(heads) - 1)]
    return ["  ".join([*(cell.ljust(w) for cell, w in zip(row, widths)), row[-1]]).rstrip() for row in rows]


def cycle_in_words(cycle: Line, zone: ZoneInfo) -> str:
    """One cycle as it came."""
    parts = [f"{m.name} {shown(value, m.unit)}" for m in MEASURES if (value := cycle.get(m.key)) is not None]
    number = f"{clock(cycle['time'], zone)}  {cycle['bed']} #{cycle['number']}"
    return f"{number}  " + (", ".join(parts) or "after a gap in the data")


def clock(time_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_s, zone):%a %H:%M}"


def _limits_in_words(bed: Bed, limits: hydraulics.Limits | None) -> list[str]:
    if limits is None:
        return ["Give standpipe_bore_m of this bed in the site file, and its limits of flow are told here."]
    least = limits.least * L_PER_H
    if limits.most is None:
        return [f"Below {least:.0f} l/h its bore of {1000 * bed.standpipe_bore_m:.0f} mm only vents, and never starts."]
    low, high = limits.most_poor * L_PER_H, limits.most * L_PER_H
    words = [
        f"A bore of {1000 * bed.standpipe_bore_m:.0f} mm needs more than {least:.0f} l/h to start at all; from"
        f" {low:.0f} to {high:.0f} l/h on, as well or badly as it carries, it cannot break."
    ]
    if limits.inflow is not None:
        inflow = limits.inflow * L_PER_H
        how = {"floats": "by its floats", "level": "by its level", "period": "by its period"}[limits.how]
        words.append(f"It gets about {inflow:.0f} l/h, {how}{_place(inflow, least, low, high)}.")
        if limits.other is not None:
            words.append(
                f"Its period would fit {limits.other * L_PER_H:.0f} l/h as well, as a strong flow makes draining long:"
                " hold a bucket under the hose for a minute."
            )
    if limits.share is not None:
        words.append(f"By its own ratio it gets {100 * limits.share:.0f} % of what would keep it from breaking.")
    return words


def _place(inflow: float, least: float, low: float, high: float) -> str:
    if inflow < least:
        return ", which is too little: more flow, or a narrower bore"
    if inflow < 1.3 * least:
        return ", which is little: it may trickle when the battery is low"
    if inflow > high:
        return ", which is too much: less flow, or a wider bore"
    if inflow > 0.8 * low:
        return ", which is much: it may dribble on when the sun is strong"
    return ", well between"


def _recorded(site: Site, path: str) -> tuple[list[Line], list[Line]]:
    from ..recording import replay

    lines = [as_line(event) for event in replay(path, site) if event.kind in ("cycle", "note")]
    return [line for line in lines if line["event"] == "cycle"], [line for line in lines if line["event"] == "note"]


def _lines(client: Client, start_s: float) -> tuple[list[Line], list[Line]]:
    cycles = client.get("api/cycles", start_s=start_s, limit=MOST_CYCLES)["cycles"]
    return cycles, client.get("api/notes", start_s=start_s, limit=MOST_CYCLES)["notes"]


def _follow(
    site: Site, beds: list[Bed], client: Client, start_s: float, cycles: list[Line], notes: list[Line],
    sleep: Callable[[float], None],
) -> None:  # fmt: skip
    """Print what comes, until Ctrl-C; after a note and after each cycle of a new trial, what the comparison says."""
    zone, names = ZoneInfo(site.time_zone), {bed.name for bed in beds}
    seen = {(line["event"], line.get("bed"), line["time"]) for line in cycles + notes}
    _print(["Following; Ctrl-C ends it."])
    while True:
        sleep(POLL_S)
        try:
            cycles, notes = _lines(client, start_s)
        except ClientError as error:
            _print([f"{error}; trying on"])
            continue
        new = [line for line in cycles + notes if (line["event"], line.get("bed"), line["time"]) not in seen]
        seen |= {(line["event"], line.get("bed"), line["time"]) for line in new}
        for line in sorted(new, key=lambda line: line["time"]):
            if line["event"] == "note" and line["bed"] in (None, *names):
                _print([f"{clock(line['time'], zone)}  note: {line['text']}"])
            elif line["event"] == "cycle" and line["bed"] in names:
                runs = trials.trials(cycles, notes, line["bed"])
                told = [f"    {trials.verdict(runs)}"] if len(runs) > 1 else []
                _print([cycle_in_words(line, zone), *told])


def _print(lines: Iterable[str]) -> None:
    for line in lines:
        print(line)
    print(end="", flush=True)
