"""The routes of the pages that a person looks at, and of the pages behind the links in notices.

A page is a pure view model (pages/) and a template (templates/); here they meet the store and the service that runs.
"""

from __future__ import annotations

import json
from typing import Annotated, Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Form, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse

from .. import __version__, grower, journal
from ..commands import dial_in, shakedown
from ..commands import turns as taking_turns
from ..pack import PackError
from ..sun import Sun
from . import assets
from .frame import TASTE, Page, framed, taste_of
from .headers import policy, style_of
from .links import LinkError, Links, row_of, word_of
from .live import Served
from .pages import answer, cycles, drawing, nights, now, readings, setup, tide, trials
from .pages import journal as entries
from .pages.words import Taste
from .render import render

YEAR_S = 366 * 86_400
DAY_S = 86_400.0
SEASON_NIGHTS = 370
MOST_ENTRIES = 60
Moment = Annotated[float | None, Query(ge=0, le=1e12, allow_inf_nan=False)]


def routes(served: Served) -> APIRouter:
    """The pages."""
    site, store = served.site, served.store
    pages, frame = APIRouter(include_in_schema=False, default_response_class=HTMLResponse), framed(served)
    sun = Sun(site.latitude, site.longitude, site.time_zone)
    floor = site.battery.lowest_state_of_charge

    def dark(start_s: float, end_s: float) -> list[tuple[float, float]]:
        return tide.nights_between(start_s, end_s, sun.dawn_dusk, sun.local_date)

    @pages.get("/")
    def the_moment(page: Page = Depends(frame)) -> Any:
        picture, now_s, taste = page.picture, page.now_s, page.taste
        judged = page.events("battery", start_s=now_s - tide.BEHIND_ALONE_S, end_s=now_s, newest_first=False)
        last = page.events("night", limit=1)
        return page.show(
            "Now", "now.html", title=now.title(picture, now_s),
            answers=[("Is the water moving?", now.water_moves(picture, now_s)),
                     ("Will the battery last?", now.battery_lasts(picture, floor, now_s, taste))],
            alarms=now.alarm_rows(picture, now_s, taste), waiting=now.waiting_rows(picture, now_s, taste),
            aside=now.aside_rows(picture, taste), rests=now.pumps_to_rest(picture),
            g=drawing.garden(site, picture, now_s, sun.dawn_dusk(sun.local_date(now_s)), taste),
            t=tide.curve(judged, picture, floor, now_s, dark, taste),
            battery=now.battery_words(picture, floor, now_s, last[0] if last else {}, taste),
            water=now.water_words(picture, site, now_s, taste), beds=now.bed_entries(picture, now_s),
            stations=now.station_words(picture, now_s),
        )  # fmt: skip

    @pages.get("/nights")
    def the_nights(page: Page = Depends(frame), at: Moment = None) -> Any:
        now_s, taste = page.now_s, page.taste
        records = page.events("night", limit=SEASON_NIGHTS)[::-1]
        night, record = _night_at(records, dark, now_s, at)
        drawn, told, stops = None, [], []
        if night is not None:
            alarms = page.events("alarm", start_s=night[0] - DAY_S, end_s=night[1], newest_first=False)
            stops = nights.stops_in(night, [row for row in alarms if row["alarm"] == "pump-stopped"])
            seen = night[0], min(night[1], now_s)
            raised = [row for row in alarms if row["change"] == "raised" and row["time"] >= night[0]]
            drawn = nights.last_night(
                night, page.volts(*seen), page.charge(*seen), stops, raised, site, now_s, taste)  # fmt: skip
            told = nights.alarm_list(raised, taste)
        shown = records[-nights.SHOWN :]
        small: list[dict[str, Any]] = []
        if shown:
            span = shown[0]["dusk"], shown[-1]["dawn"]
            troubles = [row["time"] for row in page.events("alarm", None, *span) if row["change"] == "raised"]
            small = nights.small(shown[::-1], page.charge(*span, points=3_000), floor, troubles, taste)
        known = [row for row in records if row.get("capacity_ah") is not None]
        heading = "Nights" if night is None else "Tonight" if night[1] > now_s else "Last night"
        heading = heading if at is None else f"The night of {taste.day(night[0])}"
        return page.show(
            "Nights", "nights.html", heading=heading, n=drawn, told=told, nights=small,
            record=nights.in_words(record, stops, site, taste) if record else None,
            s=nights.season(records, floor, taste),
            ageing=[*(nights.ageing(site, known[-1]) if known else []),
                    *(nights.resistance(records[-nights.COMPARED :]) if records else [])],
        )  # fmt: skip

    @pages.get("/cycles")
    def the_cycles(page: Page = Depends(frame), span: str = "day", until: Moment = None) -> Any:
        span = span if span in cycles.SPANS else "day"
        start_s, end_s, earlier, later = _span(cycles.SPANS[span], until, page.now_s)
        by_day = span in cycles.DAY_BY_DAY
        turns: dict[str, list[dict[str, Any]]] = {bed.name: [] for bed in site.beds}
        if by_day:
            for row in cycles.of_days(page.ask(store.cycle_days, start_s, end_s, otherwise=[])):
                turns.setdefault(row["bed"], []).append(row)
        else:
            turns = {bed: page.events("cycle", bed, start_s, end_s)[::-1] for bed in turns}
        notes = cycles.numbered(page.events("note", None, start_s, end_s)[::-1], page.taste)
        volts = page.volts(start_s, end_s)
        figures = [
            cycles.bed_figure(bed.name, turns[bed.name], volts,
                              [note for note in notes if note["bed"] in (None, bed.name)], start_s, end_s, page.taste)
            for bed in site.beds
        ]  # fmt: skip
        several = until is None and len(site.beds) > 1
        together = page.ask(
            taking_turns.found, site, store, page.now_s, taste=page.taste, otherwise={}
        ) if several else {}  # fmt: skip
        return page.show("Cycles", "cycles.html", span=span, spans=list(cycles.SPANS), figures=figures, notes=notes,
                         together=together.get("words"), of_pairs=together.get("of_pairs"),
                         start_s=start_s, end_s=end_s, earlier=earlier, later=later, by_day=by_day,
                         zone=site.time_zone)  # fmt: skip

    @pages.get("/alarms")
    def the_alarms(page: Page = Depends(frame), alarm: str | None = None, until: Moment = None) -> Any:
        picture, now_s, taste = page.picture, page.now_s, page.taste
        month = [page.events(kind, start_s=now_s - 30 * DAY_S)[::-1] for kind in ("alarm", "answer")]
        kinds = [page.events(kind, end_s=until or 1e12, limit=2_000)[::-1] for kind in ("alarm", "answer")]
        rows = journal.merged(*kinds)[::-1]
        shown = entries.entries(rows, taste, alarm)
        stand = now.alarm_rows(picture, now_s, taste), now.waiting_rows(picture, now_s, taste)
        entries.anchored(shown, {row["id"] for rows in stand for row in rows})
        more = (
            len(shown) > MOST_ENTRIES and [row for row in rows if alarm in (None, row["alarm"])][MOST_ENTRIES]["time"]
        )
        return page.show(
            "Alarms", "alarms.html", alarms=stand[0], waiting=stand[1], entries=shown[:MOST_ENTRIES], more=more or None,
            only=alarm, kinds=sorted({row["alarm"] for row in rows}),
            summary=entries.in_words(journal.measures(journal.merged(*month), now_s - 30 * DAY_S, now_s)),
        )  # fmt: skip

    @pages.get("/readings")
    def the_readings(
        page: Page = Depends(frame), station: str = "", name: str = "", span: str = "a day", until: Moment = None
    ) -> Any:
        taste, span = page.taste, span if span in readings.SPANS else "a day"
        series = [
            row | {"last": readings.newest(row, taste), "when": taste.lately(row["time_s"], page.now_s)}
            for row in page.ask(store.latest_readings, otherwise=[])
        ]
        start_s, end_s, earlier, later = _span(readings.SPANS[span], until, page.now_s)
        usual = [row for row in series if row["name"] == "battery/voltage"] or series
        chosen = next((row for row in series if (row["station"], row["name"]) == (station, name)), None)
        chosen = chosen or (usual[0] if usual and not name else None)
        query: dict[str, Any] = {}
        chart = None
        if chosen is not None:
            query = {"station": chosen["station"], "name": chosen["name"]}
            chart = page.ask(store.chart, *query.values(), start_s, end_s, readings.POINTS)
        unit = chosen["unit"] if chosen else None
        span_s = urlencode({"start_s": round(start_s), "end_s": round(end_s)})
        return page.show(
            "Readings", "readings.html", series=series, chosen=chosen, spans=list(readings.SPANS), span=span,
            start_s=start_s, end_s=end_s, earlier=earlier, later=later, unit=readings.shown_unit(unit, taste),
            f=readings.figure(chart, unit, start_s, end_s, taste) if chart else None, zone=site.time_zone,
            can_zoom=assets.has_charts(), chart=f"/api/chart?{urlencode(query)}",
            csv=f"/api/readings.csv?{urlencode(query)}&{span_s}",
            recording=f"/api/recording?{span_s}", address=_address,
        )  # fmt: skip

    @pages.get("/set-up")
    def the_setup(page: Page = Depends(frame)) -> Any:
        picture, taste, live = page.picture, page.taste, served.live
        refused, strange = setup.set_aside(page.ask(store.refusals, 20, otherwise=[]), site, taste)
        counts = page.ask(store.counts, otherwise={})
        presences = {row.name: page.ask(store.presence, row.name) for row in site.stations}
        last = page.events("night", limit=1)
        return page.show(
            "Set-up", "setup.html", "'self'", zone=site.time_zone, people=setup.people(site),
            phones=setup.phones(live.phones.known(), taste) if page.may_answer else [],
            channels=setup.channels(live.health().get("notify") or [], taste),
            stations=setup.stations(site, picture, presences, page.now_s), strange=strange, refused=refused,
            total=counts.get("refused", 0),
            calibration=setup.calibration(site, picture, last[0] if last else {}, taste),
            json=[("now", "/api/now"), ("health", "/api/health"), ("alarms", "/api/alarms"),
                  ("all answers described", "/openapi.json")],
        )  # fmt: skip

    @pages.get("/trials", response_class=HTMLResponse)
    def proving(page: Page = Depends(frame)) -> Any:
        report = page.ask(shakedown.latest, site, served.store, page.now_s)
        lines = [page.events(k, start_s=page.now_s - 86_400, limit=dial_in.MOST_CYCLES) for k in ("cycle", "note")]
        return page.show(
            "Trials", "trials.html", proof=report and trials.sheet(site, report, [], page.taste),
            beds=trials.dialling(dial_in.found(site, site.beds, *lines), page.taste),
            start_advice=dial_in.START, break_advice=dial_in.BREAK,
        )  # fmt: skip

    @pages.get("/trials/report", response_class=HTMLResponse)
    def printed(page: Page = Depends(frame)) -> Any:
        report = page.ask(shakedown.latest, site, served.store, page.now_s)
        if report is None:
            raise HTTPException(404, "no shakedown has been started yet; /trials starts one")
        text = shakedown.document(site, report, page.taste)
        return HTMLResponse(text, headers={"Content-Security-Policy": policy(style=style_of(text), image="data:")})

    @pages.post("/taste")
    def choose(
        temperature: Annotated[str, Form()] = "", volume: Annotated[str, Form()] = "",
        clock: Annotated[str, Form()] = "",
    ) -> Any:  # fmt: skip
        taste = Taste(ZoneInfo("UTC"), temperature == "f", volume == "gal", clock == "12h")
        answer = RedirectResponse("/set-up", 303)
        answer.set_cookie(TASTE, taste.cookie(), max_age=YEAR_S, samesite="lax", httponly=True)
        return answer

    return pages


