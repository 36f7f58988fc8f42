"""The technician's pages: what is due, a run step by step, its photo, the answer, and what is not sent yet.

The pages of a run work without the station at hand: they are shells with all that a run needs in them, the run itself
is kept on the phone, and the phone tells the station of it as often as it takes.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from reader.errors import LinecallError, OutputError
from reader.round import record
from reader.round.due import day_round
from reader.round.procedure import Amount, load_procedure
from reader.round.run import Run
from reader.round.site import Site
from reader.settings.values import load_layout
from reader.station import phone_runs, work
from reader.station.answer import answer_of
from reader.station.desk import Desk
from reader.station.pages import FOLDER, desk_of, page, see_other, who
from reader.station.readers import BusyError
from reader.station.said import departure, problem, told
from reader.station.seen import note_calls_shown
from reader.station.texts import Texts, english
from reader.station.uploads import UploadError, finished, has_room, store_piece

PREFIXES: Final = ("today.", "prepare.", "run.", "unsent.", "hint.", "state.", "phase_name.")
"""Codes of the texts that the pages' scripts show."""
RUNS_LOOKED_AT: Final = 500  # for the lot that a point's last run had
NOTHING_OPEN: Final = frozenset({"read", "closed"})
ENDINGS: Final = ("late", "mistake", "spoilt")
"""Why a run is given up, as a code of `run.end_` texts."""


# --- shells ---------------------------------------------------------------------------------------------------
# They look things up and draw pages, so they run aside from the thread that answers everybody (no `async`).


def today(request: Request) -> Response:
    """The site's points, and the runs that are under way."""
    who(request, "technician")
    desk = desk_of(request)
    site = desk.site()
    return page(request, "today.html", data=_data(desk, site), **_today(desk, site))


def _today(desk: Desk, site: Site) -> dict[str, Any]:
    """Runs under way, what is due with the riskiest first, what follows from earlier answers, and the other points."""
    found, runs = day_round(desk.logbook, site, now=desk.now()), _open_runs(desk, site)
    going = {point: run for point, run in runs.items() if run["state"] not in NOTHING_OPEN}
    due = {task.point: task for task in found.points}

    def shown(id: str) -> dict[str, Any]:
        point = site.find_point(id)
        task = due.get(id)
        reason = None if task is None else told(desk.texts, task.reason, "due")
        tank = site.tank_of(point)
        return {"point": point, "tank": tank, "task": task, "reason": reason, "run": runs.get(id)}

    return {
        "going": [shown(id) for id in going],
        "due": [shown(id) for id in due if id not in going],
        "follow_ups": [
            (
                task,
                _asked_for(desk.texts, task.reason, task.follow_up.asked.action, task.follow_up.asked.text),
            )
            for task in found.tasks
            if task.follow_up is not None
        ],
        "others": [shown(one.id) for one in site.point if one.id not in going and one.id not in due],
    }


def _asked_for(texts: Texts, reason: str, action: str, words: str) -> str:
    """Why a follow-up is due, naming what is to be done in the plan's words, not by its id."""
    return told(texts, reason.replace(action, words.rstrip("."), 1), "due")


def prepare(request: Request) -> Response:
    """Point, phase and lot of a run that begins."""
    return _shell(request, "prepare.html")


def run_page(request: Request) -> Response:
    """One run, step by step; which one stands behind the `#`, so that one stored page serves every run."""
    return _shell(request, "run.html")


def _shell(request: Request, template: str) -> Response:
    _, person = who(request, "technician")
    desk = desk_of(request)
    site = desk.site()
    back = request.scope.get("root_path", "") + "/today"  # what stands behind the # is not sent
    return page(request, template, data=_data(desk, site, operator=person.name), back=back)


async def unsent(request: Request) -> Response:
    """What this phone has not sent yet. It opens for everybody: the page holds nothing, the phone does."""
    return page(request, "unsent.html", data={"texts": _texts(desk_of(request)), "field": None})


async def worker(request: Request) -> Response:
    """The service worker; from here, as it may serve only what lies below its own address."""
    return FileResponse(FOLDER / "static" / "phone" / "worker.js", media_type="text/javascript")


