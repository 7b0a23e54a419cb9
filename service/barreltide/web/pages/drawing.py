"""The drawing of this garden: where each thing stands on the sheet, and where the water is. Pure.

Theory of the water. What is known of a bed is its upper float: wet or dry, and since when. Between two changes the
level follows a turn as the last ones were: it rises evenly while the bed fills and falls evenly while the siphon runs.
So for the time since the last change there is a line of levels (`water_line`), of which the drawing shows the point of
this moment; a script goes along the same line. The level never passes the float before the float says so. Where a turn
is not known yet, or the pump stands, the water is drawn where it was last known and does not move. The sump's level is
not measured: it is drawn full, and low while that alarm stands.

Heights come from the site file. What nobody measured is drawn as a common bed.
"""

from __future__ import annotations

from datetime import UTC, datetime
from math import pi, sin
from random import Random
from textwrap import wrap
from typing import Any, NamedTuple

from ...site import Bed, Site
from .now import STALE_VOLTAGE_S, bed_entries, is_unheard
from .words import Taste, percent

WIDTH, HEIGHT = 400, 270
RIM_Y, FLOOR_Y, GROUND_Y = 74, 128, 196
LEFT, BEDS_RIGHT = 10, 302
APART = 14  # between two tubs, where the risers run
NARROW, LEAST = 100, 40  # a tub that has its drain at the side, to leave room for words; one that has no room at all
SUMP_LEFT, SUMP_RIGHT = 124, 222  # of its mouth
STANDPIPE_M, DRAIN_M, FLOAT_SHARE = 0.28, 0.04, 0.85  # of a common bed
DRAIN_SHARE = 0.15  # of a turn, where two floats have not shown it
MIDDLE = 0.5
NAME_LETTER, WORD_LETTER = 5.3, 4.4  # widths of a letter in the drawing

Line = list[tuple[float, float]]  # (seconds since the last change, level from 0, broken, to 1, at the standpipe)


class Tub(NamedTuple):
    """One bed on the sheet."""

    name: str
    label: str
    words: str
    lines: list[str]  # the words, as they fit beneath it
    left: float
    right: float
    drain: float
    outlet: float
    pipe_y: float
    drain_y: float
    float_y: float
    line: str  # of water, for the script: "seconds:y …"
    since_s: float | None
    water_y: float
    flow: str  # "up", "down" or "still"
    leaves: list[str]
    is_ill: bool


def water_line(bed: dict[str, Any], float_share: float, is_still: bool) -> Line:
    """Levels since the float's last change. float_share: its height between where the siphon breaks and starts."""
    wet, f = bed.get("wet"), float_share
    fill_s, drain_s, period_s = (bed.get(key) for key in ("fill_s", "drain_s", "period_s"))
    if fill_s is None or drain_s is None:
        fill_s, drain_s = (period_s * (1 - DRAIN_SHARE), period_s * DRAIN_SHARE) if period_s else (None, None)
    if wet is None or fill_s is None or is_still:
        return [(0.0, MIDDLE if wet is None else (1 + f) / 2 if wet else f / 2)]
    if wet:
        up_s, down_s = (1 - f) * fill_s, (1 - f) * drain_s
        return [(0.0, f), (up_s, 1.0), (up_s + down_s, f)]
    return [(0.0, f), (f * drain_s, 0.0), (f * (drain_s + fill_s), f)]


def level_at(line: Line, passed_s: float) -> tuple[float, str]:
    """The level at that many seconds along the line, and which way it goes there."""
    for (from_s, low), (to_s, high) in zip(line, line[1:], strict=False):
        if passed_s < to_s:
            return low + (high - low) * max(passed_s - from_s, 0.0) / (to_s - from_s), "up" if high > low else "down"
    return line[-1][1], "still"


