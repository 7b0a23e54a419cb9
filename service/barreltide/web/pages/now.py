"""The page of this moment: the two answers, what stands, and the garden in sentences. Pure; judges nothing that the
engine did not judge.

It answers the two questions of a grower awake at three in the morning first, and says plainly when it cannot.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from ...site import Site
from .words import DASH, Taste, anchor, lasted, listed, number, percent, timed

SILENT_S = 900
STALE_VOLTAGE_S = 1800
MOST_ROWS = 50
MOST_OPEN = 5  # alarms that are told in full; of the others only what is urgent and not acknowledged
DAY_S = 86_400
FAR_S = 3 * DAY_S  # beyond, the hour of the floor tells nothing
SHELVES_H = {"urgent": (1, 3), "soon": (1, 8, 24, 72), "note": (1, 8, 24, 72)}

CALLS = {"urgent": "Go now", "soon": "Today", "note": "Next visit"}
_ORDER = {"urgent": 0, "soon": 1, "note": 2}
_BASES = {
    "rested": "read from the resting voltage",
    "loaded": "read from the voltage under load",
    "charging": "read while charging, when it is least certain",
}
_SHORT = {"full or draining": "full", "standing still": "still", "unknown": "not known yet"}
_BED_FAULTS = ("bed-starved", "siphon-not-starting", "siphon-not-breaking")
OF_PUMPS = ("pump-stopped", "flow-falling")


class Answer(NamedTuple):
    """mood: "good", "bad" or "unsure"; word: the answer itself, a sentence; reason: what it rests on."""

    mood: str
    word: str
    reason: str


def water_moves(picture: dict, now_s: float) -> Answer:
    """Is the water moving? From standing alarms, the pumps' state and how lately a station was heard."""
    standing = picture.get("standing") or []
    stopped = [a for a in standing if a.get("alarm") == "pump-stopped"]
    if stopped:
        return Answer("bad", "The water stands still.", _since(stopped[0], now_s))
    heard_s = [s.get("last_heard") for s in (picture.get("stations") or {}).values() if s.get("last_heard") is not None]
    if not heard_s:
        words = "No station has been heard. The page Set-up tells what has arrived."
        return Answer("unsure", "No word of the water yet.", words)
    if now_s - max(heard_s) > SILENT_S or any(a.get("alarm") == "station-silent" for a in standing):
        ago = lasted(now_s - max(heard_s))
        return Answer("unsure", "No word of the water.", f"The last word from the barrels came {ago} ago.")
    pumps = picture.get("pumps") or {}
    rests = {name: pump["resting_until"] for name, pump in pumps.items() if pump.get("resting_until")}
    if rests:
        span = lasted(max(rests.values()) - now_s)
        return Answer(
            "unsure", "The pump rests.", f"You said that {listed(list(rests))} is off, for {span} more at most."
        )
    faults = [a for a in standing if a.get("alarm") in _BED_FAULTS]
    if faults:
        names = listed(list(dict.fromkeys(str(a.get("subject")) for a in faults)))
        return Answer("bad", "The water does not move everywhere.", f"See what is said of {names}.")
    idle = [name for name, pump in pumps.items() if pump.get("running") is False]
    if idle:
        return Answer("unsure", "The water may have stopped.", f"No sign of lifting from {listed(idle)} just now.")
    if pumps and all(pump.get("running") for pump in pumps.values()):
        beds = picture.get("beds") or {}
        turns = [(b["last_cycle"], name) for name, b in beds.items() if b.get("last_cycle") is not None]
        last = f" Last, {max(turns)[1]} drained {lasted(now_s - max(turns)[0])} ago." if turns else ""
        return Answer(
            "good", "The water is moving.", f"{'Every pump lifts' if len(pumps) > 1 else 'The pump lifts'}.{last}"
        )
    return Answer("unsure", "No word of the water yet.", "Too little has been seen of the beds to say.")


def _since(alarm: dict, now_s: float) -> str:
    """The alarm itself stands further down, with its message and what to do."""
    span = f"For {lasted(now_s - alarm['since'])} now" if alarm.get("since") is not None else "Now"
    return f"{span}. What to do stands below."