def _data(desk: Desk, site: Site, operator: str = "") -> dict[str, Any]:
    """All that the pages of a run need: texts, and the site as far as it is used in the field."""
    procedure, t = load_procedure(site.procedure_source), desk.texts
    today = desk.now().astimezone(site.place.place).date()
    last = _last_lots(desk, site)
    lots = []
    for lot in site.lot:
        usable = not (lot.is_recalled_on(today) or lot.is_expired_on(today))
        age = load_layout(site.layout_source(lot)).assay.reading_age
        lots.append({"id": lot.id, "expiry": lot.expiry, "usable": usable, "reading_age": age})
    points = [
        {
            "id": point.id,
            "name": point.name,
            "tank": site.tank_of(point).name,
            "fuel": site.tank_of(point).fuel,
            "where": point.where,
            "how": point.how,
            "lot": last.get(point.id) or next(iter(last.values()), None),
        }
        for point in site.point
    ]
    return {
        "texts": _texts(desk),
        "field": {
            "operator": operator,
            "zone": site.zone,
            "now": desk.now().isoformat(),
            "caution": told(t, procedure.caution, "procedure"),
            "points": points,
            "lots": lots,
            "phases": [{"id": one.id, "text": told(t, one.text, "phase")} for one in procedure.phase],
            "steps": [
                {
                    "id": step.id,
                    "name": told(t, step.id, "step_name"),
                    "text": told(t, step.text, "step"),
                    "phases": step.phases,
                    "recorded": step.recorded,
                    "amount": None if step.amount is None else _amount(t, step.amount),
                    "wait": [{"since": one.since, "least": one.least, "most": one.most} for one in step.wait],
                    "departures": step.departures,
                }
                for step in procedure.step
            ],
            "departures": {kind.code: told(t, kind.text, "departure") for kind in procedure.departure},
        },
    }


def _amount(texts: Texts, amount: Amount) -> str:
    value = int(amount.value) if amount.value == int(amount.value) else amount.value
    return f"{texts.written(value)} {told(texts, amount.unit, 'unit')}"


def _texts(desk: Desk) -> dict[str, str]:
    return {code: forms[0] for code, forms in desk.texts.by_code.items() if code.startswith(PREFIXES)}


def _last_lots(desk: Desk, site: Site) -> dict[str, str]:
    """The lot that was used last at each point, the point tested last first."""
    lots: dict[str, str] = {}
    for row in desk.logbook.runs(site=site.name, limit=RUNS_LOOKED_AT):
        lots.setdefault(row.point, row.lot)
    return lots


def _open_runs(desk: Desk, site: Site) -> dict[str, dict[str, str]]:
    """Runs that are under way by their points."""
    found = {}
    for row in desk.logbook.runs(site=site.name, is_open=True, limit=500):
        state = record.state_in(desk.logbook, row.id, now=desk.now())
        found[row.point] = {"id": row.id, "state": state}
    return found


# --- what the phone tells -------------------------------------------------------------------------------------


def _status_of(error: LinecallError) -> int:
    if isinstance(error, UploadError):
        return error.status
    if isinstance(error, phone_runs.MalformedError):
        return 400
    return 503 if isinstance(error, BusyError | work.NotReadError | OutputError) else 409


def _for_phones(handler: Callable[[Request], Any]) -> Callable[[Request], Any]:
    """Answer in JSON, with the station's time, whatever comes of it."""

    async def answered(request: Request) -> Response:
        status = 200
        try:
            body = await handler(request)
        except HTTPException as error:
            status, body = error.status_code, {"error": error.detail}
        except LinecallError as error:
            status, body = _status_of(error), {"error": problem(desk_of(request).texts, error)[0]}
            if isinstance(error, UploadError):
                body["next"] = error.next_offset
        return JSONResponse({**body, "now": desk_of(request).now().isoformat()}, status)

    return answered


async def clock(request: Request) -> dict[str, Any]:
    """The station's time alone."""
    who(request)
    return {}


