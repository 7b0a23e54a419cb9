"""The daily word: a few lines at an hour that each person chooses, so that silence means trouble.

It is a notice like others, born once for each person and day; it takes the place of yesterday's where that still
waits. A host that was off at the hour gives the word when it is back, unless most of the day has gone.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ..site import Person, Site
from ..store import Store
from .outbox import Notice
from .wording import LINE_CHARACTERS, cut

DAY_S = 86_400.0
LATE_S = 6 * 3600.0
MOST_UNTOLD_S = 3 * DAY_S
MOST_ALARMS = 5
WATER = "water/temperature"
BACK = "Back to normal: "  # how the engine begins to say that an alarm is over, and neither shelved nor held back


class DailyWord:
    """trouble: lines about what is wrong with the service itself; now: the host's clock, Unix seconds."""

    def __init__(self, site: Site, store: Store, trouble: Callable[[], list[str]], now: Callable[[], float]) -> None:
        self._site, self._store, self._trouble, self._now = site, store, trouble, now
        self._zone = ZoneInfo(site.time_zone)
        self._given: dict[str, str] = {}

    def look(self) -> None:
        """Put down the word of everybody whose hour has come."""
        now_s = self._now()
        for person in self._site.persons:
            day = self._day_of(person, now_s)
            if day is None or self._given.get(person.name) == day:
                continue
            told_s = self._store.last_word_s(person.name)
            title, body = compose(self._site, self._store, now_s, self._trouble(), person.daily_word or "", told_s)
            name = f"daily-word-{person.name}"
            self._store.put_notice(
                Notice(f"{name}-{day}", 0, now_s, "daily-word", person.name, "note", title, body, "word")
            )
            self._given[person.name] = day

    def _day_of(self, person: Person, now_s: float) -> str | None:
        """The date of the word that is due now."""
        if person.daily_word is None:
            return None
        hour, minute = (int(part) for part in person.daily_word.split(":"))
        today = datetime.fromtimestamp(now_s, self._zone).replace(hour=hour, minute=minute, second=0, microsecond=0)
        for due in (today, today - timedelta(days=1)):  # late in the evening, and the host was back after midnight
            if 0 <= now_s - due.timestamp() < LATE_S:
                return f"{due:%Y-%m-%d}"
        return None


def compose(
    site: Site, store: Store, now_s: float, trouble: list[str], hour: str, told_s: float | None = None
) -> tuple[str, str]:
    """Title and body. told_s: when this person's last word was put down; what came and went since then is in this one,
    however late it is, but no more than three days of it."""
    zone, since_s = ZoneInfo(site.time_zone), now_s - DAY_S
    standing = store.standing()
    lines = [_battery(store, since_s), _cycles(site, store, since_s, now_s), _water(store, since_s, now_s)]
    lines += [f"Stands since {_moment(row['since'], zone)}: {_first(row['message'])}" for row in standing[:MOST_ALARMS]]
    lines += [f"And {len(standing) - MOST_ALARMS} more."] if len(standing) > MOST_ALARMS else []
    untold_s = since_s if told_s is None else max(min(since_s, told_s), now_s - MOST_UNTOLD_S)
    lines += _came_and_went(store, untold_s, zone, {(row["alarm"], row["subject"]) for row in standing})
    lines += [f"Wrong with the service: {line}." for line in trouble[:MOST_ALARMS]]
    lines.append(f"If no word comes tomorrow at {hour}, go and look.")
    if standing:
        state = "1 alarm stands" if len(standing) == 1 else f"{len(standing)} alarms stand"
    else:
        state = "no alarm, but the service has trouble" if trouble else "all is well"
    return f"{site.name}: Daily word, {state}.", "\n".join(cut(line, LINE_CHARACTERS) for line in lines if line)


def _battery(store: Store, since_s: float) -> str:
    nights = store.events("night", None, since_s, limit=1)
    if not nights:
        return "Battery: last night was not seen."
    night, told = nights[0], []
    if night["state_of_charge_dawn"] is not None:
        told.append(f"{100 * night['state_of_charge_dawn']:.0f} % at dawn")
    if night["lowest_voltage_v"] is not None:
        told.append(f"lowest {night['lowest_voltage_v']:.2f} V")
    if night["used_ah"] is not None:
        told.append(f"{night['used_ah']:.0f} Ah used")
    return f"Battery: {', '.join(told) or 'nothing known of last night'}."


def _cycles(site: Site, store: Store, since_s: float, now_s: float) -> str:
    counts = [f"{bed.name} {len(store.events('cycle', bed.name, since_s, now_s))}" for bed in site.beds]
    return f"Cycles in a day: {', '.join(counts)}."


def _water(store: Store, since_s: float, now_s: float) -> str:
    values = [
        row["value"]
        for station in {row["station"] for row in store.series() if row["name"] == WATER}
        for row in store.readings(station, WATER, since_s, now_s)
    ]
    if not values:
        return ""
    return f"Water: {values[-1]:.1f} °C, from {min(values):.1f} to {max(values):.1f} in a day."


def _came_and_went(store: Store, since_s: float, zone: ZoneInfo, standing: set[tuple[str, str]]) -> list[str]:
    """What was raised since then and is over, or has stood for longer and was over since: for who gets the word it may
    be the only telling."""
    raised: dict[tuple[str, str], str] = {}
    over: dict[tuple[str, str], str] = {}
    for line in store.events("alarm", None, since_s, newest_first=False):
        key, when, message = (line["alarm"], line["subject"]), _moment(line["time"], zone), line["message"]
        if line["change"] == "raised" and key not in standing:
            raised.setdefault(key, f"Came and went, {when}: {_first(message)}")
        elif key not in standing and message.startswith(BACK):
            over[key] = f"Over since {when}: {_first(message.removeprefix(BACK))}"
    told = [*raised.values(), *(words for key, words in over.items() if key not in raised)]
    return told[:MOST_ALARMS] + ([f"And {len(told) - MOST_ALARMS} more."] if len(told) > MOST_ALARMS else [])


def _first(message: str) -> str:
    return f"{message.partition('. ')[0].rstrip('.')}."


def _moment(time_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_s, zone):%a %H:%M}"
