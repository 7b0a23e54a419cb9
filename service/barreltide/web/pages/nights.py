"""The battery's nights: the last one large, one small picture for each of the last thirty, the charge that dawns have
found over the season, and what the battery still holds. Pure.

A night is drawn from its dusk to its dawn on an axis that is true to time: the night in which the clock is put forward
is an hour shorter by the clock and as long as it was on the sheet.
"""

from __future__ import annotations

from statistics import median
from typing import Any

from ...site import Site
from .figures import Axis, Scale, band, days, hours, line
from .words import Taste, lasted, number, percent

WIDTH, LEFT, RIGHT = 400, 30, 396
VOLTS_TOP, VOLTS_BOTTOM, CHARGE_TOP, CHARGE_BOTTOM, HEIGHT = 14, 112, 130, 228, 250
SMALL_WIDTH, SMALL_HEIGHT = 96, 54
SEASON_HEIGHT = 130
SHOWN = 30
GAP_S = 2700.0
COMPARED, LEAST_COMPARED = 60, 5  # nights whose resistance the newest is held against
RISEN = 1.5  # times the usual resistance
WORN = 0.8  # of the capacity on the label
CLOCK_S = 60.0

Line = dict[str, Any]
Rows = list[tuple[float, float, float, float]]  # (time, low, mean, high)


def rows_of(chart: Line | None) -> Rows:
    """A chart's arrays (store.chart, store.charge) as rows, without what is not known."""
    if not chart:
        return []
    columns = zip(chart["t"], chart["low"], chart["mean"], chart["high"], strict=True)
    return [row for row in columns if None not in row]


def last_night(
    night: tuple[float, float], volts: Rows, charge: Rows, stops: list[tuple[float, float | None]],
    alarms: list[Line], site: Site, now_s: float, taste: Taste,
) -> Line:  # fmt: skip
    """The large figure. night: dusk and dawn; stops: when a pump stood, None while it still does; alarms: those that
    were raised in the night, oldest first."""
    axis = Axis(*night, LEFT, RIGHT)
    floor, cut_off = site.battery.lowest_state_of_charge, site.battery.cut_off_voltage_v
    heard = [value for row in volts for value in row[1:]]
    volt_scale = Scale(min([*heard, cut_off]) - 0.1, max(heard, default=cut_off + 1.9) + 0.1, VOLTS_TOP, VOLTS_BOTTOM)
    low = min([floor, *(row[1] for row in charge)])
    charge_scale = Scale(max(0.0, low - 0.06), 1.0, CHARGE_TOP, CHARGE_BOTTOM)
    until_s = min(now_s, night[1])
    return {
        "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT,
        "panels": [(VOLTS_TOP, VOLTS_BOTTOM), (CHARGE_TOP, CHARGE_BOTTOM)], "hours": hours(axis, taste, 2),
        "volts": line([(row[0], row[2]) for row in volts], axis, volt_scale, GAP_S),
        "volt_band": band([row[:2] + row[3:] for row in volts], axis, volt_scale, GAP_S),
        "volt_marks": _marks(volt_scale, 0.5, "V"),
        "cut_y": volt_scale.y(cut_off), "cut": f"cut-off {number(cut_off)}\u00a0V",
        "charge": line([(row[0], row[2]) for row in charge], axis, charge_scale, GAP_S),
        "charge_band": band([(row[0], row[1], row[3]) for row in charge], axis, charge_scale, GAP_S),
        "charge_marks": _marks(charge_scale, 0.25, "%"),
        "floor_y": charge_scale.y(floor), "floor": f"floor {percent(floor)}",
        "stops": [(axis.x(max(a, night[0])), axis.x(min(b or until_s, until_s))) for a, b in stops],
        "alarms": [{"x": axis.x(row["time"]), "number": n} for n, row in enumerate(alarms, 1)],
        "ends": [taste.clock(night[0]), taste.clock(night[1])],
        "words": _words(volts, charge, stops, night, taste),
        "change": clock_change(night, taste),
    }  # fmt: skip


