"""The reviewer's desk: what waits, a blind look first, the decision, and taking a slip back.

Whoever looks blind gets nothing of the calls, not even in the page's source; once they have opened the calls they read
that plate blind no more (`seen`).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from reader.draw.page_security import move_styles, source_of
from reader.errors import LinecallError, OutputError
from reader.logbook import StoredReading
from reader.review import queue, record, sheet
from reader.review.decide import Decision, DecisionError, readers_for
from reader.review.page import TEMPLATES
from reader.review.policy import Policy, Readers
from reader.station import said
from reader.station.desk import Desk
from reader.station.guard import POLICY
from reader.station.look_words import in_language
from reader.station.pages import by_hand, desk_of, page, see_other
from reader.station.seen import has_seen_calls, note_calls_shown, plate_of_reading
from reader.words import CALLS_OF, Call, MarkKey
from reader.words.names import folded, is_one_of

EFFECTS: Final = ("keeps_grade", "settles_doubt", "towards_release", "changes_grade")


@dataclass(frozen=True, kw_only=True, slots=True)
class Seat:
    """A reviewer at a reading. seen : whether they have seen its plate's calls."""

    desk: Desk
    name: str
    stored: StoredReading
    seen: bool

    @property
    def id(self) -> str:
        """The reading's."""
        return self.stored.id

    def own(self) -> tuple[Decision, ...]:
        """What they have decided that stands."""
        made = record.decisions_on(self.stored)
        return tuple(one for one in made if folded(one.by) == folded(self.name))


# --- the queue --------------------------------------------------------------------------------------------


async def show_queue(request: Request) -> Response:
    """What waits: plates that may still be read by the minutes left, then the others by age; nothing of their calls."""
    desk, name = _reviewer(request)
    number = request.query_params.get("page", "1")
    if not (number.isascii() and number.isdigit() and 0 < len(number) < 6 and int(number)):
        raise HTTPException(404, desk.texts("queue.no_page"))
    now = desk.now()

    def rows() -> tuple[queue.Page, list[dict[str, object]]]:
        found = queue.waiting_page(desk.logbook, now=now, number=int(number), blind=True)
        return found, [_row(desk, entry, name, now) for entry in found.entries]

    found, shown = await run_in_threadpool(rows)
    return page(request, "queue.html", found=found, rows=shown, policy=_policy_lines(desk))


def _row(desk: Desk, entry: queue.Entry, name: str, now: datetime) -> dict[str, object]:
    own = not desk.policy.own_readings and is_one_of(entry.operator, [name])
    decided = any(
        folded(made.by) == folded(name)
        for made in record.decisions_on(record.find_reading(desk.logbook, entry.id))
    )
    return {
        "entry": entry,
        "minutes": _minutes_left(entry.open_until, now),
        "ago": queue.ago(entry.at, now),
        "state": "queue.own" if own else "queue.decided" if decided else None,
    }


def _minutes_left(until: datetime | None, now: datetime) -> int | None:
    return None if until is None or until <= now else (until - now) // timedelta(minutes=1)


def _policy_lines(desk: Desk) -> list[str]:
    """What the policy asks for, whatever the reading."""
    policy: Policy = desk.policy
    needed = [(effect, policy.readers.of(effect)) for effect in EFFECTS]
    return [desk.texts(f"policy.{effect}", readers=_readers(desk, readers)) for effect, readers in needed]


# --- looking ----------------------------------------------------------------------------------------------


async def look(request: Request) -> Response:
    """The blind look; for whoever has seen the calls, the page with them."""
    seat = await _seat(request)
    if seat.seen:
        return see_other(request, f"/readings/{seat.id}/calls")
    if (hindrance := await _hindrance(seat, blind=True)) is not None:
        return _hindered(request, seat, hindrance)
    content = await run_in_threadpool(lambda: sheet.content_of(_case(seat), blind=True) | {"needs": {}})
    return _with_pictures(request, "blind.html", seat, content)


async def open_calls(request: Request) -> Response:
    """Show somebody the calls from here on, and remember it."""
    seat = await _seat(request)
    await run_in_threadpool(note_calls_shown, seat.desk, seat.name, [seat.id])
    return see_other(request, f"/readings/{seat.id}/calls")


