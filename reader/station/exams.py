"""Quizzes that are taken at the station: what each asks, each answer as it is made, and when it was handed in.

The key stays in the library's folder. Nothing here tells an answer, so whoever reads this file learns none.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal, Self

from sqlalchemy import Column, Connection, Integer, MetaData, String, Table, func, insert, select, update
from sqlalchemy.dialects.sqlite import insert as upsert

from reader.library.quiz.marking import Score
from reader.library.quiz.papers import Paper
from reader.station.upkeep import OwnFile, open_own
from reader.words import CALLS_OF, Call, MarkName
from reader.words.names import folded

FILE: Final = "quizzes.sqlite"  # in the station's folder

State = Literal["made", "begun", "over", "handed in", "marked", "withdrawn"]

_META: Final = MetaData()
_EXAMS: Final = Table(
    "exam",
    _META,
    Column("id", String, primary_key=True),
    Column("trainee", String, nullable=False),
    Column("criteria", String, nullable=False),
    Column("minutes", Integer),
    Column("made_by", String, nullable=False),
    Column("made_at", String, nullable=False),
    Column("begun_at", String),
    Column("handed_in_at", String),
    Column("withdrawn_at", String),
    Column("passed", Integer),
    Column("hits", Integer),
)
_ASKED: Final = Table(
    "asked",
    _META,
    Column("exam", String, primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("plate", Integer, nullable=False),
    Column("item", String, nullable=False),
    Column("window", String, nullable=False),
    Column("lower", String, nullable=False),
    Column("picture", String, nullable=False),
)
_ANSWERS: Final = Table(
    "answer",
    _META,
    Column("exam", String, primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("mark", String, primary_key=True),
    Column("call", String, nullable=False),
    Column("at", String, nullable=False),
)
_SHOWN: Final = Table(
    "shown",
    _META,
    Column("person", String, primary_key=True),
    Column("example", String, primary_key=True),
)


class ExamError(Exception):
    """What a quiz refuses, by the code of the text that says so."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Exam:
    """One quiz: for whom, what passes it, how long it may take, and how far it is; hits : marks as the consensus."""

    id: str
    trainee: str
    criteria: Mapping[str, float]
    minutes: int | None
    made_by: str
    made_at: datetime
    begun_at: datetime | None
    handed_in_at: datetime | None
    withdrawn_at: datetime | None
    passed: bool | None
    hits: int | None
    plates: int
    marks: int
    answered: int

    @property
    def due(self) -> datetime | None:
        """When its time is over; None without a limit, or before it begins."""
        if self.minutes is None or self.begun_at is None:
            return None
        return self.begun_at + timedelta(minutes=self.minutes)

    def state(self, now: datetime) -> State:
        """How far it is."""
        if self.withdrawn_at is not None:
            return "withdrawn"
        if self.passed is not None:
            return "marked"
        if self.handed_in_at is not None:
            return "handed in"
        if self.begun_at is None:
            return "made"
        return "begun" if self.due is None or now < self.due else "over"

    def seconds(self) -> int:
        """How long it took, from its beginning to when it was handed in, or its time was over."""
        if self.begun_at is None or self.handed_in_at is None:
            return 0
        end = self.handed_in_at if self.due is None else min(self.handed_in_at, self.due)
        return max(0, int((end - self.begun_at).total_seconds()))


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """One window of a quiz: its place in the paper and its plate's, from 0; lower : the mark that lies lower."""

    place: int
    plate: int
    item: str
    window: str
    lower: MarkName


