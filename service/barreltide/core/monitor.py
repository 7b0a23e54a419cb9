"""The door of the engine: inputs go in, events come out.

`take` accepts inputs in order of arrival and first lets the clock run up to each one's `received_s`, tick by tick, at
multiples of ten seconds; `advance` lets it run without an input. Live service, replay, demo and tests all use
these two. What a garden does is judged by when it was sampled, silence by when it was heard: while a station is silent,
or still delivers a backlog, its garden is not judged.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import traceback
from pathlib import Path
from statistics import median

from .alarm import Alarms
from .alarm_table import causes
from .battery import StateOfCharge
from .bed import REPEATED_S, Bed
from .charger import Charger
from .daylight import Daylight
from .event import Event, NotePinned, PackChoked, RestBegan, ShakedownBegan
from .float_track import KEPT_S
from .night import Night
from .order import Release
from .power import PowerWatch
from .pump import Pump
from .reading import Answered, Input, Noted, Pack, PumpRested, ServiceStarted, ShakedownStarted
from .resistance import NEAR_S, Resistance
from .rest import Rests
from .sensor import Gauge, WaterTemperature, judge_floats, judge_others
from .station import SILENT_S, Station
from .sump import Sump
from .voltage import Step, VoltageTrace

TICK_S = 10.0
BACK_S = 120.0  # heard for so long again, a station is back: one late pack is not enough
LAGGING_S = 300.0
LONGEST_SLEEP_S = 7 * 86400.0  # ticks are not played through a longer hole in the inputs


class Monitor:
    """One garden under watch. Not thread-safe: one writer drives it."""

    def __init__(self, site, sun) -> None:
        """site: the site file's values; sun: `dawn_dusk(date)` and `local_date(time_s)`, see sun.py."""
        self._site, self._sun = site, sun
        self._now_s: float | None = None
        self._stations = {station.name: Station(station.name) for station in site.stations}
        pumps_a = {pump.name: pump.current_a for pump in site.pumps}
        self._charger = Charger(site.battery, [*pumps_a.values()])
        self._trace = VoltageTrace(self._charger.most_step_v, self._charger.held_least_v)
        self._daylight = Daylight(sun, site.latitude)
        self._beds = {bed.name: Bed(bed, self._trace) for bed in site.beds}
        self._alarms = Alarms(causes(site, {}))
        cut_off_v = site.battery.cut_off_voltage_v
        self._pumps = {
            pump.name: Pump(pump, [self._beds[name] for name in pump.feeds], self._trace, self._alarms, cut_off_v)
            for pump in site.pumps
        }
        for pump in self._pumps.values():
            pump.rivals = [other for other in self._pumps.values() if other is not pump]
        self._battery = StateOfCharge(site.battery, site.panel.power_w, pumps_a, self._daylight)
        self._power = PowerWatch(site.battery, self._battery, self._daylight, self._alarms)
        self._night = Night(self._daylight, site.battery)
        self._resistance = Resistance()
        self._sump = Sump(self._alarms)
        self._rests = Rests(self._sump, self._alarms)
        volts = site.battery.nominal_voltage_v
        self._voltage = Gauge("battery/voltage", 0.5 * volts, 1.5 * volts, 0.25 * volts, {})
        self._celsius, self._has_own_celsius = None, False  # of the battery: the water's, but for a sensor of its own
        self._water = WaterTemperature(site.sump, site.altitude_m, self._alarms)
        self._sinks = self._wire(site)
        self._told = self._alarms.events  # one list: everything in order of the engine's clock
        self._heard: dict[str, tuple[Station, float]] = {}  # each reading: whose it is, and when it was read last
        self._restless: set[str] = set()  # the beds for which the passing of time may change something
        self._running = frozenset(self._pumps)
        self._stopped_s: dict[str, float] = {}  # the pumps that stand, and since when …
        self._doubted: frozenset[str] = frozenset()  # … and those that may stand, of which no current tells
        self._cut_off_v = cut_off_v
        self._forgot_s = 0.0
        self._stumbled_s = -3600.0

    # -- the door

    def take(self, item: Input) -> list[Event]:
        """Judge one input; returns what it and the ticks before it brought about, in order of the engine's clock."""
        now_s = item.received_s
        if self._now_s is not None and self._now_s > now_s:
            now_s = self._now_s
        if isinstance(item, ServiceStarted):
            self._start(now_s)
            return self._drain()
        self._run_to(now_s)
        if isinstance(item, Pack):
            if item.station in self._stations:
                station = self._stations[item.station]
                try:
                    station.hear(now_s)
                    for release in station.order.add(item):
                        self._judge_release(release, station, now_s)
                except Exception:
                    self._choke(item, now_s)
        elif isinstance(item, PumpRested):
            if item.pump in self._pumps:
                self._rests.begin(now_s, self._pumps[item.pump], item.until_s)
                self._told.append(RestBegan(now_s, item.pump, item.until_s))
        elif isinstance(item, Answered):
            self._alarms.answer(now_s, item)
        elif isinstance(item, Noted):
            self._told.append(NotePinned(item.time_s, item.bed, item.text, item.who))
        elif isinstance(item, ShakedownStarted):
            self._told.append(ShakedownBegan(now_s, item.until_s, item.who))
        return self._drain()

    def advance(self, time_s: float) -> list[Event]:
        """Let the clock run up to `time_s` without an input."""
        if self._now_s is not None and time_s > self._now_s:
            self._run_to(time_s)
        return self._drain()

    def standing(self) -> list[dict]:
        """The standing alarms, most urgent first."""
        return self._alarms.standing(self._now_s or 0.0)

    def objection(self, answer: Answered) -> str | None:
        """Why this answer would fit no alarm just now, in one line; None where it does."""
        return self._alarms.objection(answer)

    def picture(self) -> dict:
        """What is believed of the garden just now, as plain values."""
        battery, water = self._battery, self._water.gauge
        return {
            "time": self._now_s,
            "beds": {b.name: b.picture(pump.stopped_since_s) for pump in self._pumps.values() for b in pump.beds},
            "pumps": {
                name: {
                    "running": self._is_running(pump),
                    "since": pump.stopped_since_s,
                    "resting_until": self._rests.until_s(name),
                }  # fmt: skip
                for name, pump in self._pumps.items()
            },
            "battery": {
                "voltage_v": self._trace.volts,
                "state_of_charge": battery.mean,
                "low": battery.low,
                "high": battery.high,
                "basis": battery.basis,
                "outlook": (outlook := self._power.outlook()) and outlook._asdict(),
                "time": self._trace.time_s,
            }
            if self._trace.volts is not None
            else None,
            "water": {"temperature_c": water.value, "time": water.heard_s} if water.value is not None else None,
            "stations": {
                name: {"last_heard": station.spoke_s, "silent": self._alarms.is_standing("station-silent", name)}
                for name, station in self._stations.items()
            },
            "standing": self.standing(),
            "returned": self._alarms.returned(),
            "shelved": self._alarms.shelved(),
        }

    def number_cycles_from(self, counts: dict[str, int]) -> None:
        """Go on numbering each bed's cycles after the given last number."""
        for name, count in counts.items():
            if name in self._beds:
                self._beds[name].cycles = count

    def save(self) -> bytes:
        """The whole state, for `restore` by the very same engine and site (see `fingerprint`)."""
        return pickle.dumps(self, protocol=pickle.HIGHEST_PROTOCOL)

    def __getstate__(self) -> dict:
        return {key: value for key, value in self.__dict__.items() if key not in ("_site", "_sun", "_sinks")}

    @classmethod
    def restore(cls, blob: bytes, site, sun) -> Monitor:
        """A monitor that goes on where `save` stopped. ValueError: the blob is not one of ours."""
        try:
            monitor = _Unpickler(io.BytesIO(blob)).load()
        except Exception as error:
            raise ValueError(f"the engine's saved state cannot be read ({error})") from error
        if not isinstance(monitor, cls):
            raise ValueError(f"the engine's saved state cannot be read (it is a {type(monitor).__name__})")
        monitor._site, monitor._sun = site, sun
        monitor._daylight.restore(sun)
        monitor._sinks = monitor._wire(site)
        return monitor

    # -- time

    def _run_to(self, time_s: float) -> None:
        if self._now_s is None or time_s - self._now_s > LONGEST_SLEEP_S:
            self._now_s = time_s
            return
        tick_s = (self._now_s // TICK_S + 1) * TICK_S
        while tick_s <= time_s:
            self._now_s = tick_s
            try:
                self._tick(tick_s)
            except Exception:
                self._stumble(tick_s)
            tick_s += TICK_S
        if time_s > self._now_s:
            self._now_s = time_s

    def _tick(self, now_s: float) -> None:
        for station in self._stations.values():
            for release in station.order.tick(now_s):
                self._judge_safely(release, station, now_s)
            self._listen(station, now_s)
        for bed in self._beds.values() if self._restless else ():
            if bed.name in self._restless:
                self._told += bed.settle(self._stations[bed.station].order.sampled_s, now_s)
                if bed.is_at_rest:
                    self._restless.discard(bed.name)
        self._judge_water(now_s)
        if now_s % 60 < TICK_S:
            self._judge_minutely(now_s)

    def _judge_water(self, now_s: float) -> None:
        for pump in self._pumps.values():
            sampled_s = self._known_until_s(pump)
            self._rests.judge(now_s, pump, sampled_s)
            if sampled_s is None or sampled_s - pump.judged_s < TICK_S:
                continue  # nothing new was sampled
            dark_since_s = self._daylight.dark_since_s(sampled_s)
            pump.judge(now_s, sampled_s, self._charger.dark_since_s(self._trace, sampled_s, dark_since_s))
            self._note_running(pump)

    def _known_until_s(self, pump: Pump) -> float | None:
        """How far all of the pump's beds that were heard of are known; None if none was, or a station is waited for."""
        known_s = None
        for bed in pump.beds:
            station = self._stations.get(bed.station)
            if station is not None and station.is_waited_for:
                return None
            if station is not None and (known_s is None or station.order.sampled_s < known_s):
                known_s = station.order.sampled_s
        return known_s

    def _judge_minutely(self, now_s: float) -> None:
        self._alarms.tick(now_s)
        missing = judge_others(now_s, self._heard, self._alarms)
        for bed in self._beds.values():
            if f"{bed.name}/level" in missing:
                bed.level_m = None  # it proves nothing any more
            station = self._stations.get(bed.station)
            if station is not None and not station.is_waited_for:
                judge_floats(now_s, station.order.sampled_s, bed, self._heard, self._alarms)
        voltage, water = (self._reader_of(name) for name in ("battery/voltage", "water/temperature"))
        if voltage is not None:
            self._voltage.judge(now_s, voltage.order, self._alarms)
        if water is not None:
            self._water.gauge.judge(now_s, water.order, self._alarms)
        if voltage is not None:
            for name in sorted(self._doubted):
                self._pumps[name].hear_of_night(now_s, self._battery.gone_share())
            self._power.judge(now_s, self._celsius)
        self._judge_sump(now_s)
        for pump in self._pumps.values():
            if self._known_until_s(pump) is not None:
                pump.judge_flow(now_s)
        night = self._night.tick(now_s, self._sun.local_date, self._battery)
        if night is not None:
            self._told.append(night)
        if now_s - self._forgot_s > 6 * 3600:
            self._forgot_s = now_s
            for bed in self._beds.values():
                for track in filter(None, (bed.high, bed.low)):
                    track.forget(now_s - KEPT_S)

    def _reader_of(self, name: str) -> Station | None:
        """The station that reads it; None if none does, or it is waited for."""
        station = self._heard[name][0] if name in self._heard else None
        return None if station is None or station.is_waited_for else station

    def _judge_sump(self, now_s: float) -> None:
        station = self._reader_of("sump/low")
        if station is None or station.order.sampled_s - (heard_s := self._heard["sump/low"][1]) > REPEATED_S:
            return
        if any(gap.to_s > heard_s for gap in station.order.gaps):
            return  # it may have changed in what is missing, until it speaks again
        sampled_s, pumps = station.order.sampled_s, self._pumps.values()
        if self._sump.is_in_spell or all(bed.high.wet for pump in pumps for bed in pump.beds):
            flooded = [pump.flooded(bed) for pump in pumps for bed in pump.beds]
            if None not in flooded and None not in map(self._known_until_s, pumps):
                self._sump.compare(sampled_s, flooded)
        if self._sump.is_in_spell:
            slowest_s = max(bed.period_s for bed in self._beds.values())
            self._sump.judge(now_s, sampled_s, slowest_s, any(pump.holds_water for pump in pumps))

    # -- stations

    def _start(self, now_s: float) -> None:
        """The service slept: nobody can be blamed for what was not heard meanwhile, so no tick falls into the sleep."""
        self._now_s = now_s
        for station in self._stations.values():
            station.heard_s = now_s

    def _listen(self, station: Station, now_s: float) -> None:
        if station.heard_s is None:
            station.heard_s = now_s  # from the first moment of watching on
        quiet_s = now_s - station.heard_s
        if quiet_s > SILENT_S and quiet_s > station.silent_after_s:
            words = f"The station '{station.name}' is silent. It has not been heard for {quiet_s / 60:.0f} minutes"
            words += f"; it used to speak every {median(station.intervals):.0f} s." if station.intervals else "."
            self._alarms.report(now_s, "station-silent", station.name, station.heard_s, words)
        elif station.is_waited_for and quiet_s < BACK_S and now_s - station.came_back_s > BACK_S:
            self._alarms.normal(now_s, "station-silent", station.name)
        if now_s % 60 < TICK_S:
            lag_s = now_s - station.order.sampled_s if station.order.sampled_s else 0.0
            station.is_catching_up = lag_s > LAGGING_S and lag_s < station.lag_s - 5
            station.lag_s = lag_s
        station.is_waited_for = station.is_catching_up or self._alarms.is_standing("station-silent", station.name)

    # -- packs

    def _judge_safely(self, release: Release, station: Station, now_s: float) -> None:
        try:
            self._judge_release(release, station, now_s)
        except Exception:
            self._choke(release.pack, now_s)

    def _judge_release(self, release: Release, station: Station, now_s: float) -> None:
        if release.set_back:
            self._trace.rewind()
            for pump in self._pumps.values():
                pump.rewind(station.name, station.order.sampled_s)
        elif release.gap:
            for bed in self._beds.values():
                if bed.station == station.name:
                    bed.doubt(release.gap)
        heard, sinks, late = self._heard, self._sinks, release.late
        for reading in release.pack.readings:
            name, sampled_s, _ = reading
            sink = sinks.get(name)
            if sink is not None:
                hear, subject = sink
                before, before_s = heard.get(name, (None, 0.0))
                heard[name] = station, max(sampled_s, before_s) if late else sampled_s
                if before is not station:
                    self._alarms.causes = causes(self._site, {name: who.name for name, (who, _) in heard.items()})
                hear(subject, reading, release, station, now_s)

    def _choke(self, pack: Pack, now_s: float) -> None:
        """A pack that the engine cannot digest must not come back for ever: say so and go on."""
        reason = traceback.format_exc(limit=-3)
        self._told.append(PackChoked(now_s, pack.station, pack.boot, pack.seq, reason[-2000:]))
        words = f"A pack of '{pack.station}' was set aside. Number {pack.seq} could not be judged."
        self._alarms.report(now_s, "sensor-fault", f"{pack.station}/readings", now_s, words)

    def _stumble(self, now_s: float) -> None:
        """Judging failed between inputs. It is told once an hour, and watching goes on as far as it can."""
        if now_s - self._stumbled_s < 3600:
            return
        self._stumbled_s = now_s
        self._told.append(PackChoked(now_s, "engine", 0, 0, traceback.format_exc(limit=-3)[-2000:]))
        words = "Judging has failed in part. It is a mistake in this program: do not rely on its silence."
        self._alarms.report(now_s, "sensor-fault", "engine/judgement", now_s, words)

    def _wire(self, site) -> dict:
        """For each reading's name the method that takes it, and the method's subject."""
        sinks: dict = {
            "battery/voltage": (self._hear_voltage, None),
            "battery/temperature": (self._hear_battery_temperature, None),
            "water/temperature": (self._hear_water, None),
            "sump/low": (self._hear_sump, None),
            "panel/current": (self._hear_panel, None),
        }
        for bed in self._beds.values():
            for what in ("high", "low", "level"):
                sinks[f"{bed.name}/{what}"] = (self._hear_bed, (bed, what))
        for pump in self._pumps.values():
            sinks[f"{pump.name}/current"] = (self._hear_current, pump)
        if len(self._pumps) == 1:
            sinks.setdefault("pump/current", (self._hear_current, next(iter(self._pumps.values()))))
        return sinks

    def _hear_voltage(self, _, reading, release: Release, station: Station, now_s: float) -> None:
        _, time_s, volts = reading
        if release.late or self._voltage.hear(time_s, volts) is None:
            return
        battery = self._battery
        self._trace.add(time_s, volts, self._daylight.is_dark(time_s) and not self._charger.is_on)
        judged = battery.add(time_s, volts, self._running, self._celsius)
        if judged is not None:
            self._told.append(judged._replace(time=now_s))
        self._night.hear(time_s, volts, battery)

    def _hear_battery_temperature(self, _, reading, release: Release, station: Station, now_s: float) -> None:
        if not release.late and -30 < reading.value < 70:
            self._celsius, self._has_own_celsius = reading.value, True

    def _hear_water(self, _, reading, release: Release, station: Station, now_s: float) -> None:
        if not release.late:
            self._water.hear(reading.sampled_s, now_s, reading.value)
            if not self._has_own_celsius:
                self._celsius = self._water.gauge.value

    def _hear_sump(self, _, reading, release: Release, station: Station, now_s: float) -> None:
        if not release.late:
            self._sump.hear_low(reading.sampled_s, reading.value)

    def _hear_bed(self, target, reading, release: Release, station: Station, now_s: float) -> None:
        bed, what = target
        if bed.station is None or (what == "high" and now_s - bed.told_s > 2 * REPEATED_S):
            bed.hear_from(station.name, station.order.gaps, reading.sampled_s)  # or its float was moved there
        if bed.station != station.name:
            return  # two stations' times and gaps cannot be told as one
        self._restless.add(bed.name)
        bed.told_s = now_s
        if what == "level":
            bed.hear_level(reading.sampled_s, reading.value, release.late)
            return
        track, hear = (bed.high, bed.hear_high) if what == "high" else (bed.low, bed.hear_low)
        known, changed_s = (track.raw_wet, track.last_change_s) if track is not None else (None, None)
        is_change = station.order.is_change(release, reading, known, changed_s)
        hear(reading.sampled_s, reading.value, release.late, is_change)

    def _hear_current(self, pump: Pump, reading, release: Release, station: Station, now_s: float) -> None:
        if not release.late:
            pump.current.hear(reading.sampled_s, reading.value)
            self._battery.hear_current(pump.name, reading.value)

    def _hear_panel(self, _, reading, release: Release, station: Station, now_s: float) -> None:
        if not release.late:
            self._battery.hear_current("panel", reading.value)

    # -- odds and ends

    def _note_running(self, pump: Pump) -> None:
        """Keep count of the pumps that run; each one's start and stop by night shows the series resistance."""
        name, stopped_s = pump.name, pump.stopped_since_s
        if stopped_s is None and name in self._running and name not in self._doubted and not pump.is_in_question:
            return  # it runs, as before
        trace, battery, step, before = self._trace, self._battery, None, (self._doubted, self._running)
        if stopped_s is not None and name not in self._stopped_s:
            step = trace.step_up(stopped_s - NEAR_S, stopped_s + NEAR_S)
            self._stopped_s[name] = stopped_s
            if self._draws_no_more(pump, step):
                self._running -= {name}
        elif stopped_s is None and name in self._stopped_s:
            step = trace.step_down(self._stopped_s.pop(name), trace.time_s)
            self._running |= {name}
        is_in_doubt = name in self._running and (stopped_s is not None or pump.is_in_question)
        if is_in_doubt != (name in self._doubted):
            self._doubted ^= {name}
        if before != (self._doubted, self._running):
            battery.doubt_loads(self._doubted, self._running)
        if step is not None and self._daylight.is_dark(step.time_s) and not pump.is_of_all(step):
            seen = self._resistance.hear(step, pump.current.usual_a or battery.pump_a(name))
            if seen is not None:
                battery.hear_resistance(*seen)
                self._night.resistance_ohm = self._resistance.ohm

    def _draws_no_more(self, pump: Pump, step: Step | None) -> bool:
        """Whether a pump that lifts nothing has surely no current either, which floats do not tell."""
        if self._rests.until_s(pump.name) is not None or pump.current.is_known(pump.judged_s):
            return True  # switched off; or measured, whatever it is
        lowest_v = self._trace.lowest_v(pump.stopped_since_s - NEAR_S, pump.judged_s)
        return lowest_v < self._cut_off_v + 0.1 or (step is not None and self._daylight.is_dark(step.time_s))

    def _drain(self) -> list[Event]:
        told = self._told.copy()
        self._told.clear()
        return told

    def _is_running(self, pump: Pump) -> bool | None:
        if pump.stopped_since_s is not None:
            return False
        is_known = self._known_until_s(pump) is not None and any(bed.rise_s > 0 for bed in pump.beds)
        return True if is_known else None


class _Unpickler(pickle.Unpickler):
    """Only what the engine itself is made of: a database that someone else wrote cannot run code."""

    def find_class(self, module: str, name: str):
        if module.startswith("barreltide.core.") or (module, name) in (("collections", "deque"), ("random", "Random")):
            return super().find_class(module, name)
        raise pickle.UnpicklingError(f"{module}.{name} does not belong there")


def fingerprint(site) -> str:
    """Changes whenever a saved state must not be restored: another engine, or another garden."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    for part in (site.place, site.battery, site.panel, site.sump, site.pumps, site.beds, site.stations):
        digest.update(repr(part).encode())
    return digest.hexdigest()[:32]
