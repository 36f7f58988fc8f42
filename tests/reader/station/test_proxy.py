"""Behind a real nginx, with TLS and under a path, by the lines that the guide shows."""

import hashlib
import http.client
import json
import os
import re
import socket
import ssl
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from reader.guide import topic
from reader.station.desk import Desk
from reader.station.uploads import PIECE_MAX
from tests.reader.station.authority import Authority
from tests.reader.station.depots import ADA, BEN, NOW, depot, developed, photo_of
from tests.reader.station.servers import listening

LINES = re.search(r"```nginx\n(.*?)```", topic("serving").text, re.DOTALL)
VARIANTS: dict[str, Callable[[str], str]] = {
    "as in the guide": lambda text: text,
    "prefix cut": lambda text: re.sub(r"(proxy_pass [^;]*);", r"\1/;", text),
    "Host handed on": lambda text: text.replace("}", "    proxy_set_header Host $http_host;\n}"),
}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def proxied(nginx: str, folder: Path, pem: Path, lines: str, port: int) -> Iterator[None]:
    """An nginx of its own with these lines in its server."""
    temporary = "".join(f"{name}_temp_path {folder}/{name};\n" for name in ("client_body", "proxy"))
    unused = "".join(f"{name}_temp_path {folder}/{name};\n" for name in ("fastcgi", "uwsgi", "scgi"))
    user = "user root;" if os.name == "posix" and os.geteuid() == 0 else ""
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/pid; error_log {folder}/error.log; {user} events {{}}\n"
        f"http {{ access_log off; {temporary}{unused}"
        f"server {{ listen 127.0.0.1:{port} ssl; server_name localhost;\n"
        f"ssl_certificate {pem}; ssl_certificate_key {pem};\n{lines}}} }}\n"
    )
    with subprocess.Popen(
        [nginx, "-p", folder, "-c", folder / "nginx.conf", "-e", folder / "error.log"],
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            deadline = time.monotonic() + 20
            while True:
                try:
                    socket.create_connection(("127.0.0.1", port), 1).close()
                    break
                except OSError:
                    assert time.monotonic() < deadline, (folder / "error.log").read_text()
                    time.sleep(0.02)
            yield
        finally:
            process.terminate()


class Client:
    """A browser or a program outside, which trusts the depot's authority."""

    def __init__(self, port: int, authority: Authority, **headers: str) -> None:
        self.base = f"https://localhost:{port}"
        self._at, self._headers = ("localhost", port), headers
        self._trusted = ssl.create_default_context(cadata=authority.pem)

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        """Status, headers and body of an answer."""
        connection = http.client.HTTPSConnection(*self._at, timeout=60, context=self._trusted)
        connection.request(method, path, body, {**self._headers, **(headers or {})})
        answer = connection.getresponse()
        found = answer.status, answer.headers, answer.read()
        connection.close()
        return found


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


@pytest.mark.parametrize("variant", VARIANTS)
def test_behind_nginx_people_sign_in_and_photos_come_in_pieces(
    nginx: str, desk: Desk, root: Path, tmp_path: Path, variant: str
) -> None:
    assert LINES is not None
    authority, outside, now = Authority(), free_port(), datetime.now(UTC)
    pem = authority.signs(
        tmp_path / "s.pem", "localhost", since=now - timedelta(1), until=now + timedelta(90)
    )
    url = f"https://localhost:{outside}/tests/"
    with listening(desk, url=url) as port:
        lines = VARIANTS[variant](LINES[1].replace("8770", str(port)))
        with proxied(nginx, tmp_path, pem, lines, outside):
            browser_works(desk, Client(outside, authority))
            if variant == "as in the guide":
                photo_works(desk, Client(outside, authority), photo_of(root, NOW - timedelta(minutes=1)))


def browser_works(desk: Desk, client: Client) -> None:
    """Sign in, look at pages whose links stay below the path, and send a form; a foreign page cannot."""
    body = json.dumps({"secret": desk.sign_ins.make_link(ADA, shared=True, now=desk.now())}).encode()
    own, foreign = {"Origin": client.base}, {"Origin": "https://elsewhere.example"}
    assert client.ask("POST", "/tests/pair", body, foreign)[0] == 403
    status, headers, answer = client.ask("POST", "/tests/pair", body, own)
    assert (status, json.loads(answer)) == (200, {"to": "/tests/"})
    cookie = str(headers["set-cookie"])
    assert {"path=/tests", "secure", "httponly", "samesite=strict"} <= set(cookie.lower().split("; "))
    signed = {"Cookie": cookie.partition(";")[0]}
    for path in ("/", "/today", "/people", "/keeping/people", "/help", "/nothing"):
        _, _, page = client.ask("GET", f"/tests{path}", headers=signed | {"Accept": "text/html"})
        links = re.findall(r'(?:href|src|action)="([^"#][^"]*)"', page.decode())
        assert links, path
        for link in links:
            assert link.startswith("/tests/") or not link.startswith(("/", "http")), (path, link)
    _, headers, _ = client.ask("GET", "/tests/static/station.css", headers=signed)
    assert "css" in str(headers["content-type"])
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.ask("POST", "/tests/people", b"person=Ben+South", signed | form | foreign)[0] == 403
    status, headers, _ = client.ask("POST", "/tests/people", b"person=Ben+South", signed | form | own)
    assert (status, headers["location"]) == (303, "/tests/")
    assert json.loads(client.ask("GET", "/tests/health")[2])["status"] == "ok"


def photo_works(desk: Desk, client: Client, photo: bytes) -> None:
    """Send a photo in pieces, and get its grade."""
    assert desk.tokens is not None
    secret, _ = desk.tokens.make("a test", person=BEN, role="technician", by=ADA, now=desk.now())
    token = {"Authorization": f"Bearer {secret}"}
    run, sha = developed(desk), hashlib.sha256(photo).hexdigest()
    assert len(photo) > 2 * PIECE_MAX
    for at in range(0, len(photo), PIECE_MAX):
        piece = photo[at : at + PIECE_MAX]
        status, _, answer = client.ask("PUT", f"/tests/runs/{run}/photos/{sha}?at={at}", piece, token)
        assert (status, json.loads(answer)["next"]) == (200, at + len(piece))
    asked = {"photos": [{"sha256": sha, "name": "a.jpg", "at": NOW.isoformat()}], "now": NOW.isoformat()}
    sent = json.dumps(asked).encode()
    status, _, answer = client.ask(
        "POST", f"/tests/runs/{run}/send", sent, token | {"Content-Type": "application/json"}
    )
    assert status == 200, answer
    assert json.loads(answer)["status"] == "read"
