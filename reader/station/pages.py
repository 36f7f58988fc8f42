"""Pages from templates, with the station's texts; what every page has: who works here, and the way back."""

from dataclasses import replace
from functools import cache
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from reader.draw.page_security import policy_of
from reader.errors import OutputError
from reader.files.bundled import DATA
from reader.logbook.people import Person
from reader.review.page import TEMPLATES
from reader.station import languages
from reader.station.desk import Desk
from reader.station.journal import SIGN_IN
from reader.station.signins import SignIn
from reader.words import tidy
from reader.words.names import Role

FOLDER: Final = DATA / "station"
COOKIE: Final = "linecall_sign_in"


@cache
def _environment() -> Any:
    from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PrefixLoader, StrictUndefined

    environment = Environment(
        loader=ChoiceLoader(  # by a folder of its own: of two templates of one name one would hide the other
            [FileSystemLoader(FOLDER / "pages"), PrefixLoader({"sheet": FileSystemLoader(TEMPLATES)})]
        ),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tidy"] = lambda text: tidy(str(text))
    return environment


def desk_of(request: Request) -> Desk:
    """The station that a request is to, with the texts in the language of its browser."""
    desk = request.app.state.desk
    assert isinstance(desk, Desk)
    if not desk.languages.reports:
        return desk
    chosen = request.cookies.get(languages.COOKIE)
    return replace(desk, texts=desk.languages.choose(chosen, request.headers.get("accept-language", "")))


def sign_in_of(request: Request) -> SignIn | None:
    """The open sign-in of the browser that asks."""
    desk = desk_of(request)
    if (header := request.headers.get("authorization")) is not None:
        found = _sign_in_of_token(desk, header)  # alone, whatever cookie comes with it
    else:
        found = desk.sign_ins.find(request.cookies.get(COOKIE, ""), now=desk.now())
    if found is not None:
        request.scope[SIGN_IN] = found.id
    return found


def _sign_in_of_token(desk: Desk, header: str) -> SignIn | None:
    """RFC 6750: `Authorization: Bearer TOKEN`."""
    scheme, _, secret = header.partition(" ")
    if scheme.lower() != "bearer" or desk.tokens is None:
        return None
    token = desk.tokens.find(secret.strip(), now=desk.now())
    return None if token is None else token.sign_in()


def who(request: Request, *roles: Role, quiz: str | None = None) -> tuple[SignIn, Person]:
    """The sign-in and person of a request; roles : one of which they must have. quiz : which one the page is of.

    A shared device opens the technician's pages alone, an invitation its own quiz alone. Raises HTTPException 401
    where nobody is signed in, and 403 for a role that they lack.
    """
    desk, sign_in = desk_of(request), sign_in_of(request)
    person = None if sign_in is None else desk.person(sign_in)
    if sign_in is None or person is None:
        raise HTTPException(401, desk.texts("enter.nobody"))
    if sign_in.quiz is not None and sign_in.quiz != quiz:
        raise HTTPException(403, desk.texts("enter.quiz_alone"))
    if roles and set(_roles(sign_in, person)).isdisjoint(roles):
        raise HTTPException(403, desk.texts("enter.role", role=roles[0]))
    return sign_in, person


def _roles(sign_in: SignIn, person: Person) -> tuple[Role, ...]:
    """What somebody may do from here."""
    only = "technician" if sign_in.shared else sign_in.role
    return tuple(role for role in person.roles if only in (None, role))


def by_hand(request: Request, *roles: Role) -> Person:
    """As `who`, for what a person does and no program: signing others in, and judging a plate by eye."""
    sign_in, person = who(request, *roles)
    if sign_in.role is not None:
        raise HTTPException(403, desk_of(request).texts("enter.by_hand"))
    return person


def page(request: Request, template: str, *, status: int = 200, **content: object) -> HTMLResponse:
    """Fill a template. It has besides: `t` (texts by code), `root` (the path before every link), `me`, `sign_in`."""
    desk, sign_in = desk_of(request), sign_in_of(request)
    try:
        me = None if sign_in is None else desk.person(sign_in)
    except OutputError:  # the logbook is out of reach, as this page is perhaps about to say
        if status < 500:
            raise
        me = sign_in = None
    html = (
        _environment()
        .get_template(template)
        .render(
            t=desk.texts,
            offered=[(tag, languages.name_of(texts), texts) for tag, texts in desk.languages.offered.items()],
            root=request.scope.get("root_path", ""),
            me=me,
            sign_in=sign_in,
            roles=() if me is None or sign_in is None or sign_in.quiz else _roles(sign_in, me),
            here=request.url.path,
            **({} if request.method == "GET" else {"back": "/"}),
            **content,
        )
    )
    return HTMLResponse(html, status_code=status, headers={"Vary": "Accept-Language, Cookie"})


def own_page(data: bytes) -> HTMLResponse:
    """A page that is complete in itself, under the policy that it carries, as its styles and scripts stand in it."""
    html = data.decode("utf-8")
    return HTMLResponse(
        html, headers={"Content-Security-Policy": f"{policy_of(html)}; frame-ancestors 'none'"}
    )


def see_other(request: Request, path: str) -> Response:
    """Send the browser to another page of ours after a form."""
    return RedirectResponse(request.scope.get("root_path", "") + path, status_code=303)
