"""The document for other programs is true: its paths are routes, and every answer is as it says."""

import hashlib
import json
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx2
import pytest
from jsonschema import Draft202012Validator
from jsonschema.validators import validator_for
from referencing import Registry
from referencing.jsonschema import DRAFT202012
from starlette.routing import Route
from starlette.testclient import TestClient

from reader.files.bundled import DATA
from reader.station import programs, technician
from reader.station.desk import Desk
from reader.station.uploads import PIECE_MAX
from tests.reader.station.depots import ADA, BEN, CLEO, NOW, STEPS, browser, depot, photo_of, program, turn

DOCUMENT: dict[str, Any] = json.loads((DATA / "station" / "openapi.json").read_text(encoding="utf-8"))
BASE = "https://station.example/api"
VERDICT = json.loads((DATA / "verdict.schema.json").read_text(encoding="utf-8"))
REGISTRY: Registry[Any] = Registry().with_resources(
    [
        (BASE, DRAFT202012.create_resource(DOCUMENT)),
        (f"{BASE}/verdict.schema.json", DRAFT202012.create_resource(VERDICT)),
    ]
)
RUN = "k7m3q2xw"
FOR_PAGES = {"/hints", "/runs/{}/close", "/runs/{}"}
"""What only our own pages ask for; `/runs/ID` as a page, by GET."""


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


def plain(path: str) -> str:
    return re.sub(r"\{[^}]*\}", "{}", path)


def checked(pointer: str, value: object) -> None:
    """Hold a value against a schema of the document. Raises ValidationError."""
    pointer = pointer.replace("{", "%7B").replace("}", "%7D")
    validator = Draft202012Validator({"$ref": f"{BASE}#{pointer}"}, registry=REGISTRY)
    validator.validate(value)


def ask(client: TestClient, method: str, path: str, **request: Any) -> httpx2.Response:
    """Ask, and hold what is sent and what comes back against the document."""
    bare = path.partition("?")[0]
    found = [
        known
        for known in DOCUMENT["paths"]
        if re.fullmatch(re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(known)), bare)
    ]
    template = min(found, key=lambda one: one.count("{"))
    pointer = f"/paths/{template.replace('~', '~0').replace('/', '~1')}/{method.lower()}"
    if "json" in request:
        checked(
            f"{pointer}/requestBody/content/application~1json/schema".replace("{", "%7B").replace("}", "%7D"),
            request["json"],
        )
    answer = client.request(method, path, **request)
    told = DOCUMENT["paths"][template][method.lower()]["responses"]
    assert str(answer.status_code) in told, (method, path, answer.status_code, answer.text)
    kind = answer.headers["content-type"].partition(";")[0]
    quoted = kind.replace("/", "~1")
    assert kind in told[str(answer.status_code)]["content"], (kind, answer.text)
    where = f"{pointer}/responses/{answer.status_code}/content/{quoted}/schema"
    checked(where, answer.json())
    return answer


def test_every_path_of_the_document_is_a_route_and_every_route_for_programs_is_in_it() -> None:
    told = {(method.upper(), plain(path)) for path, item in DOCUMENT["paths"].items() for method in item}
    routes = {
        (method, plain(route.path))
        for route in (*technician.ROUTES, *programs.ROUTES)
        if isinstance(route, Route)
        for method in set(route.methods or ()) - {"HEAD"}
    } | {("GET", "/health")}
    assert told <= routes
    for_programs = {
        (method, path)
        for method, path in routes
        if path.startswith("/api") or (path.startswith("/runs/") and path not in FOR_PAGES)
    }
    assert for_programs <= told


def test_its_schemas_are_schemas_and_all_of_them_are_used() -> None:
    text = json.dumps(DOCUMENT)
    for name, schema in DOCUMENT["components"]["schemas"].items():
        validator_for(schema, default=Draft202012Validator).check_schema(schema)
        assert f'"#/components/schemas/{name}"' in text, name


def a_run(**changes: Any) -> dict[str, Any]:
    drops = NOW - timedelta(minutes=20)
    steps = [{"step": step, "at": (drops - timedelta(minutes=m)).isoformat()} for step, m in STEPS]
    said = {"point": "HB-sump", "phase": "fuel", "lot": "CB-2604", "operator": BEN}
    begun = {"at": (drops - timedelta(minutes=30)).isoformat()}
    return {**said, "begun": begun, "steps": steps, "now": NOW.isoformat(), **changes}


def test_a_run_and_its_photo_sent_get_a_verdict_and_sent_again_the_same_one(root: Path, desk: Desk) -> None:
    client = program(desk, BEN, "technician")
    assert ask(client, "PUT", f"/runs/{RUN}", json=a_run()).json()["state"] == "readable"
    data = photo_of(root, NOW - timedelta(minutes=1))
    sha = hashlib.sha256(data).hexdigest()
    at = 0
    while at < len(data):
        piece = data[at : at + PIECE_MAX]
        answer = ask(client, "PUT", f"/runs/{RUN}/photos/{sha}?at={at}", content=piece)
        assert answer.json()["next"] == at + len(piece)
        at = answer.json()["next"]
    photo = {"sha256": sha, "name": "gauge-1.jpg", "at": (NOW - timedelta(minutes=1)).isoformat()}
    said = {"photos": [photo], "now": NOW.isoformat()}
    first = ask(client, "POST", f"/runs/{RUN}/send", json=said).json()
    assert (first["status"], first["grade"]) == ("read", "negligible")
    turn(desk, NOW + timedelta(hours=1))
    again = ask(client, "POST", f"/runs/{RUN}/send", json=said).json()
    assert again["reading"] == first["reading"]
    assert ask(client, "PUT", f"/runs/{RUN}", json=a_run()).json()["reading"] == first["reading"]
    reading = ask(client, "GET", f"/api/readings/{first['reading']}").json()
    assert reading["verdict"]["grade"] == "negligible"
    assert reading["by"] == BEN, "the chain names the person in whose name the token is"
    rows = ask(client, "GET", "/api/readings?limit=5").json()["readings"]
    assert [row["id"] for row in rows] == [first["reading"]]
    assert len(ask(client, "GET", "/api/runs?open=1").json()["runs"]) == 1
    assert desk.logbook.verify().problem is None


