"""The trainer's desk: what the library has and lacks, reports on it, and the control chart."""

from datetime import datetime
from functools import partial
from typing import Any, Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from reader.library.add import layout_files
from reader.library.control.chart import control_page
from reader.library.control.check import CheckOrder
from reader.library.control.store import Anew
from reader.library.control.strip import height_words, moment_words, state_said
from reader.library.coverage import CLASSES, coverage
from reader.library.filters import EVERYTHING, Filters
from reader.library.report import Origin
from reader.library.store import Library
from reader.settings.read_settings import load_settings
from reader.station import computing
from reader.station.desk import Desk
from reader.station.examining import ROUTES as EXAMINING
from reader.station.exams import Exams
from reader.station.label_uploads import UploadError, Uploads
from reader.station.labelling import ROUTES as LABELLING
from reader.station.pages import desk_of, own_page, page, see_other, who
from reader.station.readers import Process
from reader.station.said import say
from reader.station.works import Made, Say
from reader.words import GRADES
from reader.words.names import checked_name

REPORTS: Final = ("agreement", "validation")
STRIP: Final = "control"  # what a chart is called where nobody says
POINTS: Final = 10  # of a chart that are listed, the newest


def overview(request: Request) -> Response:
    """What a trainer can do; where there is no library, how to begin one."""
    who(request, "trainer")
    desk = desk_of(request)
    if not desk.has_library():
        return page(request, "no-library.html", folder=desk.library_folder(), named=desk.library is not None)
    with Library.open(desk.library_folder(), read_only=True) as library:
        examples = library.count(EVERYTHING)
    return page(request, "teaching.html", examples=examples)


def begin_library(request: Request) -> Response:
    """Begin a library where the page said."""
    who(request, "trainer")
    desk = desk_of(request)
    Library.open(desk.library_folder()).close()
    return see_other(request, "/teaching")


def show_coverage(request: Request) -> Response:
    """What there is of each kind of mark, what is thin, and the photos worth taking next."""
    who(request, "trainer")
    with _library(desk_of(request)) as library:
        found = coverage(library)
    kinds: dict[tuple[str, str], dict[str, dict[str, Any]]] = {}
    for cell in found.cells:
        rows = kinds.setdefault((cell.layout, cell.light), {})
        rows.setdefault(cell.grade, {})[cell.strength] = cell
    worth_taking = [say(desk_of(request).texts, photo.said) for photo in found.next_photos]
    return page(
        request,
        "coverage.html",
        found=found,
        worth_taking=worth_taking,
        kinds=kinds,
        classes=CLASSES,
        grades=GRADES,
    )


# --- reports ----------------------------------------------------------------------------------------------------


def reports(request: Request) -> Response:
    """Reports that were made since the station began, and a new one."""
    who(request, "trainer")
    desk = desk_of(request)
    with _library(desk) as library:
        counts = library.class_counts()
    return page(
        request,
        "reports.html",
        made=[work for work in desk.works.all() if work.made and work.made.page],
        layouts=sorted({layout for layout, *_ in counts}),
        lights=sorted({light for _, light, *_ in counts}),
    )


async def make_report(request: Request) -> Response:
    """Compute a report, in its turn."""
    _, person = who(request, "trainer")
    desk, form = desk_of(request), await request.form()
    kind = form.get("kind")
    if kind not in REPORTS:
        raise HTTPException(400, desk.texts("reports.choose"))
    wanted = Filters(layout=str(form.get("layout") or "") or None, light=str(form.get("light") or "") or None)

    def do(say: Say, process: Process) -> Made:
        say("work.computing")
        compute = computing.agreement if kind == "agreement" else computing.validation
        report = process.do(compute, desk.library_folder(), wanted, desk.now())
        if report.shown:
            with Exams.open(desk.folder) as exams:  # the page lists calls by name
                exams.note_shown(person.name, report.shown)
        return Made(page=report.page, data=report.data)

    work = desk.works.begin(
        f"work.{kind}", do, by=person.name, now=desk.now(), broken=desk.texts("work.broken")
    )
    return see_other(request, f"/teaching/works/{work}")


def show_work(request: Request) -> Response:
    """How far a computation is; once it is done, what it came to."""
    who(request, "trainer")
    desk = desk_of(request)
    work = desk.works.find(request.path_params["id"])
    if work is None:
        raise HTTPException(404, desk.texts("work.none"))
    if work.made is not None:
        return see_other(request, work.made.to or f"/teaching/reports/{work.id}")
    seconds = max(0, int((desk.now() - work.begun_at).total_seconds()))
    return page(request, "work.html", work=work, seconds=seconds)


def show_report(request: Request) -> Response:
    """A report's page, which is complete in itself."""
    return own_page(_made(request).page)


