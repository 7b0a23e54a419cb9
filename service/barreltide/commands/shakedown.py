"""`barreltide shakedown`: starts one through the running service, tells how it stands, and writes its report.

What it tells is judged anew from the store each time (core/shakedown.py), whether or not the service runs: so a
report of last week's shakedown can be had today. """

from __future__ import annotations

import json
import re
import time
from argparse import Namespace
from datetime import datetime
from pathlib import Path
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from ..core.shakedown import LEAD_S, LEAST_H, MOST_H, Report, Shakedown
from ..core.shakedown_beds import Check
from ..site import Site
from ..store import Store
from ..sun import Sun
from ..web.pages import tide, trials
from ..web.pages.words import Taste
from ..web.render import render
from .client import Client, ClientError, who

STANDING_S = 30 * 86_400.0  # an alarm that was raised earlier than this and still stands is not looked for
JUDGED_S = 60.0
WINDOW_S = 2 * 3600.0  # of readings and events at a time: the store gives no more than so many rows at once
KINDS = ("cycle", "rest", "battery")
SIGNS = {"good": "+", "bad": "-", "open": "?"}

Answer = dict[str, Any]

_judged: dict[Path, tuple[tuple[float, float, int], Report]] = {}  # by store: an open page asks at every cycle


def run(site: Site, options: Namespace) -> int:
    """The command. Raises ClientError or StoreError."""
    if options.what == "start":
        return _start(site, options)
    if options.what == "status":
        try:
            answer = Client.of_site(site).get("api/shakedown")
        except ClientError:
            answer = found(site, Store.existing(site.store_path), time.time())
        for line in [json.dumps(answer, ensure_ascii=False)] if options.json else answer["words"]:
            print(line)
        return 0
    return _report(site, options)


def _start(site: Site, options: Namespace) -> int:
    if not LEAST_H <= options.hours <= MOST_H:
        raise ClientError(f"--hours: found {options.hours:g}; {LEAST_H:g} to {MOST_H:g} would do")
    taken = Client.of_site(site).tell({"input": "shakedown", "for_s": 3600 * options.hours, "who": who(options.who)})
    if options.json:
        print(json.dumps(taken, ensure_ascii=False))
        return 0
    until = moment(taken["until_s"], ZoneInfo(site.time_zone))
    print(f"The shakedown runs until {until}. Leave the rig alone meanwhile, and look at it often all the same.")
    print(
        "To switch the pump off, say so before: `barreltide maintenance`. How it stands: `barreltide shakedown status`."
    )
    return 0


def _report(site: Site, options: Namespace) -> int:
    store = Store.existing(site.store_path)
    report = latest(site, store, time.time())
    if report is None:
        raise ClientError("no shakedown has been started yet; `barreltide shakedown start` starts one")
    if options.json:
        print(json.dumps(as_json(site, report, whole=True), ensure_ascii=False))
        return 0
    path = Path(options.out)
    try:
        path.write_text(document(site, report, Taste(ZoneInfo(site.time_zone))), encoding="utf-8")
    except OSError as error:
        raise ClientError(f"{path}: cannot be written: {error.strerror}") from None
    print(f"{path}: open it in a browser, and print it from there.")
    return 0