def garden(
    site: Site, picture: dict[str, Any], now_s: float, day: tuple[float | None, float | None], taste: Taste
) -> dict:
    """Everything that the template of the drawing puts down. day: sunrise and sunset of this date."""
    beds, pumps = picture.get("beds") or {}, picture.get("pumps") or {}
    standing = {(row.get("alarm"), row.get("subject")) for row in picture.get("standing") or []}
    pitch = (BEDS_RIGHT - LEFT) / len(site.beds)
    words = {row["name"]: row["short"] for row in bed_entries(picture, now_s)}
    tubs = []
    for place, bed in enumerate(site.beds):
        pump = next((pumps.get(pump.name) or {} for pump in site.pumps if bed.name in pump.feeds), {})
        is_ill = any(subject == bed.name for _, subject in standing)
        tubs.append(_tub(bed, beds.get(bed.name) or {}, words.get(bed.name, "not heard yet"), LEFT + place * pitch,
                         pitch, pump.get("running") is not True, now_s, is_ill))  # fmt: skip
    gap = min((tub.right + _apart(pitch) / 2 for tub in tubs), key=lambda x: abs(x - (SUMP_LEFT + SUMP_RIGHT) / 2))
    tubs = _led_to_sump(tubs, gap)
    return {
        "width": WIDTH, "height": HEIGHT, "ground": GROUND_Y, "rim": RIM_Y, "floor": FLOOR_Y, "tubs": tubs,
        "risers": _risers(site, pumps, tubs, gap), "sump": _sump(site, picture, standing, gap, taste),
        "battery": _battery(picture, site.battery.lowest_state_of_charge, now_s),
        "sky": _sky(now_s, day, site.latitude), "is_known": not is_unheard(picture, now_s),
        "words": _in_words(site, words, picture),
    }  # fmt: skip


def _tub(
    bed: Bed, seen: dict, words: str, left: float, pitch: float, is_still: bool, now_s: float, is_ill: bool
) -> Tub:
    top_m = bed.standpipe_height_m or STANDPIPE_M
    drain_m = bed.drain_height_m if bed.drain_height_m is not None else min(DRAIN_M, top_m / 4)
    float_m = bed.float_height_m or drain_m + FLOAT_SHARE * (top_m - drain_m)
    pipe_y, deepest_y = RIM_Y + 12.0, FLOOR_Y - 2.0
    drain_y = deepest_y - (deepest_y - pipe_y) * drain_m / top_m
    share = min(max((float_m - drain_m) / max(top_m - drain_m, 0.01), 0.05), 0.95)

    def y(level: float) -> float:
        return round(drain_y + (pipe_y - drain_y) * level, 1)

    line = water_line(seen, share, is_still)
    since_s = seen.get("since") if len(line) > 1 else None
    level, flow = level_at(line, now_s - since_s if since_s is not None else 0.0)
    width = min(132.0, pitch - _apart(pitch))
    drain = left + width - 14 if LEAST < width < NARROW else left + width / 2
    room = width - 26 if width < NARROW else width - 8
    most = [max(4, int(room / letter)) for letter in (NAME_LETTER, WORD_LETTER)]
    return Tub(
        bed.name, _cut(bed.name, most[0]), words, [_cut(line, most[1]) for line in wrap(words, most[1])[:2]],
        round(left, 1), round(left + width, 1), round(drain, 1), 0.0, pipe_y, drain_y, y(share),
        " ".join(f"{s:.0f}:{y(v)}" for s, v in line), since_s, y(level), flow,
        _leaves(bed.name, left + 8, left + width - 8), is_ill,
    )  # fmt: skip


def _apart(pitch: float) -> float:
    return min(APART, 0.3 * pitch)


def _led_to_sump(tubs: list[Tub], gap: float) -> list[Tub]:
    """Each with the place over the sump where its drain ends: on its own side of the risers, so that none crosses."""
    sides = [tub for tub in tubs if tub.drain < gap], [tub for tub in tubs if tub.drain >= gap]
    led = []
    for side, low, high in zip(sides, (SUMP_LEFT, gap + 11), (gap - 11, SUMP_RIGHT), strict=True):
        low, high = min(low, high), max(low, high)
        for place, tub in enumerate(side):
            x = min(max(tub.drain, low), high) if len(side) == 1 else low + (high - low) * (place + 0.5) / len(side)
            led.append(tub._replace(outlet=round(x, 1)))
    return led


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _leaves(name: str, left: float, right: float) -> list[str]:
    """Stems and leaves, always the same for a bed of this name; each the `d` of a path."""
    rng, found = Random(name), []
    count = max(2, int((right - left) / 13))
    for n in range(count):
        x = left + (right - left) * (n + 0.5) / count + rng.uniform(-2, 2)
        high, lean = rng.uniform(13, 27), rng.uniform(-5, 5)
        top = f"{x + lean:.1f} {RIM_Y - high:.1f}"
        found.append(f"M{x:.1f} {RIM_Y + 5}Q{x:.1f} {RIM_Y - high / 2:.1f} {top}")
        for part in (0.45, 0.7, 1.0):
            at_x, at_y = x + lean * part, RIM_Y + 3 - high * part
            for side in (-1, 1):
                tip_x, tip_y = at_x + side * rng.uniform(5, 8), at_y - rng.uniform(2, 6)
                found.append(
                    f"M{at_x:.1f} {at_y:.1f}Q{at_x + side * 2:.1f} {tip_y - 2:.1f} {tip_x:.1f} {tip_y:.1f}"
                    f"Q{at_x + side * 5:.1f} {at_y + 1:.1f} {at_x:.1f} {at_y:.1f}Z"
                )
    return found


