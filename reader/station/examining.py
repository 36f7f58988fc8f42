"""Quizzes at the station: drawn and handed out by a trainer, taken by the invited person alone, marked when handed in.

An invitation is a sign-in link that opens one paper. Nobody else sees the paper, the trainer neither; the key is read
only once the answers are handed in.
"""

import secrets
from typing import Any, Final
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from reader.errors import LinecallError
from reader.library.quiz.feedback import feedback_page, log
from reader.library.quiz.marking import Score, answers_of, load_key, mark
from reader.library.store import Library
from reader.logbook.people import Person, settle
from reader.station import computing
from reader.station.desk import Desk
from reader.station.exams import Asked, Exam, ExamError, Exams
from reader.station.pages import desk_of, own_page, page, see_other, who
from reader.station.readers import Process
from reader.station.strips import Strip, is_json, said, show_strips
from reader.station.works import Made, Say
from reader.words import Call, MarkName
from reader.words.names import folded

PLATES: Final = (6, 10, 20, 30, 50)
MINUTES: Final = (0, 10, 20, 30, 60)  # 0: no limit
MIXES: Final = ("even", "faint")
LOOPBACKS: Final = frozenset({"127.0.0.1", "localhost", "::1"})
SEEDS: Final = 2**31  # nobody foresees which plates are drawn


# --- the trainer's side -----------------------------------------------------------------------------------------


def overview(request: Request) -> Response:
    """Every quiz with its state, and a new one."""
    who(request, "trainer")
    desk = desk_of(request)
    with Exams.open(desk.folder) as exams:
        found = [(exam, exam.state(desk.now())) for exam in exams.all()]
    people = {one.name: one for role in ("trainee", "technician") for one in desk.people_with(role)}
    return page(
        request,
        "quizzes.html",
        exams=found,
        people=sorted(people),
        plates=PLATES,
        minutes=MINUTES,
        mixes=MIXES,
    )


async def draw(request: Request) -> Response:
    """Draw a paper for somebody."""
    _, person = who(request, "trainer")
    desk, form = desk_of(request), await request.form()
    people = {one.name for role in ("trainee", "technician") for one in desk.people_with(role)}
    trainee, mix = str(form.get("trainee", "")), str(form.get("mix", ""))
    plates, minutes = (str(form.get(name, "")) for name in ("plates", "minutes"))
    if (
        trainee not in people
        or mix not in MIXES
        or plates not in map(str, PLATES)
        or minutes not in map(str, MINUTES)
    ):
        raise HTTPException(400, desk.texts("quizzes.choose"))
    with Exams.open(desk.folder) as exams:
        if exams.has_open(trainee):
            raise HTTPException(409, desk.texts("quiz.another_open"))

    def do(say: Say, process: Process) -> Made:
        say("work.drawing_lots")
        paper = process.do(
            computing.draw_paper,
            desk.library_folder(),
            trainee=trainee,
            items=int(plates),
            seed=secrets.randbelow(SEEDS),
            mix=mix,
            minutes=int(minutes) or None,
        )
        say("work.keeping")
        with Exams.open(desk.folder) as exams:
            try:
                exams.add(paper, by=person.name, now=desk.now())
            except ExamError as error:
                raise LinecallError(desk.texts(str(error))) from None
        return Made(to=f"/teaching/quizzes/{paper.key.quiz}")

    work = desk.works.begin("work.quiz", do, by=person.name, now=desk.now(), broken=desk.texts("work.broken"))
    return see_other(request, f"/teaching/works/{work}")


def show_quiz(request: Request) -> Response:
    """How far a quiz is, and what can be done with it; never what it asks."""
    who(request, "trainer")
    desk = desk_of(request)
    exam = _found(desk, request.path_params["id"])
    state = exam.state(desk.now())
    score = _score(desk, exam) if state == "marked" else None
    return page(request, "quiz.html", exam=exam, state=state, score=score, link=None)


async def invite(request: Request) -> Response:
    """Make a one-time link to the paper; those made before open nothing any more."""
    import segno

    _, person = who(request, "trainer")
    desk = desk_of(request)
    exam = _found(desk, request.path_params["id"])
    state = exam.state(desk.now())
    if state not in {"made", "begun"}:
        raise HTTPException(409, desk.texts("quiz.not_open"))
    desk.sign_ins.withdraw(exam.id, by=person.name, now=desk.now())
    secret = desk.sign_ins.make_link(exam.trainee, quiz=exam.id, now=desk.now())
    base = desk.url or str(request.base_url)
    link = f"{base.rstrip('/')}/#{secret}"
    picture = segno.make(link, error="m").svg_data_uri(scale=5, border=4, light="#fff")
    return page(
        request,
        "quiz.html",
        exam=exam,
        state=state,
        score=None,
        link=link,
        picture=picture,
        only_here=urlsplit(base).hostname in LOOPBACKS,
    )


