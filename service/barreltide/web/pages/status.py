"""The plain status page: what the engine's picture says, as HTML. Pure; judges nothing that the engine did not judge.

It answers the two questions of a grower awake at three in the morning first, and says plainly when it cannot.
All text passes through `tag`, which escapes it: names and values come from the wire.
"""

from __future__ import annotations

import html
import json
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

SILENT_S = 900
STALE_VOLTAGE_S = 1800
MOST_ROWS = 50
MOST_CHARACTERS = 500

_ORDER = {"urgent": 0, "soon": 1, "note": 2}
_CALLS = {"urgent": "Go now", "soon": "Today", "note": "Next visit"}
_BASES = {
    "rested": "read from the resting voltage",
    "loaded": "read from the voltage under load",
    "charging": "read while charging, when it is least certain",
}
_PHASES = {"filling": "filling", "draining": "draining", "unknown": "not known yet"}
_BED_FAULTS = ("bed-starved", "siphon-not-starting", "siphon-not-breaking")


class Html(str):
    """Text that is HTML already."""


class Answer(NamedTuple):
    """mood: "good", "bad" or "unsure"; word: the answer itself; reason: what it rests on."""

    mood: str
    word: str
    reason: str


class Garden(NamedTuple):
    """What the page needs of the site file: fractions of charge from 0 to 1, temperatures in degrees Celsius."""

    name: str
    time_zone: str
    floor: float
    coldest_c: float | None = None
    warmest_c: float | None = None


def tag(element: str, *children: Any, **attributes: Any) -> Html:
    """One element; children that are not Html are escaped, None is left out; `class_` is written `class`."""
    words = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{html.escape(str(value))}"'
        for name, value in attributes.items()
        if value is not None
    )
    inner = "".join(
        child if isinstance(child, Html) else html.escape(str(child)[:MOST_CHARACTERS])
        for child in children
        if child is not None
    )
    return Html(f"<{element}{words}>{inner}</{element}>")


def joined(parts: list[Html | None]) -> Html:
    return Html("".join(part for part in parts if part is not None))


def lasted(seconds: float | None) -> str:
    """A span in the words of a person: "40 s", "12 min", "3 h 5 min", "2 days"."""
    if seconds is None:
        return "an unknown time"
    s = max(0, round(seconds))
    if s < 120:
        return f"{s} s"
    if s < 7200:
        return f"{s // 60} min"
    if s < 172800:
        return f"{s // 3600} h {s % 3600 // 60} min"
    return f"{s // 86400} days"


def number(value: Any, digits: int = 1, unit: str = "") -> str:
    return f"{value:.{digits}f}{unit}" if isinstance(value, (int, float)) else "–"


def percent(share: Any) -> str:
    return f"{100 * share:.0f}\u00a0%" if isinstance(share, (int, float)) else "–"


def water_moves(picture: dict, now_s: float) -> Answer:
    """Is the water moving? From standing alarms, the pumps' state and how lately a station was heard."""
    standing = picture.get("standing") or []
    stopped = [a for a in standing if a.get("alarm") == "pump-stopped"]
    if stopped:
        return Answer("bad", "No", _since(stopped[0], now_s))
    heard_s = [s.get("last_heard") for s in (picture.get("stations") or {}).values() if s.get("last_heard") is not None]
    if not heard_s:
        return Answer("unsure", "Cannot tell yet", "No station has been heard so far.")
    if now_s - max(heard_s) > SILENT_S or any(a.get("alarm") == "station-silent" for a in standing):
        return Answer(
            "unsure", "Cannot tell", f"The last word from the barrels came {lasted(now_s - max(heard_s))} ago."
        )
    pumps = picture.get("pumps") or {}
    rests = {name: pump["resting_until"] for name, pump in pumps.items() if pump.get("resting_until")}
    if rests:
        span = lasted(max(rests.values()) - now_s)
        return Answer("unsure", "It rests", f"You said that {', '.join(rests)} is off, for another {span} at most.")
    faults = [a for a in standing if a.get("alarm") in _BED_FAULTS]
    if faults:
        names = ", ".join(dict.fromkeys(str(a.get("subject")) for a in faults))
        return Answer("bad", "Not everywhere", f"See {names} below.")
    if any(pump.get("running") is False for pump in pumps.values()):
        names = ", ".join(name for name, pump in pumps.items() if pump.get("running") is False)
        return Answer("unsure", "Perhaps not", f"No sign of lifting from {names} just now.")
    if pumps and all(pump.get("running") for pump in pumps.values()):
        beds = picture.get("beds") or {}
        turns = [now_s - b["last_cycle"] for b in beds.values() if b.get("last_cycle") is not None]
        last = f" The last bed drained {lasted(min(turns))} ago." if turns else ""
        return Answer("good", "Yes", f"{'Every pump lifts' if len(pumps) > 1 else 'The pump lifts'}.{last}")
    return Answer("unsure", "Cannot tell yet", "Too little has been seen of the beds to say.")


