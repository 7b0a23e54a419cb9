"""The command that pins a note to a moment: what was done at a bed, so that before and after can be compared."""

from __future__ import annotations

import datetime
import time
from argparse import Namespace
from zoneinfo import ZoneInfo

from ..site import Site
from . import alarms as texts
from .client import Client, ClientError, who


def run(site: Site, options: Namespace) -> int:
    """Tell the running service, and print what it took. Raises ClientError."""
    zone = ZoneInfo(site.time_zone)
    word = {"input": "noted", "text": options.text, "bed": options.bed, "who": who(options.who)}
    if options.at is not None:
        word["time_s"] = moment(options.at, zone, time.time())
    taken = Client.of_site(site).tell(word)
    print(f"{texts.moment(taken['time_s'], zone)}  {taken['bed'] or site.name}: {taken['text']}", flush=True)
    return 0


def moment(at: str, zone: ZoneInfo, now_s: float) -> float:
    """Unix seconds of an hour like 14:30 (the last such), of ISO 8601 with or without a zone (the garden's), or of Unix
    seconds. Raises ClientError."""
    try:
        return float(at)
    except ValueError:
        pass
    now = datetime.datetime.fromtimestamp(now_s, zone)
    try:
        hour = datetime.time.fromisoformat(at)
        found = datetime.datetime.combine(now, hour, zone)
        found -= datetime.timedelta(days=found > now)
    except ValueError:
        try:
            found = datetime.datetime.fromisoformat(at)
        except ValueError:
            raise ClientError(f"--at: found {at!r}; 14:30 or 2026-07-01T14:30 would do") from None
    return (found if found.tzinfo else found.replace(tzinfo=zone)).timestamp()
