"""The commands about recordings: what the engine finds in one, and the store as one."""

from __future__ import annotations

import datetime
import json
import sys
from argparse import Namespace
from typing import Any
from zoneinfo import ZoneInfo

from .. import Failure, recording
from ..core.alarm_table import TABLE
from ..core.event import ASIDE, BESIDE, as_line
from ..pack import Topics
from ..site import Site


def replay(site: Site, options: Namespace) -> int:
    """Print what the engine finds. Raises RecordingError, after what was found before it."""
    zone = ZoneInfo(site.time_zone)
    found = recording.replay(options.recording, site, options.until,
                             lambda line: print(f"barreltide: {line}", file=sys.stderr))  # fmt: skip
    try:
        for event in found:
            line = as_line(event)
            if options.json and event.kind in ASIDE and not options.explain:
                continue
            if options.json:
                left_out = BESIDE if not options.explain else () if line.get("evidence") else ("evidence",)
                shown = {name: value for name, value in line.items() if name not in left_out}
                print(json.dumps(shown, ensure_ascii=False))
                continue
            evidence = line.pop("evidence", [])
            print(_in_words(line, zone))
            if options.explain:
                print("".join(_explained(cause) for cause in evidence), end="")
    finally:
        sys.stdout.flush()
    return 0


def export(site: Site, options: Namespace) -> int:
    """Print or write what the store holds. Raises Failure."""
    from ..store import Store  # whoever only replays needs no database

    store, topics = Store.existing(site.store_path), Topics.of_site(site)
    if options.out is None:
        recording.export(store, topics, sys.stdout, options.all)
        sys.stdout.flush()
        return 0
    try:
        with open(options.out, "w", encoding="utf-8") as out:
            recording.export(store, topics, out, options.all)
    except OSError as error:
        raise Failure(f"{options.out}: cannot be written: {error.strerror}") from None
    return 0


def _in_words(line: dict[str, Any], zone: ZoneInfo) -> str:
    when, kind = _moment(line.pop("time"), zone), line.pop("event")
    if kind == "alarm":
        since = _moment(line["since"], zone)
        about = f"{line['change']} {line['alarm']} {line['subject']} ({line['priority']}), since {since}"
        return f"{when}  {kind:<8}{about}: {line['message']}"
    if kind == "answer":
        from .alarms import in_words

        return f"{when}  {kind:<8}{line['change']} {line['alarm']} {line['subject']}{in_words(line, zone)}"
    if kind == "siphon":
        return f"{when}  {kind:<8}{line['change']} {line['sign']} {line['bed']}: {line['message']}"
    rest = "  ".join(f"{name}={value}" for name, value in line.items() if value is not None)
    return f"{when}  {kind:<8}{rest}"


def _moment(time_s: float, zone: datetime.tzinfo) -> str:
    return f"{datetime.datetime.fromtimestamp(time_s, zone):%Y-%m-%d %H:%M:%S %Z}"


def _explained(cause: dict[str, Any]) -> str:
    """One cause of an alarm's evidence, as lines of text."""
    about = TABLE[cause["alarm"]].about.format(cause["subject"])
    lines = [f"{'':10}{100 * cause['share']:4.0f} %  {about}"]
    for name, told in (("for", cause["speaks_for"]), ("against", cause["speaks_against"])):
        lines += [f"{'':18}{name + ':':8} {words}" for words in told]
    return "".join(f"{line}\n" for line in lines)
