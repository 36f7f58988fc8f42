"""Papers that examine people: drawn from the library by chance and class, answered offline, held against consensus.

The page has strips and ids drawn by lot, and nothing that tells an answer; the key stays in the library's folder. The
lots come from the key by way of a secret of the folder: another consensus makes another quiz, beside the one that was
handed out, and no id can be tried against guessed answers. The answers' hash shows that a file was edited; it is no
signature, for whoever can write a program can make another.
"""

import hashlib
import hmac
import json
import os
import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Final, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from reader.draw.page_picture import png
from reader.draw.templates import render
from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.output import write_whole
from reader.files.plain import read_plain
from reader.library.examples import Example
from reader.library.store import FitToAsk, Library, StoredMark
from reader.library.strips import as_photographed, contrast_raised
from reader.logbook.events import canonical, load_event
from reader.review.decide import CALLS
from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import SettingsFile, Share, Text, load_settings_file
from reader.verdict.model import SettingsRecord, WindowRecord
from reader.verdict.statement import Name
from reader.words import Call, MarkName
from reader.words.fields import Frozen, Id, Sha256
from reader.words.ids import ID_ALPHABET, ID_LENGTH, ID_PATTERN
from reader.words.names import checked_name, folded

if TYPE_CHECKING:
    from reader.library.agreement.statistics import Rate
    from reader.logbook import Logbook

TEMPLATES: Final = DATA / "quiz"
FOLDER: Final = "quizzes"
UNDRAWN: Final = "0" * ID_LENGTH
SECRET: Final = "secret"
SECRET_BYTES: Final = 32
KEY_BYTES_MAX: Final = 64_000_000
ANSWERS_BYTES_MAX: Final = 4_000_000  # a paper of 500 plates has a fifth of it
SECONDS_MAX: Final = 100_000_000  # three years: the page stood open
ASKED: Final = ("strong", "weak", "faint", "very faint", "none")
FAINT: Final = ("faint", "very faint")
NO_LINE: Final = ("absent", "undeveloped")
"""Calls by which the line that a window must show is not there: with the reference mark's, the window did not work."""
ITEMS_MAX: Final = 500


_AS_SAVED: Final = "give the file as the page saved it"


class QuizError(LinecallError):
    """No fair paper can be drawn, or the answers are not those to a paper of this library; nothing was kept."""


class Shares(Frozen):
    """Share of a paper's plates that is drawn for each contrast class."""

    strong: Share = Field(description="share of plates drawn for a strong line")
    weak: Share = Field(description="share of plates drawn for a weak line")
    faint: Share = Field(description="share of plates drawn for a faint line")
    very_faint: Share = Field(description="share of plates drawn for a very faint line")
    none: Share = Field(description="share of plates drawn for a window without a line")


class Criteria(Frozen):
    """What passes, as shares of marks."""

    agreement_min: Share = Field(description="least share of marks called as the consensus has it")
    faint_missed_max: Share = Field(description="largest share of faint lines called absent")
    false_calls_max: Share = Field(description="largest share of absent or undeveloped marks called present")
    doubts_max: Share = Field(description="largest share of settled marks called doubtful")


class Mix(SettingsFile):
    """What a paper is made of, and what passes it."""

    model_config = ConfigDict(populate_by_name=True)
    kind: ClassVar[str] = "quiz"
    quiz: Text = Field(description="the mix's name")
    share: Shares = Field(description="the table [share]")
    criteria: Criteria = Field(alias="pass", description="the table [pass]")

    @model_validator(mode="after")
    def _adds_up(self) -> Self:
        total = sum(self.shares.values())
        if abs(total - 1) > 1e-6:
            text = f"adds up to {total:g}, but must add up to 1"
            raise contradiction(Problem(path=("share",), text=text))
        return self

    @property
    def shares(self) -> dict[str, float]:
        """Share of each contrast class."""
        return {name: float(getattr(self.share, name.replace(" ", "_"))) for name in ASKED}


