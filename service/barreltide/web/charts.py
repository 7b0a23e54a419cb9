"""The documented JSON that is drawn: a span of a series or of the charge in so many points, days, one night; and what
can be taken away, as CSV or as a recording.

Whatever the span, an answer is ready within the time of a tap, as long spans come from roll-ups (rollups.py).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import date as Date
from datetime import datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, HTTPException, Query
from fastapi.responses import JSONResponse, StreamingResponse

from .. import journal, recording
from ..pack import Topics
from ..rollups import midnights
from ..store import MOST_ROWS
from ..sun import Sun
from .api import FOREVER_S, End, Name, Start, in_order, only_known
from .live import Served
from .shapes import Chart, Days, NightDrawn

MOST_POINTS, MOST_DAYS = 2_000, 400
MOST_CSV = 1_000_000  # rows: two months of a reading every five seconds
MOST_LINES = 1_000_000
CSV_PART = 5_000
EARLIEST, LATEST = Date(1970, 1, 1), Date(2999, 12, 31)  # what the sun's reckoning and a clock's seconds can tell
AROUND_S = 3600.0  # what a night's drawing shows before dusk and after dawn
NIGHT_POINTS = 600

Points = Annotated[int, Query(ge=2, le=MOST_POINTS, description="about so many points")]
Night = Annotated[Date | None, Query(description="the local date of the dusk; left out: the last night")]


def routes(served: Served) -> APIRouter:
    """What of /api is drawn or taken away."""
    site, store, now = served.site, served.store, served.now
    charts = APIRouter(prefix="/api", default_response_class=JSONResponse, dependencies=[Depends(only_known)])
    zone = ZoneInfo(site.time_zone)
    sun = Sun(site.latitude, site.longitude, site.time_zone)
    topics = Topics.of_site(site)

    def unknown(name: str, station: str | None) -> HTTPException:
        of = f" from station {station!r}" if station else ""
        return HTTPException(404, f"no readings {name!r}{of}; /api/series lists what there is")

    @charts.get("/chart", response_model=Chart)
    def chart(
        name: Name, station: Name | None = None, start_s: Start = 0.0, end_s: End = FOREVER_S, points: Points = 500
    ) -> Any:
        in_order(start_s, end_s)
        found = store.chart(station, name, start_s, end_s, points)
        if found is None:
            raise unknown(name, station)
        return JSONResponse(found)

    @charts.get("/battery", response_model=Chart)
    def battery(start_s: Start = 0.0, end_s: End = FOREVER_S, points: Points = 500) -> Any:
        """The state of charge, a share from 0 to 1, with its interval as low and high."""
        in_order(start_s, end_s)
        return JSONResponse(store.charge(start_s, end_s, points))

    @charts.get("/days", response_model=Days)
    def days(start_s: Start = 0.0, end_s: End = FOREVER_S) -> Any:
        in_order(start_s, end_s)
        end_s = min(end_s, now())
        if start_s > end_s:  # the days to come
            return JSONResponse({"days": [], "more": False})
        longest_s = (MOST_DAYS - 1) * 86_400.0
        more = end_s - start_s > longest_s
        bounds = [*midnights(max(start_s, end_s - longest_s), end_s, zone)]
        rows: dict[int, dict[str, Any]] = {
            day: {"date": _date(day, zone), "start_s": day, "beds": {}, "voltage_v": None, "water_c": None}
            for day in bounds[:-1]
        }
        for row in store.cycle_days(bounds[0], bounds[-1]):
            if (day := row.pop("start_s")) in rows:
                rows[day]["beds"][row.pop("bed")] = row
        for key, name in (("voltage_v", "battery/voltage"), ("water_c", "water/temperature")):
            for day, found in store.days(name, bounds).items():
                rows[day][key] = {which: round(value, 3) for which, value in found.items()}
        known = [row for row in rows.values() if row["beds"] or row["voltage_v"] or row["water_c"]]
        return JSONResponse({"days": known, "more": more})

    @charts.get("/night", response_model=NightDrawn)
    def night(date: Night = None) -> Any:
        day = date or _last_dusk(now(), sun)
        if not EARLIEST <= day <= LATEST:
            raise HTTPException(422, f"date: found {day}; one from {EARLIEST.year} to {LATEST.year} would do")
        dusk = sun.dawn_dusk(day.isoformat())[1]
        dawn = sun.dawn_dusk((day + timedelta(days=1)).isoformat())[0]
        if dusk is None or dawn is None:
            raise HTTPException(404, f"the sun does not set and rise in the night of {day}; another date would do")
        start_s, end_s = dusk - AROUND_S, dawn + AROUND_S
        records = [row for row in store.events("night", None, dusk, dawn + 86_400) if row["date"] == day.isoformat()]
        kinds = [store.events(kind, None, start_s, end_s)[::-1] for kind in ("alarm", "answer")]
        voltage = store.chart(None, "battery/voltage", start_s, end_s, NIGHT_POINTS)
        return JSONResponse({
            "date": day.isoformat(), "dusk": dusk, "dawn": dawn, "start_s": start_s, "end_s": end_s,
            "record": records[0] if records else None,
            "floor": site.battery.lowest_state_of_charge, "cut_off_v": site.battery.cut_off_voltage_v,
            "voltage": voltage, "charge": store.charge(start_s, end_s, NIGHT_POINTS),
            "stops": _stops(store.events("alarm", None, start_s - 86_400, end_s)[::-1], start_s, end_s),
            "journal": journal.merged(*kinds)[-MOST_ROWS:], "notes": store.events("note", None, start_s, end_s)[::-1],
        })  # fmt: skip

    @charts.get("/readings.csv", response_class=StreamingResponse, responses={200: {"content": {"text/csv": {}}}})
    def readings_csv(name: Name, station: Name, start_s: Start = 0.0, end_s: End = FOREVER_S) -> Any:
        """One series: time_s (Unix seconds), time (ISO 8601, the garden's zone) and value. A span of more than a
        million readings is refused."""
        in_order(start_s, end_s)
        if (station, name) not in {(row["station"], row["name"]) for row in store.series()}:
            raise unknown(name, station)
        if store.has_more_readings(station, name, start_s, end_s, MOST_CSV):
            raise HTTPException(422, f"more than {MOST_CSV:,} readings in the span; a shorter one would do")

        def lines() -> Iterator[str]:
            yield "time_s,time,value\r\n"
            after_s = start_s
            while part := store.readings_from(station, name, after_s, end_s, CSV_PART):
                out = io.StringIO()
                csv.writer(out).writerows(
                    (time_s, datetime.fromtimestamp(time_s, zone).isoformat(), _as_text(value))
                    for time_s, value in part
                )
                yield out.getvalue()
                if len(part) < CSV_PART:
                    return
                after_s = part[-1][0] + 1e-6  # closer together no two readings of a series are

        return _file(lines(), "text/csv; charset=utf-8", f"{site.name}-{name.replace('/', '-')}.csv")

    @charts.get(
        "/recording", response_class=StreamingResponse, responses={200: {"content": {"application/jsonl": {}}}}
    )
    def the_recording(start_s: Start = 0.0, end_s: End = FOREVER_S) -> Any:
        """What arrived in the span, as `barreltide export --all` prints it: JSON Lines, one message a line. A span of
        more than a million messages is refused."""
        in_order(start_s, end_s)
        if store.has_more_arrivals(start_s, end_s, MOST_LINES):
            raise HTTPException(422, f"more than {MOST_LINES:,} messages in the span; a shorter one would do")
        lines = recording.lines(store, topics, True, start_s, end_s)
        return _file(lines, "application/jsonl", f"{site.name}.jsonl")

    return charts


def _file(lines: Iterator[str], kind: str, name: str) -> StreamingResponse:
    return StreamingResponse(lines, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _as_text(value: Any) -> Any:
    """A float's state as 0 or 1. A word that a spreadsheet would take for a formula is kept from it."""
    if isinstance(value, bool):
        return int(value)
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t\r" else value


def _date(time_s: float, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(time_s + 3600, zone).date().isoformat()


def _last_dusk(now_s: float, sun: Sun) -> Date:
    """The date of the newest dusk: today, if it is past, else yesterday."""
    today = sun.local_date(now_s)
    dusk = sun.dawn_dusk(today)[1]
    return Date.fromisoformat(today) - timedelta(days=dusk is None or dusk > now_s)


def _stops(alarms: list[dict[str, Any]], start_s: float, end_s: float) -> list[dict[str, Any]]:
    """When pumps stood still, as their alarms tell it: pump, since_s, and until_s, None while it does."""
    stops: list[dict[str, Any]] = []
    for row in alarms:
        if row["alarm"] != "pump-stopped":
            continue
        if row["change"] == "raised":
            stops.append({"pump": row["subject"], "since_s": row["since"], "until_s": None})
        for stop in stops:
            if row["change"] == "cleared" and stop["pump"] == row["subject"] and stop["until_s"] is None:
                stop["until_s"] = row["time"]
    return [row for row in stops if row["since_s"] <= end_s and (row["until_s"] is None or row["until_s"] >= start_s)]
