"""The station's firmware on this computer, with the invented garden in the place of its pins.

What samples, packs, keeps and sends is the firmware itself: sampler, backlog and MQTT client, unchanged. Only what a
board brings is put in its place here: pins, converters and the clock (`Probe`), and the two functions that MicroPython
adds to asyncio. The sampler lives in the garden's time, the backlog and the MQTT client in this computer's, since the
broker does. The garden's clock waits while too many packs have no receipt yet: haste must not look like an outage.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
import types
from collections import deque
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

from ..board.firmware import folder as firmware_folder
from .garden import Garden

POLL_MS = 100
DIVIDER = 7.667  # 100 kOhm over 15 kOhm
METER_NOISE_V = 0.004
MOST_ON_THE_WAY = 3  # packs: about two minutes of the garden's time
PATIENCE_S = 5.0  # of this computer's time without a receipt, before packs are sent again
BOOT = 73


def _load_firmware() -> tuple[types.ModuleType, types.ModuleType]:
    """The firmware's `link` and `station`, imported from its own folder under the names they have on a board."""
    folder = str(firmware_folder())
    sys.path.insert(0, folder)
    try:
        import link
        import station.backlog
        import station.clock
        import station.sampler
        import station.settings
    finally:
        sys.path.remove(folder)
    link.asyncio = types.ModuleType("asyncio")
    vars(link.asyncio).update(vars(asyncio))
    link.asyncio.sleep_ms = lambda ms: asyncio.sleep(ms / 1000)
    link.asyncio.wait_for_ms = lambda waiting, ms: asyncio.wait_for(waiting, ms / 1000)
    sys.modules.setdefault("ntptime", types.SimpleNamespace(host="", settime=lambda: None))
    return link, station


class Probe:
    """Pins and converters that show a garden (firmware/station/sampler.py tells what a probe has)."""

    def __init__(self, garden: Garden, rng: Random) -> None:
        self._garden, self._rng = garden, rng
        self._edges: deque[tuple[float, str, bool]] = deque()
        self._wet = {f"{bed.name}/{mark}": switch.wet for bed in garden.beds for mark, switch in bed.floats.items()}

    def look_ahead(self, until_s: float) -> None:
        """Let the garden run on to `until_s`; what its floats did on the way is shown as `pass_by` comes to it."""
        self._garden.advance(until_s)
        self._edges.extend((at_s, f"{owner}/{mark}", wet) for at_s, owner, mark, wet in sorted(self._garden.edges))
        self._garden.edges.clear()

    def pass_by(self, now_s: float) -> None:
        while self._edges and self._edges[0][0] <= now_s:
            _, name, wet = self._edges.popleft()
            self._wet[name] = wet

    def float_level(self, name: str) -> int:
        return 0 if self._wet[name] else 1

    def battery_v(self) -> float:
        return (self._garden.battery.volts + self._rng.gauss(0.0, METER_NOISE_V)) / DIVIDER

    def start_conversion(self) -> None:
        pass

    def temperature(self, name: str) -> tuple[float, None]:
        return round(self._garden.water_c * 16) / 16, None

    def health(self) -> dict[str, float]:
        return {"station/signal": -91}


class Board:
    """A running station. `now_s` is the garden's time, which moves only in `advance`.

    folder: for its flash; port: of the broker on loopback; say: takes what the firmware would print on USB.
    """

    def __init__(self, garden: Garden, site: str, port: int, folder: Path, rng: Random, say: Callable[[str], None]):
        link, station = _load_firmware()
        link.print = say
        config = {
            "site": site,
            "station": "barrels",
            "broker": {"host": "127.0.0.1", "port": port},
            "battery": {"adc": "internal", "pin": 34, "scale": DIVIDER},
            "beds": {bed.name: {"high": {"pin": 25 + at, "wet": 0}} for at, bed in enumerate(garden.beds)},
            "water": {"pin": 4},
            "publish_s": 60,
            "poll_ms": POLL_MS,
        }
        settings, _ = station.settings.read(json.dumps(config))
        self.now_s = garden.now_s
        self._ms = 0
        clock = station.clock.Clock(lambda: self._ms)
        clock.set_epoch(int(garden.now_s * 1000))
        wall = station.clock.Clock(lambda: int(time.monotonic() * 1000))
        self._probe = Probe(garden, rng)
        self._sampler = station.sampler.Sampler(settings, clock, BOOT, self._probe)
        self._backlog = station.backlog.Backlog(str(folder), BOOT, wall, settings.base_name)
        self.link: Any = link.Link(settings, self._backlog, wall, BOOT, lambda: None, str(folder) + "/")

    async def advance(self, span_s: float, stopping: asyncio.Event, stuck: Callable[[], None]) -> None:
        """Let the garden's time run on, then wait until most of what was sampled has its receipt, unless told to stop.

        stuck: called every few seconds (of this computer's) while none comes.
        """
        self._probe.look_ahead(self.now_s + span_s)
        for _ in range(round(span_s * 1000 / POLL_MS)):
            self._ms += POLL_MS
            self.now_s += POLL_MS / 1000
            self._probe.pass_by(self.now_s)
            for pack in self._sampler.poll(self._backlog.away()):
                self._backlog.add(pack)
            self._backlog.keep(self.link.connected)
        if not self._backlog.waiting():
            return
        self.link.wake.set()
        await asyncio.sleep(0)
        again_s = time.monotonic() + PATIENCE_S
        while self._backlog.waiting() > MOST_ON_THE_WAY and not stopping.is_set():
            await asyncio.sleep(0.001)
            if time.monotonic() > again_s:
                again_s += PATIENCE_S
                stuck()
                self._backlog.reconnected()
                self.link.wake.set()