def load_mix(source: str | Path = "even") -> Mix:
    """Read a bundled mix by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Mix, source)


class KeyMark(Frozen):
    """One mark of the key: its contrast class and the consensus."""

    window: str
    mark: MarkName
    strength: str
    call: Call


class KeyItem(Frozen):
    """One plate of the paper: the id that the page has, and whose photo it is."""

    item: Id
    example: Id
    photo_sha256: Sha256
    marks: tuple[KeyMark, ...]


class Key(Frozen):
    """A paper's answers, as the library keeps them. paper : hash of what the page asks."""

    format: Literal[1] = 1
    quiz: Id
    trainee: Name
    seed: int
    mix: SettingsRecord
    consensus: SettingsRecord
    strength: SettingsRecord
    criteria: Criteria
    minutes: int | None
    items: tuple[KeyItem, ...]
    paper: Sha256


class Answers(Frozen):
    """A file of answers, as the page saves it; None: not answered before the time was over."""

    format: Literal[1]
    quiz: Id
    paper: Sha256
    answers: dict[str, dict[str, dict[MarkName, Call | None]]]
    seconds: int = Field(ge=0, le=SECONDS_MAX)
    hash: Sha256


class Kept(Frozen):
    """Answers as the library keeps them once they are marked; they tell what was asked even without the key."""

    format: Literal[1] = 1
    trainee: Name
    items: tuple[KeyItem, ...]
    answers: Answers


class _Asked(BaseModel):
    """Of a key, or of kept answers: who was asked what."""

    model_config = ConfigDict(frozen=True, defer_build=True)

    class Item(BaseModel):
        example: Id

    trainee: Name
    items: tuple[Item, ...]


Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, kw_only=True, slots=True)
class Paper:
    """A paper that was drawn: the page, and what is to be said about the draw."""

    key: Key
    page: bytes
    notes: tuple[str, ...]


# --- making -------------------------------------------------------------------------------------------------


def make(
    library: Library, *, trainee: str, items: int, seed: int, mix: Mix, minutes: int | None = None
) -> Paper:
    """Draw a paper of so many plates, keep its key in the library, and write its page.

    The same library, trainee and settings give the same paper; a paper that was handed out keeps its key, also
    where the consensus is another one since. Raises QuizError if a class cannot be represented, or if it cannot be
    told what the trainee has answered before.
    """
    trainee = checked_name(trainee, "the trainee's name")
    random_ = random.Random(f"{seed} {folded(trainee)} {mix.sha256} {items}")
    chosen, notes = _draw(library, trainee, items, mix, random_)
    random_.shuffle(chosen)
    drawn = [
        (_windows(library, example), _item(example, of_example))
        for example, of_example in library.with_marks(chosen)
    ]
    standard = library.standard()
    key = Key(
        quiz=UNDRAWN,
        trainee=trainee,
        seed=seed,
        mix=_record(mix),
        consensus=_record(standard.consensus),
        strength=_record(standard.strength),
        criteria=mix.criteria,
        minutes=minutes,
        items=tuple(item for _, item in drawn),
        paper="0" * 64,
    )
    lots = _lots(library, key)
    ids = [next(lots) for _ in drawn]
    asked = [{"item": id, "windows": windows} for id, (windows, _) in zip(ids, drawn, strict=True)]
    with_ids = tuple(item.model_copy(update={"item": id}) for id, (_, item) in zip(ids, drawn, strict=True))
    while True:
        quiz = next(lots)
        content = {"format": 1, "quiz": quiz, "minutes": minutes, "items": asked}
        paper = hashlib.sha256(canonical(content)).hexdigest()
        kept = _keep_key(library, key.model_copy(update={"quiz": quiz, "items": with_ids, "paper": paper}))
        if kept is not None:
            content["paper"] = paper
            page = render(
                "paper.html",
                [TEMPLATES],
                {"content": content, "trainee": kept.trainee, "criteria": mix.criteria},
            )
            return Paper(key=kept, page=page, notes=tuple(notes))


def _keep_key(library: Library, key: Key) -> Key | None:
    """The key as it is kept: the one that is there if it differs in the name's spelling only.

    None if something else has its id: a damaged key, or by a chance of 2^-40 another quiz. That stays as it is.
    """
    path = _path(library, key.quiz, "key")
    if os.path.lexists(path):
        there = _legible(Key, path)
        return there if there and there == key.model_copy(update={"trainee": there.trainee}) else None
    write_whole({path: canonical(key.model_dump(mode="json"))}, private=True)
    return key


