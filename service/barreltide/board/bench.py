"""What is done with a board on the bench: its sensors read, its divider calibrated, floats and thermometers tried out.

The person does the moving and reads the multimeter; this watches the board through firmware/bench.py and says what it
makes of it. What is found out goes into config.json only after a yes.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from . import BoardError, calibration, configure, firmware
from .repl import Repl

START = """
try:
    import main
    main.enter()
    import bench
except ImportError as error:
    raise RuntimeError("no firmware that answers (%s): `barreltide board install` puts it there" % error)
try:
    with open(main._here() + "config.json", "rb") as _file:
        _config = _file.read()
except OSError:
    raise RuntimeError("no config.json on this board: `barreltide board configure` writes it")
_bench = bench.Bench(_config)
"""
READ_EVERY_S = 2.0
MEASURE_MS = 3_000
REST_MS = 1_000
LOOK_MS = 300
SETTLE_MS = 1_000
PATIENCE_S = 30.0
BOUNCES_MS = 200  # contacts bounce for milliseconds; the firmware waits for two seconds of calm
WARMER_C = 1.0
APART_C = 0.5
WARMING_S = 180.0
MOST_THERMOMETERS = 16
MOST_POINTS = 4

Ask = Callable[[str], str]
Say = Callable[[str], None]


class Bench:
    """One board on the bench. Raises BoardError where it has no firmware, or no config.json that is right."""

    def __init__(self, repl: Repl, ask: Ask, say: Say, sleep: Callable[[float], None] = time.sleep) -> None:
        self._repl, self._ask, self._say, self._sleep = repl, ask, say, sleep
        try:
            repl.run(START)
        except BoardError as error:
            raise BoardError(str(error).removeprefix("RuntimeError: ")) from None
        self._config = configure.load(repl)
        self._settings = firmware.settings_module().read(repl.read(configure.CONFIG))[0]

    # Reading

    def read(self, once: bool) -> int:
        """Print every sensor, raw and converted, until Ctrl-C; the exit status is 1 if the last round missed one."""
        while True:
            rows = self._repl.ask("_bench.sensors()")
            if not rows:
                raise BoardError("config.json names no sensor: `barreltide board configure` asks for them")
            self._say(time.strftime("%H:%M:%S"))
            for row in rows:
                self._say(_in_words(*row))
            if once:
                return 1 if any(wrong for *_, wrong in rows) else 0
            self._sleep(READ_EVERY_S)

    # Calibrating

    def calibrate(self) -> int:
        """Take readings of a multimeter until there are no more, and write scale and offset."""
        battery = self._settings.battery
        if not battery:
            raise BoardError("config.json names no battery: `barreltide board configure` asks for its pin")
        self._say(
            "Measure at the battery's own terminals, not at the board. A battery drives thousands of amperes through a"
            " dropped tool: take off rings, and mind where the probes go."
        )
        kept = readings = self._kept_points()
        self._say(f"Each reading takes {MEASURE_MS / 1000:g} s: type it, and let the probes be till the next question.")
        while True:
            typed = self._ask(
                "Type the multimeter's volts" + (", or Enter to end: " if readings != kept else ": ")
            ).strip()
            if not typed:
                break
            try:
                meter_v = float(typed.lower().removesuffix("v").replace(",", "."))
            except ValueError:
                self._say(f"{typed!r} is no number of volts, like 12.64.")
                continue
            pin_v, noise_v, count = self._repl.ask(f"_bench.volts({MEASURE_MS})")
            reading = calibration.Reading(pin_v, noise_v, meter_v)
            self._say(f"  {pin_v:.4f} V at the pin, ±{noise_v * 1000:.1f} mV over {count} times; {meter_v:g} V shown")
            try:
                calibration.fit([*readings, reading], battery["scale"], battery["offset_v"])
            except BoardError as error:
                self._say(f"  {error}" if str(error).endswith("?") else f"  {error}.")
                if readings and self._is_good_alone(reading, battery):
                    if self._is_yes("Is this one right, and are those before to be left out", "n"):
                        readings = [reading]
                continue
            readings = [*readings, reading]
        if readings == kept:
            self._say("Nothing is changed.")
            return 1
        found = calibration.fit(readings, battery["scale"], battery["offset_v"])
        self._say(f"scale {found.scale:.4f} (it was {battery['scale']:g}), offset_v {found.offset_v:+.3f}")
        for line in found.words:
            self._say(line)
        points = [[round(reading.pin_v, 4), reading.meter_v] for reading in readings[-MOST_POINTS:]]
        new = {
            "scale": round(found.scale, 4),
            "offset_v": round(found.offset_v, 4),
            "points": points,
            "calibration": None,
        }
        return self._write({"battery": new})

    def _is_good_alone(self, reading: calibration.Reading, battery: dict[str, Any]) -> bool:
        try:
            calibration.fit([reading], battery["scale"], battery["offset_v"])
            return True
        except BoardError:
            return False

    def _kept_points(self) -> list[calibration.Reading]:
        """The readings of earlier days, which lie in config.json: a battery does not show two voltages in an hour."""
        try:
            rows = self._config["battery"]["points"]
            kept = [calibration.Reading(float(pin_v), 0.0, float(meter_v)) for pin_v, meter_v in rows]
        except (KeyError, TypeError, ValueError):
            return []
        for reading in kept:
            self._say(f"Kept from before: {reading.meter_v:g} V, with {reading.pin_v:.4f} V at the pin.")
        return kept

    # Floats

    def floats(self) -> int:
        """Have each float lifted and lowered; the exit status is 1 where one is not as it should be."""
        if not self._settings.floats:
            raise BoardError("config.json names no float: `barreltide board configure` asks for their pins")
        faults, inverted = {}, []
        for switch in self._settings.floats:
            name = switch["name"]
            fault = self._try_float(name, switch["wet"])
            while fault not in (None, "inverted"):
                self._say(f"  {name} {fault}.")
                if not self._is_yes("  Try it once more", "n"):
                    break
                fault = self._try_float(name, switch["wet"])
            if fault == "inverted":
                fault = f"is inverted: lifted, its pin is at {1 - switch['wet']}, and config.json says {switch['wet']}"
                inverted.append(switch)
            if fault is None or switch in inverted:
                self._say(f"  {name} {fault or 'is good'}.")
            if fault:
                faults[name] = fault
        if inverted and self._is_yes("Put that right in config.json"):
            changes: dict[str, Any] = {}
            for switch in inverted:
                owner, mark = switch["name"].split("/")
                beds = changes if owner == "sump" else changes.setdefault("beds", {})
                beds.setdefault(owner, {})[mark] = {"wet": 1 - switch["wet"]}
            self._write(changes, asked=True)
        return 1 if faults else 0

    def _try_float(self, name: str, wet: int) -> str | None:
        """What is wrong with it, or None."""
        self._ask(f"{name}: let it hang down and be still, then press Enter. ")
        hanging = self._repl.ask("_bench.levels()")
        unrest = [edge for edge in self._repl.ask(f"_bench.watch({REST_MS})") if edge[1] == name]
        if unrest:
            return f"changes {len(unrest)} times a second at rest: a loose wire, or a long one without its pull-up"
        self._say(f"  Now lift it, and hold it up (within {PATIENCE_S:g} s).")
        lifted, fault = self._moved(name, hanging)
        if fault:
            return fault
        self._say("  Let it down again.")
        _, fault = self._moved(name, lifted)
        if fault:
            return fault.replace("did not move", "did not come down")
        return "inverted" if lifted[name] != wet else None

    def _moved(self, name: str, before: dict[str, int]) -> tuple[dict[str, int], str | None]:
        """(all levels once something has moved and is calm, what is wrong with the float that should have moved)."""
        give_up = time.monotonic() + PATIENCE_S
        edges: list[list[Any]] = []
        while time.monotonic() < give_up:
            edges = self._repl.ask(f"_bench.watch({LOOK_MS})")
            if edges or self._repl.ask("_bench.levels()") != before:
                later = self._repl.ask(f"_bench.watch({SETTLE_MS})")
                edges += [[ms + LOOK_MS, *rest] for ms, *rest in later]
                break
        levels = self._repl.ask("_bench.levels()")
        if levels[name] == before[name]:
            others = sorted(other for other in levels if levels[other] != before[other])
            if others:
                return levels, f"did not move, but {others[0]} did: their pins are exchanged"
            return levels, (
                f"did not move within {PATIENCE_S:g} s: lifted too late, or it sticks, its wire is broken, or it is on"
                " another pin"
            )
        mine = [edge[0] for edge in edges if edge[1] == name]
        if mine and mine[-1] - mine[0] > BOUNCES_MS:
            return levels, f"bounces for {mine[-1] - mine[0]} ms: its contact is worn, or its wire is loose"
        return levels, None

    # Thermometers

    def thermometers(self) -> int:
        """Have each thermometer warmed in the hand, and write which is which."""
        keys = [sensor["name"] for sensor in self._settings.thermometers]
        if not keys:
            raise BoardError("config.json names no thermometer: `barreltide board configure` asks for its pin")
        found = self._temperatures()
        if not found:
            raise BoardError("no thermometer answers: look at its three wires, and at the 4.7 kOhm from data to 3.3 V")
        for address, (pin, celsius) in found.items():
            shown = "no reading" if celsius is None else f"{celsius:.1f} C"
            self._say(f"  {address} on pin {pin}: {shown}")
        named: dict[str, str] = {}
        while len(named) < len(found) and len(named) < MOST_THERMOMETERS:
            left = [address for address in found if address not in named]
            if len(left) > 1 or len(keys) > 1:
                self._say("Take one of them in your hand.")
                left = [self._warmed(left)]
            names = [name for name in keys if name not in named.values()]
            if not names:
                break
            typed = self._ask(f"{left[0]}: which is it, {' or '.join(names)}? [{names[0]}, - for neither] ").strip()
            named[left[0]] = "" if typed == configure.NONE else typed or names[0]
            if named[left[0]] not in ("", *names):
                self._say(f"{typed!r} is none of them.")
                del named[left[0]]
        places = {"water/temperature": "water", "battery/temperature": "battery_temperature"}
        return self._write({places[name]: {"rom": address} for address, name in named.items() if name})

    def _temperatures(self) -> dict[str, tuple[Any, float | None]]:
        return {address: (pin, celsius) for pin, address, celsius, _ in self._repl.ask("_bench.thermometers()")}

    def _warmed(self, left: list[str]) -> str:
        """The one that grows warmer than the others."""
        start = self._temperatures()
        give_up = time.monotonic() + WARMING_S
        while time.monotonic() < give_up:
            now = self._temperatures()
            rises = sorted(
                ((now[a][1] - start[a][1], a) for a in left
                 if None not in (now.get(a, (0, None))[1], start.get(a, (0, None))[1])), reverse=True)  # fmt: skip
            if rises and rises[0][0] >= WARMER_C and (len(rises) < 2 or rises[0][0] - rises[1][0] >= APART_C):
                self._say(f"  {rises[0][1]} grows warmer.")
                return rises[0][1]
            self._sleep(0.2)
        raise BoardError(f"none has grown warmer by {WARMER_C:g} C within {WARMING_S:g} s; water from a kettle helps")

    # Writing

    def _is_yes(self, words: str, kept: str = "y") -> bool:
        return (self._ask(f"{words}? y or n [{kept}]: ").strip().lower() or kept) in ("y", "yes")

    def _write(self, changes: dict[str, Any], asked: bool = False) -> int:
        if not changes or not (asked or self._is_yes("Write this into config.json on the board")):
            self._say("Nothing is changed.")
            return 1
        configure.write(self._repl, configure.merged(self._config, changes), self._say)
        self._say("It is written.")
        return 0


def _in_words(name: str, raw: str, value: Any, unit: str, wrong: str | None) -> str:
    if wrong:
        shown = f"nothing: {wrong}"
    elif isinstance(value, bool):
        shown = "water is there" if value else "dry"
    else:
        shown = f"{value:.3f} {unit}" if unit != "Cel" else f"{value:.2f} C"
    return f"  {name:<22}{shown:<24}{raw}"
