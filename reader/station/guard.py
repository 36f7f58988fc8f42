"""What every request must be before any page sees it: of this host, of this origin, not too large, not too slow.

A browser page of another origin can send requests to any address that it guesses, loopback too; so a request that
changes anything must come from our own pages (Fetch Metadata's `Sec-Fetch-Site`; where plain HTTP leaves it out,
`Origin`, RFC 6454, must be the host that was asked).
"""

import asyncio
import re
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from urllib.parse import SplitResult, urlsplit

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[MutableMapping[str, Any], Receive, Send], Awaitable[None]]

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; worker-src 'self'; "
    "manifest-src 'self'; form-action 'self'; img-src 'self' data: blob:; media-src 'self' blob:; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
BODY_MAX: Final = 2 * 2**20
"""Bytes of one request: photos come in pieces of 256 KiB, everything else is text."""
TOO_LARGE: Final = f"a request has at most {BODY_MAX:,} bytes; send photos in pieces"
PIECE_WAIT_S: Final = 30.0
"""A request whose next bytes do not come within so many seconds is given up, so that slow ones hold no room."""
BODY_WAIT_S: Final = 120.0
"""For the whole of a request: a piece of 256 KiB then comes at 2 kB a second, which is hardly a network any more."""
TARGET_MAX: Final = 4096  # characters of path and query
_ADDRESS: Final = re.compile(r"(\d{1,3}(\.\d{1,3}){3}|\[[0-9a-f:.]+\])(:\d{1,5})?")
"""A host that is an IP address (RFC 3986, 3.2.2), with a port or without."""


class TooMuchError(Exception):
    """A request whose body has more bytes than any of ours has, or takes longer. status : as HTTP has it."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Where browsers reach the station: `url` as the keeper gave it behind a proxy, else the hosts that it serves.

    any_address : whether any IP address is taken for a host: open to the network it has several, and a container's are
    not its own; a page of another site can make a name point here, never an address. certificate_until : when the
    certificate ends. authority : the certificate above it, as DER, for phones to trust.
    """

    hosts: frozenset[str]
    url: str | None = None
    any_address: bool = False
    certificate_until: datetime | None = None
    authority: bytes | None = None

    def knows(self, host: str) -> bool:
        """Whether a Host header names this station."""
        host = host.lower()
        if host in self.hosts or (self.url is not None and host == self._outside.netloc):
            return True
        return self.any_address and _ADDRESS.fullmatch(host) is not None

    def is_own(self, origin: str, host: str) -> bool:
        """Whether a page of this origin is ours; host : the one that was asked, as a proxy may have rewritten it."""
        outside = self._outside
        if self.url is not None and origin.lower() == f"{outside.scheme}://{outside.netloc}":
            return True
        return origin.lower().partition("://")[2] == host.lower() != outside.netloc

    def seen_from_outside(self, scope: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        """A request as the browser sent it: with the scheme and path prefix of `url`, whether or not a proxy cut it."""
        if self.url is None:
            return scope
        prefix = self._outside.path.rstrip("/")
        path = scope["path"]
        if prefix and path != prefix and not path.startswith(f"{prefix}/"):
            path = prefix + path
        if path == prefix:
            path = f"{prefix}/"
        return {**scope, "scheme": self._outside.scheme, "root_path": prefix, "path": path}

    @property
    def _outside(self) -> SplitResult:
        parts = urlsplit(self.url or "")
        return parts._replace(scheme=parts.scheme.lower(), netloc=parts.netloc.lower())


@dataclass(frozen=True, kw_only=True, slots=True)
class Guard:
    """ASGI application around another one; answers by itself what must not get through."""

    app: App
    place: Place

    async def __call__(self, scope: MutableMapping[str, Any], receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with one line that says why not."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send, *refusal)
            return

        async def guarded_send(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *(
                        (name.lower().encode(), value.encode())
                        for name, value in HEADERS.items()
                        if name.lower().encode() not in given
                    ),
                ]
            await send(message)

        await self.app(self.place.seen_from_outside(scope), _limited(receive), guarded_send)

    def _refusal(self, scope: MutableMapping[str, Any]) -> tuple[int, str] | None:
        headers = {
            name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]
        }
        host = headers.get("host", "")
        if not self.place.knows(host):
            served = self.place.url or ", ".join(sorted(self.place.hosts))
            return 421, f"this station is {served}, but the request asks for {host[:100]!r}; see --url"
        if len(scope["path"]) + len(scope.get("query_string", b"")) > TARGET_MAX:
            return 414, "the address is too long"
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length) > BODY_MAX:
            return 413, TOO_LARGE
        if scope["method"] in SAFE or "authorization" in headers:  # no browser adds a token by itself
            return None
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if site is not None and site != "same-origin":
            return 403, f"this request comes from another site ({site}); open the station's own pages"
        if site is None and (origin is None or not self.place.is_own(origin, host)):
            return (
                403,
                f"this request comes from {origin or 'no page'}, not from {host}; open the station's own pages",
            )
        return None


def _limited(receive: Receive) -> Receive:
    taken, loop = 0, asyncio.get_running_loop()
    until = loop.time() + BODY_WAIT_S

    async def limited() -> Message:
        nonlocal taken
        left = None if taken < 0 else min(PIECE_WAIT_S, max(until - loop.time(), 0.0))
        try:
            message = await asyncio.wait_for(receive(), left)
        except TimeoutError:
            raise TooMuchError(408, "the rest of the request did not come; send it again") from None
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > BODY_MAX:
                raise TooMuchError(413, TOO_LARGE)
            if not message.get("more_body", False):
                taken = -1  # whole: what comes now is the other side's leaving, which may take any time
        return message

    return limited


async def _answer(send: Send, status: int, line: str) -> None:
    headers = {**HEADERS, "Content-Type": "text/plain; charset=utf-8", "Connection": "close"}
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": (line + "\n").encode("utf-8", "replace")})
