"""Mark a quiz: check the answers, hold them against the key and the consensus in it, and score them.

The answers' hash shows that a file was edited; it is no signature, for whoever can write a program can make another.
"""

import hashlib
import json
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from reader.files.output import write_whole
from reader.files.plain import read_plain
from reader.library.extra import extra
from reader.library.quiz.mix import ASKED
from reader.library.quiz.records import (
    ANSWERS_BYTES_MAX,
    Answers,
    Kept,
    Key,
    KeyMark,
    QuizError,
    kept_path,
    load_kept,
)
from reader.library.store import Library
from reader.store.canonical import canonical_json
from reader.words import CALLS_OF, Call, MarkName
from reader.words.ids import ID_PATTERN

if TYPE_CHECKING:
    from reader.library.agreement.rates import Rate

FAINT: Final = ("faint", "very faint")
# Calls that say there is no line: of a reference mark, that its window did not work.
NO_LINE: Final = ("absent", "undeveloped")
_AS_SAVED: Final = "give the file as the page saved it"


@dataclass(frozen=True, kw_only=True, slots=True)
class ClassScore:
    """Answers on the marks of one class; `reference` is a class of its own here."""

    name: str
    marks: int
    agreed: int
    missed: int
    false_calls: int
    doubts: int
    unanswered: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Wrong:
    """One answer that is not the consensus; `plate` is the plate's number in the paper."""

    plate: int
    item: str
    example: str
    window: str
    mark: MarkName
    strength: str
    answer: Call | None
    consensus: Call


@dataclass(frozen=True, kw_only=True, slots=True)
class Criterion:
    """One thing that passing takes: `hits` of `of`, and whether it is met; None where nothing was asked about it."""

    name: str
    hits: int
    of: int
    limit: float
    at_least: bool
    met: bool | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Score:
    """How a paper was answered. agreement : over all marks, with intervals (see `statistics.Rate`)."""

    key: Key
    answers: Answers
    classes: tuple[ClassScore, ...]
    agreement: "Rate"
    criteria: tuple[Criterion, ...]
    wrong: tuple[Wrong, ...]

    @property
    def passed(self) -> bool:
        """Whether every criterion is met that anything was asked about."""
        return all(criterion.met is not False for criterion in self.criteria)


def load_answers(path: Path) -> Answers:
    """Read a file of answers. Raises QuizError if it is not one, or was edited after it was saved."""
    try:
        data = read_plain(path, limit=ANSWERS_BYTES_MAX)
    except OSError as error:
        found = (error.strerror or str(error)).lower()
        raise QuizError(f"{path}: cannot be read ({found}); give the file that the page saved") from error
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        raise QuizError(f"{path.name}: is not JSON; give the file of answers that the page saved") from None
    try:
        answers = Answers.model_validate(value)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))[:60] or "the file"
        raise QuizError(
            f"{path.name}: is not a file of answers as the page saves it: {where} is {str(first['input'])[:60]!r}, "
            f"but {first['msg'][:1].lower()}{first['msg'][1:]}; {_AS_SAVED}"
        ) from None
    if _hash_of({name: part for name, part in value.items() if name != "hash"}) != answers.hash:
        raise QuizError(f"{path.name}: was edited after it was saved; have the quiz answered again")
    return answers


def answers_of(key: Key, given: Mapping[tuple[str, str, MarkName], Call], *, seconds: int) -> Answers:
    """Answers that were kept one by one, by item, window and mark, as a page would save them; the rest is None."""
    body: dict[str, Any] = {
        "format": 1,
        "quiz": key.quiz,
        "paper": key.paper,
        "answers": {
            item.item: {
                window: {
                    m.mark: given.get((item.item, window, m.mark)) for m in item.marks if m.window == window
                }
                for window in dict.fromkeys(m.window for m in item.marks)
            }
            for item in key.items
        },
        "seconds": seconds,
    }
    return Answers.model_validate({**body, "hash": _hash_of(body)})


def _hash_of(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical_json(body)).hexdigest()


def mark(library: Library, answers: Answers) -> Score:
    """Hold answers against the key that the library keeps, and keep them there; the same answers may be marked again.

    Raises QuizError for answers to another quiz, with a plate missing, or other than those marked before.
    """
    key = load_key(library, answers.quiz)
    if answers.paper != key.paper:
        raise QuizError(
            f"the answers are to another quiz than {key.quiz} of {library.name}: the paper's hash differs; give that "
            "quiz's library"
        )
    _check_complete(key, answers)
    path = kept_path(library, key.quiz, "answers")
    if os.path.lexists(path):
        kept = load_kept(Kept, path)
        if kept is None:
            raise QuizError(
                f"{path}: the answers that were marked before are damaged; restore it from a backup"
            )
        if kept.answers.answers != answers.answers:
            raise QuizError(
                f"quiz {key.quiz} was marked before with other answers, which stand; make a new quiz to try again"
            )
        return _score(key, kept.answers)
    kept = Kept(trainee=key.trainee, items=key.items, answers=answers)
    score = _score(key, answers)
    write_whole({path: canonical_json(kept.model_dump(mode="json"))}, private=True)
    return score