def _secret(library: Library) -> bytes:
    """Of this library's folder alone; drawn when it is first wanted."""
    path = library.folder / FOLDER / SECRET
    for _ in range(2):
        try:
            found = read_plain(path, limit=ANSWERS_BYTES_MAX, within=library.folder)
        except FileNotFoundError:
            found = b""
        except OSError as error:
            raise QuizError(f"{path}: cannot be read ({(error.strerror or str(error)).lower()})") from error
        if len(found) >= SECRET_BYTES:
            return found
        write_whole({path: os.urandom(SECRET_BYTES).hex().encode()}, force=True, private=True)
    raise QuizError(f"{path}: does not keep what is written to it; check the disk")


def _draw(
    library: Library, trainee: str, items: int, mix: Mix, random_: random.Random
) -> tuple[list[str], list[str]]:
    """Ids of the examples, rarest classes drawn first, no plate twice; and notes on what was short."""
    wanted = _numbers(items, mix)
    answered, notes = _answered(library, trainee)
    fit = library.fit_to_ask(trainee, answered)
    spare = _spare_photos(fit, random_)
    every = [seq for seq in fit.every if seq not in spare] if spare else fit.every
    if len(every) < items:
        raise QuizError(
            f"{library.name}: has {_plates(len(every))} with strips and a consensus on every mark that {trainee} has "
            f"not graded, but {items} are asked for; ask for fewer with --items, or have more plates graded"
        )
    taken: dict[int, None] = {}
    for name in sorted(wanted, key=lambda name: len(fit.of_class[name])):
        of_class = [seq for seq in fit.of_class[name] if seq not in spare] if spare else fit.of_class[name]
        if not of_class:
            raise QuizError(
                f"{library.name}: no plate with a line of class {name!r} may be asked ({trainee} has graded it, or "
                "it lacks strips or a consensus); linecall library coverage tells what is thin"
            )
        lot = random_.sample(of_class, min(len(of_class), wanted[name] + len(taken)))
        found = [seq for seq in lot if seq not in taken][: wanted[name]]
        taken.update(dict.fromkeys(found))
        if len(found) < wanted[name]:
            notes.append(f"only {_plates(len(found))} for class {name!r}, {wanted[name]} were wanted")
    for seq in random_.sample(every, items):
        if len(taken) < items:
            taken.setdefault(seq)
    return library.ids(list(taken)), notes


def _spare_photos(fit: FitToAsk, random_: random.Random) -> set[int]:
    """Of each plate that several photos show, all but one, by lot."""
    spare: set[int] = set()
    every = set(fit.every) if fit.alike else set()
    for group in fit.alike:
        may = [seq for seq in group if seq in every]
        if len(may) > 1:
            spare.update(may)
            spare.remove(random_.choice(may))
    return spare


def _plates(n: int) -> str:
    return f"{n} plate{'s' * (n != 1)}"


def _numbers(items: int, mix: Mix) -> dict[str, int]:
    """Plates for each class: one at least for each that has a share, the rest by largest remainders."""
    shares = {name: share for name, share in mix.shares.items() if share > 0}
    if items > ITEMS_MAX:
        raise QuizError(f"{items} plates are more than one paper takes; ask for {ITEMS_MAX} at most")
    if items < len(shares):
        raise QuizError(
            f"{_plates(items)} cannot represent {len(shares)} contrast classes; ask for {len(shares)} or more"
        )
    rest = items - len(shares)
    exact = {name: share * rest for name, share in shares.items()}
    found = {name: 1 + int(number) for name, number in exact.items()}
    by_remainder = sorted(exact, key=lambda name: int(exact[name]) - exact[name])
    for name in by_remainder[: items - sum(found.values())]:
        found[name] += 1
    return found


def _lots(library: Library, key: Key) -> Iterator[str]:
    """Ids without end, none twice: the same for the same key of one library, and however its trainee is spelled."""
    of_key = key.model_copy(update={"trainee": folded(key.trainee)}).model_dump(mode="json")
    lots = random.Random(hmac.digest(_secret(library), canonical(of_key), "sha256"))
    drawn: set[str] = {UNDRAWN}
    while True:
        id = "".join(lots.choices(ID_ALPHABET, k=ID_LENGTH))
        if id not in drawn:
            drawn.add(id)
            yield id


