"""config.json by questions, or from a file laid over what is there; judged by the firmware's own rules.

Passwords are read without echo, are never on a command line, never logged and never shown again; what is on the board
already stays, secrets too, where Enter is pressed. They lie in plain text on the board's flash: whoever holds the board
can read them. So a station has its own user name at the broker, and Wi-Fi had better be one for such things.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from . import BoardError, firmware
from .repl import Repl

CONFIG = "config.json"
NONE = "-"  # typed for what there is not
NEW: dict[str, Any] = {"site": "garden", "station": "barrels"}

Ask = Callable[[str], str]
Say = Callable[[str], None]


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


def write(repl: Repl, config: dict[str, Any], say: Say) -> None:
    """Judge it, and put it on the board."""
    text = json.dumps(config, indent=1, ensure_ascii=False)
    for warning in check(text):
        say(warning)
    repl.put(CONFIG, text.encode())


def merged(old: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """changes over old, table by table; None takes a key away."""
    new = dict(old)
    for key, value in changes.items():
        if value is None:
            new.pop(key, None)
        else:
            was = old.get(key)
            new[key] = merged(was if isinstance(was, dict) else {}, value) if isinstance(value, dict) else value
    return new


def from_file(repl: Repl, path: str, say: Say) -> None:
    """A config.json of this computer, over what is on the board; and the authority's file that it names, beside it."""
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise BoardError(f"{path} cannot be read: {error.strerror}") from None
    check(content)
    config = json.loads(content.decode("utf-8-sig"))
    authority = (config.get("broker") or {}).get("ca_file")
    beside = Path(path).parent / (authority or "")
    if authority and beside.is_file():
        repl.put(authority, beside.read_bytes())
        say(f"{authority} is on the board.")
    elif authority and repl.hash(authority) is None:
        raise BoardError(f"{path} names the authority's file {authority!r}, which does not lie beside it")
    write(repl, merged(load(repl), config), say)


class Questions:
    """Goes through what a station needs. ask: shows a prompt, returns a line; ask_secret: the same without echo."""

    def __init__(self, ask: Ask, ask_secret: Ask, say: Say) -> None:
        self._ask, self._ask_secret, self._say = ask, ask_secret, say

    def until_right(self, old: dict[str, Any]) -> dict[str, Any]:
        """The new config.json; what was answered stands in brackets where one answer made it wrong. Raises BoardError
        where the same is answered again."""
        while True:
            new = self.go_through(old)
            try:
                check(json.dumps(new))
                return new
            except BoardError as error:
                if new == old:
                    raise
                self._say(f"{error}. Once more, please: Enter keeps what you have answered.")
            old = new

    def go_through(self, old: dict[str, Any]) -> dict[str, Any]:
        """The new config.json. Whatever is not asked for stays as it is in `old`."""
        self._say("Enter keeps what stands in brackets; - stands for none.")
        new = {**NEW, **old}
        new["site"] = self._text("Name of the site, as in the site file", new["site"])
        new["station"] = self._text("Name of this station, as in the site file", new["station"])
        wired = self._yes("Will it stay plugged into this computer by USB", bool(old.get("wired")))
        new.pop("wired", None)
        if wired:
            new["wired"] = True
        else:
            new["wifi"] = self._wifi(old.get("wifi") or {})
            new["broker"] = self._broker(old.get("broker") or {})
        self._place(new, "battery", self._battery(old.get("battery") or {}))
        self._place(new, "beds", self._beds(old.get("beds") or {}))
        sump = dict(old.get("sump") or {})
        self._place(sump, "low", self._switch("Sump: pin of the float at its low mark", sump.get("low")))
        self._place(new, "sump", sump)
        water = dict(old.get("water") or {})
        self._place(water, "pin", self._pin("Pin of the thermometer in the sump", water.get("pin")))
        self._place(new, "water", water if "pin" in water else {})
        return new

    def _place(self, table: dict[str, Any], key: str, value: Any) -> None:
        if value in (None, {}):
            table.pop(key, None)
        else:
            table[key] = value

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

    def _number(self, words: str, kept: Any) -> Any:
        while True:
            typed = self._line(words, kept)
            if typed is None or typed == NONE:
                return kept if typed is None else None
            try:
                return int(typed) if typed.isdigit() else float(typed.replace(",", "."))
            except ValueError:
                self._say(f"{typed!r} is no number.")

    def _pin(self, words: str, kept: Any) -> Any:
        """A pin: a number, or a name where the board has named ones."""
        typed = self._line(words, kept)
        if typed is None or typed == NONE:
            return kept if typed is None else None
        return int(typed) if typed.isdigit() else typed

    def _wifi(self, old: dict[str, Any]) -> dict[str, Any]:
        new = {**old, "ssid": self._text("Name of the Wi-Fi", old.get("ssid"))}
        if new["ssid"] is None:
            return {}
        self._place(new, "password", self._secret("Its password", old.get("password")))
        return new

    def _broker(self, old: dict[str, Any]) -> dict[str, Any]:
        new = {**old, "host": self._text("Address of the broker, which runs on the host", old.get("host"))}
        new["port"] = self._number("Its port", old.get("port", 1883))
        self._place(new, "username", self._text("The station's user name there", old.get("username")))
        if "username" in new:
            self._place(new, "password", self._secret("The station's password there", old.get("password")))
        return {key: value for key, value in new.items() if value is not None}

    def _battery(self, old: dict[str, Any]) -> dict[str, Any] | None:
        if old.get("adc", "internal") != "internal":
            self._say(f"The battery's {old['adc']} stays as it is.")
            return old
        new = {**old, "pin": self._pin("Battery: pin of its divider, one with a converter", old.get("pin"))}
        if new["pin"] is None:
            return None
        if "scale" in old and not self._yes("Have the divider's resistors been changed", False):
            return new
        upper = self._number("Its resistor towards the battery, kOhm", 100)
        lower = self._number("Its resistor towards minus, kOhm", 15)
        if not (isinstance(upper, (int, float)) and isinstance(lower, (int, float)) and upper > 0 and lower > 0):
            raise BoardError("a divider has two resistors; 100 and 15 kOhm would do")
        for key in ("offset_v", "calibration", "points"):
            new.pop(key, None)
        return {**new, "adc": "internal", "scale": round((upper + lower) / lower, 4)}

    def _beds(self, old: dict[str, Any]) -> dict[str, Any]:
        names = self._text("Names of the beds with a float, as in the site file", " ".join(old) or "bed-1") or ""
        beds = {}
        for name in names.replace(",", " ").split():
            bed = dict(old.get(name) or {})
            for mark, words in (("high", "its upper float"), ("low", "its lower float")):
                self._place(bed, mark, self._switch(f"{name}: pin of {words}", bed.get(mark)))
            self._place(beds, name, bed)
        return beds

    def _switch(self, words: str, old: dict[str, Any] | None) -> dict[str, Any] | None:
        pin = self._pin(words, (old or {}).get("pin"))
        return None if pin is None else {**(old or {"wet": 0}), "pin": pin}
