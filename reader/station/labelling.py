"""Photos labelled blind: strips without anybody's call, and each call kept in the library as it is made."""

from collections.abc import Mapping
from datetime import timedelta
from functools import partial
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reader.draw.page_picture import png
from reader.library.add import AddOrder, Source, layout_files
from reader.library.consensus import newest
from reader.library.examples import UNSTATED, Example, Grading, plain_tag
from reader.library.filters import Filters
from reader.library.quiz.papers import indicator_is_upstream
from reader.library.store import Library
from reader.library.strips import as_photographed, raise_contrast
from reader.settings.read_settings import load_settings
from reader.station import computing
from reader.station.label_uploads import UploadError, Uploads
from reader.station.pages import by_hand, desk_of, page, see_other, who
from reader.station.readers import Process
from reader.station.seen import had_a_hand, has_seen_calls, plate_of_example
from reader.station.strips import Strip, is_json, said, show_strips
from reader.station.works import Made, Say
from reader.words import Call, MarkKey, MarkName
from reader.words.names import folded

SOURCE: Final = "labelled at the station"
LOOKED_AT: Final = 100
"""Examples, the newest that somebody labelled, among which those left unfinished are found."""


def overview(request: Request) -> Response:
    """How many photos wait to be labelled, those left unfinished, and a new photo."""
    _, person = who(request, "trainer")
    desk = desk_of(request)
    with Library.open(desk.library_folder(), must_exist=True, read_only=True) as library:
        waiting = library.count(_waiting(person.name))
        unfinished = [
            row.id
            for row in library.examples(Filters(graded_by=person.name), limit=LOOKED_AT)
            if len(_calls(library, row.id, person.name)) < len(library.marks(row.id))
        ]
        lights = sorted({light for _, light, _, _ in library.class_counts()} - {UNSTATED})
    return page(request, "labels.html", waiting=waiting, unfinished=unfinished, lights=lights)


def next_photo(request: Request) -> Response:
    """Go to the next photo that somebody has not labelled, the oldest first; `after` : one that they left as it is."""
    _, person = who(request, "trainer")
    with Library.open(desk_of(request).library_folder(), must_exist=True, read_only=True) as library:
        after = library.row(request.query_params["after"]).seq if "after" in request.query_params else 0
        first = None
        for row in library.examples(_waiting(person.name), oldest_first=True):
            first = first or row.id
            if row.seq > after:
                return see_other(request, f"/teaching/labels/{row.id}")
    return see_other(request, f"/teaching/labels/{first}" if first else "/teaching/labels")


def begin_photo(request: Request) -> Response:
    """Go to the first window of a photo that lacks a call."""
    _, person = who(request, "trainer")
    id = request.path_params["example"]
    with Library.open(desk_of(request).library_folder(), must_exist=True, read_only=True) as library:
        windows = library.example(id).verdict.windows
        calls = _calls(library, id, person.name)
    for place, window in enumerate(windows):
        if not all((window.id, mark) in calls for mark in ("indicator", "reference")):
            return see_other(request, f"/teaching/labels/{id}/{place}")
    return see_other(request, f"/teaching/labels/{id}/done")


def show_window(request: Request) -> Response:
    """One window, to be called."""
    _, person = who(request, "trainer")
    id, place = request.path_params["example"], request.path_params["place"]
    with Library.open(desk_of(request).library_folder(), must_exist=True, read_only=True) as library:
        example = library.example(id)
        _check_place(request, place, example)
        strips = _strips(library, example, _calls(library, id, person.name), raised=place)
    return page(
        request,
        "strips.html",
        title=desk_of(request).texts("labels.photo", id=id),
        what=None,
        left=None,
        on=_on(id, place, len(strips)),
        back=f"/teaching/labels/{id}/{place - 1}" if place else "/teaching/labels",
        **show_strips(strips, place),
    )


def done_photo(request: Request) -> Response:
    """All windows of a photo side by side, with one's own calls."""
    _, person = who(request, "trainer")
    id = request.path_params["example"]
    with Library.open(desk_of(request).library_folder(), must_exist=True, read_only=True) as library:
        example = library.example(id)
        strips = _strips(library, example, _calls(library, id, person.name))
        waiting = library.count(_waiting(person.name))
    missing = sum(2 - strip.done for strip in strips)
    return page(request, "labelled.html", id=id, strips=strips, missing=missing, waiting=waiting)


async def give_call(request: Request) -> Response:
    """Keep one call, and say where to go on."""
    person = by_hand(request, "trainer")
    id, place = request.path_params["example"], request.path_params["place"]
    mark, call = await said(request)
    to = await run_in_threadpool(_keep, request, person.name, id, place, mark, call)
    if is_json(request):
        return JSONResponse({"given": call, "to": to and request.scope.get("root_path", "") + to})
    return see_other(request, to or f"/teaching/labels/{id}/{place}")


def _waiting(name: str) -> Filters:
    """Photos that somebody can label and has not."""
    return Filters(not_graded_by=name, has_strips=True)


def _keep(request: Request, name: str, id: str, place: int, mark: MarkName, call: Call) -> str | None:
    """Add a grading of one mark; the page to go on to once the window is called for the first time."""
    desk = desk_of(request)
    with desk.writing, Library.open(desk.library_folder(), must_exist=True) as library:
        example = library.example(id)
        _check_place(request, place, example)
        window = example.verdict.windows[place].id
        before = _calls(library, id, name)
        if before.get((window, mark)) != call:
            library.add_gradings(id, [_grading(request, library, name, example, {(window, mark): call})])
    other: MarkName = "reference" if mark == "indicator" else "indicator"
    first_time = (window, mark) not in before and (window, other) in before
    return _on(id, place, len(example.verdict.windows)) if first_time else None


