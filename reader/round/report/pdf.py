"""A report on paper: PDF by ReportLab, A4 or Letter, with page numbers, in a typeface that is embedded.

The typeface is Bitstream Vera, which comes with ReportLab. Letters that it lacks are written as their code, such as
[U+0416], and the report says so; the page (`reader.round.report.page`) has them as they are.
"""

import io
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Final
from xml.sax.saxutils import escape

import cv2
import numpy as np
from reportlab.lib import pagesizes
from reportlab.lib.colors import HexColor, black, white
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader, simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    Image,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
)

from reader.draw import ink
from reader.round.report.value import (
    CAUTIONS,
    Codes,
    Facts,
    Figure,
    Headline,
    Report,
    Section,
    Sentences,
    Table,
    said_at,
)
from reader.version import VERSION
from reader.words import tidy

SHEETS: Final = {"a4": pagesizes.A4, "letter": pagesizes.LETTER}
MARGIN: Final = 16 * mm
MASTHEAD = 16 * mm  # height of the site's picture
FOOT: Final = 9 * mm  # of the foot's baseline above the sheet's edge
FACE, BOLD, MONO = "LinecallSans", "LinecallSansBold", "Courier"
SIZE: Final = 9.0  # points
SMALL: Final = 7.2
LEADING: Final = 1.32
CELL_PAD: Final = 1.6  # points, beside and above a cell's text
GREY: Final = HexColor("#595959")
RULE: Final = HexColor("#bdbdbd")
FIELD: Final = HexColor("#f1f1f1")
SIGN_PX: Final = 160
TOTAL: Final = "total"  # a form: how many sheets there are, known once the last is begun
LACKING: Final = (
    "Letters that this typeface lacks are written as their code; the same report as a page has them."
)


def report_pdf(report: Report, *, paper: str = "a4") -> bytes:
    """PDF of a report; the same bytes for the same value. paper : a key of SHEETS."""
    writer = _Writer(SHEETS[paper])
    return writer.write(report)