def show_figures(request: Request) -> Response:
    """A report's figures as JSON, to be saved."""
    made = _made(request)
    name = f"report-{request.path_params['id']}.json"
    return Response(
        made.data,
        media_type="application/json",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _made(request: Request) -> Made:
    _, person = who(request, "trainer")
    desk = desk_of(request)
    work = desk.works.find(request.path_params["id"])
    if work is None or work.made is None or not work.made.page:
        raise HTTPException(404, desk.texts("work.none"))
    if (
        work.title == "work.agreement" and work.by != person.name
    ):  # else it would not be known who was shown what
        raise HTTPException(403, desk.texts("reports.own"))
    return work.made


# --- control ----------------------------------------------------------------------------------------------------


def control(request: Request) -> Response:
    """The control strips, how each stands, and a new photo of one."""
    who(request, "trainer")
    texts = desk_of(request).texts
    with _library(desk_of(request)) as library:
        charts = [library.control.chart(strip) for strip in library.control.strips()]
    shown = [
        {
            "strip": chart.strip,
            "state": chart.state_with(()),
            "said": say(texts, state_said(chart.now, chart.state_with(()))),
            "points": [
                (point.id, moment_words(point.taken_at), height_words(point.value), point.set_aside)
                for point in chart.now.points[-POINTS:]
            ],
        }
        for chart in charts
    ]
    return page(request, "control.html", charts=shown, strip=STRIP)


def show_chart(request: Request) -> Response:
    """A strip's chart, as a page complete in itself."""
    who(request, "trainer")
    desk = desk_of(request)
    with _library(desk) as library:
        chart = library.control.chart(request.query_params.get("strip", ""))
        baseline = chart.now.baseline
        origin = Origin(
            library=library.folder.resolve().name,
            made_at=desk.now(),
            settings=(("control", baseline.control), ("layout", baseline.layout)),
        )
    return own_page(control_page(chart, origin))


async def chart_photo(request: Request) -> Response:
    """Read a photo of a control strip that was sent, and add it to the strip's chart."""
    _, person = who(request, "trainer")
    desk, form = desk_of(request), await request.form()
    uploads, id = Uploads(desk.folder), request.path_params["id"]
    strip, note = str(form.get("strip") or STRIP), str(form.get("note") or "") or None
    try:
        path = uploads.whole(id)
        taken_at = datetime.fromisoformat(str(form["at"])).astimezone() if form.get("at") else None
    except UploadError as error:
        raise HTTPException(409, desk.texts(str(error))) from None
    except (ValueError, OverflowError):
        raise HTTPException(400, desk.texts("control.no_time")) from None

    settings = load_settings()

    def do(say: Say, _: Process) -> Made:
        say("work.reading")
        try:
            order = CheckOrder(
                strip=checked_name(strip, "the strip's name"),
                settings=settings,
                layout_files=layout_files(settings, "auto"),
                now=desk.now().replace(microsecond=0),
                taken_at=taken_at,
                by=person.name,
                note=note,
                new=bool(form.get("new")),
            )
            chart = partial(computing.chart_photo, desk.library_folder(), path, order)
            desk.readers.wait_for(("chart", id), chart)
        finally:
            uploads.remove(id)
        return Made(to="/teaching/control")

    work = desk.works.begin(
        "work.control", do, by=person.name, now=desk.now(), broken=desk.texts("work.broken")
    )
    return see_other(request, f"/teaching/works/{work}")


async def change_chart(request: Request) -> Response:
    """Set a point aside, or begin a new baseline, with a reason."""
    _, person = who(request, "trainer")
    desk, form = desk_of(request), await request.form()
    strip, reason = str(form.get("strip") or ""), str(form.get("reason") or "").strip()
    if not reason:
        raise HTTPException(400, desk.texts("control.why"))
    at = desk.now().replace(microsecond=0)
    with Library.open(desk.library_folder(), must_exist=True) as library:
        if form.get("point"):
            library.control.set_aside(strip, str(form["point"]), by=person.name, reason=reason, at=at)
        else:
            library.control.begin_anew(strip, Anew(by=person.name, reason=reason), at=at)
    return see_other(request, "/teaching/control")


def _library(desk: Desk) -> Library:
    """The library, to be looked at."""
    return Library.open(desk.library_folder(), must_exist=True, read_only=True)


ROUTES: Final = (
    Route("/teaching", overview),
    Route("/teaching", begin_library, methods=["POST"]),
    Route("/teaching/coverage", show_coverage),
    Route("/teaching/reports", reports),
    Route("/teaching/reports", make_report, methods=["POST"]),
    Route("/teaching/reports/{id}", show_report),
    Route("/teaching/reports/{id}/figures", show_figures),
    Route("/teaching/works/{id}", show_work),
    Route("/teaching/control", control),
    Route("/teaching/control", change_chart, methods=["POST"]),
    Route("/teaching/control/chart", show_chart),
    Route("/teaching/control/photos/{id}", chart_photo, methods=["POST"]),
    *LABELLING,
    *EXAMINING,
)