async def put_run(request: Request) -> dict[str, Any]:
    """A run as the phone tells it; answers with the run as the logbook has it."""
    _, person = who(request, "technician")
    desk, run_id = desk_of(request), request.path_params["id"]
    said = phone_runs.parse(phone_runs.SaidRun, await request.body())
    if said.operator != person.name and said.operator not in {
        one.name for one in desk.people_with("technician")
    }:
        raise HTTPException(403, desk.texts("people.unknown"))

    def take() -> dict[str, Any]:
        with desk.writing:
            if not has_room(desk) and _is_new(desk, run_id):
                raise HTTPException(507, desk.texts("run.full"))
            return state_of(desk, phone_runs.take(desk.runs_by(person.name), run_id, said))

    state: dict[str, Any] = await run_in_threadpool(take)
    return state


def _is_new(desk: Desk, run_id: str) -> bool:
    try:
        record.find_run(desk.logbook, run_id)
    except OutputError:  # the logbook is out of reach, which says nothing of the run
        raise
    except LinecallError:
        return True
    return False


async def get_state(request: Request) -> dict[str, Any]:
    """A run as the logbook has it."""
    who(request, "technician", "reviewer")
    desk = desk_of(request)
    run = await run_in_threadpool(record.find_run, desk.logbook, request.path_params["id"])
    state: dict[str, Any] = await run_in_threadpool(state_of, desk, run)
    return state


def state_of(desk: Desk, run: Run) -> dict[str, Any]:
    """A run as its phone is told of it; times are the station's."""

    def written(moment: datetime | None) -> str | None:
        return None if moment is None else moment.isoformat()

    return {
        "id": run.id,
        "state": record.state_in(desk.logbook, run.id, now=desk.now()),
        "point": run.point,
        "phase": run.phase,
        "lot": run.lot,
        "operator": run.operator,
        "begun_at": written(run.begun_at),
        "steps": [
            {"step": one.step, "at": written(one.at), "was": written(one.first_at)} for one in run.steps
        ],
        "readable_from": written(run.readable_from),
        "readable_until": written(run.readable_until),
        "departures": [
            {"code": one.code, "step": one.step, "text": departure(desk.texts, one.sentence)}
            for one in run.departures
        ],
        "photos": [one.sha256 for one in run.photos if one.arrived],
        "reading": run.readings[-1].id if run.readings else None,
    }


async def put_piece(request: Request) -> dict[str, Any]:
    """A piece of a photo at `?at=`; answers from which byte to send on."""
    who(request, "technician")
    desk, place = desk_of(request), request.path_params
    at = request.query_params.get("at", "")
    if not (at.isascii() and at.isdigit() and len(at) < 12):
        raise HTTPException(400, f"at is {at[:20]!r}, but must be the piece's first byte, 0 and up")
    data = await request.body()
    return {"next": await run_in_threadpool(store_piece, desk, place["id"], place["sha"], int(at), data)}


async def send(request: Request) -> dict[str, Any]:
    """The photos are here: read them as one plate; answers with their hashes, and where the answer is."""
    _, person = who(request, "technician")
    desk, run_id = desk_of(request), request.path_params["id"]
    said = phone_runs.parse(phone_runs.SaidSend, await request.body())

    def arrive() -> list[Any]:
        paths = [finished(desk, run_id, photo.sha256) for photo in said.photos]
        with desk.writing:
            run = record.find_run(desk.logbook, run_id)
            known = work.answered_before(desk, run, [photo.sha256 for photo in said.photos])
            if known is None:
                for photo in said.photos:
                    run = phone_runs.take_photo(desk.runs_by(person.name), run, photo, said.now)
        return paths

    paths = await run_in_threadpool(arrive)
    answer = await work.read(desk, run_id, paths, by=person.name)
    return {
        "received": [photo.sha256 for photo in said.photos],
        "reading": answer.reading,
        "status": answer.verdict.status,
        "grade": answer.verdict.grade,
        "to": f"{request.scope.get('root_path', '')}/runs/{run_id}",
    }


async def end(request: Request) -> dict[str, Any]:
    """A run is given up, for one of the reasons that the page offers; again, and nothing changes."""
    _, person = who(request, "technician")
    desk, run_id = desk_of(request), request.path_params["id"]
    why = request.query_params.get("why")
    if why not in ENDINGS:
        raise HTTPException(400, f"why must be one of {', '.join(ENDINGS)}")

    def give_up() -> dict[str, Any]:
        with desk.writing:
            run = record.find_run(desk.logbook, run_id)
            if run.ended is None:
                run = record.abandon(desk.runs_by(person.name), run_id, reason=english()(f"run.end_{why}"))
            return state_of(desk, run)

    state: dict[str, Any] = await run_in_threadpool(give_up)
    return state