@lru_cache(maxsize=1)
def known_letters() -> frozenset[int]:
    """Register the typeface; the code points that both its weights have."""
    found = []
    for name, file in ((FACE, "Vera.ttf"), (BOLD, "VeraBd.ttf")):
        font = TTFont(name, file)
        pdfmetrics.registerFont(font)
        found.append(frozenset(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(FACE, normal=FACE, bold=BOLD, italic=FACE, boldItalic=BOLD)
    return frozenset.intersection(*found)


class _Writer:
    """Turns a report into flowables; remembers whether a letter had to be written as its code."""

    def __init__(self, sheet: tuple[float, float]) -> None:
        self._sheet = sheet
        self._width = sheet[0] - 2 * MARGIN
        self._known = known_letters()
        self._lacking = False
        base = ParagraphStyle("text", fontName=FACE, fontSize=SIZE, leading=SIZE * LEADING, alignment=TA_LEFT)
        self._text = base
        self._strong = ParagraphStyle("strong", base, fontName=BOLD)
        self._title = ParagraphStyle("title", base, fontName=BOLD, fontSize=19, leading=23)
        self._soft = ParagraphStyle("soft", base, textColor=GREY)
        self._heading = ParagraphStyle(
            "heading", base, fontName=BOLD, fontSize=12.5, leading=16, spaceBefore=4
        )
        self._caption = ParagraphStyle("caption", base, fontName=BOLD, spaceBefore=4, spaceAfter=2)
        self._grade = ParagraphStyle("grade", base, fontName=BOLD, fontSize=26, leading=30)
        self._code = ParagraphStyle(
            "code", base, fontName=MONO, fontSize=7.6, leading=10.5, splitLongWords=1, leftIndent=6
        )

    def write(self, report: Report) -> bytes:
        flow: list[Flowable] = [] if report.masthead is None else [self._masthead(report.masthead)]
        flow.append(self._paragraph(report.title, self._title))
        flow += [self._paragraph(report.subtitle, self._soft), Spacer(0, 2 * mm)]
        for section in report.sections:
            flow += self._section(section)
        flow += self._section(Section(title="Cautions", blocks=(Sentences(texts=CAUTIONS),)))
        flow.append(Spacer(0, 3 * mm))
        made = f"Made {said_at(report.made_at)} by linecall {VERSION} from {report.logbook}."
        flow.append(self._paragraph(made, self._soft))
        if self._lacking:
            flow.append(self._paragraph(LACKING, self._soft))
        file = io.BytesIO()
        document = BaseDocTemplate(
            file,
            pagesize=self._sheet,
            title=self._fitting(report.title),
            author="",
            creator="linecall",
            lang="en",
            invariant=1,
            leftMargin=MARGIN,
            rightMargin=MARGIN,
            topMargin=MARGIN,
            bottomMargin=MARGIN,
        )
        frame = Frame(
            MARGIN, MARGIN, self._width, self._sheet[1] - 2 * MARGIN,
            leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0,
        )  # fmt: skip
        foot = self._fitting(report.short)
        document.addPageTemplates(
            [
                PageTemplate(
                    "sheet", [frame], onPage=lambda canvas, _: _draw_foot(canvas, foot, self._sheet[0])
                )
            ]
        )
        document.build([*flow, _Total()])
        return file.getvalue()

    def _section(self, section: Section) -> list[Flowable]:
        blocks = [flowable for block in section.blocks for flowable in self._block(block)]
        rule = [CondPageBreak(self._needed(section)), Spacer(0, 3 * mm), _Line(self._width, 1.6)]
        return [
            *rule,
            _Bookmark(self._fitting(section.title)),
            self._paragraph(section.title, self._heading),
            *blocks,
        ]

    def _needed(self, section: Section) -> float:
        """Room for a heading and what must not be parted from it: the first lines, or a picture near the top."""
        room = 28 * mm
        for block in section.blocks[:2]:
            if isinstance(block, Figure):
                return min(room + self._scale(block) * block.height, self._sheet[1] - 2 * MARGIN - 1)
        return room

    def _block(self, block: object) -> Iterator[Flowable]:
        match block:
            case Headline():
                yield self._headline(block)
            case Sentences():
                style = self._strong if block.strong else self._text
                for text in block.texts:
                    yield self._paragraph(text, style)
                    yield Spacer(0, 1.2 * mm)
            case Facts():
                rows = tuple((label, value) for label, value in block.rows)
                yield self._rows(rows, (0.24, 0.76), head=None, size=SIZE)
                yield Spacer(0, 1.5 * mm)
            case Table():
                if block.caption:
                    yield CondPageBreak(22 * mm)
                    yield self._paragraph(block.caption, self._caption)
                shares = [column.share for column in block.columns]
                head = tuple(column.head for column in block.columns)
                yield self._rows(block.rows, [share / sum(shares) for share in shares], head=head, size=SMALL)
                yield Spacer(0, 2 * mm)
            case Figure():
                yield self._figure(block)
            case Codes():
                for line in block.lines:
                    yield self._paragraph(line, self._code)
                yield Spacer(0, 1.2 * mm)

    def _headline(self, block: Headline) -> Flowable:
        canvas = np.full((SIGN_PX, SIGN_PX, 3), ink.bgr(ink.GRADE_COLOURS[block.grade]), np.uint8)
        ink.paint(canvas, [ink.Sign(at=(8.0, 8.0), size=SIGN_PX - 16.0, name=block.grade)], None)
        _, png = cv2.imencode(".png", canvas)
        words = [self._paragraph(block.grade.upper(), self._grade), self._paragraph(block.about, self._text)]
        words += [self._paragraph(text, self._strong) for text in block.strong]
        return _Beside(png.tobytes(), words, self._width)

    def _figure(self, block: Figure) -> Flowable:
        scale = self._scale(block)
        picture = Image(io.BytesIO(block.data), block.width * scale, block.height * scale)
        picture.hAlign = "LEFT"
        below = [self._paragraph(block.caption, self._soft)] if block.caption else []
        return KeepTogether([picture, *below, Spacer(0, 2 * mm)])

    def _masthead(self, picture: Figure) -> Flowable:
        scale = min(MASTHEAD / picture.height, self._width / picture.width)
        shown = Image(io.BytesIO(picture.data), picture.width * scale, picture.height * scale)
        shown.hAlign = "LEFT"
        return KeepTogether([shown, Spacer(0, 2 * mm)])

    def _scale(self, figure: Figure) -> float:
        """Points a pixel, so that it fits a sheet with its heading."""
        most = self._sheet[1] - 2 * MARGIN - 34 * mm
        return min(self._width / figure.width, most / figure.height)

    def _rows(
        self,
        rows: Sequence[tuple[str, ...]],
        shares: Sequence[float],
        *,
        head: tuple[str, ...] | None,
        size: float,
    ) -> "_Rows":
        widths = [share * self._width for share in shares]
        fitted = [self._lines(row, widths, FACE, size) for row in rows]
        return _Rows(
            fitted, widths, head=None if head is None else self._lines(head, widths, BOLD, size), size=size
        )

    def _lines(
        self, row: Sequence[str], widths: Sequence[float], face: str, size: float
    ) -> tuple[tuple[str, ...], ...]:
        """A row's cells as lines that fit their columns."""
        return tuple(
            _wrapped(self._fitting(cell), width - 2 * CELL_PAD, face, size)
            for cell, width in zip(row, widths, strict=True)
        )

    def _paragraph(self, text: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(escape(self._fitting(text)), style)

    def _fitting(self, text: str) -> str:
        """A text on one line, its letters those of the typeface."""
        line = tidy(text)
        if self._known.issuperset(map(ord, line)):
            return line
        self._lacking = True
        return "".join(letter if ord(letter) in self._known else f"[U+{ord(letter):04X}]" for letter in line)


def _wrapped(text: str, width: float, face: str, size: float) -> tuple[str, ...]:
    """Lines of a cell; a word that is longer than a line is broken."""
    if pdfmetrics.stringWidth(text, face, size) <= width:
        return (text,)
    lines: list[str] = []
    for line in simpleSplit(text, face, size, width):
        while pdfmetrics.stringWidth(line, face, size) > width and len(line) > 1:
            fits = next(
                n for n in range(len(line) - 1, 0, -1)
                if n == 1 or pdfmetrics.stringWidth(line[:n], face, size) <= width
            )  # fmt: skip
            lines.append(line[:fits])
            line = line[fits:]
        lines.append(line)
    return tuple(lines)


Cells = tuple[tuple[str, ...], ...]


class _Rows(Flowable):
    """A table of thousands of rows: its head stands on every sheet, and splitting it costs nothing but a place."""

    def __init__(
        self,
        rows: Sequence[Cells],
        widths: Sequence[float],
        *,
        head: Cells | None,
        size: float,
        first: int = 0,
        last: int | None = None,
    ) -> None:
        super().__init__()
        self._rows, self._widths, self._head, self._size = rows, widths, head, size
        self._first, self._last = first, len(rows) if last is None else last

    def _height(self, row: Cells) -> float:
        return max(map(len, row)) * self._size * LEADING + 2 * CELL_PAD

    def _fits(self, height: float) -> tuple[int, float]:
        """How far the rows fit into a height, and how much of it they take."""
        used = 0.0 if self._head is None else self._height(self._head)
        for place in range(self._first, self._last):
            more = self._height(self._rows[place])
            if used + more > height:
                return place, used
            used += more
        return self._last, used

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Take all the width; too much height if the rows must be split."""
        last, used = self._fits(height)
        return width, used if last == self._last else height + 1

    def split(self, width: float, height: float) -> list[Flowable]:
        """Break after the rows that fit; none where not even one does."""
        last, _ = self._fits(height)
        if last == self._first:
            return []
        parts = ((self._first, last), (last, self._last))
        return [
            _Rows(self._rows, self._widths, head=self._head, size=self._size, first=a, last=b)
            for a, b in parts if a < b
        ]  # fmt: skip

    def draw(self) -> None:
        """Draw the rows from the top down."""
        _, y = self._fits(1e9)
        if self._head is not None:
            height = self._height(self._head)
            self.canv.setFillColor(FIELD)
            self.canv.rect(0, y - height, sum(self._widths), height, stroke=0, fill=1)
            y = self._draw_row(self._head, y, BOLD)
        for place in range(self._first, self._last):
            y = self._draw_row(self._rows[place], y, FACE)

    def _draw_row(self, row: Cells, top: float, face: str) -> float:
        canvas, x = self.canv, 0.0
        canvas.setFillColor(black)
        canvas.setFont(face, self._size)
        for lines, width in zip(row, self._widths, strict=True):
            for number, line in enumerate(lines):
                canvas.drawString(
                    x + CELL_PAD, top - CELL_PAD - (number + 0.95) * self._size * LEADING + 1.5, line
                )
            x += width
        bottom = top - self._height(row)
        canvas.setStrokeColor(RULE)
        canvas.setLineWidth(0.4)
        canvas.line(0, bottom, x, bottom)
        return bottom


class _Line(Flowable):
    """A rule across the sheet."""

    def __init__(self, width: float, weight: float) -> None:
        super().__init__()
        self.width, self.height, self._weight = width, 4.0, weight

    def draw(self) -> None:
        """Draw it."""
        self.canv.setStrokeColor(black)
        self.canv.setLineWidth(self._weight)
        self.canv.line(0, 2, self.width, 2)


class _Bookmark(Flowable):
    """A place that the viewer's outline names."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self.width = self.height = 0
        self._title = title

    def draw(self) -> None:
        """Put it into the outline."""
        key = f"at-{self.canv.getPageNumber()}-{self._title}"
        self.canv.bookmarkPage(key)
        self.canv.addOutlineEntry(self._title, key, 0, closed=False)


class _Beside(Flowable):
    """A sign with text beside it, in a frame."""

    SIGN = 25 * mm
    PAD = 3 * mm

    def __init__(self, png: bytes, words: Sequence[Paragraph], width: float) -> None:
        super().__init__()
        self._png, self._words, self.width = png, words, width

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Height of the sign or of the words, whichever is greater."""
        inner = self.width - self.SIGN - 3 * self.PAD
        self._heights = [word.wrap(inner, height)[1] for word in self._words]
        self.height = max(self.SIGN, sum(self._heights)) + 2 * self.PAD
        return self.width, self.height + 2 * mm

    def draw(self) -> None:
        """Draw frame, sign and words."""
        canvas = self.canv
        canvas.setStrokeColor(black)
        canvas.setFillColor(white)
        canvas.setLineWidth(1.8)
        canvas.rect(0, 2 * mm, self.width, self.height, stroke=1, fill=0)
        top = self.height + 2 * mm - self.PAD
        canvas.drawImage(ImageReader(io.BytesIO(self._png)), self.PAD, top - self.SIGN, self.SIGN, self.SIGN)
        for word, height in zip(self._words, self._heights, strict=True):
            word.drawOn(canvas, self.SIGN + 2 * self.PAD, top - height)
            top -= height


class _Total(Flowable):
    """Stands last, and says how many sheets there are wherever a foot asks for it."""

    def __init__(self) -> None:
        super().__init__()
        self.width = self.height = 0

    def draw(self) -> None:
        """Define the form that the feet show."""
        canvas = self.canv
        total = str(canvas.getPageNumber())
        canvas.beginForm(TOTAL, 0, -4, 40, 12)
        canvas.setFont(FACE, SMALL)
        canvas.setFillColor(GREY)
        canvas.drawString(0, 0, total)
        canvas.endForm()


def _draw_foot(canvas: Canvas, foot: str, width: float) -> None:
    room = pdfmetrics.stringWidth("0000", FACE, SMALL)
    canvas.saveState()
    canvas.setFont(FACE, SMALL)
    canvas.setFillColor(GREY)
    canvas.drawString(MARGIN, FOOT, foot)
    canvas.drawRightString(width - MARGIN - room, FOOT, f"page {canvas.getPageNumber()} of ")
    canvas.translate(width - MARGIN - room, FOOT)
    canvas.doForm(TOTAL)
    canvas.restoreState()