def latest(site: Site, store: Store, now_s: float) -> Report | None:
    """The newest shakedown, judged from the store, once a minute at most; None where none was ever started."""
    begun = store.events("shakedown", limit=1)
    if not begun:
        return None
    start_s, until_s = begun[0]["time"], begun[0]["until"]
    key = start_s, until_s, int(now_s // JUDGED_S)
    if _judged.get(store.path, (None,))[0] == key:
        return _judged[store.path][1]
    shakedown = Shakedown(site, Sun(site.latitude, site.longitude, site.time_zone), start_s, until_s)
    end_s = min(now_s, until_s)
    for line in store.events("alarm", start_s=start_s - STANDING_S, end_s=now_s, newest_first=False):
        shakedown.hear(line)
    at_s = start_s - LEAD_S
    series = [(row["station"], row["name"]) for row in store.series() if not row["name"].startswith("station/")]
    while at_s < end_s:
        to_s = min(at_s + WINDOW_S, end_s)
        for kind in KINDS:
            for line in store.events(kind, start_s=at_s, end_s=to_s - 1e-3, newest_first=False):
                shakedown.hear(line)
        for station, name in series:
            for row in store.readings(station, name, at_s, to_s - 1e-3):
                shakedown.read(name, row["time_s"], row["value"])
        at_s = to_s
    report = shakedown.report(now_s)
    _judged[store.path] = key, report
    return report


def document(site: Site, report: Report, taste: Taste) -> str:
    """The report as one file of HTML that needs nothing beside it."""
    sun = Sun(site.latitude, site.longitude, site.time_zone)
    nights = tide.nights_between(report.start_s, report.until_s, sun.dawn_dusk, sun.local_date)
    return render("report.html", **trials.sheet(site, report, nights, taste))


def found(site: Site, store: Store, now_s: float) -> Answer:
    """How the newest shakedown stands, as plain values; `words`: the same in sentences."""
    report = latest(site, store, now_s)
    if report is None:
        return {"shakedown": None, "words": ["No shakedown has been started yet: `barreltide shakedown start`."]}
    return {"shakedown": as_json(site, report), "words": words(site, report)}


def as_json(site: Site, report: Report, whole: bool = False) -> Answer:
    """whole: what the charts are drawn from, too. Times are Unix seconds; in evidence they stand as local time."""
    zone = ZoneInfo(site.time_zone)
    line: Answer = {
        "site": site.name, "start_s": report.start_s, "until_s": report.until_s, "judged_s": report.judged_s,
        "is_over": report.is_over,
        "stages": [stage._asdict() for stage in report.stages],
        "checks": [check._asdict() | {"evidence": evidence(check, zone)} for check in report.checks],
        "days": [day._asdict() for day in report.days],
        "stops": [stop._asdict() for stop in report.stops],
        "beds": {name: {"cycles": len(bed.cycles), "period_s": _median_s(bed), "work_s": bed.work_s}
                 for name, bed in report.beds.items()},
    }  # fmt: skip
    if whole:
        line["bins"] = [list(row) for row in report.bins]
        line["charge"] = [list(row) for row in report.charge]
        line["cycles"] = [cycle for bed in report.beds.values() for cycle in bed.cycles]
    return line


def words(site: Site, report: Report) -> list[str]:
    """The report in lines of text."""
    zone = ZoneInfo(site.time_zone)
    lines = [f"Shakedown of {site.name}, {moment(report.start_s, zone)} to {moment(report.until_s, zone)}"]
    lines += [f"{verdict(stage)}" for stage in report.stages]
    for check in report.checks:
        lines.append(f"  {SIGNS[check.state]} {check.words}")
        if check.state != "good":
            lines += [f"      {line}" for line in evidence(check, zone)]
            lines += [f"      To try: {check.advice}"] if check.advice else []
    return lines


def verdict(stage) -> str:
    """ "Ready for media." and so on, in one line."""
    if stage.verdict == "ready":
        return f"Ready for {stage.stage}."
    if stage.verdict == "so far":
        return f"Ready for {stage.stage}: not known yet, and nothing is wrong so far."
    return f"Ready for {stage.stage}: not yet, because {because(stage)}"


def because(stage) -> str:
    """The reasons as one sentence."""
    reasons = [reason[:1].lower() + reason[1:].rstrip(".") for reason in stage.because]
    return "; ".join(reasons) + "."


def evidence(check: Check, zone: ZoneInfo) -> list[str]:
    """Its lines, with each moment in the garden's time."""
    return [re.sub(r"\{(\d+)\}", lambda found: moment(float(found[1]), zone), line) for line in check.evidence]


def moment(time_s: float, zone: ZoneInfo) -> str:
    """ "Thu 21 May 05:07"."""
    local = datetime.fromtimestamp(time_s, zone)
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def _median_s(bed) -> float | None:
    return round(median(cycle["period_s"] for cycle in bed.whole), 1) if bed.whole else None