def _since(alarm: dict, now_s: float) -> str:
    """The alarm itself stands further down the page, with its message and what to do."""
    span = f"For {lasted(now_s - alarm['since'])} now" if alarm.get("since") is not None else "Now"
    return f"{span}. What to do stands below."


def battery_lasts(picture: dict, garden: Garden, now_s: float) -> Answer:
    """Will the battery last? From standing alarms and the interval of the state of charge against the floor."""
    alarms = {a.get("alarm"): a for a in picture.get("standing") or []}
    if "battery-low" in alarms:
        return Answer("bad", "It is low", _since(alarms["battery-low"], now_s))
    if "battery-will-not-last" in alarms:
        return Answer("bad", "No", _since(alarms["battery-will-not-last"], now_s))
    battery = picture.get("battery") or {}
    charge, low, high = (battery.get(key) for key in ("state_of_charge", "low", "high"))
    floor = percent(garden.floor)
    if charge is None or low is None or high is None:
        return Answer("unsure", "Cannot tell yet", "No battery voltage has been judged so far.")
    if now_s - battery.get("time", now_s) > STALE_VOLTAGE_S:
        return Answer("unsure", "Cannot tell", f"Its voltage was last heard {lasted(now_s - battery['time'])} ago.")
    reading = f"{percent(charge)} charged (between {low * 100:.0f} and {percent(high)})"
    if low > garden.floor and battery.get("outlook"):
        return _by_outlook(battery["outlook"], reading, garden)
    if low > garden.floor:
        return Answer("good", "So far, yes", f"{reading}, above your floor of {floor}.")
    if high > garden.floor:
        return Answer("unsure", "Perhaps not", f"{reading}: it may already be at your floor of {floor}.")
    return Answer("bad", "It is low", f"{reading}, below your floor of {floor}.")


def _by_outlook(outlook: dict, reading: str, garden: Garden) -> Answer:
    """From when the floor is reached at this load, against when charging begins."""
    words = f"{reading}. {outlook_in_words(outlook, ZoneInfo(garden.time_zone), percent(garden.floor))}"
    if outlook.get("sun_s") is None:
        return Answer("unsure", "Perhaps", words)
    if outlook["floor_soonest_s"] > outlook["sun_s"]:
        return Answer("good", "Yes", words)
    return (
        Answer("good", "Most likely", words)
        if outlook["floor_s"] > outlook["sun_s"]
        else Answer("unsure", "Perhaps not", words)
    )


def outlook_in_words(outlook: dict, zone: ZoneInfo, floor: str) -> str:
    """When floor and cut-off come at this load, and when the sun; the moments of a day ahead carry its name."""
    now_s = min(outlook["floor_soonest_s"], outlook["sun_s"] or outlook["floor_soonest_s"])

    def at(moment_s: float) -> str:
        moment = datetime.fromtimestamp(moment_s, zone)
        return f"{moment:%H:%M}" if moment_s - now_s < 20 * 3600 else f"{moment:%a %H:%M}"

    words = f"At this load your floor of {floor} comes about {at(outlook['floor_s'])}"
    words += f" (between {at(outlook['floor_soonest_s'])} and {at(outlook['floor_latest_s'])})"
    words += f", and the controller drops the load about {at(outlook['cut_off_s'])}"
    if outlook["sun_s"] is not None:
        words += f"; charging begins about {at(outlook['sun_s'])}"
    return f"{words}."