def check_means() -> None:
    """Raise MissingExtraError where packages are missing that marking needs: better before a quiz than after."""
    for module in ("scipy.stats", "statsmodels.stats.proportion"):
        extra(module)


def load_key(library: Library, quiz: str) -> Key:
    """Load a quiz's key. Raises QuizError for a quiz that this library did not make, or a damaged key."""
    path = kept_path(library, quiz, "key") if re.fullmatch(ID_PATTERN, quiz) else None
    if path is None or not os.path.lexists(path):
        raise QuizError(
            f"{library.name}: made no quiz {quiz[:20]}; give the answers to a quiz of this library, or that one's "
            "library"
        )
    key = load_kept(Key, path)
    if key is None or key.quiz != quiz:
        raise QuizError(f"{path}: the quiz's key is damaged; restore it from a backup")
    return key


def _check_complete(key: Key, answers: Answers) -> None:
    wanted = {(item.item, mark.window, mark.mark) for item in key.items for mark in item.marks}
    found = {
        (item, window, mark)
        for item, windows in answers.answers.items()
        for window, marks in windows.items()
        for mark in marks
    }
    places = {item.item: place for place, item in enumerate(key.items, 1)}
    for item, window, name in sorted(wanted - found, key=lambda lost: (places[lost[0]], *lost[1:])):
        raise QuizError(
            f"the answers lack the {name} mark of window {window} on plate {places[item]} of {len(places)}; "
            "have the page save them again"
        )
    for item, window, name in sorted(found - wanted):
        raise QuizError(
            f"the answers have the {name} mark of window {window} of {item}, which was not asked; {_AS_SAVED}"
        )
    for item, windows in answers.answers.items():
        for window, marks in windows.items():
            for name, call in marks.items():
                if call is not None and call not in CALLS_OF[name]:
                    raise QuizError(
                        f"{call!r} is not a call of the {name} mark of window {window} of {item}; {_AS_SAVED}"
                    )


def _score(key: Key, answers: Answers) -> Score:
    import numpy as np

    from reader.library.agreement.rates import rate

    rows = [
        (item, mark, answers.answers[item.item][mark.window][mark.mark])
        for item in key.items
        for mark in item.marks
    ]
    hits = [sum(m.call == answer for i, m, answer in rows if i is item) for item in key.items]
    classes = tuple(
        _class_score(name, [(m, answer) for _, m, answer in rows if _class(m) == name])
        for name in (*ASKED, "unmeasured", "reference")
    )
    lines = [(m, answer) for _, m, answer in rows if m.mark == "indicator"]
    faint = [answer for m, answer in lines if m.strength in FAINT and m.call == "present"]
    blank = [answer for _, m, answer in rows if m.call in NO_LINE]
    settled = [answer for _, m, answer in rows if m.call != "doubtful"]
    limits = key.criteria
    return Score(
        key=key,
        answers=answers,
        classes=tuple(found for found in classes if found.marks),
        agreement=rate(np.array(hits), np.array([len(item.marks) for item in key.items])),
        criteria=(
            _criterion(
                "agreement with the consensus", sum(hits), len(rows), limits.agreement_min, at_least=True
            ),
            _criterion("faint lines missed", faint.count("absent"), len(faint), limits.faint_missed_max),
            _criterion("false calls of a line", blank.count("present"), len(blank), limits.false_calls_max),
            _criterion(
                "doubts where there is none", settled.count("doubtful"), len(settled), limits.doubts_max
            ),
        ),
        wrong=tuple(
            Wrong(
                plate=key.items.index(item) + 1,
                item=item.item,
                example=item.example,
                window=m.window,
                mark=m.mark,
                strength=m.strength,
                answer=answer,
                consensus=m.call,
            )
            for item, m, answer in rows
            if answer != m.call
        ),
    )


def _class(mark: KeyMark) -> str:
    return mark.strength if mark.mark == "indicator" else "reference"


def _class_score(name: str, rows: Sequence[tuple[KeyMark, Call | None]]) -> ClassScore:
    return ClassScore(
        name=name,
        marks=len(rows),
        agreed=sum(mark.call == answer for mark, answer in rows),
        missed=sum(mark.call == "present" and answer in NO_LINE for mark, answer in rows),
        false_calls=sum(mark.call in NO_LINE and answer == "present" for mark, answer in rows),
        doubts=sum(mark.call != "doubtful" and answer == "doubtful" for mark, answer in rows),
        unanswered=sum(answer is None for _, answer in rows),
    )


def _criterion(name: str, hits: int, of: int, limit: float, *, at_least: bool = False) -> Criterion:
    met = None if of == 0 else hits >= limit * of - 1e-9 if at_least else hits <= limit * of + 1e-9
    return Criterion(name=name, hits=hits, of=of, limit=limit, at_least=at_least, met=met)
