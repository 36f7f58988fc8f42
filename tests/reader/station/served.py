"""A station on a port of this machine, for a real browser."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn

from reader.station.app import station
from reader.station.desk import Desk
from reader.station.serving import Address, listener_at


@contextmanager
def served(desk: Desk) -> Iterator[str]:
    """Serve a station in a thread; its address, without a slash at the end."""
    listener = listener_at(Address(port=0))
    port = listener.getsockname()[1]
    app = station(desk, Address(port=port).place())
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False, ws="none", lifespan="off"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join()
        listener.close()
