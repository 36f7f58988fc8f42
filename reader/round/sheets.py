"""The day's round and the bottles' labels on paper; lengths are mm from the sheet's top-left corner, y down."""

import io
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from reader.round.due import DayRound, Task
from reader.round.label import Label
from reader.words import counted, tidy

POINTS_PER_MM: Final = 72 / 25.4  # a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
SHEETS_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216, ANSI/ASME Y14.1
FACE, BOLD, MONO = "LinecallSans", "LinecallSansBold", "Courier-Bold"

LABEL_MM: Final = (64.0, 34.0)
CODE_MM: Final = 14.0  # side of the code without its quiet zone; at 10 mm it is still read
QUIET_MODULES: Final = 4  # ISO/IEC 18004, 6.3.8
SCALE_BAR_MM: Final = 50.0

MARGIN_MM: Final = 14.0
ROUND_CAUTION: Final = (
    "Local procedures, fuel-handling safety and licensed practice come first. Follow-ups are those of the site's own "
    "plan. A screening plate does not certify fuel."
)


class _Sheet:
    """A sheet to draw on in mm, y down."""

    def __init__(self, paper: str, title: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        from reader.round.report.pdf import known_letters

        self.width, self.height = SHEETS_MM[paper]
        self._known = known_letters()
        self._file = io.BytesIO()
        size = (self.width * POINTS_PER_MM, self.height * POINTS_PER_MM)
        self.canvas = Canvas(self._file, size, invariant=1, pageCompression=1)
        self.canvas.setTitle(title)
        self.canvas.setCreator("linecall")
        self.canvas.setViewerPreference(
            "PrintScaling", "None"
        )  # or viewers shrink the page to the printer's margins

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size_mm: float,
        *,
        face: str = FACE,
        width: float = 1e3,
        grey: float = 0,
    ) -> None:
        """Write one line with its baseline at y, made smaller where it would be wider than `width`."""
        shown = self.fitting(text)
        own = self.canvas.stringWidth(shown, face, size_mm * POINTS_PER_MM) / POINTS_PER_MM
        self.canvas.setFillGray(grey)
        self.canvas.setFont(face, size_mm * POINTS_PER_MM * min(1, width / max(own, 1e-9)))
        self.canvas.drawString(x * POINTS_PER_MM, (self.height - y) * POINTS_PER_MM, shown)

    def fitting(self, text: str) -> str:
        """What the typeface can show; other letters as their code."""
        return "".join(c if ord(c) in self._known else f"[U+{ord(c):04X}]" for c in tidy(text))

    def wrapped(self, text: str, size_mm: float, width: float, *, face: str = FACE) -> list[str]:
        """The lines of a text."""
        from reportlab.lib.utils import simpleSplit

        return list(simpleSplit(self.fitting(text), face, size_mm * POINTS_PER_MM, width * POINTS_PER_MM))

    def box(
        self, x: float, y: float, width: float, height: float, *, line: float = 0.25, grey: float = 0
    ) -> None:
        """Draw an outline."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(line * POINTS_PER_MM)
        self.canvas.rect(
            x * POINTS_PER_MM,
            (self.height - y - height) * POINTS_PER_MM,
            width * POINTS_PER_MM,
            height * POINTS_PER_MM,
        )

    def rule(
        self, x0: float, y0: float, x1: float, y1: float, *, line: float = 0.2, grey: float = 0.6
    ) -> None:
        """Draw a line."""
        self.canvas.setStrokeGray(grey)
        self.canvas.setLineWidth(line * POINTS_PER_MM)
        scale, height = POINTS_PER_MM, self.height
        self.canvas.line(x0 * scale, (height - y0) * scale, x1 * scale, (height - y1) * scale)

    def code(self, x: float, y: float, side: float, said: str) -> None:
        """Draw a QR code as one path, so that no hairline shows between two modules; x, y : of its first module."""
        rows = code_modules(said)
        module = side / len(rows)
        path = self.canvas.beginPath()
        for row, modules in enumerate(rows):
            for column, is_dark in enumerate(modules):
                if is_dark:
                    path.rect(
                        (x + column * module) * POINTS_PER_MM,
                        (self.height - y - (row + 1) * module) * POINTS_PER_MM,
                        module * POINTS_PER_MM,
                        module * POINTS_PER_MM,
                    )
        self.canvas.setFillGray(0)
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=1)

    def next(self) -> None:
        """Begin another sheet."""
        self.canvas.showPage()

    def bytes(self) -> bytes:
        """The PDF."""
        self.canvas.showPage()
        self.canvas.save()
        return self._file.getvalue()


def code_modules(said: str) -> list[list[bool]]:
    """Modules of the smallest QR code for a text, dark or not, without quiet zone (ISO/IEC 18004)."""
    import segno

    made = segno.make(said, micro=False, error="l", boost_error=True)
    return [[bool(module) for module in row] for row in made.matrix]


# --- labels ---------------------------------------------------------------------------------------------------


def label_sheet(labels: Sequence[Label], *, paper: str = "a4") -> bytes:
    """Labels at true scale with lines to cut by, as many sheets as it takes; the same bytes for the same labels."""
    sheet = _Sheet(paper, "Bottle labels")
    places = list(_label_places(sheet))
    for number, label in enumerate(labels):
        if number and number % len(places) == 0:
            sheet.next()
        if number % len(places) == 0:
            _draw_scale(sheet)
        _draw_label(sheet, *places[number % len(places)], label)
    return sheet.bytes()


def _label_places(sheet: _Sheet) -> Iterator[tuple[float, float]]:
    width, height = LABEL_MM
    columns, rows = int((sheet.width - 10) // width), int((sheet.height - 22) // height)
    left = (sheet.width - columns * width) / 2
    for row in range(rows):
        for column in range(columns):
            yield left + column * width, 8 + row * height


def _draw_scale(sheet: _Sheet) -> None:
    y = sheet.height - 7
    x = (sheet.width - SCALE_BAR_MM) / 2
    sheet.rule(x, y, x + SCALE_BAR_MM, y, line=0.3, grey=0)
    for end in (x, x + SCALE_BAR_MM):
        sheet.rule(end, y - 1.2, end, y + 1.2, line=0.3, grey=0)
    sheet.text(x + SCALE_BAR_MM + 3, y + 0.8, "50 mm when printed at 100 %", 2.4, grey=0.35)


def _draw_label(sheet: _Sheet, x: float, y: float, label: Label) -> None:
    width, height = LABEL_MM
    sheet.box(x, y, width, height, line=0.1, grey=0.7)
    quiet = CODE_MM / len(code_modules(label.code)) * QUIET_MODULES
    at_x, at_y = x + width - CODE_MM - quiet - 1, y + quiet + 1
    sheet.code(at_x, at_y, CODE_MM, label.code)
    room = width - CODE_MM - 2 * quiet - 5
    sheet.text(x + 4, y + 8, label.point, 5.2, face=BOLD, width=room)
    sheet.text(x + 4, y + 12.8, label.place, 2.9, width=room)
    sheet.text(x + 4, y + 19, f"{label.day}", 4.2, face=BOLD, width=room)
    sheet.text(x + 4, y + 25.4, label.run, 5.2, face=MONO, width=room)
    sheet.text(x + 4, y + 30.4, f"{label.title}: {label.phase}, lot {label.lot}", 2.6, width=width - 8)


# --- the day's round ------------------------------------------------------------------------------------------


def round_sheet(found: DayRound, *, made_at: datetime, paper: str = "a4") -> bytes:
    """The day's round as one page to tick off, the riskiest first; what one page has no room for is told on it."""
    title = f"Round of {found.day:%Y-%m-%d}"
    sheet = _Sheet(paper, title)
    x, width = MARGIN_MM, sheet.width - 2 * MARGIN_MM
    name = found.site.title or found.site.site
    follow = [task for task in found.tasks if task.follow_up is not None]
    sheet.text(x, 22, title, 7, face=BOLD)
    sheet.text(
        x,
        28,
        f"{name}: {counted(len(found.points), 'test')} due, {counted(len(follow), 'follow-up')} open",
        3.4,
    )
    foot = _draw_foot(sheet, found, made_at)
    y, shown = 34.0, 0
    for task in found.tasks:
        lines = _lines(sheet, found, task, width)
        needed = _height(lines)
        if y + needed > foot - 6:
            break
        _draw_task(sheet, x, y, width, task, lines)
        y, shown = y + needed, shown + 1
    if not found.tasks:
        sheet.text(x, y + 5, "Nothing is due today, and no follow-up is open.", 3.6)
    if shown < len(found.tasks):
        left = len(found.tasks) - shown
        sheet.text(
            x,
            foot - 2,
            f"{left} more of less risk had no room on this page: linecall due lists all",
            3.2,
            face=BOLD,
        )
    return sheet.bytes()


