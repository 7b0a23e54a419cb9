"""The command that pins a note to a moment: what was done at a bed, so that before and after can be compared."""

from __future__ import annotations

import datetime
import time
from zoneinfo import ZoneInfo

from ..site import Site
from . import alarms as texts
from .client import Client, ClientError, who


def pin(site: Site, text: str, bed: str | None, at: str | None, named: str | None) -> str:
    """Tell the running service; returns the line to print. at: see `moment`. Raises ClientError."""
    zone = ZoneInfo(site.time_zone)
    word = {"input": "noted", "text": text, "bed": bed, "who": who(named)}
    taken = Client.of_site(site).tell(word if at is None else word | {"time_s": moment(at, zone, time.time())})
    return f"{texts.moment(taken['time_s'], zone)}  {taken['bed'] or site.name}: {taken['text']}"


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
