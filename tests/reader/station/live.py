"""A station that answers on a port of this machine, for a real browser."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import Place


@contextmanager
def served(desk: Desk) -> Iterator[str]:
    """The address of a desk's pages while they are served, without a slash at its end."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        app = station(desk, Place(hosts=frozenset({host})))
        server = uvicorn.Server(uvicorn.Config(app, log_config=None, ws="none", lifespan="off"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        until = time.monotonic() + 10
        while not server.started:
            assert time.monotonic() < until, "the server does not start"
            time.sleep(0.02)
        try:
            yield f"http://{host}"
        finally:
            server.should_exit = True
            thread.join(10)
