"""The reviewer's sheet: one page, complete in itself, on which a faint line can be judged.

For every window in question: the strip, as photographed and with its contrast raised; its marks beside a ladder of
lines of known height drawn into the window's own noise; the profile with what was fitted; and what would follow from
each answer. A blind sheet shows all windows and nothing that the tool or an earlier reviewer made of them.
"""

import itertools
import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from typing import Any, Final

from reader.anew.grade_anew import calls_of, graded
from reader.decide.grade import Grade
from reader.draw import ink, strip_view
from reader.draw.annotate import CALL_WORDS, CAUTION, mark_said, plan_plate, settings_words, taken, why_words
from reader.draw.page_picture import png
from reader.draw.profile_chart import ProfileChart
from reader.errors import LinecallError
from reader.logbook import Logbook, Statement
from reader.refusals import FLAGS
from reader.review import ladder, page
from reader.review.record import SiteFiles, find_reading, measured_photos, settings_of
from reader.settings.values import Layout, Rules, Thresholds
from reader.verdict.evidence import Reading, WindowEvidence
from reader.verdict.in_words import pivotal_marks
from reader.verdict.model import Mark, PhotoRecord, QualityRecord, Verdict, WindowRecord
from reader.words import CALLS_OF, GRADES, Call, MarkName, listed, tidy
from reader.words.sayings import Items, OneOf, Parts, Said, Sayings

MARKS: Final[tuple[MarkName, ...]] = ("indicator", "reference")
TOGETHER_MAX: Final = 3  # marks in question whose answers are tried together
SAME_HEIGHT: Final = 5e-5  # absorbance; heights further apart do not read the same with four decimals

