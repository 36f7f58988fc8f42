"""The keeper's desk: people, links, devices, backup and restore, seal, site file, journal; and the help pages."""

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from reader.guide import PICTURES, topics
from reader.logbook import Logbook
from reader.logbook.people import find_person, people_of
from reader.station import journal
from reader.station.desk import Desk
from tests.reader.station.desks import OURS, add_plate, browser_of, opened_desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(tmp_path) as opened:
        yield opened


PAGES = ("", "/people", "/devices", "/backups", "/seal", "/site", "/log")


@pytest.mark.parametrize("page", PAGES)
def test_only_a_keeper_opens_the_keepers_pages(desk: Desk, page: str) -> None:
    assert browser_of(desk, "Dora Kettle").get(f"/keeping{page}").status_code == 200
    assert browser_of(desk, "Ben South").get(f"/keeping{page}").status_code == 403
    assert browser_of(desk, "Dora Kettle", shared=True).get(f"/keeping{page}").status_code == 403


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("people", {"name": "Eve Moor", "role": "keeper"}),
        ("retirements", {"person": "Ben South", "reason": "gone"}),
        ("links", {"person": "Dora Kettle"}),
        ("backups", {}),
        ("seal", {}),
    ],
)
def test_nobody_else_changes_anything(desk: Desk, path: str, said: dict[str, str]) -> None:
    head = desk.logbook.head()
    assert browser_of(desk, "Cleo West").post(f"/keeping/{path}", data=said).status_code == 403
    assert desk.logbook.head() == head


def test_a_person_becomes_known_by_the_keepers_hand(desk: Desk) -> None:
    said = {"name": "Eve Moor", "role": ["technician", "trainer"]}
    assert "Eve Moor" in browser_of(desk, "Dora Kettle").post("/keeping/people", data=said).text
    found = find_person(people_of(desk.logbook), "Eve Moor")
    assert found is not None
    assert found.roles == ("technician", "trainer")
    assert desk.logbook.site_events("person")[-1].by == "Dora Kettle"


def test_a_name_like_a_known_one_is_asked_about_first(desk: Desk) -> None:
    dora = browser_of(desk, "Dora Kettle")
    said = {"name": "B. South", "role": "reviewer"}
    asked = dora.post("/keeping/people", data=said)
    assert "Is B. South another person?" in html.unescape(asked.text)
    assert find_person(people_of(desk.logbook), "B. South") is None
    dora.post("/keeping/people", data=said | {"apart_from": "Ben South"})
    assert find_person(people_of(desk.logbook), "B. South") is not None
    assert desk.logbook.site_events("person")[-1].payload["apart_from"] == ["Ben South"]


@pytest.mark.parametrize("name", ["Dora Kettle", "dora kettle", "KETTLE Dora"])
def test_the_last_keeper_stays(desk: Desk, name: str) -> None:
    said = {"person": name, "reason": "tired"}
    assert browser_of(desk, "Dora Kettle").post("/keeping/retirements", data=said).status_code == 409
    assert [one.name for one in desk.people_with("keeper")] == ["Dora Kettle"]


@pytest.mark.parametrize("name", ["<b>Eve</b>", "Eve\u202eMoor", "", "\u0415ve Moor", "x" * 500])
def test_hostile_names_make_nobody_known_or_do_no_harm(desk: Desk, name: str) -> None:
    answer = browser_of(desk, "Dora Kettle").post("/keeping/people", data={"name": name, "role": "trainer"})
    assert "<b>Eve" not in answer.text
    assert "\u202e" not in answer.text


def test_a_link_signs_its_person_in_and_no_page_shows_it_again(desk: Desk) -> None:
    dora = browser_of(desk, "Dora Kettle")
    answer = dora.post("/keeping/links", data={"person": "Ben South", "shared": "no"}).text
    found = re.search(r'<p class="mono">(.+?)#(.+?)</p>', answer)
    assert found is not None
    assert "<svg" in answer
    assert found[1] == "http://testserver/"
    ben = browser_of(desk, "Cleo West")
    assert ben.post("/pair", json={"secret": found[2]}).status_code == 200
    assert "Ben South" in ben.get("/").text
    assert all(found[2] not in dora.get(f"/keeping{page}").text for page in PAGES)


