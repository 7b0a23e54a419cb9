"""One series of readings over any span: the figure that the server draws, and the spans to choose from. Pure."""

from __future__ import annotations

from typing import Any

from .cycles import DAY_S
from .figures import Axis, Scale, band, days, hours, line
from .words import Taste, lasted, number

SPANS = {
    "an hour": DAY_S / 24, "a day": DAY_S, "a week": 7 * DAY_S, "a month": 31 * DAY_S, "a season": 92 * DAY_S,
    "a year": 366 * DAY_S,
}  # fmt: skip
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 400, 210, 40, 396, 12, 184
POINTS = 400
UNITS = {"Cel": "°C", "dBW": "dBW"}


def figure(
    chart: dict[str, Any], unit: str | None, start_s: float, end_s: float, taste: Taste
) -> dict[str, Any] | None:
    """chart: store.chart's arrays; None where nothing was heard in the span."""
    as_read = _converter(unit, taste)
    rows = [
        (t, as_read(low), as_read(mean), as_read(high))
        for t, low, mean, high in zip(chart["t"], chart["low"], chart["mean"], chart["high"], strict=True)
        if mean is not None
    ]
    if not rows:
        return None
    axis = Axis(start_s, end_s, LEFT, RIGHT)
    low, high = min(row[1] for row in rows), max(row[3] for row in rows)
    spare = max((high - low) * 0.06, 1e-3)
    scale = Scale(low - spare, high + spare, TOP, BOTTOM)
    gap_s = max(900.0, 3 * chart["each_s"])
    points = [(row[0], row[2]) for row in rows]
    if chart["steps"]:  # a switch keeps its state until it changes
        points = [p for a, b in zip(points, [*points[1:], points[-1]], strict=True) for p in (a, (b[0], a[1]))]
    step = (high - low) / 4 or 1.0
    digits = 0 if step >= 2 else 1 if step >= 0.2 else 2 if step >= 0.02 else 3
    ticks = sorted({round(low + step * n, digits) for n in range(5)}) if high > low else [low]
    return {
        "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP, "bottom": BOTTOM,
        "line": line(points, axis, scale, gap_s), "band": band([r[:2] + r[3:] for r in rows], axis, scale, gap_s),
        "marks": [(scale.y(v), number(v, digits)) for v in ticks],
        "times": (hours(axis, taste, 1 if end_s - start_s < 8 * 3600 else 3) if end_s - start_s < 1.5 * DAY_S
                  else days(axis, taste)),
        "words": f"From {number(low, 2)} to {number(high, 2)} {shown_unit(unit, taste)}, last"
        f" {number(rows[-1][2], 2)} at {taste.full(min(rows[-1][0], end_s))}.",
    }  # fmt: skip


def shown_unit(unit: str | None, taste: Taste) -> str:
    if unit == "Cel" and taste.fahrenheit:
        return "°F"
    return UNITS.get(unit or "", unit or "")


def _converter(unit: str | None, taste: Taste):
    if unit == "Cel" and taste.fahrenheit:
        return lambda value: value * 1.8 + 32
    return float


def newest(row: dict[str, Any], taste: Taste) -> str:
    """A series' newest reading in words. row: of store.latest_readings."""
    value = row["value"]
    if isinstance(value, bool):
        return "wet" if value else "dry"
    if not isinstance(value, (int, float)):
        return str(value)
    if row["unit"] == "s":
        return lasted(value)
    digits = 0 if row["unit"] in ("B", "dBW") else 2
    return f"{_converter(row['unit'], taste)(value):,.{digits}f}\u00a0{shown_unit(row['unit'], taste)}".strip()
