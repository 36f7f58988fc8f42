"""Where a station listens and by what names, its certificate, network shares, and what it says of itself."""

import http.client
import json
import re
import shutil
import socket
import sqlite3
import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from starlette.testclient import TestClient

from reader.errors import LinecallError
from reader.guide import topic
from reader.station import serving
from reader.station.app import station
from reader.station.certificate import Certificate
from reader.station.desk import Desk
from reader.station.guard import Place
from reader.station.health import Checks
from reader.station.machine import own_addresses, share_of
from tests.reader.station.authority import Authority
from tests.reader.station.depots import NOW, browser, depot
from tests.reader.station.servers import listening

SINCE, UNTIL = datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 12, 31, tzinfo=UTC)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


@pytest.fixture(scope="session")
def authority() -> Authority:
    return Authority()


# --- certificates ---------------------------------------------------------------------------------------------


def test_a_certificate_says_for_whom_and_until_when(authority: Authority, tmp_path: Path) -> None:
    path = authority.signs(
        tmp_path / "s.pem", "Station.lan", "192.0.2.7", "*.depot.example", since=SINCE, until=UNTIL
    )
    certificate = Certificate.load(path)
    assert certificate.until == UNTIL
    for host in ("station.lan", "STATION.LAN", "192.0.2.7", "a.depot.example"):
        assert certificate.speaks_for(host), host
    for host in ("lan", "192.0.2.70", "depot.example", "a.b.depot.example"):
        assert not certificate.speaks_for(host), host
    assert certificate.authority is not None
    assert ssl.DER_cert_to_PEM_cert(certificate.authority).strip() == authority.pem.strip()


@pytest.mark.parametrize(
    ("days", "said"),
    [
        (-366, "begins on 2026-01-01"),
        (-200, None),
        (-31, None),
        (-29, "in 29 days"),
        (0, "ended on 2026-12-31"),
    ],
)
def test_what_is_said_of_a_certificates_dates(
    authority: Authority, tmp_path: Path, days: int, said: str | None
) -> None:
    certificate = Certificate.load(authority.signs(tmp_path / "s.pem", "a.lan", since=SINCE, until=UNTIL))
    problem = certificate.problem(UNTIL + timedelta(days=days))
    assert problem is None if said is None else said in str(problem)


@pytest.mark.parametrize(
    ("parts", "more", "said"),
    [
        ("certificate", {}, "holds no private key"),
        ("key", {}, "holds no certificate"),
        ("authority key certificate", {}, "not that of its first certificate"),
        (
            "certificate key",
            {"key": ec.generate_private_key(ec.SECP256R1())},
            "not that of its first certificate",
        ),
        ("certificate key", {"passphrase": b"secret"}, "wants a passphrase"),
    ],
)
def test_a_certificates_file_that_serves_nothing_is_refused_by_name(
    authority: Authority, tmp_path: Path, parts: str, more: dict[str, object], said: str
) -> None:
    path = authority.signs(tmp_path / "s.pem", "a.lan", since=SINCE, until=UNTIL, parts=parts, **more)  # type: ignore[arg-type]
    with pytest.raises(LinecallError, match=said) as found:
        Certificate.load(path)
    assert str(path) in str(found.value)