def test_the_qr_code_is_the_link(desk: Desk) -> None:
    import cv2
    import numpy as np

    page = browser_of(desk, "Dora Kettle").post("/keeping/links", data={"person": "Ben South"}).text
    link = re.search(r'<p class="mono">(.+?)</p>', page)
    drawn = re.search(r'viewBox="0 0 (\d+) \d+".*?d="(.+?)"', page)
    assert link is not None
    assert drawn is not None
    # Read back by OpenCV's own decoder, after painting the path's runs (SVG 1.1: m and h are relative).
    size = int(drawn[1])
    image = np.full((size, size), 255, np.uint8)
    x = y = 0.0
    for command, numbers in re.findall(r"([Mmh])([-0-9. ]+)", drawn[2]):
        values = [float(number) for number in numbers.split()]
        if command == "h":
            image[int(y), int(x) : int(x + values[0])] = 0
            x += values[0]
        else:
            x, y = (values[0], values[1]) if command == "M" else (x + values[0], y + values[1])
    # At one size alone it misses one code in some hundred.
    sizes = [cv2.resize(image, None, fx=n, fy=n, interpolation=cv2.INTER_NEAREST) for n in (5, 8, 11)]
    said = {cv2.QRCodeDetector().detectAndDecode(large)[0] for large in sizes} - {""}
    assert said == {html.unescape(link[1])}


def test_a_shared_phone_is_begun_by_a_technician(desk: Desk) -> None:
    dora = browser_of(desk, "Dora Kettle")
    assert dora.post("/keeping/links", data={"person": "Ben South", "shared": "yes"}).status_code == 400
    assert dora.post("/keeping/links", data={"person": "Ada North", "shared": "yes"}).status_code == 200
    assert dora.post("/keeping/links", data={"person": "Nobody Here"}).status_code == 400


def test_a_lost_phone_is_signed_out_from_the_desk(desk: Desk) -> None:
    ben, dora = browser_of(desk, "Ben South"), browser_of(desk, "Dora Kettle")
    (row,) = (one for one in desk.sign_ins.all() if one.person == "Ben South")
    assert row.id in dora.get("/keeping/devices").text
    assert ben.get("/queue").status_code == 200
    assert "signed out by Dora Kettle" in dora.post(f"/keeping/devices/{row.id}/revoked").text
    assert ben.get("/queue").status_code == 401
    assert dora.post("/keeping/devices/zzzzzzzz/revoked").status_code == 404


def test_a_backup_restores_the_logbook_event_by_event(desk: Desk, tmp_path: Path) -> None:
    from reader.logbook.restore import restore_zip

    plate = add_plate(desk, tmp_path)
    seal = desk.logbook.seal(at=desk.now())
    dora = browser_of(desk, "Dora Kettle")
    name = re.search(r"linecall-[0-9-]+\.zip", dora.post("/keeping/backups").text)
    assert name is not None
    backup = tmp_path / "elsewhere.zip"
    backup.write_bytes(dora.get(f"/keeping/backups/{name[0]}").content)
    with Logbook.open(tmp_path / "new.sqlite") as anew:
        report = restore_zip(backup, anew).report
        assert anew.verify(seals=(seal,)).problem is None
        assert (report.readings, report.photos) == (1, 1)
        assert list(anew.bodies()) == list(desk.logbook.bodies())
        photo = anew.reading(plate).photos[0]
        assert anew.photo_bytes(photo.sha256) == desk.logbook.photo_bytes(photo.sha256)


def test_only_the_newest_backups_stay_and_no_other_file_is_sent(desk: Desk, tmp_path: Path) -> None:
    from datetime import timedelta

    dora = browser_of(desk, "Dora Kettle")
    for _ in range(5):
        desk.now.now += timedelta(minutes=1)  # type: ignore[attr-defined]
        dora.post("/keeping/backups")
    names = sorted(path.name for path in (tmp_path / "backups").iterdir())
    assert len(names) == 3
    assert names[-1] in dora.get("/keeping/backups").text
    for path in ("..%2fstation.sqlite", "%2e%2e/station.sqlite", "station.log", "linecall-0.zip"):
        assert dora.get(f"/keeping/backups/{path}").status_code == 404


def test_the_seal_is_the_logbooks_and_the_check_says_what_is_bad(desk: Desk, tmp_path: Path) -> None:
    add_plate(desk, tmp_path)
    dora = browser_of(desk, "Dora Kettle")
    seal = str(desk.logbook.seal(at=desk.now().astimezone()))
    assert seal in dora.get("/keeping/seal").text
    assert dora.get("/keeping/seal?as=text").text == f"{seal}\n"
    assert "All holds" in dora.post("/keeping/seal").text
    (photo,) = (path for path in (tmp_path / "book.sqlite.photos").rglob("*") if path.is_file())
    photo.chmod(0o600)
    photo.write_bytes(b"another")
    assert "All holds" not in dora.post("/keeping/seal").text


