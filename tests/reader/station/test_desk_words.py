"""The desks' words all come from the texts, so that a site's own language shows everywhere."""

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from reader.logbook.people import people_of
from reader.station.desk import Desk
from reader.station.texts import page_texts
from tests.reader.station.desks import add_plate, browser_of, opened_desk
from tests.reader.station.pseudo import pseudo

MARKED = re.compile(r"\u27e6[^\u27e6\u27e7]*\u27e7")
HIDDEN = re.compile(r"<(script|style|svg|pre|title|select)\b.*?</\1>", re.DOTALL)
DATA = re.compile(
    r"linecall|north 1|drain|\b(?=\w*\d)[0-9a-z]{8}\b|\d{4}-\d\d-\d\d|\d\d:\d\d(:\d\d)?|\d+ min|testclient"
    r"|GET|POST|/\S*|\?"
)
"""What stands on pages and is no text: names, ids, moments, ages, devices, requests."""


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(tmp_path) as opened:
        yield replace(opened, texts=pseudo())


def rest(page: str, names: list[str]) -> list[str]:
    """Words of a page that are neither texts nor data."""
    shown = html.unescape(re.sub(r"<[^>]*>", " ", HIDDEN.sub(" ", page)))
    attributes = re.findall(r'(?:aria-label|placeholder|data-none|data-wait)="([^"]*)"', page)
    shown = " ".join([shown, *map(html.unescape, attributes)])
    while MARKED.search(shown):
        shown = MARKED.sub(" ", shown)
    for name in names:
        shown = shown.replace(name, " ")
    return re.findall(r"[^\W\d_]{2,}", DATA.sub(" ", shown))


def test_no_word_of_the_lists_and_forms_is_missed(desk: Desk, tmp_path: Path) -> None:
    plate = add_plate(desk, tmp_path)
    names = [person.name for person in people_of(desk.logbook)]
    pages = {
        "Ben South": ("/", "/queue", f"/readings/{plate}/own"),
        "Dora Kettle": (
            "/keeping",
            *(f"/keeping/{page}" for page in ("people", "devices", "backups", "site", "languages", "log")),
        ),
    }
    for name, paths in pages.items():
        client = browser_of(desk, name)
        for path in paths:
            assert rest(client.get(path).text, names) == [], path
    asked = browser_of(desk, "Dora Kettle").post(
        "/keeping/people", data={"name": "B. South", "role": "reviewer"}
    )
    assert rest(asked.text, [*names, "B. South"]) == []


def test_every_text_of_the_station_is_used_somewhere(root: Path) -> None:
    from reader.files.bundled import DATA as FILES

    shown = FILES / "station"
    places = [*(shown / "pages").glob("*.html"), *(shown / "static").rglob("*.js")]
    places += (root / "reader" / "station").glob("*.py")
    used = "\n".join(path.read_text(encoding="utf-8") for path in places)
    made = (  # put together from a name
        *("call.", "mark.", "role.", "tier.", "policy.", "log.", "keep.", "grade.", "class.", "criterion."),
        *("hint.", "state.", "run.end_", "answer.means_", "strips.", "work.", "quizzes.mix.", "quiz.state."),
        "dye.",
    )
    unused = [
        code
        for code in page_texts()
        if f'"{code}"' not in used and f"'{code}'" not in used and not code.startswith(made)
    ]
    assert unused == []
