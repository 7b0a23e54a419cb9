"""Figures in the words and units that whoever looks has chosen, in the garden's own time.

The choice travels in a cookie, as three words: `f,gal,12h`. What is not chosen is degrees Celsius, litres and 24 hours.
Inside, all is SI and Unix seconds; only here does it become what a person reads. Gallons are US gallons.
"""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

LITRES_A_GALLON = 3.785411784  # NIST SP 811 (2008), appendix B.8; typed from memory
DASH = "–"
WEEK_S = 6 * 86_400.0  # in which a weekday's name is enough
_CELSIUS = re.compile(r"(-?\d+(\.\d+)?) °C")


class Taste(NamedTuple):
    """How one reader wants it. zone: the garden's, whoever reads."""

    zone: ZoneInfo
    fahrenheit: bool = False
    gallons: bool = False
    twelve: bool = False

    @classmethod
    def of_cookie(cls, zone: ZoneInfo, cookie: str | None) -> Taste:
        """What a cookie says; strange words in it are passed over."""
        words = (cookie or "").split(",")
        return cls(zone, "f" in words, "gal" in words, "12h" in words)

    def cookie(self) -> str:
        chosen = ("f", self.fahrenheit), ("gal", self.gallons), ("12h", self.twelve)
        return ",".join(word for word, is_so in chosen if is_so)

    def local(self, time_s: float) -> datetime:
        return datetime.fromtimestamp(time_s, self.zone)

    def clock(self, time_s: float, seconds: bool = False) -> str:
        """ "05:07", or "5:07 am"."""
        moment = self.local(time_s)
        tail = f":{moment:%S}" if seconds else ""
        if self.twelve:
            return f"{moment.hour % 12 or 12}:{moment:%M}{tail}\u00a0{'am' if moment.hour < 12 else 'pm'}"
        return f"{moment:%H:%M}{tail}"

    def hour(self, time_s: float) -> str:
        """A mark on an axis: "05", or "5a"."""
        hour = self.local(time_s).hour
        return f"{hour % 12 or 12}{'a' if hour < 12 else 'p'}" if self.twelve else f"{hour:02d}"

    def moment(self, time_s: float) -> str:
        """ "Thu 05:07"."""
        return f"{self.local(time_s):%a} {self.clock(time_s)}"

    def lately(self, time_s: float, now_s: float) -> str:
        """As much of a past moment as tells it from others: "05:07" of today, "Thu 05:07", "2 Apr, 05:07"."""
        if self.local(time_s).date() == self.local(now_s).date():
            return self.clock(time_s)
        return self.moment(time_s) if now_s - time_s < WEEK_S else f"{self.day(time_s)}, {self.clock(time_s)}"

    def day(self, time_s: float) -> str:
        """ "21 May"."""
        moment = self.local(time_s)
        return f"{moment.day} {moment:%b}"

    def full(self, time_s: float) -> str:
        """ "Thu 21 May, 05:07"."""
        return f"{self.local(time_s):%a} {self.day(time_s)}, {self.clock(time_s)}"

    def degrees(self, celsius: Any, digits: int = 1) -> str:
        """A temperature with its unit."""
        if not isinstance(celsius, (int, float)):
            return DASH
        value, unit = (celsius * 1.8 + 32, "°F") if self.fahrenheit else (celsius, "°C")
        return f"{value:.{digits}f}\u00a0{unit}"

    def told(self, words: str) -> str:
        """What the engine says, with each "21.4 °C" in it as this reader wants it."""
        if not self.fahrenheit:
            return words
        return _CELSIUS.sub(lambda found: self.degrees(float(found[1]), len(found[2] or ".") - 1), words)

    def litres(self, litres: Any) -> str:
        if not isinstance(litres, (int, float)):
            return DASH
        value, unit = (litres / LITRES_A_GALLON, "gal") if self.gallons else (litres, "L")
        return f"{value:,.0f}\u00a0{unit}"


def lasted(seconds: float | None) -> str:
    """A span in the words of a person: "40 s", "12 min", "3 h 5 min", "2 days"."""
    if seconds is None:
        return "an unknown time"
    s = max(0, round(seconds))
    if s < 120:
        return f"{s} s"
    if s < 7200:
        return f"{s // 60} min"
    if s < 172800:
        return f"{s // 3600} h {s % 3600 // 60} min"
    return f"{s // 86400} days"


def timed(seconds: float) -> str:
    """A span that was measured, as exactly as it is meant: "34 s", "7 min 47 s", "3 h 5 min"."""
    s = max(0, round(seconds))
    words = f"{s // 60} min {s % 60} s" if 120 <= s < 1200 and s % 60 else lasted(s)
    return re.sub(r"(\d) ", "\\1\u00a0", words)


def number(value: Any, digits: int = 1, unit: str = "") -> str:
    return f"{value:.{digits}f}{unit}" if isinstance(value, (int, float)) else DASH


def percent(share: Any) -> str:
    return f"{100 * share:.0f}\u00a0%" if isinstance(share, (int, float)) else DASH


def listed(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def anchor(key: str) -> str:
    """The name of an alarm's place on a page, also in a notice's address. key: alarm and subject, joined by "-"."""
    return "alarm-" + "".join(c if c.isalnum() else "-" for c in key.lower())
