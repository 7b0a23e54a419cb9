"""`barreltide rest-test`: walks the grower through a rest of the pump, to see what the battery's voltage does then.

A battery that feeds a pump day and night never rests. With the pump off, the step of its voltage over the pump's
current is the resistance of battery and leads, and where the voltage then creeps to is nearer to what the published
tables are about. This command only watches and speaks: the grower switches. The fish come first: it lets no rest last
longer than a share of the time for which their oxygen lasts, worked out anew as the water warms, and ends it when
anything cannot be watched any more. While it lasts the service holds its alarms back, and tells if no water comes.

All time is the service's own clock. The service hears the same readings and learns from them as from any others.
"""

from __future__ import annotations

import time
from argparse import Namespace
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from .. import Failure
from ..core import oxygen
from ..core.daylight import Daylight
from ..core.voltage import VoltageTrace
from ..site import Site
from ..sun import Sun
from .client import Client, ClientError
from .rest_result import Seen, result

SAFE_SHARE = 0.5  # of the low end of the hours that the fish have
USUAL_MIN, LEAST_MIN, MOST_MIN = 60, 5, 24 * 60
LOOK_S = 5.0
BEFORE_S = 7200.0  # of voltage, so that its noise is known
CURRENT_S = 600.0  # of the pumps' sensors
FRESH_S = 900.0  # older readings are no readings
SILENT_S = 420.0
WARMER_C = 1.0
STEP_SEEN_S = 300.0  # by when a load that has gone shows
UNKNOWN_PERIOD_S = 1800.0
MOST_READINGS = 5_000
MOST_FAILURES = 18  # of the service to answer, one after the other
WHOLE_S = 150.0  # after a step, until it is wholly in view
COME_S = 300.0  # so long is a step waited for when water moves already

CAUTIONS = (
    "Before you begin. A battery drives thousands of amperes through a dropped tool: take off rings, keep tools off",
    "its terminals, and keep flame and spark away from its gas. Keep water and mains apart. Local codes and licensed",
    "practice come before anything said here. Stay within reach, and have an air pump ready for the fish.",
)


def run(site: Site, options: Namespace) -> int:
    """Walk through it at the keyboard. Raises ClientError or Refusal."""

    def ask(line: str) -> None:
        try:
            input(line)
        except EOFError:  # nobody at the keyboard: whoever started it so has switched
            print()

    return RestTest(site, Client.of_site(site), lambda line: print(line, flush=True), ask).run(options.minutes)


class Refusal(Failure):
    """No rest now; the text is one line."""


class Urgent(Exception):
    """The rest must end at once; the text says why."""


