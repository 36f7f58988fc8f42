"""What other programs ask for, as JSON, and the keeper's list of their tokens.

A program sends runs and photos by the same addresses as a phone (`/runs/ID` and below); here is what it reads besides:
lists, readings with their verdicts, and the document that describes all of it (OpenAPI 3.1), written by hand.
"""

from dataclasses import asdict
from datetime import datetime
from typing import Any, Final, get_args

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from reader.errors import LinecallError, OutputError
from reader.files.bundled import DATA
from reader.logbook.people import Person, find_person, people_of
from reader.station.desk import Desk, holder_of
from reader.station.pages import FOLDER, by_hand, desk_of, page, see_other, who
from reader.station.seen import note_calls_shown
from reader.station.signins import SignIn
from reader.station.tokens import Tokens
from reader.words.names import Role

DOCUMENT: Final = FOLDER / "openapi.json"
VERDICT_SCHEMA: Final = DATA / "verdict.schema.json"
ROWS_MAX: Final = 200
ROLES: Final[tuple[Role, ...]] = get_args(Role)
READERS: Final[tuple[Role, ...]] = ("technician", "reviewer", "keeper")


async def document(request: Request) -> Response:
    """How everything here is asked for."""
    return FileResponse(DOCUMENT, media_type="application/json")


async def verdict_schema(request: Request) -> Response:
    """What a verdict holds (JSON Schema)."""
    return FileResponse(VERDICT_SCHEMA, media_type="application/schema+json")


async def runs(request: Request) -> Response:
    """Runs, those begun last first; `open=1`: only those that are not over."""
    who(request, *READERS)
    desk, query = desk_of(request), request.query_params
    rows = await run_in_threadpool(
        desk.logbook.runs,
        limit=_number(request, "limit", 50, ROWS_MAX),
        before=_before(request),
        is_open=query.get("open") == "1",
        point=query.get("point"),
    )
    return JSONResponse({"runs": [_plain(asdict(row)) for row in rows]})


async def readings(request: Request) -> Response:
    """Readings, those logged last first."""
    asking = who(request, *READERS)
    desk = desk_of(request)
    rows = await run_in_threadpool(
        desk.logbook.readings, limit=_number(request, "limit", 50, ROWS_MAX), before=_before(request)
    )
    await run_in_threadpool(_note_shown, desk, asking, [row.id for row in rows])
    return JSONResponse({"readings": [_row(row) for row in rows]})


async def queue(request: Request) -> Response:
    """Readings that wait for a reviewer, the most urgent first."""
    asking = who(request, "reviewer")
    desk = desk_of(request)
    limit = _number(request, "limit", 50, ROWS_MAX)
    rows = await run_in_threadpool(desk.logbook.waiting, now=desk.now(), limit=limit)
    await run_in_threadpool(_note_shown, desk, asking, [row.id for row in rows])
    return JSONResponse({"readings": [_row(row) for row in rows]})


async def reading(request: Request) -> Response:
    """One reading: its verdict as it is now, reviews included."""
    asking = who(request, *READERS)
    desk, id = desk_of(request), request.path_params["id"]
    try:
        found = await run_in_threadpool(_reading, desk, id)
    except OutputError:
        raise
    except LinecallError as error:
        raise HTTPException(404, str(error)) from None
    await run_in_threadpool(_note_shown, desk, asking, [id])
    return JSONResponse(found)


def _note_shown(desk: Desk, asking: tuple[SignIn, Person], readings: list[str]) -> None:
    """A person at a browser sees what they ask for here; a program in their name does not show it to them."""
    sign_in, person = asking
    if sign_in.role is None:
        note_calls_shown(desk, person.name, readings)


def _reading(desk: Desk, id: str) -> dict[str, Any]:
    stored = desk.logbook.reading(id)
    return {
        "id": stored.id,
        "at": stored.at.isoformat(),
        "by": stored.by,
        "waiting": stored.waiting,
        "superseded_by": stored.superseded_by,
        "photos": [{"name": photo.name, "sha256": photo.sha256} for photo in stored.photos],
        "verdict": stored.current.model_dump(mode="json"),
    }


def _row(row: Any) -> dict[str, Any]:
    found = asdict(row)
    found["waiting"] = found.pop("rank") is not None
    return _plain(found)


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name, value in row.items()
        if name not in {"last_seq", "margin"}
    }


def _before(request: Request) -> int | None:
    return _number(request, "before", 0, 2**53) or None


def _number(request: Request, name: str, otherwise: int, most: int) -> int:
    said = request.query_params.get(name)
    if said is None:
        return otherwise
    if not (said.isascii() and said.isdigit() and len(said) < 17 and 0 < int(said) <= most):
        raise HTTPException(400, f"{name} is {said[:20]!r}, but must be a number from 1 to {most}")
    return int(said)


# --- the keeper's list ----------------------------------------------------------------------------------------


async def show_tokens(request: Request) -> Response:
    """Every token, and a form for a new one."""
    by_hand(request, "keeper")
    return _tokens_page(request)


async def make_token(request: Request) -> Response:
    """A new token, shown once."""
    keeper = by_hand(request, "keeper").name
    desk, form = desk_of(request), await request.form()
    name, role = str(form.get("person", "")), str(form.get("role", ""))
    person = find_person(people_of(desk.logbook), name) if name else None
    if person is None or person.retired_at is not None or role not in person.roles:
        raise HTTPException(400, desk.texts("tokens.not_theirs", person=name[:100], role=role[:20]))
    secret, made = _tokens(desk).make(
        str(form.get("program", "")), person=person.name, role=role, by=keeper, now=desk.now()
    )
    return _tokens_page(request, secret=secret, made=made)


async def revoke_token(request: Request) -> Response:
    """A token that opens nothing from now on."""
    keeper = by_hand(request, "keeper").name
    desk = desk_of(request)
    _tokens(desk).revoke(request.path_params["id"], by=keeper, now=desk.now())
    return see_other(request, "/keeping/tokens")


def _tokens(desk: Desk) -> Tokens:
    assert desk.tokens is not None, "a station that is served has its tokens"
    return desk.tokens


def _tokens_page(request: Request, **content: Any) -> Response:
    desk, now = desk_of(request), desk_of(request).now()
    people, found = people_of(desk.logbook), _tokens(desk).all()
    return page(
        request,
        "tokens.html",
        tokens=found,
        open_ones={one.id for one in found if one.is_open(now) and holder_of(one.sign_in(), people)},
        people=[one for one in people if one.retired_at is None],
        roles_there_are=ROLES,
        **({"secret": None, "made": None} | content),
    )


ROUTES: Final = (
    Route("/api", document),
    Route("/api/verdict.schema.json", verdict_schema),
    Route("/api/runs", runs),
    Route("/api/readings", readings),
    Route("/api/readings/{id:str}", reading),
    Route("/api/queue", queue),
    Route("/keeping/tokens", show_tokens),
    Route("/keeping/tokens", make_token, methods=["POST"]),
    Route("/keeping/tokens/{id:str}/revoked", revoke_token, methods=["POST"]),
)
