"""`barreltide phones`: which phones take Web Push, and how a lost one is forgotten; through the running service."""

from __future__ import annotations

import json
from argparse import Namespace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..site import Site
from .client import Client

ROW = "{:>5}  {:<20}  {:<16}  {:<16}  {}"


def run(site: Site, options: Namespace) -> int:
    """The command. Raises ClientError."""
    client = Client.of_site(site)
    if options.forget is None:
        phones = client.get("api/push/phones")["phones"]
    else:
        phones = client.ask("DELETE", f"api/push/phones/{options.forget}", {})["phones"]
    if options.json:
        print(json.dumps({"phones": phones}, ensure_ascii=False))
        return 0
    if options.forget is not None:
        print(f"Phone {options.forget} gets nothing any more.")
    for line in report(phones, ZoneInfo(site.time_zone)):
        print(line)
    return 0


def report(phones: list[dict[str, Any]], zone: ZoneInfo) -> list[str]:
    """A line for each phone."""
    if not phones:
        return ["No phone takes Web Push. One does once somebody has allowed it on the page, on that phone."]

    def at(time_s: float | None) -> str:
        return "never" if time_s is None else f"{datetime.fromtimestamp(time_s, zone):%Y-%m-%d %H:%M}"

    lines = [ROW.format("phone", "whose", "since", "last notice", "push service")]
    return lines + [
        ROW.format(row["phone"], row["person"] or "everybody's", at(row["since_s"]), at(row["last_sent_s"]),
                   row["service"])
        for row in phones
    ]  # fmt: skip
