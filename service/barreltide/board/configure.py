"""config.json by questions, or from a file laid over what is there; judged by the firmware's own rules.

Each answer is judged as it comes, by those rules and by the board itself, which alone knows its pins: whoever has typed
a wrong one is asked again, and for nothing else.

Passwords are read without echo, are never on a command line, never logged and never shown again; what is on the board
already stays, secrets too, where Enter is pressed. They lie in plain text on the board's flash: whoever holds the board
can read them. So a station has its own user name at the broker, and Wi-Fi had better be one for such things.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from . import BoardError, firmware
from .repl import Repl

CONFIG = "config.json"
NONE = "-"  # typed for what there is not
NEW: dict[str, Any] = {"site": "garden", "station": "barrels"}
ASKED = ("site", "station", "wired", "wifi", "broker", "battery", "beds", "sump", "water")
UNASKED: dict[str, Any] = {"site": "garden", "station": "barrels", "wired": True}  # good, until its question has come
MOST_AT_A_PIN_V = 3.3
CHARGING_V = 14.4  # a 12 V battery by day; common practice, no source
TRY = """
try:
    import main
    main.enter()
    import bench
except ImportError:
    bench = None
"""

Ask = Callable[[str], str]
Say = Callable[[str], None]
Judge = Callable[[str], list[str]]


def load(repl: Repl) -> dict[str, Any]:
    """config.json on the board; {} where there is none that can be read."""
    try:
        found = json.loads(repl.read(CONFIG) or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def check(config: str | bytes) -> list[str]:
    """Judge config.json as the station will. Returns its warnings; raises BoardError with its one line."""
    settings = firmware.settings_module()
    try:
        return settings.read(config)[1]
    except settings.SettingsError as error:
        raise BoardError(str(error)) from None


def judge_of(repl: Repl) -> Judge:
    """As check, and then by this board: whether it has these pins. One without our firmware is not asked."""
    repl.run(TRY)

    def judge(config: str) -> list[str]:
        warnings = check(config)
        wires = {key: value for key, value in json.loads(config).items() if key not in ("wifi", "broker")}
        text = json.dumps(wires | {"wired": True}, ensure_ascii=False)
        try:
            repl.run(f"bench and bench.Bench({text!r}) and None")
        except BoardError as error:
            if str(error).startswith(CONFIG):  # what else goes wrong there is not the config's fault
                raise
        return warnings

    return judge


def write(repl: Repl, config: dict[str, Any], say: Say, judge: Judge = check) -> None:
    """Judge it, and put it on the board."""
    text = json.dumps(config, indent=1, ensure_ascii=False)
    for warning in judge(text):
        say(warning)
    repl.put(CONFIG, text.encode())


def merged(old: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """changes over old, table by table; None takes a key away."""
    new = dict(old)
    for key, value in changes.items():
        if value is None:
            new.pop(key, None)
        else:
            new[key] = merged(_table(old, key), value) if isinstance(value, dict) else value
    return new


def from_file(repl: Repl, path: str, say: Say) -> None:
    """A config.json of this computer, or a part of one, over what is on the board; and the authority's file that it
    names, beside it."""
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        sudo = "; sudo in front would do" if isinstance(error, PermissionError) else ""
        raise BoardError(f"{path} cannot be read: {error.strerror}{sudo}") from None
    try:
        part = json.loads(content.decode("utf-8-sig"))
    except ValueError:
        part = None
    if not isinstance(part, dict):
        check(content)
    config = merged(load(repl), part)
    judge = judge_of(repl)
    judge(json.dumps(config))
    authority = _table(part, "broker").get("ca_file")
    beside = Path(path).parent / (authority or "")
    if authority and beside.is_file():
        repl.put(authority, beside.read_bytes())
        say(f"{authority} is on the board.")
    elif authority and repl.hash(authority) is None:
        raise BoardError(f"{path} names the authority's file {authority!r}, which does not lie beside it")
    write(repl, config, say, judge)


def _table(config: dict[str, Any], key: str) -> dict[str, Any]:
    """A copy; empty where there is none."""
    found = config.get(key)
    return dict(found) if isinstance(found, dict) else {}


def _place(table: dict[str, Any], key: str, value: Any) -> None:
    if value in (None, {}):
        table.pop(key, None)
    else:
        table[key] = value


class Questions:
    """Goes through what a station needs. ask: shows a prompt, returns a line; ask_secret: the same without echo."""

    def __init__(self, ask: Ask, ask_secret: Ask, say: Say, judge: Judge = check) -> None:
        self._ask, self._ask_secret, self._say, self._judge = ask, ask_secret, say, judge
        self._new: dict[str, Any] = {}
        self._unasked: dict[str, Any] = {}

    def go_through(self, old: dict[str, Any]) -> dict[str, Any]:
        """The new config.json. What is not asked for stays as it is in `old`; raises BoardError where that is wrong."""
        new = self._new = {key: value for key, value in old.items() if key not in ASKED}
        self._unasked = dict(UNASKED)
        if wrong := self._wrong():
            raise BoardError(f"{wrong}. It is not asked for here: `configure --from FILE` brings it right")
        self._say(
            "Enter keeps what stands in brackets; - stands for none. A pin is its GPIO number (26 for GP26, 34 for"
            " IO34), not its place along the board's edge."
        )
        old = {**NEW, **old}
        for key, words in (("site", "Name of the site"), ("station", "Name of this station")):
            del self._unasked[key]
            self._until_right(
                new, key, lambda key=key, words=words: self._text(f"{words}, as in the site file", old[key])
            )
        if self._yes("Will it stay plugged into this computer by USB, without Wi-Fi", bool(old.get("wired"))):
            new["wired"] = True
        else:
            self._network(old)
        self._battery(_table(old, "battery"))
        self._beds(_table(old, "beds"))
        sump = _table(old, "sump")
        mark = _table(sump, "low")
        new["sump"] = {key: value for key, value in sump.items() if key != "low"}
        self._switch(new["sump"], "low", "Sump: pin of the float at its low mark", mark)
        water = _table(old, "water")
        self._until_right(
            new, "water", lambda: self._pin("Pin of the thermometer in the sump", water.get("pin"), water)
        )
        return {key: new[key] for key in (*ASKED, *new) if new.get(key) not in (None, {})}

    def _until_right(self, table: dict[str, Any], key: str, ask: Callable[[], Any]) -> Any:
        """Ask for `key` of a table of the new config.json until the station would take it."""
        while True:
            value = ask()
            _place(table, key, value)
            wrong = self._wrong()
            if wrong is None:
                return value
            self._say(f"{wrong}.")

    def _wrong(self) -> str | None:
        try:
            self._judge(json.dumps({**self._unasked, **self._new}))
        except BoardError as error:
            return str(error)
        return None

    # Kinds of questions

    def _line(self, words: str, kept: Any) -> str | None:
        """What was typed; None for Enter."""
        return self._ask(f"{words} [{NONE if kept is None else kept}]: ").strip() or None

    def _text(self, words: str, kept: str | None) -> str | None:
        typed = self._line(words, kept)
        return kept if typed is None else None if typed == NONE else typed

    def _secret(self, words: str, kept: str | None) -> str | None:
        typed = self._ask_secret(f"{words} (is not shown) [{'as it is' if kept else NONE}]: ")
        return kept if not typed else None if typed == NONE else typed

    def _yes(self, words: str, kept: bool) -> bool:
        while True:
            typed = self._line(f"{words}, y or n", "y" if kept else "n")
            if typed is None or typed.lower() in ("y", "yes", "n", "no"):
                return kept if typed is None else typed.lower().startswith("y")

    def _number(self, words: str, kept: float, above: float) -> float:
        while True:
            typed = self._line(words, kept) or str(kept)
            try:
                number = float(re.sub(r"k(ohm)?$", "", typed.lower()).replace(",", "."))
            except ValueError:
                number = above
            if above < number < float("inf"):
                return int(number) if number == int(number) else number
            self._say(f"{typed!r} is no number above {above:g}.")

    def _pin(self, words: str, kept: Any, table: dict[str, Any]) -> dict[str, Any] | None:
        """table with its pin, a number, or a name where the board has named ones; None for none."""
        typed = self._line(words, kept)
        if typed == NONE or (typed is None and kept is None):
            return None
        numbered = re.fullmatch(r"(?:GPIO|GP|IO)?(\d+)", typed or "", re.IGNORECASE)
        return {**table, "pin": kept if typed is None else int(numbered[1]) if numbered else typed}

    # Parts of config.json

    def _network(self, old: dict[str, Any]) -> None:
        wifi, broker = _table(old, "wifi"), _table(old, "broker")
        new_wifi = self._new["wifi"] = {key: wifi[key] for key in wifi if key not in ("ssid", "password")}
        self._until_right(new_wifi, "ssid", lambda: self._text("Name of the Wi-Fi", wifi.get("ssid")))
        self._until_right(new_wifi, "password", lambda: self._secret("Its password", wifi.get("password")))
        del self._unasked["wired"]
        asked = ("host", "port", "username", "password")
        new = self._new["broker"] = {key: broker[key] for key in broker if key not in asked}
        host = "Address of the broker: the computer's that runs barreltide"
        self._until_right(new, "host", lambda: self._text(host, broker.get("host")))
        port = broker.get("port") or (8883 if new.get("ca_file") else 1883)
        self._until_right(new, "port", lambda: self._number("Its port", port, 0))
        self._until_right(new, "username", lambda: self._text("The station's user name there", broker.get("username")))
        if "username" in new:
            secret = "The station's password there"
            self._until_right(new, "password", lambda: self._secret(secret, broker.get("password")))

    def _battery(self, old: dict[str, Any]) -> None:
        if old.get("adc", "internal") != "internal":
            self._new["battery"] = old
            self._say(f"The battery's {old['adc']} stays as it is.")
            return
        words = "Battery: pin of its divider, one with a converter (ESP32: 32 to 39, RP2040 and RP2350: 26 to 28)"
        new = self._until_right(self._new, "battery", lambda: self._pin(words, old.get("pin"), {"scale": 1, **old}))
        if new is None or ("scale" in old and not self._yes("Have the divider's resistors been changed", False)):
            return
        for key in ("offset_v", "calibration", "points"):
            new.pop(key, None)
        new["adc"] = "internal"
        self._until_right(new, "scale", self._scale)

    def _scale(self) -> float:
        while True:
            upper = self._number("Its resistor towards the battery, kOhm", 100, 0)
            lower = self._number("Its resistor towards minus, kOhm", 15, 0)
            scale = round((upper + lower) / lower, 4)
            at_pin_v = CHARGING_V / scale
            if at_pin_v <= MOST_AT_A_PIN_V:
                return scale
            self._say(
                f"With these a 12 V battery that charges puts {at_pin_v:.1f} V on the pin, and more than"
                f" {MOST_AT_A_PIN_V:g} V destroys it. 100 towards the battery and 15 towards minus would do."
            )
            if self._yes("Are they so, and the battery is one of fewer volts", False):
                return scale

    def _beds(self, old: dict[str, Any]) -> None:
        words = "Names of the beds with a float, as in the site file, a blank between"

        def names() -> dict[str, Any]:
            typed = self._text(words, " ".join(old) or "bed-1") or ""
            return {name: {} for name in typed.replace(",", " ").split()}

        beds = self._until_right(self._new, "beds", names)
        for name in beds or {}:
            was = _table(old, name)
            beds[name] = {key: value for key, value in was.items() if key not in ("high", "low")}
            for mark, which in (("high", "upper"), ("low", "lower")):
                self._switch(beds[name], mark, f"{name}: pin of its {which} float", _table(was, mark))
        self._new["beds"] = {name: bed for name, bed in (beds or {}).items() if bed}

    def _switch(self, place: dict[str, Any], mark: str, words: str, old: dict[str, Any]) -> None:
        self._until_right(place, mark, lambda: self._pin(words, old.get("pin"), old or {"wet": 0}))
