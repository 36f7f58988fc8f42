"""A connection that gives up on another side that lets it wait: on the head of a request, or on taking an answer.

uvicorn waits for both for ever, so a few hundred sockets that say nothing would keep everybody out. The body of a
request has its limits in `guard`. An answer is sent at once: asyncio sees to that only for sockets that name their
protocol, which listening ones do not, and the system would hold an answer's body back until its head is acknowledged,
by 40 ms with each request (RFC 896; RFC 9293, 3.7.4).
"""

import asyncio
import socket
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_WAIT_S: Final = 10.0
"""For the whole head of a request: a phone at the edge of a network sends its few hundred bytes in one go."""
ANSWER_WAIT_S: Final = 60.0
"""For the next bytes of an answer to be taken."""


class Connection(H11Protocol):
    """One connection of the server."""

    head_wait_s = HEAD_WAIT_S
    answer_wait_s = ANSWER_WAIT_S
    _head: asyncio.TimerHandle | None = None
    _answer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request's head."""
        super().connection_made(transport)
        held: socket.socket | None = transport.get_extra_info("socket")
        if held is not None and held.family in {socket.AF_INET, socket.AF_INET6}:
            held.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._wait_for_head()

    def data_received(self, data: bytes) -> None:
        """Take bytes; only a whole head ends the waiting for one."""
        before: Any = self.scope
        super().data_received(data)
        if self.scope is not before:
            self._stop()
        elif self.cycle is None or self.cycle.response_complete:
            self._wait_for_head()

    def _wait_for_head(self) -> None:
        if self._head is None:
            self._head = self.loop.call_later(self.head_wait_s, self.transport.abort)

    def _stop(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None

    def pause_writing(self) -> None:
        """The other side takes nothing more for now."""
        super().pause_writing()
        if self._answer is None:
            self._answer = self.loop.call_later(self.answer_wait_s, self.transport.abort)

    def resume_writing(self) -> None:
        """It takes bytes again."""
        super().resume_writing()
        if self._answer is not None:
            self._answer.cancel()
            self._answer = None

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait for nothing more."""
        self._stop()
        if self._answer is not None:
            self._answer.cancel()
        super().connection_lost(exc)