def _windows(library: Library, example: Example) -> list[dict[str, Any]]:
    """What the page shows of an example."""
    try:
        strips = library.strips(example)
    except LinecallError as error:
        raise QuizError(f"example {example.id} ({example.photo.name}) was drawn, but its {error}") from error
    return [
        {
            "window": window.id,
            "picture": png(as_photographed(strips[window.id])),
            "lower": "indicator" if _indicator_is_upstream(window) else "reference",
            "indicator": list(CALLS["indicator"]),
            "reference": list(CALLS["reference"]),
        }
        for window in example.verdict.windows
    ]


def _item(example: Example, marks: Sequence[StoredMark]) -> KeyItem:
    """An example's part of the key, whose id is yet to be drawn."""
    return KeyItem(
        item=UNDRAWN,
        example=example.id,
        photo_sha256=example.photo.sha256,
        marks=tuple(
            KeyMark.model_validate(
                {"window": mark.window, "mark": mark.mark, "strength": mark.strength, "call": mark.consensus}
            )
            for mark in marks
        ),
    )


def _indicator_is_upstream(window: WindowRecord) -> bool:
    return (window.indicator.expected_mm or 0.0) <= (window.reference.expected_mm or 0.0)


def _record(settings: SettingsFile) -> SettingsRecord:
    return SettingsRecord(name=settings.name, revision=settings.revision, sha256=settings.sha256)


def _path(library: Library, quiz: str, what: str) -> Path:
    return library.folder / FOLDER / f"{quiz}.{what}.json"


def _answered(library: Library, trainee: str) -> tuple[list[str], list[str]]:
    """Examples that the trainee was asked in papers that they have answered; and notes on what is damaged.

    Key and kept answers both tell who was asked what, so that one of them may be damaged.
    """
    found: list[str] = []
    notes = []
    for path in sorted((library.folder / FOLDER).glob("*.answers.json")):
        quiz = path.name.partition(".")[0]
        if not re.fullmatch(ID_PATTERN, quiz):
            continue
        key = _path(library, quiz, "key")
        asked = _legible(_Asked, key)
        if asked is None:
            asked = _legible(_Asked, path)
            if asked is None:
                raise QuizError(
                    f"{key} and {path.name}: both are damaged, so what that quiz asked of whom cannot be told; restore "
                    "one from a backup, or move both away: then its plates may be asked a second time"
                )
            notes.append(
                f"{key}: is damaged; restore it from a backup ({path.name} names its plates, so none is asked again)"
            )
        if folded(asked.trainee) == folded(trainee):
            found += [item.example for item in asked.items]
    return found, notes


def _legible(model: type[Model], path: Path) -> Model | None:
    try:
        return model.model_validate_json(read_plain(path, limit=KEY_BYTES_MAX))
    except (OSError, ValidationError):
        return None


# --- marking ------------------------------------------------------------------------------------------------


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
    """Read a file of answers. Raises QuizError for what is none, or was edited."""
    try:
        data = read_plain(path, limit=ANSWERS_BYTES_MAX)
    except OSError as error:
        found = (error.strerror or str(error)).lower()
        raise QuizError(f"{path}: cannot be read ({found}); give the file that the page saved") from error
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        raise QuizError(f"{path.name}: is no JSON; give the file of answers that the page saved") from None
    try:
        answers = Answers.model_validate(value)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))[:60] or "the file"
        raise QuizError(
            f"{path.name}: is no file of answers as the page saves it: {where} is {str(first['input'])[:60]!r}, "
            f"but {first['msg'][:1].lower()}{first['msg'][1:]}; {_AS_SAVED}"
        ) from None
    body = {name: part for name, part in value.items() if name != "hash"}
    if hashlib.sha256(canonical(body)).hexdigest() != answers.hash:
        raise QuizError(f"{path.name}: was edited after it was saved; have the quiz answered again")
    return answers


def mark(library: Library, answers: Answers) -> Score:
    """Hold answers against the key that the library keeps, and keep them there; the same answers may be marked again.

    Raises QuizError for answers to another quiz, with a plate missing, or other than those marked before.
    """
    key = _key(library, answers.quiz)
    if answers.paper != key.paper:
        raise QuizError(
            f"the answers are to another quiz than {key.quiz} of {library.name}: the paper's hash differs; give that "
            "quiz's library"
        )
    _check_complete(key, answers)
    path = _path(library, key.quiz, "answers")
    if os.path.lexists(path):
        kept = _legible(Kept, path)
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
    write_whole({path: canonical(kept.model_dump(mode="json"))}, private=True)
    return score


