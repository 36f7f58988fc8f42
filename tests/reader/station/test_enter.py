"""Signing in: links work once and for ten minutes, sign-ins can be revoked, and nothing else gets through."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from reader.errors import OutputError
from reader.logbook import Logbook
from reader.logbook.people import add_person
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import BODY_MAX, Place
from reader.station.signins import SignIns
from reader.station.texts import english

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
OURS = {"Origin": "http://testserver"}


class Clock:
    """A clock that a test turns."""

    now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Logbook.open(tmp_path / "book.sqlite") as book:
        add_person(book, "Ada North", roles=["technician", "keeper"], at=NOW)
        add_person(book, "Ben South", roles=["technician"], at=NOW)
        add_person(book, "Cleo West", roles=["reviewer"], at=NOW)
        signs = SignIns.open(tmp_path / "station.sqlite")
        yield Desk(
            logbook=book,
            reopen=lambda: Logbook.open(tmp_path / "book.sqlite", read_only=True),
            folder=tmp_path,
            sign_ins=signs,
            texts=english(),
            now=Clock(),
        )
        signs.close()


def browser(desk: Desk) -> TestClient:
    return TestClient(station(desk, Place(hosts=frozenset({"testserver"}))), follow_redirects=True)


def pair(client: TestClient, secret: str) -> int:
    return client.post("/pair", json={"secret": secret}, headers=OURS).status_code


def test_a_link_signs_one_device_in_once(desk: Desk) -> None:
    secret = desk.sign_ins.make_link("Ada North", now=NOW)
    first, second = browser(desk), browser(desk)
    assert pair(first, secret) == 200
    assert "Ada North" in first.get("/").text
    assert pair(second, secret) == 403
    assert "Ada North" not in second.get("/").text


def test_a_link_is_over_after_ten_minutes(desk: Desk) -> None:
    secret = desk.sign_ins.make_link("Ada North", now=NOW - timedelta(minutes=10))
    assert pair(browser(desk), secret) == 403


def test_a_sign_in_ends_with_the_shift_and_when_it_is_revoked(desk: Desk) -> None:
    client = browser(desk)
    pair(client, desk.sign_ins.make_link("Ada North", now=NOW))
    assert client.get("/people").status_code == 200
    desk.now.now = NOW + timedelta(hours=12)  # type: ignore[attr-defined]
    assert client.get("/people").status_code == 401
    desk.now.now = NOW  # type: ignore[attr-defined]
    desk.sign_ins.revoke(desk.sign_ins.all()[0].id, by="Ada North", now=NOW)
    assert client.get("/people").status_code == 401


def test_who_has_retired_is_signed_out_at_once(desk: Desk) -> None:
    from reader.logbook.people import retire

    client = browser(desk)
    pair(client, desk.sign_ins.make_link("Ben South", now=NOW))
    retire(desk.logbook, "Ben South", by="Ada North", reason="has left", at=NOW)
    assert client.get("/people").status_code == 401


def test_who_comes_back_after_a_retirement_signs_in_anew_and_the_shared_phone_stays(desk: Desk) -> None:
    from reader.logbook.people import retire

    own, shared = browser(desk), browser(desk)
    pair(own, desk.sign_ins.make_link("Ben South", now=NOW))
    pair(shared, desk.sign_ins.make_link("Ada North", shared=True, now=NOW))
    retire(desk.logbook, "Ben South", by="Ada North", reason="lost phone", at=NOW + timedelta(minutes=1))
    add_person(desk.logbook, "Ben South", roles=["technician"], at=NOW + timedelta(minutes=2))
    assert own.get("/people").status_code == 401, "whoever has the lost phone is still out"
    assert "Ben South" in shared.post("/people", data={"person": "Ben South"}, headers=OURS).text
    desk.now.now = NOW + timedelta(minutes=3)  # type: ignore[attr-defined]
    anew = browser(desk)
    pair(anew, desk.sign_ins.make_link("Ben South", now=desk.now()))
    assert anew.get("/people").status_code == 200


def test_who_revoked_a_sign_in_first_stays_on_record(desk: Desk) -> None:
    pair(browser(desk), desk.sign_ins.make_link("Ben South", now=NOW))
    id = desk.sign_ins.all()[0].id
    desk.sign_ins.revoke(id, by="Ada North", now=NOW)
    desk.sign_ins.revoke(id, by="Ben South", now=NOW + timedelta(minutes=5))
    (row,) = desk.sign_ins.all()
    assert (row.revoked_by, row.revoked_at) == ("Ada North", NOW)


def test_a_full_disk_locks_nobody_out(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    client = browser(desk)
    pair(client, desk.sign_ins.make_link("Ben South", now=NOW))
    desk.now.now = NOW + timedelta(hours=1)  # type: ignore[attr-defined]

    def full(_: object) -> object:
        raise OutputError("the disk is full")

    monkeypatch.setattr("reader.store.database.Database.writing", full)
    assert client.get("/people").status_code == 200


def test_a_shared_phone_changes_hands_in_two_taps_and_an_own_one_does_not(desk: Desk) -> None:
    shared, own = browser(desk), browser(desk)
    pair(shared, desk.sign_ins.make_link("Ada North", shared=True, now=NOW))
    answer = shared.post("/people", data={"person": "Ben South"}, headers=OURS)
    assert "Ben South" in answer.text
    pair(own, desk.sign_ins.make_link("Ada North", now=NOW))
    assert own.post("/people", data={"person": "Ben South"}, headers=OURS).status_code == 403


def test_nobody_takes_a_shared_phone_who_is_no_technician(desk: Desk) -> None:
    client = browser(desk)
    pair(client, desk.sign_ins.make_link("Ada North", shared=True, now=NOW))
    assert client.post("/people", data={"person": "Cleo West"}, headers=OURS).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": "http://testserver"},
        {"Sec-Fetch-Site": "none"},
    ],
)
def test_what_comes_from_another_page_changes_nothing(desk: Desk, headers: dict[str, str]) -> None:
    secret = desk.sign_ins.make_link("Ada North", now=NOW)
    assert browser(desk).post("/pair", json={"secret": secret}, headers=headers).status_code == 403
    assert pair(browser(desk), secret) == 200, "the link was not used up"


def test_another_host_is_refused_and_both_names_are_said(desk: Desk) -> None:
    answer = browser(desk).get("/", headers={"Host": "rebound.example"})
    assert answer.status_code == 421
    assert "testserver" in answer.text
    assert "rebound.example" in answer.text


def test_a_request_that_is_too_large_is_refused(desk: Desk) -> None:
    answer = browser(desk).post("/pair", content=b"x" * (BODY_MAX + 1), headers=OURS)
    assert answer.status_code == 413


@pytest.mark.parametrize(
    "path",
    ["/static/../pages/base.html", "/static/%2e%2e/texts/en.po", "/static/..%2f..%2fverdict.schema.json"],
)
def test_nothing_outside_its_folder_is_served(desk: Desk, path: str) -> None:
    assert browser(desk).get(path).status_code == 404


@pytest.mark.parametrize(
    "body", [b"", b"[]", b'{"secret": 3}', b'{"secret": ""}', b"[" * 100_000, b"\xff\xfe"]
)
def test_what_is_no_link_signs_nobody_in(desk: Desk, body: bytes) -> None:
    assert browser(desk).post("/pair", content=body, headers=OURS).status_code in {400, 403}


def test_the_cookie_is_for_no_script_and_no_other_site(desk: Desk) -> None:
    secret = desk.sign_ins.make_link("Ada North", now=NOW)
    cookie = browser(desk).post("/pair", json={"secret": secret}, headers=OURS).headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_every_answer_has_a_policy_and_is_stored_nowhere(desk: Desk) -> None:
    for path in ("/", "/health", "/nothing", "/static/station.css"):
        headers = browser(desk).get(path).headers
        assert headers["content-security-policy"].startswith("default-src 'none'"), path
        assert headers["cache-control"] == "no-store"


def test_no_secret_is_kept_in_the_file(desk: Desk, tmp_path: Path) -> None:
    secret = desk.sign_ins.make_link("Ada North", now=NOW)
    client = browser(desk)
    pair(client, secret)
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("station.sqlite*"))
    assert secret.encode() not in kept
    assert client.cookies["linecall_sign_in"].encode() not in kept
    assert (tmp_path / "station.sqlite").stat().st_mode & 0o077 == 0


def test_health_tells_of_a_database_that_is_gone(desk: Desk, tmp_path: Path) -> None:
    assert browser(desk).get("/health").json()["status"] == "ok"
    (tmp_path / "book.sqlite").unlink()
    answer = browser(desk).get("/health")
    assert answer.status_code == 503
    assert answer.json()["database"] != "ok"