def battery_lasts(picture: dict, floor: float, now_s: float, taste: Taste) -> Answer:
    """Will the battery last? From standing alarms and the interval of the state of charge against the floor."""
    alarms = {a.get("alarm"): a for a in picture.get("standing") or []}
    if "battery-low" in alarms:
        return Answer("bad", "The battery is low.", _since(alarms["battery-low"], now_s))
    if "battery-will-not-last" in alarms:
        return Answer("bad", "The battery will not last.", _since(alarms["battery-will-not-last"], now_s))
    battery = picture.get("battery") or {}
    charge, low, high = (battery.get(key) for key in ("state_of_charge", "low", "high"))
    if charge is None or low is None or high is None:
        return Answer("unsure", "No word of the battery yet.", "No battery voltage has been judged so far.")
    if now_s - battery.get("time", now_s) > STALE_VOLTAGE_S:
        ago = lasted(now_s - battery["time"])
        return Answer("unsure", "No word of the battery.", f"Its voltage was last heard {ago} ago.")
    reading = f"{percent(charge)} charged (between {low * 100:.0f} and {percent(high)})"
    if low > floor and battery.get("outlook"):
        return _by_outlook(battery["outlook"], reading, floor, taste)
    if low > floor:
        word = "is charging" if battery.get("basis") == "charging" else "holds so far"
        return Answer("good", f"The battery {word}.", f"{reading}, above your floor of {percent(floor)}.")
    if high > floor:
        words = f"{reading}: it may already be at your floor of {percent(floor)}."
        return Answer("unsure", "The battery may not last.", words)
    return Answer("bad", "The battery is low.", f"{reading}, below your floor of {percent(floor)}.")


def _by_outlook(outlook: dict, reading: str, floor: float, taste: Taste) -> Answer:
    """From when the floor is reached at this load, against when charging begins."""
    words = f"{reading}. {outlook_in_words(outlook, taste, percent(floor))}"
    if outlook.get("sun_s") is None:
        return Answer("unsure", "The battery may last.", words)
    if outlook["floor_soonest_s"] > outlook["sun_s"]:
        return Answer("good", "The battery will last.", words)
    if outlook["floor_s"] > outlook["sun_s"]:
        return Answer("good", "The battery will most likely last.", words)
    return Answer("unsure", "The battery may not last.", words)


def outlook_in_words(outlook: dict, taste: Taste, floor: str) -> str:
    """When floor and cut-off come at this load, and when the sun; the moments of a day ahead carry its name."""
    now_s = min(outlook["floor_soonest_s"], outlook["sun_s"] or outlook["floor_soonest_s"])

    def at(moment_s: float) -> str:
        if moment_s - now_s > 6 * DAY_S:
            return taste.day(moment_s)
        return taste.clock(moment_s) if moment_s - now_s < 20 * 3600 else taste.moment(moment_s)

    if outlook["floor_soonest_s"] - now_s > FAR_S:
        span = lasted(outlook["floor_soonest_s"] - now_s)
        words = f"At this load it stays above your floor of {floor} for {span} or more"
    else:
        words = f"At this load your floor of {floor} comes about {at(outlook['floor_s'])}"
        words += f" (between {at(outlook['floor_soonest_s'])} and {at(outlook['floor_latest_s'])})"
        words += f", and the controller drops the load about {at(outlook['cut_off_s'])}"
    if outlook["sun_s"] is not None:
        words += f"; charging begins about {at(outlook['sun_s'])}"
    return f"{words}."


# -- alarms


def alarm_rows(picture: dict, now_s: float, taste: Taste) -> list[dict[str, Any]]:
    """The standing alarms, most urgent first and of those the newest, ready to be written down."""
    rows = sorted(
        picture.get("standing") or [], key=lambda a: (_ORDER.get(a.get("priority"), 3), -(a.get("since") or 0))
    )
    shown = [_alarm(row, now_s, taste) for row in rows[:MOST_ROWS]]
    return [row | {"is_open": n < MOST_OPEN or row["mood"] == "urgent" and not row["is_known"]}
            for n, row in enumerate(shown)]  # fmt: skip


