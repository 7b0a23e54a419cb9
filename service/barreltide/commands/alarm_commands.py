"""The commands about alarms: each says its word through the running service, and prints what became of it."""

from __future__ import annotations

import json
import time
from argparse import Namespace
from typing import Any
from zoneinfo import ZoneInfo

from .. import journal
from ..core.alarm import LONGEST_SHELF_S
from ..core.alarm_table import TABLE
from ..site import Site
from ..store import MOST_ROWS, Store
from . import alarms as texts
from .client import Client, ClientError, who


def alarms(site: Site, options: Namespace) -> int:
    if options.statistics:
        return _statistics(site, options)
    answer = Client.of_site(site).get("api/alarms", limit=MOST_ROWS if options.all else 1)
    rows = answer["journal"][::-1] if options.all else answer["standing"] + answer["returned"] + answer["shelved"]
    if options.json:
        _print(json.dumps(row, ensure_ascii=False) for row in rows)
    elif options.all:
        _print(texts.journal(rows, ZoneInfo(site.time_zone)))
    else:
        _print(texts.report(answer, ZoneInfo(site.time_zone), time.time()))
    return 0


def _statistics(site: Site, options: Namespace) -> int:
    store, now_s = Store.existing(site.store_path), time.time()
    since_s = max(now_s - 86_400 * options.days, min(store.first_received_s() or now_s, now_s))
    lines = journal.merged(*(store.events(kind)[::-1] for kind in ("alarm", "answer")))
    found = journal.measures(lines, since_s, now_s)
    _print([json.dumps(found)] if options.json else texts.statistics(found, ZoneInfo(site.time_zone)))
    return 0


def acknowledge(site: Site, options: Namespace) -> int:
    if options.all is (options.alarm is not None) or options.all is (options.subject is not None):
        raise ClientError("acknowledge: ALARM and SUBJECT, or --all, would do; `barreltide alarms` shows what waits")
    if not options.all:
        return _answer(site, options, "acknowledged")
    waiting = texts.unanswered(Client.of_site(site).get("api/alarms", limit=1))
    if not waiting:
        _print(["Nothing waits for an answer."])
    for options.alarm, options.subject in waiting:
        _answer(site, options, "acknowledged")
    return 0


def shelve(site: Site, options: Namespace) -> int:
    if options.alarm in TABLE:  # else the service says which there are
        longest_h = LONGEST_SHELF_S[TABLE[options.alarm].priority] / 3600
        if not 0 < options.hours <= longest_h:
            raise ClientError(f"--hours: found {options.hours:g}; more than 0, at most {longest_h:g}, would do")
    return _answer(site, options, "shelved", for_s=3600 * options.hours, reason=options.reason)


def put_aside(site: Site, options: Namespace) -> int:
    return _answer(site, options, "out-of-service", reason=options.reason)


def unshelve(site: Site, options: Namespace) -> int:
    return _answer(site, options, "unshelved")


def maintenance(site: Site, options: Namespace) -> int:
    names = [pump.name for pump in site.pumps]
    pump = options.pump if options.pump is not None or len(names) > 1 else names[0]
    if pump not in names:
        raise ClientError(f"--pump: found {pump or 'none'}; {' or '.join(names)} would do")
    if not 1 <= options.minutes <= 24 * 60:
        raise ClientError(f"--minutes: found {options.minutes:g}; 1 to 1440 would do")
    taken = Client.of_site(site).tell({"input": "pump-rested", "pump": pump, "for_s": 60 * options.minutes})
    until = texts.moment(taken["until_s"], ZoneInfo(site.time_zone))
    _print([
        f"Until {until} nothing is raised about the pump '{pump}' and its beds.",
        "It ends by itself when water rises again; if none has by then, you are told at once.",
    ])  # fmt: skip
    return 0


def _answer(site: Site, options: Namespace, what: str, **more: Any) -> int:
    word = {"input": what, "alarm": options.alarm, "subject": options.subject, "who": who(options.who), **more}
    taken = Client.of_site(site).tell(word)
    until = f" until {texts.moment(taken['until_s'], ZoneInfo(site.time_zone))}" if taken["until_s"] else ""
    _print([f"{options.alarm} {options.subject}: {what.replace('-', ' ')}{until}"])
    return 0


def _print(lines: Any) -> None:
    for line in lines:
        print(line)
    print(end="", flush=True)
