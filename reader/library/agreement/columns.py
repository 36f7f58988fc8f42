"""The library's tidy rows as columns: one entry a mark, one column of calls a grader; a pass over all is cheap."""

from array import array
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from reader.errors import LinecallError
from reader.settings.values import TIERS
from reader.words import CALLS, CALLS_OF, MarkName

if TYPE_CHECKING:
    from reader.library.tidy import MarkRow

Codes = NDArray[np.int8]

PRESENT, ABSENT, DOUBTFUL, UNDEVELOPED = map(CALLS.index, ("present", "absent", "doubtful", "undeveloped"))
NONE: Final = -1  # no call
MARKS: Final[tuple[MarkName, ...]] = tuple(CALLS_OF)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Columns:
    """All marks of some examples, n of them, m graders; marks of one example lie together.

    Codes index the tuples: `tool`, `consensus` (n,) and `calls` (n, m) into CALLS, NONE where there is none; `mark`
    into MARKS, `tier` into TIERS, `example` into `examples` and `sha256`, and so on. height, standard_error (n,):
    absorbance, NaN where there is none. roles : each grader's newest.
    """

    examples: tuple[str, ...]
    sha256: tuple[str, ...]
    plates: tuple[str, ...]
    windows: tuple[str, ...]
    analytes: tuple[str, ...]
    strengths: tuple[str, ...]
    lights: tuple[str, ...]
    layouts: tuple[str, ...]
    graders: tuple[str, ...]
    roles: tuple[str, ...]
    example: NDArray[np.int32]
    plate: NDArray[np.int32]
    window: NDArray[np.int32]
    analyte: NDArray[np.int32]
    strength: NDArray[np.int32]
    light: NDArray[np.int32]
    layout: NDArray[np.int32]
    mark: Codes
    tier: Codes
    tool: Codes
    consensus: Codes
    calls: Codes
    height: NDArray[np.float64]
    standard_error: NDArray[np.float64]

    def __len__(self) -> int:
        """Number of marks."""
        return len(self.mark)


class _Names:
    """Names in the order they came, with their codes."""

    def __init__(self) -> None:
        self.codes: dict[str, int] = {}

    def code(self, name: str) -> int:
        return self.codes.setdefault(name, len(self.codes))

    def __iter__(self) -> Any:
        return iter(self.codes)


NAMED: Final = ("plate", "window", "analyte", "strength", "light", "layout")


def columns(rows: Iterable["MarkRow"]) -> Columns:
    """Gather rows, of which those of one example come together; a grader's later row on a mark replaces the earlier.

    A row with an empty `grader` carries the tool's call only. Raises LinecallError where a call, mark or tier is
    unknown, or where an example's rows do not come together.
    """
    gathered = _Gathered()
    for example, group in groupby(rows, key=lambda row: row.example):
        gathered.add(example, group)
    return gathered.columns()


class _Gathered:
    """Rows as they are gathered: names as codes, in growing arrays of machine numbers."""

    def __init__(self) -> None:
        self._examples, self._graders = _Names(), _Names()
        self._names = {field: _Names() for field in NAMED}
        self._coded = {field: array("i") for field in ("example", *NAMED, "vote_mark", "vote_grader")}
        self._small = {field: array("b") for field in ("mark", "tier", "tool", "consensus", "vote_call")}
        self._measured = {field: array("d") for field in ("height", "standard_error")}
        self._sha256: list[str] = []
        self._roles: dict[int, str] = {}

    def add(self, example: str, rows: Iterable["MarkRow"]) -> None:
        """Add all rows of an example. Raises LinecallError if it has rows already, or a row has an unknown name."""
        if example in self._examples.codes:
            raise LinecallError(f"example {example}: its rows do not come together; sort them by example")
        number = self._examples.code(example)
        places: dict[tuple[str, str], int] = {}
        for row in rows:
            place = places.get((row.window, row.mark))
            if place is None:
                if not places:
                    self._sha256.append(row.sha256)
                place = places[row.window, row.mark] = len(self._coded["example"])
                self._add_mark(number, row)
            if row.grader:
                grader = self._graders.code(row.grader)
                self._roles[grader] = row.role
                self._coded["vote_mark"].append(place)
                self._coded["vote_grader"].append(grader)
                self._small["vote_call"].append(_code(CALLS, row.call, row, "call"))

    def _add_mark(self, example: int, row: "MarkRow") -> None:
        self._coded["example"].append(example)
        for field in NAMED:
            self._coded[field].append(self._names[field].code(getattr(row, field)))
        small = self._small
        small["mark"].append(_code(MARKS, row.mark, row, "mark"))
        small["tier"].append(_code(TIERS, row.tier, row, "tier"))
        small["tool"].append(_code(CALLS, row.tool_call, row, "call"))
        small["consensus"].append(
            NONE if row.consensus is None else _code(CALLS, row.consensus, row, "consensus")
        )
        for field, values in self._measured.items():
            value = getattr(row, field)
            values.append(np.nan if value is None else value)

    def columns(self) -> Columns:
        """The arrays."""
        coded = {field: np.array(values, np.int32) for field, values in self._coded.items()}
        small = {field: np.array(values, np.int8) for field, values in self._small.items()}
        calls = np.full((len(coded["example"]), len(self._graders.codes)), NONE, np.int8, order="F")
        calls[coded["vote_mark"], coded["vote_grader"]] = small["vote_call"]
        return Columns(
            examples=tuple(self._examples),
            sha256=tuple(self._sha256),
            plates=tuple(self._names["plate"]),
            windows=tuple(self._names["window"]),
            analytes=tuple(self._names["analyte"]),
            strengths=tuple(self._names["strength"]),
            lights=tuple(self._names["light"]),
            layouts=tuple(self._names["layout"]),
            graders=tuple(self._graders),
            roles=tuple(self._roles[code] for code in range(calls.shape[1])),
            example=coded["example"],
            plate=coded["plate"],
            window=coded["window"],
            analyte=coded["analyte"],
            strength=coded["strength"],
            light=coded["light"],
            layout=coded["layout"],
            mark=small["mark"],
            tier=small["tier"],
            tool=small["tool"],
            consensus=small["consensus"],
            calls=calls,
            height=np.array(self._measured["height"]),
            standard_error=np.array(self._measured["standard_error"]),
        )


def _code(known: tuple[str, ...], value: str, row: "MarkRow", what: str) -> int:
    try:
        return known.index(value)
    except ValueError:
        raise LinecallError(
            f"example {row.example}, window {row.window}: the {what} {value!r} is not known; "
            f"expected {', '.join(known)}"
        ) from None


def is_present(codes: Codes, doubtful_as: int) -> Codes:
    """1 where the line is there, 0 where not (absent, undeveloped), NONE without a call; doubt as PRESENT or ABSENT."""
    sides = np.array([1, 0, int(doubtful_as == PRESENT), 0, NONE], np.int8)
    return sides[codes]  # NONE, -1, takes the last