def _alarm(row: dict, now_s: float, taste: Taste) -> dict[str, Any]:
    since_s, priority = row.get("since"), str(row.get("priority", ""))
    return {
        "alarm": row.get("alarm", ""), "subject": row.get("subject", ""),
        "mood": priority if priority in _ORDER else "note",
        "id": anchor(f"{row.get('alarm', '')}-{row.get('subject', '')}"),
        "call": CALLS.get(priority, priority),
        "since": f"since {taste.lately(since_s, now_s)}, {lasted(now_s - since_s)}" if since_s else "",
        "message": taste.told(row.get("message") or row.get("alarm", "")),
        "consequence": row.get("consequence"), "action": row.get("action"), "state": _state(row, now_s, taste),
        "is_known": row.get("state") == "acknowledged", "can_answer": bool(row.get("state")),
        "is_of_pump": row.get("alarm") in OF_PUMPS,
        "hours": SHELVES_H.get(priority, (1,)),
    }  # fmt: skip


def _state(row: dict, now_s: float, taste: Taste) -> str | None:
    if not row.get("state"):
        return None
    words = "Nobody has acknowledged it yet."
    if row["state"] == "acknowledged":
        by = f" by {row['acknowledged_by']}" if row.get("acknowledged_by") else ""
        words = f"Acknowledged{by}, {taste.lately(row['acknowledged'], now_s)}."
    words += " It comes and goes." if row.get("chattering") else ""
    return words + (" It has stood for more than a day." if row.get("stale") else "")


def waiting_rows(picture: dict, now_s: float, taste: Taste) -> list[dict[str, Any]]:
    """What is over and nobody has acknowledged."""
    return [
        row | {"words": f"{taste.lately(row['raised'], now_s)} to {taste.lately(row['cleared'], now_s)}:"
                        f" {taste.told(row['message'])}",
               "id": anchor(f"{row['alarm']}-{row['subject']}")}
        for row in (picture.get("returned") or [])[:MOST_ROWS]
    ]  # fmt: skip


def aside_rows(picture: dict, taste: Taste) -> list[dict[str, Any]]:
    """What is shelved or out of service."""
    found = []
    for row in (picture.get("shelved") or [])[:MOST_ROWS]:
        until = f"until {taste.moment(row['until'])}" if row["until"] else "until it is taken back"
        by = f" by {row['by']}" if row["by"] else ""
        words = f"{row['alarm']} {row['subject']}: {row['state'].replace('-', ' ')}{by} {until} ({row['reason']})."
        words += " It holds just now." if row["holds"] else ""
        found.append(row | {"words": words, "id": anchor(f"{row['alarm']}-{row['subject']}")})
    return found


def pumps_to_rest(picture: dict) -> list[str]:
    """The pumps that somebody may be about to switch off by hand."""
    stopped = {row.get("subject") for row in picture.get("standing") or [] if row.get("alarm") == "pump-stopped"}
    pumps = picture.get("pumps") or {}
    return [name for name, pump in pumps.items() if not pump.get("resting_until") and name not in stopped]


# -- the garden in sentences


def bed_entries(picture: dict, now_s: float) -> list[dict[str, Any]]:
    """Each bed as an entry of an almanac: its name, what it does, and what it usually does."""
    is_old = is_unheard(picture, now_s)
    return [_bed(name, bed, now_s, is_old) for name, bed in list((picture.get("beds") or {}).items())[:MOST_ROWS]]


def is_unheard(picture: dict, now_s: float) -> bool:
    """Whether no station has been heard for so long that what it said last tells nothing of now."""
    heard_s = [s.get("last_heard") for s in (picture.get("stations") or {}).values() if s.get("last_heard") is not None]
    return not heard_s or now_s - max(heard_s) > SILENT_S


