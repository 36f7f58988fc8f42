"""The keeper's desk: people and devices, backup, the seal, the site's file, and what the server did."""

from collections.abc import Callable
from typing import Any, Final, TypeVar, get_args

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route

from reader.files.plain import read_plain
from reader.logbook.people import add_person, find_person, names_like, people_of, retire
from reader.station import backups, journal
from reader.station.credentials import UnknownCredentialError
from reader.station.desk import Desk, holder_of
from reader.station.guard import Place
from reader.station.pages import by_hand, desk_of, page, see_other, who
from reader.station.signins import LINK_LASTS
from reader.words.names import Role, folded

ROLES: Final[tuple[Role, ...]] = get_args(Role)
SITE_FILE_MAX: Final = 200_000  # bytes shown
LINES: Final = 200  # of the journal, on the page
HERE_ONLY: Final = ("localhost", "127.0.0.1", "[::1]")
T = TypeVar("T")


async def show_all(request: Request) -> Response:
    """What there is to keep."""
    _keeper(request)
    return page(request, "keeping.html")


# --- people -----------------------------------------------------------------------------------------------


async def show_people(request: Request) -> Response:
    """Everybody who ever became known, with a link to sign in, and retirement."""
    desk, _ = _keeper(request)
    return page(request, "keep_people.html", people=people_of(desk.logbook), roles_there_are=ROLES)


async def add(request: Request) -> Response:
    """Make somebody known, or give somebody more roles; asks first where a name may be another's."""
    desk, keeper = desk_of(request), by_hand(request, "keeper").name
    form = await request.form()
    name, roles = str(form.get("name", "")), [role for role in ROLES if role in form.getlist("role")]
    apart = [str(other) for other in form.getlist("apart_from")]
    if not roles:
        raise HTTPException(400, desk.texts("keep.no_role"))
    people = people_of(desk.logbook)
    alike = [] if find_person(people, name) else names_like(people, name)
    if {folded(other) for other in alike} - {folded(other) for other in apart}:
        return page(request, "keep_apart.html", name=name, chosen=roles, alike=alike)
    await _writing(
        desk,
        lambda: add_person(
            desk.logbook, name, roles=roles, by=keeper, apart_from=apart, at=desk.now().astimezone()
        ),
    )
    return see_other(request, "/keeping/people")


async def let_retire(request: Request) -> Response:
    """Nobody reads or decides under that name any more, and its sign-ins open nothing."""
    desk, keeper = desk_of(request), by_hand(request, "keeper").name
    form = await request.form()
    name = str(form.get("person", ""))
    reason = str(form.get("reason", ""))

    def write() -> None:
        if all(folded(one.name) == folded(name) for one in desk.people_with("keeper")):
            raise HTTPException(409, desk.texts("keep.last_keeper"))
        retire(desk.logbook, name, by=keeper, reason=reason, at=desk.now().astimezone())

    await _writing(desk, write)
    return see_other(request, "/keeping/people")


async def make_link(request: Request) -> Response:
    """A sign-in link for somebody, or for a phone that passes from hand to hand; shown once, as QR code too."""
    import segno

    by_hand(request, "keeper")
    desk = desk_of(request)
    form = await request.form()
    name, shared = str(form.get("person", "")), form.get("shared") == "yes"
    person = find_person(people_of(desk.logbook), name) if name else None
    if person is None or person.retired_at is not None:
        raise HTTPException(400, desk.texts("keep.nobody"))
    if shared and "technician" not in person.roles:
        raise HTTPException(400, desk.texts("keep.shared_is_technicians"))
    now = desk.now()
    address, here_only = _address(request)
    link = f"{address}/#{desk.sign_ins.make_link(person.name, shared=shared, now=now)}"
    code = segno.make(link, error="m").svg_inline(omitsize=True, border=2, title=desk.texts("keep.qr"))
    until = (now + LINK_LASTS).astimezone()
    return page(
        request,
        "keep_link.html",
        person=person,
        shared=shared,
        link=link,
        code=code,
        until=until,
        here_only=here_only,
    )


def _address(request: Request) -> tuple[str, bool]:
    """Where another device finds the station, and whether only this machine does."""
    desk, place = desk_of(request), request.app.state.place
    assert isinstance(place, Place)
    if desk.url is not None:
        return desk.url.rstrip("/"), False
    host = request.headers.get("host", "")
    if _is_here_only(host):
        outside = sorted(
            (other for other in place.hosts if not _is_here_only(other)),
            key=lambda other: not other[0].isdigit(),
        )
        host = outside[0] if outside else host
    root = request.scope.get("root_path", "")
    return f"{request.url.scheme}://{host}{root}", _is_here_only(host)


def _is_here_only(host: str) -> bool:
    return any(host == name or host.startswith(f"{name}:") for name in HERE_ONLY)


# --- devices ----------------------------------------------------------------------------------------------