def _night_at(
    records: list[dict[str, Any]], dark: Any, now_s: float, at: float | None
) -> tuple[tuple[float, float] | None, dict[str, Any] | None]:
    """The night to be drawn large, and its record where it is over: that of `at`, else of now, else the last one."""
    if at is not None:
        record = next((row for row in records if row["dusk"] <= at <= row["dawn"]), None)
        if record is None:
            raise HTTPException(404, "no night of that moment was recorded; /nights shows those that were")
        return (record["dusk"], record["dawn"]), record
    tonight = next(((a, b) for a, b in dark(now_s - DAY_S, now_s + DAY_S) if a <= now_s < b), None)
    if tonight is not None and tonight[0] > now_s - DAY_S + 1:
        return tonight, None
    return ((records[-1]["dusk"], records[-1]["dawn"]), records[-1]) if records else (None, None)


def _span(wide_s: float, until: float | None, now_s: float) -> tuple[float, float, int, int | None]:
    """Start, end, and the ends of the spans before and after it."""
    end_s = min(until or now_s, now_s)
    later = min(end_s + wide_s, now_s) if end_s < now_s - 60 else None
    return end_s - wide_s, end_s, round(end_s - wide_s), None if later is None else round(later)


def _address(row: dict[str, Any], span: str, until: float | None = None) -> str:
    query = {"station": row["station"], "name": row["name"], "span": span}
    return f"/readings?{urlencode(query | ({'until': until} if until else {}))}"


