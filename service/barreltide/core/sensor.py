"""Readings that cannot be true, that stand still, or that have stopped coming: faults of sensors, not of the garden.

Theory. A DS18B20 thermometer shows 85 °C when it lost its supply before converting, 127.94 °C when the supply was too
weak, and software shows -127 °C when it is gone (data sheet; the Linux kernel's w1_therm notes); all three
are possible only in a fault here. Water in barrels neither jumps by degrees within minutes nor stays within one
sixteenth of a degree for half a day. A float switch that changes many times an hour without ever resting is loose, or
rides on waves. A reading whose station still talks, but which no longer comes in its own rhythm, has lost its sensor.

It cannot tell a float that hangs from water that stands: that is judged with the bed (pump.py).
"""

from __future__ import annotations

from collections.abc import Container
from itertools import takewhile

from . import oxygen
from .alarm import Alarms
from .float_track import SHORTEST_PERIOD_S
from .order import StationOrder
from .station import Station

MISSING_S = 1500.0  # five times the repetition of states
GAP_S = 330.0  # one that is longer may hide several of them
MISSING_RHYTHMS = 4  # a thermometer read once an hour is not missing in between …
MISSING_UNLEARNED_S = 2 * 3600.0  # … nor before its rhythm is known
FROZEN_S = 12 * 3600.0
FROZEN_COUNT = 60
JUMP_C = 3.0
FISH_EACH_C = 0.2  # so much warmer or colder, and their hours are worked out anew
CHATTER_FLIPS, CHATTER_S, SLOT_S = 24, 1800.0, 120.0
CALM = 0.5  # of what makes a float chatter
PASSAGE_SHARE = 0.35  # of a period, at most, for which ripple plays around a float that the water slowly passes


class Gauge:
    """One analogue reading with limits of the possible: passes on what can be true, reports what cannot."""

    def __init__(self, name: str, lowest: float, highest: float, jump: float, impossible: dict[float, str]) -> None:
        """impossible: values beyond that only a fault gives, and its name; jump: a change between readings to doubt."""
        self.name, self._lowest, self._highest, self._jump, self._impossible = name, lowest, highest, jump, impossible
        self.value: float | None = None
        self.heard_s: float | None = None  # newest possible value
        self._rhythm_s: float | None = None  # the usual time between readings: a median that steps up and down
        self._same_since_s = 0.0
        self._same_count = 0
        self._varied = False
        self._bad_since_s: float | None = None
        self._bad_s = 0.0  # newest impossible value since the newest possible one
        self._bad_count = 0
        self._bad_words = ""
        self._doubted: list[float] = []

    def hear(self, time_s: float, value: float) -> float | None:
        """The value if it can be true, else None."""
        if not self._lowest <= value <= self._highest:
            words = self._impossible.get(value, "no such value is possible here")
            self._bad_count += 1
            self._bad_s = time_s
            if self._bad_since_s is None:
                self._bad_since_s = time_s
            self._bad_words = f"The reading '{self.name}' cannot be right. It says {value:g}: {words}."
            return None
        before, before_s = self.value, self.heard_s
        if before is not None and abs(value - before) > self._jump:
            # Three in a row that agree with one another are believed: the water was changed, or the sensor moved.
            self._doubted = [other for other in self._doubted if abs(other - value) < self._jump] + [value]
            if len(self._doubted) < 3:
                return None
        if self._doubted or self._bad_count:
            self._doubted = []
            self._bad_since_s, self._bad_s, self._bad_count = None, 0.0, 0
        if value == before:
            self._same_count += 1
        else:
            self._varied = before is not None
            self._same_since_s, self._same_count = time_s, 1
        if before_s is not None and time_s > before_s:
            interval_s, rhythm_s = time_s - before_s, self._rhythm_s
            self._rhythm_s = rhythm_s * (1.1 if interval_s > rhythm_s else 0.9) if rhythm_s else interval_s
        self.value, self.heard_s = value, time_s
        return value

    @property
    def _missing_after_s(self) -> float:
        if self._rhythm_s is None:
            return MISSING_UNLEARNED_S
        return max(MISSING_S, MISSING_RHYTHMS * self._rhythm_s)

    def judge(self, now_s: float, order: StationOrder, alarms: Alarms) -> None:
        """State the fault, if any. order: of the station that reads it."""
        sampled_s = order.sampled_s
        read_s = max(self.heard_s or 0.0, self._bad_s)
        quiet_s = _quiet_s(order, read_s) if read_s else 0.0
        if self._bad_count >= 3 and self._bad_since_s is not None:
            alarms.report(now_s, "sensor-fault", self.name, self._bad_since_s, self._bad_words)
        elif quiet_s and quiet_s > self._missing_after_s:
            words = f"The reading '{self.name}' is missing. It has not come for {quiet_s / 60:.0f} minutes."
            alarms.report(now_s, "sensor-fault", self.name, sampled_s - quiet_s, words)
        elif self._varied and self._same_count > FROZEN_COUNT and sampled_s - self._same_since_s > FROZEN_S:
            hours = (sampled_s - self._same_since_s) / 3600
            words = f"The reading '{self.name}' is frozen. It has stood at just {self.value:g} for {hours:.0f} hours."
            alarms.report(now_s, "sensor-fault", self.name, self._same_since_s, words)
        elif self._bad_count == 0:
            alarms.normal(now_s, "sensor-fault", self.name)