async def look_at_calls(request: Request) -> Response:
    """The look with all calls, limits, fits, and what would follow from each answer."""
    seat = await _seat(request)
    if not seat.seen:
        return see_other(request, f"/readings/{seat.id}")
    if seat.stored.current.status == "refused":
        return _hindered(request, seat, said.refusal(seat.desk.texts, seat.stored.current)[1])
    hindrance = await _hindrance(seat, blind=False)
    every = request.query_params.get("windows") == "all"

    def shown() -> dict[str, Any]:
        case = _case(seat)
        found = sheet.content_of(case, blind=False, every_window=every)
        return found | {"needs": _needs(seat, case, found["windows"])}

    content = await run_in_threadpool(shown)
    content |= {
        "hindrance": hindrance,
        "all_windows": len(content["windows"]) == len(seat.stored.first.windows),
    }
    return _with_pictures(request, "calls.html", seat, content)


async def show_own(request: Request) -> Response:
    """What the reviewer has decided on a reading, what it still waits for, and how to take a slip back."""
    seat = await _seat(request)
    review = seat.stored.current.review
    mine = {made.key for made in seat.own()}
    texts = seat.desk.texts
    still = [
        said.open_decision(texts, mark.sentence)
        for mark in (() if review is None else review.open)
        if seat.seen or (mark.window, mark.mark) in mine
    ]
    way_out = None
    if seat.seen or mine:
        way_out = await run_in_threadpool(
            lambda: record.way_out_of(seat.desk.logbook, seat.id, policy=seat.desk.policy)
        )
    closed = any(
        event.payload.get("closed") for event in seat.stored.reviews if folded(event.by) == folded(seat.name)
    )
    return page(
        request,
        "own.html",
        stored=seat.stored,
        own=seat.own(),
        closed=closed and not seat.stored.waiting,
        still=still,
        way_out=None if way_out is None else said.say(texts, way_out),
        grade=seat.stored.current.grade if seat.seen else None,
        next_step=said.next_steps(texts, seat.stored.current.next_step or "") if seat.seen else None,
    )


def _needs(seat: Seat, case: sheet.Case, windows: list[dict[str, Any]]) -> dict[MarkKey, list[str]]:
    """Of each mark that can be decided, how many readers each call takes."""
    desk, made = seat.desk, record.decisions_on(seat.stored)

    def line(key: MarkKey, call: Call) -> str:
        readers = readers_for(
            case.first, made, key=key, call=call, layout=case.layout, rules=case.rules, policy=desk.policy
        )
        return desk.texts("decide.needs", call=desk.texts(f"call.{call}"), readers=_readers(desk, readers))

    return {
        (window["id"], answer["mark"]): [
            line((window["id"], answer["mark"]), call) for call in answer["calls"]
        ]
        for window in windows
        for answer in window["answers"]
    }


def _readers(desk: Desk, readers: Readers) -> str:
    return desk.texts(f"policy.{'blind_' * readers.blind}readers", readers.number)


def _case(seat: Seat) -> sheet.Case:
    return sheet.open_case(seat.desk.logbook, seat.id)


def _with_pictures(request: Request, template: str, seat: Seat, content: dict[str, Any]) -> Response:
    """A page with strips and ladders, whose sizes are rules of its own that its policy names by their hash."""
    until = seat.desk.logbook.row(seat.id).open_until
    answer = page(
        request,
        template,
        **in_language(content, seat.stored.current, seat.desk.texts),
        stored=seat.stored,
        until=until,
        minutes=_minutes_left(until, seat.desk.now()),
        numbers={window.id: number for number, window in enumerate(seat.stored.first.windows, 1)},
        decided={made.key: made.call for made in seat.own()},
        policy=_policy_lines(seat.desk),
    )
    markup, rules = move_styles(bytes(answer.body).decode("utf-8"))
    markup = markup.replace("</head>", f"<style>{rules}</style>\n</head>", 1)
    policy = POLICY.replace("style-src 'self'", f"style-src 'self' {source_of(rules)}")
    return HTMLResponse(markup, headers={"Content-Security-Policy": policy})


def _hindered(request: Request, seat: Seat, hindrance: str) -> Response:
    return page(request, "hindered.html", stored=seat.stored, hindrance=hindrance)


async def _hindrance(seat: Seat, *, blind: bool) -> str | None:
    """Why nothing that they decide could be kept; None where it could."""
    try:
        await run_in_threadpool(
            lambda: record.check_may_decide(
                seat.desk.logbook, seat.id, by=seat.name, policy=seat.desk.policy, blind=blind
            )
        )
    except LinecallError as error:
        return said.problem(seat.desk.texts, error)[0]
    return None


