"""The application: routes of every kind of page, behind the guard."""

from collections.abc import Iterable, Sequence
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from reader.errors import LinecallError, OutputError
from reader.station import (
    enter,
    helping,
    keeping,
    programs,
    reviewing,
    said,
    teaching,
    technician,
    translating,
)
from reader.station.desk import Desk
from reader.station.guard import App, Guard, Place, TooMuchError
from reader.station.health import Checks, health
from reader.station.journal import Journal
from reader.station.pages import FOLDER, desk_of, page

PLAIN: Final = {404: "error.404", 405: "error.405"}
"""Texts for what the routes themselves refuse."""


def station(desk: Desk, place: Place, more: Iterable[BaseRoute] = ()) -> App:
    """The whole application over a desk; `place` : the hosts that it answers to."""
    routes: list[BaseRoute] = [
        *enter.ROUTES,
        *teaching.ROUTES,
        *reviewing.ROUTES,
        *keeping.ROUTES,
        *translating.ROUTES,
        *helping.ROUTES,
        *technician.ROUTES,
        *programs.ROUTES,
        *more,
        Route("/health", health),
        Route("/ca.crt", authority),
        Mount("/static", StaticFiles(directory=FOLDER / "static")),
    ]
    _refuse_prefix(place, routes)
    handlers: dict[Any, Any] = {
        HTTPException: say_error,
        LinecallError: say_problem,
        TooMuchError: say_too_much,
    }
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.state.desk, app.state.place, app.state.checks = desk, place, Checks()
    guarded = Guard(app=app, place=place)
    return Journal(app=guarded, routes=routes, folder=desk.folder, now=desk.now)


def _refuse_prefix(place: Place, routes: Sequence[BaseRoute]) -> None:
    """A prefix with the name of a page could not be told from it: a proxy may have cut the prefix, or left it."""
    first = urlsplit(place.url or "").path.strip("/").partition("/")[0]
    if first and first in {getattr(route, "path", "").strip("/").partition("/")[0] for route in routes}:
        raise LinecallError(
            f"--url {place.url}: {first!r} is the name of a page of the station; use another path"
        )


async def authority(request: Request) -> Response:
    """The certificate that phones are to trust, where the station's own file has it: everybody may have it."""
    place: Place = request.app.state.place
    if place.authority is None:
        raise HTTPException(404, request.app.state.desk.texts("authority.none"))
    return Response(place.authority, media_type="application/x-x509-ca-cert")


async def say_error(request: Request, error: Exception, *, in_english: bool = False) -> Response:
    """A page, or a line for a program, that says what is wrong and what to do."""
    assert isinstance(error, HTTPException)
    if "application/json" in request.headers.get("accept", "") or _is_for_programs(request):
        return JSONResponse({"error": error.detail}, error.status_code)
    if "text/html" in request.headers.get("accept", ""):
        known = PLAIN.get(error.status_code) if error.detail == HTTPStatus(error.status_code).phrase else None
        detail = error.detail if known is None else desk_of(request).texts(known)
        return page(request, "error.html", status=error.status_code, detail=detail, in_english=in_english)
    return PlainTextResponse(f"{error.detail}\n", error.status_code)


def _is_for_programs(request: Request) -> bool:
    path = request.url.path.removeprefix(request.scope.get("root_path", ""))
    return path == "/api" or path.startswith("/api/")


async def say_problem(request: Request, error: Exception) -> Response:
    """What the other rooms refuse, in their own sentence; 503 where it is the logbook that cannot be used just now."""
    status = 503 if isinstance(error, OutputError) else 409
    text, is_told = said.problem(desk_of(request).texts, error)
    return await say_error(request, HTTPException(status, text), in_english=not is_told)


async def say_too_much(request: Request, error: Exception) -> Response:
    """What the guard gave up on, while a page was taking it."""
    assert isinstance(error, TooMuchError)
    return PlainTextResponse(f"{error}\n", error.status, headers={"Connection": "close"})