async def hints(request: Request) -> dict[str, Any]:
    """What to do better, seen in a small frame of the camera's; 503 while plates are read, which goes before.

    lot : of the plate, whose layout alone is looked for, as it is when its photo is read; else every lot's.
    """
    sign_in, _ = who(request, "technician")
    desk = desk_of(request)
    frame = await request.body()
    if desk.readers.busy:
        raise HTTPException(503, desk.texts("hint.busy"))
    site = await run_in_threadpool(desk.site)
    wanted = request.query_params.get("lot", "").lower()
    lots = [lot for lot in site.lot if lot.id.lower() == wanted] or site.lot
    sources = tuple(dict.fromkeys(str(site.layout_source(lot)) for lot in lots))
    found = await desk.hinter.look(frame, sources, sign_in.id)
    if found is None:
        raise HTTPException(503, desk.texts("hint.busy"))
    return {"hints": [{"code": one.code, "window": one.window} for one in found]}


# --- the answer -----------------------------------------------------------------------------------------------


def answer(request: Request) -> Response:
    """The answer of a run whose plate was read or refused; the run's page before that."""
    _, person = who(request, "technician", "reviewer")
    desk = desk_of(request)
    run = record.find_run(desk.logbook, request.path_params["id"])
    if not run.readings:
        return see_other(request, f"/run#{run.id}")
    stored = desk.logbook.reading(run.readings[-1].id)
    if stored.current.status == "read":
        note_calls_shown(desk, person.name, [stored.id])
    shown = answer_of(stored.current, run, desk.site(), now=desk.now(), texts=desk.texts)
    shas = [photo.sha256 for photo in stored.photos]
    data = {
        "texts": _texts(desk),
        "field": None,
        "run": state_of(desk, run),
        "read": shas,
    }
    return page(request, "answer.html", run=run, answer=shown, data=data, reading=stored.id)


async def close(request: Request) -> Response:
    """The technician has seen the answer, and nothing more is done in the run."""
    _, person = who(request, "technician")
    desk, run_id = desk_of(request), request.path_params["id"]

    def end_it() -> None:
        with desk.writing:
            if record.find_run(desk.logbook, run_id).ended is None:
                record.close(desk.runs_by(person.name), run_id)

    await run_in_threadpool(end_it)
    return see_other(request, "/today")


async def strip(request: Request) -> Response:
    """The picture of one window of a reading."""
    who(request, "technician", "reviewer")
    desk, place = desk_of(request), request.path_params
    try:
        found = await work.strips(desk, place["reading"])
    except BusyError as error:
        raise HTTPException(503, str(error)) from None
    if not 0 <= place["window"] < len(found):
        raise HTTPException(404, desk.texts("run.no_strip"))
    return Response(found[place["window"]], media_type="image/jpeg")


_ID: Final = "{id:str}"
ROUTES: Final = (
    Route("/today", today),
    Route("/prepare", prepare),
    Route("/run", run_page),
    Route("/unsent", unsent),
    Route("/worker.js", worker),
    Route("/clock", _for_phones(clock)),
    Route(f"/runs/{_ID}", answer),
    Route(f"/runs/{_ID}", _for_phones(put_run), methods=["PUT"]),
    Route(f"/runs/{_ID}/state", _for_phones(get_state)),
    Route(f"/runs/{_ID}/photos/{{sha:str}}", _for_phones(put_piece), methods=["PUT"]),
    Route(f"/runs/{_ID}/send", _for_phones(send), methods=["POST"]),
    Route(f"/runs/{_ID}/end", _for_phones(end), methods=["POST"]),
    Route(f"/runs/{_ID}/close", close, methods=["POST"]),
    Route("/hints", _for_phones(hints), methods=["POST"]),
    Route("/strips/{reading:str}/{window:int}.jpg", strip),
)
