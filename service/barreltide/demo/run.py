"""The command `barreltide demo`: the whole chain on an invented garden, faster than life.

The garden's physics move the pins of the real firmware, which speaks MQTT to the embedded broker; the real service
stores, judges and serves its pages, all on the garden's clock, and sends its notice to a stand-in for a phone. A sunny
day, a night, and before dawn the pump stops. Nobody tells the service: it has to find out from floats and voltage.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import queue
import signal
import sys
import tempfile
import time
from argparse import Namespace
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from .. import site as site_file
from ..broker import BrokerError
from ..mqtt import MqttError
from ..notices.notify import NotifyError
from ..service import Service
from ..store import StoreError
from ..web.server import WebError
from . import place
from .board import Board
from .phone import Phone, drawn

SEED = 1
SPEED = 1200.0
ZONE = ZoneInfo(place.TIME_ZONE)
START = datetime(2026, 5, 20, 7, 0, tzinfo=ZONE)
FAILS = datetime(2026, 5, 21, 4, 30, tzinfo=ZONE)  # and up to half an hour later
STEP_S = 5.0
LIFE_STEP_S = 1.0
TELL_S = 3600.0
PATIENCE_S = 3 * 3600.0  # of the garden's time, for the alarm
NOTICE_S = 60.0  # of this computer's time, for the notice of it
READY_S = 30.0
PAGE_PORT = 8420


def run(options: Namespace) -> int:
    """The command."""
    return main(options.seed, options.speed)


def main(seed: int | None = None, speed: float | None = None) -> int:
    """Show it until SIGINT or SIGTERM. seed: another garden; speed: times faster than life, until the alarm.

    Returns the exit status: 0 when it was ended by a signal, 1 when no alarm came, 2 when it could not be started.
    """
    if speed is not None and not speed > 0:
        print(f"barreltide: --speed: found {speed:g}; more than 0 would do", file=sys.stderr)
        return 2
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # a terminal without our letters still shows the words
    logging.getLogger("barreltide").setLevel(logging.ERROR)  # the demo tells the rest in its own words
    try:
        with tempfile.TemporaryDirectory(prefix="barreltide-demo-") as folder:
            return asyncio.run(_Demo(SEED if seed is None else seed, speed or SPEED, Path(folder)).run())
    except (BrokerError, MqttError, NotifyError, StoreError, WebError) as error:
        print(f"barreltide: {error}", file=sys.stderr)
        return 2


class _Demo:
    def __init__(self, seed: int, speed: float, folder: Path) -> None:
        rng = Random(f"demo {seed}")
        self._speed, self._folder, self._seed = speed, folder, seed
        self._garden = place.build(seed, START.timestamp())
        self._garden.sky.covered.append((START.timestamp(), FAILS.timestamp(), 0.97))
        self._fails_s = FAILS.timestamp() + rng.uniform(0, 1800)
        self._board: Board | None = None
        self._rng = rng
        self._service: Service | None = None
        self._raised_s: float | None = None
        self._on_usb: list[str] = []
        self._stopping = asyncio.Event()

    @property
    def _now_s(self) -> float:
        return START.timestamp() if self._board is None else self._board.now_s

    async def run(self) -> int:
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, self._stopping.set)
        with self._chain() as phone:
            linking = asyncio.create_task(self._board.link.run())
            try:
                if not await self._until_ready():
                    return 2
                if not await self._until_alarm(phone):
                    return 0 if self._stopping.is_set() else 1
                await self._stay(phone)
                return 0
            finally:
                while not linking.done():  # before Python 3.12 a wait that has just ended swallows its cancellation
                    linking.cancel()
                    await asyncio.sleep(0.01)
                _say("\nStopping.")

    @contextlib.contextmanager
    def _chain(self) -> Iterator[Phone]:
        """Phone, broker, service and pages running; the board made, but not yet connected."""
        phone = Phone()
        service = None
        try:
            service = self._service = self._started(phone)
            service.live.subscribe(self._look_for_alarm)
            self._board = Board(
                self._garden, service.site.name, service.broker.port, self._folder / "flash", self._rng,
                self._on_usb.append,
            )  # fmt: skip
            self._introduce()
            yield phone
        finally:
            if service is not None:
                service.stop()
            phone.stop()

    def _started(self, phone: Phone) -> Service:
        """The service, with its pages at the usual port or, where another program has that, at any free one."""
        try:
            return self._serve(phone, PAGE_PORT)
        except WebError:
            return self._serve(phone, 0)

    def _serve(self, phone: Phone, port: int) -> Service:
        file = self._folder / "site.toml"
        edges = f'[web]\nport = {port}\n\n[notify]\nurls = ["{phone.url}"]\n'
        file.write_text(f"{place.SITE}\n{edges}", "utf-8")
        service = Service(site_file.load(file), broker_port=0, now=lambda: self._now_s)
        service.start()  # cleans up behind itself where it fails
        return service

    def _introduce(self) -> None:
        _say(f"An invented garden, quince-yard (seed {self._seed}): two beds, one pump, a battery, a panel, goldfish.")
        _say(f"Its status page, now and until you press Ctrl-C: {self._service.web.address}")
        _say(f"One second here is {self._speed / 60:.3g} minutes there. Times are the garden's.\n")

    def _look_for_alarm(self) -> None:
        """In the writer's thread: only notes since when the alarm stands."""
        standing = self._service.live.picture().get("standing", [])
        self._raised_s = next((row["raised"] for row in standing if row["alarm"] == "pump-stopped"), self._raised_s)

    async def _until_ready(self) -> bool:
        """Until broker, service and station are connected: what is sent before that is heard by nobody."""
        give_up_s = time.monotonic() + READY_S
        while not (self._board.link.connected and self._service.live.health()["status"] == "ok"):
            if self._stopping.is_set():
                return True
            if time.monotonic() > give_up_s:
                problems = "; ".join(self._service.live.health()["problems"]) or "the station does not connect"
                print(f"barreltide: the demo's parts did not find each other: {problems}", file=sys.stderr)
                return False
            await asyncio.sleep(0.05)
        self._tell_usb()
        return True

    async def _until_alarm(self, phone: Phone) -> bool:
        """Day and night at speed; True once the alarm stands."""
        began_s, first_s = time.monotonic(), self._now_s
        tell_s, failed = first_s + TELL_S, False
        while not self._stopping.is_set():
            await self._board.advance(STEP_S, self._stopping, self._revive)
            if not failed and self._now_s >= self._fails_s:
                failed, self._garden.pumps[0].running = True, False
                _say(f"{_clock(self._now_s)}  In the garden the pump's fuse blows. Nobody tells the service.")
            if self._now_s >= tell_s:
                tell_s += TELL_S
                _say(self._progress())
            self._tell_usb()
            self._draw_messages(phone)
            if self._raised_s is not None:
                _say(f"{_clock(self._raised_s)}  The service has raised its alarm. From here on at the pace of life.")
                return True
            if self._now_s > self._fails_s + PATIENCE_S:
                _say(f"{_clock(self._now_s)}  No alarm in {PATIENCE_S / 3600:g} hours: a mistake in Barreltide.")
                return False
            await self._pause(began_s + (self._now_s - first_s) / self._speed - time.monotonic())
        return False

    async def _stay(self, phone: Phone) -> None:
        """At the pace of life, until told to stop."""
        began_s, first_s = time.monotonic(), self._now_s
        told = False
        while not self._stopping.is_set():
            if not told and self._draw_messages(phone):
                told = True
                late = f"{(self._raised_s - self._fails_s) / 60:.0f} minutes after the fuse"
                _say(f"\nThat is the whole chain, from a float switch to a phone, {late}.")
                _say(f"The page goes on at {self._service.web.address} - Ctrl-C ends the demo.")
            elif not told and time.monotonic() - began_s > NOTICE_S:
                told = True
                errors = [row["error"] or "no answer yet" for row in self._service.delivery.channels()]
                _say(f"The notice has not reached the phone: {'; '.join(errors)}. Ctrl-C ends the demo.")
            self._tell_usb()
            self._draw_messages(phone)
            await self._board.advance(LIFE_STEP_S, self._stopping, self._revive)
            await self._pause(began_s + (self._now_s - first_s) - time.monotonic())

    def _tell_usb(self) -> None:
        """What the firmware has printed since the last time."""
        while self._on_usb:
            _say(f"       the station on USB: {self._on_usb.pop(0).removeprefix('barreltide: ')}")

    def _draw_messages(self, phone: Phone) -> int:
        drawn_now = 0
        with contextlib.suppress(queue.Empty):
            while True:
                message = phone.messages.get_nowait()
                _say(f"\n{drawn(message, _clock(self._now_s))}")
                drawn_now += 1
        return drawn_now

    def _progress(self) -> str:
        """One line of what the service believes, beside the light that only the garden knows."""
        picture = self._service.live.picture()
        light = self._garden.light
        sky = "night" if light == 0 else "sun" if light > 0.25 else "low sun"
        battery, water = picture.get("battery") or {}, picture.get("water") or {}
        parts = [f"{_clock(self._now_s)}  {sky:<7}"]
        if water.get("temperature_c") is not None:
            parts.append(f"water {water['temperature_c']:.1f} °C")
        if battery.get("state_of_charge") is not None:
            low, high = (100 * battery[key] for key in ("low", "high"))
            parts.append(f"battery {battery['voltage_v']:5.2f} V, {low:.0f} to {high:.0f} % charged")
        cycles = [f"{name} {bed['cycles']}" for name, bed in picture.get("beds", {}).items()]
        parts.append("cycles: " + ", ".join(cycles))
        return "   ".join(parts)

    def _revive(self) -> None:
        """The chain stands still: see that it is not for want of a broker."""
        self._service.wait(0.1)

    async def _pause(self, seconds: float) -> None:
        """Sleep, but not past the end."""
        if seconds > 0 and math.isfinite(seconds):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stopping.wait(), seconds)


def _clock(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, ZONE):%H:%M}"


def _say(text: str) -> None:
    print(text, flush=True)
