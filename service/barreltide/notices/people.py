"""Who is told, by which ways, at which hours: what the site file says of people, as values.

A way is one channel of one person: a URL, the number of a phone (SMS), or a phone that takes Web Push. The URLs of
[notify] belong to everybody: they get every notice, once, at any hour, and nobody is expected to answer there.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from itertools import groupby
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ..site import Person, Site
from . import courier


class Way(NamedTuple):
    """channel: its name, which the store and the pages may show; address: a URL or a number, a secret; person: None
    for everybody's; kind: "url", "sms" or "push"; phone: of Web Push, its id, and its subscription, a secret."""

    channel: str
    kind: str
    address: str
    person: str | None = None
    phone: int | None = None
    subscription: dict[str, Any] | None = None


class People:
    """The people of a garden. Of those with the same `order` all are asked together."""

    def __init__(
        self, urls: Iterable[str] = (), persons: Iterable[Person] = (), time_zone: str = "UTC",
        repeat_after_s: float = 600.0, escalate_after_s: float = 1200.0,
    ) -> None:  # fmt: skip
        self.persons = {person.name: person for person in persons}
        self.zone = ZoneInfo(time_zone)
        self.repeat_after_s, self.escalate_after_s = repeat_after_s, escalate_after_s
        self.ways = [
            Way(f"{number} {courier.label(url)}", "url", url) for number, url in enumerate(urls, 1)
        ]  # fmt: skip
        for person in self.persons.values():
            self.ways += [
                Way(f"{person.name} {number} {courier.label(url)}", "url", url, person.name)
                for number, url in enumerate(person.urls, 1)
            ]
            if person.sms is not None:
                self.ways.append(Way(f"{person.name} sms", "sms", person.sms, person.name))

    @classmethod
    def of_site(cls, site: Site) -> People:
        notify = site.notify
        return cls(
            notify.urls, site.persons, site.time_zone, notify.repeat_after_min * 60, notify.escalate_after_min * 60
        )

    def with_phones(self, phones: Iterable[dict[str, Any]]) -> list[Way]:
        """All ways, those to phones too. A phone of somebody who has left the site file is nobody's."""
        return self.ways + [
            Way(f"{row['person'] + ' ' if row['person'] else ''}push {row['id']}", "push",
                row["subscription"]["endpoint"], row["person"], row["id"], row["subscription"])
            for row in phones if row["person"] is None or row["person"] in self.persons
        ]  # fmt: skip

    def in_turn(self) -> list[list[str]]:
        """The names of those who are asked first, then of those who are asked next, and so on."""
        persons = sorted(self.persons.values(), key=lambda person: person.order)
        return [[person.name for person in group] for _, group in groupby(persons, key=lambda person: person.order)]

    def has_word(self, person: str | None) -> bool:
        """Whether this person gets a daily word."""
        return person in self.persons and self.persons[person].daily_word is not None

    def is_awake(self, person: str | None, now_s: float) -> bool:
        """Whether this person may be told of what is not urgent. Everybody's channels always may."""
        if person not in self.persons:
            return True
        wakes, sleeps = self.persons[person].wakes, self.persons[person].sleeps
        clock = f"{datetime.fromtimestamp(now_s, self.zone):%H:%M}"
        return wakes <= clock < sleeps if wakes < sleeps else clock >= wakes or clock < sleeps
