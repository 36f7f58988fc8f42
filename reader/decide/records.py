"""What deciding hands on as it is kept: the reading age, the plate's expiry, and the marks that decide."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from reader.words import MarkName
from reader.words.fields import Frozen, Minutes, Moment, Sentence, Text


class ReadingAgeRecord(Frozen):
    """Minutes from the drops to the photo, against the layout's range; `sentence` says it in words.

    `zone`: in which a time without an offset was read, and `zone_source` who says so: the camera, `--zone`, the
    rules, the site, or the machine that read the photo; None where every time had its offset, or none was needed.
    """

    minutes: Minutes | None = Field(
        description=(
            "minutes from the drops to the photo; null where they are unknown or the times contradict each "
            "other"
        )
    )
    status: Literal["in_range", "early", "late", "unknown", "contradictory"] = Field(
        description="where the age lies in the layout's range, or why it is not known"
    )
    source: Literal["drops_at", "stated", "none"] = Field(
        description="what it was worked out from: the time of the drops, an age that was stated, or nothing"
    )
    drops_at: Moment | None = Field(
        default=None,
        description="when the drops were put into the wells, with its offset wherever one was found",
    )
    zone: Text | None = Field(
        default=None,
        description=(
            "zone in which a time without an offset was read; null where every time had its offset, or none "
            "was needed"
        ),
    )
    zone_source: Literal["camera", "option", "rules", "site", "machine"] | None = Field(
        default=None,
        description="who says that zone: the camera, --zone, the rules, the site, or the machine that read the photo",
    )
    range_minutes: tuple[Minutes, Minutes] | None = Field(
        default=None, description="first and last minute at which the plate may be read"
    )
    sentence: Sentence = Field(description="the age in words")

    @model_validator(mode="after")
    def _unknown_has_no_minutes(self) -> Self:
        if (self.minutes is None) != (self.status in {"unknown", "contradictory"}):
            raise ValueError("minutes must be null exactly where status is unknown or contradictory")
        return self


class ExpiryRecord(Frozen):
    """The plate's expiry as stated (a date, or a month to its end), held against a day; `sentence` says it."""

    stated: Sentence = Field(description="the plate's expiry as stated: a date, or a month to its end")
    status: Literal["in_date", "expired", "implausible"] = Field(
        description="implausible: it lies further ahead than any plate is kept, so it is perhaps a slip of the pen"
    )
    held_against: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")] = Field(
        description="the day that it was held against"
    )
    sentence: Sentence = Field(description="the outcome in words")


class DepartureRecord(Frozen):
    """Something that was done otherwise than the procedure says, before the photo, and what that does to a reading."""

    code: Sentence = Field(description="the departure's code in the procedure")
    effect: Literal["warning", "invalid"] = Field(
        description="what the procedure says it does: a warning, or the reading is invalid"
    )
    sentence: Sentence = Field(description="what went otherwise, in words")


class PivotalMark(Frozen):
    """A doubtful mark whose call would change the grade."""

    window: Sentence = Field(description="the window's id")
    mark: MarkName = Field(description="which mark of the window")