def _key(library: Library, quiz: str) -> Key:
    path = _path(library, quiz, "key") if re.fullmatch(ID_PATTERN, quiz) else None
    if path is None or not os.path.lexists(path):
        raise QuizError(
            f"{library.name}: made no quiz {quiz[:20]}; give the answers to a quiz of this library, or that one's "
            "library"
        )
    key = _legible(Key, path)
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
                if call is not None and call not in CALLS[name]:
                    raise QuizError(
                        f"{call!r} is no call of the {name} mark of window {window} of {item}; {_AS_SAVED}"
                    )


def _score(key: Key, answers: Answers) -> Score:
    import numpy as np

    from reader.library.agreement.statistics import rate

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


def as_payload(score: Score) -> dict[str, Any]:
    """What the logbook keeps of a score."""
    low, high = score.agreement.by_plate or (None, None)
    return {
        "quiz": score.key.quiz,
        "trainee": score.key.trainee,
        "paper": score.key.paper,
        "answers": score.answers.hash,
        "mix": score.key.mix.model_dump(mode="json"),
        "consensus": score.key.consensus.model_dump(mode="json"),
        "plates": len(score.key.items),
        "seconds": score.answers.seconds,
        "passed": score.passed,
        "agreement": {
            "hits": score.agreement.hits,
            "of": score.agreement.of,
            "value": score.agreement.value,
            "low": low,
            "high": high,
        },
        "criteria": [
            {"name": c.name, "hits": c.hits, "of": c.of, "limit": c.limit, "met": c.met}
            for c in score.criteria
        ],
        "classes": [
            {
                "class": c.name,
                "marks": c.marks,
                "agreed": c.agreed,
                "missed": c.missed,
                "false_calls": c.false_calls,
                "doubts": c.doubts,
                "unanswered": c.unanswered,
            }
            for c in score.classes
        ],
    }


def log(logbook: "Logbook", score: Score, *, by: str, at: datetime) -> bool:
    """Add a score to the logbook, once, by the trainee as the logbook knows them; returns whether it was added."""
    of_these = (
        f'"answers":"{score.answers.hash}"'  # as canonical JSON has it; to parse all events takes far longer
    )
    for seq, digest, body in logbook.bodies():
        if of_these in body and load_event(seq, digest, body).kind == "quiz":
            return False
    logbook.append("quiz", as_payload(score), by=by, at=at)
    return True


def feedback_page(library: Library, score: Score) -> tuple[bytes, tuple[str, ...]]:
    """The result as HTML: each error's strip, as photographed and with its contrast raised, beside the consensus.

    Also says which strips could not be shown, as the library has them no more.
    """
    shown = [_shown(library, wrong) for wrong in score.wrong]
    lost = dict.fromkeys(one["lost"] for one in shown if one["lost"])
    return render("feedback.html", [TEMPLATES], {"score": score, "shown": shown}), tuple(lost)


def _shown(library: Library, wrong: Wrong) -> dict[str, Any]:
    try:
        example = library.example(wrong.example)
        strip = library.strips(example)[wrong.window]
        agreed = library.agreed(wrong.example)[wrong.window, wrong.mark]
    except LinecallError as error:
        return {"wrong": wrong, "lost": f"the strip of window {wrong.window} cannot be shown: {error}"}
    window = next(window for window in example.verdict.windows if window.id == wrong.window)
    return {
        "wrong": wrong,
        "lost": None,
        "photo": example.photo.name,
        "natural": png(as_photographed(strip)),
        "raised": png(contrast_raised(window, strip)),
        "lower": (wrong.mark == "indicator") == _indicator_is_upstream(window),
        "from_top": _from_top(window, wrong.mark),
        "votes": agreed.reason,
        "now": agreed.call,
    }


def _from_top(window: WindowRecord, mark: MarkName) -> float | None:
    """Where a mark belongs on its strip, flow upwards, as a share of the length; None without sizes."""
    place = (window.indicator if mark == "indicator" else window.reference).expected_mm
    return None if place is None or not window.length_mm else 1 - place / window.length_mm
