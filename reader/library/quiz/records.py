"""What the library keeps of quizzes in its folder `quizzes`: keys, marked answers, and the secret behind the ids."""

import os
import re
from pathlib import Path
from typing import Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reader.errors import LinecallError
from reader.files.output import write_whole
from reader.files.plain import read_plain
from reader.library.quiz.mix import Criteria
from reader.library.store import Library
from reader.store.canonical import canonical_json
from reader.verdict.model import SettingsRecord
from reader.verdict.statement import Name
from reader.words import Call, MarkName
from reader.words.fields import Frozen, Id, Sha256
from reader.words.ids import ID_LENGTH, ID_PATTERN
from reader.words.names import folded

FOLDER: Final = "quizzes"  # in the library's folder
UNDRAWN: Final = "0" * ID_LENGTH  # an id before it is drawn
SECRET: Final = "secret"  # the file's name
SECRET_BYTES: Final = 32
KEY_BYTES_MAX: Final = 64_000_000
ANSWERS_BYTES_MAX: Final = 4_000_000  # a paper of 500 plates has a fifth of it
SECONDS_MAX: Final = 100_000_000  # three years: the page stood open


class QuizError(LinecallError):
    """No fair paper can be drawn, or the answers do not belong to a paper of this library; nothing was kept."""


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


class Asked(BaseModel):
    """Of a key, or of kept answers: who was asked what."""

    model_config = ConfigDict(frozen=True, defer_build=True)

    class Item(BaseModel):
        """One plate that was asked."""

        example: Id

    trainee: Name
    items: tuple[Item, ...]


Model = TypeVar("Model", bound=BaseModel)


def keep_key(library: Library, key: Key) -> Key | None:
    """Keep a key and return it; the one that is there already if only the name's spelling differs.

    Returns None if something else has its id: a damaged key, or by a chance of 2^-40 another quiz; that is kept.
    """
    path = kept_path(library, key.quiz, "key")
    if os.path.lexists(path):
        there = load_kept(Key, path)
        return there if there and there == key.model_copy(update={"trainee": there.trainee}) else None
    write_whole({path: canonical_json(key.model_dump(mode="json"))}, private=True)
    return key


def load_secret(library: Library) -> bytes:
    """Load the secret of this library's folder; one is drawn when it is first needed."""
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


def kept_path(library: Library, quiz: str, what: str) -> Path:
    """Where a quiz's `key` or `answers` are kept."""
    return library.folder / FOLDER / f"{quiz}.{what}.json"


def find_answered(library: Library, trainee: str) -> tuple[list[str], list[str]]:
    """Find the examples that the trainee was asked in papers that they have answered; and notes on what is damaged.

    Key and kept answers both tell who was asked what, so that one of them may be damaged.
    """
    found: list[str] = []
    notes = []
    for path in sorted((library.folder / FOLDER).glob("*.answers.json")):
        quiz = path.name.partition(".")[0]
        if not re.fullmatch(ID_PATTERN, quiz):
            continue
        key = kept_path(library, quiz, "key")
        asked = load_kept(Asked, key)
        if asked is None:
            asked = load_kept(Asked, path)
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


def load_kept(model: type[Model], path: Path) -> Model | None:
    """Load what was kept; None if it is damaged."""
    try:
        return model.model_validate_json(read_plain(path, limit=KEY_BYTES_MAX))
    except (OSError, ValidationError):
        return None
