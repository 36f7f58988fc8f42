"""The application: routes of every kind of page, behind the guard."""

import shutil
from collections.abc import Iterable
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from reader.errors import LinecallError
from reader.station import enter, helping, keeping, programs, reviewing, teaching, technician, translating
from reader.station.desk import Desk
from reader.station.guard import App, Guard, Place, TooMuchError
from reader.station.journal import Journal
from reader.station.pages import FOLDER, page
from reader.station.uploads import has_room
from reader.version import VERSION


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
        Mount("/static", StaticFiles(directory=FOLDER / "static")),
    ]
    handlers: dict[Any, Any] = {
        HTTPException: say_error,
        LinecallError: say_problem,
        TooMuchError: say_too_much,
    }
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.state.desk, app.state.place = desk, place
    guarded = Guard(app=app, place=place)
    return Journal(app=guarded, routes=routes, folder=desk.folder, now=desk.now)


async def health(request: Request) -> Response:
    """Whether the database answers, photos can be kept, and how much space is left; 503 where something is wrong."""
    desk: Desk = request.app.state.desk
    found: dict[str, Any] = {"version": VERSION, "database": "ok", "photos": "ok"}
    try:
        with desk.reopen() as anew:
            found["events"] = anew.head()[0]
    except LinecallError as error:
        found["database"] = str(error)
    probe = desk.folder / ".probe"
    try:
        probe.write_bytes(b"")
        probe.unlink()
    except OSError as error:
        found["photos"] = error.strerror or "cannot be written"
    found["free_bytes"] = shutil.disk_usage(desk.folder).free
    found["room_for_a_run"] = has_room(desk)
    well = found["database"] == found["photos"] == "ok" and found["room_for_a_run"]
    return JSONResponse(found | {"status": "ok" if well else "wrong"}, 200 if well else 503)


async def say_error(request: Request, error: Exception) -> Response:
    """A page, or a line for a program, that says what is wrong and what to do."""
    assert isinstance(error, HTTPException)
    if "application/json" in request.headers.get("accept", "") or _is_for_programs(request):
        return JSONResponse({"error": error.detail}, error.status_code)
    if "text/html" in request.headers.get("accept", ""):
        return page(
            request, "error.html", status=error.status_code, code=error.status_code, detail=error.detail
        )
    return PlainTextResponse(f"{error.detail}\n", error.status_code)


def _is_for_programs(request: Request) -> bool:
    path = request.url.path.removeprefix(request.scope.get("root_path", ""))
    return path == "/api" or path.startswith("/api/")


async def say_problem(request: Request, error: Exception) -> Response:
    """What the other rooms refuse, in their own sentence."""
    return await say_error(request, HTTPException(409, str(error)))


async def say_too_much(request: Request, error: Exception) -> Response:
    """What the guard gave up on, while a page was taking it."""
    assert isinstance(error, TooMuchError)
    return PlainTextResponse(f"{error}\n", error.status, headers={"Connection": "close"})
