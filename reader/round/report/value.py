"""What a report holds, as plain data: both writers show all of it, and nothing else."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from reader.draw.annotate import CAUTION
from reader.draw.ink import SignName
from reader.logbook.chain import Seal

CAUTIONS: Final = (
    CAUTION,
    "Handle fuel and samples as the site's safety rules ask: no flame, no spark, ventilation, protection of skin and "
    "eyes, and the right container for what is left over.",
    "This report was made from the logbook at the time that it names. What was entered later is not in it.",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Headline:
    """A grade, large, with its sign; `about` says whose it is, `strong` what must not be overlooked."""

    grade: SignName
    about: str
    strong: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Sentences:
    """Paragraphs."""

    texts: tuple[str, ...]
    strong: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """Names and what is said of each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """A table's column: its head, and how wide it is beside the others."""

    head: str
    share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """Rows of cells; caption says what they are."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Figure:
    """A picture, JPEG or PNG, `width` and `height` px; `alt` says it to those who do not see it.

    detailed : it holds writing that a phone must not shrink away.
    """

    data: bytes
    kind: Literal["image/jpeg", "image/png"]
    width: int
    height: int
    alt: str
    caption: str = ""
    detailed: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Codes:
    """Lines to be copied or compared letter by letter: hashes and commands."""

    lines: tuple[str, ...]


Block = Headline | Sentences | Facts | Table | Figure | Codes


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Section:
    """A heading with what stands under it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Report:
    """A report.

    short : what stands at the foot of every page. logbook : the one that it was made from. masthead : the site's
    picture, above the title.
    """

    title: str
    subtitle: str
    short: str
    sections: tuple[Section, ...]
    logbook: str
    made_at: datetime
    masthead: Figure | None = None


def verifying(seal: Seal, *, photos: bool) -> tuple[Block, ...]:
    """How a reader can tell that the logbook still says what it said when the report was made."""
    said = (
        "Every entry of the logbook carries the SHA-256 of the one before it. The line below names its last entry when "
        "this report was made. Whoever holds this report can have the logbook checked against that line: if it holds, "
        "no entry up to there was changed, left out or put in since."
    )
    whole = "To check a photo, compare the SHA-256 of its file with the one given here." if photos else ""
    return (
        Sentences(texts=(said, *([whole] if whole else []))),
        Codes(lines=(str(seal), f'linecall logbook verify --logbook LOGBOOK --seal "{seal}"')),
    )


def said_at(moment: datetime) -> str:
    """A moment with its offset: 2026-05-04 09:08 +02:00."""
    text = moment.isoformat(sep=" ", timespec="minutes")
    return f"{text[:16]} {text[16:]}".rstrip()
