"""What the library keeps: an example, and one person's calls on its marks."""

from functools import lru_cache
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, field_serializer, field_validator

from reader.errors import LinecallError
from reader.verdict.model import SettingsRecord, Verdict, load_verdict
from reader.verdict.statement import Name, Note
from reader.words import CALLS_OF, Call, Grade, MarkKey, MarkName
from reader.words.fields import AwareMoment, Frozen, Id, Sha256

GraderRole = Literal["expert", "technician", "trainee", "panel"]

ROLES: Final[tuple[GraderRole, ...]] = ("expert", "technician", "trainee", "panel")
MARKS: Final[tuple[MarkName, ...]] = ("indicator", "reference")
UNSTATED: Final = "unstated"
"""Light of an example of which nobody has said in what light it was photographed."""


def plain_tag(text: str) -> str:
    """A tag as it is kept and compared: small letters, single spaces. Raises ValueError for what is none."""
    tag = " ".join(text.split()).casefold()
    if not tag or len(tag) > 40 or not tag.isprintable() or "|" in tag:
        raise ValueError("expected a tag of 1 to 40 characters without |")
    return tag


Tag = Annotated[str, AfterValidator(plain_tag)]


@lru_cache(maxsize=16)
def _verdict(data: bytes) -> Verdict:
    return load_verdict(data)


class ExamplePhoto(Frozen):
    """The photo of an example: the name it came under, and its hash."""

    name: Name
    sha256: Sha256


class Example(Frozen):
    """One photo with what linecall measured on it; what people called is in gradings, never in here.

    plate : shared by all photos of one plate, the example's own id otherwise. verdict_json : as
    `reader.verdict.model.to_bytes` writes it. strips_sha256 : of the picture that `reader.library.strips` writes.
    look : of the strips, hex, to find the same photo saved otherwise. source : where it came from.
    """

    id: Id
    photo: ExamplePhoto
    plate: Name
    layout: SettingsRecord
    verdict_json: bytes
    strips_sha256: Sha256 | None
    look: Annotated[str, Field(pattern=r"^([0-9a-f]{2})*$")] = ""
    light: Tag = UNSTATED
    defects: tuple[Tag, ...] = ()
    source: Name
    added_at: AwareMoment

    @property
    def verdict(self) -> Verdict:
        """What linecall read."""
        return _verdict(self.verdict_json)


class Grading(Frozen):
    """What one person called on one example at one time; marks that they did not judge are not in `calls`.

    A later grading of the same person stands beside it, and is the one that counts. blind : made without seeing
    anyone else's call, linecall's included; None where nobody has said.
    """

    example: Id
    grader: Name
    role: GraderRole
    at: AwareMoment
    calls: dict[MarkKey, Call] = Field(min_length=1)
    grade: Grade | None = None
    blind: bool | None = None
    source: Name
    note: Note | None = None

    @field_validator("calls")
    @classmethod
    def _possible(cls, calls: dict[MarkKey, Call]) -> dict[MarkKey, Call]:
        for (window, mark), call in calls.items():
            if call not in CALLS_OF[mark]:
                raise ValueError(f"{call!r} is no call of the {mark} mark of window {window!r}")
        return calls

    @field_serializer("calls")
    def _nested(self, calls: dict[MarkKey, Call]) -> dict[str, dict[str, str]]:
        return nested_calls(calls)


def nested_calls(calls: dict[MarkKey, Call]) -> dict[str, dict[str, str]]:
    """Calls by window, then by mark: an object that JSON can carry."""
    nested: dict[str, dict[str, str]] = {}
    for (window, mark), call in calls.items():
        nested.setdefault(window, {})[mark] = call
    return nested


def flat_calls(nested: Any) -> dict[MarkKey, Call]:
    """Calls by (window, mark), of what `nested_calls` made. Raises LinecallError for what is none."""
    try:
        return {(str(window), mark): call for window, marks in nested.items() for mark, call in marks.items()}
    except AttributeError:
        raise LinecallError("calls are to be given by window, then by mark") from None
