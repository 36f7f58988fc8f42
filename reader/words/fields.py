"""Typed fields of what is kept in files: moments, hashes, ids, texts, and figures rounded as they are taken.

A figure is rounded when a model takes it from Python, so the value in memory and the value in the file are one. Out of
a file it is taken as it stands there: rounding it again, and looking for letters that JSON in UTF-8 cannot have, would
take half of the time that a verdict takes to be read.
"""

import contextlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    PlainSerializer,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, core_schema

from reader.words.ids import ID_PATTERN


class Frozen(BaseModel):
    """A record that cannot be changed, and refuses fields that it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


def writable(text: object) -> object:
    """Replace what UTF-8 cannot carry: a file name or argument that is not UTF-8 has lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8") if isinstance(text, str) else text


@dataclass(frozen=True, slots=True)
class _FromPython:
    """Marks a field whose value is put right `before` or `after` its checks, unless it comes out of JSON."""

    before: Callable[[Any], Any] | None = None
    after: Callable[[Any], Any] | None = None

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        inner = put_right = handler(source)
        if self.before is not None:
            put_right = core_schema.no_info_before_validator_function(self.before, put_right)
        if self.after is not None:
            put_right = core_schema.no_info_after_validator_function(self.after, put_right)
        return core_schema.json_or_python_schema(json_schema=inner, python_schema=put_right)


def _significant(digits: int) -> _FromPython:
    return _FromPython(after=lambda number: float(f"{number:.{digits}g}") + 0.0)  # + 0.0: no negative zero


def _decimals(places: int) -> _FromPython:
    return _FromPython(after=lambda number: round(float(number), places) + 0.0)


Figure = Annotated[float, Field(allow_inf_nan=False), _significant(5)]
Absorbance = Annotated[float, Field(allow_inf_nan=False), _decimals(6)]
AbsorbanceError = Annotated[float, Field(ge=0, allow_inf_nan=False), _decimals(6)]
Millimetres = Annotated[float, Field(allow_inf_nan=False), _decimals(4)]
MillimetresError = Annotated[float, Field(ge=0, allow_inf_nan=False), _decimals(4)]
Pixels = Annotated[float, Field(allow_inf_nan=False), _decimals(2)]
Degrees = Annotated[float, Field(allow_inf_nan=False), _decimals(2)]
Minutes = Annotated[float, Field(allow_inf_nan=False), _decimals(1)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False), _decimals(4)]
# Nine digits of a homography keep a point within 0.001 px over a 50-megapixel photo.
MatrixEntry = Annotated[float, Field(allow_inf_nan=False), _significant(9)]

PixelPoint = tuple[Pixels, Pixels]
Quad = tuple[PixelPoint, PixelPoint, PixelPoint, PixelPoint]
MatrixRow = tuple[MatrixEntry, MatrixEntry, MatrixEntry]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


Text = Annotated[str, _FromPython(before=writable)]
Sentence = Annotated[str, Field(min_length=1), _FromPython(before=writable)]

# RFC 3339 with its offset; a camera's local time has none, and "-00:00" (offset unknown) is never written.
MOMENT_PATTERN: Final = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(Z|\+\d\d:\d\d|-(?!00:00)\d\d:\d\d)?$"
_MOMENT = re.compile(MOMENT_PATTERN, re.ASCII)


def _parse_moment(value: object) -> object:
    if isinstance(value, datetime):
        offset = value.utcoffset()
        if offset is not None and offset % timedelta(minutes=1):
            raise ValueError("the offset from UTC must be whole minutes")
        return value.replace(microsecond=0, fold=0)
    with contextlib.suppress(ValueError):
        if isinstance(value, str) and _MOMENT.fullmatch(value):
            moment = datetime.fromisoformat(value)
            offset = moment.utcoffset()
            return moment if offset is None else moment.replace(tzinfo=timezone(offset))
    raise ValueError("expected a time such as 2026-05-04T09:08:07+02:00")


Moment = Annotated[
    datetime,
    BeforeValidator(_parse_moment),
    PlainSerializer(lambda moment: moment.isoformat(timespec="seconds"), return_type=str),
    WithJsonSchema({"type": "string", "pattern": MOMENT_PATTERN}),
]


def _check_offset(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("expected a time with its offset from UTC, such as 2026-05-04T09:08:07+02:00")
    return moment


AwareMoment = Annotated[Moment, AfterValidator(_check_offset)]
Id = Annotated[str, Field(pattern=f"^{ID_PATTERN}$")]