def chatter(flips, sampled_s: float, period_s: float) -> float:
    """How restless a float switch has been in the last half hour, 1 where it chatters. flips: its changes' times.

    Ripple gathers around the moments at which the water passes the float, for a good part of an hour where it rises
    slowly; a loose float knows no such moments. So both the changes and the slots of time that are busy with them must
    be too many.
    """
    since_s = sampled_s - CHATTER_S
    if len(flips) < CHATTER_FLIPS // 2 or flips[-CHATTER_FLIPS // 2] < since_s:
        return 0.0
    recent = [*takewhile(since_s.__lt__, reversed(flips))]
    passages = 2 * CHATTER_S / max(period_s, SHORTEST_PERIOD_S)
    busy = len({int(time_s // SLOT_S) for time_s in recent})
    usual = max(3 + 1.5 * passages, PASSAGE_SHARE * period_s / SLOT_S)
    return min(len(recent) / (CHATTER_FLIPS + 4 * passages), busy / min(usual, 0.8 * CHATTER_S / SLOT_S))


def judge_floats(now_s: float, sampled_s: float, bed, read: Container[str], alarms: Alarms) -> None:
    """A bed's float switches that chatter without rest, are no longer read, or are contradicted by another sensor.

    read: the names of all readings that come; a level that stands in for a float is none.
    """
    against_high, against_low = bed.contradictions(sampled_s)
    for which, track, heard_s, contradiction in (
        ("high", bed.high, bed.heard_s, against_high), ("low", bed.low, bed.low_heard_s, against_low),
    ):  # fmt: skip
        if track is None or heard_s is None or (name := f"{bed.name}/{which}") not in read:
            continue
        quiet_s = sampled_s - max(heard_s, bed.gap_s)  # it may have been read in a gap
        # Chance makes any float's unrest come and go: a fault that stands stays one until it has clearly calmed down.
        restless = chatter(track.flips, sampled_s, bed.period_s)
        if restless > 1.0 or (restless > CALM and alarms.is_standing("sensor-fault", name)):
            words = f"The float switch '{name}' chatters. It changes without rest: it hangs loose, or rides on waves."
            alarms.report(now_s, "sensor-fault", name, sampled_s - CHATTER_S, words)
        elif quiet_s > MISSING_S:
            words = f"The float switch '{name}' is missing. It has not been read for {quiet_s / 60:.0f} minutes."
            alarms.report(now_s, "sensor-fault", name, sampled_s - quiet_s, words)
        elif contradiction:
            words = f"The float switch '{name}' hangs. {contradiction}."
            alarms.report(now_s, "sensor-fault", name, track.since_s, words)
        else:
            alarms.normal(now_s, "sensor-fault", name)


def judge_others(now_s: float, read: dict[str, tuple[Station, float]], alarms: Alarms) -> set[str]:
    """Readings of which no more can be said than that they have stopped coming; returns the names of these.

    read: for the name of each reading its station, and when it was read last.
    """
    missing = set()
    for name, (station, heard_s) in read.items():
        if not name.endswith(("/level", "/current", "battery/temperature", "sump/low")) or station.is_waited_for:
            continue
        quiet_s = _quiet_s(station.order, heard_s)
        if quiet_s > MISSING_S:
            missing.add(name)
            words = f"The reading '{name}' is missing. It has not come for {quiet_s / 60:.0f} minutes."
            alarms.report(now_s, "sensor-fault", name, station.order.sampled_s - quiet_s, words)
        else:
            alarms.normal(now_s, "sensor-fault", name)
    return missing


def _quiet_s(order: StationOrder, read_s: float) -> float:
    """For how long a reading that was read at `read_s` has surely not come: it may have, in a gap. 0 while it could
    not be missing anyhow."""
    if order.sampled_s - read_s <= MISSING_S:
        return 0.0
    return order.sampled_s - max([read_s, *(gap.to_s for gap in order.gaps if gap.to_s - gap.from_s > GAP_S)])


class WaterTemperature:
    """The sump's temperature against the site's limits, with a deadband as wide as the thermometer's accuracy; and for
    how long the fish can do without the pump in water so warm."""

    DEADBAND_C = 0.5

    def __init__(self, sump, altitude_m: float, alarms: Alarms) -> None:
        """sump: the site's table, or None."""
        self.gauge = Gauge(
            "water/temperature", -3.0, 45.0, JUMP_C,
            {
                85.0: "what the thermometer shows after losing its supply",
                127.94: "what the thermometer shows when its supply is too weak",
                127.9375: "what the thermometer shows when its supply is too weak",
                -127.0: "the thermometer does not answer",
            },
        )  # fmt: skip
        self._coldest_c, self._warmest_c = (sump.coldest_c, sump.warmest_c) if sump is not None else (8.0, 28.0)
        self._fish = (sump.volume_l or 0.0, sump.fish, sump.fish_mass_kg) if sump is not None else None
        self._fish_c, self._altitude_m, self._alarms = -99.0, altitude_m, alarms
        self._warm_since_s: float | None = None
        self._cold_since_s: float | None = None

    def hear(self, time_s: float, now_s: float, value: float) -> None:
        celsius = self.gauge.hear(time_s, value)
        if celsius is None:
            return
        if self._fish is not None and abs(celsius - self._fish_c) > FISH_EACH_C:
            self._fish_c = celsius
            span = oxygen.hours(*self._fish, celsius, self._altitude_m)
            self._alarms.fish_last = oxygen.in_words(span) if span is not None else ""
        if celsius > self._warmest_c:
            self._warm_since_s = self._warm_since_s or time_s
            words = f"The water is too warm. In the sump it is at {celsius:.1f} °C, above {self._warmest_c:g} °C."
            self._alarms.report(now_s, "water-too-warm", "sump", self._warm_since_s, words)
        elif celsius < self._warmest_c - self.DEADBAND_C:
            self._warm_since_s = None
            self._alarms.normal(now_s, "water-too-warm", "sump")
        if celsius < self._coldest_c:
            self._cold_since_s = self._cold_since_s or time_s
            words = f"The water is too cold. In the sump it is at {celsius:.1f} °C, below {self._coldest_c:g} °C."
            self._alarms.report(now_s, "water-too-cold", "sump", self._cold_since_s, words)
        elif celsius > self._coldest_c + self.DEADBAND_C:
            self._cold_since_s = None
            self._alarms.normal(now_s, "water-too-cold", "sump")
