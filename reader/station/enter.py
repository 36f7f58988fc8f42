"""The door: a one-time link becomes a sign-in; who works at a shared phone; signing out."""

import re
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reader.station import languages
from reader.station.pages import COOKIE, desk_of, page, see_other, sign_in_of, who
from reader.station.signins import SHIFT, SignInError

SECRET_MAX: Final = 200
LANGUAGE_LASTS_S: Final = 365 * 24 * 3600
LOCAL: Final = re.compile(r"/(?:[A-Za-z0-9_.-]+/?)*")
"""A path of ours to go back to: no other host, nothing encoded."""


async def home(request: Request) -> Response:
    """What somebody can do here, or how to sign in."""
    sign_in = sign_in_of(request)
    if sign_in is None or desk_of(request).person(sign_in) is None:
        return page(request, "enter.html")
    if sign_in.quiz is not None:
        return see_other(request, f"/quiz/{sign_in.quiz}")
    return page(request, "home.html")


async def pair(request: Request) -> Response:
    """Take a link's secret, which the page read behind the `#` (no log has it), and sign the device in."""
    desk = desk_of(request)
    try:
        asked = await request.json()
        secret = asked["secret"] if isinstance(asked, dict) else None
    except (ValueError, KeyError, RecursionError):
        secret = None
    if not isinstance(secret, str) or not 0 < len(secret) <= SECRET_MAX:
        return JSONResponse({"error": desk.texts("enter.no_secret")}, 400)
    try:
        cookie, _ = desk.sign_ins.use_link(
            secret, device=request.headers.get("user-agent", ""), now=desk.now()
        )
    except SignInError as error:
        return JSONResponse({"error": str(error)}, 403)
    answer = JSONResponse({"to": request.scope.get("root_path", "") + "/"})
    answer.set_cookie(
        COOKIE,
        cookie,
        max_age=int(SHIFT.total_seconds()),
        path=request.scope.get("root_path", "") or "/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return answer


async def people(request: Request) -> Response:
    """On a shared phone: who works here now."""
    sign_in, _ = who(request)
    return page(
        request, "people.html", people=desk_of(request).people_with("technician"), shared=sign_in.shared
    )


async def change_person(request: Request) -> Response:
    """Another person takes the shared phone."""
    sign_in, _ = who(request)
    desk, form = desk_of(request), await request.form()
    name = form.get("person")
    if name not in {person.name for person in desk.people_with("technician")}:
        raise HTTPException(400, desk.texts("people.unknown"))
    try:
        desk.sign_ins.change_person(sign_in, str(name))
    except SignInError as error:
        raise HTTPException(403, str(error)) from None
    return see_other(request, "/")


async def sign_out(request: Request) -> Response:
    """Close this device's sign-in."""
    desk, sign_in = desk_of(request), sign_in_of(request)
    if sign_in is not None:
        desk.sign_ins.revoke(sign_in.id, by=sign_in.person, now=desk.now())
    answer = see_other(request, "/")
    answer.delete_cookie(COOKIE, path=request.scope.get("root_path", "") or "/")
    return answer


async def choose_language(request: Request) -> Response:
    """Keep on this device which language its pages are in, signed in or not."""
    form = await request.form()
    root, back = (
        request.scope.get("root_path", ""),
        str(form.get("back", "/")).removeprefix(request.scope.get("root_path", "")),
    )
    tag = str(form.get("language", ""))
    answer = see_other(request, back if LOCAL.fullmatch(back) else "/")
    if tag in desk_of(request).languages.offered:
        answer.set_cookie(
            languages.COOKIE,
            tag,
            max_age=LANGUAGE_LASTS_S,
            path=root or "/",
            httponly=True,
            samesite="lax",
            secure=request.url.scheme == "https",
        )
    return answer


ROUTES: Final = (
    Route("/", home),
    Route("/language", choose_language, methods=["POST"]),
    Route("/pair", pair, methods=["POST"]),
    Route("/people", people),
    Route("/people", change_person, methods=["POST"]),
    Route("/sign-out", sign_out, methods=["POST"]),
)
