"""Each bed's turns along the time line: how long they took, how long the float was wet and dry, filling and draining
where known, against the battery's voltage, with the notes that the grower has pinned. Pure.

Short spans are drawn turn by turn, long ones day by day (the middle of a day's turns).
"""

from __future__ import annotations

from typing import Any

from .figures import Axis, Mark, Scale, days, hours, line, thinned
from .nights import Rows
from .words import Taste, timed

WIDTH, LEFT, RIGHT = 400, 34, 364  # the lines' words stand to the right of it
TOP, BOTTOM, VOLTS_TOP, VOLTS_BOTTOM, HEIGHT = 16, 118, 128, 164, 182
DAY_S = 86_400.0
SPANS = {"day": DAY_S, "week": 7 * DAY_S, "month": 31 * DAY_S, "season": 92 * DAY_S}
DAY_BY_DAY = ("month", "season")
MOST_TURNS = 400  # of one bed in one figure
NEAR = 26.0  # figure units within which two notes share a number's place

# What is drawn of a turn: its key, its word, and the class that gives it its stroke.
KINDS = (
    ("period_s", "turn", "turns"), ("high_s", "wet", "wets"), ("low_s", "dry", "drys"), ("fill_s", "fills", "fills"),
    ("drain_s", "drains", "drains"),
)  # fmt: skip

Line = dict[str, Any]


def of_days(rows: list[Line]) -> list[Line]:
    """A day's middle turn as if it had been one turn of that noon. rows: store.cycle_days."""
    return [row | {"time": row["start_s"] + DAY_S / 2, "low_s": _left(row["period_s"], row["high_s"])} for row in rows]


def _left(whole: float | None, part: float | None) -> float | None:
    return None if whole is None or part is None else whole - part


def bed_figure(
    bed: str, turns: list[Line], volts: Rows, notes: list[Line], start_s: float, end_s: float, taste: Taste
) -> Line:
    """One bed's figure. turns: oldest first; notes: (numbered) those of this bed or of the whole garden."""
    axis = Axis(start_s, end_s, LEFT, RIGHT)
    shown = thinned(turns, MOST_TURNS)
    values = sorted(row["period_s"] for row in shown if row.get("period_s") is not None)
    most = values[int(0.98 * (len(values) - 1))] * 1.15 if values else 900.0  # one long turn shall not flatten the rest
    scale = Scale(0.0, most, TOP, BOTTOM)
    heard = [value for row in volts for value in (row[1], row[3])]
    volt_scale = Scale(min(heard, default=11.0), max(heard, default=14.0), VOLTS_TOP, VOLTS_BOTTOM)
    paces = sorted(b["time"] - a["time"] for a, b in zip(shown, shown[1:], strict=False))
    gap_s = max(3 * paces[len(paces) // 2] if paces else 0.0, (end_s - start_s) / 40)
    lines = []
    for key, word, kind in KINDS:
        points = [(row["time"], row[key]) for row in shown if row.get(key) is not None]
        if points:
            lines.append({"d": line(points, axis, scale, gap_s), "kind": kind, "word": word,
                          "y": scale.y(points[-1][1])})  # fmt: skip
    return {
        "bed": bed, "width": WIDTH, "height": HEIGHT, "left": LEFT, "right": RIGHT, "top": TOP, "bottom": BOTTOM,
        "volts_top": VOLTS_TOP, "volts_bottom": VOLTS_BOTTOM, "lines": _apart(lines),
        "volts": line([(row[0], row[2]) for row in volts], axis, volt_scale, gap_s),
        "volt_ends": [(volt_scale.y(v), f"{v:.1f}") for v in (volt_scale.high, volt_scale.low)] if heard else [],
        "marks": _minutes(scale), "times": _times(axis, taste),
        "notes": [(axis.x(note["time_s"]), note["number"]) for note in notes if axis.holds(note["time_s"])],
        "words": _words(bed, turns, taste),
    }  # fmt: skip


def _apart(lines: list[Line]) -> list[Line]:
    """Words beside the lines' ends, moved so that none lies on another."""
    last_y = 0.0
    for row in sorted(lines, key=lambda row: row["y"]):
        row["word_y"] = last_y = max(row["y"] + 3, last_y + 10)
    return lines


def _minutes(scale: Scale) -> list[tuple[float, str]]:
    step = next(s for s in (60, 120, 300, 600, 1200, 1800, 3600, 7200, 21_600, 1e9) if scale.high / s <= 5)
    return [(scale.y(step * n), f"{step * n / 60:.0f}") for n in range(1, 6) if step * n <= scale.high]


def _times(axis: Axis, taste: Taste) -> list[Mark]:
    return hours(axis, taste, 3) if axis.end_s - axis.start_s < 1.5 * DAY_S else days(axis, taste)


def _words(bed: str, turns: list[Line], taste: Taste) -> str:
    periods = sorted(row["period_s"] for row in turns if row.get("period_s") is not None)
    if not periods:
        return f"No turn of {bed} is known in this span."
    middle, count = periods[len(periods) // 2], sum(row.get("cycles", 1) for row in turns)
    words = f"{count:,} turns, of {timed(middle)} as a rule, between {timed(periods[0])} and {timed(periods[-1])}."
    fills = sorted(row["fill_s"] for row in turns if row.get("fill_s") is not None)
    drains = sorted(row["drain_s"] for row in turns if row.get("drain_s") is not None)
    if fills and drains:
        words += f" It fills in {timed(fills[len(fills) // 2])} and drains in {timed(drains[len(drains) // 2])}."
    return words


def numbered(notes: list[Line], taste: Taste) -> list[Line]:
    """The notes, oldest first, each with a number and its words. notes: the store's lines of kind "note"."""
    return [
        {"number": n, "time_s": note["time"], "bed": note["bed"], "text": note["text"],
         "when": taste.full(note["time"]), "who": note["who"]}
        for n, note in enumerate(notes, 1)
    ]  # fmt: skip
