"""How long a waiting phone's page takes, asked for in a process of its own: the phones of a bench share one.

    python -m tests.bench.station_pages PORT COOKIE

Prints the seconds of each page, a line each, until its standard input ends.
"""

import http.client
import select
import sys
import time

EVERY_S = 0.25


def page_time(port: int, cookie: str) -> float:
    """Seconds that a waiting phone's page takes, from the connection to its last byte."""
    begun = time.monotonic()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", "/run", headers={"Cookie": cookie})
    answer = connection.getresponse()
    answer.read()
    connection.close()
    assert answer.status == 200
    return time.monotonic() - begun


if __name__ == "__main__":
    while not select.select([sys.stdin], [], [], EVERY_S)[0]:
        print(page_time(int(sys.argv[1]), sys.argv[2]), flush=True)
