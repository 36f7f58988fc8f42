"""What must not get through: foreign pages, wrong roles, forged links, paths, floods, slow and hostile requests."""

import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

from reader.station import guard
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import BODY_MAX, Place
from reader.station.work import file_name
from tests.reader.station.depots import ADA, BEN, CLEO, OURS, browser, depot, developed, program, signed_in
from tests.reader.station.servers import listening

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE sign_in; --",
    "../../../../etc/passwd",
    "{{ 7 * 7 }}",
    "\u202egnp.exe",
    "a\r\nSet-Cookie: x=1",
    "\0",
    "\ud7ff\U0010ffff",
    "x" * 5000,
    "%00%2e%2e%2f",
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


# --- slow and large -------------------------------------------------------------------------------------------


def waits(
    port: int, first: bytes, *, drip: bytes = b"", every: float = 0.1, most: float = 5.0
) -> tuple[float, bytes]:
    """How long a connection that sends this, and then drips, is borne with; and what came back."""
    with socket.create_connection(("127.0.0.1", port)) as peer:
        peer.settimeout(every)
        begun, got = time.monotonic(), b""
        peer.sendall(first)
        while time.monotonic() - begun < most:
            try:
                more = peer.recv(4096)
                got += more
                if not more:
                    break
            except TimeoutError:
                pass
            except ConnectionResetError:
                break
            try:
                peer.sendall(drip)
            except (ConnectionResetError, BrokenPipeError):
                break
        return time.monotonic() - begun, got


