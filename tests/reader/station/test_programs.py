"""Other programs: a token opens what its one role may do in its person's name, and nothing when it is over."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from reader.logbook.people import add_person, retire
from reader.station.desk import Desk
from reader.station.tokens import START
from tests.reader.station.depots import ADA, BEN, CLEO, NOW, OURS, browser, depot, program, signed_in, turn


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


def test_the_keeper_makes_a_token_that_is_shown_once_and_revokes_it(desk: Desk) -> None:
    assert desk.tokens is not None
    keeper = signed_in(browser(desk), desk, ADA)
    asked = {"program": "tank <b>gauge</b>", "person": BEN, "role": "technician"}
    made = keeper.post("/keeping/tokens", data=asked, headers=OURS)
    secret = made.text.split('class="secret">')[1].split("<")[0]
    assert secret.startswith(START)
    assert "<b>" not in made.text
    assert secret not in keeper.get("/keeping/tokens").text
    client = browser(desk)
    assert client.get("/api/runs", headers={"Authorization": f"Bearer {secret}"}).json() == {"runs": []}
    token = desk.tokens.all()[0]
    keeper.post(f"/keeping/tokens/{token.id}/revoked", headers=OURS)
    assert client.get("/api/runs", headers={"Authorization": f"Bearer {secret}"}).status_code == 401
    assert (desk.folder / "station.sqlite").read_bytes().find(secret.encode()) == -1


@pytest.mark.parametrize(
    ("person", "role"), [(BEN, "keeper"), (CLEO, "technician"), ("Nobody", "technician")]
)
def test_no_token_has_a_role_that_its_person_lacks(desk: Desk, person: str, role: str) -> None:
    keeper = signed_in(browser(desk), desk, ADA)
    asked = {"program": "x", "person": person, "role": role}
    assert keeper.post("/keeping/tokens", data=asked, headers=OURS).status_code == 400


@pytest.mark.parametrize("person", [BEN, CLEO])
def test_only_the_keeper_sees_tokens(desk: Desk, person: str) -> None:
    client = signed_in(browser(desk), desk, person)
    assert client.get("/keeping/tokens").status_code == 403
    assert client.post("/keeping/tokens", data={}, headers=OURS).status_code == 403


def test_a_token_makes_no_token(desk: Desk) -> None:
    client = program(desk, ADA, "keeper")
    asked = {"program": "another", "person": ADA, "role": "keeper"}
    assert client.post("/keeping/tokens", data=asked).status_code == 403


def test_a_token_signs_nobody_in_and_makes_nobody_known(desk: Desk) -> None:
    client = program(desk, ADA, "keeper")
    assert client.get("/keeping/backups").status_code == 200, "what a keeper's program is for"
    for path, asked in (
        ("/keeping/links", {"person": CLEO}),
        ("/keeping/people", {"name": "Dora Kettle", "role": "reviewer"}),
        ("/keeping/retirements", {"person": CLEO, "reason": "x"}),
        (f"/keeping/devices/{desk.tokens.all()[0].id}/revoked", {}),  # type: ignore[union-attr]
    ):
        assert client.post(path, data=asked).status_code == 403, path


def test_no_program_judges_a_plate_by_eye(desk: Desk) -> None:
    client = program(desk, CLEO, "reviewer")
    assert client.get("/queue").status_code == 403
    assert client.post("/readings/00000000/decisions", data={}).status_code == 403


def test_the_journal_names_the_program(desk: Desk) -> None:
    program(desk, BEN, "technician").get("/api/runs")
    shown = signed_in(browser(desk), desk, ADA).get("/keeping/log").text
    assert "a test" in shown


def test_a_token_ends_with_its_person_for_good_and_the_list_says_so(desk: Desk) -> None:
    client = program(desk, BEN, "technician")
    keeper = signed_in(browser(desk), desk, ADA)
    assert "Revoke" in keeper.get("/keeping/tokens").text
    retire(desk.logbook, BEN, by=ADA, reason="has left", at=NOW + timedelta(minutes=1))
    add_person(desk.logbook, BEN, roles=["technician"], at=NOW + timedelta(minutes=2))
    assert client.get("/api/runs").status_code == 401
    assert "Revoke" not in keeper.get("/keeping/tokens").text


def test_a_token_has_its_one_role_whatever_its_person_has(desk: Desk) -> None:
    assert program(desk, ADA, "technician").get("/keeping/tokens").status_code == 403
    assert program(desk, BEN, "technician").get("/api/queue").status_code == 403
    assert program(desk, CLEO, "reviewer").get("/api/queue").json() == {"readings": []}


def test_a_token_ends_with_its_year_and_with_its_persons_retirement(desk: Desk) -> None:
    client = program(desk, BEN, "technician")
    assert client.get("/api/runs").status_code == 200
    turn(desk, NOW + timedelta(days=365))
    assert client.get("/api/runs").status_code == 401
    turn(desk, NOW)
    retire(desk.logbook, BEN, by=ADA, reason="has left", at=NOW)
    assert client.get("/api/runs").status_code == 401


@pytest.mark.parametrize(
    "header", ["", "Bearer", "Bearer ", "Bearer lct_wrong", "Basic YTpi", "lct_x", "Bearer \xff"]
)
def test_what_is_no_token_opens_nothing_even_beside_a_cookie(desk: Desk, header: str) -> None:
    client = signed_in(browser(desk), desk, ADA)
    answer = client.get("/api/runs", headers={b"Authorization": header.encode("latin-1")})
    assert answer.status_code == 401


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=-1", "limit=1e3", "limit=999999", "before=x", "limit=%00"]
)
def test_a_number_that_is_none_is_refused_by_name(desk: Desk, query: str) -> None:
    answer = program(desk, BEN, "technician").get(
        f"/api/runs?{query}", headers={"Accept": "application/json"}
    )
    assert answer.status_code == 400
    assert query.partition("=")[0] in answer.json()["error"]


def test_a_reading_that_there_is_not_is_said(desk: Desk) -> None:
    answer = program(desk, BEN, "technician").get(
        "/api/readings/00000000", headers={"Accept": "application/json"}
    )
    assert answer.status_code == 404
    assert "00000000" in answer.json()["error"]
