"""A station is begun, held by one process, and run: its folder, its lock, its addresses, its server."""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from filelock import FileLock, Timeout

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.output import make_private_folder, write_whole
from reader.logbook import Logbook
from reader.station.guard import App, Place
from reader.words.clock import machine_zone

if TYPE_CHECKING:
    from uvicorn import Config

PORT: Final = 8770
OWN_FILE: Final = "station.sqlite"
"""Of sign-ins and tokens, in the station's folder."""
LOOPBACK: Final = "127.0.0.1"
CONCURRENT_MAX: Final = 200
"""Requests at once: twenty phones with six connections each, and the desks."""
KEEP_ALIVE_S: Final = 15
SHUTDOWN_S: Final = 20
"""A reading under way is finished before the server ends, if it takes no longer."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Address:
    """Where the server listens. certificate : a PEM file that holds its private key too; None is plain HTTP."""

    host: str = LOOPBACK
    port: int = PORT
    certificate: Path | None = None
    url: str | None = None

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return self.host in {LOOPBACK, "localhost", "::1"}

    @property
    def scheme(self) -> str:
        """`https` with a certificate."""
        return "https" if self.certificate else "http"

    def hosts(self) -> frozenset[str]:
        """Every Host header that names this station."""
        names = {"localhost", LOOPBACK, "[::1]"}
        if not self.is_loopback:
            names |= (
                {_bracketed(address) for address in _own_addresses()}
                if self.host in {"0.0.0.0", "::"}
                else set()
            )
            names |= {
                _bracketed(self.host),
                socket.gethostname().lower(),
                f"{socket.gethostname().lower()}.local",
            }
        return frozenset(
            {f"{name}:{self.port}" for name in names} | (names if self.port in {80, 443} else set())
        )

    def link(self, secret: str) -> str:
        """A sign-in link; the secret stands behind the `#`, which no browser sends and no log keeps."""
        if self.url is not None:
            return f"{self.url.rstrip('/')}/#{secret}"
        host = self.host
        if host in {"0.0.0.0", "::"}:
            host = next(iter(_own_addresses()), socket.gethostname())
        return f"{self.scheme}://{_bracketed(host)}:{self.port}/#{secret}"

    def place(self) -> Place:
        """What the guard lets through."""
        return Place(hosts=self.hosts(), url=self.url)


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _own_addresses() -> tuple[str, ...]:
    """Addresses of this machine on its networks; empty without one."""
    found = []
    for family, target in (
        (socket.AF_INET, "192.0.2.1"),
        (socket.AF_INET6, "2001:db8::1"),
    ):  # RFC 5737, RFC 3849
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((target, 9))  # sends nothing: only asks which way it would go
                found.append(str(probe.getsockname()[0]))
        except OSError:
            continue
    return tuple(found)


def folder_of(logbook: Logbook, given: Path | None) -> Path:
    """The station's own folder: beside an SQLite logbook, or as given. Raises LinecallError, OutputError."""
    if given is None and "://" in logbook.name:
        raise LinecallError(
            "a station whose logbook is a server needs a folder for uploads and sign-ins; give --folder"
        )
    folder = given or Path(f"{logbook.name}.station")
    make_private_folder(folder)
    return folder


def begin_site(folder: Path) -> Path:
    """The site's file in a folder, begun there with one point if there is none; a new linecall.toml names it."""
    path = folder / "site.toml"
    if not path.exists():
        text = (DATA / "examples" / "first-site.toml").read_text(encoding="utf-8")
        text = text.replace('zone = "UTC"', f'zone = "{machine_zone()}"', 1)
        files = {path: text.encode()}
        if not (folder / "linecall.toml").exists():
            files[folder / "linecall.toml"] = b'site = "site.toml"\n'
        write_whole(files, private=True)
    return path


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the station's folder; a second start on it is refused. Raises LinecallError."""
    lock = FileLock(folder / "running.lock", mode=0o600)
    try:
        lock.acquire(timeout=0)
    except Timeout:
        raise LinecallError(
            f"{folder}: a station runs here already; stop it first, or open its pages instead of starting another"
        ) from None
    try:
        yield
    finally:
        lock.release()


def run(app: App, address: Address) -> None:
    """Serve until stopped. Raises LinecallError where the address cannot be had."""
    import uvicorn

    with listener_at(address) as listener:
        uvicorn.Server(configured(app, address)).run(sockets=[listener])


def configured(app: App, address: Address) -> "Config":
    """The server's own settings."""
    import uvicorn

    from reader.station.connections import Connection

    return uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=True,
        limit_concurrency=CONCURRENT_MAX,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=SHUTDOWN_S,
        ssl_certfile=address.certificate,
        http=Connection,
        proxy_headers=False,  # anybody may send them; --url says what is to be believed
        ws="none",
        lifespan="off",
    )


def listener_at(address: Address) -> socket.socket:
    """The socket to listen on. Raises LinecallError."""
    options: dict[str, Any] = {"reuse_port": False}
    try:
        family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
        return socket.create_server((address.host, address.port), family=family, **options)
    except OSError as error:
        raise LinecallError(
            f"{address.host}:{address.port} cannot be had ({error.strerror}); give another --port or --host"
        ) from None