async def withdraw(request: Request) -> Response:
    """Take back a quiz that is not handed in."""
    _, person = who(request, "trainer")
    desk = desk_of(request)
    exam = _found(desk, request.path_params["id"])
    with Exams.open(desk.folder) as exams:
        try:
            exams.withdraw(exam.id, desk.now())
        except ExamError as error:
            raise HTTPException(409, desk.texts(str(error))) from None
    desk.sign_ins.withdraw(exam.id, by=person.name, now=desk.now())
    return see_other(request, "/teaching/quizzes")


async def mark_over(request: Request) -> Response:
    """Mark a quiz whose time is over, or that was handed in and not marked, as it stands."""
    who(request, "trainer")
    desk = desk_of(request)
    exam = _found(desk, request.path_params["id"])
    if exam.state(desk.now()) not in {"over", "handed in"}:
        raise HTTPException(409, desk.texts("quiz.not_over"))
    await run_in_threadpool(_hand_in, desk, exam)
    return see_other(request, f"/teaching/quizzes/{exam.id}")


def show_feedback_to_trainer(request: Request) -> Response:
    """Each error beside the consensus, for the trainer."""
    _, person = who(request, "trainer")
    return _feedback(request, _found(desk_of(request), request.path_params["id"]), person)


# --- the invited person's side ----------------------------------------------------------------------------------


def own_quizzes(request: Request) -> Response:
    """The quizzes of whoever is signed in."""
    sign_in, person = who(request)
    desk = desk_of(request)
    with Exams.open(desk.folder) as exams:
        found = [
            (exam, exam.state(desk.now()))
            for exam in exams.all()
            if not sign_in.shared and folded(exam.trainee) == folded(person.name)
        ]
    return page(request, "quiz-own.html", exams=[one for one in found if one[1] != "withdrawn"])


def enter(request: Request) -> Response:
    """What the quiz asks and what passes it, before it begins; the result, once it is marked."""
    desk, exam, _ = _taker(request)
    state = exam.state(desk.now())
    score = _score(desk, exam) if state == "marked" else None
    return page(request, "quiz-take.html", exam=exam, state=state, score=score)


async def begin(request: Request) -> Response:
    """Let the clock run, and show the first window."""
    desk, exam, _ = _taker(request)
    if exam.state(desk.now()) == "made":
        with Exams.open(desk.folder) as exams:
            exams.begin(exam.id, desk.now())
    return see_other(request, f"/quiz/{exam.id}/on")


def go_on(request: Request) -> Response:
    """Go to the first window that lacks an answer; to the end where none does."""
    desk, exam, _ = _taker(request)
    if exam.state(desk.now()) != "begun":
        return see_other(request, f"/quiz/{exam.id}")
    with Exams.open(desk.folder) as exams:
        asked, answers = exams.asked(exam.id), exams.answers(exam.id)
    return see_other(request, _open_window(exam, asked, answers))


def show_window(request: Request) -> Response:
    """One window, to be answered."""
    desk, exam, _ = _taker(request)
    if exam.state(desk.now()) != "begun":
        return see_other(request, f"/quiz/{exam.id}")
    place = request.path_params["place"]
    with Exams.open(desk.folder) as exams:
        asked, answers = exams.asked(exam.id), exams.answers(exam.id)
        if place >= len(asked):
            raise HTTPException(404, desk.texts("strips.no_window"))
        plate = asked[place].plate
        pictures = exams.pictures(exam.id, plate)
    of_plate = [one for one in asked if one.plate == plate]
    strips = [
        Strip(
            path=f"/quiz/{exam.id}/{one.place}",
            window=one.window,
            picture=pictures[one.place],
            lower=one.lower,
            calls={name: call for (of, name), call in answers.items() if of == one.place},
        )
        for one in of_plate
    ]
    return page(
        request,
        "strips.html",
        title=desk.texts("quiz.plate", n=plate + 1, of=exam.plates),
        what=desk.texts("quiz.answered", answered=len(answers), of=exam.marks),
        left=None if exam.due is None else max(0, int((exam.due - desk.now()).total_seconds())),
        on=_after(exam, asked, place),
        back=f"/quiz/{exam.id}/{place - 1}" if place else f"/quiz/{exam.id}",
        **show_strips(strips, place - of_plate[0].place),
    )


async def give_answer(request: Request) -> Response:
    """Keep one answer, and say where to go on."""
    desk, exam, _ = _taker(request)
    place = request.path_params["place"]
    name, call = await said(request)
    with Exams.open(desk.folder) as exams:
        before = exams.answers(exam.id)
        try:
            exams.give(exam.id, place, name, call, desk.now())
        except ExamError as error:
            raise HTTPException(409, desk.texts(str(error))) from None
        asked = exams.asked(exam.id)
    other: MarkName = "reference" if name == "indicator" else "indicator"
    first_time = (place, name) not in before and (place, other) in before
    to = _after(exam, asked, place) if first_time else None
    if is_json(request):
        answered = len({*before, (place, name)})
        return JSONResponse(
            {
                "given": call,
                "to": to and request.scope.get("root_path", "") + to,
                "what": desk.texts("quiz.answered", answered=answered, of=exam.marks),
            }
        )
    return see_other(request, to or f"/quiz/{exam.id}/{place}")


