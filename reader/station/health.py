"""`/health`: whether the database answers and can be written, photos can be kept, and how much room is left."""

import asyncio
import tempfile
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from reader.errors import LinecallError
from reader.station.desk import Desk
from reader.station.guard import Place
from reader.station.uploads import free_bytes, has_room
from reader.version import VERSION

WAIT_S: Final = 5.0
"""For each answer: what watches a service asks every minute or so, and gives up after ten seconds."""
OK: Final = "ok"


@dataclass(frozen=True, kw_only=True, slots=True)
class Checks:
    """One check of a kind at a time, each in a thread: what hangs costs a thread, and is said to hang."""

    wait_s: float = WAIT_S
    _under_way: dict[str, "Future[Any]"] = field(default_factory=dict)

    async def ask(self, name: str, check: Callable[[], Any]) -> tuple[str, Any]:
        """`ok` and what the check found, or what is wrong and None."""
        found = self._under_way.get(name)
        if found is None or found.done():
            found = self._under_way[name] = Future()
            threading.Thread(target=_do, args=(check, found), name=f"health {name}", daemon=True).start()
        try:
            return OK, await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(found)), self.wait_s)
        except TimeoutError:
            return f"does not answer within {self.wait_s:g} s", None
        except LinecallError as error:
            return str(error), None
        except OSError as error:
            return f"{error.strerror or 'cannot be used'}", None


def _do(check: Callable[[], Any], into: "Future[Any]") -> None:
    try:
        into.set_result(check())
    except BaseException as error:
        into.set_exception(error)


async def health(request: Request) -> Response:
    """How the station stands; 503 where something is wrong."""
    desk: Desk = request.app.state.desk
    place: Place = request.app.state.place
    checks: Checks = request.app.state.checks
    (database, events), (photos, _), (disk, room) = await asyncio.gather(
        checks.ask("database", lambda: _try_database(desk)),
        checks.ask("photos", lambda: _try_photos(desk)),
        checks.ask("disk", lambda: (free_bytes(desk), has_room(desk))),
    )
    free, has = room if disk == OK else (0, False)
    found: dict[str, Any] = {"version": VERSION, "database": database, "photos": photos}
    if events is not None:
        found["events"] = events
    found |= {"free_bytes": free, "room_for_a_run": has}
    is_well = database == photos == OK and has
    if place.certificate_until is not None:
        found["certificate_until"] = place.certificate_until.isoformat()
        is_well = is_well and desk.now() < place.certificate_until
    return JSONResponse(found | {"status": OK if is_well else "wrong"}, 200 if is_well else 503)


def _try_database(desk: Desk) -> int:
    with desk.reopen() as anew:
        events = anew.head()[0]
    desk.logbook.try_to_write()
    return events


def _try_photos(desk: Desk) -> None:
    with tempfile.TemporaryFile(dir=desk.folder) as probe:
        probe.write(b"linecall")
    desk.logbook.try_photos()
