"""A station is begun, held by one process, and run: its folder, its lock, its addresses, its server."""

import errno
import logging
import os
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from filelock import FileLock, Timeout

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.output import make_private_folder, write_whole
from reader.logbook import Logbook
from reader.station.certificate import Certificate
from reader.station.guard import App, Place
from reader.station.machine import own_addresses, share_of
from reader.words.clock import machine_zone

if TYPE_CHECKING:
    from uvicorn import Config

PORT: Final = 8770
OWN_FILE: Final = "station.sqlite"
"""Of sign-ins and tokens, in the station's folder."""
LOOPBACK: Final = "127.0.0.1"
EVERYWHERE: Final = frozenset({"0.0.0.0", "::"})
CONCURRENT_MAX: Final = 200
"""Requests at once: twenty phones with six connections each, and the desks."""
KEEP_ALIVE_S: Final = 15
SHUTDOWN_S: Final = 20
"""A reading under way is finished before the server ends, if it takes no longer."""
USUAL_PORTS: Final = {"http": 80, "https": 443}


@dataclass(frozen=True, kw_only=True, slots=True)
class Address:
    """Where the server listens; without a certificate by plain HTTP. url : as browsers reach it behind a proxy."""

    host: str = LOOPBACK
    port: int = PORT
    certificate: Certificate | None = None
    url: str | None = None

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return self.host == "localhost" or (_is_address(self.host) and ip_address(self.host).is_loopback)

    @property
    def scheme(self) -> str:
        """`https` with a certificate."""
        return "https" if self.certificate else "http"

    def hosts(self) -> frozenset[str]:
        """Every name that a Host header may have of this station; see `Place.any_address` for addresses."""
        names = {"localhost", LOOPBACK, "[::1]", _bracketed(self.host.lower())}
        if self.certificate is not None:
            names |= {_bracketed(name) for name in self.certificate.names if not name.startswith("*")}
        if not self.is_loopback:
            own = socket.gethostname().lower()
            names |= {own, f"{own}.local"}
        is_usual = self.port == USUAL_PORTS[self.scheme]
        return frozenset({f"{name}:{self.port}" for name in names} | (names if is_usual else set()))

    def bases(self) -> tuple[str, ...]:
        """Addresses that browsers can open, without a slash at the end, the likeliest first; never empty."""
        if self.url is not None:
            return (self.url.rstrip("/"),)
        hosts = [self.host]
        if self.host in EVERYWHERE:
            hosts = [one for one in own_addresses() if self.host == "::" or ":" not in one] or [
                socket.gethostname()
            ]
        if self.certificate is not None:
            spoken_for = [host for host in hosts if self.certificate.speaks_for(host)]
            names = [
                name for name in self.certificate.names if not name.startswith("*") and not _is_address(name)
            ]
            hosts = spoken_for or names or hosts
        port = "" if self.port == USUAL_PORTS[self.scheme] else f":{self.port}"
        return tuple(f"{self.scheme}://{_bracketed(host)}{port}" for host in hosts)

    def place(self) -> Place:
        """What the guard lets through."""
        until = self.certificate.until if self.certificate else None
        authority = self.certificate.authority if self.certificate else None
        return Place(
            hosts=self.hosts(),
            url=self.url,
            any_address=not self.is_loopback,
            certificate_until=until,
            authority=authority,
        )


def checked_host(host: str) -> str:
    """An address to listen at, as it was typed: an IPv6 one may stand in brackets."""
    return host.strip().removeprefix("[").removesuffix("]")


def checked_url(url: str) -> str:
    """The URL as browsers will name it in their headers. Raises LinecallError."""
    try:
        parts = urlsplit(url.strip())
        host, port = (parts.hostname or "").encode("idna").decode(), parts.port
    except ValueError:
        host, port, parts = "", None, urlsplit("")
    scheme = parts.scheme.lower()
    if scheme not in USUAL_PORTS or not host or parts.username is not None or parts.query or parts.fragment:
        raise LinecallError(
            f"--url is {url!r}; expected is what browsers show, such as https://depot.example/tests/, and nothing more"
        )
    shown_port = "" if port in {None, USUAL_PORTS[scheme]} else f":{port}"
    return f"{scheme}://{_bracketed(host)}{shown_port}{parts.path.rstrip('/')}/"