def _risers(site: Site, pumps: dict, tubs: list[Tub], gap: float) -> list[dict]:
    """From each pump in the sump up between two tubs, and along to its beds."""
    found, count, apart = [], len(site.pumps), _apart((BEDS_RIGHT - LEFT) / len(site.beds))
    for place, pump in enumerate(site.pumps):
        off = place - (count - 1) / 2
        x, y = round(gap + off * min(7.0, apart / count), 1), RIM_Y - 8.0 - 5 * place
        foot = round(min(max(gap + 18 * off, SUMP_LEFT + 6), SUMP_RIGHT - 6), 1)
        ends = [tub.left + 9 + 5 * place for tub in tubs if tub.name in pump.feeds]
        up = f"M{foot} 250V238L{x} 230V{y}"
        path = f"{up}M{min([x, *ends])} {y}H{max([x, *ends])}" + "".join(f"M{end} {y}V{RIM_Y + 8}" for end in ends)
        flows = "".join(f"{up}H{end}V{RIM_Y + 8}" for end in ends)
        found.append({"name": pump.name, "foot": foot, "under": f"M{foot} 250V238L{x} 230V176",
                      "wet": f"M{foot} 246V238L{x} 230V176", "pipe": path, "flow": flows,
                      "runs": (pumps.get(pump.name) or {}).get("running")})  # fmt: skip
    return found


def _sump(site: Site, picture: dict, standing: set, gap: float, taste: Taste) -> dict:
    water = picture.get("water") or {}
    alarms = {alarm for alarm, _ in standing}
    return {
        "level": 236.0 if "sump-low" in alarms else 186.0,
        "free": 166 if gap < 172 else 128,  # where nothing stands in the water
        "has_fish": site.sump is None or site.sump.fish != "none",
        "degrees": taste.degrees(water["temperature_c"]) if water.get("temperature_c") is not None else "",
        "is_ill": bool(alarms & {"water-too-warm", "water-too-cold", "sump-low"}),
    }


def _battery(picture: dict, floor: float, now_s: float) -> dict:
    battery, top, bottom = picture.get("battery") or {}, 158.0, 194.0
    shares = [battery.get(key) for key in ("state_of_charge", "low", "high")]
    is_known = None not in shares and now_s - (battery.get("time") or now_s) <= STALE_VOLTAGE_S

    def y(share: float) -> float:
        return round(bottom - min(max(share, 0.0), 1.0) * (bottom - top), 1)

    low, high = (y(shares[1]), y(shares[2])) if is_known else (bottom, bottom)
    return {
        "charge": percent(shares[0]) if is_known else "?", "y": y(shares[0]) if is_known else bottom,
        "low": low, "high": high, "floor": y(floor), "is_charging": battery.get("basis") == "charging",
        "is_ill": is_known and shares[0] <= floor,
    }  # fmt: skip


def _sky(now_s: float, day: tuple[float | None, float | None], latitude: float) -> dict:
    """The sun on its arc, or the stars. Where it neither rises nor sets it is the half-year that tells which."""
    rise_s, set_s = day
    if rise_s is None or set_s is None or not rise_s <= now_s <= set_s:
        is_northern_summer = 80 < datetime.fromtimestamp(now_s, UTC).timetuple().tm_yday < 266  # between the equinoxes
        return {"is_day": rise_s is None and set_s is None and is_northern_summer == (latitude > 0), "x": 336, "y": 30}
    share = (now_s - rise_s) / max(set_s - rise_s, 1.0)
    return {"is_day": True, "x": round(24 + 352 * share, 1), "y": round(104 - 86 * sin(pi * share), 1)}


def _in_words(site: Site, words: dict[str, str], picture: dict) -> str:
    """What the drawing shows, for who cannot see it."""
    pumps = picture.get("pumps") or {}
    runs = {True: "lifts water", False: "lifts nothing", None: "is not known to lift"}
    told = [f"{pump.name} {runs[(pumps.get(pump.name) or {}).get('running')]}" for pump in site.pumps]
    told += [f"{bed.name}: {words.get(bed.name, 'not heard yet')}" for bed in site.beds]
    return f"The garden: {'; '.join(told)}."