def test_the_site_file_is_shown_as_text(desk: Desk, tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    site.write_text('name = "<i>Depot</i> 7"\n', encoding="utf-8")
    answer = browser_of(replace(desk, site_file=site), "Dora Kettle").get("/keeping/site").text
    assert "&lt;i&gt;Depot" in answer
    site.unlink()
    assert browser_of(replace(desk, site_file=site), "Dora Kettle").get("/keeping/site").status_code == 409


def test_the_journal_says_what_was_done_and_holds_no_secret(desk: Desk, tmp_path: Path) -> None:
    plate = add_plate(desk, tmp_path, tank="north fuel farm")
    ben = browser_of(desk, "Ben South")
    ben.get(f"/readings/{plate}?secret=hunter2")
    ben.get("/no/such/hunter3")
    ben.post("/queue", content=b"hunter4", headers=OURS | {"Origin": "https://elsewhere.example"})
    kept = (tmp_path / journal.NAME).read_text(encoding="utf-8")
    lines = [json.loads(line) for line in kept.splitlines()]
    (row,) = desk.sign_ins.all()
    assert {"method": "GET", "path": "/readings/{id}", "status": 200, "sign_in": row.id}.items() <= lines[
        -3
    ].items()
    assert (lines[-2]["path"], lines[-2]["status"]) == ("?", 404)
    assert lines[-1]["status"] == 403
    secrets = ("hunter", plate, "north fuel", "Ben South", "elsewhere", ben.cookies["linecall_sign_in"])
    assert not [secret for secret in secrets if secret in kept]
    shown = browser_of(desk, "Dora Kettle").get("/keeping/log").text
    assert "/readings/{id}" in shown
    assert "Ben South" in shown


def test_a_journal_that_cannot_be_written_stops_nobody(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / journal.NAME).mkdir()
    assert browser_of(desk, "Ben South").get("/queue").status_code == 200


def test_old_lines_of_the_journal_make_room(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal, "SIZE_MAX", 2000)
    monkeypatch.setattr(journal, "FILES", 2)
    ben = browser_of(desk, "Ben South")
    for _ in range(60):
        ben.get("/health")
    files = list(tmp_path.glob(f"{journal.NAME}*"))
    assert len(files) == 3
    assert all(file.stat().st_size <= 2000 for file in files)
    kept = sum(len(file.read_text().splitlines()) for file in files)
    shown = [line["at"] for line in journal.lines(tmp_path, 60)]
    assert len(shown) == kept > 20, "the page goes on with the older files"
    assert shown == sorted(shown, reverse=True)
    assert len(list(journal.lines(tmp_path, 7))) == 7


def test_every_topic_of_the_guide_is_a_page(desk: Desk) -> None:
    ben = browser_of(desk, "Ben South")
    shown = html.unescape(ben.get("/help").text)
    for one in topics():
        assert one.title in shown
        page = ben.get(f"/help/{one.name}")
        assert page.status_code == 200
        assert html.escape(one.title, quote=False) in html.unescape(page.text)
        assert '<h1 lang="en">' in page.text, "the guide is in English, whatever the page"
    assert ben.get("/help/nothing-of-the-kind").status_code == 404


def test_a_topics_pictures_are_shown_beside_it(desk: Desk) -> None:
    ben = browser_of(desk, "Ben South")
    pictures = [
        src for one in topics() for src in re.findall(r'src="([^"]*)"', ben.get(f"/help/{one.name}").text)
    ]
    shown = [src for src in pictures if src.startswith("pictures/")]
    assert len(shown) >= 4
    for src in shown:
        answer = ben.get(f"/help/{src}")
        assert answer.headers["content-type"] == "image/webp"
        assert len(answer.content) < 150_000
    assert len({path.name for path in PICTURES.iterdir()}) == len(shown)


def test_help_finds_words_and_shows_none_of_them_as_markup(desk: Desk) -> None:
    ben = browser_of(desk, "Ben South")
    found = ben.get("/help?words=blind").text
    assert "/help/review" in found
    assert "<script>" not in ben.get("/help?words=<script>alert(1)</script>").text
    assert "No topic" in ben.get("/help?words=zzzzqqqq").text


def test_what_is_html_in_a_topic_is_shown_as_text() -> None:
    from reader.station.helping import _html

    assert "<img" not in _html("a <img src=x onerror=alert(1)> b\n\n<script>alert(1)</script>")
    assert "javascript:" not in _html("[x](javascript:alert(1))").replace("[x](javascript:", "")
