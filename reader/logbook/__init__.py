"""The logbook: every reading, review and correction as an event in a chain that cannot be changed unseen.

`Logbook.open` is the door. `Logbook` brings in SQLAlchemy, so a reading that is not logged must not ask for it;
what only needs the words of events, as the library does, imports `reader.logbook.events` and is spared the rest.

What the payloads of events hold:

- `reading`: `photos` (list of `name`, `sha256`), `place` (hash of the photos' place as the logbook names it),
  `statement`, `summary`, `supersedes` (ids of earlier readings whose place it takes, if any) and, where one was
  named, the `reason`, `verdict`; `run`, the run whose plate it is of, if any.
- `review`: whatever the review says; if it holds a `verdict`, that is the reading's current one from then on,
  and its `summary` is added; `base`, the verdict that later reviews decide on, where departures were noted;
  `waiting` (true or false) overrides whether the reading still waits for a
  reviewer.
- `correction`: `field` of the statement, `was`, `value`, `reason`.
- `clock`: `before`, `now`: the clock ran backwards between the event before this one and this one.
- `run` and `run_...`: about a run, whose id stands in the event's field `reading` (reader.logbook.run_events).
- `follow_up` and `follow_up_...`: about a follow-up, in the same way (reader.logbook.follow_up_events).
- any other kind is kept and shown, and changes nothing about a reading.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reader.logbook.events import Event, Statement
    from reader.logbook.store import Logbook, ReadingRow, RunRow, StaleHeadError, StoredReading, Succession

__all__ = [
    "Event",
    "Logbook",
    "ReadingRow",
    "RunRow",
    "StaleHeadError",
    "Statement",
    "StoredReading",
    "Succession",
]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module = "events" if name in {"Event", "Statement"} else "store"
    return getattr(import_module(f"{__name__}.{module}"), name)
