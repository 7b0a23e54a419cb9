"""`barreltide notify --test`: a test message through every channel, and each one's answer in one line."""

from __future__ import annotations

import threading
from argparse import Namespace
from collections.abc import Callable

from ..site import Site
from ..store import Store
from .delivery import modem_of, push_of, senders, try_each
from .people import People, Way

CHANNEL_CHARACTERS = 24


def run(site: Site, options: Namespace) -> int:
    """Send it and print; 0 if every channel took it, and there was one. Raises StoreError."""
    return 0 if send_all(site, lambda line: print(line, flush=True)) else 1


def send_all(site: Site, say: Callable[[str], None]) -> bool:
    """Whether every channel took it, and there was one. Raises StoreError."""
    ways = _ways(site)
    if not ways:
        say("There is no channel: [notify] urls, or a [[person]] with urls or sms, would do.")
    well = True
    for way, error, took_s in try_each(ways, senders(modem_of(site), push_of(site)), site.name, threading.Event()):
        answer = f"not taken: {error}" if error is not None else f"taken ({took_s:.1f} s)"
        say(f"{way.channel:<{CHANNEL_CHARACTERS}}{answer}")
        well = well and error is None
    return well and bool(ways)


def _ways(site: Site) -> list[Way]:
    people = People.of_site(site)
    if not site.store_path.exists():
        return people.ways
    store = Store(site.store_path)
    try:
        return people.with_phones(store.phones())
    finally:
        store.close()
