"""What the server did: a line a request, without photos, positions, secrets, or what stands in an address.

Kept are the method, the route's pattern, the status, how long it took, and the number of the sign-in, which the list
of devices gives a name to. Old lines make room for new ones.
"""

import itertools
import json
import logging
import os
import time
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any, Final

from starlette.routing import BaseRoute, Match

from reader.files.output import create_private_file
from reader.station.guard import App, Message, Receive, Send

NAME: Final = "station.log"
SIZE_MAX: Final = 1_000_000  # bytes of a file: some 8,000 requests
FILES: Final = 9  # older ones that are kept beside it
FIELDS: Final = frozenset({"at", "method", "path", "status", "ms", "sign_in", "error"})
SIGN_IN: Final = "linecall_sign_in"
"""Where a request's scope has the number of its sign-in, once somebody has asked for it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Journal:
    """ASGI application around another one; a full disk loses lines, never requests."""

    app: App
    routes: Sequence[BaseRoute]
    folder: Path
    now: Callable[[], datetime]

    async def __call__(self, scope: MutableMapping[str, Any], receive: Receive, send: Send) -> None:
        """Let a request through, then write its line."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        status, begun, at = 0, time.monotonic(), self.now()

        async def noting_send(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        failed = None
        asked = dict(scope)  # routes write into a scope
        try:
            await self.app(scope, receive, noting_send)
        except Exception as error:
            failed, status = type(error).__name__, status or 500
            raise
        finally:
            line = {
                "at": at.isoformat(timespec="milliseconds"),
                "method": scope["method"] if scope["method"].isalpha() else "?",
                "path": self._pattern(asked),
                "status": status,
                "ms": round((time.monotonic() - begun) * 1000),
                "sign_in": scope.get(SIGN_IN),
                "error": failed,
            }
            _write(self.folder / NAME, line)

    def _pattern(self, scope: MutableMapping[str, Any]) -> str:
        for route in self.routes:
            if route.matches(scope)[0] is Match.FULL:
                return str(getattr(route, "path", "?"))
        return "?"


class _File(RotatingFileHandler):
    def _open(self) -> TextIOWrapper:
        """Only the station's user looks into it, whatever the umask."""
        with suppress(FileExistsError):
            os.close(create_private_file(Path(self.baseFilename)))
        return super()._open()

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        """Lose the line and not the request: the disk is full."""


def _write(path: Path, line: dict[str, Any]) -> None:
    file = _File(path, maxBytes=SIZE_MAX, backupCount=FILES, encoding="utf-8", delay=True)
    before = _size_of(path)
    try:
        with closing(file):
            file.emit(logging.makeLogRecord({"msg": json.dumps(line)}))
    except (
        OSError
    ):  # what a full disk did not take is tried again on closing; half a line would spoil the next one
        with suppress(OSError):
            if _size_of(path) > before:
                os.truncate(path, before)


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def lines(folder: Path, last: int) -> Iterator[dict[str, Any]]:
    """The newest lines, the newest first, at most `last`."""
    return itertools.islice(_lines(folder), last)


def _lines(folder: Path) -> Iterator[dict[str, Any]]:
    for name in (NAME, *(f"{NAME}.{number}" for number in range(1, FILES + 1))):
        try:
            found = (folder / name).read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            continue
        for text in reversed(found):
            try:
                line = json.loads(text)
            except ValueError:
                continue  # torn by a full disk
            if isinstance(line, dict) and set(line) >= FIELDS:
                yield line
