"""A garden drawn with a ruler, for tests of the engine: beds dry and wet by turns, a battery that is high by day.

It shares no formula with the engine: a bed is a list of phases, a fault is a span of time in which it stands still.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from barreltide.core.monitor import Monitor
from barreltide.core.reading import Pack, Reading
from barreltide.site import Site
from barreltide.sun import Sun

NOON_S = 1_781_121_600.0  # 2026-06-10, 13:00 at the garden; sunset is 7.4 h later, sunrise 16.7 h later
DUSK_S, DAWN_S = NOON_S + 7.5 * 3600, NOON_S + 16.7 * 3600
HOUR_S = 3600.0
SUN = Sun(38.5, -121.7, "America/Los_Angeles")


def site(beds: Iterable[str] = ("bed-1", "bed-2"), stations: Iterable[str] = ("barrels",)) -> Site:
    beds = list(beds)
    heights = {"standpipe_height_m": 0.30, "drain_height_m": 0.04, "float_height_m": 0.20}
    return Site.model_validate(
        {
            "site": {"name": "garden", "latitude": 38.5, "longitude": -121.7, "time_zone": "America/Los_Angeles"},
            "battery": {"chemistry": "flooded", "nominal_voltage_v": 12.0, "capacity_ah": 100.0},
            "panel": {"power_w": 100.0},
            "pump": [{"name": "pump", "current_a": 2.0, "feeds": beds}],
            "bed": [{"name": name, **heights} for name in beds],
            "sump": {"coldest_c": 8.0, "warmest_c": 28.0},
            "station": [{"name": name} for name in stations],
        }
    )


def monitor(**names) -> Monitor:
    return Monitor(site(**names), SUN)


@dataclass
class Garden:
    """beds: name -> (dry_s, wet_s). still: (bed or "pump", from_s, to_s), in which no water moves there."""

    beds: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {"bed-1": (400.0, 200.0), "bed-2": (520.0, 230.0)}
    )
    start_s: float = NOON_S
    end_s: float = NOON_S + 6 * HOUR_S
    still: list[tuple[str, float, float]] = field(default_factory=list)
    pace: dict[str, tuple[float, float]] = field(default_factory=dict)  # bed -> (from when, factor on its phases)
    station: str = "barrels"
    current: bool = False
    water_c: object = 20.0  # or a function of time; None: no such reading
    volts: object = None  # a function of time, instead of the garden's own
    step_v: float = 0.06  # by which the voltage rises when the pump no longer draws
    floats: dict[str, list[tuple[float, bool]]] | None = None  # reading -> its changes, instead of the beds' own

    def changes(self, bed: str) -> list[tuple[float, bool]]:
        """Each change of the bed's upper float; it is dry at the start."""
        at_s, wet, found = self.start_s, False, []
        stills = sorted((from_s, to_s) for who, from_s, to_s in self.still if who in (bed, "pump"))
        while at_s < self.end_s:
            since_s, factor = self.pace.get(bed, (self.end_s, 1.0))
            length_s = self.beds[bed][wet] * (factor if at_s >= since_s else 1.0)
            until_s = at_s + length_s
            for from_s, to_s in stills:
                if at_s <= from_s < until_s:
                    until_s += to_s - from_s
            at_s, wet = until_s, not wet
            found.append((at_s, wet))
        return [change for change in found if change[0] < self.end_s]

    def falls(self, bed: str) -> list[float]:
        return [at_s for at_s, wet in self.changes(bed) if not wet]

    def is_still(self, at_s: float) -> bool:
        return any(who == "pump" and from_s <= at_s < to_s for who, from_s, to_s in self.still)

    def battery_v(self, at_s: float) -> float:
        if self.volts is not None:
            return self.volts(at_s)
        by_day = not DUSK_S - 1800 < at_s < DAWN_S + 1800
        volts = 13.6 if by_day else 12.55 - 0.01 * (at_s - DUSK_S) / HOUR_S
        return volts + (self.step_v if self.is_still(at_s) and not by_day else 0.0)

    def packs(self, boot: int = 7) -> Iterator[Pack]:
        """In order; each arrives half a second after its last moment: a pack each 15 s, and one for each change."""
        floats = self.floats or {f"{bed}/high": self.changes(bed) for bed in self.beds}
        changes = sorted((at_s, name, wet) for name, found in floats.items() for at_s, wet in found)
        states = dict.fromkeys(floats, False)
        seq, next_change, at_s = 0, 0, self.start_s
        while at_s < self.end_s:
            while next_change < len(changes) and changes[next_change][0] + 2 <= at_s:
                changed_s, name, wet = changes[next_change]
                states[name] = wet
                yield Pack(changed_s + 2.5, self.station, boot, seq, (Reading(name, changed_s, wet),))
                seq, next_change = seq + 1, next_change + 1
            yield Pack(at_s + 0.5, self.station, boot, seq, tuple(self._readings(at_s, seq, states)))
            seq, at_s = seq + 1, at_s + 15

    def _readings(self, at_s: float, seq: int, states: dict[str, bool]) -> Iterator[Reading]:
        ripple_v = (seq * 7919 % 11 - 5) / 1000
        yield Reading("battery/voltage", at_s, round(self.battery_v(at_s) + ripple_v, 3))
        if self.current:
            yield Reading("pump/current", at_s, 0.0 if self.is_still(at_s) else 2.0 + ripple_v)
        if at_s % 60 == 0 and self.water_c is not None:
            celsius = self.water_c(at_s) if callable(self.water_c) else self.water_c + 0.0625 * (at_s // 3600 % 3)
            if celsius is not None:
                yield Reading("water/temperature", at_s, celsius)
        if at_s % 300 == 0:
            for name, wet in states.items():
                yield Reading(name, at_s, wet)


def drive(watch: Monitor, inputs: Iterable, until_s: float | None = None) -> list:
    """All events of the inputs, in order of arrival, and of the time up to `until_s`."""
    events = [event for item in sorted(inputs, key=lambda item: item.received_s) for event in watch.take(item)]
    return events + (watch.advance(until_s) if until_s is not None else [])


def alarms(events: Iterable) -> list[tuple[str, str, str]]:
    return [(event.alarm, event.subject, event.change) for event in events if event.kind == "alarm"]


def cycles(events: Iterable, bed: str) -> list:
    return [event for event in events if event.kind == "cycle" and event.bed == bed]


def assert_all_counted(garden: Garden, events: Iterable, bed: str) -> None:
    """Each fall once, in order and by its number; only the last five minutes may still be undecided."""
    told, falls = cycles(events, bed), garden.falls(bed)
    assert [cycle.time for cycle in told] == falls[: len(told)]
    assert [cycle.number for cycle in told] == list(range(1, len(told) + 1))
    assert all(fall_s > garden.end_s - 300 for fall_s in falls[len(told) :])
