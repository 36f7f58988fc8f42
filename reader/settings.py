"""What a site may change, read from TOML into typed values: layouts, rules, thresholds, texts."""

import hashlib
import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Corner = Literal["top-left", "top-right", "bottom-right", "bottom-left"]
Length = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Point = tuple[float, float]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Outline(_Frozen):
    """The plate seen from above, mm."""

    width: Length
    height: Length
    corner_radius: Annotated[float, Field(ge=0)]
    thickness: Length
    cut_corner: Corner
    cut_leg: Length


class Assay(_Frozen):
    """What a mark means, and when the plate may be read (minutes from the drops)."""

    format: Literal["competitive", "sandwich"]
    reading_age: tuple[float, float]


class IndicatorMark(_Frozen):
    """Where the line that answers lies: mm from the window's upstream end to the centre line."""

    position: Length
    width: Length
    colour: Literal["red", "blue"]


class ReferenceMark(IndicatorMark):
    """The line that shows that the window worked."""

    undeveloped_colour: Literal["red", "blue"] | None = None


class Marks(_Frozen):
    """The marks of every window of the layout."""

    indicator: IndicatorMark
    reference: ReferenceMark


class Window(_Frozen):
    """One opening over one membrane; `flow` is the unit vector from the sample end, mm and y down."""

    id: str
    analyte: str
    tier: Literal["lower", "upper"]
    centre: Point
    length: Length
    breadth: Length
    flow: Point
    well: Point


class Layout(_Frozen):
    """One make of plate, mm, seen from above and upright: origin top-left of the outline, y down."""

    layout: str
    revision: int
    title: str
    outline: Outline
    assay: Assay
    marks: Marks
    window: tuple[Window, ...]


DATA = Path(__file__).parent / "data"


def load_layout(source: str | Path) -> Layout:
    """Read a bundled layout by name, or a TOML file by path."""
    path = Path(source) if str(source).endswith(".toml") else DATA / "layouts" / f"{source}.toml"
    return Layout.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def sha256_of(path: Path) -> str:
    """Hex SHA-256 of a file's bytes."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