def _is_address(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def refuse_share(path: Path) -> None:
    """Raises LinecallError for a place on another machine: SQLite's locks do not hold there (sqlite.org, faq 5)."""
    kind = share_of(path)
    if kind is not None:
        raise LinecallError(
            f"{path}: lies on a network share ({kind}), where two machines could write at once and damage it; keep it "
            "on a disk of this machine, or the logbook on a PostgreSQL server"
        )


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
def held(logbook: Logbook, folder: Path, address: Address) -> Iterator[None]:
    """Hold the logbook and the station's folder, and say there where the station is; others are refused.

    Raises LinecallError.
    """
    with ExitStack() as stack:
        for path in _locks(logbook.name, folder):
            lock = FileLock(path, mode=0o600)
            try:
                lock.acquire(timeout=0)
            except Timeout:
                where = running_at(folder)
                raise LinecallError(
                    f"{logbook.name}: a station runs on it already{f', at {where}' if where else ''}; open its pages "
                    "(linecall serve --link prints a link), or stop it first"
                ) from None
            stack.callback(lock.release)
        told = folder / _RUNNING_AT
        write_whole({told: f"{address.bases()[0]}\n".encode()}, private=True)
        stack.callback(told.unlink, missing_ok=True)
        yield


_RUNNING_AT: Final = "running-at"


def running_at(folder: Path) -> str | None:
    """Where the station of this folder says that it is; None where none runs that ended well."""
    try:
        return (folder / _RUNNING_AT).read_text(encoding="utf-8").strip() or None
    except OSError:
        return None


def is_running(logbook: Logbook, folder: Path) -> bool:
    """Whether a station holds the logbook or the folder now."""
    for path in _locks(logbook.name, folder):
        lock = FileLock(path, mode=0o600)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            return True
        lock.release()
    return False


def _locks(logbook: str, folder: Path) -> list[Path]:
    """A station's folder may be named anew for the same logbook, so each has a lock of its own."""
    beside = [] if "://" in logbook else [Path(f"{Path(logbook).resolve()}.running.lock")]
    return [*beside, folder / "running.lock"]


def run(
    app: App,
    address: Address,
    listener: socket.socket,
    *,
    started: Callable[[], None],
    stopping: Callable[[], None],
    debug: bool = False,
) -> None:
    """Serve until stopped.

    started : called once it serves, and Ctrl-C stops it. stopping : called when it is asked to end, while what is under
    way is finished.
    """
    import uvicorn

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            started()

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            stopping()
            await super().shutdown(sockets)

    Server(configured(app, address, debug=debug)).run(sockets=[listener])


def configured(app: App, address: Address, *, debug: bool = False) -> "Config":
    """The server's own settings. debug : print tracebacks of what fails inside."""
    import uvicorn

    from reader.station.connections import Connection

    return uvicorn.Config(
        app,
        log_config=None,
        log_level=logging.ERROR
        if debug
        else logging.CRITICAL,  # errors are tracebacks; the log has their names
        access_log=False,
        server_header=False,
        date_header=True,
        limit_concurrency=CONCURRENT_MAX,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=SHUTDOWN_S,
        ssl_certfile=address.certificate.path if address.certificate else None,
        http=Connection,
        proxy_headers=False,  # anybody may send them; --url says what is to be believed
        ws="none",
        lifespan="off",
    )


def listener_at(address: Address) -> socket.socket:
    """The socket to listen on. Raises LinecallError."""
    try:
        found = socket.getaddrinfo(
            address.host, address.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        family, _, _, _, target = found[0]
        both = address.host == "::" and socket.has_dualstack_ipv6()
        return socket.create_server(target, family=family, dualstack_ipv6=both)
    except OSError as error:
        raise LinecallError(_not_had(address, error)) from None


def _not_had(address: Address, error: OSError) -> str:
    where = f"{_bracketed(address.host)}:{address.port}"
    if isinstance(error, socket.gaierror):
        return f"{address.host}: no address is known by this name; give --host one of {_known()}, or 0.0.0.0 for all"
    if error.errno == errno.EADDRINUSE:
        return (
            f"{where} is in use by another program, perhaps a station that runs already; give another --port"
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{address.host}: this machine has no such address; give --host one of {_known()}, or 0.0.0.0 for all"
    if error.errno == errno.EACCES:
        return f"{where}: this port may not be taken without rights; give a --port from 1024"
    return f"{where} cannot be had ({os.strerror(error.errno or 0)}); give another --port or --host"


def _known() -> str:
    return ", ".join((LOOPBACK, *own_addresses()))