STATED: Final = {
    "tank": "tank",
    "sample_point": "sample point",
    "sample_phase": "sample phase",
    "plate_lot": "plate lot",
    "plate_expiry": "plate expiry",
    "drops_at": "drops at",
    "operator": "operator",
}
BESIDE: Final = ("note", "reading age", "not stated", "none")
"""What else stands beside what was stated."""
SAYS: Final = Sayings(
    "sheet",
    {
        "blind": "All windows are shown, whichever of them somebody asked about.",
        "every": "All windows are shown, also those that are not in question.",
        "nothing": "No mark of this plate is in question; all windows are shown.",
        "others": "The {n} other windows are not in question.",
        "other": "The other window is not in question.",
        "left_out": "Blind: left out are the tool's calls, grade, limits, fits and warnings, what would follow from "
        "each answer, the technician's note, and all that earlier reviewers said.",
        "anew": "Pictures and curves were measured anew from the stored photo: heights differ by up to "
        "{apart:.4f} from those of the verdict, which was made by linecall {version}.",
        "mark": "{mark} {call}",
        "decision": "{by}, {at}: {call}.",
        "decision_blind": "{by}, {at}, blind: {call}.",
        "if": "if {call}",
        "grade": "{grade}",
        "undecided": "undecided: {grades}",
        "still": "still undecided: {grades}",
        "as_now": "{grade}, as now",
        "instead": "{grade} instead of {grade_now}",
        "ways": "{ways}",
        "absent": "{marks}",
        "no_mark": "none",
        "reference_of": "reference of {window}",
        "photographed": "as photographed",
        "photo": "photo",
        "contrast": "contrast \u00d7 {n}",
        "times": "\u00d7 {n}",
        "dye_only": "{dye} dye only, \u00d7 {n}",
        "dye": "dye only",
        "lightness_only": "lightness only, \u00d7 {n}",
        "lightness": "lightness",
        "no_colour": "this file has no colour below {least:.3f} ({contrast:.1%}): see lightness",
        "strip": "window {window}, {look}",
        "tile": "{what}, {look}",
        "row": "{look}; {note}",
        "indicator": "indicator",
        "reference": "reference",
        "no_line": "no line",
        "none": "none",
        "no_ladder": "No stretch of this window is blank enough to draw a ladder into.",
        "curves_blind": "absorbance along the flow, as measured",
        "curves": "absorbance along the flow, as measured, and heights over the baseline with the fit and the limits",
        "sharpness": "sharpness",
        "sharpness_is": "{value:.1f} px per mm",
        "blur": "blur",
        "blur_is": "{value:.2f} mm (1 sigma)",
        "noise": "noise",
        "noise_is": "a blank's height varies by {value:.4f} (1 sigma)",
        "blown_out": "blown out",
        "blown_out_is": "{value:.1%} of the membranes",
        "hidden": "hidden",
        "hidden_is": "{value:.1%} of the membranes",
        "file": "file",
        "lossless": "nothing lost in compression",
        "jpeg": "{kept}",
        "quality": "JPEG quality {n}",
        "colour": "colour kept {sampling}",
        "lossy": "compressed with losses",
        "camera": "camera",
        "tilted": "tilted by {value:.0f} degrees",
    },
)
"""What a sheet says around its pictures."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Case:
    """A reading as a reviewer gets it.

    first, current : the verdict at the time of the reading, and as it stands now. photos : each of its photos that
    counts, in order, as measured today. layout, rules, thresholds : those of the verdict.
    """

    reading: str
    first: Verdict
    current: Verdict
    photos: tuple[Reading, ...]
    layout: Layout
    rules: Rules
    thresholds: Thresholds
    statement: Statement | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Consequence:
    """What an answer leads to: the grade, in words, and the rule that decides it."""

    call: Call
    said: Said
    because: str


def open_case(logbook: Logbook, reading_id: str, files: SiteFiles | None = None) -> Case:
    """Take a reading out of the logbook, and measure its photos anew.

    Raises LinecallError if the logbook has no such reading, its photo was refused, a photo or the settings that it
    was made by are missing or altered, or this version of linecall refuses what another one has read.
    """
    stored = find_reading(logbook, reading_id)
    first = stored.base
    if first.status == "refused":
        raise LinecallError(
            f"reading {stored.id}: its photo was refused ({first.reason}), so there is no mark to judge"
        )
    settings = settings_of(logbook, first, files or SiteFiles())
    photos = tuple(
        photo for photo in measured_photos(logbook, stored, settings) if photo.verdict.status == "read"
    )
    if not photos:
        raise LinecallError(
            f"reading {stored.id}: linecall {first.software.version} has read its photo, but this one, "
            f"{version('linecall')}, refuses it; make the sheet with that version"
        )
    return Case(
        reading=stored.id,
        first=first,
        current=stored.current,
        photos=photos,
        layout=settings.layouts[0],
        rules=settings.rules,
        thresholds=settings.thresholds,
        statement=stored.statement,
    )


def sheet(case: Case, *, blind: bool = False, every_window: bool = False) -> bytes:
    """HTML of a reading's sheet, UTF-8.

    blind : leave out the tool's calls, grade, limits and fits, and all earlier reviewers'; all windows are shown, so
    that not even the choice of windows tells. every_window : show those too that are not in question.
    """
    return page.render(**content_of(case, blind=blind, every_window=every_window))


def content_of(case: Case, *, blind: bool, every_window: bool = False) -> dict[str, Any]:
    """What `sheet` shows, for the templates in `page.TEMPLATES`."""
    asked = in_question(case)
    shown = [
        window
        for window in case.current.windows
        if blind or every_window or not asked or any((window.id, mark) in asked for mark in MARKS)
    ]
    return {
        "blind": blind,
        "reading": case.reading,
        "grade": None if blind else _grade(case.current),
        "shown_because": _shown_because(
            len(shown), case, blind=blind, every_window=every_window, asked=bool(asked)
        ),
        "contrast": strip_view.CONTRAST,
        "blur_mm": (strip_view.BLUR_MM[0], ladder.LINE_BLUR_MM[0]),
        "outcomes": () if blind else outcomes(case),
        "windows": [_window(case, window, asked, blind=blind) for window in shown],
        "plates": [_plate(case, photo, blind=blind) for photo in case.photos],
        "assay": CALL_WORDS[case.layout.assay.format],
        "stated": _stated(case, blind=blind),
        "measured": _measured(case),
        "notes": _notes(case, blind=blind),
        "provenance": _provenance(case),
        "caution": CAUTION,
        "command": f"linecall review decide {shlex.quote(case.reading)}",
    }


def in_question(case: Case) -> frozenset[tuple[str, MarkName]]:
    """Marks that somebody must look at: doubtful when first read or now, or decided by a reviewer since."""
    doubtful = {
        (window.id, name)
        for verdict in (case.first, case.current)
        for window in verdict.windows
        for name in MARKS
        if _mark(window, name).call == "doubtful"
    }
    review = case.current.review
    open_ones = {(one.window, one.mark) for one in review.open} if review is not None else set()
    decided = {
        (window.id, name)
        for window in case.current.windows
        for name in MARKS
        if _mark(window, name).first_call is not None
    }
    return frozenset(doubtful | open_ones | decided)


def consequences(case: Case, window: str, mark: MarkName) -> tuple[Consequence, ...]:
    """What would follow from each answer on one mark, all other calls staying as they are."""
    now = _grade_answers(case, {})
    answers = (call for call in _answers(case, mark) if call != "doubtful")
    found = ((call, _grade_answers(case, {(window, mark): call})) for call in answers)
    return tuple(
        Consequence(call=call, said=_change(now, then), because=_because(then)) for call, then in found
    )


def outcomes(case: Case) -> tuple[tuple[Said, Said], ...]:
    """Grades, mildest first, and which of the pivotal marks are absent then; `;` parts the ways to a grade.

    Empty where there is one such mark, for `consequences` says it, or more than TOGETHER_MAX.
    """
    together = [(pivot.window, pivot.mark) for pivot in case.current.pivotal]
    if not 1 < len(together) <= TOGETHER_MAX:
        return ()
    found: dict[tuple[str, ...], list[Said]] = {}
    either: tuple[Call, ...] = ("present", "absent")
    for answers in itertools.product(either, repeat=len(together)):
        then = _grade_answers(case, dict(zip(together, answers, strict=True)))
        absent = tuple(_named(mark) for mark, call in zip(together, answers, strict=True) if call == "absent")
        ways = found.setdefault(tuple(then.possible_grades), [])
        ways.append(SAYS("absent", marks=absent) if absent else SAYS("no_mark"))
    ranked = sorted(found.items(), key=lambda item: [GRADES.index(grade) for grade in item[0]])
    return tuple(
        (SAYS("grade", grade=OneOf(grades)), SAYS("ways", ways=Parts(ways))) for grades, ways in ranked
    )


def _named(mark: tuple[str, MarkName]) -> Said | str:
    window, name = mark
    return window if name == "indicator" else SAYS("reference_of", window=window)


def _grade_answers(case: Case, answers: dict[tuple[str, MarkName], Call]) -> Grade:
    calls = calls_of(case.current) | answers
    return graded(case.current, calls, case.layout, case.rules)


def _change(now: Grade, then: Grade) -> Said:
    """The grade that an answer leads to, against that of now."""
    if then.grade == "undecided":
        grades = OneOf(then.possible_grades)
        return SAYS("still" if now.grade == "undecided" else "undecided", grades=grades)
    if now.grade == then.grade:
        return SAYS("as_now", grade=then.grade)
    if now.grade == "undecided":
        return SAYS("grade", grade=then.grade)
    return SAYS("instead", grade=then.grade, grade_now=now.grade)


def _because(grade: Grade) -> str:
    """The rule that decides; nothing while several may."""
    return "" if grade.grade == "undecided" else grade.rule


def _mark(window: WindowRecord, name: MarkName) -> Mark:
    return window.indicator if name == "indicator" else window.reference


def _grade(verdict: Verdict) -> dict[str, object]:
    """The grade as it stands, and what it turns on."""
    assert verdict.grade is not None, "a verdict that was read has one"
    return {
        "name": verdict.grade,
        "colour": ink.GRADE_COLOURS[verdict.grade],
        "sign": page.sign_png(verdict.grade, ink.GRADE_COLOURS[verdict.grade]),
        "possible": listed(verdict.possible_grades, "or") if verdict.grade == "undecided" else "",
        "rule": verdict.rule,
        "turns_on": pivotal_marks(verdict),
        "warnings": verdict.warnings,
    }


def _shown_because(shown: int, case: Case, *, blind: bool, every_window: bool, asked: bool) -> Said | str:
    """Why these windows are on the sheet."""
    if blind:
        return SAYS("blind")
    if every_window:
        return SAYS("every")
    if not asked:
        return SAYS("nothing")
    rest = len(case.current.windows) - shown
    return SAYS("others", n=rest) if rest > 1 else SAYS("other") if rest else ""


def _window(
    case: Case, window: WindowRecord, asked: frozenset[tuple[str, MarkName]], *, blind: bool
) -> dict[str, object]:
    """One window: its looks in every photo, then its marks with what is known and what would follow."""
    named = [name for name in MARKS if (window.id, name) in asked]
    photos = case.photos if blind or named else _clearest(case.photos, window.id)
    return {
        "id": window.id,
        "analyte": window.analyte,
        "tier": window.tier,
        "asked": [] if blind else named,
        "named": len(case.photos) > 1,
        "looks": [_look(case, photo, window.id, blind=blind) for photo in photos],
        "answers": [
            {"mark": name, "calls": _answers(case, name)} for name in (MARKS if blind else named or MARKS[:1])
        ],
        "marks": [] if blind else [_mark_block(case, window, name, asked) for name in MARKS],
    }


def _clearest(photos: tuple[Reading, ...], window_id: str) -> tuple[Reading, ...]:
    """Of several photos the one whose indicator has the least error: enough for a window that nobody asks about."""

    def error(photo: Reading) -> float:
        (window,) = (window for window in photo.verdict.windows if window.id == window_id)
        found = window.indicator.standard_error
        return float("inf") if found is None else found

    return (min(photos, key=error),) if photos else ()


def _answers(case: Case, mark: MarkName) -> tuple[Call, ...]:
    """Calls that a reviewer may give a mark of this layout."""
    dyed = case.layout.marks.reference.undeveloped_colour is not None
    return tuple(call for call in CALLS_OF[mark] if call != "undeveloped" or dyed)


def _mark_block(
    case: Case, window: WindowRecord, name: MarkName, asked: frozenset[tuple[str, MarkName]]
) -> dict[str, object]:
    """What the tool and earlier reviewers made of a mark; what would follow, where it is in question."""
    mark = _mark(window, name)
    pivotal = any((pivot.window, pivot.mark) == (window.id, name) for pivot in case.current.pivotal)
    follows: tuple[Consequence, ...] = ()
    if (window.id, name) in asked:
        follows = consequences(case, window.id, name)
    elif not asked and name == "indicator":  # what another answer than the call would change
        follows = tuple(one for one in consequences(case, window.id, name) if one.call != mark.call)
    return {
        "name": name,
        "call": SAYS("mark", mark=name, call=mark.call),
        "bar": page.call_png(mark.call),
        "said": mark_said(case.current, window, name, pivotal=pivotal),
        "why": why_words(mark),
        "follows": [
            {"when": SAYS("if", call=one.call), "said": one.said, "because": one.because} for one in follows
        ],
        "decisions": [
            {
                "said": SAYS(
                    "decision_blind" if made.blind else "decision",
                    by=tidy(made.by),
                    at=_moment(made.at),
                    call=made.call,
                ),
                "reason": made.reason,
            }
            for made in mark.decisions
        ],
        "open": [
            one.sentence
            for one in (() if case.current.review is None else case.current.review.open)
            if (one.window, one.mark) == (window.id, name)
        ],
    }


def _look(case: Case, photo: Reading, window_id: str, *, blind: bool) -> dict[str, object]:
    """One window in one photo: pictures, ladder, profile."""
    window, found = next(pair for pair in _measured_windows(photo) if pair[0].id == window_id)
    assert photo.evidence is not None
    assert photo.evidence.photo is not None
    from_height = ladder.coloured_from(photo.evidence, case.layout.marks.indicator.colour)
    built = ladder.build(window, found, case.layout, from_height)
    n = strip_view.CONTRAST
    views = (
        (SAYS("photographed"), SAYS("photo"), "natural"),
        (SAYS("contrast", n=n), SAYS("times", n=n), "stretched"),
        (SAYS("dye_only", dye=built.dye, n=n), SAYS("dye"), "dye"),
        (SAYS("lightness_only", n=n), SAYS("lightness"), "lightness"),
    )
    third = views[2] if built.coloured_from <= case.thresholds.faintest_line else views[3]
    return {
        "photo": photo.verdict.photo.name,
        "strip_mm": built.strip_mm,
        "tile_mm": built.mm,
        "line_mm": case.layout.marks.indicator.width,
        "strips": [
            {
                "label": short,
                "name": SAYS("strip", window=tidy(window_id), look=name),
                "picture": png(getattr(built.strip, view)),
            }
            for name, short, view in (*views[:2], third)
        ],
        "profile": ProfileChart(window, found, ticks=ladder.RUNGS, blind=blind).svg(),
        "curves": SAYS("curves_blind" if blind else "curves"),
        "heads": [
            {"above": SAYS("indicator"), "below": "\u00a0"},
            {"above": "\u00a0", "below": SAYS("reference")},
            *(
                {"above": f"{height:g}", "below": f"{ladder.contrast(height):.1%}"}
                if height
                else {"above": SAYS("none"), "below": "\u00a0"}
                for height in built.heights
            ),
        ],
        "rows": [
            {
                "said": _row_said(built, name, is_dye=view == "dye"),
                "tiles": [
                    {"name": SAYS("tile", what=what, look=name), "picture": png(getattr(tile, view))}
                    for what, tile in _tiles(built)
                ],
            }
            for name, _, view in views
        ],
        "no_ladder": "" if built.rungs else SAYS("no_ladder"),
    }


def _tiles(built: ladder.Ladder) -> Iterator[tuple[Said | str, ladder.Tile]]:
    """The two marks, then the ladder's lines, with what they are."""
    for name in MARKS:
        yield SAYS(name), built.marks[name]
    for height, tile in zip(built.heights, built.rungs, strict=True):
        yield f"{height:g}" if height else SAYS("no_line"), tile


