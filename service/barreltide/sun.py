"""When the sun rises and sets at the garden, and which date it is there."""

from __future__ import annotations

import datetime
import zoneinfo

import astral
import astral.sun

MOST_KNOWN = 1_000


class Sun:
    """The sun over one place. latitude, longitude: degrees north and east; time_zone: its IANA name."""

    def __init__(self, latitude: float, longitude: float, time_zone: str) -> None:
        self._observer = astral.Observer(latitude, longitude)
        self._zone = zoneinfo.ZoneInfo(time_zone)
        self._known: dict[str, tuple[float | None, float | None]] = {}

    def local_date(self, time_s: float) -> str:
        """The date at the garden at this Unix time, ISO 8601."""
        return datetime.datetime.fromtimestamp(time_s, self._zone).date().isoformat()

    def dawn_dusk(self, date: str) -> tuple[float | None, float | None]:
        """Sunrise and sunset of that local date (ISO 8601), Unix seconds; None where the sun does not cross."""
        if date not in self._known:
            if len(self._known) >= MOST_KNOWN:
                self._known.clear()
            day = datetime.date.fromisoformat(date)
            self._known[date] = self._crossing(astral.sun.sunrise, day), self._crossing(astral.sun.sunset, day)
        return self._known[date]

    def _crossing(self, find, date: datetime.date) -> float | None:
        try:
            moment = find(self._observer, date=date, tzinfo=self._zone)
        except ValueError:  # astral's way to say that the sun stays up, or down, all day
            return None
        return moment.timestamp()