def test_refusals_are_as_they_are_told(desk: Desk) -> None:
    client = program(desk, BEN, "technician")
    sha = "0" * 64
    ask(client, "PUT", f"/runs/{RUN}", json=a_run())
    refused = [
        (409, ask(client, "PUT", f"/runs/{RUN}", json=a_run(point="N1-drain"))),
        (409, ask(client, "PUT", "/runs/k7m3q2xz", json=a_run(lot="XX-1"))),
        (403, ask(client, "PUT", f"/runs/{RUN}", json=a_run(operator=CLEO))),
        (404, ask(client, "PUT", f"/runs/00000000/photos/{sha}?at=0", content=b"x")),
        (400, ask(client, "PUT", f"/runs/{RUN}/photos/{sha}?at=x", content=b"x")),
        (409, ask(client, "PUT", f"/runs/{RUN}/photos/{sha}?at=7", content=b"x")),
        (413, ask(client, "PUT", f"/runs/{RUN}/photos/{sha}?at=0", content=b"x" * (PIECE_MAX + 1))),
        (400, ask(client, "POST", f"/runs/{RUN}/end?why=tired")),
        (403, ask(client, "GET", "/api/queue")),
        (404, ask(client, "GET", "/api/readings/00000000")),
        (401, ask(browser(desk), "GET", "/api/readings")),
        (401, ask(browser(desk), "GET", "/clock")),
    ]
    for status, answer in refused:
        assert answer.status_code == status, answer.text
    photo = {"sha256": sha, "name": "x", "at": NOW.isoformat()}
    missing = ask(client, "POST", f"/runs/{RUN}/send", json={"photos": [photo], "now": NOW.isoformat()})
    assert missing.status_code == 404
    ended = ask(client, "POST", f"/runs/{RUN}/end?why=spoilt").json()
    assert ended["state"] == "abandoned"


def test_a_full_disk_stops_new_runs_and_never_one_that_is_under_way(
    root: Path, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = program(desk, BEN, "technician")
    ask(client, "PUT", f"/runs/{RUN}", json=a_run())
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=520 * 2**20))
    other = ask(client, "PUT", "/runs/k7m3q2xz", json=a_run(point="N1-drain"))
    assert other.status_code == 507
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=10 * 2**20))
    assert ask(browser(desk), "GET", "/health").status_code == 503
    assert ask(client, "PUT", f"/runs/{RUN}", json=a_run()).json()["state"] == "readable"
    data = photo_of(root, NOW - timedelta(minutes=1))
    sha = hashlib.sha256(data).hexdigest()
    for at in range(0, len(data), PIECE_MAX):
        ask(client, "PUT", f"/runs/{RUN}/photos/{sha}?at={at}", content=data[at : at + PIECE_MAX])
    photo = {"sha256": sha, "name": "x.jpg", "at": NOW.isoformat()}
    answer = ask(client, "POST", f"/runs/{RUN}/send", json={"photos": [photo], "now": NOW.isoformat()})
    assert answer.json()["status"] == "read"


@pytest.mark.parametrize(
    "changes",
    [
        {"point": None},
        {"point": "x" * 201},
        {"begun": {}},
        {"begun": {"at": "yesterday"}},
        {"begun": {"at": "2026-05-04T12:00:00"}},
        {"steps": [{"step": "drops"}]},
        {"steps": [{"step": "drops", "at": NOW.isoformat()}] * 201},
        {"begun": {"at": NOW.isoformat(), "offset_s": 1e12}},
        {"more": 1},
    ],
)
def test_what_the_document_does_not_allow_the_station_refuses(desk: Desk, changes: dict[str, Any]) -> None:
    client = program(desk, BEN, "technician")
    answer = client.put(f"/runs/{RUN}", json=a_run(**changes))
    assert answer.status_code == 400
    checked("/components/schemas/Problem", answer.json())


def test_what_anybody_may_ask_for(desk: Desk) -> None:
    anybody = browser(desk)
    assert ask(anybody, "GET", "/api").json() == DOCUMENT
    assert ask(anybody, "GET", "/api/verdict.schema.json").json() == VERDICT
    assert ask(anybody, "GET", "/health").json()["status"] == "ok"
    client = program(desk, ADA, "keeper")
    assert datetime.fromisoformat(ask(client, "GET", "/clock").json()["now"]) == NOW
    assert ask(program(desk, CLEO, "reviewer"), "GET", "/api/queue").json() == {"readings": []}
