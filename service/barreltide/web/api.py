"""The documented JSON: what the store holds and the engine believes, and the one door in for what the grower says.

Times are Unix seconds (UTC), and names carry their units. A parameter that is unknown or out of range gets one line.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Query, Request
from fastapi.responses import JSONResponse
from fastapi.sse import EventSourceResponse

from .. import grower, journal
from ..commands import dial_in
from ..commands import shakedown as proving
from ..commands import turns as taking_turns
from ..notices.push import PushError
from ..pack import PackError
from ..store import MOST_ROWS
from .door import Who, from_owner, who
from .live import Listeners, Served, TooMany, moment
from .live import health as the_health
from .shapes import (
    Alarms,
    Cycles,
    Health,
    Nights,
    Notes,
    Notices,
    Now,
    Phone,
    PhoneList,
    PushKey,
    Readings,
    Refused,
    SeriesList,
    Shakedown,
    Told,
    Trials,
    Tried,
    Turns,
    Wrong,
)

FOREVER_S = 1e12

Name = Annotated[str, Query(min_length=1, max_length=128)]
Start = Annotated[float, Query(ge=0, le=FOREVER_S, allow_inf_nan=False, description="from this time on, Unix seconds")]
End = Annotated[float, Query(ge=0, le=FOREVER_S, allow_inf_nan=False, description="up to this time, Unix seconds")]
Limit = Annotated[int, Query(ge=1, le=MOST_ROWS, description="rows at most")]

LastCycles = Annotated[
    int, Query(ge=taking_turns.LEAST_PERIODS, le=taking_turns.MOST_LAST, description="cycles of the slowest bed")
]


def only_known(request: Request) -> None:
    """A misspelt parameter would be passed over in silence, and the answer be taken for what was asked."""
    known = [field.alias for field in request.scope["route"].dependant.query_params]
    for name in request.query_params:
        if name not in known:
            would = f"{', '.join(known)} would do" if known else "this takes none"
            raise HTTPException(422, f"{name[:64]}: no such parameter; {would}")


def in_order(start_s: float, end_s: float) -> None:
    """Refuses a span that ends before it begins."""
    if start_s > end_s:
        raise HTTPException(
            422, f"start_s: found {start_s:.0f}, which is after end_s {end_s:.0f}; an earlier time would do"
        )


def _one_of(parameter: str, value: str | None, names: list[str]) -> None:
    if value is not None and value not in names:
        raise HTTPException(422, f"{parameter}: found {value[:64]!r}; {' or '.join(names[:16])} would do")


def _more(rows: list, limit: int) -> bool:
    """Whether there are more than `limit`; the store was asked for one beyond it, but never gives over MOST_ROWS."""
    return len(rows) > limit or len(rows) == MOST_ROWS


def routes(served: Served, listeners: Listeners) -> APIRouter:
    """Everything below /api."""
    site, store, live, now = served
    api = APIRouter(prefix="/api", default_response_class=JSONResponse, dependencies=[Depends(only_known)])
    beds = [bed.name for bed in site.beds]

    def events(kind: str, subject: str | None, start_s: float, end_s: float, limit: int) -> tuple[list, bool]:
        in_order(start_s, end_s)
        rows = store.events(kind, subject, start_s, end_s, limit + 1)
        return rows[:limit], _more(rows, limit)

    @api.get("/health", response_model=Health)
    def health(asks: Annotated[Who, Depends(who)]) -> Any:
        """Who is not signed in is told whether it serves, and no more."""
        found = the_health(served)
        if asks == "nobody":
            found = {name: found[name] for name in ("status", "last_reading_age_s", "time_s") if name in found}
        return JSONResponse(found)

    @api.get("/now", response_model=Now)
    def the_moment() -> Any:
        return JSONResponse(moment(served))

    async def seat() -> AsyncIterator[asyncio.Event]:
        try:
            with listeners.seat() as changed:
                yield changed
        except TooMany:
            raise HTTPException(503, "too many pages listen already; /api/now answers all the same") from None

    @api.get("/live", response_class=EventSourceResponse)
    async def live_pictures(changed: asyncio.Event = Depends(seat)) -> AsyncIterator[dict]:
        """What /api/now answers, now and whenever it changes, once a second at most: events without a name, each the
        whole of it (Server-Sent Events, HTML Living Standard §9.2)."""
        async for picture in listeners.pictures(changed):
            yield picture

    @api.get("/series", response_model=SeriesList)
    def series() -> Any:
        return JSONResponse({"series": store.latest_readings()[:MOST_ROWS]})

    @api.get("/readings", response_model=Readings)
    def readings(station: Name, name: Name, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 1000) -> Any:
        in_order(start_s, end_s)
        known = [s for s in store.series() if (s["station"], s["name"]) == (station, name)]
        if not known:
            raise HTTPException(404, f"no readings {name!r} from station {station!r}; /api/series lists what there is")
        rows = store.readings(station, name, start_s, end_s, limit + 1)
        pairs = [[row["time_s"], row["value"]] for row in rows[-limit:]]
        return JSONResponse({**known[0], "readings": pairs, "more": _more(rows, limit)})

    @api.get("/cycles", response_model=Cycles)
    def cycles(bed: Name | None = None, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        _one_of("bed", bed, beds)
        rows, more = events("cycle", bed, start_s, end_s, limit)
        return JSONResponse({"cycles": rows, "more": more})

    @api.get("/turns", response_model=Turns)
    def turns(last: LastCycles = taking_turns.USUAL_LAST) -> Any:
        return JSONResponse(taking_turns.found(site, store, now(), last))

    @api.get("/shakedown", response_model=Shakedown)
    def shakedown() -> Any:
        return JSONResponse(proving.found(site, store, now()))

    @api.get("/trials", response_model=Trials)
    def trials(bed: Name | None = None, start_s: Start | None = None) -> Any:
        _one_of("bed", bed, beds)
        since_s = now() - 86_400 if start_s is None else start_s
        rows = [events(kind, None, since_s, FOREVER_S, dial_in.MOST_CYCLES)[0] for kind in ("cycle", "note")]
        return JSONResponse(dial_in.found(site, [b for b in site.beds if bed in (b.name, None)], *rows))

    @api.get("/nights", response_model=Nights)
    def nights(start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        rows, more = events("night", None, start_s, end_s, limit)
        return JSONResponse({"nights": rows, "more": more})

    @api.get("/alarms", response_model=Alarms)
    def alarms(start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        kinds = [events(kind, None, start_s, end_s, limit) for kind in ("alarm", "answer")]
        rows = journal.merged(*(rows[::-1] for rows, _ in kinds))[::-1]
        more = len(rows) > limit or any(more for _, more in kinds)
        now_so = {key: live.picture().get(key) or [] for key in ("standing", "returned", "shelved")}
        return JSONResponse({**now_so, "journal": rows[:limit], "more": more})

    @api.get("/notes", response_model=Notes)
    def notes(bed: Name | None = None, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        _one_of("bed", bed, beds)
        rows, more = events("note", bed, start_s, end_s, limit)
        return JSONResponse({"notes": rows, "more": more})

    @api.get("/notices", response_model=Notices)
    def notices(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> Any:
        return JSONResponse({"notices": store.notices(limit)})

    @api.get("/refused", response_model=Refused)
    def refused(limit: Limit = 100) -> Any:
        return JSONResponse({"total": store.counts().get("refused", 0), "refused": store.refusals(limit)})

    @api.post("/grower", response_model=Told, responses={code: {"model": Wrong} for code in (403, 413, 415, 503)})
    def told(payload: Annotated[bytes, Depends(from_owner)]) -> Any:
        try:
            item = live.tell(payload)
        except PackError as error:
            raise HTTPException(422, str(error)) from None
        except grower.NotNow as error:
            raise HTTPException(503, str(error)) from None
        return JSONResponse(grower.as_json(item))

    @api.post(
        "/notices/test", response_model=Tried, responses={code: {"model": Wrong} for code in (403, 415)},
        dependencies=[Depends(from_owner)],
    )  # fmt: skip
    def test_notices() -> Any:
        """Sends a test through every channel, one after the other, and answers when the last one has."""
        return JSONResponse({"channels": live.phones.test()})

    @api.get("/push/key", response_model=PushKey)
    def push_key() -> Any:
        return JSONResponse({"key": _of_phones(live.phones.public_key)})

    @api.post("/push/phones", response_model=Phone, responses={code: {"model": Wrong} for code in (403, 413, 415, 507)})
    def new_phone(payload: Annotated[bytes, Depends(from_owner)]) -> Any:
        return JSONResponse({"phone": _of_phones(lambda: live.phones.subscribe(payload))})

    @api.get("/push/phones", response_model=PhoneList, responses={403: {"model": Wrong}})
    def the_phones(asks: Annotated[Who, Depends(who)]) -> Any:
        if asks != "owner":
            raise HTTPException(403, "only the garden's owner may see that; use the command line on its computer")
        return JSONResponse({"phones": live.phones.known()})

    @api.delete(
        "/push/phones/{phone}", response_model=PhoneList,
        responses={code: {"model": Wrong} for code in (403, 404, 415)}, dependencies=[Depends(from_owner)],
    )  # fmt: skip
    def lost_phone(phone: int) -> Any:
        _of_phones(lambda: live.phones.forget(phone))
        return JSONResponse({"phones": live.phones.known()})

    return api


def _of_phones(ask: Callable[[], Any]) -> Any:
    try:
        return ask()
    except PushError as error:
        raise HTTPException(error.status, str(error)) from None