@pytest.mark.parametrize(
    "data", [b"", b"hello", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"]
)
def test_what_is_no_certificate_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "s.pem"
    path.write_bytes(data)
    with pytest.raises(LinecallError, match="holds no certificate"):
        Certificate.load(path)


def asked(port: int, path: str, trusted: ssl.SSLContext, host: str = "localhost") -> tuple[int, bytes]:
    """What a browser that trusts the authority gets."""
    client = http.client.HTTPSConnection(host, port, timeout=20, context=trusted)
    client.request("GET", path)
    answer = client.getresponse()
    found = answer.status, answer.read()
    client.close()
    return found


def test_over_https_a_browser_that_trusts_the_authority_is_served_and_another_is_not(
    authority: Authority, desk: Desk, tmp_path: Path
) -> None:
    now = datetime.now(UTC)
    path = authority.signs(
        tmp_path / "s.pem", "localhost", since=now - timedelta(days=1), until=now + timedelta(days=397)
    )
    with listening(desk, certificate=Certificate.load(path)) as port:
        trusted = ssl.create_default_context(cadata=authority.pem)
        status, body = asked(port, "/health", trusted)
        assert (status, json.loads(body)["status"]) == (200, "ok")
        assert json.loads(body)["certificate_until"][:10] == f"{now + timedelta(days=397):%Y-%m-%d}"
        status, given = asked(port, "/ca.crt", trusted)
        assert (status, ssl.DER_cert_to_PEM_cert(given).strip()) == (200, authority.pem.strip())
        with pytest.raises(ssl.SSLCertVerificationError):
            asked(port, "/health", ssl.create_default_context())
        with pytest.raises(ssl.SSLCertVerificationError):
            asked(port, "/health", trusted, host="127.0.0.1")  # which it does not name
        with socket.create_connection(("127.0.0.1", port)) as plain:  # plain HTTP at a port of HTTPS
            plain.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200" not in plain.recv(100)


def test_a_station_without_an_authority_has_none_to_give(desk: Desk) -> None:
    answer = browser(desk).get("/ca.crt")
    assert answer.status_code == 404
    assert "linecall guide serving" in answer.text


def test_the_authority_is_given_as_phones_want_it(desk: Desk) -> None:
    place = Place(hosts=frozenset({"testserver"}), authority=b"0\x82")
    answer = TestClient(station(desk, place)).get("/ca.crt")
    assert (
        answer.headers["content-type"] == "application/x-x509-ca-cert"
    )  # RFC 8555 says pem; browsers install DER so
    assert answer.content == b"0\x82"


@pytest.mark.skipif(not shutil.which("openssl") or not shutil.which("bash"), reason="no openssl here")
def test_the_guides_commands_make_an_authority_and_a_certificate_that_serve(tmp_path: Path) -> None:
    block = next(
        one
        for one in re.findall(r"```console\n(.*?)```", topic("serving").text, re.DOTALL)
        if "openssl" in one
    )
    commands = block.replace("192.168.8.2", "127.0.0.1")
    subprocess.run(["bash", "-euc", commands], cwd=tmp_path, check=True, capture_output=True)
    certificate = Certificate.load(tmp_path / "station.pem")
    assert certificate.speaks_for("station.lan")
    assert certificate.speaks_for("127.0.0.1")
    assert timedelta(days=390) < certificate.until - datetime.now(UTC) < timedelta(days=398)
    assert certificate.authority is not None
    (tmp_path / "station").mkdir()
    with depot(tmp_path / "station") as desk, listening(desk, certificate=certificate) as port:
        trusted = ssl.create_default_context(cafile=str(tmp_path / "ca.crt"))
        trusted.verify_flags |= ssl.VERIFY_X509_STRICT
        assert asked(port, "/health", trusted, host="127.0.0.1")[0] == 200


# --- names and addresses --------------------------------------------------------------------------------------


def test_the_links_name_what_the_certificate_names(authority: Authority, tmp_path: Path) -> None:
    named = Certificate.load(authority.signs(tmp_path / "a.pem", "station.lan", since=SINCE, until=UNTIL))
    address = serving.Address(host="0.0.0.0", port=8770, certificate=named)
    assert address.bases() == ("https://station.lan:8770",)
    assert address.place().knows("Station.LAN:8770")
    own = next(one for one in (*own_addresses(), "127.0.0.1"))
    numbered = Certificate.load(authority.signs(tmp_path / "b.pem", own, since=SINCE, until=UNTIL))
    assert serving.Address(host=own, port=443, certificate=numbered).bases()[0] in {
        f"https://{own}",
        f"https://[{own}]",
    }


def test_open_to_the_network_any_address_of_it_is_a_host_and_no_foreign_name() -> None:
    place = serving.Address(host="0.0.0.0").place()
    for host in ("10.42.0.1:8770", "192.168.8.2", "[fd00::2]:8770", f"{socket.gethostname().lower()}:8770"):
        assert place.knows(host), host
    for host in (
        "evil.example",
        "10.42.0.1.evil.example:8770",
        "10.42.0.1@evil.example",
        "",
        "[fd00::2].evil.example",
    ):
        assert not place.knows(host), host
    closed = serving.Address().place()
    assert closed.knows("127.0.0.1:8770")
    assert not closed.knows("10.42.0.1:8770")


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "::1", "localhost"])
def test_only_this_machine_reaches_a_loopback_address(host: str) -> None:
    assert serving.Address(host=host).is_loopback


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "station.lan"])
def test_others_reach_any_other(host: str) -> None:
    assert not serving.Address(host=host).is_loopback


def test_it_listens_at_both_kinds_of_address_where_it_is_open_to_all() -> None:
    with serving.listener_at(serving.Address(host="::", port=0)) as listener:
        port = listener.getsockname()[1]
        for host in ("127.0.0.1", "::1"):
            socket.create_connection((host, port), 5).close()


@pytest.mark.parametrize(
    ("typed", "url"),
    [
        ("https://depot.example/tests/", "https://depot.example/tests/"),
        ("HTTPS://Depot.Example:443/tests", "https://depot.example/tests/"),
        ("http://depot.example:8080", "http://depot.example:8080/"),
        ("https://bücher.example/", "https://xn--bcher-kva.example/"),  # IDNA, the usual example
        ("https://[FD00::2]/x", "https://[fd00::2]/x/"),
    ],
)
def test_a_url_is_kept_as_browsers_name_it(typed: str, url: str) -> None:
    assert serving.checked_url(typed) == url


