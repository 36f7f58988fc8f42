"""A station that really listens, in a thread, for what only sockets show."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

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
