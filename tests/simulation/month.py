"""A month of the demo's garden in a store, taken in by the real writer: what pages look like when they have lived.

The garden is the demo's own (an invented yard), with lower floats added; some days are dull, the host is away once, the
clock is put forward, and in the last night the pump stops for half an hour.
"""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from barreltide.demo import place
from barreltide.demo.garden import Float
from barreltide.mqtt import Message
from barreltide.pack import Topics
from barreltide.site import Site, load
from barreltide.store import Store, Work
from barreltide.web import app
from barreltide.writer import Writer

from .draw import draw_garden
from .fault import Stage
from .run import Run, _Simulation
from .station import Station

START_S = datetime(2026, 3, 12, 7, 0, tzinfo=ZoneInfo(place.TIME_ZONE)).timestamp()
DAY_S = 86_400.0
DULL = (8, 9, 20)
AWAY = (17.3, 17.6)
STOP_S = 1_900.0
BATCH = 50
LOW_M = 0.08


def run_of(days: float) -> Run:
    """The garden's days, as its station tells them. The pump stops 5 hours before their end."""
    plan = draw_garden(
        7, beds=2, pumps=1, start_s=START_S, place=(place.LATITUDE, place.LONGITUDE, place.TIME_ZONE), low_float=True,
        sump_float=True, clock=True, pump_current=False, panel_current=False, level=False,
    )  # fmt: skip
    garden, rng = place.build(7, START_S), Random("month")
    for bed in garden.beds:
        bed.floats["low"] = Float(LOW_M, 0.006)
    station = Station(plan, garden, rng)
    stage = Stage(plan, garden, station, rng, garden.pumps[0], garden.beds[0])
    simulation = _Simulation(stage, None, days, "night")
    simulation._draw_mishaps = lambda: station.outages.append(tuple(START_S + DAY_S * at for at in AWAY))
    garden.sky.covered += [(START_S + day * DAY_S, START_S + (day + 0.6) * DAY_S, 0.45) for day in DULL]
    stop_s = START_S + days * DAY_S - 5 * 3600

    def runs(is_so: bool) -> None:
        garden.pumps[0].running = is_so

    stage.later += [(stop_s, lambda: runs(False)), (stop_s + STOP_S, lambda: runs(True))]
    return simulation.go()


class Lived:
    """A served garden that is fed up to any moment: `picture` and `now` are of then."""

    def __init__(self, folder: Path, days: float) -> None:
        run = run_of(days)
        text = place.SITE.replace("\nmedia_void", f"\nlow_float_height_m = {LOW_M}\nmedia_void")
        (folder / "site.toml").write_text(f"{text}\n[web]\nport = 0\n")
        self.site: Site = load(folder / "site.toml")
        self.now_s, self.start_s, self.end_s = run.start_s, run.start_s, run.end_s
        self._lines: Iterator[dict[str, Any]] = run.lines()
        self._waiting: dict[str, Any] | None = next(self._lines)
        self._shown: dict[str, Any] = {}
        self.phones: Any = self
        self.messages: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self.problems: list[str] = []
        topics = Topics.of_site(self.site)
        self._writer = Writer(self.site, topics, Store(self.site.store_path), self, lambda _: None, lambda: self.now_s)
        self._writer._stopping = threading.Event()
        assert self._writer._wake_engine()
        self.server = app.serve(self.site, self.site.store_path, self, lambda: self.now_s)
        self.server.start()

    def feed(self, until_s: float) -> None:
        """Let the garden live up to that moment."""
        batch = []
        while self._waiting is not None and self._waiting["received"] <= until_s:
            batch.append(self._waiting)
            self._waiting = next(self._lines, None)
            if len(batch) == BATCH:
                self._take(batch)
                batch = []
        self._take(batch)
        self.now_s = max(self.now_s, until_s)
        self._take([])
        self._shown = self._writer.monitor.picture()

    def _take(self, lines: list[dict[str, Any]]) -> None:
        work, pending = Work(), set()
        for line in lines:
            self.now_s = line["received"]
            topic = line["topic"].replace("/garden/", f"/{self.site.name}/")
            line["payload"][0]["bn"] = f"{self.site.name}/barrels/"
            payload = json.dumps(line["payload"]).encode()
            self._writer._take(Message(topic, payload, len(payload), 1, 0, 0), work, pending)
        self._writer._tick(work)
        self._writer._commit(work)

    def picture(self) -> dict[str, Any]:
        return self._shown

    def health(self) -> dict[str, Any]:
        return {}

    def known(self) -> list[dict[str, Any]]:
        return []

    def subscribe(self, listener: Any) -> None: ...

    def unsubscribe(self, listener: Any) -> None: ...

    # In the place of the connection to the broker.

    def start(self) -> None: ...

    def tell_alarms(self, *_: Any) -> None: ...