# --- deciding ---------------------------------------------------------------------------------------------


async def decide(request: Request) -> Response:
    """Keep calls with their reason, unless the reading has changed since it was looked at."""
    seat, form = await _seat(request), await request.form()
    reason = str(form.get("reason", ""))
    blind = form.get("blind") == "yes"
    if blind and seat.seen:
        return _not_kept(request, seat, seat.desk.texts("decide.seen"), reason)
    made = list(_decisions(form, seat, reason=reason.strip(), blind=not seat.seen))
    return await _keep(
        request,
        seat,
        form,
        lambda: record.decide(seat.desk.logbook, seat.id, made, policy=seat.desk.policy),
    )


def _decisions(form: FormData, seat: Seat, *, reason: str, blind: bool) -> Iterator[Decision]:
    for name, value in form.multi_items():
        mark, _, window = name.partition(" ")
        if mark in CALLS_OF and window and isinstance(value, str) and value:
            yield Decision(
                window=window,
                mark=mark,
                call=value,  # type: ignore[arg-type]
                by=seat.name,
                reason=reason,
                at=seat.desk.now().astimezone(),
                blind=blind,
            )


async def withdraw(request: Request) -> Response:
    """Take one's own decision on a mark back, or all that one decided and closed."""
    seat, form = await _seat(request), await request.form()
    mark, _, window = str(form.get("mark", "")).partition(" ")
    key: MarkKey | None = (window, mark) if mark in CALLS_OF else None
    return await _keep(
        request,
        seat,
        form,
        lambda: record.withdraw(
            seat.desk.logbook,
            seat.id,
            by=seat.name,
            reason=str(form.get("reason", "")).strip(),
            at=seat.desk.now().astimezone(),
            policy=seat.desk.policy,
            mark=key,
        ),
    )


async def close(request: Request) -> Response:
    """Take a reading off the list as it stands."""
    seat, form = await _seat(request), await request.form()
    return await _keep(
        request,
        seat,
        form,
        lambda: record.close(
            seat.desk.logbook,
            seat.id,
            by=seat.name,
            reason=str(form.get("reason", "")).strip(),
            at=seat.desk.now().astimezone(),
            policy=seat.desk.policy,
        ),
    )


async def _keep(request: Request, seat: Seat, form: FormData, write: Callable[[], object]) -> Response:
    """Write, one request at a time, if the reading is still as the page showed it."""

    def written() -> None:
        with seat.desk.writing:
            now = seat.desk.logbook.reading(seat.id)
            if str(form.get("last", "")) != str(now.last_seq):
                raise DecisionError(seat.desk.texts("decide.stale"))
            write()

    try:
        await run_in_threadpool(written)
    except LinecallError as error:
        return _not_kept(request, seat, said.problem(seat.desk.texts, error)[0], str(form.get("reason", "")))
    return see_other(request, f"/readings/{seat.id}/own")


def _not_kept(request: Request, seat: Seat, why: str, reason: str) -> Response:
    return page(request, "not_kept.html", status=409, stored=seat.stored, why=why, reason=reason)


# --- who --------------------------------------------------------------------------------------------------


def _reviewer(request: Request) -> tuple[Desk, str]:
    desk = desk_of(request)
    return desk, by_hand(request, *desk.policy.may_review).name


async def _seat(request: Request) -> Seat:
    desk, name = _reviewer(request)

    def find() -> Seat:
        try:
            stored = record.find_reading(desk.logbook, request.path_params["id"])
        except OutputError:
            raise
        except LinecallError as error:
            raise HTTPException(404) from error
        seen = has_seen_calls(desk, name, plate_of_reading(desk, stored))
        return Seat(desk=desk, name=name, stored=stored, seen=seen)

    return await run_in_threadpool(find)


async def style_of_looks(request: Request) -> Response:
    """How a window's strips, ladder and profile are drawn."""
    return Response((TEMPLATES / "look.css").read_bytes(), media_type="text/css")


ROUTES: Final = (
    Route("/queue", show_queue),
    Route("/look.css", style_of_looks),
    Route("/readings/{id}", look),
    Route("/readings/{id}/opened", open_calls, methods=["POST"]),
    Route("/readings/{id}/calls", look_at_calls),
    Route("/readings/{id}/own", show_own),
    Route("/readings/{id}/decisions", decide, methods=["POST"]),
    Route("/readings/{id}/withdrawal", withdraw, methods=["POST"]),
    Route("/readings/{id}/closing", close, methods=["POST"]),
)
