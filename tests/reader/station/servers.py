"""A station that really listens, in a thread, for what only sockets show."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import uvicorn

from reader.station import serving
from reader.station.app import station
from reader.station.certificate import Certificate
from reader.station.connections import Connection
from reader.station.desk import Desk


@contextmanager
def listening(
    desk: Desk, *, url: str | None = None, certificate: Certificate | None = None, **limits: float
) -> Iterator[int]:
    """The port of a server; limits : other waits of a connection."""
    address = serving.Address(port=0, certificate=certificate)
    listener = serving.listener_at(address)
    port = int(listener.getsockname()[1])
    place = replace(serving.Address(port=port, certificate=certificate).place(), url=url)
    config = serving.configured(station(desk, place), address)
    config.http_protocol_class = config.http = type("Hurried", (Connection,), limits)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=lambda: server.run(sockets=[listener]), daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        threading.Event().wait(0.01)
    try:
        yield port
    finally:
        server.should_exit = True
        thread.join(30)
        listener.close()


@contextmanager
def behind_proxy(port: int, prefix: str) -> Iterator[int]:
    """The port of a proxy that cuts a prefix off every path and asks the station under another host's name."""

    class Handler(BaseHTTPRequestHandler):
        timeout = 5  # browsers open connections that they may never use

        def handle_one_request(self) -> None:
            with suppress(ConnectionError):
                super().handle_one_request()

        def _pass_on(self) -> None:
            if not self.path.startswith(prefix):
                self.send_error(404)
                return
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            headers = {name: value for name, value in self.headers.items() if name.lower() != "host"}
            asked = HTTPConnection("127.0.0.1", port, timeout=60)
            asked.request(self.command, self.path.removeprefix(prefix[:-1]), body, headers)
            answer = asked.getresponse()
            data = answer.read()
            self.send_response_only(answer.status)
            for name, value in answer.getheaders():
                if name.lower() not in {"transfer-encoding", "content-length", "connection"}:
                    self.send_header(name, value)
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)
            asked.close()

        do_GET = do_POST = do_PUT = do_HEAD = _pass_on  # noqa: N815 (http.server's own names)

        def log_message(self, format: str, *args: object) -> None: ...

    with answering(Handler) as own:
        yield own


@contextmanager
def answering(handler: type[BaseHTTPRequestHandler]) -> Iterator[int]:
    """The port of a server of this machine whose requests a handler answers."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = False
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()
