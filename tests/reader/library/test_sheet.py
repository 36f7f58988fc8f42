"""The contact sheet: from strong to faint, disputed ones marked, nothing fetched, small."""

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from reader.library import Filters, Library, LibraryError
from reader.library.sheet import PER_PAGE, contact_sheet
from tests.reader.library.quiz.quiz_library import invented_library


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with invented_library(tmp_path_factory.mktemp("library"), 60) as library:
        yield library


@pytest.fixture(scope="module")
def pages(library: Library) -> list[str]:
    return [page.html.decode("utf-8") for page in contact_sheet(library)]


class Sheet(HTMLParser):
    """What a browser would find: strips with their words, and every address."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.strips: list[dict[str, Any]] = []
        self.addresses: list[str] = []
        self.headings: list[str] = []
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = dict(attrs)
        self.addresses += [str(known[name]) for name in ("src", "href") if known.get(name)]
        self._inside = tag
        if tag == "li":
            self.strips.append({"disputed": known.get("class") == "disputed", "words": []})

    def handle_data(self, data: str) -> None:
        if self._inside == "h2" and data.strip():
            self.headings.append(data.strip())
        if self.strips and data.strip():
            self.strips[-1]["words"].append(data.strip())

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""


def height(strip: dict[str, Any]) -> float:
    words = strip["words"]
    return next(float(word.split()[0]) for word in words if re.match(r"-?\d\.\d{4} ", word))


def test_strips_run_from_strong_to_faint_over_all_pages(library: Library, pages: list[str]) -> None:
    heights = [height(strip) for page in pages for strip in Sheet(page).strips]
    assert len(heights) == library.count_marks()
    assert heights == sorted(heights, reverse=True)
    headings = [heading for page in pages for heading in Sheet(page).headings]
    assert list(dict.fromkeys(headings)) == ["strong", "weak", "faint", "very faint", "none"]


def test_disputed_strips_are_marked_in_words_and_by_shape(library: Library, pages: list[str]) -> None:
    strips = [strip for page in pages for strip in Sheet(page).strips]
    marked = [strip for strip in strips if strip["disputed"]]
    assert len(marked) == library.count_marks(Filters(disputed=True, mark="indicator")) > 0
    for strip in strips:
        assert ("disputed" in strip["words"]) == strip["disputed"]


def test_a_page_fetches_nothing_and_holds_no_script(pages: list[str]) -> None:
    for page in pages:
        others = [
            address for address in Sheet(page).addresses if not address.startswith("data:image/jpeg;base64,")
        ]
        assert all(re.fullmatch(r"sheet(-\d+)?\.html", address) for address in others)
        assert "<script" not in page
        assert "url(" not in page


def test_a_page_of_two_hundred_strips_stays_below_three_megabytes(pages: list[str]) -> None:
    assert len(Sheet(pages[0]).strips) == PER_PAGE == 200
    assert len(pages[0]) < 3_000_000


def test_a_limit_is_told(library: Library) -> None:
    (page,) = contact_sheet(library, limit=12)
    html = page.html.decode("utf-8")
    assert len(Sheet(html).strips) == 12
    assert f"the first 12 of {library.count_marks()} strips" in html


def test_pages_are_named_after_the_first(library: Library) -> None:
    names = [page.name for page in contact_sheet(library, Filters(), name="s.htm", limit=450)]
    assert names == ["s.htm"] + [
        f"s-{k}.htm" for k in range(2, -(-min(450, library.count_marks()) // 200) + 1)
    ]


def test_filters_hold_for_each_strip(library: Library) -> None:
    (page,) = contact_sheet(library, Filters(strength="very faint", tier="lower"))
    found = Sheet(page.html.decode("utf-8"))
    assert found.headings == ["very faint"]
    assert all("lower" in " ".join(strip["words"]) for strip in found.strips)


def test_what_nobody_shows_is_an_error_and_no_page(library: Library) -> None:
    with pytest.raises(LibraryError, match="no mark fits the filters"):
        list(contact_sheet(library, Filters(light="moonlight")))


def test_strips_that_are_gone_leave_their_words_and_a_name_cannot_break_the_page(tmp_path: Path) -> None:
    with invented_library(tmp_path / "library", 1) as library:
        (row,) = library.examples()
        for path in (tmp_path / "library" / "strips").rglob("*"):
            if path.is_file():
                path.unlink()
        library.describe(row.id, light="<b>lamp & co</b>")
        (page,) = contact_sheet(library)
    html = page.html.decode("utf-8")
    assert "is missing from the library&#39;s folder" in html
    assert "<b>lamp" not in html
    assert "&lt;b&gt;lamp &amp; co&lt;/b&gt;" in html


def test_class_names_are_written_as_they_are_everywhere_else(pages: list[str]) -> None:
    assert all("capitalize" not in page for page in pages)