def page(
    picture: dict, garden: Garden, now_s: float, problems: list[str], nights: list[dict], footer: list[str],
    may_answer: bool = False,
) -> str:  # fmt: skip
    """The whole page. problems: lines about the service itself; nights: night records, newest first; footer: notes;
    may_answer: whether it is looked at where the grower's word is taken."""
    clock = datetime.fromtimestamp(now_s, ZoneInfo(garden.time_zone))
    moving, lasting = water_moves(picture, now_s), battery_lasts(picture, garden, now_s)
    body = joined(
        [
            tag(
                "header",
                tag("h1", garden.name),
                tag("p", f"as of {clock:%H:%M:%S}", tag("span", f" · {clock:%A %d %B}", class_="day"), id="asof"),
            ),
            tag("p", "", id="lost", class_="problem", role="alert", hidden="hidden"),
            *(tag("p", problem, class_="problem") for problem in problems[:MOST_ROWS]),
            tag(
                "div",
                _answer("Is the water moving?", moving),
                _answer("Will the battery last?", lasting),
                class_="answers",
            ),
            _alarms(picture, garden, now_s, may_answer),
            _waiting(picture, garden, may_answer),
            _aside(picture, garden, may_answer),
            _maintenance(picture) if may_answer else None,
            tag(
                "div",
                _beds(picture, now_s),
                _battery(picture, garden, now_s, nights),
                tag("div", _water(picture, garden, now_s), _stations(picture, now_s), class_="stack"),
                class_="cards",
            ),
            tag("div", *(tag("p", line) for line in footer), class_="small"),
        ]
    )
    return _frame(f"{moving.word} · {garden.name}", body)


def _frame(title: str, body: Html) -> str:
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        '<noscript><meta http-equiv="refresh" content="30"></noscript>'
        '<link rel="icon" href="/pages/icon.svg" type="image/svg+xml">'
        '<link rel="stylesheet" href="/pages/status.css"><script src="/pages/status.js" defer></script>'
        f"{tag('title', title)}</head><body>{tag('main', body, id='page')}"
        f"{tag('p', id='said', role='status', hidden='hidden')}{_links()}</body></html>\n"
    )


def _answer(question: str, answer: Answer) -> Html:
    return tag(
        "section",
        tag("h2", question),
        tag("p", answer.word, class_="word"),
        tag("p", answer.reason),
        class_=f"answer {answer.mood}",
    )


def _alarms(picture: dict, garden: Garden, now_s: float, may_answer: bool) -> Html:
    standing = sorted(
        picture.get("standing") or [], key=lambda a: (_ORDER.get(a.get("priority"), 3), a.get("since") or 0)
    )
    if not standing:
        return tag("p", "No alarm stands.", class_="calm")
    zone = ZoneInfo(garden.time_zone)
    articles = (_alarm(a, zone, now_s, may_answer) for a in standing[:MOST_ROWS])
    return tag("section", tag("h2", "What stands"), *articles, class_="alarms")


def _alarm(alarm: dict, zone: ZoneInfo, now_s: float, may_answer: bool) -> Html:
    since_s, priority = alarm.get("since"), str(alarm.get("priority", ""))
    since = f"since {_moment(since_s, zone)}, {lasted(now_s - since_s)}" if since_s else ""
    return tag(
        "article",
        tag("p", tag("b", _CALLS.get(priority, priority)), f" · {alarm.get('subject', '')} · {since}", class_="call"),
        tag("h3", alarm.get("message") or alarm.get("alarm", "")),
        tag("p", alarm["consequence"]) if alarm.get("consequence") else None,
        tag("p", tag("b", "What to do: "), alarm["action"], class_="action") if alarm.get("action") else None,
        _state(alarm, zone),
        tag("p", *_taps(alarm), class_="taps") if may_answer and alarm.get("state") else None,
        class_=f"alarm {priority if priority in _ORDER else 'note'}",
    )


def _moment(time_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_s, zone):%a %H:%M}"


def _state(alarm: dict, zone: ZoneInfo) -> Html | None:
    if not alarm.get("state"):
        return None
    words = "Nobody has acknowledged it yet."
    if alarm["state"] == "acknowledged":
        by = f" by {alarm['acknowledged_by']}" if alarm.get("acknowledged_by") else ""
        words = f"Acknowledged{by}, {_moment(alarm['acknowledged'], zone)}."
    words += " It comes and goes." if alarm.get("chattering") else ""
    words += " It has stood for more than a day." if alarm.get("stale") else ""
    return tag("p", words, class_="state")


def _tap(words: str, **word: Any) -> Html:
    """A button that tells the service this word (grower.py); the script does it."""
    return tag("button", words, type="button", data_word=json.dumps(word))


