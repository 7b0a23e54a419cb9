"""The battery's tide: its charge in the last hours and, falling to the floor, in the coming ones, by night and day.

What lies behind is as it was judged, with its interval; what lies ahead is the engine's outlook at the present load:
from the interval of now to the floor at its soonest and latest. While it charges there is none: then more of what lies
behind is drawn, and when the sun goes. Pure.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from .figures import Axis, Scale, band, hours, line, thinned
from .words import Taste, percent

WIDTH, HEIGHT = 400, 158
LEFT, RIGHT, TOP, BOTTOM = 4, 396, 22, 134
BEHIND_S, AHEAD_S = 14 * 3600.0, 22 * 3600.0
BEHIND_ALONE_S = 26 * 3600.0  # without an outlook, in a span as wide
GAP_S = 3600.0
NEAR_S = 600.0
OLD_S = 6 * 3600.0  # nothing of now or later can be drawn from a charge that was judged so long ago
LABEL = 62.0  # what a label needs to one side

Night = tuple[float, float]


def nights_between(
    start_s: float, end_s: float, dawn_dusk: Callable[[str], tuple], local_date: Callable[[float], str]
) -> list[Night]:
    """The nights that lie at least partly in the span, cut to it. dawn_dusk, local_date: of the sun over the garden."""
    dusks = [(dawn_dusk(local_date(start_s + day * 86400.0))) for day in range(-1, int((end_s - start_s) // 86400) + 3)]
    found = []
    for (_, dusk_s), (dawn_s, _) in zip(dusks, dusks[1:], strict=False):
        if dusk_s is not None and dawn_s is not None and dawn_s > start_s and dusk_s < end_s:
            found.append((max(dusk_s, start_s), min(dawn_s, end_s)))
    return found


def curve(
    judged: list[dict[str, Any]],
    picture: dict[str, Any],
    floor: float,
    now_s: float,
    nights: Callable[[float, float], list[Night]],
    taste: Taste,
) -> dict[str, Any] | None:
    """What the template of the figure puts down; None while nothing is judged. judged: lines of kind "battery", oldest
    first; nights: those between two moments."""
    battery = picture.get("battery") or {}
    known = [battery.get(key) for key in ("state_of_charge", "low", "high")]
    if None in known or now_s - (battery.get("time") or now_s) > OLD_S:
        return None
    outlook = battery.get("outlook")
    behind_s = BEHIND_S if outlook else BEHIND_ALONE_S
    axis = Axis(now_s - behind_s, now_s - behind_s + BEHIND_S + AHEAD_S, LEFT, RIGHT)
    rows = thinned(
        [(row["time"], row["low"], row["high"], row["state_of_charge"]) for row in judged if axis.holds(row["time"])]
    )
    rows.append((now_s, known[1], known[2], known[0]))
    scale = Scale(max(0.0, min([floor, *(row[1] for row in rows)]) - 0.08), 1.0, TOP, BOTTOM)
    dark = nights(axis.start_s, axis.end_s)
    dusk_s = next((night[0] for night in dark if night[0] > now_s), None)
    ahead = [("sun", outlook["sun_s"]), ("floor", outlook["floor_s"])] if outlook else [("dusk", dusk_s)]
    return {
        "width": WIDTH, "height": HEIGHT, "top": TOP, "bottom": BOTTOM, "left": LEFT, "right": RIGHT,
        "now_x": axis.x(now_s), "nights": [(axis.x(a), axis.x(b)) for a, b in dark],
        "line": line([(row[0], row[3]) for row in rows], axis, scale, GAP_S),
        "band": band([row[:3] for row in rows], axis, scale, GAP_S),
        "floor_y": scale.y(floor), "floor": percent(floor), "now_y": scale.y(known[0]),
        "ahead": _ahead(outlook, known, floor, now_s, axis, scale) if outlook and known[0] > floor else None,
        "labels": _labels(ahead, now_s, axis, taste),
        "hours": hours(axis, taste, 3), "words": _words(outlook, known, floor, taste),
    }  # fmt: skip


def _ahead(outlook: dict, known: list, floor: float, now_s: float, axis: Axis, scale: Scale) -> dict[str, str]:
    def level(from_share: float, floor_s: float) -> tuple[float, float]:
        """Where the straight way from now to the floor leaves the sheet, or meets the floor."""
        end_s = min(floor_s, axis.end_s)
        share = from_share + (floor - from_share) * (end_s - now_s) / max(floor_s - now_s, 1.0)
        return end_s, share

    likely, soonest, latest = (
        level(share, outlook[key])
        for share, key in zip(known, ("floor_s", "floor_soonest_s", "floor_latest_s"), strict=True)
    )
    wedge = [(now_s, known[2]), latest, soonest, (now_s, known[1])]
    points = "L".join(f"{axis.x(time_s)} {scale.y(share)}" for time_s, share in wedge)
    return {"wedge": f"M{points}Z", "line": line([(now_s, known[0]), likely], axis, scale)}


def _labels(ahead: list[tuple[str, float | None]], now_s: float, axis: Axis, taste: Taste) -> list[dict[str, Any]]:
    found = []
    for word, time_s in ahead:
        if axis.holds(time_s) and time_s > now_s + NEAR_S:
            x = axis.x(time_s)
            side = "end" if x > RIGHT - LABEL else "start"
            found.append({"kind": word, "x": x, "side": side, "shift": -4 if side == "end" else 4,
                          "text": f"{word} {taste.clock(time_s)}"})  # fmt: skip
    return found


def _words(outlook: dict | None, known: list, floor: float, taste: Taste) -> str:
    words = f"The battery's charge: {percent(known[0])} now, between {percent(known[1])} and {percent(known[2])};"
    words += f" the floor is {percent(floor)}."
    if outlook and known[0] > floor:
        words += f" At this load it is reached about {taste.moment(outlook['floor_s'])}."
    return words
