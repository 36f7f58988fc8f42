"""A process that keeps writing to a logbook: `python -m tests.reader.logbook.writer WHERE PHOTOS FOLDER FIRST N`.

Prints each reading's id once it has been kept. The tests run several at once, kill them, and starve them of disk.
"""

import sys
from pathlib import Path

from reader.errors import LinecallError
from tests.reader.logbook.samples import Place, add


def main(where: str, photos: str, folder: str, first: int, n: int, *, bytes_max: int | None = None) -> int:
    if bytes_max is not None:
        # A file that would grow beyond this fails as on a full disk.
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (bytes_max, bytes_max))
    try:
        with Place(where=where, photos=photos).open() as logbook:
            for number in range(first, first + n):
                print(add(logbook, Path(folder), number), flush=True)
    except LinecallError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    where, photos, folder, first, n, *limit = sys.argv[1:]
    sys.exit(main(where, photos, folder, int(first), int(n), bytes_max=int(limit[0]) if limit else None))
