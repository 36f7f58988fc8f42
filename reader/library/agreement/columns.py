"""The library's tidy rows as columns: one entry a mark, one column of calls a grader; a pass over all is cheap."""

from array import array
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any, Final, get_args

import numpy as np
from numpy.typing import NDArray

from reader.errors import LinecallError
from reader.settings.values import TIERS
from reader.words import Call, MarkName

if TYPE_CHECKING:
    from reader.library.tidy import MarkRow

Codes = NDArray[np.int8]

CALLS: Final[tuple[Call, ...]] = get_args(Call)
PRESENT, ABSENT, DOUBTFUL, UNDEVELOPED = range(4)
NONE: Final = -1  # no call
MARKS: Final[tuple[MarkName, ...]] = get_args(MarkName)

assert CALLS == ("present", "absent", "doubtful", "undeveloped")


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
    examples, graders = _Names(), _Names()
    names = {field: _Names() for field in NAMED}
    coded = {field: array("i") for field in ("example", *NAMED, "vote_mark", "vote_grader")}
    small = {field: array("b") for field in ("mark", "tier", "tool", "consensus", "vote_call")}
    measured = {field: array("d") for field in ("height", "standard_error")}
    sha256: list[str] = []
    roles: dict[int, str] = {}
    for example, group in groupby(rows, key=lambda row: row.example):
        if example in examples.codes:
            raise LinecallError(f"example {example}: its rows do not come together; sort them by example")
        number = examples.code(example)
        places: dict[tuple[str, str], int] = {}
        for row in group:
            place = places.get((row.window, row.mark))
            if place is None:
                if not places:
                    sha256.append(row.sha256)
                place = places[row.window, row.mark] = len(coded["example"])
                coded["example"].append(number)
                for field in NAMED:
                    coded[field].append(names[field].code(getattr(row, field)))
                small["mark"].append(_code(MARKS, row.mark, row, "mark"))
                small["tier"].append(_code(TIERS, row.tier, row, "tier"))
                small["tool"].append(_code(CALLS, row.tool_call, row, "call"))
                small["consensus"].append(
                    NONE if row.consensus is None else _code(CALLS, row.consensus, row, "consensus")
                )
                for field, values in measured.items():
                    value = getattr(row, field)
                    values.append(np.nan if value is None else value)
            if row.grader:
                grader = graders.code(row.grader)
                roles[grader] = row.role
                coded["vote_mark"].append(place)
                coded["vote_grader"].append(grader)
                small["vote_call"].append(_code(CALLS, row.call, row, "call"))
    n, m = len(coded["example"]), len(graders.codes)
    calls = np.full((n, m), NONE, np.int8, order="F")
    place_of, grader_of = (np.array(coded[field], int) for field in ("vote_mark", "vote_grader"))
    calls[place_of, grader_of] = np.array(small["vote_call"], np.int8)

    def codes(field: str) -> NDArray[np.int32]:
        return np.array(coded[field], np.int32)

    def small_codes(field: str) -> Codes:
        return np.array(small[field], np.int8)

    return Columns(
        examples=tuple(examples),
        sha256=tuple(sha256),
        plates=tuple(names["plate"]),
        windows=tuple(names["window"]),
        analytes=tuple(names["analyte"]),
        strengths=tuple(names["strength"]),
        lights=tuple(names["light"]),
        layouts=tuple(names["layout"]),
        graders=tuple(graders),
        roles=tuple(roles[code] for code in range(m)),
        example=codes("example"),
        plate=codes("plate"),
        window=codes("window"),
        analyte=codes("analyte"),
        strength=codes("strength"),
        light=codes("light"),
        layout=codes("layout"),
        mark=small_codes("mark"),
        tier=small_codes("tier"),
        tool=small_codes("tool"),
        consensus=small_codes("consensus"),
        calls=calls,
        height=np.array(measured["height"]),
        standard_error=np.array(measured["standard_error"]),
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
