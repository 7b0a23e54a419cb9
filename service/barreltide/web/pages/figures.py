"""Geometry of the figures that the server draws: a time axis that is true to time, scales, lines and bands. Pure.

The axis runs in real seconds, so that the night of a change to summer time is as long as it was; only its marks are in
the garden's own time, where an hour may be missing or come twice. Figures are as wide as a phone, in units of a CSS
pixel there; a style sheet scales them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, time, timedelta
from typing import NamedTuple

from .words import Taste

DAY_S = 86_400.0
MOST_POINTS = 240  # of one line: more than a phone has pixels for is wasted


class Axis(NamedTuple):
    """Moments from left to right; Unix seconds to figure units."""

    start_s: float
    end_s: float
    left: float
    right: float

    def x(self, time_s: float) -> float:
        share = (time_s - self.start_s) / max(self.end_s - self.start_s, 1.0)
        return round(self.left + min(max(share, 0.0), 1.0) * (self.right - self.left), 1)

    def holds(self, time_s: float | None) -> bool:
        return time_s is not None and self.start_s <= time_s <= self.end_s


class Scale(NamedTuple):
    """Values from bottom to top."""

    low: float
    high: float
    top: float
    bottom: float

    def y(self, value: float) -> float:
        share = (value - self.low) / ((self.high - self.low) or 1.0)
        return round(self.bottom - min(max(share, 0.0), 1.0) * (self.bottom - self.top), 1)


class Mark(NamedTuple):
    """One mark on an axis: where, and what stands there."""

    at: float
    text: str


def hours(axis: Axis, taste: Taste, every: int = 3) -> list[Mark]:
    """Marks at local hours that `every` divides."""
    found, time_s = [], axis.start_s - axis.start_s % 900 + 900
    while time_s < axis.end_s:
        local = taste.local(time_s)
        if local.minute == 0 and local.hour % every == 0:
            found.append(Mark(axis.x(time_s), taste.hour(time_s)))
        time_s += 900
    return found


def days(axis: Axis, taste: Taste, most: int = 7) -> list[Mark]:
    """Marks at local midnights, at most so many."""
    first = taste.local(axis.start_s).date()
    count = int((axis.end_s - axis.start_s) // DAY_S) + 3
    midnights = [datetime.combine(first + timedelta(days=n), time(), taste.zone).timestamp() for n in range(count)]
    found = [Mark(axis.x(time_s), taste.day(time_s)) for time_s in midnights if axis.holds(time_s)]
    return found[:: -(-len(found) // most) or 1]


def thinned(points: Sequence, most: int = MOST_POINTS) -> list:
    """Every so manieth of them, and the last."""
    step = max(1, -(-len(points) // most))
    return [*points[::step], *(points[-1:] if (len(points) - 1) % step else [])]


def line(points: Iterable[tuple[float, float]], axis: Axis, scale: Scale, gap_s: float = float("inf")) -> str:
    """The `d` of a path through (time_s, value); it is broken where nothing is known for longer than `gap_s`."""
    words, last_s = [], None
    for time_s, value in points:
        begins = last_s is None or time_s - last_s > gap_s
        words.append(f"{'M' if begins else 'L'}{axis.x(time_s)} {scale.y(value)}")
        last_s = time_s
    return "".join(words)


def band(rows: Sequence[tuple[float, float, float]], axis: Axis, scale: Scale, gap_s: float = float("inf")) -> str:
    """The `d` of an area between low and high of (time_s, low, high)."""
    runs: list[list[tuple[float, float, float]]] = []
    for row in rows:
        if not runs or row[0] - runs[-1][-1][0] > gap_s:
            runs.append([])
        runs[-1].append(row)
    words = []
    for run in runs:
        there = [f"{axis.x(time_s)} {scale.y(high)}" for time_s, _, high in run]
        back = [f"{axis.x(time_s)} {scale.y(low)}" for time_s, low, _ in reversed(run)]
        words.append(f"M{'L'.join(there + back)}Z")
    return "".join(words)
