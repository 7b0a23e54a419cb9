"""Takes notices out of the durable outbox to people's phones.

A notice is written in the transaction of the event that caused it. Here it is planned (rounds.py: whom to ask, again,
or next) and sent, a thread for each channel, so that one that hangs holds up no other. A sending is marked after the
channel took it: a crash in between sends it again, under the same notice id, and never loses it. What waits for a
channel goes out as one message, in order: a channel that was dead for a day gets one, not forty.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

from .. import Failure
from ..store import Store
from . import courier, rounds
from .people import People, Way
from .wording import Letter, letter

BACKOFF_S = (30, 60, 120, 300, 600, 900)
GIVE_UP_S = 3 * 86_400
LOOK_AGAIN_S = 10
HOUR_S = 3600.0
MOST_AN_HOUR = 6  # messages to one channel; what is beyond waits, and goes together
MOST_URGENT_AN_HOUR = 12  # so many, where something urgent is among them that was not told yet

log = logging.getLogger("barreltide.notify")

Sender = Callable[[Way, Letter, threading.Event], str | None]  # None: taken; else why not, in one line without secrets


class NotifyError(Failure):
    """`[notify]` or a `[[person]]` is wrong; the text is one line without secrets."""


class Gone(str):
    """Why a channel will never take anything again: its phone is forgotten."""


def check(people: People) -> None:
    """Raises NotifyError for the first URL that no channel understands. Takes a second: for the service's start."""
    urls = [way for way in people.ways if way.kind == "url"]
    wrong = courier.check([way.address for way in urls], [_place(way) for way in urls])
    if wrong:
        raise NotifyError(wrong[0] + (f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""))


def _place(way: Way) -> str:
    words = way.channel.split()
    return f"[notify] urls, number {words[0]}" if way.person is None else f"person {words[0]}, urls number {words[1]}"


def url_sender(timeout_s: float = courier.SEND_TIMEOUT_S) -> Sender:
    def send(way: Way, message: Letter, stop: threading.Event) -> str | None:
        return courier.send(
            way.address, message.title, message.body, message.kind, key=message.key, timeout_s=timeout_s, stop=stop
        )

    return send


def next_try_s(tries: int, now_s: float, created_s: float) -> float | None:
    """When to try again after `tries` failures; None when the notice is days old and has been tried enough."""
    if now_s - created_s >= GIVE_UP_S:
        return None
    return now_s + BACKOFF_S[min(max(tries, 1), len(BACKOFF_S)) - 1]


def due(sending: dict[str, Any], now_s: float) -> bool:
    """Whether its hour has come. A next try beyond the longest wait was set before the clock was put back: due too."""
    return sending["tries"] == 0 or not now_s < sending["next_try_s"] <= now_s + BACKOFF_S[-1]


def _wakes(sending: dict[str, Any]) -> bool:
    """Whether it goes out to one who sleeps. Who has answered an alarm can sleep on until its end is told, and so can
    who knows of it already."""
    return sending["change"] == "word" or (sending["priority"] == "urgent" and sending["answered_s"] is None)


