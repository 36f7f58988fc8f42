"""Whatever a settings file holds, it loads or it is told in one line what is wrong."""

import datetime
import json
import math
import tomllib
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from fixtures.random_layouts import to_toml
from reader.errors import SettingsError
from reader.files.bundled import DATA
from reader.settings.toml_file import BrokenFileError, lines_of
from reader.settings.values import (
    Layout,
    Window,
    load_layout,
    load_rules,
    load_texts,
    load_thresholds,
)

LOADERS: dict[str, Callable[[Path], object]] = {
    "layouts": load_layout,
    "rules": load_rules,
    "thresholds": load_thresholds,
    "texts": load_texts,
}
GOOD = {kind: next((DATA / kind).glob("*.toml")).read_text(encoding="utf-8") for kind in LOADERS}
SHAPE = tomllib.loads(GOOD["layouts"])

fuzzing = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.fixture
def load(tmp_path: Path) -> Callable[[str, bytes], object]:
    """Load bytes as a file of a kind: the value, or None where the file was refused in one clear line."""
    file = tmp_path / "drawn.toml"

    def attempt(kind: str, data: bytes) -> object:
        file.write_bytes(data)
        try:
            return LOADERS[kind](file)
        except SettingsError as error:
            lines = [str(error), *(error.problems if isinstance(error, BrokenFileError) else ())]
        for line in lines:
            assert line.startswith(str(file))
            assert line.isprintable()
            assert len(line) < len(str(file)) + 500
        return None

    return attempt


@given(kind=st.sampled_from(sorted(LOADERS)), data=st.binary(max_size=400))
@example(kind="layouts", data=b"\xef\xbb\xbf")
@example(kind="layouts", data=b"layout = 1979-05-27T07:32:00+24:00")
@example(kind="layouts", data=b"layout.a.b.c = 1\nlayout.a = 2")
@example(kind="rules", data=b"row = [" + b"[\n" * 3000)
@example(kind="texts", data=b"next_step = {" + b"a = {" * 390)
@example(kind="texts", data=b"x." * 990 + b"x = 1")
@example(kind="thresholds", data=b"revision = 0x" + b"f" * 1900)
@example(kind="layouts", data=b"window = [\n" + b"\n" * 5000 + b"]")
@fuzzing
def test_any_bytes_load_or_are_refused_in_one_line(
    load: Callable[[str, bytes], object], kind: str, data: bytes
) -> None:
    load(kind, data)


keys = st.sampled_from(
    ["layout", "outline", "width", "window", "row", "marks", "a", "next_step", "é", '"a.b"', "''"]
)
scalars = st.sampled_from(
    """1; -0.0; 1e999; nan; -inf; true; "red"; 'x'; "\\u0000"; []; {}; 1979-05-27; 07:32:00; [1, [2]]; 0o7;
    1_000; {a = {b = 1}}; 1979-05-27T07:32:00+23:59""".replace("\n    ", " ").split("; ")
) | st.sampled_from(['"""\n"""', "'''a\n\nb'''", "[\n1,\n2,\n]", '"' + "y" * 90 + '"'])
statements = st.one_of(
    st.builds("{} = {}".format, st.lists(keys, min_size=1, max_size=3).map(".".join), scalars),
    st.builds("[{}]".format, st.lists(keys, min_size=1, max_size=3).map(".".join)),
    st.builds("[[{}]]".format, st.lists(keys, min_size=1, max_size=3).map(".".join)),
    st.sampled_from(["", "# note", "[", "= 1", "a", "a = ", '"', "]]", "\t", "a = 1 b = 2"]),
)


@given(
    kind=st.sampled_from(sorted(LOADERS)),
    lines=st.lists(statements, max_size=12),
    end=st.sampled_from(["\n", "\r\n"]),
)
@fuzzing
def test_text_that_looks_like_toml_loads_or_is_refused_in_one_line(
    load: Callable[[str, bytes], object], kind: str, lines: list[str], end: str
) -> None:
    load(kind, end.join(lines).encode())


@given(lines=st.lists(statements, max_size=10))
@settings(max_examples=300, deadline=None)
def test_every_key_of_valid_toml_has_a_line_that_holds_its_name(lines: list[str]) -> None:
    text = "\n".join(lines)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    found = lines_of(text)
    rows = text.split("\n")
    waiting: list[tuple[tuple[str | int, ...], Any]] = [((key,), value) for key, value in table.items()]
    while waiting:
        path, value = waiting.pop()
        if isinstance(path[-1], str):
            assert path[-1] in rows[found[path] - 1]
        if isinstance(value, dict):
            waiting += [((*path, key), inner) for key, inner in value.items()]
        elif isinstance(value, list):
            waiting += [((*path, index), inner) for index, inner in enumerate(value)]


