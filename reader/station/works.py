"""What takes longer than a request may: done one after the other, while a page tells how far it is.

Each has a thread, and a process of low priority for what it computes: a server that computes answers nobody.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from reader.errors import LinecallError
from reader.station.readers import Process
from reader.words.ids import new_id

KEPT: Final = 20  # works, the newest; their pages have some megabytes at most


@dataclass(frozen=True, kw_only=True, slots=True)
class Made:
    """What a work came to: the path of ours to go on to, or a page with its figures as JSON."""

    to: str | None = None
    page: bytes = b""
    data: bytes = b""


Say = Callable[[str], None]
"""Takes the code of the text that says what is being done."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Work:
    """One computation. title, step : codes of texts. by : whose it is. problem : what it was refused for."""

    id: str
    title: str
    by: str
    begun_at: datetime
    step: str = "work.waits"
    made: Made | None = None
    problem: str = ""


class Works:
    """The computations of a station, kept as long as it runs."""

    def __init__(self) -> None:
        """Begin without any."""
        self._turn = threading.Lock()
        self._lock = threading.Lock()
        self._works: dict[str, Work] = {}

    def begin(
        self, title: str, do: Callable[[Say, Process], Made], *, by: str, now: datetime, broken: str
    ) -> str:
        """Have something done in its turn; its id. broken : what to say where linecall itself fails."""
        work = Work(id=new_id(), title=title, by=by, begun_at=now)
        with self._lock:
            self._works[work.id] = work
            for old in [id for id, one in self._works.items() if one.made or one.problem][:-KEPT]:
                del self._works[old]
        threading.Thread(target=self._do, args=(work.id, do, broken), daemon=True).start()
        return work.id

    def find(self, id: str) -> Work | None:
        """A work as it stands now; None for one that there is not (any more)."""
        with self._lock:
            return self._works.get(id)

    def all(self) -> tuple[Work, ...]:
        """Every work, the newest first."""
        with self._lock:
            return tuple(reversed(self._works.values()))

    def _do(self, id: str, do: Callable[[Say, Process], Made], broken: str) -> None:
        with self._turn:
            process = Process()
            try:
                made = do(lambda step: self._change(id, step=step), process)
            except LinecallError as error:
                self._change(id, problem=str(error))
            except Exception:
                self._change(id, problem=broken)
                raise
            else:
                self._change(id, made=made)
            finally:
                process.end()

    def _change(self, id: str, *, step: str = "", made: Made | None = None, problem: str = "") -> None:
        with self._lock:
            was = self._works[id]
            self._works[id] = replace(
                was, step=step or was.step, made=made or was.made, problem=problem or was.problem
            )
