"""A line to a PostgreSQL server that breaks when it is told to: before a request arrives, or before its answer does.

`BrokenLine` listens on a port of this machine and passes on what clients and the server say, counting the clients'
requests by their messages (PostgreSQL's documentation, chapter "Frontend/Backend Protocol": a client has asked when it
has sent Query or Sync).
"""

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Literal
from urllib.parse import parse_qs, urlsplit

Fault = Literal["cut", "lose the answer", "hang"]
ASKS = b"QS"  # Query, Sync


class BrokenLine:
    """The line: whole until `break_at`, which counts from then."""

    def __init__(self, url: str) -> None:
        """Take the URL of a server that listens on a socket in a folder."""
        parts = urlsplit(url)
        self._server = f"{parse_qs(parts.query)['host'][0]}/.s.PGSQL.5432"
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._lock = threading.Lock()
        self._lines: list[socket.socket] = []
        self._left: int | None = None
        self._of = b""
        self._fault: Fault = "cut"
        self._stays = False
        self.broke = False
        self.is_down = False
        threading.Thread(target=self._listen, daemon=True).start()

    @property
    def port(self) -> int:
        """Where it listens."""
        return int(self._listener.getsockname()[1])

    def through(self, url: str) -> str:
        """The same URL, by way of this line."""
        parts = urlsplit(url)
        options = [part for part in parts.query.split("&") if part and not part.startswith("host=")]
        query = "&".join([*options, "sslmode=disable", "gssencmode=disable"])
        return f"postgresql://{parts.username}@127.0.0.1:{self.port}{parts.path}?{query}"

    def break_at(
        self, request: int, fault: Fault = "cut", *, of: bytes = b"", stay_down: bool = False
    ) -> None:
        """Break at a request, 0 the next one; once, or until `mend`. of : count only those with this in them."""
        with self._lock:
            self._left, self._fault, self._of, self._stays = request, fault, of, stay_down
            self.broke = self.is_down = False

    def mend(self) -> None:
        """Let everything through again."""
        with self._lock:
            self._left, self.is_down = None, False

    def take_down(self) -> None:
        """End every connection, and let nobody in until `mend`."""
        self.is_down = True
        self.cut_all()

    def cut_all(self) -> None:
        """End every connection now."""
        with self._lock:
            for line in self._lines:
                _end(line)
            self._lines.clear()

    def close(self) -> None:
        """End it."""
        self._listener.close()
        self.cut_all()

    def _listen(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                if self.is_down:
                    client.close()
                    continue
                server = socket.socket(socket.AF_UNIX)
                server.connect(self._server)
                with self._lock:
                    self._lines += [client, server]
                lost = threading.Event()
                threading.Thread(target=self._ask, args=(client, server, lost), daemon=True).start()
                threading.Thread(target=self._answer, args=(client, server, lost), daemon=True).start()

    def _ask(self, client: socket.socket, server: socket.socket, lost: threading.Event) -> None:
        with suppress(OSError, EOFError), client, server:
            server.sendall(_read_first(client))
            asked = b""
            while True:
                kind, message = _read_message(client)
                asked += message
                fault = self._due(asked) if kind in ASKS else None
                asked = b"" if kind in ASKS else asked
                if fault == "lose the answer":
                    lost.set()
                if fault == "hang":
                    threading.Event().wait()
                if fault == "cut":
                    break
                server.sendall(message)
            _end(server)
            _end(client)

    def _answer(self, client: socket.socket, server: socket.socket, lost: threading.Event) -> None:
        with suppress(OSError):
            while data := server.recv(1 << 16):
                if lost.is_set():
                    break
                client.sendall(data)
        _end(client)
        _end(server)

    def _due(self, asked: bytes) -> Fault | None:
        with self._lock:
            if self._left is None or self._of not in asked:
                return None
            self._left -= 1
            if self._left >= 0:
                return None
            self._left, self.broke, self.is_down = None, True, self._stays
            return self._fault


@contextmanager
def broken_line(url: str) -> Iterator[BrokenLine]:
    """A line to a server, for as long as it is needed."""
    line = BrokenLine(url)
    try:
        yield line
    finally:
        line.close()


def _end(line: socket.socket) -> None:
    with suppress(OSError):
        line.shutdown(socket.SHUT_RDWR)


def _read_first(client: socket.socket) -> bytes:
    """The message that begins a connection, which has no kind."""
    head = _read(client, 4)
    return head + _read(client, struct.unpack("!I", head)[0] - 4)


def _read_message(client: socket.socket) -> tuple[bytes, bytes]:
    head = _read(client, 5)
    return head[:1], head + _read(client, struct.unpack("!I", head[1:])[0] - 4)


def _read(client: socket.socket, n: int) -> bytes:
    data = b""
    while len(data) < n:
        more = client.recv(n - len(data))
        if not more:
            raise EOFError
        data += more
    return data
