"""The contact sheet: strips from strong to faint, on pages that need nothing but themselves."""

import base64
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import Final

import cv2

from reader.draw import ink
from reader.draw.templates import render
from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.library.errors import LibraryError
from reader.library.filters import EVERYTHING, Filters
from reader.library.rows import ExampleRow, StoredMark
from reader.library.store import Library
from reader.library.strength import StrengthLimits
from reader.library.strips import KeptStrip, as_photographed, raise_contrast
from reader.verdict.model import WindowRecord
from reader.words import MarkKey

TEMPLATES: Final = DATA / "contact"
PER_PAGE: Final = 200  # strips; about 2 MB
QUALITY: Final = 82  # of the pictures, JPEG
AT_HAND: Final = 64  # examples whose strips are kept decoded


@dataclass(frozen=True, kw_only=True, slots=True)
class Page:
    """One page of a contact sheet: its number from 1, the name of its file, its bytes."""

    number: int
    name: str
    html: bytes


def contact_sheet(
    library: Library, filters: Filters = EVERYTHING, *, name: str = "sheet.html", limit: int = 1000
) -> Iterator[Page]:
    """Pages of the strips of the marks that the filters want, the highest first; indicator marks unless said.

    name : of the first page's file; the others are `<stem>-2<suffix>` and so on. limit : how many strips at
    most. Raises LibraryError if there is none.
    """
    wanted = replace(filters, mark=filters.mark or "indicator")
    n = library.count_marks(wanted)
    if n == 0:
        raise LibraryError(
            f"{library.name}: no mark fits the filters; linecall library list shows what there is"
        )
    shown = min(n, limit)
    first = Path(name)
    numbers = range(1, -(-shown // PER_PAGE) + 1)
    pages = [(number, name if number == 1 else f"{first.stem}-{number}{first.suffix}") for number in numbers]
    drawer = _Drawer(library)
    for number, page in pages:
        done = (number - 1) * PER_PAGE
        part = library.marks_by_height(wanted, limit=min(PER_PAGE, shown - done), after=done)
        yield Page(
            number=number,
            name=page,
            html=_render(
                title="Strips from strong to faint",
                lead=_lead(n, shown, wanted),
                page=number,
                pages=pages,
                sections=[
                    {
                        "strength": strength,
                        "range": drawer.range_of(strength),
                        "strips": list(map(drawer.strip, group)),
                    }
                    for strength, group in groupby(part, key=lambda pair: pair[1].strength)
                ],
                foot=drawer.foot(),
            ),
        )


def _lead(n: int, shown: int, filters: Filters) -> str:
    chosen = [
        f"{field.replace('_', ' ')} {getattr(filters, field)}"
        for field in Filters.__slots__
        if field != "disputed" and getattr(filters, field) is not None
    ] + ["disputed"] * filters.disputed
    some = f"{n} strips" if shown == n else f"the first {shown} of {n} strips"
    return (
        f"{some} ({', '.join(chosen)}). Each as photographed and, beside it, levelled with its contrast raised; "
        "the flow runs upwards."
    )


class _Drawer:
    """Makes what the template shows of a strip."""

    def __init__(self, library: Library) -> None:
        self._library = library
        standard = library.settings.standard()
        self._limits: StrengthLimits = standard.strength
        self._rule = standard.consensus
        self._opened = lru_cache(AT_HAND)(self._open)

    def _open(self, id: str) -> tuple[dict[str, WindowRecord], dict[str, KeptStrip], str, dict[MarkKey, str]]:
        """Windows, strips (or why there are none), and votes of an example's disputed marks."""
        example = self._library.example(id)
        windows = {window.id: window for window in example.verdict.windows}
        votes = {
            key: ", ".join(f"{n} {call}" for call, n in agreed.votes)
            for key, agreed in self._library.agreed(id, self._rule).items()
            if agreed.disputed
        }
        try:
            return windows, self._library.pictures.strips(example), "", votes
        except LinecallError as error:
            return windows, {}, str(error), votes

    def strip(self, pair: tuple[ExampleRow, StoredMark]) -> dict[str, object]:
        """A strip's words and pictures."""
        row, mark = pair
        windows, strips, gone, votes = self._opened(row.id)
        window = windows[mark.window]
        seen = strips.get(mark.window)
        pictures: tuple[str, ...] = ()
        size = (0, 0)
        if seen is not None:
            size = seen.valid.shape
            pictures = _jpeg(as_photographed(seen)), _jpeg(raise_contrast(window, seen))
        height = "not measured"
        if mark.height is not None:
            error = "" if mark.standard_error is None else f" \N{PLUS-MINUS SIGN} {mark.standard_error:.4f}"
            height = f"{mark.height:.4f}{error}"
        return {
            "disputed": mark.disputed,
            "pictures": pictures,
            "gone": gone,
            "width": size[1],
            "height_px": size[0],
            "height": height,
            "consensus": mark.consensus or "no consensus",
            "tool": "" if mark.tool_call == mark.consensus else f"linecall: {mark.tool_call}",
            "votes": votes.get((mark.window, mark.mark), ""),  # type: ignore[arg-type]
            "what": f"window {mark.window}, {mark.analyte}, {mark.tier}, {mark.mark}",
            "where": f"{row.id}, {row.photo}, {row.light}",
        }

    def range_of(self, strength: str) -> str:
        """The heights of a class, in words."""
        limits = self._limits
        least = {
            "strong": limits.strong, "weak": limits.weak, "faint": limits.faint, "very faint": limits.very_faint
        }  # fmt: skip
        if strength in least:
            return f"height {least[strength]:g} and more"
        return f"height below {limits.very_faint:g}" if strength == "none" else "without a height"

    def foot(self) -> str:
        """By what it was computed."""
        rule, limits = self._rule, self._limits
        return (
            f"Heights in absorbance with 1 standard error. Consensus by {rule.name}, revision {rule.revision}; "
            f"classes by {limits.name}, revision {limits.revision}. Disputed: those whose calls count made unlike ones."
        )


def _jpeg(picture: ink.Image) -> str:
    sampling = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY, *sampling])
    return f"data:image/jpeg;base64,{base64.b64encode(data.tobytes()).decode('ascii')}"


def _render(**content: object) -> bytes:
    css = (TEMPLATES / "contact.css").read_text(encoding="utf-8")
    return render("contact.html", [TEMPLATES], {"css": css, **content})
