"""What the pages see of the service that runs: the engine's picture, its own health, and its store."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import NamedTuple, Protocol

from .. import __version__
from ..core.reading import Said
from ..site import Site
from ..store import Store


class Live(Protocol):
    """What the running service shows: the engine's picture and its own health, each a dict replaced whole; and
    `tell`, which hands it what the grower says and raises PackError or grower.NotNow."""

    def picture(self) -> dict: ...

    def health(self) -> dict: ...

    def tell(self, payload: bytes) -> Said: ...

    phones: Phones


class Phones(Protocol):
    """What takes phones in that ask for Web Push; both raise PushError."""

    def public_key(self) -> str: ...

    def subscribe(self, payload: bytes) -> int: ...


class Served(NamedTuple):
    """What every route answers from. now: the host's clock, Unix seconds."""

    site: Site
    store: Store
    live: Live
    now: Callable[[], float]


def health(served: Served) -> dict:
    """How the service is (shapes.Health)."""
    live, now_s = served.live, served.now()
    picture, shown = live.picture(), live.health()
    problems = list(shown.get("problems") or [])
    try:
        counts = served.store.counts()
    except sqlite3.Error as error:
        counts = {}
        problems.append(f"the store cannot be read: {error}")
    heard = [s["last_heard"] for s in (picture.get("stations") or {}).values() if s.get("last_heard") is not None]
    return {
        "last_reading_age_s": round(max(0.0, now_s - max(heard)), 1) if heard else None,
        "time_s": now_s,
        "version": __version__,
        "packs_stored": counts.get("packs", 0),
        "refused": counts.get("refused", 0),
        "standing_alarms": len(picture.get("standing") or []),
        **shown,
        "problems": problems,
    }