def _marks(scale: Scale, step: float, unit: str) -> list[tuple[float, str]]:
    first = -(-scale.low // step)
    values = [step * (first + n) for n in range(12) if step * (first + n) <= scale.high]
    return [(scale.y(value), percent(value) if unit == "%" else number(value)) for value in values]


def _words(volts: Rows, charge: Rows, stops: list, night: tuple[float, float], taste: Taste) -> str:
    words = f"From dusk at {taste.clock(night[0])} to dawn at {taste.clock(night[1])}."
    if not charge and not volts:
        words += " Nothing has been heard in it."
    if charge:
        words += f" Charge from {percent(charge[0][2])} to {percent(charge[-1][2])}."
    if volts:
        words += f" Lowest voltage {number(min(row[1] for row in volts), 2)} V."
    return f"{words} {_stood(stops)}" if stops else words


def _stood(stops: list) -> str:
    return f"The pump stood {'once' if len(stops) == 1 else f'{len(stops)} times'}."


def clock_change(night: tuple[float, float], taste: Taste) -> str | None:
    """What to say of a night in which the clock was changed."""
    moved = (taste.local(night[1]).utcoffset() - taste.local(night[0]).utcoffset()).total_seconds()
    if abs(moved) < CLOCK_S:
        return None
    way = "forward: an hour is missing by the clock" if moved > 0 else "back: an hour comes twice by the clock"
    return f"In this night the clock was put {way}. The night itself is drawn as long as it was."


def alarm_list(alarms: list[Line], taste: Taste) -> list[tuple[str, str]]:
    """(when, what) of each, as numbered in the figure."""
    return [(taste.clock(row["time"]), row["message"].partition(". ")[0].rstrip(".") + ".") for row in alarms]


def stops_in(night: tuple[float, float], changes: list[Line]) -> list[tuple[float, float | None]]:
    """When a pump stood in that night. changes: lines of pump-stopped, oldest first."""
    found: dict[str, list[tuple[float, float | None]]] = {}
    for row in changes:
        of_pump = found.setdefault(row["subject"], [])
        if row["change"] == "raised":
            of_pump.append((row["since"], None))
        elif of_pump and of_pump[-1][1] is None:
            of_pump[-1] = (of_pump[-1][0], row["time"])
    spans = [span for spans in found.values() for span in spans]
    return sorted(span for span in spans if span[0] < night[1] and (span[1] or night[1]) > night[0])


def small(records: list[Line], charge: Rows, floor: float, troubles: list[float], taste: Taste) -> list[Line]:
    """One small picture for each of these nights, newest first. charge: over all of them; troubles: when alarms were
    raised."""
    found = []
    scale = Scale(0.0, 1.0, 3, SMALL_HEIGHT - 3)
    for record in records:
        dusk_s, dawn_s = record["dusk"], record["dawn"]
        axis = Axis(dusk_s, dawn_s, 2, SMALL_WIDTH - 2)
        rows = [row for row in charge if dusk_s <= row[0] <= dawn_s]
        ends = [(record[at], record.get(f"state_of_charge_{at}")) for at in ("dusk", "dawn")]
        if not rows and None not in (share for _, share in ends):
            rows = [(time_s, share, share, share) for time_s, share in ends]
        at_dawn = record.get("state_of_charge_dawn")
        found.append({
            "day": f"{taste.local(dusk_s):%a} {taste.day(dusk_s)}", "dawn": percent(at_dawn),
            "line": line([(row[0], row[2]) for row in rows], axis, scale, GAP_S),
            "band": band([(row[0], row[1], row[3]) for row in rows], axis, scale, GAP_S),
            "floor_y": scale.y(floor), "is_low": at_dawn is not None and at_dawn <= floor,
            "alarms": [axis.x(time_s) for time_s in troubles if dusk_s <= time_s <= dawn_s],
            "used": number(record.get("used_ah"), 0), "at": round(dusk_s + 3600),
        })  # fmt: skip
    return found


def season(records: list[Line], floor: float, taste: Taste) -> Line | None:
    """The charge at each dawn. records: oldest first."""
    known = [
        (row["dawn"], row["state_of_charge_dawn"]) for row in records if row.get("state_of_charge_dawn") is not None
    ]
    if len(known) < 3:
        return None
    axis = Axis(known[0][0] - 43_200, known[-1][0] + 43_200, LEFT, RIGHT)
    scale = Scale(0.0, 1.0, 10, SEASON_HEIGHT - 24)
    lowest = min(known, key=lambda pair: pair[1])
    return {
        "width": WIDTH, "height": SEASON_HEIGHT, "left": LEFT, "right": RIGHT, "top": 10, "bottom": SEASON_HEIGHT - 24,
        "line": line(known, axis, scale, 3 * 86_400.0), "floor_y": scale.y(floor), "floor": f"floor {percent(floor)}",
        "dots": [(axis.x(t), scale.y(v), v <= floor) for t, v in known[-120:]], "days": days(axis, taste),
        "marks": _marks(scale, 0.5, "%"),
        "words": f"Charge at {len(known)} dawns, from {percent(lowest[1])} on {taste.day(lowest[0])} up to"
        f" {percent(max(v for _, v in known))}.",
    }  # fmt: skip


def in_words(record: Line, stops: list, site: Site, taste: Taste) -> str:
    """One night's record in sentences. stops: when a pump stood in it."""
    words = [f"From dusk at {taste.clock(record['dusk'])} to dawn at {taste.clock(record['dawn'])}:"]
    needed = ("state_of_charge_dusk", "state_of_charge_dawn", "used_ah", "lowest_voltage_v")
    if any(record[key] is None for key in needed):
        return " ".join([*words, "too little has been heard in it.", *([_stood(stops)] if stops else [])])
    words.append(f"{percent(record['state_of_charge_dusk'])} fell to {percent(record['state_of_charge_dawn'])},")
    words.append(f"{number(record['used_ah'])} Ah drawn, lowest {number(record['lowest_voltage_v'], 2)} V.")
    if record["state_of_charge_dawn"] <= site.battery.lowest_state_of_charge:
        words.append("It found the battery at your floor or below.")
    elif record.get("hours_left") is not None:
        words.append(f"At that load it would have lasted {lasted(3600 * record['hours_left'])} more to your floor.")
    words += [_stood(stops)] if stops else []
    return " ".join(words)


def ageing(site: Site, night: Line) -> list[str]:
    """What the newest record says of the capacity that is left."""
    capacity_ah, low_ah, high_ah = (night.get(key) for key in ("capacity_ah", "capacity_low_ah", "capacity_high_ah"))
    if capacity_ah is None:
        return []
    label_ah = site.battery.capacity_ah * site.battery.in_parallel
    words = f"It holds about {capacity_ah:.0f} Ah"
    if low_ah is not None and high_ah is not None:
        words += f" (between {low_ah:.0f} and {high_ah:.0f} Ah)"
    words += f" of the {label_ah:.0f} Ah on its label."
    if high_ah is not None and high_ah < WORN * label_ah:
        words = f"The battery has lost a fifth of its capacity or more. {words} Expect shorter nights from it."
    elif capacity_ah < WORN * label_ah:
        words = f"The battery may have lost a fifth of its capacity. {words} Some more nights will tell."
    else:
        words = words.replace("It holds", "The battery holds", 1)
    return [words]


def resistance(nights: list[Line]) -> list[str]:
    """What the newest record says of the resistance, beside the nights before it. nights: oldest first."""
    known = [line["resistance_ohm"] for line in nights if line.get("resistance_ohm") is not None]
    if not known or nights[-1].get("resistance_ohm") is None:
        return []
    newest, words = known[-1], f"Battery and leads have a resistance of {1000 * known[-1]:.0f} mΩ"
    if len(known) > LEAST_COMPARED:
        usual = median(known[:-1])
        words += f", usually {1000 * usual:.0f} mΩ"
        if newest > RISEN * usual:
            return [
                f"{words}. It has risen: look for a loose or green clamp first; an old or cold battery does it too."
            ]
    return [f"{words}."]