class Exams(OwnFile):
    """The file of quizzes in the station's folder."""

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the file, or begin it. Raises OutputError."""
        return cls(open_own(folder / FILE, _META, holds="list of quizzes"))

    def add(self, paper: Paper, *, by: str, now: datetime) -> None:
        """Keep what a paper asks. Raises ExamError where its trainee has another one open."""
        key = paper.key
        with self._database.writing() as connection:
            if self._open_for(connection, key.trainee):
                raise ExamError("quiz.another_open")
            connection.execute(
                insert(_EXAMS).values(
                    id=key.quiz,
                    trainee=key.trainee,
                    criteria=json.dumps(key.criteria.model_dump(mode="json")),
                    minutes=key.minutes,
                    made_by=by,
                    made_at=now.isoformat(),
                )
            )
            rows: list[dict[str, Any]] = []
            for plate, item in enumerate(paper.content["items"]):
                for window in item["windows"]:
                    rows.append(
                        {
                            "exam": key.quiz,
                            "place": len(rows),
                            "plate": plate,
                            "item": item["item"],
                            "window": window["window"],
                            "lower": window["lower"],
                            "picture": window["picture"],
                        }
                    )
            connection.execute(insert(_ASKED), rows)

    def has_open(self, trainee: str) -> bool:
        """Whether somebody has a quiz that is neither handed in nor withdrawn."""
        with self._database.reading() as connection:
            return self._open_for(connection, trainee)

    def all(self) -> tuple[Exam, ...]:
        """Every quiz, the newest first."""
        with self._database.reading() as connection:
            rows = connection.execute(select(_EXAMS).order_by(_EXAMS.c.made_at.desc())).mappings().all()
            return tuple(_exam(connection, row) for row in rows)

    def find(self, id: str) -> Exam | None:
        """A quiz by its id."""
        with self._database.reading() as connection:
            row = connection.execute(select(_EXAMS).where(_EXAMS.c.id == id)).mappings().first()
            return None if row is None else _exam(connection, row)

    def asked(self, id: str) -> Sequence[Asked]:
        """Every window that a quiz asks about, in order."""
        with self._database.reading() as connection:
            columns = [_ASKED.c[name] for name in Asked.__slots__]
            rows = connection.execute(select(*columns).where(_ASKED.c.exam == id).order_by(_ASKED.c.place))
            return tuple(Asked(**row) for row in rows.mappings())

    def pictures(self, id: str, plate: int) -> dict[int, str]:
        """The pictures of a plate's windows, as data URIs, by the windows' places."""
        query = select(_ASKED.c.place, _ASKED.c.picture).where(_ASKED.c.exam == id, _ASKED.c.plate == plate)
        with self._database.reading() as connection:
            return {row.place: row.picture for row in connection.execute(query)}

    def answers(self, id: str) -> dict[tuple[int, MarkName], Call]:
        """The answers that were given, by the window's place and the mark."""
        with self._database.reading() as connection:
            rows = connection.execute(select(_ANSWERS).where(_ANSWERS.c.exam == id))
            return {(row.place, row.mark): row.call for row in rows}

    def begin(self, id: str, now: datetime) -> None:
        """Let the clock of a quiz run; a second time changes nothing."""
        with self._database.writing() as connection:
            connection.execute(
                update(_EXAMS)
                .where(_EXAMS.c.id == id, _EXAMS.c.begun_at.is_(None))
                .values(begun_at=now.isoformat())
            )

    def give(self, id: str, place: int, mark: MarkName, call: Call, now: datetime) -> None:
        """Keep one answer, which replaces the one before. Raises ExamError where it cannot be taken (any more)."""
        with self._database.writing() as connection:
            row = connection.execute(select(_EXAMS).where(_EXAMS.c.id == id)).mappings().one()
            state = _exam(connection, row).state(now)
            if state != "begun":
                raise ExamError("quiz.over" if state == "over" else "quiz.not_open")
            there = select(func.count()).where(_ASKED.c.exam == id, _ASKED.c.place == place)
            if not connection.scalar(there) or call not in CALLS_OF[mark]:
                raise ExamError("quiz.mark_not_asked")
            made = upsert(_ANSWERS).values(exam=id, place=place, mark=mark, call=call, at=now.isoformat())
            connection.execute(
                made.on_conflict_do_update(
                    index_elements=["exam", "place", "mark"], set_={"call": call, "at": now.isoformat()}
                )
            )

    def hand_in(self, id: str, now: datetime) -> None:
        """Take no more answers; a second time changes nothing. Raises ExamError for one that has not begun."""
        with self._database.writing() as connection:
            row = connection.execute(select(_EXAMS).where(_EXAMS.c.id == id)).mappings().one()
            if _exam(connection, row).state(now) in {"made", "withdrawn"}:
                raise ExamError("quiz.not_open")
            connection.execute(
                update(_EXAMS)
                .where(_EXAMS.c.id == id, _EXAMS.c.handed_in_at.is_(None))
                .values(handed_in_at=now.isoformat())
            )

    def withdraw(self, id: str, now: datetime) -> None:
        """Take a quiz back that is not handed in. Raises ExamError for one that is."""
        with self._database.writing() as connection:
            row = connection.execute(select(_EXAMS).where(_EXAMS.c.id == id)).mappings().one()
            if _exam(connection, row).state(now) in {"handed in", "marked"}:
                raise ExamError("quiz.handed_in_already")
            connection.execute(update(_EXAMS).where(_EXAMS.c.id == id).values(withdrawn_at=now.isoformat()))

    def keep_score(self, score: Score) -> None:
        """Keep what a quiz came to, for lists; the score itself is made anew from the library."""
        with self._database.writing() as connection:
            connection.execute(
                update(_EXAMS)
                .where(_EXAMS.c.id == score.key.quiz)
                .values(passed=int(score.passed), hits=score.agreement.hits)
            )

    def note_shown(self, person: str, examples: Sequence[str]) -> None:
        """Remember that somebody was shown others' calls on examples, so that their own are not called blind."""
        if examples:
            rows = [{"person": folded(person), "example": example} for example in dict.fromkeys(examples)]
            with self._database.writing() as connection:
                connection.execute(upsert(_SHOWN).on_conflict_do_nothing(), rows)

    def was_shown(self, person: str, examples: Sequence[str]) -> bool:
        """Whether somebody was shown others' calls on one of these examples here."""
        query = select(func.count()).where(_SHOWN.c.person == folded(person), _SHOWN.c.example.in_(examples))
        with self._database.reading() as connection:
            return bool(connection.scalar(query))

    def _open_for(self, connection: Connection, trainee: str) -> bool:
        query = select(_EXAMS.c.trainee).where(
            _EXAMS.c.handed_in_at.is_(None), _EXAMS.c.withdrawn_at.is_(None)
        )
        return folded(trainee) in map(folded, connection.scalars(query))


def _exam(connection: Connection, row: Mapping[Any, Any]) -> Exam:
    asked = select(func.count(), func.max(_ASKED.c.plate)).where(_ASKED.c.exam == row["id"])
    windows, last = connection.execute(asked).one()
    answered = connection.scalar(select(func.count()).where(_ANSWERS.c.exam == row["id"]))
    moments = {
        name: None if row[name] is None else datetime.fromisoformat(row[name])
        for name in ("begun_at", "handed_in_at", "withdrawn_at")
    }
    return Exam(
        id=row["id"],
        trainee=row["trainee"],
        criteria=json.loads(row["criteria"]),
        minutes=row["minutes"],
        made_by=row["made_by"],
        made_at=datetime.fromisoformat(row["made_at"]),
        passed=None if row["passed"] is None else bool(row["passed"]),
        hits=row["hits"],
        plates=last + 1,
        marks=2 * windows,
        answered=answered or 0,
        **moments,
    )