class Notifier:
    """Drains the store's outbox. garden: the site's name; now: the host's clock, Unix seconds; senders: by the kind of
    way; link: (alarm, subject, raised_s, person) to what the message ends with, for who may answer by a tap."""

    def __init__(
        self, people: People, store: Store, garden: str = "", now: Callable[[], float] = time.time,
        senders: Mapping[str, Sender] | None = None, link: Callable[[str, str, float, str], str] | None = None,
    ) -> None:  # fmt: skip
        self.people = people
        self._store, self._garden, self._now, self._link = store, garden, now, link
        self._senders = {"url": url_sender(), **(senders or {})}
        self._stop = threading.Event()
        self._look = threading.Event()
        self._outbox = threading.RLock()  # what is planned and what is taken up are decided one after the other
        self._flying: set[tuple[str, str]] = set()
        self._pause_s: dict[str, float] = {}
        self._wakes: dict[str, threading.Event] = {}
        self._threads: list[threading.Thread] = []
        self._ways: dict[str, Way] = {}
        self._states: dict[str, dict[str, Any]] = {}
        self.chores: list[Callable[[], None]] = []  # looked after before each planning
        self._know_ways()

    def start(self) -> None:
        self._threads.append(threading.Thread(target=self._go_round, name="notify", daemon=True))
        self._threads[0].start()

    def wake(self) -> None:
        """A notice or an answer was committed, or a phone has come: look now."""
        self._look.set()

    def stop(self) -> None:
        """End within a few seconds; what was not sent stays in the outbox."""
        self._stop.set()
        for wake in (self._look, *list(self._wakes.values())):
            wake.set()
        for thread in self._threads:
            thread.join(courier.STOP_GRACE_S + 1)

    def health(self) -> list[dict[str, Any]]:
        """Each channel's last success and, while it fails, since when and why (times in Unix seconds)."""
        return [dict(self._states[channel]) for channel in list(self._ways)]

    # Planning.

    def _go_round(self) -> None:
        told: dict[Callable[[], None], str] = {}
        while not self._stop.is_set():
            self._look.clear()
            for job in (*self.chores, self.plan):  # each by itself: a chore that fails must keep no alarm back
                try:
                    job()
                    told.pop(job, None)
                except Exception as error:  # the outbox must outlive a full disk or a locked store
                    told[job] = self._complain(error, told.get(job, ""))
            for channel in set(self._ways) - set(self._wakes):
                self._wakes[channel] = threading.Event()
                thread = threading.Thread(target=self._drain, args=(channel,), name=f"notify {channel}", daemon=True)
                self._threads.append(thread)
                thread.start()
            self._look.wait(LOOK_AGAIN_S)
        self._store.close()

    def plan(self) -> None:
        """Decide about every notice that is new or open, and wake the channels that got something to do."""
        self._know_ways()
        ways, woken = list(self._ways.values()), False
        with self._outbox:
            for notice in self._store.notices_to_plan():
                about = notice["number"], notice["alarm"], notice["subject"]
                now_s, story = self._now(), rounds.story_of(notice)
                before = [] if notice["change"] == "raised" else self._store.told_before(*about)
                if story is not None:
                    before = self._store.story(about[0], story[0], about[2], now_s - story[1])
                stands = self._store.stands(rounds.MATTERS) if notice["alarm"] in rounds.SILENT else frozenset()
                newest = self._store.is_newest(*about)
                step = rounds.plan(notice, before, newest, self.people, ways, now_s, frozenset(self._flying), stands)
                if not step.is_idle(notice["stage"]):
                    self._store.carry_out(notice["id"], *step[:4], now_s, step.known)
                    woken = True
        if woken:
            for wake in list(self._wakes.values()):
                wake.set()

    def _know_ways(self) -> None:
        ways = self.people.with_phones(self._store.phones())
        for way in ways:
            self._states.setdefault(
                way.channel, {"channel": way.channel, "last_sent_s": None, "failing_since_s": None, "error": None}
            )
        self._ways = {way.channel: way for way in ways}

    # Sending.

    def _drain(self, channel: str) -> None:
        told = ""
        while not self._stop.is_set() and channel in self._ways:
            self._wakes[channel].clear()
            try:
                again = self.send_next(channel)
                told = ""
            except Exception as error:
                told = self._complain(error, told)
                again = False
            if not again:
                self._wakes[channel].wait(LOOK_AGAIN_S)
        self._wakes.pop(channel, None)
        self._store.close()

    def send_next(self, channel: str) -> bool:
        """Send all that waits for this channel in one message, if it is time; False when there was nothing."""
        with self._outbox:
            way, rows = self._ways[channel], self._taken_up(channel)
            flying = {(row["notice"], row["channel"]) for row in rows}
            self._flying |= flying
        if not rows:
            return False
        try:
            message = self._message(way, rows)
            try:
                error = self._senders[way.kind](way, message, self._stop)
            except Exception as choked:  # a sender's own bug must still become a reason, and be tried again later
                error = f"{type(choked).__name__} in sending"
                log.exception("channel %s failed", channel)
            if error is not None and self._stop.is_set():
                return False  # cut short by us: no failure of the channel's
            self._mark(way, rows, error)
        finally:
            with self._outbox:
                self._flying -= flying
        return True

    def _taken_up(self, channel: str) -> list[dict[str, Any]]:
        now_s, way = self._now(), self._ways[channel]
        if 0 < self._pause_s.get(channel, 0.0) - now_s <= BACKOFF_S[0]:
            return []
        names = [channel] + [name for name in self._store.waiting_channels() if self._heir(name) == channel]
        awake = self.people.is_awake(way.person, now_s)
        rows = [row for row in self._store.waiting(names) if awake or _wakes(row)]
        alarms = [row for row in rows if row["change"] != "word"]  # a word is whole only by itself
        rows = alarms if any(due(row, now_s) for row in alarms) else [row for row in rows if row["change"] == "word"]
        if not any(due(row, now_s) for row in rows):
            return []
        news = any(row["priority"] == "urgent" and row["change"] == "raised" and not row["told"] for row in rows)
        sent = self._store.messages_since(channel, now_s - HOUR_S)
        return rows if sent < (MOST_URGENT_AN_HOUR if news else MOST_AN_HOUR) else []

    def _heir(self, channel: str) -> str | None:
        """Who sends what waits for a channel that has since been taken out of the site file: late beats never."""
        if channel in self._ways or not self._ways:
            return None
        person = channel.partition(" ")[0]
        return next((way.channel for way in self._ways.values() if way.person == person), next(iter(self._ways)))

    def _message(self, way: Way, rows: list[dict[str, Any]]) -> Letter:
        once = list({row["notice"]: row for row in rows}.values())
        message = letter(once, self._garden, self.people.zone)
        head = next(row for row in reversed(once) if f"{row['alarm']}-{row['subject']}" == message.key)
        if self._link is None or way.person is None or head["change"] != "raised":
            return message
        link = self._link(head["alarm"], head["subject"], head["created_s"], way.person)
        last = {(row["alarm"], row["subject"]): row["change"] for row in once}
        if list(last.values()).count("raised") > 1:
            link = f"The link answers the first of these alarms only; the page answers each.\n{link}"
        return letter(once, self._garden, self.people.zone, link)

    def _mark(self, way: Way, rows: list[dict[str, Any]], error: str | None) -> None:
        state, now_s = self._states[way.channel], self._now()
        names = ", ".join(dict.fromkeys(row["notice"] for row in rows))
        sendings = [(row["notice"], row["channel"]) for row in rows]
        if error is None:
            state.update(last_sent_s=now_s, failing_since_s=None, error=None)
            self._pause_s.pop(way.channel, None)
            self._insist(lambda: self._store.mark_sent(sendings, now_s))
            return
        gone = isinstance(error, Gone)
        tries = 1 + max(row["tries"] for row in rows)
        again = [None if gone else next_try_s(tries, now_s, row["created_s"]) for row in rows]
        then = "given up" if None in again else f"again in {again[0] - now_s:.0f} s"
        log.warning("notice %s was not taken by channel %s: %s; %s", names, way.channel, error, then)
        state.update(failing_since_s=state["failing_since_s"] or now_s, error=str(error))
        self._pause_s[way.channel] = now_s + BACKOFF_S[0]
        marks = [(*sending, next_s) for sending, next_s in zip(sendings, again, strict=True)]
        self._insist(lambda: self._store.mark_failed(marks, error))
        if gone and way.phone is not None:
            log.info("channel %s is removed: %s", way.channel, error)
            self._insist(lambda: self._store.remove_phone(way.phone))
            self._know_ways()

    def _insist(self, mark: Callable[[], None]) -> None:
        """Mark until it is marked: on a full disk the same notice would otherwise go out again every few seconds."""
        told = False
        while True:
            try:
                return mark()
            except Exception as error:
                if not told:
                    log.error("a sending cannot be marked (%s: %s); trying on", type(error).__name__, error)
                    told = True
                if self._stop.wait(LOOK_AGAIN_S):
                    return None

    def _complain(self, error: Exception, told: str) -> str:
        if (line := f"{type(error).__name__}: {error}") != told:
            log.error("notices wait: the outbox cannot be read or marked (%s)", line)
        return line
