"""A post office for tests: the real outbox, rounds and notifier by a clock of our own, with senders that can fail.

No thread and no sleep: `pass_time` lets the clock go on and does what the notifier's threads would do, in one order.
"""

from __future__ import annotations

from pathlib import Path

from barreltide.notices import notify
from barreltide.notices.outbox import Answer, Notice
from barreltide.notices.people import People
from barreltide.site import Person
from barreltide.store import Store, Work

NOON_S = 1_790_078_400.0  # 2026-09-22 12:00 UTC
HOUR_S = 3600.0
ANNA = {"name": "anna", "urls": ["json://anna.example/"], "order": 1}
BEN = {"name": "ben", "urls": ["json://ben.example/", "mailto://ben.example/"], "order": 2}


class Post:
    """persons: as tables of the site file. `got`: (time, channel, letter) of all that was taken."""

    def __init__(self, path: Path, persons=(ANNA, BEN), urls=(), now_s: float = NOON_S, zone="UTC", **people) -> None:
        self.path, self.now_s = path, now_s
        self.people = People(urls, [Person(**person) for person in persons], zone, **people)
        self.got: list[tuple[float, str, notify.Letter]] = []
        self.dead: set[str] = set()
        self.tries = 0
        self.failing = lambda number: None
        self.begin()

    def begin(self) -> None:
        """A start of the service: nothing is known but what the store holds."""
        self.store = Store(self.path)
        self.store._db.execute("PRAGMA synchronous = OFF")  # the power stays on here, and the disk is slow
        senders = dict.fromkeys(("url", "sms", "push"), self._send)
        self.notifier = notify.Notifier(self.people, self.store, "yard", lambda: self.now_s, senders)

    def _send(self, way, letter, stop) -> str | None:
        self.tries += 1
        error = self.failing(self.tries)
        if error is None and way.channel in self.dead:
            return "no answer"
        if error != "not taken":
            self.got.append((self.now_s, way.channel, letter))
        return error

    def tell(
        self, change="raised", priority="urgent", subject="pump", alarm="pump-stopped", over="Back to normal: "
    ) -> str:
        """Commit one notice, as the writer does. over: how the engine says what cleared it."""
        name = f"{alarm}-{subject}-{self.now_s:.0f}{'-over' if change == 'cleared' else ''}"
        title = f"yard: {'Go now. ' if change == 'raised' else over}{alarm} {subject}."
        row = Notice(name, 1, self.now_s, alarm, subject, priority, title, "Look at it.", change)
        self.store.commit(Work(events=[], notices=[row], answers=[], ticked_s=None, arrivals=[]))
        return name

    def answer(self, alarm="pump-stopped", subject="pump") -> None:
        self.store.commit(Work(answers=[Answer(alarm, subject, self.now_s)]))

    def work(self) -> None:
        self.notifier.plan()
        for channel in list(self.notifier._ways):
            while channel in self.notifier._ways and self.notifier.send_next(channel):
                pass

    def pass_time(self, seconds: float = 0.0, step_s: float = 10.0) -> None:
        end_s = self.now_s + seconds
        self.work()
        while self.now_s < end_s:
            self.now_s = min(self.now_s + step_s, end_s)
            self.work()

    def letters(self, channel: str) -> list[notify.Letter]:
        return [letter for _, to, letter in self.got if to == channel]

    def minutes(self, channel: str, since_s: float = NOON_S) -> list[int]:
        """When this channel got something, in minutes."""
        return [round((time_s - since_s) / 60) for time_s, to, _ in self.got if to == channel]

    def told(self, channel: str) -> list[str]:
        """The ids of the notices that this channel got, in order."""
        return [notice for letter in self.letters(channel) for notice in letter.notices]
