"""The routes of coming in and going out: the passphrase, the neighbour's link, and its making."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from .door import LOOKING, SESSION, Caller, caller, from_owner, own_path, sign_in_page
from .live import Served
from .render import render
from .shapes import NeighbourLink, Wrong
from .sign_in import MOST_DAYS, SESSION_S, SignIn, SignInError, Wait
from .sign_in import Wrong as WrongPassphrase

DAYS = 7


def routes(served: Served, sign_in: SignIn) -> APIRouter:
    """What anyone may ask for, and what the owner may give."""
    site = served.site
    entrance = APIRouter()

    @entrance.get("/sign-in", include_in_schema=False)
    def ask() -> Any:
        return sign_in_page(site, sign_in)

    @entrance.post("/sign-in", include_in_schema=False)
    def enter(
        asks: Annotated[Caller, Depends(caller)],
        passphrase: Annotated[str, Form()] = "",
        next: Annotated[str, Form()] = "/",
    ) -> Any:
        try:
            token = sign_in.enter(passphrase, asks.address)
        except WrongPassphrase:
            return sign_in_page(site, sign_in, next, "That is not the passphrase.", 401)
        except Wait as wait:
            words = f"Too many wrong tries. Wait {wait.seconds} s, then try again."
            answer = sign_in_page(site, sign_in, next, words, 429)
            answer.headers["Retry-After"] = str(wait.seconds)
            return answer
        return _with_cookie(RedirectResponse(own_path(next), 303), SESSION, token, SESSION_S, asks)

    @entrance.post("/sign-out", include_in_schema=False)
    def leave(request: Request) -> Any:
        answer = RedirectResponse("/sign-in", 303)
        for name in (SESSION, LOOKING):
            if token := request.cookies.get(name):
                answer.delete_cookie(name)
                if name == SESSION:  # a neighbour's link is good for other devices still
                    sign_in.leave(token)
        return answer

    @entrance.get("/neighbour/{token}", include_in_schema=False)
    def look(token: str, asks: Annotated[Caller, Depends(caller)]) -> Any:
        if sign_in.role_of(token) != "neighbour":
            words = "This link has expired, or was taken back. Ask for a new one."
            return HTMLResponse(render("sign_in.html", garden=site.name, words=words, form=False, next="/"), 410)
        return _with_cookie(
            HTMLResponse(render("knock.html", garden=site.name, to="/")), LOOKING, token, 86_400.0, asks
        )

    @entrance.post(
        "/api/neighbour-link", response_model=NeighbourLink,
        responses={code: {"model": Wrong} for code in (401, 403, 413, 415)},
    )  # fmt: skip
    def link(payload: Annotated[bytes, Depends(from_owner)]) -> Any:
        """Makes a link that shows the garden for some days: {"days": 7}. {"revoke": true} takes all of them back."""
        try:
            asked = json.loads(payload)
            if asked == {"revoke": True}:
                return JSONResponse({"link": None, "days": 0, "revoked": sign_in.revoke("neighbour")})
            days = asked.get("days", DAYS)
            if type(days) is not int or set(asked) - {"days"}:
                raise ValueError
            token = sign_in.neighbour_token(days)
        except (ValueError, AttributeError, RecursionError):
            raise HTTPException(422, f'{{"days": 1 to {MOST_DAYS}}} or {{"revoke": true}} would do') from None
        except SignInError as error:
            raise HTTPException(422, str(error)) from None
        return JSONResponse({"link": f"/neighbour/{token}", "days": days, "revoked": 0})

    return entrance


def _with_cookie(answer: Response, name: str, token: str, lasts_s: float, asks: Caller) -> Response:
    answer.set_cookie(
        name, token, max_age=int(lasts_s), path="/", httponly=True, samesite="strict", secure=asks.is_secret
    )
    return answer
