"""Takes notices out of the durable outbox to the grower's phone.

A notice and its sendings (one for each channel) are written in the transaction of the event that caused them; here
they are only drained. A sending is marked after the channel took it, so a crash in between sends it again, under the
same notice id, and never loses it. Each channel has a thread of its own: one that hangs holds up no other.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

from . import courier
from .core.event import AlarmChanged
from .store import Store

BACKOFF_S = (30, 60, 120, 300, 600, 900)
GIVE_UP_S = 24 * 3600
LOOK_AGAIN_S = 10
TITLE_CHARACTERS = 120
LINE_CHARACTERS = 600
FAR_FUTURE_S = 2.0**53
MOST_WAITING = 10_000

log = logging.getLogger("barreltide.notify")

_CALLS = {"urgent": "Go now", "soon": "Today", "note": "Next visit"}
_ORDER = {"urgent": 0, "soon": 1, "note": 2}
_KINDS = {"urgent": "failure", "soon": "warning", "note": "info"}


class NotifyError(Exception):
    """`[notify]` is wrong; the text is one line without secrets."""


def check(urls: list[str]) -> None:
    """Raises NotifyError for the first URL that no channel understands. Takes a second: for the service's start."""
    wrong = courier.check(urls)
    if wrong:
        raise NotifyError(wrong[0] + (f" (and {len(wrong) - 1} more)" if len(wrong) > 1 else ""))


def channels(urls: list[str]) -> dict[str, str]:
    """The channels of `[notify] urls` by the name that the store and the pages may show: {"1 mailto": url}."""
    return {f"{number} {courier.label(url)}": url for number, url in enumerate(urls, 1)}


def compose(
    event: AlarmChanged, garden: str, time_zone: str, consequence: str = "", action: str = ""
) -> tuple[str, str]:
    """Title and body of the notice of an alarm, for a phone read in the dark.

    The title says how soon to go and what happened: the first sentence of the message. The body gives the rest, then
    what it means, what to do, and since when, in the garden's own time. garden: the site's name; consequence, action:
    the alarm's own, whether the message holds them already or not.
    """
    message = event.message.replace(consequence, "").replace(action, "").strip()
    what, _, rest = message.partition(". ")
    call = "" if event.change == "cleared" else f"{_CALLS.get(event.priority, event.priority)}. "
    title = _cut(f"{garden}: {call}{what.rstrip('.')}.", TITLE_CHARACTERS)
    lines = [message if title.endswith("…") else rest.strip()]
    if event.change != "cleared":
        lines += [consequence, action and f"What to do: {action}"]
    since, told = (datetime.fromtimestamp(t, ZoneInfo(time_zone)) for t in (event.since, event.time))
    lines.append(f"Since {since:%a %H:%M}, told {told:%a %H:%M}.")
    return title, "\n".join(_cut(line, LINE_CHARACTERS) for line in lines if line)


def _cut(text: str, characters: int) -> str:
    return text if len(text) <= characters else text[: characters - 1] + "…"


def next_try_s(tries: int, now_s: float, created_s: float) -> float | None:
    """When to try again after `tries` failures; None when the notice is a day old and has been tried enough."""
    if now_s - created_s >= GIVE_UP_S:
        return None
    return now_s + BACKOFF_S[min(max(tries, 1), len(BACKOFF_S)) - 1]


def due(sending: dict, now_s: float) -> bool:
    """Whether its hour has come. A next try beyond the longest wait was set before the clock was put back: due too."""
    return sending["tries"] == 0 or not now_s < sending["next_try_s"] <= now_s + BACKOFF_S[-1]


class Notifier:
    """Drains the store's outbox, a thread for each channel of `urls`; now: the host's clock, Unix seconds."""

    def __init__(
        self, urls: list[str], store: Store, now: Callable[[], float] = time.time,
        timeout_s: float = courier.SEND_TIMEOUT_S,
    ) -> None:  # fmt: skip
        self._urls = channels(urls)
        self._timeout_s = timeout_s
        self._store = store
        self._now = now
        self._stop = threading.Event()
        self._wakes = {channel: threading.Event() for channel in self._urls}
        self._threads: list[threading.Thread] = []
        self._states: dict[str, dict] = {
            channel: {"channel": channel, "last_sent_s": None, "failing_since_s": None, "error": None}
            for channel in self._urls
        }

    def start(self) -> None:
        for channel in self._urls:
            thread = threading.Thread(target=self._drain, args=(channel,), name=f"notify {channel}", daemon=True)
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """A notice was committed: look now."""
        for wake in self._wakes.values():
            wake.set()

    def stop(self) -> None:
        """End within a few seconds; what was not sent stays in the outbox."""
        self._stop.set()
        self.wake()
        for thread in self._threads:
            thread.join(courier.STOP_GRACE_S + 1)

    def health(self) -> list[dict]:
        """Each channel's last success and, while it fails, since when and why (times in Unix seconds)."""
        return [dict(state) for state in self._states.values()]

    def _drain(self, channel: str) -> None:
        told = ""
        while not self._stop.is_set():
            self._wakes[channel].clear()
            try:
                again = self._send_next(channel)
                told = ""
            except Exception as error:  # the outbox must outlive a full disk or a locked store
                if (line := f"{type(error).__name__}: {error}") != told:
                    log.error("notices wait: the outbox cannot be read or marked (%s)", line)
                    told = line
                again = False
            if not again:
                self._wakes[channel].wait(LOOK_AGAIN_S)
        self._store.close()

    def _send_next(self, channel: str) -> bool:
        """Send this channel's most pressing sending that is due; False when there was none."""
        waiting = [s for s in self._store.waiting_sendings(FAR_FUTURE_S, MOST_WAITING) if self._mine(s, channel)]
        if not waiting:
            return False
        sending = min(waiting, key=lambda s: (_ORDER.get(s["priority"], 3), s["created_s"]))
        error = courier.send(
            self._urls[channel],
            sending["title"],
            f"{sending['body']}\nNotice {sending['notice']}",
            _KINDS.get(sending["priority"], "info"),
            timeout_s=self._timeout_s,
            stop=self._stop,
        )
        if error is not None and self._stop.is_set():
            return False  # cut short by us: no failure of the channel's
        self._mark(sending, channel, error)
        return True

    def _mine(self, sending: dict, channel: str) -> bool:
        # What was meant for a channel since taken out of the site file goes by the first one left: late beats never.
        first = channel == next(iter(self._urls))
        meant = sending["channel"] == channel or (first and sending["channel"] not in self._urls)
        return meant and due(sending, self._now())

    def _mark(self, sending: dict, channel: str, error: str | None) -> None:
        state, now_s, notice = self._states[channel], self._now(), sending["notice"]
        if error is None:
            state.update(last_sent_s=now_s, failing_since_s=None, error=None)
            self._insist(lambda: self._store.mark_sent(notice, sending["channel"], now_s))
            return
        again_s = next_try_s(sending["tries"] + 1, now_s, sending["created_s"])
        then = "given up" if again_s is None else f"again in {again_s - now_s:.0f} s"
        log.warning("notice %s was not taken by channel %s: %s; %s", notice, channel, error, then)
        state.update(failing_since_s=state["failing_since_s"] or now_s, error=error)
        self._insist(lambda: self._store.mark_failed(notice, sending["channel"], again_s, error))

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