def _row_said(built: ladder.Ladder, look: Said, *, is_dye: bool) -> Said:
    """What a row shows, and from which height on the dye's picture means anything."""
    least = built.coloured_from
    if not is_dye or least <= ladder.RUNGS[1]:
        return look
    return SAYS("row", look=look, note=SAYS("no_colour", least=least, contrast=ladder.contrast(least)))


def _measured_windows(photo: Reading) -> Iterator[tuple[WindowRecord, WindowEvidence]]:
    windows = () if photo.evidence is None else photo.evidence.windows
    return zip(photo.verdict.windows, windows, strict=True)


def _plate(case: Case, photo: Reading, *, blind: bool) -> dict[str, object]:
    """The plate in one photo, with the calls as they stand now."""
    assert photo.evidence is not None
    drawn = plan_plate(called_now(case, photo), photo.evidence, calls=not blind)
    return {"picture": page.plate_jpeg(photo.evidence, drawn), "name": photo.verdict.photo.name}


def called_now(case: Case, photo: Reading) -> Verdict:
    """The verdict of one of a reading's photos, with the reading's calls as they stand now."""
    now = {window.id: window for window in case.current.windows}
    windows = tuple(
        window.model_copy(
            update={
                name: _mark(window, name).model_copy(update={"call": _mark(now[window.id], name).call})
                for name in MARKS
            }
        )
        for window in photo.verdict.windows
    )
    return photo.verdict.model_copy(update={"windows": windows})


