"""The service: the threads of one site, their start and their end. What is judged is the writer's (writer.py)."""

from __future__ import annotations

import logging
import math
import signal
import threading
import time
from argparse import Namespace
from collections.abc import Callable
from typing import Any

from . import __version__, grower
from .broker import EmbeddedBroker
from .core.reading import Said
from .mqtt import Intake
from .notices.delivery import Delivery
from .pack import Topics
from .site import Site
from .store import Store, Work
from .systemd import Systemd
from .wire import Intakes, Wire
from .writer import Writer

log = logging.getLogger("barreltide.service")

STOP_S = 5.0
SHOW_EVERY_S = 0.5
JUDGING_S = 120.0  # a clock that stands for longer judges nothing


def run(site: Site, options: Namespace) -> int:
    """Serve the site until SIGTERM or SIGINT. Raises a Failure as `Service.start` does."""
    return Service(site).run()


class Live:
    """What the pages may see of the running service. Each dict is replaced whole, never changed."""

    def __init__(
        self, health: Callable[[], dict[str, Any]], tell: Callable[[bytes], Said], phones: Any = None
    ) -> None:
        self._picture: dict[str, Any] = {}
        self._listeners: tuple[Callable[[], None], ...] = ()
        self.health, self.tell, self.phones = health, tell, phones

    def picture(self) -> dict[str, Any]:
        """The engine's picture as of the last commit; empty until the engine is ready."""
        return self._picture

    def subscribe(self, listener: Callable[[], None]) -> None:
        """Call `listener`, which must be quick, after each change of the picture, in the writer's thread."""
        self._listeners = (*self._listeners, listener)

    def unsubscribe(self, listener: Callable[[], None]) -> None:
        self._listeners = tuple(other for other in self._listeners if other != listener)

    def show(self, picture: dict[str, Any]) -> None:
        self._picture = picture
        for listener in self._listeners:
            try:
                listener()
            except Exception:
                log.exception("a listener of the pages failed")


class Service:
    """The whole service for one site. broker_port: of the embedded broker, 0 for a free one; now: Unix seconds.

    `start` raises StoreError, BrokerError, MqttError, WebError or NotifyError, each of one line.
    """

    def __init__(self, site: Site, broker_port: int = 1883, now: Callable[[], float] = time.time) -> None:
        self.site = site
        self._now = now
        self._stopping = threading.Event()
        self.store = Store(site.store_path)
        self.topics = Topics.of_site(site)
        self.broker = EmbeddedBroker(broker_port) if site.embedded_broker else None
        self.intake: Intakes | None = None
        self.writer: Writer | None = None
        self.web: Any = None
        self.delivery = Delivery(site, self.store, now, self._trouble, self._is_judging)
        self.live = Live(self._health, self.tell, self.delivery)
        self._systemd = Systemd()
        self._thread: threading.Thread | None = None
        self._shown = 0.0

    def start(self) -> None:
        """Returns once the pages are served and the broker listens; the engine is made ready in the writer's thread."""
        from .web import app  # FastAPI takes half a second and a third of the memory: who only replays needs neither

        try:
            self.delivery.check()
            self.web = app.serve(self.site, self.site.store_path, self.live, self._now)
            if self.broker is not None:
                self.broker.start()
            intake = Intake(self.site, self.topics, self.broker.port if self.broker else None)
            self.intake = Intakes(intake, {
                station.name: Wire(station.name, station.usb, self.topics, intake.put, self._now)
                for station in self.site.stations if station.usb is not None and not self.site.broker.follow
            })  # fmt: skip
            self.writer = Writer(self.site, self.topics, self.store, self.intake, self._after_commit, self._now,
                                 self._beat)  # fmt: skip
            self.web.start()
            self.delivery.start()
            self._thread = threading.Thread(target=self._write, name="writer")
            self._thread.start()
        except BaseException:
            self.stop()
            raise

    def run(self) -> int:
        """Serve until SIGTERM or SIGINT; for the main thread. Returns the exit status."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: self._stopping.set())
        self.start()
        log.info("serving site %s: pages at %s, store %s", self.site.name, self.web.address, self.site.store_path)
        try:
            self.wait()
        finally:
            self.stop()
        return 0 if self.writer is not None and self.writer.failure is None else 1

    def wait(self, seconds: float = math.inf) -> None:
        """Watch over the embedded broker until the service is to stop, or so long; in the thread that started it."""
        give_up = time.monotonic() + seconds
        while time.monotonic() < give_up and not self._stopping.wait(min(1.0, seconds)):
            if self.broker is not None and self.broker.revive():
                log.warning("the embedded broker had died; started it again")

    def stop(self) -> None:
        """End within a few seconds; what is committed stays, what is not was never acknowledged."""
        self._stopping.set()
        self._systemd.stopping()
        if self._thread is not None:
            self._thread.join(STOP_S)
        if self.intake is not None:
            self.intake.stop()
        self.delivery.stop()
        if self.web is not None:
            self.web.stop()
        if self.broker is not None:
            self.broker.stop()
        self.store.close()

    def tell(self, payload: bytes) -> Said:
        """Let the writer take in what the grower says; returns once it is committed. Raises PackError or NotNow."""
        if self.intake is None or self.writer is None or not self.writer.ready:
            raise grower.NotNow("the service is still starting; try again in a minute")
        return grower.say(self.intake.messages, payload)

    def _write(self) -> None:
        try:
            self.writer.run(self._stopping)
        except Exception as error:
            self.writer.failure = f"the writer failed: {type(error).__name__}: {error}"
            log.exception("the writer failed; the service ends")
            self._stopping.set()
        finally:
            self.store.close()

    def _after_commit(self, work: Work) -> None:
        if work.notices or work.answers:
            self.delivery.wake()
        # Who answers looks at once what became of it.
        is_told = any(arrival.kind == "grower" for arrival in work.arrivals)
        if work.notices or is_told or time.monotonic() - self._shown >= SHOW_EVERY_S:
            self._shown = time.monotonic()
            self.live.show(self.writer.monitor.picture())

    def _beat(self) -> None:
        self._systemd.beat(self.writer.ready)

    def _trouble(self) -> list[str]:
        """What is wrong with store, engine or broker, a line each."""
        if self.writer is None or self.intake is None:
            return []
        return [*filter(None, (self.writer.failure, self.writer.problem)), *self.intake.problems]

    def _is_judging(self) -> bool:
        writer = self.writer
        return writer is not None and writer.ready and self._now() - writer.clock_s < JUDGING_S

    def _health(self) -> dict[str, Any]:
        writer, intake, now_s = self.writer, self.intake, self._now()
        if writer is None or intake is None:
            return {"status": "starting", "problems": [], "last_reading_age_s": None}
        problems = self._trouble() + self.delivery.problems()
        heard = writer.last_reading_s
        return {
            "status": "starting" if not writer.ready else "degraded" if problems else "ok",
            "problems": problems,
            "last_reading_age_s": None if heard is None else round(max(0.0, now_s - heard), 3),
            "started_s": writer.started_s,
            "version": __version__,
            "broker": {"connected": intake.connected, "embedded": self.broker is not None},
            "store": {"problem": writer.problem},
            "engine": {"time_s": writer.clock_s},
            **self.delivery.health(),
        }
