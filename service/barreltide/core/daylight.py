"""Day and night at the garden, as the engine asks for them: is it dark, when did that begin, how high can the sun be.

The moments of sunrise and sunset come from outside (a `sun` with `dawn_dusk` and `local_date`); a place and date
without them are handled by the sun's noon height: polar day or polar night.
"""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt

DUSK_LAG_S = 1200.0  # a panel still gives a little after sunset, and a little before sunrise
DAY_S = 86400.0
FACING = 1.49  # kW/m² above the air, with the sky's own light: 1.353 times 1.1
LOWEST_SUN = 0.05  # sine of the elevation: below it no panel gives anything to speak of


class Daylight:
    """Spans of light and dark, one at a time, cached: times are asked for in order."""

    def __init__(self, sun, latitude: float) -> None:
        self._sun, self._latitude = sun, latitude
        self._from_s = self._to_s = 0.0  # of the present span of light or dark …
        self._dark = False
        self._crossed_s = self._crosses_s = 0.0  # … and of the span between two of the sun's own crossings
        self._is_night = False
        self.dawn_s: float | None = None  # sunrise that ends the present or last night

    def __getstate__(self) -> dict:
        return {**self.__dict__, "_sun": None}

    def restore(self, sun) -> None:
        self._sun = sun

    def is_dark(self, time_s: float) -> bool:
        """Whether no panel gives anything."""
        if not self._from_s <= time_s < self._to_s:
            self._find(time_s)
        return self._dark

    def dark_since_s(self, time_s: float) -> float | None:
        """When the present dark span began; None by day."""
        return self._from_s if self.is_dark(time_s) else None

    def night_at(self, time_s: float) -> tuple[float, float] | None:
        """Sunset and sunrise (Unix seconds) of the night that the moment lies in; None by day, or without either."""
        if not self._crossed_s <= time_s < self._crosses_s:
            crossings = self._crossings(time_s)
            past = [crossing for crossing in crossings if crossing[0] <= time_s]
            coming = [crossing for crossing in crossings if crossing[0] > time_s]
            if not past or not coming:
                return None
            self._crossed_s, self._crosses_s = past[-1][0], coming[0][0]
            self._is_night = past[-1][1] and not coming[0][1]
        return (self._crossed_s, self._crosses_s) if self._is_night else None

    def share_of_day(self, time_s: float) -> float:
        """How much of the present light span has passed, 0 to 1; 0 in the dark."""
        return 0.0 if self.is_dark(time_s) else (time_s - self._from_s) / (self._to_s - self._from_s)

    def noon_share(self, time_s: float) -> float:
        """Clear-sky sun on a panel as a share of the sun overhead, 0 in the dark. A plain sine by day: ±20 %.

        Nobody wrote down how the panel is tilted, so this lies half way (as a ratio) between a level one and one that
        faces the sun at noon, which at 50° in winter gives twice as much. What a clear sky leaves of a low sun: Meinel
        1976, from memory.
        """
        if self.is_dark(time_s):
            return 0.0
        day_of_year = (time_s % (365.25 * DAY_S)) / DAY_S
        declination = -radians(23.44) * cos(2 * pi * (day_of_year + 10) / 365.25)
        level = max(sin(pi / 2 - abs(radians(self._latitude) - declination)), LOWEST_SUN)
        facing = min(FACING * 0.7 ** (level**-0.678), 1.0)
        length_s = self._to_s - self._from_s
        return sqrt(level * max(facing, level)) * sin(pi * min(max((time_s - self._from_s) / length_s, 0.0), 1.0))

    def _find(self, time_s: float) -> None:
        crossings = [(at_s + (DUSK_LAG_S if dark else -DUSK_LAG_S), dark) for at_s, dark in self._crossings(time_s)]
        past = [crossing for crossing in crossings if crossing[0] <= time_s]
        coming = [crossing for crossing in crossings if crossing[0] > time_s]
        if past:
            self._from_s, self._dark = past[-1]
        else:
            self._from_s = time_s - 1
            self._dark = not coming[0][1] if coming else self._noon_is_dark(time_s)
        self._to_s = coming[0][0] if coming else time_s + 3600
        if self._dark and past:
            self.dawn_s = self._to_s + DUSK_LAG_S if coming else None

    def _crossings(self, time_s: float) -> list[tuple[float, bool]]:
        """Sunrises and sunsets of three days in order: (moment, whether it is a sunset)."""
        crossings: list[tuple[float, bool]] = []
        for days in (-1, 0, 1):
            dawn_s, dusk_s = self._sun.dawn_dusk(self._sun.local_date(time_s + days * DAY_S))
            if dawn_s is not None:
                crossings.append((dawn_s, False))
            if dusk_s is not None:
                crossings.append((dusk_s, True))
        return sorted(crossings)

    def _noon_is_dark(self, time_s: float) -> bool:
        day_of_year = (time_s % (365.25 * DAY_S)) / DAY_S
        declination = -23.44 * cos(2 * pi * (day_of_year + 10) / 365.25)
        return abs(self._latitude - declination) > 90