def _bed(name: str, bed: dict, now_s: float, is_old: bool) -> dict[str, Any]:
    phase, since_s, last_s = bed.get("phase", "unknown"), bed.get("since"), bed.get("last_cycle")
    is_known = phase != "unknown"
    span = f" for {lasted(now_s - since_s)}" if since_s and is_known and not is_old else ""
    words = [f"{phase[:1].upper() + phase[1:] if is_known else 'Not known yet'}{span}."]
    if is_known and is_old:
        words = [f"Not heard just now; {phase} when it last was."]
    words.append(f"Last drained {lasted(now_s - last_s)} ago." if last_s else "Not seen to drain yet.")
    usual = (
        f"a turn takes {timed(bed['period_s'])} as a rule" if bed.get("period_s") else "its rule is still being learnt"
    )
    words.append(f"{bed.get('cycles', 0):,} turns counted; {usual}.")
    if bed.get("flow_ratio") is not None:
        words.append(
            f"It fills in {timed(bed['fill_s'])} and drains in {timed(bed['drain_s'])}: the siphon carries"
            f" {number(bed['flow_ratio'])} × the pump's flow."
        )
        if bed.get("prime_s") is not None and bed.get("break_s") is not None:
            words.append(f"It waits {timed(bed['prime_s'])} to start and {timed(bed['break_s'])} to break.")
    short = "not heard" if is_known and is_old else _SHORT.get(phase, phase)
    short += span.replace(" for ", " ").replace(" ", "\u00a0").replace("\u00a0", " ", 1)  # one place to break the line
    return {"name": name, "words": " ".join(words), "sign": bed.get("sign"), "short": short}


def battery_words(picture: dict, floor: float, now_s: float, night: dict, taste: Taste) -> list[str]:
    """The battery in sentences; night: the newest record, or an empty one."""
    battery = picture.get("battery") or {}
    if not battery:
        return ["No voltage has been heard yet."]
    words = [f"{number(battery.get('voltage_v'), 2)} V at the terminals."]
    charge, low, high = (battery.get(key) for key in ("state_of_charge", "low", "high"))
    if charge is not None and low is not None and high is not None:
        words = [f"{words[0][:-1]}: {percent(charge)} charged, most likely {low * 100:.0f} to {percent(high)}."]
    words.append(f"Your floor is {percent(floor)}.")
    if battery.get("time"):
        words.append(
            f"Judged {lasted(now_s - battery['time'])} ago, {_BASES.get(battery.get('basis'), 'basis unknown')}."
        )
    if battery.get("outlook"):
        words.append(
            f"Without any sun it lasts {number(battery['outlook']['days_without_sun'])} days from full to your floor."
        )
    if night.get("state_of_charge_dusk") is not None and night.get("state_of_charge_dawn") is not None:
        words.append(
            f"Last night: {percent(night['state_of_charge_dusk'])} at dusk, {percent(night['state_of_charge_dawn'])} at"
            f" dawn, {number(night.get('used_ah'), 0)} Ah drawn."
        )
    return words


def water_words(picture: dict, site: Site, now_s: float, taste: Taste) -> list[str]:
    """The water in the sump in sentences."""
    water, sump = picture.get("water") or {}, site.sump
    if water.get("temperature_c") is None:
        return ["No temperature has been heard yet."]
    words = [f"{taste.degrees(water['temperature_c'])} in the sump"]
    words[0] += f", measured {lasted(now_s - water['time'])} ago." if water.get("time") else "."
    if sump is not None:
        fish = f" for the {sump.fish}" if sump.fish != "none" else ""
        low, high = taste.degrees(sump.coldest_c, 0), taste.degrees(sump.warmest_c, 0)
        words.append(f"Your limits{fish}: {low} to {high}.")
        if sump.volume_l:
            words.append(f"It holds {taste.litres(sump.volume_l)}.")
    return words


def station_words(picture: dict, now_s: float) -> list[str]:
    """Each station in a sentence."""
    words = []
    for name, station in list((picture.get("stations") or {}).items())[:MOST_ROWS]:
        heard_s = station.get("last_heard")
        word = f"heard {lasted(now_s - heard_s)} ago" if heard_s is not None else "not heard yet"
        words.append(f"{name}: {'silent, ' if station.get('silent') else ''}{word}.")
    return words or ["No station has been heard yet."]


def title(picture: dict, now_s: float) -> str:
    """What a tab or a home screen shows: the first answer."""
    return water_moves(picture, now_s).word.rstrip(".") or DASH
