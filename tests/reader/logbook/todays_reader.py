"""What stands for today's reader where kept photos are read again."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from reader.logbook import reread
from reader.run.batch import Outcome, Work, attempt
from reader.run.hand_out import Hands
from reader.run.jobs import Job
from reader.settings.read_settings import ReadSettings
from reader.verdict.evidence import Reading
from reader.verdict.model import Verdict


@dataclass
class Reader:
    """Reads every photo as one verdict, or fails; `asked` is what it was given, `at_once` how many were laid out."""

    verdict: Verdict | Exception
    asked: list[dict[str, Any]] = field(default_factory=list)
    at_once: int = 0

    def read(self, paths: Path | Sequence[Path], settings: ReadSettings, **said: Any) -> Reading:
        paths = [paths] if isinstance(paths, Path) else list(paths)
        contents = [path.read_bytes() for path in paths]
        self.asked.append({"paths": paths, "contents": contents, "settings": settings, **said})
        self.at_once = max(self.at_once, len(list(paths[0].parents[1].iterdir())))
        if isinstance(self.verdict, Exception):
            raise self.verdict
        return Reading(verdict=self.verdict, evidence=None)


def put_in_place(reader: Reader, monkeypatch: pytest.MonkeyPatch) -> Reader:
    """Let it read, right here instead of in processes of its own."""

    def read_many(jobs: Sequence[Job], work: Work, hands: Hands) -> Iterator[tuple[int, Outcome]]:
        yield from ((index, attempt(work, job)) for index, job in enumerate(jobs))

    monkeypatch.setattr(reread, "read_many", read_many)
    monkeypatch.setattr(reread, "examine", reader.read)
    monkeypatch.setattr(reread, "examine_plate", reader.read)
    return reader