@given(
    kind=st.sampled_from(sorted(LOADERS)),
    place=st.floats(0, 1),
    length=st.integers(0, 40),
    put=st.text(alphabet='[]{}=".#\n abc019-_,é\0', max_size=6),
)
@fuzzing
def test_a_good_file_with_a_piece_replaced_loads_or_is_refused_in_one_line(
    load: Callable[[str, bytes], object], kind: str, place: float, length: int, put: str
) -> None:
    text = GOOD[kind]
    start = int(place * len(text))
    load(kind, (text[:start] + put + text[start + length :]).encode())


odd_values: st.SearchStrategy[object] = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**63), 2**63 - 1),
        st.floats(),
        st.floats(-200, 200),
        st.text(alphabet=st.characters(codec="ascii"), max_size=12),
        st.sampled_from(["top-left", "red", "lower", "sandwich", datetime.date(2026, 5, 4)]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["width", "id", "x"]), inner, max_size=2)
    ),
    max_leaves=4,
)


def places(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [
        *([path] if path else []),
        *(place for key, item in inner for place in places(item, (*path, key))),
    ]


@st.composite
def mutated_layouts(draw: st.DrawFn) -> dict[str, Any]:
    """The comb layout with one to three values replaced, removed, renamed or doubled."""
    table = deepcopy(SHAPE)
    for _ in range(draw(st.integers(1, 3))):
        path = draw(st.sampled_from(places(table)))
        parent: Any = table
        for part in path[:-1]:
            parent = parent[part]
        last: Any = path[-1]
        change = draw(st.sampled_from(["replace", "nudge", "remove", "rename", "double"]))
        if change == "remove":
            del parent[last]
        elif change == "rename" and isinstance(last, str):
            parent[draw(st.sampled_from(["centr", "flaw", last + "s", last[1:], ""]))] = parent.pop(last)
        elif change == "double" and isinstance(parent, list):
            parent.append(deepcopy(parent[last]))
        elif change == "nudge" and type(parent[last]) in (int, float):
            parent[last] = parent[last] * draw(st.floats(-2, 3))
        else:
            parent[last] = draw(odd_values)
    return table


def assert_could_be_made(layout: Layout) -> None:
    outline = layout.outline
    for index, window in enumerate(layout.window):
        assert math.hypot(*window.flow) == pytest.approx(1)
        for x, y in (*window.corners, window.well):
            assert -1e-9 <= x <= outline.width + 1e-9
            assert -1e-9 <= y <= outline.height + 1e-9
        for mark in (layout.marks.indicator, layout.marks.reference):
            assert mark.width <= mark.position <= window.length - mark.width
        for other in layout.window[:index]:
            assert shared_area(window, other) < 1e-3
    assert len({window.id for window in layout.window}) == len(layout.window)


def shared_area(one: Window, other: Window) -> float:
    """Area that two windows share, mm squared, by OpenCV."""
    return float(
        cv2.intersectConvexConvex(np.asarray(one.corners, np.float32), np.asarray(other.corners, np.float32))[
            0
        ]
    )


@given(table=mutated_layouts())
@settings(parent=fuzzing, max_examples=300)
def test_a_layout_with_changed_values_is_refused_or_is_a_plate_that_could_be_made(
    load: Callable[[str, bytes], object], table: dict[str, Any]
) -> None:
    text = "\n".join(f"{json.dumps(key)} = {to_toml(value)}" for key, value in table.items())
    layout = load("layouts", text.encode())
    if layout is not None:
        assert isinstance(layout, Layout)
        assert_could_be_made(layout)


@given(
    angles=st.lists(st.floats(0, 2 * math.pi), min_size=2, max_size=2),
    apart=st.tuples(st.floats(-24, 24), st.floats(-24, 24)),
)
@settings(max_examples=200, deadline=None)
def test_two_windows_at_any_angle_load_exactly_where_opencv_sees_no_overlap(
    angles: list[float], apart: tuple[float, float]
) -> None:
    table = deepcopy(SHAPE)
    table["outline"] |= {"width": 200.0, "height": 200.0}
    centres = [(100.0, 100.0), (100.0 + apart[0], 100.0 + apart[1])]
    table["window"] = [
        table["window"][0]
        | {
            "id": str(index),
            "centre": centre,
            "flow": (math.cos(angle), math.sin(angle)),
            "well": (centre[0] - 60 * math.cos(angle), centre[1] - 60 * math.sin(angle)),
        }
        for index, (centre, angle) in enumerate(zip(centres, angles, strict=True))
    ]
    windows = [Window.model_validate(window) for window in table["window"]]
    area = shared_area(*windows)
    assume(not 0 < area < 0.05)  # single precision
    if area == 0:
        assert_could_be_made(Layout.model_validate(table))
        return
    with pytest.raises(ValidationError) as caught:
        Layout.model_validate(table)
    (problem,) = caught.value.errors()[0]["ctx"]["problems"]
    assert "overlaps window[0]" in problem.text
