"""What the page of the set-up says: who was heard, what was set aside and why, what the site file says and what was
learned since, who is told and by which ways. No secret is among it. Pure."""

from __future__ import annotations

from typing import Any

from ...site import Bed, Site
from .now import MOST_ROWS
from .words import Taste, lasted, number, percent, timed

Line = dict[str, Any]
MOST_REASON = 300


def stations(site: Site, picture: Line, presences: dict[str, Line | None], now_s: float) -> list[Line]:
    """Each station of the site file: when it was heard, and what it says of itself."""
    found = []
    for station in site.stations:
        seen = (picture.get("stations") or {}).get(station.name) or {}
        heard_s, presence = seen.get("last_heard"), presences.get(station.name) or {}
        says = "" if not presence else "online" if presence.get("online") else "gone"
        if presence.get("firmware"):
            says += f", firmware {presence['firmware']}"
        heard = f"{lasted(now_s - heard_s)} ago" if heard_s is not None else "not yet"
        found.append({"name": station.name, "heard": f"silent, {heard}" if seen.get("silent") else heard, "says": says})
    return found


def set_aside(refused: list[Line], site: Site, taste: Taste) -> tuple[list[Line], list[str]]:
    """The messages that were refused, newest first, and the names of strange stations among them."""
    known, strange, rows = {station.name for station in site.stations}, {}, []
    for row in refused[:MOST_ROWS]:
        parts = str(row["topic"]).removeprefix(f"{site.broker.root}/").split("/")
        if len(parts) > 1 and parts[1] not in known:
            strange.setdefault(parts[1], None)
        rows.append({"when": taste.full(row["received_s"]), "topic": row["topic"],
                     "reason": str(row["reason"]).strip().rpartition("\n")[2][:MOST_REASON]})  # fmt: skip
    return rows, list(strange)


def calibration(site: Site, picture: Line, night: Line, taste: Taste) -> list[tuple[str, str, str]]:
    """(of what, what the site file says, what was learned); either may be empty."""
    battery = site.battery
    many = f" × {battery.in_parallel}" if battery.in_parallel > 1 else ""
    own = "a table of its own" if battery.rested_voltage_v else "the published tables"
    learned = ""
    if night.get("capacity_ah") is not None:
        learned = f"holds about {number(night['capacity_ah'], 0)} Ah"
        if night.get("capacity_low_ah") is not None and night.get("capacity_high_ah") is not None:
            learned += f" ({number(night['capacity_low_ah'], 0)} to {number(night['capacity_high_ah'], 0)})"
    ohm = night.get("resistance_ohm")
    rows = [
        ("capacity", f"{number(battery.capacity_ah, 0)} Ah{many}, {battery.chemistry}", learned),
        ("floor, cut-off", f"{percent(battery.lowest_state_of_charge)}, {number(battery.cut_off_voltage_v)} V", ""),
        ("charge by voltage", own, ""),
        ("resistance", "", f"{1000 * ohm:.0f} mΩ" if ohm else "not known yet"),
    ]
    if site.panel.power_w:
        rows.append(("panel", f"{number(site.panel.power_w, 0)} W", ""))
    for pump in site.pumps:
        flow = f", {taste.litres(pump.flow_l_per_h)} an hour" if pump.flow_l_per_h else ""
        amps = f"{number(pump.current_a)} A" if pump.current_a else "current not told"
        rows.append((pump.name, f"{amps}{flow}, feeds {', '.join(pump.feeds)}", ""))
    for bed in site.beds:
        rows.append((bed.name, _heights(bed), _turn((picture.get("beds") or {}).get(bed.name) or {})))
    return rows


def _heights(bed: Bed) -> str:
    named = [("starts at", bed.standpipe_height_m), ("breaks at", bed.drain_height_m), ("float at", bed.float_height_m),
             ("lower float at", bed.low_float_height_m)]  # fmt: skip
    told = [f"{word} {100 * height:.0f} cm" for word, height in named if height is not None]
    return ", ".join(told) or "no heights told"


def _turn(bed: Line) -> str:
    told = [f"a turn of {timed(bed['period_s'])}"] if bed.get("period_s") else ["not known yet"]
    if bed.get("flow_ratio") is not None:
        told.append(f"siphon {number(bed['flow_ratio'])} × the pump's flow")
    return ", ".join(told)


def channels(states: list[Line], taste: Taste) -> list[tuple[str, str]]:
    """Each channel and how it is. states: of health()["notify"]."""
    return [
        (row["channel"], f"fails: {row['error']}" if row.get("error")
         else f"last taken {taste.full(row['last_sent_s'])}" if row.get("last_sent_s") else "nothing sent yet")
        for row in states
    ]  # fmt: skip


def people(site: Site) -> list[tuple[str, str]]:
    """Each person and when they are asked. Addresses and numbers are secrets and not among it."""
    found = []
    for person in sorted(site.persons, key=lambda person: person.order):
        ways = [f"{len(person.urls)} address{'es' if len(person.urls) > 1 else ''}"] if person.urls else []
        ways += ["SMS"] if person.sms else []
        turn = "first" if person.order == 1 else f"in round {person.order}"
        words = f"asked {turn}, by {' and '.join(ways) or 'phones only'};"
        words += f" not woken for small things between {person.sleeps} and {person.wakes}"
        words += f"; a daily word at {person.daily_word}" if person.daily_word else ""
        found.append((person.name, f"{words}."))
    return found


def phones(rows: list[Line], taste: Taste) -> list[Line]:
    """The phones that get notices by Web Push, without their secrets. rows: of Delivery.known."""
    found = []
    for row in rows:
        words = f"Phone {row['phone']}, {row['person'] or 'for everybody'}, through {row['service']},"
        words += f" since {taste.day(row['since_s'])}"
        words += f"; last told {taste.full(row['last_sent_s'])}" if row["last_sent_s"] else "; not told anything yet"
        found.append({"id": row["phone"], "words": words})
    return found