@pytest.mark.parametrize("first", [b"", b"G", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: "])
def test_a_head_that_does_not_come_is_not_waited_for_even_where_it_drips(desk: Desk, first: bytes) -> None:
    with listening(desk, head_wait_s=0.5) as port:
        took, _ = waits(port, first, drip=b"a" if first else b"")
    assert 0.4 < took < 3


def test_a_second_head_on_a_kept_connection_is_not_waited_for_either(desk: Desk) -> None:
    with listening(desk, head_wait_s=0.5) as port:
        whole = f"GET /health HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode()
        took, got = waits(port, whole + b"GET / HTTP/1.1\r\nX: ", drip=b"a")
    assert got.startswith(b"HTTP/1.1 200")
    assert took < 4


def test_a_body_that_drips_is_given_up(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_WAIT_S", 0.6)
    with listening(desk) as port:
        head = f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        took, got = waits(port, f"{head}Content-Length: 1000\r\n\r\n".encode(), drip=b"x")
    assert took < 4
    assert got.startswith(b"HTTP/1.1 408")


def test_an_answer_that_nobody_takes_is_given_up(desk: Desk) -> None:
    with listening(desk, answer_wait_s=0.5) as port, socket.socket() as peer:
        peer.settimeout(5)
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        peer.connect(("127.0.0.1", port))
        ask = f"GET /api/verdict.schema.json HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode()
        with pytest.raises((ConnectionResetError, BrokenPipeError)):
            send_for(peer, ask, 10)


def send_for(peer: socket.socket, data: bytes, seconds: float) -> None:
    """Send, and take nothing."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        peer.sendall(data)


def test_silent_sockets_keep_nobody_out(desk: Desk) -> None:
    from reader.station.serving import CONCURRENT_MAX

    with listening(desk, head_wait_s=1.0) as port:
        silent = [socket.create_connection(("127.0.0.1", port)) for _ in range(CONCURRENT_MAX + 20)]
        try:
            deadline = time.monotonic() + 10
            ask = f"GET /health HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n".encode()
            while not waits(port, ask)[1].startswith(b"HTTP/1.1 200"):
                assert time.monotonic() < deadline
                time.sleep(0.2)
        finally:
            for one in silent:
                one.close()


def test_a_body_without_a_length_is_cut_off_at_the_same_size(desk: Desk) -> None:
    def endless() -> Iterator[bytes]:
        for _ in range(BODY_MAX // 65536 + 2):
            yield b"x" * 65536

    assert browser(desk).post("/pair", content=endless(), headers=OURS).status_code == 413


@pytest.mark.parametrize("length", ["-1", "1e9", "99999999999999999999", "0x10", "1_0", " "])
def test_a_length_that_is_none_is_refused(desk: Desk, length: str) -> None:
    with listening(desk) as port:
        head = f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
        _, got = waits(port, f"{head}Content-Length: {length}\r\nConnection: close\r\n\r\n".encode(), most=2)
    assert got.startswith((b"HTTP/1.1 400", b"HTTP/1.1 413"))


def test_two_lengths_or_a_smuggled_request_are_refused(desk: Desk) -> None:
    with listening(desk) as port:
        head = f"POST /pair HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n"
        for lengths in ("Content-Length: 3\r\nContent-Length: 30", "Content-Length : 3"):
            _, got = waits(port, f"{head}{lengths}\r\n\r\nabc".encode(), most=2)
            assert got.startswith(b"HTTP/1.1 400")


def test_an_address_that_is_too_long_is_refused(desk: Desk) -> None:
    assert browser(desk).get("/" + "a" * 5000).status_code == 414


# --- who asks -------------------------------------------------------------------------------------------------


def routes(desk: Desk) -> list[tuple[str, str]]:
    """Every method and path that the station has, filled in."""
    app = station(desk, Place(hosts=frozenset({"testserver"})))
    while not hasattr(app, "routes") or not hasattr(app, "state"):
        app = app.app  # type: ignore[attr-defined]
    found = []
    for route in app.routes:
        for method in sorted(getattr(route, "methods", None) or ()):
            path = route.path
            for name in route.param_convertors:
                path = path.replace(f"{{{name}:str}}", "00000000").replace(f"{{{name}}}", "00000000")
                path = path.replace(f"{{{name}:int}}", "1")
            found.append((method, path))
    return found


OPEN = {
    "/",
    "/language",
    "/health",
    "/ca.crt",
    "/api",
    "/api/verdict.schema.json",
    "/pair",
    "/sign-out",
    "/unsent",
    "/worker.js",
    "/look.css",
}
"""What anybody may ask for: nothing of it says anything about people, runs or photos."""


def test_nobody_who_is_not_signed_in_gets_anything(desk: Desk) -> None:
    client = browser(desk)
    asked = [(m, path) for m, path in routes(desk) if path not in OPEN and not path.startswith("/help")]
    assert len(asked) > 10
    for method, path in asked:
        answer = client.request(method, path, headers=OURS, follow_redirects=False)
        assert answer.status_code in {401, 403}, (method, path, answer.status_code)


def test_a_foreign_page_changes_nothing_whoever_is_signed_in(desk: Desk) -> None:
    client = signed_in(browser(desk), desk, ADA)
    for method, path in routes(desk):
        if method in {"GET", "HEAD"}:
            continue
        for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}, {}):
            assert client.request(method, path, headers=headers).status_code == 403, (method, path)


@pytest.mark.parametrize("cookie", ["", "x", "00000000", "' OR 1=1 --", "é", "x" * 4000])
def test_a_forged_cookie_opens_nothing(desk: Desk, cookie: str) -> None:
    signed_in(browser(desk), desk, ADA)
    answer = browser(desk).get("/people", headers={b"Cookie": f"linecall_sign_in={cookie}".encode()})
    assert answer.status_code == 401


def test_a_link_works_for_one_of_many_who_use_it_at_once(desk: Desk) -> None:
    from concurrent.futures import ThreadPoolExecutor

    secret = desk.sign_ins.make_link(BEN, now=desk.now())

    def use(_: int) -> int:
        return browser(desk).post("/pair", json={"secret": secret}, headers=OURS).status_code

    with ThreadPoolExecutor(8) as pool:
        assert sorted(pool.map(use, range(8))) == [200] + [403] * 7


def test_a_reviewer_is_no_technician_and_a_technician_no_keeper(desk: Desk) -> None:
    assert program(desk, CLEO, "reviewer").get("/keeping/tokens").status_code == 403
    assert signed_in(browser(desk), desk, BEN).get("/keeping/tokens").status_code == 403
    assert signed_in(browser(desk), desk, BEN).get("/api/queue").status_code == 403


# --- what is said ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_any_field_is_shown_as_text_or_refused(desk: Desk, text: str) -> None:
    keeper = signed_in(browser(desk), desk, ADA)
    asked = {"program": text, "person": BEN, "role": "technician"}
    answers = [
        keeper.post("/keeping/tokens", data=asked, headers=OURS),
        keeper.post("/keeping/tokens", data=asked | {"program": "x", "person": text}, headers=OURS),
        keeper.post("/keeping/tokens", data=asked | {"program": "x", "role": text}, headers=OURS),
        keeper.post("/people", data={"person": text}, headers=OURS),
        keeper.post("/pair", json={"secret": text}, headers=OURS),
        keeper.get("/keeping/tokens"),
    ]
    for answer in answers:
        assert answer.status_code < 500
        if answer.headers["content-type"].startswith("text/html"):
            assert "<script>alert" not in answer.text
            assert "<img src=x" not in answer.text
        assert "x=1" not in answer.headers.get("set-cookie", "")
    assert desk.logbook.verify().problem is None


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_a_run_is_refused_or_kept_as_text(desk: Desk, text: str) -> None:
    client = program(desk, BEN, "technician")
    moment = {"at": desk.now().isoformat()}
    said = {"point": "HB-sump", "phase": "fuel", "lot": "CB-2604", "operator": BEN, "begun": moment}
    said["now"] = desk.now().isoformat()
    for changes in (
        {"point": text},
        {"phase": text},
        {"lot": text},
        {"operator": text},
        {"steps": [{"step": text, **moment}]},
        {"departures": [{"code": text, "step": text}]},
        {"begun": {"at": text}},
        {"now": text},
        {text: text},
    ):
        answer = client.put("/runs/k7m3q2xw", json=said | changes)
        assert answer.status_code in {400, 403, 409}, (changes, answer.text)
        assert answer.headers["content-type"] == "application/json"
    for path in (f"/runs/{quote(text[:200])}", "/runs/..%2f..%2fx", "/runs/%00"):
        assert client.put(path, json=said).status_code in {400, 404, 405, 409}
    assert desk.logbook.verify().problem is None
    assert not list(desk.folder.parent.rglob("passwd*"))


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_name_of_a_photo_is_a_plain_name_of_a_file(text: str, tmp_path: Path) -> None:
    photo = tmp_path / "photo"
    photo.write_bytes(b"\xff\xd8")
    name = file_name(text, "run-1", photo)
    assert name == Path(name).name
    assert name.isprintable()
    assert not name.startswith(".")
    assert len(name) <= 90
    assert name.endswith(".jpg")


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"null", b"{" * 100_000, b"[" * 100_000, b"\xff", b'{"now":1e999}']
)
def test_a_body_that_says_nothing_is_refused(desk: Desk, body: bytes) -> None:
    client = program(desk, BEN, "technician")
    for method, path in (("PUT", "/runs/k7m3q2xw"), ("POST", "/runs/k7m3q2xw/send")):
        assert client.request(method, path, content=body).status_code == 400


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_device_name_is_one_short_plain_line(desk: Desk, text: str) -> None:
    client = browser(desk)
    secret = desk.sign_ins.make_link(BEN, now=desk.now())
    agent = text.replace("\r", "").replace("\n", "").replace("\0", "").encode()
    headers = {b"Origin": b"http://testserver", b"User-Agent": agent}
    client.post("/pair", json={"secret": secret}, headers=headers)
    kept = desk.sign_ins.all()[0].device
    assert kept.isprintable()
    assert len(kept) <= 120


# --- behind a proxy -------------------------------------------------------------------------------------------

OUTSIDE = "https://depot.example/tests"


@pytest.mark.parametrize("prefix", ["", "/tests"])
@pytest.mark.parametrize("host", ["depot.example", "testserver"])
def test_behind_a_proxy_it_works_under_a_prefix_whether_or_not_the_proxy_cuts_it(
    desk: Desk, prefix: str, host: str
) -> None:
    place = Place(hosts=frozenset({"testserver"}), url=OUTSIDE)
    client = TestClient(station(desk, place), base_url="https://testserver", follow_redirects=False)
    headers = {"Host": host, "Origin": "https://depot.example"}
    secret = desk.sign_ins.make_link(ADA, shared=True, now=desk.now())
    paired = client.post(f"{prefix}/pair", json={"secret": secret}, headers=headers)
    assert paired.json() == {"to": "/tests/"}
    cookie = paired.headers["set-cookie"].lower()
    assert "path=/tests" in cookie
    assert "secure" in cookie
    headers["Cookie"] = paired.headers["set-cookie"].partition(";")[0]
    home = client.get(f"{prefix}/", headers=headers)
    assert 'href="/tests/static/station.css"' in home.text
    assert client.get(f"{prefix}/static/station.css", headers=headers).status_code == 200
    changed = client.post(f"{prefix}/people", data={"person": BEN}, headers=headers)
    assert changed.headers["location"] == "/tests/"
    for foreign in (
        "https://elsewhere.example",
        "http://depot.example",
        "https://depot.example.evil.example",
    ):
        refused = client.post(f"{prefix}/people", data={"person": BEN}, headers=headers | {"Origin": foreign})
        assert refused.status_code == 403, foreign


def test_no_link_on_a_page_leads_out_of_the_prefix(desk: Desk) -> None:
    import re

    place = Place(hosts=frozenset({"testserver"}), url=OUTSIDE)
    client = TestClient(station(desk, place), base_url="https://testserver")
    secret = desk.sign_ins.make_link(ADA, now=desk.now())
    client.post("/tests/pair", json={"secret": secret}, headers={"Origin": "https://depot.example"})
    for path in ("/", "/people", "/keeping/tokens", "/nothing"):
        text = client.get(f"/tests{path}", headers={"Accept": "text/html"}).text
        links = re.findall(r'(?:href|src|action)="(/[^"]*)"', text)
        assert links
        assert all(link.startswith("/tests/") for link in links), path


def test_a_forwarded_header_is_not_believed(desk: Desk) -> None:
    client = browser(desk)
    headers = {"X-Forwarded-Host": "elsewhere.example", "Origin": "http://elsewhere.example"}
    assert client.post("/pair", json={"secret": "x"}, headers=headers).status_code == 403


def test_a_run_in_progress_is_no_secret_to_its_own_and_closed_to_others(desk: Desk) -> None:
    run = developed(desk)
    answer = program(desk, BEN, "technician").get("/api/runs?open=1").json()
    assert [one["id"] for one in answer["runs"]] == [run]
    assert json.dumps(answer)
    assert browser(desk).get("/api/runs").status_code == 401