# -- beside the pictures ----------------------------------------------------------------------------------


def _stated(case: Case, *, blind: bool) -> list[tuple[str, str]]:
    """What the technician stated, and the reading age. A note may say what they saw: not for a blind reader."""
    note, reading_age, unstated, none = BESIDE
    rows = []
    if case.statement is not None:
        for field, label in STATED.items():
            value = getattr(case.statement, field)
            said = _moment(value) if isinstance(value, datetime) else value
            rows.append((label, said or unstated))
        if not blind:
            rows.append((note, case.statement.note or none))
    age = case.current.reading_age
    return [*rows, (reading_age, "" if age is None else age.sentence)]


def _moment(moment: datetime) -> str:
    return moment.isoformat(sep=" ", timespec="minutes")


def _measured(case: Case) -> list[dict[str, object]]:
    """Each photo's quality figures."""
    return [
        {
            "photo": photo.verdict.photo.name,
            "rows": [
                *_quality(photo.verdict.quality or QualityRecord()),
                *_file(photo.verdict.photo),
                *_view(photo.verdict),
            ],
            "flags": [FLAGS.get(flag, flag) for flag in photo.verdict.photo.flags],
        }
        for photo in case.photos
    ]


def _quality(quality: QualityRecord) -> Iterable[tuple[Said, Said]]:
    figures = (
        ("sharpness", quality.px_per_mm),
        ("blur", quality.blur_mm),
        ("noise", quality.noise),
        ("blown_out", quality.clipped_fraction),
        ("hidden", quality.hidden_fraction),
    )
    return [(SAYS(code), SAYS(f"{code}_is", value=value)) for code, value in figures if value is not None]


