"""`barreltide nights`: the battery's nights as a table, read from the store, whether or not the service runs."""

from __future__ import annotations

import json
import sys
import time
from argparse import Namespace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..core.daylight import Daylight
from ..site import Site
from ..store import Store
from ..sun import Sun
from ..web.pages.nights import COMPARED, ageing, resistance
from ..web.pages.now import outlook_in_words
from ..web.pages.words import Taste
from .client import Client, ClientError

BLOCKS = "▁▂▃▄▅▆▇█"
PARTS = 12  # of a night's trend
LEAST_SCALE = 0.10  # of charge from the lowest block to the highest: a flat night shall look flat
ROW = "{:<10}  {:<5}  {:<5}  {:>6} {:1} {:<5}  {:>8}  {:>8}  {:>9}  {:>5}  {}"

Line = dict[str, Any]


def run(site: Site, options: Namespace) -> int:
    """Print the last nights. Raises StoreError."""
    store = Store.existing(site.store_path)
    try:
        outlook = (Client.of_site(site).get("api/now").get("battery") or {}).get("outlook")
    except ClientError:  # no service runs: then nothing is known of the coming hours
        outlook = None
    tell = as_json if options.json else report
    for line in tell(site, store, options.last, time.time(), outlook):
        print(line)
    sys.stdout.flush()
    return 0


def report(site: Site, store: Store, last: int, now_s: float, outlook: Line | None = None) -> list[str]:
    """The last nights as lines of text, the newest at the end. `left`: from dawn on, at the night's mean load. outlook:
    what the running service expects of the coming hours."""
    zone = ZoneInfo(site.time_zone)
    nights, tonight = _nights(store, last), _tonight(site, store, now_s)
    if not nights and tonight is None:
        return ["No night has been recorded yet: the first one is written at its dawn."]
    shown = [share for line in [*nights, *([tonight] if tonight else [])] for share in line["charge_through"]]
    scale = _scale([share for share in shown if share is not None])
    trend = "charge" if scale is None else f"charge from {_percent(scale[0])} to {_percent(scale[1])}"
    lines = [ROW.format("night of", "dusk", "dawn", "charge", "", "", "used", "lowest", "slope", "left", trend)]
    lines += [_row(line, zone, scale) for line in nights]
    if tonight is not None:
        lines += ["", _in_words(tonight, zone, scale)]
    if outlook:
        lines += [outlook_in_words(outlook, Taste(zone), _percent(site.battery.lowest_state_of_charge))]
        lines += [f"From full it carries this load for {outlook['days_without_sun']:.1f} days without any sun."]
    told = ageing(site, nights[-1]) + resistance(store.events("night", limit=COMPARED)[::-1]) if nights else []
    return [*lines, *([""] if told else []), *told]


def as_json(site: Site, store: Store, last: int, now_s: float, outlook: Line | None = None) -> list[str]:
    """The same as JSON, one object a line: the night records and, while a night goes on, one of "tonight"."""
    tonight = _tonight(site, store, now_s)
    lines = [*_nights(store, last), *([tonight] if tonight else [])]
    lines += [{"event": "outlook", **outlook}] if outlook else []
    return [json.dumps(line, ensure_ascii=False) for line in lines]


def _nights(store: Store, last: int) -> list[Line]:
    """Their records, oldest first, each with the charge through the night."""
    nights = store.events("night", limit=last)[::-1]
    return [line | {"charge_through": _through(store, line["dusk"], line["dawn"], line["dawn"])} for line in nights]


def _tonight(site: Site, store: Store, now_s: float) -> Line | None:
    """What is known of the night that goes on; None by day, or where nothing of it has been judged."""
    night = Daylight(Sun(site.latitude, site.longitude, site.time_zone), site.latitude).night_at(now_s)
    if night is None:
        return None
    judged = store.events("battery", start_s=night[0], end_s=now_s, newest_first=False)
    if not judged:
        return None
    volts = [
        row["value"]
        for series in store.series() if series["name"] == "battery/voltage"
        for row in store.readings(series["station"], series["name"], night[0], now_s)
    ]  # fmt: skip
    newest = judged[-1]
    return {
        "event": "tonight", "time": newest["time"], "dusk": night[0], "dawn": night[1],
        "state_of_charge_dusk": judged[0]["state_of_charge"] if judged[0]["time"] - night[0] < 1800 else None,
        "state_of_charge": newest["state_of_charge"], "low": newest["low"], "high": newest["high"],
        "lowest_voltage_v": min(volts) if volts else None,
        "charge_through": _through(store, night[0], night[1], now_s),
    }  # fmt: skip


def _through(store: Store, dusk_s: float, dawn_s: float, until_s: float) -> list[float | None]:
    """The mean charge in each of PARTS equal parts of the night; None where nothing was judged."""
    parts: list[list[float]] = [[] for _ in range(PARTS)]
    for line in store.events("battery", start_s=dusk_s, end_s=min(dawn_s, until_s)):
        at = int(PARTS * (line["time"] - dusk_s) / max(dawn_s - dusk_s, 1.0))
        parts[min(at, PARTS - 1)].append(line["state_of_charge"])
    return [round(sum(part) / len(part), 4) if part else None for part in parts]


def _scale(shares: list[float]) -> tuple[float, float] | None:
    """The charges of the lowest and the highest block, the same for all nights that are shown."""
    if not shares:
        return None
    low, high = min(shares), max(shares)
    spare = max(LEAST_SCALE - (high - low), 0.0) / 2
    return low - spare, high + spare


def _trend(shares: list[float | None], scale: tuple[float, float] | None) -> str:
    if scale is None:
        return ""
    low, high = scale
    steps = [None if share is None else (share - low) / (high - low) * (len(BLOCKS) - 1) for share in shares]
    return "".join(" " if step is None else BLOCKS[round(step)] for step in steps).rstrip()


def _row(line: Line, zone: ZoneInfo, scale: tuple[float, float] | None) -> str:
    slope = line.get("slope_v_per_h")
    cells = (
        line["date"], _clock(line["dusk"], zone), _clock(line["dawn"], zone),
        _percent(line["state_of_charge_dusk"]), "→", _percent(line["state_of_charge_dawn"]),
        _number(line["used_ah"], 1, " Ah"), _number(line["lowest_voltage_v"], 2, " V"),
        _number(None if slope is None else 1000 * slope, 0, " mV/h"), _number(line["hours_left"], 0, " h"),
        _trend(line["charge_through"], scale),
    )  # fmt: skip
    return ROW.format(*cells).rstrip()


def _in_words(line: Line, zone: ZoneInfo, scale: tuple[float, float] | None) -> str:
    before = line["state_of_charge_dusk"]
    words = f"Tonight, since {_clock(line['dusk'], zone)}: "
    words += f"{_percent(before)} → " if before is not None else ""
    words += f"{_percent(line['state_of_charge'])} (between {100 * line['low']:.0f} and {_percent(line['high'])})"
    words += f", at {_clock(line['time'], zone)}"
    if line["lowest_voltage_v"] is not None:
        words += f"; lowest {line['lowest_voltage_v']:.2f} V"
    return f"{words}; dawn is at {_clock(line['dawn'], zone)}. {_trend(line['charge_through'], scale)}".rstrip()


def _clock(time_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_s, zone):%H:%M}"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.0f} %"


def _number(value: float | None, digits: int, unit: str) -> str:
    return "–" if value is None else f"{value:.{digits}f}{unit}"