def _taps(alarm: dict) -> list[Html]:
    about = {"alarm": alarm["alarm"], "subject": alarm["subject"], "who": "the page"}
    shelf = _tap("Shelve for 1 h", input="shelved", for_s=3600, reason="by a tap on the page", **about)
    taps = [] if alarm["state"] == "acknowledged" else [_tap("Acknowledge", input="acknowledged", **about)]
    if alarm["alarm"] in ("pump-stopped", "flow-falling"):
        return [*taps, shelf, _rest(alarm["subject"], "I am at work on it")]
    return [*taps, shelf]


def _rest(pump: str, words: str) -> Html:
    return _tap(f"{words}: 30 min", input="pump-rested", pump=pump, for_s=1800)


def _waiting(picture: dict, garden: Garden, may_answer: bool) -> Html | None:
    """What is over and nobody has acknowledged."""
    rows, zone = (picture.get("returned") or [])[:MOST_ROWS], ZoneInfo(garden.time_zone)
    lines = [
        tag(
            "div",
            tag("p", f"{_moment(row['raised'], zone)} to {_moment(row['cleared'], zone)}: {row['message']}"),
            tag("p", *_taps(row)[:1], class_="taps") if may_answer else None,
            class_="past",
        )
        for row in rows
    ]
    return tag("section", tag("h2", "Over, and not acknowledged"), *lines, class_="card aside") if lines else None


def _aside(picture: dict, garden: Garden, may_answer: bool) -> Html | None:
    """What is shelved or out of service."""
    lines, zone = [], ZoneInfo(garden.time_zone)
    for row in (picture.get("shelved") or [])[:MOST_ROWS]:
        until = f"until {_moment(row['until'], zone)}" if row["until"] else "until it is taken back"
        by = f" by {row['by']}" if row["by"] else ""
        words = f"{row['alarm']} {row['subject']}: {row['state'].replace('-', ' ')}{by} {until} ({row['reason']})."
        back = {"input": "unshelved", "alarm": row["alarm"], "subject": row["subject"], "who": "the page"}
        taps = tag("p", _tap("Take back", **back), class_="taps") if may_answer else None
        lines.append(tag("div", tag("p", words, " It holds just now." if row["holds"] else None), taps, class_="past"))
    return tag("section", tag("h2", "Put aside"), *lines, class_="card aside") if lines else None


def _maintenance(picture: dict) -> Html | None:
    """One tap before the pump is switched off by hand."""
    pumps = [name for name, pump in (picture.get("pumps") or {}).items() if not pump.get("resting_until")]
    stopped = {row.get("subject") for row in picture.get("standing") or [] if row.get("alarm") == "pump-stopped"}
    taps = [_rest(name, f"I switch {name} off") for name in pumps if name not in stopped]
    return tag("p", *taps, class_="taps") if taps else None


def _rows(*rows: tuple[str, str]) -> Html:
    return tag("dl", *(tag("div", tag("dt", name), tag("dd", value)) for name, value in rows))


def _beds(picture: dict, now_s: float) -> Html:
    beds = picture.get("beds") or {}
    cards = []
    for name, bed in list(beds.items())[:MOST_ROWS]:
        last_s, since_s, phase = bed.get("last_cycle"), bed.get("since"), bed.get("phase", "unknown")
        span = f" for {lasted(now_s - since_s)}" if since_s and phase != "unknown" else ""
        rows = [
            ("now", f"{_PHASES.get(phase, phase)}{span}"),
            ("last drained", f"{lasted(now_s - last_s)} ago" if last_s else "not seen yet"),
            ("usual cycle", lasted(bed["period_s"]) if bed.get("period_s") else "still learning"),
            ("cycles counted", str(bed.get("cycles", 0))),
            *_siphon(bed),
        ]
        sign = tag("p", bed["sign"], class_="sign") if bed.get("sign") else None
        cards.append(tag("div", tag("h3", name), _rows(*rows), sign, class_="bed"))
    return tag("section", tag("h2", "Beds"), *(cards or [tag("p", "No bed heard yet.")]), class_="card")


def _siphon(bed: dict) -> list[tuple[str, str]]:
    """What two floats or a level tell of it, if anything."""
    if bed.get("flow_ratio") is None:
        return []
    rows = [
        ("fills, drains in", f"{lasted(bed['fill_s'])}, {lasted(bed['drain_s'])}"),
        ("siphon carries", f"{number(bed['flow_ratio'])} × the pump's flow"),
    ]
    if bed.get("prime_s") is not None and bed.get("break_s") is not None:
        rows.append(("siphon waits", f"{lasted(bed['prime_s'])} to start, {lasted(bed['break_s'])} to break"))
    return rows