def _file(photo: PhotoRecord) -> Iterable[tuple[Said, Said]]:
    if photo.lossy is False:
        return [(SAYS("file"), SAYS("lossless"))]
    kept = []
    if photo.jpeg_quality is not None:
        kept.append(SAYS("quality", n=photo.jpeg_quality))
    if photo.chroma_subsampling is not None:
        kept.append(SAYS("colour", sampling=photo.chroma_subsampling))
    return [(SAYS("file"), SAYS("jpeg", kept=Items(kept)) if kept else SAYS("lossy"))]


def _view(verdict: Verdict) -> Iterable[tuple[Said, Said]]:
    tilt = None if verdict.pose is None else verdict.pose.tilt_deg
    return [] if tilt is None else [(SAYS("camera"), SAYS("tilted", value=tilt))]


def _notes(case: Case, *, blind: bool) -> list[Said]:
    """What a reader must know of the sheet itself."""
    if blind:
        return [SAYS("left_out")]
    apart = _apart(case)
    return [SAYS("anew", apart=apart, version=case.first.software.version)] if apart > SAME_HEIGHT else []


def _apart(case: Case) -> float:
    """By how much heights measured today differ from the first verdict's; 0 where several photos were combined."""
    if len(case.photos) != 1:
        return 0.0
    (photo,) = case.photos
    pairs = zip(case.first.windows, photo.verdict.windows, strict=True)
    heights = ((_mark(a, name).height, _mark(b, name).height) for a, b in pairs for name in MARKS)
    return max((abs(a - b) for a, b in heights if a is not None and b is not None), default=0.0)


def _provenance(case: Case) -> list[str]:
    photos = [
        f"photo {photo.verdict.photo.name}, {taken(photo.verdict)}; sha256 {photo.verdict.photo.sha256}"
        for photo in case.photos
    ]
    return [*photos, ", ".join(settings_words(case.first))]