class RestTest:
    """One rest. say: takes a line; ask: shows a line and returns when the grower is ready; sleep: takes seconds."""

    def __init__(
        self, site: Site, client: Client, say: Callable[[str], None] = print,
        ask: Callable[[str], Any] = lambda line: None, sleep: Callable[[float], None] = time.sleep,
    ) -> None:  # fmt: skip
        self._site, self._client = site, client
        self._say, self._ask, self._sleep = say, ask, sleep
        self._pumps = [pump.name for pump in site.pumps]
        self._names = " and ".join(f"'{name}'" for name in self._pumps)
        self._trace = VoltageTrace()
        self._heard_s = 0.0  # up to where the voltage is known
        self._station = ""
        self._asked_s = self._back_s = 0.0
        self._start_c: float | None = None
        self._answered_s = 0.0
        self.seen = Seen()

    def run(self, minutes: float | None = None) -> int:
        """The exit status: 0, or 1 where water was not seen back. Raises Refusal or ClientError before anything is
        switched off; KeyboardInterrupt passes, after the grower was told to switch on again."""
        now = self._client.get("api/now")
        asked, minutes = minutes, self._allow(now, minutes)
        self._asked_s = now["now_s"]
        self._listen(now["now_s"], now["now_s"] - BEFORE_S)
        self.seen.load_a = self._measured_a(now["now_s"])
        for line in CAUTIONS:
            self._say(line)
        self._introduce(now, asked, minutes)
        self._register(now, minutes)  # before anything is off: where it is refused, nothing has happened
        self._say("The service holds back what a pump at rest would raise, and tells if no water comes back.")
        try:
            self._ask(f"Switch {self._names} off by hand now, and whatever else draws. Then press Enter. ")
            return self._rest(minutes)
        except BaseException:
            self._say(f"\nSwitch {self._names} on again now, and see with your own eyes that water moves.")
            raise

    # -- before

    def _allow(self, now: dict, minutes: float | None) -> float:
        """For how many minutes, at most as many as are asked for. Raises Refusal."""
        battery, now_s = now.get("battery") or {}, now["now_s"]
        for name, station in (now.get("stations") or {}).items():
            if station.get("silent") or now_s - (station.get("last_heard") or 0.0) > SILENT_S:
                raise Refusal(f"the station '{name}' is silent, so that nothing can be watched")
        if battery.get("voltage_v") is None or now_s - battery["time"] > FRESH_S:
            raise Refusal("no battery voltage has been heard lately")
        standing = [alarm for alarm in now.get("standing") or [] if alarm.get("priority") == "urgent"]
        if [alarm for alarm in standing if not alarm["alarm"].startswith("battery-")]:
            raise Refusal(f"first see to what stands: {standing[0].get('message', standing[0]['alarm'])}")
        safe = self._safe_minutes(now)
        if safe is None and minutes is None:
            raise Refusal(
                "how long the fish can do without the pump is not known: it takes volume_l, fish and fish_mass_kg in"
                " [sump], and a water temperature; or give --minutes yourself")  # fmt: skip
        if minutes is not None and safe is not None and minutes > safe:
            raise Refusal(f"--minutes: found {minutes:g}; for the fish at most {int(safe)} would do")
        allowed = minutes if minutes is not None else min(safe, USUAL_MIN)
        if allowed < LEAST_MIN:
            raise Refusal(
                f"the fish can be without the pump for {allowed:.0f} minutes, which is too short to learn from"
            )
        return allowed

    def _safe_minutes(self, now: dict) -> float | None:
        """A share of the time for which the fish have oxygen; None where that is not known."""
        sump, water = self._site.sump, now.get("water") or {}
        if sump is None:
            return None
        if sump.fish.strip().lower() == "none":
            return MOST_MIN
        celsius = water.get("temperature_c")
        if celsius is None or now["now_s"] - water["time"] > 4 * FRESH_S or not sump.volume_l or not sump.fish_mass_kg:
            return None
        self._start_c = celsius if self._start_c is None else self._start_c
        span = oxygen.hours(sump.volume_l, sump.fish, sump.fish_mass_kg, celsius, self._site.altitude_m)
        return MOST_MIN if span is None else min(60 * SAFE_SHARE * span.low_h, MOST_MIN)

    def _introduce(self, now: dict, asked: float | None, minutes: float) -> None:
        sump, safe = self._site.sump, self._safe_minutes(now)
        if safe is None:
            self._say(
                f"WARNING: how long the fish can be without the pump is not known. You have said {asked:g} minutes."
            )
        elif sump.fish.strip().lower() != "none" and sump.fish_mass_kg:
            celsius = now["water"]["temperature_c"]
            span = oxygen.hours(sump.volume_l, sump.fish, sump.fish_mass_kg, celsius, self._site.altitude_m)
            self._say(f"At {celsius:.1f} °C the fish have oxygen {_for(oxygen.in_words(span))} (an estimate).")
            self._say(f"For them at most {int(safe)} minutes without the pump are safe.")
        sun = Sun(self._site.latitude, self._site.longitude, self._site.time_zone)
        self.seen.is_dark = Daylight(sun, self._site.latitude).is_dark(now["now_s"])
        if not self.seen.is_dark:
            self._say("It is day: a panel that charges leaves the battery no rest. Better begin two hours after dark,")
            self._say("or disconnect the panel first, at its own switch.")
        if minutes < 20:
            self._say("So short a rest shows the resistance, but not where the voltage would come to rest.")
        self._say(f"The rest will last {minutes:.0f} minutes. Ctrl-C ends it at any time.")

    # -- the rest itself

    def _rest(self, minutes: float) -> int:
        now = self._client.get("api/now")
        began_s = self._answered_s = now["now_s"]
        self._register(now, minutes)
        try:
            self._watch(began_s, minutes)
            self._say("\aThe time is over.")
        except Urgent as reason:
            self._say(f"\aEND THE REST NOW. {reason}")
        self.seen.until_s = self._answered_s
        self._say(f"Switch {self._names} on again, now.")
        is_back = self._watch_it_come_back(self._answered_s)
        for line in result(self._site, self.seen):
            self._say(line)
        return 0 if is_back else 1

    def _register(self, now: dict, minutes: float) -> None:
        """Have the alarms held back until water should be seen again, but never for longer than the fish have."""
        periods = [bed["period_s"] for bed in (now.get("beds") or {}).values() if bed.get("period_s")]
        self._back_s = min(periods, default=UNKNOWN_PERIOD_S) + 300
        safe, for_s = self._safe_minutes(now), 60 * minutes + self._back_s
        if safe is not None:
            for_s = min(for_s, max(0.9 * 60 * safe / SAFE_SHARE, 60 * minutes + 120))
        for pump in self._pumps:
            self._client.tell({"input": "pump-rested", "pump": pump, "for_s": min(round(for_s, 1), 86_400)})

    def _watch(self, began_s: float, minutes: float) -> None:
        """Until the time is over. Raises Urgent where it must not be waited for."""
        told_s = asked_s = began_s
        while True:
            now = self._look()
            now_s, volts = now["now_s"], self._trace.volts
            step = self._trace.step_up(self._asked_s - 60, now_s)
            if self.seen.off is None and step is not None:
                began_s = min(began_s, step.time_s)  # the switch may have come before the Enter
                self._say(f"{self._clock(now_s)}  the load has gone: the voltage rose by {1000 * step.volts:.0f} mV")
            elif self.seen.off is None and now_s - asked_s > STEP_SEEN_S:
                asked_s = now_s
                self._say(f"{self._clock(now_s)}  no step in the voltage is to be seen. Is the pump off?")
            if self.seen.off is None or now_s - self.seen.off.time_s < WHOLE_S:
                self.seen.off = step
            self._must_go_on(now, began_s)
            safe = self._safe_minutes(now)
            left_s = began_s + 60 * min(minutes, safe if safe is not None else minutes) - now_s
            if left_s <= 0:
                return
            if now_s - told_s >= 60:
                told_s = now_s - now_s % 60
                left = f"{left_s / 60:.0f} minutes" if left_s > 90 else "a minute"
                self._say(f"{self._clock(now_s)}  {volts:.2f} V, {left} left")
            self._sleep(LOOK_S)

    def _must_go_on(self, now: dict, began_s: float) -> None:
        """Raises Urgent where the rest must end before its time."""
        now_s = now["now_s"]
        for name, station in (now.get("stations") or {}).items():
            if station.get("silent") or now_s - (station.get("last_heard") or 0.0) > SILENT_S:
                raise Urgent(f"The station '{name}' is silent: nothing is watched any more.")
        celsius = (now.get("water") or {}).get("temperature_c")
        if celsius is not None and self._start_c is not None and celsius >= self._start_c + WARMER_C:
            raise Urgent(f"The water has warmed from {self._start_c:.1f} to {celsius:.1f} °C.")
        if celsius is not None and self._site.sump is not None and celsius > self._site.sump.warmest_c:
            raise Urgent(f"The water is at {celsius:.1f} °C, too warm for the fish.")
        for alarm in now.get("standing") or []:
            if alarm.get("priority") == "urgent" and alarm.get("raised", 0.0) > began_s:
                raise Urgent(str(alarm.get("message", alarm["alarm"])))
        if bed := _moved(now, began_s + 300, rises=True):
            raise Urgent(f"Water has risen in '{bed}': a pump runs.")

    # -- after

    def _watch_it_come_back(self, on_s: float) -> bool:
        """Whether water was seen to move again."""
        told_s, moved_s = on_s, None
        while True:
            try:
                now = self._look()
            except Urgent as reason:
                self._say(f"{reason} Look at the water with your own eyes.")
                return False
            now_s = now["now_s"]
            # The step needs a minute of voltage on its far side, and the water may come before that.
            step = self._trace.step_down(on_s - 120, now_s)
            if self.seen.on is None and step is not None:
                self._say(f"{self._clock(now_s)}  the load is back: the voltage fell by {-1000 * step.volts:.0f} mV")
            if self.seen.on is None or now_s - self.seen.on.time_s < WHOLE_S:
                self.seen.on = step
            bed = _moved(now, on_s)
            if bed and moved_s is None:
                moved_s = now_s
                self._say(f"{self._clock(now_s)}  water moves in '{bed}' again")
            is_measured = self.seen.on is not None and now_s - self.seen.on.time_s > WHOLE_S
            if moved_s is not None and (is_measured or self.seen.off is None or now_s - moved_s > COME_S):
                return True
            if moved_s is None and now_s - on_s > self._back_s + 300:
                self._say(f"\aNO WATER HAS BEEN SEEN in any bed. Go and look at once: do {self._names} lift?")
                return False
            if now_s - told_s >= 60:
                told_s = now_s
                if self.seen.on is None and not bed:
                    self._say(f"\a{self._clock(now_s)}  {self._names} on again? Nothing shows it yet.")
                elif not bed:
                    self._say(f"{self._clock(now_s)}  waiting for the water to reach a float")
            self._sleep(LOOK_S)

    # -- looking

    def _look(self) -> dict:
        """The service's picture, with the voltage heard up to now. Raises Urgent if it has not answered for long."""
        for _ in range(MOST_FAILURES):
            try:
                now = self._client.get("api/now")
                self._listen(now["now_s"], self._heard_s)
                self._answered_s = now["now_s"]
                return now
            except ClientError as error:
                reason = error
                self._sleep(LOOK_S)
        raise Urgent(f"Nothing can be watched any more: {reason}.")

    def _listen(self, now_s: float, since_s: float) -> None:
        """Hear the battery's voltage."""
        if not self._station:
            rows = [row for row in self._client.get("api/series")["series"] if row["name"] == "battery/voltage"]
            self._station = max(rows, key=lambda row: row["time_s"])["station"]
        for time_s, volts in self._readings("battery/voltage", since_s, now_s):
            if time_s > self._heard_s:
                self._heard_s = time_s
                self._trace.add(time_s, volts, True)
                self.seen.volts.append((time_s, volts))

    def _measured_a(self, now_s: float) -> float | None:
        """What the pumps drew just before the rest by their sensors, all together; None unless each has one."""
        known, total_a = {row["name"] for row in self._client.get("api/series")["series"]}, 0.0
        for pump in self._pumps:
            name = f"{pump}/current" if f"{pump}/current" in known or len(self._pumps) > 1 else "pump/current"
            found = self._readings(name, now_s - CURRENT_S, now_s) if name in known else []
            if not found:
                return None
            total_a += sum(amperes for _, amperes in found) / len(found)
        return total_a or None

    def _readings(self, name: str, since_s: float, now_s: float) -> list[list[float]]:
        return self._client.get(
            "api/readings", station=self._station, name=name, start_s=since_s, end_s=now_s, limit=MOST_READINGS
        )["readings"]

    def _clock(self, time_s: float) -> str:
        return f"{datetime.fromtimestamp(time_s, ZoneInfo(self._site.time_zone)):%H:%M}"


def _moved(now: dict, since_s: float, rises: bool = False) -> str | None:
    """A bed whose float has moved after `since_s`; None if none has. rises: falls do not count, as a siphon that had
    started ends by itself."""
    for name, bed in (now.get("beds") or {}).items():
        if bed.get("wet") in ((True,) if rises else (True, False)) and (bed.get("since") or 0.0) > since_s:
            return name
    return None


def _for(words: str) -> str:
    return words if words.startswith("for ") else f"for {words}"