BOX_MM: Final = 5.0
TEXT_MM: Final = 3.1
LINE_MM: Final = 4.3


def _lines(sheet: _Sheet, found: DayRound, task: Task, width: float) -> list[str]:
    """Why, and for a test where and how the sample is drawn."""
    room = width - BOX_MM - 46
    one = task.follow_up
    if one is not None:
        return sheet.wrapped(f"{task.reason}: {one.asked.text}", TEXT_MM, room)
    point = found.site.find_point(task.point)
    drawn = sheet.wrapped(f"{point.where}; {point.how}", TEXT_MM, room)
    return [*sheet.wrapped(task.reason, TEXT_MM, room), *drawn]


def _height(lines: Sequence[str]) -> float:
    return 7.2 + LINE_MM * max(2, len(lines))


def _draw_task(sheet: _Sheet, x: float, y: float, width: float, task: Task, lines: Sequence[str]) -> None:
    left, right = x + BOX_MM + 4, x + width - 38
    sheet.box(x, y + 1.6, BOX_MM, BOX_MM, line=0.4)
    kind = "test" if task.follow_up is None else f"follow-up {task.follow_up.id}"
    head = f"{task.point}: {task.place}"
    sheet.text(left, y + 5, head, 3.5, face=BOLD, width=right - left - 2)
    for number, line in enumerate(lines):
        sheet.text(left, y + 5 + LINE_MM * (number + 1), line, TEXT_MM)
    when = "OVERDUE" if task.is_overdue else "today" if task.days_late == 0 else f"by {task.due_on}"
    sheet.text(right, y + 5, when, 3.3, face=BOLD if task.is_overdue else FACE)
    sheet.text(right, y + 5 + LINE_MM, kind, 2.7, width=38)
    sheet.text(right, y + 5 + 2 * LINE_MM - 0.6, task.owner, 2.7, width=38)
    bottom = y + _height(lines) - 0.6
    sheet.rule(x, bottom, x + width, bottom)


def _draw_foot(sheet: _Sheet, found: DayRound, made_at: datetime) -> float:
    """Caution and who did it, at the foot; returns where it begins."""
    from reader.round.report.value import said_at

    lines = sheet.wrapped(ROUND_CAUTION, 2.6, sheet.width - 2 * MARGIN_MM)
    top = sheet.height - 18 - 3.6 * len(lines)
    sheet.text(MARGIN_MM, top + 4, "Done by", 3)
    sheet.rule(MARGIN_MM + 16, top + 4.4, MARGIN_MM + 90, top + 4.4)
    sheet.text(MARGIN_MM + 96, top + 4, "on", 3)
    sheet.rule(MARGIN_MM + 102, top + 4.4, MARGIN_MM + 150, top + 4.4)
    for number, line in enumerate(lines):
        sheet.text(MARGIN_MM, top + 9 + 3.6 * number, line, 2.6, grey=0.3)
    told = f"Made {said_at(made_at.astimezone(found.site.place.place))} by linecall. Page 1 of 1"
    sheet.text(MARGIN_MM, top + 10 + 3.6 * len(lines), told, 2.6, grey=0.3)
    return top
