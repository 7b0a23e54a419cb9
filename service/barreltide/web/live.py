"""What the pages see of the service that runs: the engine's picture, its own health, and its store; and the stream that
pushes the picture to whoever has a page open.

Theory of the stream. Each event is the whole picture, so one that is lost is made up for by the next, and a browser
that comes back needs nothing of what it missed: what it sends as Last-Event-ID is of no use and does no harm. A slow
listener holds up nobody: it is shown the newest picture once it has taken the last one. A stream ends by itself after a
while, and the browser opens it anew: so whoever is no longer signed in does not listen for ever.
"""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import AsyncIterator, Callable, Iterator
from typing import Any, NamedTuple, Protocol

from .. import __version__
from ..core.reading import Said
from ..site import Site
from ..store import Store

MOST_LISTENERS = 24  # below what the server takes as connections, so that the pages themselves stay within reach
PAUSE_S = 1.0
LONGEST_S = 300.0  # then the browser asks anew, and who may not look any more is let go of


class Live(Protocol):
    """What the running service shows: the engine's picture and its own health, each a dict replaced whole; and
    `tell`, which hands it what the grower says and raises PackError or grower.NotNow. A listener is called in any
    thread when the picture has changed."""

    def picture(self) -> dict: ...

    def health(self) -> dict: ...

    def subscribe(self, listener: Callable[[], None]) -> None: ...

    def unsubscribe(self, listener: Callable[[], None]) -> None: ...

    def tell(self, payload: bytes) -> Said: ...

    phones: Phones


class Phones(Protocol):
    """What takes phones in that ask for Web Push, knows them, and forgets one; sends a test through every
    channel. Those that take a phone in or forget it, and the key, raise PushError."""

    def public_key(self) -> str: ...

    def subscribe(self, payload: bytes) -> int: ...

    def known(self) -> list[dict[str, Any]]: ...

    def forget(self, phone: int) -> None: ...

    def test(self) -> list[dict[str, Any]]: ...


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


def moment(served: Served) -> dict[str, Any]:
    """The engine's picture (shapes.Now), with whatever is not known yet."""
    blank: dict[str, Any] = {"time": None, "beds": {}, "pumps": {}, "battery": None, "water": None, "stations": {}}
    blank |= {"standing": [], "returned": [], "shelved": []}
    return {"now_s": served.now(), **blank, **served.live.picture()}


class TooMany(Exception):
    """Nobody else can listen just now."""


class Listeners:
    """The streams that are open. `close` may be called from any thread; all else belongs to the server's loop."""

    def __init__(self, served: Served) -> None:
        self._served = served
        self._wakes: list[Callable[[], None]] = []
        self._ending = asyncio.Event()
        self._is_closed = False

    @contextlib.contextmanager
    def seat(self) -> Iterator[asyncio.Event]:
        """An event that is set when there is something to show. Raises TooMany."""
        if self._is_closed or len(self._wakes) >= MOST_LISTENERS:
            raise TooMany
        loop, changed = asyncio.get_running_loop(), asyncio.Event()

        def wake() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
                loop.call_soon_threadsafe(self._wake, changed)

        self._wakes.append(wake)
        self._served.live.subscribe(wake)
        try:
            yield changed
        finally:
            self._served.live.unsubscribe(wake)
            self._wakes.remove(wake)

    async def pictures(self, changed: asyncio.Event) -> AsyncIterator[dict[str, Any]]:
        """The picture now and at each change, one a second at most, until the server stops or LONGEST_S are over."""
        clock = asyncio.get_running_loop().time
        end_s = clock() + LONGEST_S
        while not self._ending.is_set() and clock() < end_s:
            changed.clear()
            yield moment(self._served)
            await _wait(self._ending, PAUSE_S)
            await _wait(changed, end_s - clock())

    def close(self) -> None:
        """End every stream at once, and open none any more."""
        self._is_closed = True
        for wake in list(self._wakes):
            wake()

    def _wake(self, changed: asyncio.Event) -> None:
        changed.set()
        if self._is_closed:
            self._ending.set()


async def _wait(event: asyncio.Event, longest_s: float) -> None:
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(event.wait(), longest_s)