def _battery(picture: dict, garden: Garden, now_s: float, nights: list[dict]) -> Html:
    battery = picture.get("battery") or {}
    if not battery:
        return tag("section", tag("h2", "Battery"), tag("p", "No voltage heard yet."), class_="card")
    rows = [("at the terminals", number(battery.get("voltage_v"), 2, " V"))]
    charge, low, high = (battery.get(key) for key in ("state_of_charge", "low", "high"))
    judged = charge is not None and low is not None and high is not None
    if judged:
        rows.append(("charge", f"{percent(charge)}, most likely {low * 100:.0f} to {percent(high)}"))
    rows.append(("▲ your floor", percent(garden.floor)))
    if battery.get("time"):
        rows.append(
            ("judged", f"{lasted(now_s - battery['time'])} ago, {_BASES.get(battery.get('basis'), 'basis unknown')}")
        )
    if battery.get("outlook"):
        rows.append(
            ("without sun", f"{number(battery['outlook']['days_without_sun'], 1)} days from full to your floor")
        )
    night = nights[0] if nights else {}
    if night.get("state_of_charge_dusk") is not None and night.get("state_of_charge_dawn") is not None:
        dusk, dawn = percent(night["state_of_charge_dusk"]), percent(night["state_of_charge_dawn"])
        rows.append(("last night", f"{dusk} at dusk, {dawn} at dawn, {number(night.get('used_ah'), 0)} Ah drawn"))
    gauge = _gauge(charge, low, high, garden.floor) if judged else None
    return tag("section", tag("h2", "Battery"), gauge, _rows(*rows), class_="card")


def _gauge(charge: float, low: float, high: float, floor: float) -> Html:
    """A bar from empty to full: the interval as a band, the best guess as a line, the floor as a notch."""
    at = [min(100.0, max(0.0, 100 * share)) for share in (charge, low, high, floor)]
    shapes = [
        tag("rect", class_="trough", x=0, y=3, width=100, height=8, rx=2),
        tag("rect", class_="band", x=f"{at[1]:.1f}", y=3, width=f"{max(0.5, at[2] - at[1]):.1f}", height=8),
        tag("rect", class_="guess", x=f"{max(0, at[0] - 0.4):.1f}", y=1, width="0.8", height=12),
        tag("path", class_="floor", d=f"M{at[3]:.1f} 14 l-1.6 3.4 h3.2 z"),
    ]
    words = f"{percent(charge)} charged, between {percent(low)} and {percent(high)}; floor at {percent(floor)}"
    return tag("svg", tag("title", words), *shapes, class_="gauge", viewBox="0 0 100 18", role="img")


def _water(picture: dict, garden: Garden, now_s: float) -> Html:
    water = picture.get("water") or {}
    if water.get("temperature_c") is None:
        return tag("section", tag("h2", "Water"), tag("p", "No temperature heard yet."), class_="card")
    rows = [("in the sump", number(water["temperature_c"], 1, " °C"))]
    if garden.coldest_c is not None and garden.warmest_c is not None:
        rows.append(("your limits", f"{number(garden.coldest_c, 0)} to {number(garden.warmest_c, 0)} °C"))
    if water.get("time"):
        rows.append(("measured", f"{lasted(now_s - water['time'])} ago"))
    return tag("section", tag("h2", "Water"), _rows(*rows), class_="card")


def _stations(picture: dict, now_s: float) -> Html:
    rows = []
    for name, station in list((picture.get("stations") or {}).items())[:MOST_ROWS]:
        heard_s = station.get("last_heard")
        word = f"heard {lasted(now_s - heard_s)} ago" if heard_s is not None else "not heard yet"
        rows.append((name, f"silent, {word}" if station.get("silent") else word))
    return tag("section", tag("h2", "Stations"), _rows(*rows) if rows else tag("p", "None heard yet."), class_="card")


def _links() -> Html:
    links = [
        tag("a", word, href=path)
        for word, path in (
            ("now", "/api/now"),
            ("health", "/api/health"),
            ("alarms", "/api/alarms"),
            ("all answers described", "/openapi.json"),
        )
    ]
    # Outside what the script swaps, so that a link keeps its focus.
    return tag("footer", "As JSON: ", joined([Html(f"{link} ") for link in links]))
