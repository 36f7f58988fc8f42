"""A store of objects that speaks S3, in a process of its own, and a proxy before it that makes trouble on demand."""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

KEYS = {"AWS_ACCESS_KEY_ID": "a-key", "AWS_SECRET_ACCESS_KEY": "a-secret", "AWS_DEFAULT_REGION": "eu-west-1"}
NOT_PASSED_ON = {"transfer-encoding", "connection", "content-length", "date", "server"}

Trouble = Callable[[str, str], tuple[int, str] | float | None]
"""Of a request's method and path: a status and S3's code for it, seconds to wait, or None to let it pass."""


@dataclass
class Store:
    """`url` is the endpoint; `trouble` may be set at any time; `asked` are all requests, as METHOD path."""

    port: int
    proxy: int = 0
    trouble: Trouble = field(default=lambda method, path: None)
    asked: list[str] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.proxy}"

    def client(self) -> Any:
        """A client that goes past the trouble."""
        import boto3  # type: ignore[import-untyped]

        return boto3.client("s3", endpoint_url=f"http://127.0.0.1:{self.port}")

    def put(self, bucket: str, **objects: bytes) -> None:
        for name, data in objects.items():
            self.client().put_object(Bucket=bucket, Key=name, Body=data)

    def objects(self, bucket: str) -> dict[str, bytes]:
        client = self.client()
        found = client.list_objects_v2(Bucket=bucket).get("Contents", [])
        return {one["Key"]: client.get_object(Bucket=bucket, Key=one["Key"])["Body"].read() for one in found}


@contextmanager
def object_store() -> Iterator[Store]:
    """Start both."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    store = Store(port)
    proxy = Proxy(("127.0.0.1", 0), _handler(store))
    proxy.daemon_threads = True
    store.proxy = proxy.server_port
    threading.Thread(target=proxy.serve_forever, daemon=True).start()
    try:
        _wait_for(port)
        yield store
    finally:
        proxy.shutdown()
        proxy.server_close()
        server.terminate()
        server.wait(10)


class Proxy(ThreadingHTTPServer):
    """Says nothing of callers who hang up."""

    def handle_error(self, request: object, client_address: object) -> None:
        pass


def _wait_for(port: int) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            assert time.monotonic() < deadline, "the store does not start"
            time.sleep(0.1)


def _handler(store: Store) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def pass_on(self) -> None:
            body = self._body()
            store.asked.append(f"{self.command} {self.path}")
            trouble = store.trouble(self.command, self.path)
            if isinstance(trouble, tuple):
                status, code = trouble
                self._answer(
                    status,
                    {"Content-Type": "application/xml"},
                    f"<Error><Code>{code}</Code></Error>".encode(),
                )
                return
            time.sleep(trouble or 0)
            there = HTTPConnection("127.0.0.1", store.port, timeout=60)
            headers = {
                name: value for name, value in self.headers.items() if name.lower() != "transfer-encoding"
            }
            there.request(self.command, self.path, body, headers | {"Content-Length": str(len(body))})
            answer = there.getresponse()
            data = answer.read()
            kept = {name: value for name, value in answer.getheaders() if name.lower() not in NOT_PASSED_ON}
            length = answer.getheader("Content-Length") if self.command == "HEAD" else None
            self._answer(answer.status, kept, data, length)

        do_GET = do_PUT = do_POST = do_DELETE = do_HEAD = pass_on  # noqa: N815

        def _body(self) -> bytes:
            if "chunked" not in self.headers.get("Transfer-Encoding", ""):
                return self.rfile.read(int(self.headers.get("Content-Length") or 0))
            pieces = []
            while size := int(self.rfile.readline().split(b";")[0], 16):
                pieces.append(self.rfile.read(size))
                self.rfile.readline()
            while self.rfile.readline().strip():
                pass
            return b"".join(pieces)

        def _answer(
            self, status: int, headers: dict[str, str], data: bytes, length: str | None = None
        ) -> None:
            self.send_response_only(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", length or str(len(data)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(data)

        def log_message(self, format: str, *args: object) -> None:
            pass

    return Handler