@pytest.mark.parametrize(
    "origin", ["http://[", "http://[::1", "null", "", "//testserver", "javascript:alert(1)"]
)
def test_an_origin_that_is_none_is_refused_and_breaks_nothing(desk: Desk, origin: str) -> None:
    assert browser(desk).post("/pair", json={"secret": "x"}, headers={"Origin": origin}).status_code == 403


# --- network shares -------------------------------------------------------------------------------------------

MOUNTS = [
    ("/", "ext4", "rw"),
    ("/mnt/office", "nfs4", "rw,vers=4.2"),
    ("/mnt/office/own", "ext4", "rw"),
    ("/media/stick", "fuseblk", "rw"),
    ("/srv/far", "fuse.sshfs", "rw"),
    ("/srv/net", "cifs", "rw"),
]


@pytest.mark.posix
@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/lib/book.sqlite", None),
        ("/mnt/office/book.sqlite", "nfs4"),
        ("/mnt/office/own/book.sqlite", None),
        ("/mnt/officer/book.sqlite", None),
        ("/media/stick/book.sqlite", None),
        ("/srv/far/a/b.sqlite", "fuse.sshfs"),
        ("/srv/net/b.sqlite", "cifs"),
    ],
)
def test_a_share_is_told_from_a_disk(path: str, kind: str | None) -> None:
    assert share_of(Path(path), MOUNTS) == kind


@pytest.mark.posix
def test_a_link_to_a_share_is_one(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "far")
    mounts = [("/", "ext4", "rw"), (str(tmp_path.resolve() / "far"), "nfs", "rw")]
    assert share_of(tmp_path / "link" / "book.sqlite", mounts) == "nfs"


def test_a_mapped_drive_is_a_share(tmp_path: Path) -> None:
    assert share_of(tmp_path, [(tmp_path.resolve().anchor, "NTFS", "rw,remote")]) == "ntfs"


def test_this_machines_own_disk_is_none(tmp_path: Path) -> None:
    assert share_of(tmp_path) is None
    serving.refuse_share(tmp_path / "book.sqlite")


# --- how it stands --------------------------------------------------------------------------------------------


def test_health_tells_of_a_database_that_does_not_answer(desk: Desk, tmp_path: Path) -> None:
    app = station(desk, Place(hosts=frozenset({"testserver"})))
    app.app.app.state.checks = Checks(wait_s=0.5)  # type: ignore[attr-defined]
    client = TestClient(app)
    assert client.get("/health").json()["database"] == "ok"
    blocking = sqlite3.connect(tmp_path / "book.sqlite", isolation_level=None)
    blocking.execute("BEGIN IMMEDIATE")
    before = threading.active_count()
    for _ in range(5):
        begun = time.monotonic()
        answer = client.get("/health")
        assert time.monotonic() - begun < 3
        assert answer.status_code == 503
        assert "does not answer" in answer.json()["database"]
    assert threading.active_count() <= before + 2, "asking again costs nothing more"
    blocking.rollback()
    blocking.close()
    deadline = time.monotonic() + 10
    while client.get("/health").status_code != 200:
        assert time.monotonic() < deadline


@pytest.mark.parametrize("place", ["book.sqlite.photos", "station"])
def test_health_tells_of_photos_that_cannot_be_kept(desk: Desk, tmp_path: Path, place: str) -> None:
    folder = tmp_path / place
    kept = tmp_path / "kept"
    if folder.exists():
        folder.rename(kept)
    folder.write_bytes(b"")
    answer = browser(desk).get("/health")
    assert answer.status_code == 503
    assert answer.json()["photos"] != "ok"
    assert not (tmp_path / "book.sqlite.photos").is_dir(), "asking begins nothing"


def test_health_leaves_nothing_behind(desk: Desk, tmp_path: Path) -> None:
    client = browser(desk)
    client.get("/health")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    client.get("/health")
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_health_tells_of_a_certificate_that_ended(desk: Desk) -> None:
    hosts = frozenset({"testserver"})
    for until, status in ((NOW + timedelta(days=1), 200), (NOW - timedelta(days=1), 503)):
        answer = TestClient(station(desk, Place(hosts=hosts, certificate_until=until))).get("/health")
        assert answer.status_code == status
        assert datetime.fromisoformat(answer.json()["certificate_until"]) == until


def test_the_fullest_disk_of_the_logbook_its_photos_and_the_station_counts(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from types import SimpleNamespace

    def of(place: Path) -> SimpleNamespace:
        return SimpleNamespace(free=2**40 if Path(place) == desk.folder else 7)

    monkeypatch.setattr("shutil.disk_usage", of)
    answer = browser(desk).get("/health").json()
    assert (answer["free_bytes"], answer["room_for_a_run"], answer["status"]) == (7, False, "wrong")
