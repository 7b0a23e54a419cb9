"""Puts together what carries notices from the store to people: the outbox's rounds, the modem for SMS, the keys for
Web Push, the daily word, and the heartbeat."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Any
from urllib.parse import urlsplit

from ..site import Site
from ..store import Store
from ..web.links import Links
from . import notify
from .daily_word import DailyWord
from .heartbeat import Heartbeat
from .people import People, Way
from .push import Push, PushError
from .wording import Letter

log = logging.getLogger("barreltide.delivery")


class Delivery:
    """All of it for one site. now: the host's clock, Unix seconds; trouble: lines about what is wrong with the rest of
    the service; judging: whether the engine's clock goes on."""

    def __init__(
        self, site: Site, store: Store, now: Callable[[], float] = time.time,
        trouble: Callable[[], list[str]] = list, judging: Callable[[], bool] = lambda: True,
    ) -> None:  # fmt: skip
        self._store, self._now = store, now
        self._stopping = threading.Event()
        self._trouble = trouble
        self.modem = modem_of(site)
        self.push = push_of(site)
        link = partial(_link, Links.of_store(site.store_path), site.web.address, now) if site.web.address else None
        self._site_name, self._sending = site.name, senders(self.modem, self.push)
        self.notifier = notify.Notifier(People.of_site(site), store, site.name, now, self._sending, link)
        self.wake, self.channels = self.notifier.wake, self.notifier.health
        self.notifier.chores.append(DailyWord(site, store, self._all_trouble, now).look)
        url, every_s = site.notify.heartbeat_url, site.notify.heartbeat_min * 60
        self.heartbeat = Heartbeat(url, every_s, judging) if url else None

    def check(self) -> None:
        """Raises NotifyError where the site file is wrong about a channel."""
        notify.check(self.notifier.people)

    def start(self) -> None:
        self.notifier.start()
        self._aside("push keys", self._prepare)
        if self.modem is not None:
            self._aside("modem", self.modem.watch, self._stopping, self._now)
        if self.heartbeat is not None:
            self._aside("heartbeat", self.heartbeat.watch, self._stopping)

    def _aside(self, name: str, run: Callable[..., None], *arguments: Any) -> None:
        threading.Thread(target=run, args=arguments, name=name, daemon=True).start()

    def stop(self) -> None:
        """End within a few seconds; what was not sent stays in the outbox."""
        self._stopping.set()
        self.notifier.stop()

    def _prepare(self) -> None:
        try:
            self.push.public_key()
        except PushError as error:
            log.warning("%s; other channels work without", error)

    def public_key(self) -> str:
        """What a browser needs to subscribe to Web Push. Raises PushError."""
        return self.push.public_key()

    def subscribe(self, payload: bytes) -> int:
        """Take a phone in that asks for Web Push; its number. Raises PushError."""
        phone = self.push.subscribe(payload, self._store, self._now())
        self.wake()
        return phone

    def known(self) -> list[dict[str, Any]]:
        """The phones that take Web Push, without their secrets: phone (its number), person (None: everybody's),
        since_s, service (the host of its push service), and last_sent_s."""
        rows = {row["id"]: row for row in self._store.phones()}
        ways = {way.phone: way for way in self.notifier.people.with_phones(rows.values())}
        return [
            {
                "phone": number, "person": row["person"], "since_s": row["created_s"],
                "service": urlsplit(row["subscription"]["endpoint"]).hostname,
                "last_sent_s": self._store.last_sent_s(ways[number].channel) if number in ways else None,
            }
            for number, row in rows.items()
        ]  # fmt: skip

    def forget(self, phone: int) -> None:
        """Send to this phone no more: it is lost, or somebody else's now. Raises PushError."""
        if not self._store.remove_phone(phone):
            numbers = [str(row["id"]) for row in self._store.phones()]
            would = f"{' or '.join(numbers)} would do" if numbers else "there is none"
            raise PushError(404, f"phone: found {phone}; {would}")
        log.info("phone %d is removed by hand", phone)
        self.wake()

    def test(self) -> list[dict[str, Any]]:
        """Send a test through every channel, and wait for each: channel, and error, None where it was taken."""
        ways = self.notifier.people.with_phones(self._store.phones())
        tried = try_each(ways, self._sending, self._site_name, self._stopping)
        return [{"channel": way.channel, "error": error} for way, error, _ in tried]

    def health(self) -> dict[str, Any]:
        """The state of each channel and, where there is one, of the modem."""
        return {"notify": self.channels(), "modem": self.modem.health() if self.modem else None}

    def problems(self) -> list[str]:
        """One line for each thing that is wrong."""
        found = [f"no SMS can be sent: {self.modem.health()['problem']}"] if self._modem_is_ill() else []
        return found + [
            f"notices do not get through channel {row['channel']}: {row['error']}"
            for row in self.channels() if row["error"]
        ]  # fmt: skip

    def _all_trouble(self) -> list[str]:
        return self._trouble() + self.problems()

    def _modem_is_ill(self) -> bool:
        return self.modem is not None and self.modem.health()["problem"] is not None


def _link(
    links: Links, address: str, now: Callable[[], float], alarm: str, subject: str, raised_s: float, who: str
) -> str:
    return f"Answer: {links.answer_link(address, alarm, subject, raised_s, now(), who)}"


def modem_of(site: Site) -> Any:
    """The modem of [sms]; None where there is none."""
    if site.sms is None:
        return None
    from . import sms  # who has no modem needs no serial port

    return sms.Modem(site.sms.device, sms.pin_of(site.beside(site.sms.pin_file) if site.sms.pin_file else None))


def push_of(site: Site) -> Push:
    return Push(site.store_path, [person.name for person in site.persons], site.notify.contact)


def senders(modem: Any, push: Push) -> dict[str, notify.Sender]:
    """What hands a message over, by the kind of way."""
    found = {"url": notify.url_sender(), "push": push.send}
    return found | ({"sms": modem.send} if modem is not None else {})


def try_each(
    ways: Iterable[Way], sending: dict[str, notify.Sender], garden: str, stop: threading.Event
) -> Iterator[tuple[Way, str | None, float]]:
    """Send a test through each way in turn: the way, why it was not taken or None, and how long that took, seconds."""
    letter = Letter(
        f"{garden}: A test of this channel.",
        "If you can read this, notices reach you here. Nothing is wrong.\nNotice of a test",
        "note", "info", "test", ("test",),
    )  # fmt: skip
    for way in ways:
        began_s = time.monotonic()
        error = sending[way.kind](way, letter, stop)
        yield way, error, time.monotonic() - began_s
