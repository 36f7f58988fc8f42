"""What every request must be before any page sees it: of this host, of this origin, not too large, not too slow.

A browser page of another origin can send requests to any address that it guesses, loopback too; so a request that
changes anything must come from our own pages (Fetch Metadata's `Sec-Fetch-Site`; where plain HTTP leaves it out,
`Origin`, RFC 6454, must be the host that was asked).
"""

import asyncio
from collections.abc import Awaitable, Callable, Collection, MutableMapping
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import urlsplit

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
PIECE_WAIT_S: Final = 30.0
"""A request whose next bytes do not come within so many seconds is given up, so that slow ones hold no room."""
TARGET_MAX: Final = 4096  # characters of path and query


class TooLargeError(Exception):
    """A request with more bytes than any of ours has."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Where browsers reach the station: `url` as the keeper gave it behind a proxy, else the hosts that it serves."""

    hosts: frozenset[str]
    url: str | None = None

    def knows(self, host: str) -> bool:
        """Whether a Host header names this station."""
        if self.url is not None and host.lower() == urlsplit(self.url).netloc.lower():
            return True
        return host.lower() in self.hosts


@dataclass(frozen=True, kw_only=True, slots=True)
class Guard:
    """ASGI application around another one; answers by itself what must not get through."""

    app: App
    place: Place
    tokens: Collection[str] = field(default_factory=frozenset)

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
        started = False

        async def guarded_send(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
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

        try:
            await self.app(scope, _limited(receive), guarded_send)
        except TooLargeError:
            if not started:
                await _answer(send, 413, f"a request has at most {BODY_MAX:,} bytes; send photos in pieces")
        except TimeoutError:
            if not started:
                await _answer(send, 408, "the rest of the request did not come; send it again")

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
            return 413, f"a request has at most {BODY_MAX:,} bytes; send photos in pieces"
        if scope["method"] in SAFE or "authorization" in headers:  # no browser adds a token by itself
            return None
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if site is not None and site != "same-origin":
            return 403, f"this request comes from another site ({site}); open the station's own pages"
        if site is None and (origin is None or urlsplit(origin).netloc.lower() != host.lower()):
            return (
                403,
                f"this request comes from {origin or 'no page'}, not from {host}; open the station's own pages",
            )
        return None


def _limited(receive: Receive) -> Receive:
    taken = 0

    async def limited() -> Message:
        nonlocal taken
        message = await asyncio.wait_for(receive(), None if taken < 0 else PIECE_WAIT_S)
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > BODY_MAX:
                raise TooLargeError
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