def answers(served: Served, links: Links) -> APIRouter:
    """The pages behind the links in notices: to look at one does nothing, its buttons answer."""
    site, live, clock = served.site, served.live, served.now
    answers = APIRouter(include_in_schema=False)

    def shown(request: Request, words: answer.Words, code: int = 200) -> HTMLResponse:
        text = render(
            "answer.html", here="Answer", pages=[], garden=site.name, taste=taste_of(served, request), now_s=clock(),
            role="nobody", problems=[], footer=f"Barreltide {__version__}", **words,
        )  # fmt: skip
        return HTMLResponse(text, code, {"Content-Security-Policy": policy(form="'self'")})

    @answers.get("/answer/{token}")
    def look(token: str, request: Request) -> Any:
        try:
            link = links.read(token, clock())
            return shown(request, answer.ask(row_of(link, live.picture()), taste_of(served, request)))
        except LinkError as error:
            return shown(request, answer.sorry(str(error)), error.status)

    @answers.post("/answer/{token}")
    def act(token: str, request: Request, what: Annotated[str, Form()] = "") -> Any:
        try:
            link = links.read(token, clock())
            live.tell(json.dumps(word_of(link, live.picture(), what)).encode())
        except LinkError as error:
            return shown(request, answer.sorry(str(error)), error.status)
        except (PackError, grower.NotNow) as error:
            code = 410 if isinstance(error, PackError) else 503
            return shown(request, answer.sorry(f"The service says: {error}."), code)
        return shown(request, answer.done(what))

    return answers
