"""What deciding hands on as it is kept: the reading age, the plate's expiry, and the marks that decide."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from reader.words import MarkName
from reader.words.fields import Frozen, Minutes, Moment, Sentence, Text


class ReadingAgeRecord(Frozen):
    """Minutes from the drops to the photo, against the layout's range; `sentence` says it in words.

    `zone`: in which a time without an offset was read, and `zone_source` who says so: the camera, `--zone`, the
    rules, or the machine that read the photo; None where every time had its offset, or none was needed.
    """

    minutes: Minutes | None
    status: Literal["in_range", "early", "late", "unknown", "contradictory"]
    source: Literal["drops_at", "stated", "none"]
    drops_at: Moment | None = None
    zone: Text | None = None
    zone_source: Literal["camera", "option", "rules", "machine"] | None = None
    range_minutes: tuple[Minutes, Minutes] | None = None
    sentence: Sentence

    @model_validator(mode="after")
    def _unknown_has_no_minutes(self) -> Self:
        if (self.minutes is None) != (self.status in {"unknown", "contradictory"}):
            raise ValueError("minutes must be null exactly where status is unknown or contradictory")
        return self


class ExpiryRecord(Frozen):
    """The plate's expiry as stated (a date, or a month to its end), held against a day; `sentence` says it."""

    stated: Sentence
    status: Literal["in_date", "expired", "implausible"]
    held_against: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")]
    sentence: Sentence


class PivotalMark(Frozen):
    """A doubtful mark whose call would change the grade."""

    window: Sentence
    mark: MarkName
