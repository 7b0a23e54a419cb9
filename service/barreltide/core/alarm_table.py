"""The table of all alarms: what each means, what to do about it, its delays, and what it follows from.

A row without an action would be an event, not an alarm (ISA-18.2). Deadbands are the detectors' own, as they are in
the units of what is measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

Key = tuple[str, str]  # alarm, subject


class Rule(NamedTuple):
    """What is fixed about an alarm. Delays in seconds of the engine's clock; about: its cause, `{}` for the subject."""

    priority: str
    on_delay_s: float
    off_delay_s: float
    about: str
    consequence: str
    action: str


TABLE: dict[str, Rule] = {
    "pump-stopped": Rule(
        "urgent", 0, 0,
        "the pump '{}' lifts no water",
        "No water moves, and the fish have only the oxygen that is in the sump.",
        "Go and look: is the pump turning, its fuse whole, its intake clear, the battery on? Stir or aerate the sump"
        " meanwhile.",
    ),
    "bed-starved": Rule(
        "soon", 0, 0,
        "no water reaches '{}', though its pump runs",
        "The plants in this bed dry out, and its bacteria with them.",
        "Look at this bed's branch: valve closed, hose off, or blocked.",
    ),
    "flow-falling": Rule(
        "soon", 0, 0,
        "the pump '{}' lifts less water than it did",
        "Less water reaches the beds each day; in the end the siphons will not start.",
        "Clean the pump's intake and rotor, look for a kink or a leak in the hose.",
    ),
    "siphon-not-starting": Rule(
        "soon", 0, 0,
        "the siphon of '{}' does not start",
        "The bed stays flooded: roots get no air.",
        "Look into the bell: air leak at its rim or cap, standpipe blocked, or too little flow to start it.",
    ),
    "siphon-not-breaking": Rule(
        "soon", 0, 0,
        "the siphon of '{}' does not break",
        "The bed stays drained: roots dry out.",
        "Look at the snorkel and the notches of the bell: blocked, too low, or too much flow for the siphon to break.",
    ),
    "battery-low": Rule(
        "urgent", 0, 900,
        "the battery is at its floor",
        "The pump will stop when the controller drops the load, and the battery ages fast down here.",
        "Charge it or lighten the load; have a battery air pump ready for the fish.",
    ),
    "battery-will-not-last": Rule(
        "urgent", 0, 900,
        "the battery reaches its floor before the sun is back",
        "The pump may stop before the sun is back.",
        "Charge the battery or lighten the load before night.",
    ),
    "battery-not-charging": Rule(
        "soon", 0, 900,
        "the battery is not being charged",
        "The coming night will draw the battery down further.",
        "Look at the panel (shade, dirt, plug), its fuse and the controller's light.",
    ),
    "charge-voltage-high": Rule(
        "soon", 0, 300,
        "the battery is charged at too high a voltage",
        "The battery gasses and loses water; hydrogen can explode.",
        "Keep flames away, switch the panel off, check the controller's setting.",
    ),
    "water-too-warm": Rule(
        "soon", 300, 300,
        "the water in the sump is too warm",
        "Warm water holds less oxygen while fish need more of it.",
        "Shade the sump, feed less, add air.",
    ),
    "water-too-cold": Rule(
        "soon", 300, 300,
        "the water in the sump is too cold",
        "Fish stop feeding, and the bacteria that clean the water slow down.",
        "Feed less or not at all, cover the sump.",
    ),
    "sump-low": Rule(
        "urgent", 0, 60,
        "the sump has lost water",
        "The pump may run dry, and the fish lose their water.",
        "Look for a leak or an overflowing bed, and top up with water of like temperature, free of chlorine.",
    ),
    "station-silent": Rule(
        "urgent", 0, 60,
        "the station '{}' is not heard",
        "Nothing is watched: a stopped pump would go unseen.",
        "Look at the board's light, its supply and fuse, and the Wi-Fi; see with your own eyes that the water moves.",
    ),
    "sensor-fault": Rule(
        "soon", 0, 300,
        "the sensor of '{}' is at fault",
        "What hangs on this reading is not watched as it should be.",
        "Look at the sensor, its plug and its cable.",
    ),
}  # fmt: skip


# What an alarm adds to its consequence where it is known for how long the fish can do without the pump.
FISH = {
    "pump-stopped": "It lasts {} from the stop on (an estimate).",
    "battery-low": "Without the pump the fish's oxygen lasts {} (an estimate).",
    "battery-will-not-last": "Without the pump the fish's oxygen lasts {} (an estimate).",
    "station-silent": "Without the pump the fish's oxygen lasts {} (an estimate).",
}


def causes(site, read_by: Mapping[str, str]) -> dict[Key, list[Key]]:
    """One cause, one alarm: for each alarm that can be, those that it follows from. A silent station hides all that it
    reads. read_by: each reading that was heard, and the station that reads it."""

    def silent(*names: str) -> list[Key]:
        known = {read_by[name] for name in names if name in read_by}
        return [("station-silent", station.name) for station in site.stations if not known or station.name in known]

    found: dict[Key, list[Key]] = {("station-silent", station.name): [] for station in site.stations}
    sensors = ["battery/voltage", "battery/temperature", "water/temperature", "sump/low", "panel/current"]
    sensors += [f"{bed.name}/{what}" for bed in site.beds for what in ("high", "low", "level")]
    sensors += [f"{pump.name}/current" for pump in site.pumps]
    sensors += [f"{station.name}/readings" for station in site.stations]
    found |= {("sensor-fault", name): [] for name in [*sensors, "engine/judgement"]}
    for pump in site.pumps:
        unheard = silent(*(f"{bed}/{what}" for bed in pump.feeds for what in ("high", "level")))
        found["pump-stopped", pump.name] = unheard
        found["flow-falling", pump.name] = [*unheard, ("pump-stopped", pump.name)]
        for bed in pump.feeds:
            hidden = [*unheard, ("pump-stopped", pump.name), ("sensor-fault", f"{bed}/high")]
            found["bed-starved", bed] = found["siphon-not-breaking", bed] = hidden
            found["siphon-not-starting", bed] = [*hidden, ("flow-falling", pump.name)]  # too little water to start it
    for alarm in ("battery-low", "battery-will-not-last", "battery-not-charging", "charge-voltage-high"):
        found[alarm, "battery"] = [*silent("battery/voltage"), ("sensor-fault", "battery/voltage")]
    found["battery-will-not-last", "battery"].append(("battery-low", "battery"))
    for alarm in ("water-too-warm", "water-too-cold"):
        found[alarm, "sump"] = [*silent("water/temperature"), ("sensor-fault", "water/temperature")]
    found["sump-low", "sump"] = [*silent("sump/low"), ("sensor-fault", "sump/low")]
    found["sump-low", "sump"] += [("pump-stopped", pump.name) for pump in site.pumps]
    return found