def _grading(
    request: Request, library: Library, name: str, example: Example, calls: Mapping[MarkKey, Call]
) -> Grading:
    """A grading of today: blind where nothing says that this person was shown others' calls."""
    desk = desk_of(request)
    own = [one for one in library.gradings(example.id) if folded(one.grader) == folded(name)]
    at = desk.now().replace(microsecond=0)
    if own:  # times are kept to the second, and of two calls on a mark the later one counts
        at = max(at, max(one.at for one in own) + timedelta(seconds=1))
    plate = plate_of_example(desk, library, example)
    shown = had_a_hand(name, plate) or has_seen_calls(desk, name, plate)
    return Grading(
        example=example.id,
        grader=next((one for one in library.graders() if folded(one) == folded(name)), name),
        role="expert",
        at=at,
        calls=dict(calls),
        blind=True if not shown and all(one.blind for one in own) else None,
        source=SOURCE,
    )


def _calls(library: Library, id: str, name: str) -> dict[MarkKey, Call]:
    """Somebody's own calls on an example, the newest of each mark."""
    person = folded(name)
    return {
        mark: by_person[person].calls[mark]
        for mark, by_person in newest(library.gradings(id)).items()
        if person in by_person
    }


def _strips(
    library: Library, example: Example, calls: Mapping[MarkKey, Call], raised: int | None = None
) -> list[Strip]:
    """An example's windows; raised : the place of the one that is shown with its contrast raised, too."""
    seen = library.pictures.strips(example)
    return [
        Strip(
            path=f"/teaching/labels/{example.id}/{place}",
            window=window.id,
            picture=png(as_photographed(seen[window.id])),
            lower="indicator" if indicator_is_upstream(window) else "reference",
            calls={mark: call for (of, mark), call in calls.items() if of == window.id},
            raised=png(raise_contrast(window, seen[window.id])) if place == raised else None,
        )
        for place, window in enumerate(example.verdict.windows)
    ]


def _check_place(request: Request, place: int, example: Example) -> None:
    if place >= len(example.verdict.windows):
        raise HTTPException(404, desk_of(request).texts("strips.no_window"))


def _on(id: str, place: int, n: int) -> str:
    return f"/teaching/labels/{id}/{place + 1}" if place + 1 < n else f"/teaching/labels/{id}/done"


# --- a new photo ------------------------------------------------------------------------------------------------


async def begin_upload(request: Request) -> Response:
    """Make room for a photo; what its pieces are put under."""
    who(request, "trainer")
    try:
        asked = await request.json()
        id = Uploads(desk_of(request).folder).begin(str(asked["name"]), int(asked["size"]))
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        raise HTTPException(400, desk_of(request).texts("photo.no_photo")) from None
    except UploadError as error:
        raise HTTPException(413, desk_of(request).texts(str(error))) from None
    return JSONResponse({"id": id})


async def take_piece(request: Request) -> Response:
    """Keep the next piece of a photo; where the one after it begins."""
    who(request, "trainer")
    try:
        at = int(request.query_params["at"])
        data = await request.body()
        upload = Uploads(desk_of(request).folder)
        return JSONResponse(
            {"next": await run_in_threadpool(upload.put, request.path_params["id"], at, data)}
        )
    except (ValueError, KeyError):
        raise HTTPException(400, desk_of(request).texts("photo.no_photo")) from None
    except UploadError as error:
        raise HTTPException(409, desk_of(request).texts(str(error))) from None


async def add_photo(request: Request) -> Response:
    """Read a photo that was sent, and make it an example."""
    _, person = who(request, "trainer")
    desk, form = desk_of(request), await request.form()
    uploads, id = Uploads(desk.folder), request.path_params["id"]
    try:
        path = uploads.whole(id)
        light = plain_tag(str(form["light"])) if form.get("light") else UNSTATED
    except UploadError as error:
        raise HTTPException(409, desk.texts(str(error))) from None
    except ValueError as error:
        raise HTTPException(400, desk.texts("photo.no_light", why=str(error))) from None

    settings = load_settings()

    def do(say: Say, _: Process) -> Made:
        say("work.reading")
        try:
            order = AddOrder(
                settings=settings, layout_files=layout_files(settings, "auto"), at=desk.now(), light=light
            )
            source = Source(path=path, origin="photo, added at the station")
            add = partial(computing.add_photo, desk.library_folder(), source, order)
            example = desk.readers.wait_for(("example", id), add)
        finally:
            uploads.remove(id)
        return Made(to=f"/teaching/labels/{example}")

    work = desk.works.begin(
        "work.photo", do, by=person.name, now=desk.now(), broken=desk.texts("work.broken")
    )
    return see_other(request, f"/teaching/works/{work}")


ROUTES: Final[tuple[Any, ...]] = (
    Route("/teaching/labels", overview),
    Route("/teaching/labels/next", next_photo),
    Route("/teaching/labels/{example}", begin_photo),
    Route("/teaching/labels/{example}/done", done_photo),
    Route("/teaching/labels/{example}/{place:int}", show_window),
    Route("/teaching/labels/{example}/{place:int}", give_call, methods=["POST"]),
    Route("/teaching/photos", begin_upload, methods=["POST"]),
    Route("/teaching/photos/{id}", take_piece, methods=["PUT"]),
    Route("/teaching/photos/{id}", add_photo, methods=["POST"]),
)