def end(request: Request) -> Response:
    """What is unanswered, before the answers are handed in."""
    desk, exam, _ = _taker(request)
    if exam.state(desk.now()) != "begun":
        return see_other(request, f"/quiz/{exam.id}")
    with Exams.open(desk.folder) as exams:
        asked, answers = exams.asked(exam.id), exams.answers(exam.id)
    missing = exam.marks - len(answers)
    first = _open_window(exam, asked, answers) if missing else None
    return page(request, "quiz-end.html", exam=exam, missing=missing, first=first)


async def hand_in(request: Request) -> Response:
    """Hand the answers in, have them marked, and show the result."""
    desk, exam, _ = _taker(request)
    if exam.state(desk.now()) in {"begun", "over", "handed in"}:
        await run_in_threadpool(_hand_in, desk, exam)
    return see_other(request, f"/quiz/{exam.id}")


def show_feedback(request: Request) -> Response:
    """Each error beside the consensus."""
    _, exam, person = _taker(request)
    return _feedback(request, exam, person)


# --- what both rest on ------------------------------------------------------------------------------------------


def _taker(request: Request) -> tuple[Desk, Exam, Person]:
    """The quiz of the person who asks; the same answer for one that is another's and one that there is not.

    Raises HTTPException.
    """
    desk, id = desk_of(request), request.path_params["id"]
    sign_in, person = who(request, quiz=id)
    with Exams.open(desk.folder) as exams:
        exam = exams.find(id)
    if exam is None or sign_in.shared or folded(exam.trainee) != folded(person.name):
        raise HTTPException(404, desk.texts("quiz.none"))
    return desk, exam, person


def _found(desk: Desk, id: str) -> Exam:
    with Exams.open(desk.folder) as exams:
        exam = exams.find(id)
    if exam is None:
        raise HTTPException(404, desk.texts("quiz.none"))
    return exam


def _hand_in(desk: Desk, exam: Exam) -> None:
    """Close a quiz, mark it, and log it; each step may be done again where the one after it was cut off."""
    with desk.writing, Exams.open(desk.folder) as exams:
        exams.hand_in(exam.id, desk.now())
        closed = exams.find(exam.id)
        assert closed is not None, "a quiz is never taken away"
        score = _score(desk, closed)
        trainee = settle(desk.logbook, score.key.trainee, role="trainee").name
        log(desk.logbook, score, by=trainee, at=desk.now())
        exams.keep_score(score)


def _score(desk: Desk, exam: Exam) -> Score:
    """Hold the answers against the key; the same answers come to the same score."""
    with Exams.open(desk.folder) as exams:
        asked, answers = exams.asked(exam.id), exams.answers(exam.id)
    places = {one.place: one for one in asked}
    given = {
        (places[place].item, places[place].window, name): call for (place, name), call in answers.items()
    }
    with Library.open(desk.library_folder(), must_exist=True) as library:
        return mark(library, answers_of(load_key(library, exam.id), given, seconds=exam.seconds()))


def _feedback(request: Request, exam: Exam, person: Person) -> Response:
    desk = desk_of(request)
    if exam.state(desk.now()) != "marked":
        raise HTTPException(409, desk.texts("quiz.not_marked"))
    score = _score(desk, exam)
    with Library.open(desk.library_folder(), must_exist=True) as library:
        html, _ = feedback_page(library, score)
    with Exams.open(desk.folder) as exams:
        exams.note_shown(person.name, [wrong.example for wrong in score.wrong])
    return own_page(html)


def _open_window(
    exam: Exam, asked: tuple[Asked, ...] | Any, answers: dict[tuple[int, MarkName], Call]
) -> str:
    """The page of the first window that lacks an answer, else the end."""
    for one in asked:
        if not ((one.place, "indicator") in answers and (one.place, "reference") in answers):
            return f"/quiz/{exam.id}/{one.place}"
    return f"/quiz/{exam.id}/end"


def _after(exam: Exam, asked: Any, place: int) -> str:
    return f"/quiz/{exam.id}/{place + 1}" if place + 1 < len(asked) else f"/quiz/{exam.id}/end"


ROUTES: Final = (
    Route("/teaching/quizzes", overview),
    Route("/teaching/quizzes", draw, methods=["POST"]),
    Route("/teaching/quizzes/{id}", show_quiz),
    Route("/teaching/quizzes/{id}/invite", invite, methods=["POST"]),
    Route("/teaching/quizzes/{id}/withdraw", withdraw, methods=["POST"]),
    Route("/teaching/quizzes/{id}/mark", mark_over, methods=["POST"]),
    Route("/teaching/quizzes/{id}/feedback", show_feedback_to_trainer),
    Route("/quiz", own_quizzes),
    Route("/quiz/{id}", enter),
    Route("/quiz/{id}/begin", begin, methods=["POST"]),
    Route("/quiz/{id}/on", go_on),
    Route("/quiz/{id}/end", end),
    Route("/quiz/{id}/end", hand_in, methods=["POST"]),
    Route("/quiz/{id}/feedback", show_feedback),
    Route("/quiz/{id}/{place:int}", show_window),
    Route("/quiz/{id}/{place:int}", give_answer, methods=["POST"]),
)