async def show_devices(request: Request) -> Response:
    """Every sign-in: those that are open, then those that are over."""
    desk, _ = _keeper(request)
    now, people, found = desk.now(), people_of(desk.logbook), desk.sign_ins.all()
    open_ones = [one for one in found if one.is_open(now) and holder_of(one, people)]
    over = [one for one in found if one not in open_ones][:LINES]
    return page(request, "keep_devices.html", open_ones=open_ones, over=over)


async def revoke(request: Request) -> Response:
    """Close a sign-in for good."""
    desk, keeper = desk_of(request), by_hand(request, "keeper").name
    try:
        desk.sign_ins.revoke(request.path_params["id"], by=keeper, now=desk.now())
    except UnknownCredentialError as error:
        raise HTTPException(404, str(error)) from None
    return see_other(request, "/keeping/devices")


# --- backup, seal, check ----------------------------------------------------------------------------------


async def show_backups(request: Request) -> Response:
    """The backups that lie here, to be taken elsewhere."""
    desk, _ = _keeper(request)
    found = [(path.name, path.stat().st_size) for path in backups.all_of(desk)]
    left_out = (await run_in_threadpool(backups.site_files, desk)).left_out
    return page(request, "keep_backups.html", backups=found, kept=backups.KEPT, left_out=left_out)


async def back_up(request: Request) -> Response:
    """Make a backup of all that a new station would need."""
    desk, _ = _keeper(request)
    await run_in_threadpool(lambda: backups.make(desk, at=desk.now().astimezone()))
    return see_other(request, "/keeping/backups")


async def send_backup(request: Request) -> Response:
    """One backup, to be saved elsewhere."""
    desk, _ = _keeper(request)
    path = backups.find(desk, request.path_params["name"])
    if path is None:
        raise HTTPException(404, desk.texts("keep.no_backup"))
    return FileResponse(path, media_type="application/zip", filename=path.name)


async def show_seal(request: Request) -> Response:
    """The head of the logbook, to be kept where whoever keeps the logbook cannot change it."""
    import segno

    desk, _ = _keeper(request)
    seal = str(desk.logbook.seal(at=desk.now().astimezone()))
    if request.query_params.get("as") == "text":
        return PlainTextResponse(
            f"{seal}\n", headers={"Content-Disposition": 'attachment; filename="linecall-seal.txt"'}
        )
    code = segno.make(seal, error="m").svg_inline(omitsize=True, border=2, title=desk.texts("keep.seal_qr"))
    return page(request, "keep_seal.html", seal=seal, code=code, report=None)


async def check(request: Request) -> Response:
    """Check every event and photo of the logbook now."""
    desk, _ = _keeper(request)
    seal = str(desk.logbook.seal(at=desk.now().astimezone()))
    report = await run_in_threadpool(desk.logbook.verify)
    return page(request, "keep_seal.html", seal=seal, code=None, report=report)


# --- the site's file, and the journal ---------------------------------------------------------------------


async def show_site(request: Request) -> Response:
    """The file that describes the site, as it stands."""
    desk, _ = _keeper(request)
    text = None
    if desk.site_file is not None:
        try:
            text = read_plain(desk.site_file, limit=SITE_FILE_MAX).decode("utf-8", "replace")
        except OSError as error:
            raise HTTPException(
                409, desk.texts("keep.site_gone", path=desk.site_file, why=error.strerror or str(error))
            ) from None
    return page(request, "keep_site.html", path=desk.site_file, text=text)


async def show_log(request: Request) -> Response:
    """What the server did of late."""
    desk, _ = _keeper(request)
    shared = desk.texts("keep.shared")  # the list of devices says who has it now, and not who had it then
    names = {one.id: shared if one.shared else one.person for one in desk.sign_ins.all()}
    if desk.tokens is not None:
        names |= {one.id: one.program for one in desk.tokens.all()}
    found: list[dict[str, Any]] = [
        line | {"person": names.get(str(line.get("sign_in")), "")}
        for line in journal.lines(desk.folder, LINES)
    ]
    return page(request, "keep_log.html", lines=found)


def _keeper(request: Request) -> tuple[Desk, str]:
    _, person = who(request, "keeper")
    return desk_of(request), person.name


async def _writing(desk: Desk, write: Callable[[], T]) -> T:
    def written() -> T:
        with desk.writing:
            return write()

    return await run_in_threadpool(written)


ROUTES: Final = (
    Route("/keeping", show_all),
    Route("/keeping/people", show_people),
    Route("/keeping/people", add, methods=["POST"]),
    Route("/keeping/retirements", let_retire, methods=["POST"]),
    Route("/keeping/links", make_link, methods=["POST"]),
    Route("/keeping/devices", show_devices),
    Route("/keeping/devices/{id}/revoked", revoke, methods=["POST"]),
    Route("/keeping/backups", show_backups),
    Route("/keeping/backups", back_up, methods=["POST"]),
    Route("/keeping/backups/{name}", send_backup),
    Route("/keeping/seal", show_seal),
    Route("/keeping/seal", check, methods=["POST"]),
    Route("/keeping/site", show_site),
    Route("/keeping/log", show_log),
)
