"""Settings files: what loads, and the whole sentence for each way in which one can be wrong."""

import hashlib
import os
import pickle
import tomllib
from collections.abc import Callable
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from reader.errors import SettingsError
from reader.files.bundled import DATA
from reader.settings.toml_file import FILE_BYTES_MAX, BrokenFileError, lines_of
from reader.settings.values import (
    FINDINGS,
    REFERENCE_CALLS,
    Layout,
    Row,
    Rules,
    bundled_layouts,
    bundled_names,
    load_layout,
    load_rules,
    load_texts,
    load_thresholds,
)

COMB = (DATA / "layouts" / "comb.toml").read_text(encoding="utf-8")
OURS = COMB.replace('layout = "comb"', 'layout = "ours"')  # what has its name must be the bundled one
TWO_TIER = (DATA / "rules" / "two-tier.toml").read_text(encoding="utf-8")
THRESHOLDS = (DATA / "thresholds" / "standard.toml").read_text(encoding="utf-8")
TEXTS = (DATA / "texts" / "standard.toml").read_text(encoding="utf-8")


@pytest.fixture
def problems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[str]]:
    """All sentences for a file that is a good one with one piece of text replaced."""
    monkeypatch.chdir(tmp_path)

    def find(text: str, old: str, new: str, load: Callable[[str], object] = load_layout) -> list[str]:
        assert text.count(old) >= 1, "the piece to replace is not in the file"
        Path("file.toml").write_text(text.replace(old, new, 1), encoding="utf-8", newline="")
        with pytest.raises(SettingsError) as caught:
            load("file.toml")
        lines = (
            list(caught.value.problems) if isinstance(caught.value, BrokenFileError) else [str(caught.value)]
        )
        assert str(caught.value).startswith(lines[0])
        return [line.removeprefix("file.toml").removeprefix(", ").removeprefix(": ") for line in lines]

    return find


# ---------------------------------------------------------------------------------------- what loads


def test_bundled_files_load_under_their_own_names() -> None:
    assert [layout.name for layout in bundled_layouts()] == bundled_names("layout") == ["comb", "strip"]
    for kind, load in (("rules", load_rules), ("thresholds", load_thresholds), ("texts", load_texts)):
        assert [load(name).name for name in bundled_names(kind)] == bundled_names(kind)


def test_a_loaded_file_carries_its_name_revision_and_hash(tmp_path: Path) -> None:
    # SHA-256 of "abc" (FIPS 180-4 example, from memory); a layout's hash by hashlib
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea414140de5dae2223")
    file = tmp_path / "mine.toml"
    file.write_text(OURS.replace("revision = 1", "revision = 7"), encoding="utf-8")
    layout = load_layout(file)
    assert (layout.name, layout.revision) == ("ours", 7)
    assert layout.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()


def test_every_number_of_the_comb_layout_is_read() -> None:
    written = tomllib.loads(COMB)
    layout = load_layout("comb")
    assert layout.model_dump(exclude={"window"}) == {
        key: {name: tuple(v) if isinstance(v, list) else v for name, v in value.items()}
        if isinstance(value, dict)
        else value
        for key, value in written.items()
        if key != "window"
    }
    for window, table in zip(layout.window, written["window"], strict=True):
        assert window.model_dump() == {
            key: tuple(value) if isinstance(value, list) else value for key, value in table.items()
        }


def test_a_layout_cannot_be_changed_and_survives_a_worker_process() -> None:
    layout = load_layout("comb")
    with pytest.raises(ValidationError):
        layout.revision = 2
    copy = pickle.loads(pickle.dumps(layout))
    assert (copy, copy.sha256) == (layout, layout.sha256)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_bytes(b"\xef\xbb\xbf" + COMB.replace("\n", "\r\n").encode())
    assert load_layout(file).model_dump() == load_layout("comb").model_dump()


def test_window_corners_are_named_looking_along_the_flow() -> None:
    # by hand: centre (16, 23), 18 mm along the flow (0, -1), 5 mm across; left of upwards is smaller x
    assert load_layout("comb").window[0].corners == ((13.5, 32.0), (18.5, 32.0), (18.5, 14.0), (13.5, 14.0))
    # by hand: centre (44, 11), 17 mm along the flow (1, 0), 4.5 mm across; left of rightwards is smaller y
    assert load_layout("strip").window[0].corners == (
        (35.5, 8.75),
        (35.5, 13.25),
        (52.5, 13.25),
        (52.5, 8.75),
    )


def test_a_flow_may_point_anywhere_and_two_decimals_are_enough(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    text = OURS.replace("flow = [0, -1]", "flow = [0.71, -0.71]", 1).replace(
        "well = [16.0, 49.0]", "well = [8.0, 41.0]"
    )
    text = text.replace("centre = [16.0, 23.0]", "centre = [14.0, 35.0]").replace(
        "length = 18.0", "length = 15.0", 1
    )
    file.write_text(text, encoding="utf-8")
    flow = load_layout(file).window[0].flow
    assert flow == pytest.approx((0.5**0.5, -(0.5**0.5)), abs=1e-12)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("position = 6.0", "position = 14.5"),  # reference first, indicator downstream
        ('undeveloped_colour = "blue"', ""),
        ('format = "competitive"', 'format = "sandwich"'),
        ("corner_radius = 4.0", "corner_radius = 0"),
        ("well = [32.0, 49.0]", "well = [16.0, 49.0]"),  # two windows share a well
        ("centre = [32.0, 23.0]", "centre = [21.0, 23.0]"),  # two windows touch
        ('analyte = "yeast"', 'analyte = "bacteria"'),  # three windows for one analyte
    ],
)
def test_what_a_plate_may_well_be_loads(tmp_path: Path, old: str, new: str) -> None:
    file = tmp_path / "mine.toml"
    assert old in COMB
    file.write_text(OURS.replace(old, new, 1), encoding="utf-8")
    assert load_layout(file).name == "ours"


# ------------------------------------------------------------------------------- what a layout can get wrong

LAYOUT_PROBLEMS = [
    # misspelt, missing, of the wrong kind
    (
        "thickness = 5.0",
        "thicknes = 5.0",
        'line 12: outline.thicknes is not known here; did you mean "thickness"?',
    ),
    ("[outline]", "[outlin]", 'line 8: outlin is not known here; did you mean "outline"?'),
    (
        "thickness = 5.0",
        "thickness = 5.0\nprice = 3",
        "line 13: outline.price is not known here; known are width, height, corner_radius, thickness, "
        "cut_corner, "
        "cut_leg",
    ),
    (
        "thickness = 5.0\n",
        "",
        "line 8: outline.thickness is missing; give the plate's height over the table, mm",
    ),
    (
        'cut_corner = "bottom-right"',
        'cut_corner = "botom-right"',
        'line 13: outline.cut_corner is "botom-right", but must be "top-left" or "top-right" or '
        '"bottom-right" or '
        '"bottom-left"; did you mean "bottom-right"?',
    ),
    (
        'tier = "upper"',
        'tier = "middle"',
        'line 45: window[1].tier is "middle", but must be "lower" or "upper"',
    ),
    (
        'colour = "red"',
        'colour = "Red"',
        'line 24: marks.indicator.colour is "Red", but must be "red" or "blue"; did you mean "red"?',
    ),
    (
        "width = 112.0",
        'width = "112"',
        'line 9: outline.width is "112", but must be a number: the plate\'s size from left to right, mm',
    ),
    (
        "width = 112.0",
        "width = true",
        "line 9: outline.width is true, but must be a number: the plate's size from left to right, mm",
    ),
    (
        "width = 112.0",
        "width = [112.0]",
        "line 9: outline.width is [112.0], but must be a number: the plate's size from left to right, mm",
    ),
    (
        "revision = 1",
        "revision = 1.5",
        "line 5: revision is 1.5, but must be a whole number: the revision, which grows with each change",
    ),
    (
        "revision = 1",
        "revision = 0",
        "line 5: revision is 0, but must be at least 1: the revision, which grows with each change",
    ),
    (
        'id = "1"',
        "id = 1",
        "line 33: window[0].id is 1, but must be text in quotes: the window's own short name, in quotes",
    ),
    (
        'analyte = "mould"',
        'analyte = " "',
        'line 74: window[4].analyte is " ", but must be one line of text: what the window looks for',
    ),
    (
        'analyte = "mould"',
        'analyte = """mould\nand more"""',
        'line 74: window[4].analyte is "mould?and more", but must be one line of text: what the window '
        "looks for",
    ),
    (
        "centre = [16.0, 23.0]",
        "centre = [16.0]",
        "line 36: window[0].centre[1] is missing; give the window's middle, [x, y] in mm from the "
        "plate's top-left",
    ),
    (
        "centre = [16.0, 23.0]",
        "centre = [16.0, 23.0, 1.0]",
        "line 36: window[0].centre is [16.0, 23.0, 1.0], but must have at most 2 items: "
        "the window's middle, [x, y] in mm from the plate's top-left",
    ),
    (
        "[marks.reference]",
        "[[marks.reference]]",
        "line 26: marks.reference is a longer list, but must be a table: the table [marks.reference]",
    ),
    # numbers that no plate has
    (
        "width = 112.0",
        "width = nan",
        "line 9: outline.width is nan, but must be a finite number: the plate's size from left to right, mm",
    ),
    (
        "width = 112.0",
        "width = 1e400",
        "line 9: outline.width is inf, but must be a finite number: the plate's size from left to right, mm",
    ),
    (
        "width = 112.0",
        "width = -112.0",
        "line 9: outline.width is -112.0, but must be at least 5.0: the plate's size from left to right, mm",
    ),
    (
        "width = 112.0",
        "width = 112000",
        "line 9: outline.width is 112000, but must be at most 1000.0: the plate's size from left to "
        "right, mm",
    ),
    (
        "width = 112.0",
        "width = 0.112",
        "line 9: outline.width is 0.112, but must be at least 5.0: the plate's size from left to right, mm",
    ),
    (
        "breadth = 5.0",
        "breadth = 0.5",
        "line 38: window[0].breadth is 0.5, but must be at least 2.0: the window's size across the flow, mm",
    ),
    (
        "length = 18.0",
        "length = 1.8",
        "line 37: window[0].length is 1.8, but must be at least 6.0: the window's size along the flow, mm",
    ),
    # numbers that do not go together
    (
        "centre = [48.0, 23.0]",
        "centre = [148.0, 23.0]",
        "line 56: window[2].centre[0] is 148.0 mm, but the outline is 112.0 mm wide; "
        "measure from the plate's left edge",
    ),
    (
        "centre = [48.0, 23.0]",
        "centre = [48.0, -23.0]",
        "line 56: window[2].centre[1] is -23.0 mm, but the outline is 66.0 mm high; "
        "measure from the plate's top edge",
    ),
    (
        "centre = [16.0, 23.0]",
        "centre = [16.0, 8.0]",
        "line 36: window[0].centre is [16.0, 8.0], but there the window's corner at (18.5, -1.0) mm "
        "leaves the outline "
        "of 112.0 x 66.0 mm; check centre, length (along the flow) and breadth (across it)",
    ),
    (
        "well = [96.0, 49.0]",
        "well = [110.0, 64.0]",
        "line 90: window[5].well is [110.0, 64.0], but the bottom-right corner is cut off there",
    ),
    (
        "well = [16.0, 49.0]",
        "well = [0.5, 65.5]",
        "line 40: window[0].well is [0.5, 65.5], but the bottom-left corner is rounded off there",
    ),
    (
        "centre = [32.0, 23.0]",
        "centre = [20.0, 23.0]",
        "line 46: window[1].centre is [20.0, 23.0], but there the window overlaps window[0]; "
        "check the centre, length, breadth and flow of both",
    ),
    (
        "well = [16.0, 49.0]",
        "well = [32.0, 23.0]",
        "line 40: window[0].well is [32.0, 23.0], but that lies in window[1]; "
        "give the middle of the well that the sample is dropped into",
    ),
    (
        "flow = [0, -1]",
        "flow = [0, 1]",
        "line 39: window[0].flow is [0.0, 1.0], but the well at [16.0, 49.0] lies downstream; "
        "flow points away from the well",
    ),
    (
        "flow = [0, -1]",
        "flow = [1, -1]",
        "line 39: window[0].flow is [1.0, -1.0], of length 1.414, but must have length 1; write [0.7071, "
        "-0.7071]",
    ),
    (
        "flow = [0, -1]",
        "flow = [0, 0]",
        "line 39: window[0].flow is [0.0, 0.0], of length 0, but must have length 1; write [0, -1]",
    ),
    (
        'id = "2"',
        'id = "1"',
        'line 43: window[1].id is "1", but window[0] has that id; give each window its own',
    ),
    (
        "position = 13.0",
        "position = 17.5",
        "line 27: marks.reference.position is 17.5 mm, but window[0] is 18.0 mm long and a mark of 1.0 "
        "mm needs as "
        "much membrane on either side; measure from the upstream end",
    ),
    (
        "position = 13.0",
        "position = 6.9",
        "line 27: marks.reference.position is 6.9 mm, but the indicator mark at 6.0 mm overlaps it; "
        "their centre lines must be more than 1.0 mm apart",
    ),
    (
        'undeveloped_colour = "blue"',
        'undeveloped_colour = "red"',
        'line 30: marks.reference.undeveloped_colour is "red", but that is the developed mark\'s colour too; '
        "leave the key out where the starting dye cannot be told from the mark",
    ),
    (
        "corner_radius = 4.0",
        "corner_radius = 40.0",
        "line 11: outline.corner_radius is 40.0 mm, but with a shorter side of 66.0 mm it can be 33 mm "
        "at most",
    ),
    (
        "cut_leg = 9.0",
        "cut_leg = 2.0",
        "line 14: outline.cut_leg is 2.0 mm, but with a shorter side of 66.0 mm and corners rounded by "
        "4.0 mm, a cut "
        "that shows which way up the plate is takes more than 2.34 and at most 62 mm",
    ),
    (
        "reading_age = [15, 30]",
        "reading_age = [30, 15]",
        "line 18: assay.reading_age is [30.0, 15.0], but must be two rising numbers of minutes from 0 to "
        "1440, "
        "such as [15, 30]",
    ),
    # not TOML, or not a layout
    (
        "[[window]]",
        "[[window]",
        "line 32, column 9: not TOML: expected ']]' at the end of an array declaration",
    ),
    ("revision = 1", "revision = 1\nrevision = 2", "line 6, column 13: not TOML: cannot overwrite a value"),
    (
        'layout = "comb"',
        'rules = "comb"',
        "has the key rules, so it is a rules file, but a layout file is needed",
    ),
    ('layout = "comb"\n', "", "layout is missing; give the layout's name"),
]


@pytest.mark.parametrize(
    ("old", "new", "sentence"), LAYOUT_PROBLEMS, ids=[case[2][:60] for case in LAYOUT_PROBLEMS]
)
def test_a_broken_layout_is_told_in_one_sentence(
    problems: Callable[..., list[str]], old: str, new: str, sentence: str
) -> None:
    assert problems(COMB, old, new)[0] == sentence


def test_a_file_without_any_window_is_told_so(problems: Callable[..., list[str]]) -> None:
    head = COMB[: COMB.index("[[window]]")]
    assert problems(head, "revision = 1", "revision = 1") == [
        "window is missing; give one table [[window]] for each window"
    ]
    assert problems(head, "revision = 1", "revision = 1\nwindow = []") == [
        "line 6: window is [], but must have at least 1 item: one table [[window]] for each window"
    ]


def test_all_problems_are_listed_in_the_files_order_and_the_text_gives_the_first(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    text = COMB.replace('tier = "upper"', 'tier = "uper"').replace("[0, -1]", "[0, -2]")
    file.write_text(text, encoding="utf-8")
    with pytest.raises(BrokenFileError) as caught:
        load_layout(file)
    lines = [int(problem.split(", line ")[1].split(":")[0]) for problem in caught.value.problems]
    assert lines == [39, 45, 49, 59, 65, 69, 79, 85, 89]
    assert str(caught.value) == f"{caught.value.problems[0]} (and 8 more problems)"


def test_the_line_is_that_of_the_key_where_a_value_fills_several(problems: Callable[..., list[str]]) -> None:
    new = "centre = [\n  148.0,  # from the left\n  23.0,\n]"
    assert problems(COMB, "centre = [48.0, 23.0]", new)[0].startswith(
        "line 56: window[2].centre[0] is 148.0 mm"
    )
    after = problems(COMB.replace("centre = [48.0, 23.0]", new.replace("148", "48")), '"mould"', '""')
    assert after[0].startswith("line 77: window[4].analyte")


# ------------------------------------------------------------------- what the other files can get wrong


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            'grade = "heavy"',
            'grade = "hevy"',
            'line 20: row[1].grade is "hevy", but must be "negligible" or "moderate" or "heavy" or '
            '"invalid"; '
            'did you mean "heavy"?',
        ),
        (
            'finding = "above cutoff"',
            'call = ["absent"]',
            'line 24: row[1].call is for reference marks; count indicator marks by finding ("above '
            'cutoff" or '
            '"below cutoff")',
        ),
        (
            'call = ["absent", "undeveloped"]',
            'finding = "above cutoff"',
            "line 16: row[0].finding is for indicator marks; count reference marks by call",
        ),
        (
            'call = ["absent", "undeveloped"]\n',
            "",
            'line 12: row[0].call is missing; say which calls count, such as ["absent"]',
        ),
        (
            'tier = "upper"\nfinding = "above cutoff"',
            'tier = "upper"',
            'line 19: row[1].finding is missing; write finding = "above cutoff" or "below cutoff"',
        ),
        (
            'mark = "reference"\n',
            "",
            'line 16: row[0].at_least counts nothing without mark; add mark = "indicator" or "reference"',
        ),
        (
            'call = ["absent", "undeveloped"]',
            'call = ["doubtful"]',
            'line 16: row[0].call[0] is "doubtful", but must be "present" or "absent" or "undeveloped"',
        ),
        (
            "at_least = 2",
            "at_least = 0",
            "line 33: row[2].at_least is 0, but must be at least 1: how many such marks the row needs",
        ),
        (
            '[[row]]\ngrade = "negligible"\nbecause = "every window worked and none is above its cutoff"\n',
            "",
            "line 12: row has no row for a plate of this kind (lower window: reference present, indicator "
            "below "
            "cutoff); add a last row with grade and because alone, for all other plates",
        ),
        (
            "at_least = 2",
            "at_least = 1",
            "line 35: row[3] never decides: the rows above it fit every plate that it fits; move it up "
            "or remove it",
        ),
    ],
)
def test_broken_rules_are_told_in_one_sentence(
    problems: Callable[..., list[str]], old: str, new: str, sentence: str
) -> None:
    assert problems(TWO_TIER, old, new, load_rules)[0] == sentence


@pytest.mark.parametrize(
    ("text", "load", "old", "new", "sentence"),
    [
        (
            THRESHOLDS,
            load_thresholds,
            "false_calls_per_plate = 0.01",
            "false_calls_per_plate = 1",
            "false_calls_per_plate is 1, but must be less than 0.5: "
            "chance of one false call on a whole plate, such as 0.01",
        ),
        (
            TEXTS,
            load_texts,
            "heavy = ",
            "hevy = ",
            'next_step.hevy is not known here; did you mean "heavy"?',
        ),
    ],
)
def test_broken_thresholds_and_texts_are_told_in_one_sentence(
    problems: Callable[..., list[str]],
    text: str,
    load: Callable[[str], object],
    old: str,
    new: str,
    sentence: str,
) -> None:
    assert [problem.partition(": ")[2] for problem in problems(text, old, new, load)] == [sentence]


# The names and words of a row, for rules made at random.
some_row = st.one_of(
    st.builds(
        lambda tier, call, n: (
            {"mark": "reference", "call": call, "at_least": n} | ({"tier": tier} if tier else {})
        ),
        st.sampled_from(["lower", "upper", None]),
        st.lists(st.sampled_from(REFERENCE_CALLS), min_size=1, max_size=3, unique=True),
        st.integers(1, 2),
    ),
    st.builds(
        lambda tier, finding, n: (
            {"mark": "indicator", "finding": finding, "at_least": n} | ({"tier": tier} if tier else {})
        ),
        st.sampled_from(["lower", "upper", None]),
        st.sampled_from(FINDINGS),
        st.integers(1, 2),
    ),
)


def counted(row: dict[str, object], plate: tuple[tuple[str, str, str], ...]) -> int:
    """How many marks of a plate, a (tier, reference call, finding) for each window, a row counts: by hand."""
    tier = row.get("tier")
    if row["mark"] == "reference":
        return sum(call in row["call"] and tier in (None, at) for at, call, _ in plate)  # type: ignore[operator]
    return sum(finding == row["finding"] and tier in (None, at) for at, _, finding in plate)


@given(rows=st.lists(some_row, min_size=1, max_size=3), last=st.booleans())
@settings(max_examples=150, deadline=None)
def test_rules_load_exactly_where_every_plate_gets_a_grade_and_every_row_decides_one(
    rows: list[dict[str, object]], last: bool
) -> None:
    table = {
        "rules": "drawn",
        "revision": 1,
        "title": "drawn",
        "row": [{"grade": "heavy", "because": f"row {index}", **row} for index, row in enumerate(rows)]
        + [{"grade": "negligible", "because": "else"}] * last,
    }
    # Three rows that need two marks each tell no more plates apart than those of up to four windows do.
    kinds = list(product(("lower", "upper"), REFERENCE_CALLS, FINDINGS))
    deciding = set()
    uncaught = False
    for n in (1, 2, 3):
        for plate in product(kinds, repeat=n):
            first = next((i for i, row in enumerate(rows) if counted(row, plate) >= row["at_least"]), None)  # type: ignore[operator]
            deciding.add(len(rows) if first is None else first)
            uncaught = uncaught or (first is None and not last)
    try:
        Rules.model_validate(table)
        loads = True
    except ValidationError as error:  # what such rules may do unsaid is no matter here
        (details,) = error.errors()
        loads = all("can let contaminated fuel go" in one.text for one in details["ctx"]["problems"])
    if loads:
        assert not uncaught
    elif uncaught:
        pass  # a plate without a grade was rightly found
    else:
        assert deciding != set(range(len(rows) + last))


def test_a_plate_that_no_row_fits_is_named_even_where_it_takes_three_windows() -> None:
    # one lower and one upper finding have rows; two findings on one tier have none
    rows = [
        {"grade": "heavy", "because": "a", "mark": "indicator", "finding": "below cutoff", "at_least": 1},
        {"grade": "heavy", "because": "b", "mark": "indicator", "finding": "above cutoff", "at_least": 3},
    ]
    with pytest.raises(ValidationError) as caught:
        Rules.model_validate({"rules": "r", "revision": 1, "title": "t", "row": rows})
    (detail,) = caught.value.errors()
    assert "indicator above cutoff" in detail["ctx"]["problems"][0].text


def test_equal_rows_that_shadow_each_other_are_found() -> None:
    row = {"grade": "heavy", "because": "a", "mark": "indicator", "finding": "above cutoff"}
    rows = [row, row, {"grade": "negligible", "because": "else"}]
    with pytest.raises(ValidationError) as caught:
        Rules.model_validate({"rules": "r", "revision": 1, "title": "t", "row": rows})
    assert caught.value.errors()[0]["ctx"]["problems"][0].path == ("row", 1)


def test_a_row_counts_by_tier_call_and_finding() -> None:
    row = Row(grade="heavy", because="x", mark="indicator", tier="upper", finding="above cutoff")
    assert row.counts("indicator", "upper", "above cutoff")
    assert not row.counts("indicator", "lower", "above cutoff")
    assert not row.counts("indicator", "upper", "below cutoff")
    assert not row.counts("reference", "upper", "absent")


def test_the_bundled_texts_name_no_dose_and_certify_nothing() -> None:
    # the bundled words are a trigger for the site's procedure: no figure, no claim that fuel is good
    for step in load_texts("standard").next_step.model_dump().values():
        words = {word.strip(".,;:").lower() for word in step.split()}
        assert not any(letter.isdigit() for letter in step)
        assert not words & {"ppm", "dose", "biocide", "safe", "fit", "certified", "approve"}
    for grade in ("invalid", "undecided", "refused", "early", "late"):
        assert "do not release" in getattr(load_texts("standard").next_step, grade)


# --------------------------------------------------------------------------- files that are no settings


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("cmb", 'layout "cmb" is not one of comb, strip; did you mean "comb"?'),
        ("", 'layout "" is not one of comb, strip; give the path of a file of your own, ending in .toml'),
        (
            "zigzag",
            'layout "zigzag" is not one of comb, strip; give the path of a file of your own, ending in .toml',
        ),
        ("folder.toml", "folder.toml: is a folder, but a TOML file is needed; name the file in it"),
        ("my-plat.toml", 'my-plat.toml: there is no such file; did you mean "my-plate"?'),
        ("./nowhere/x", "nowhere/x: there is no such file"),
        ("latin.toml", "latin.toml, line 2: byte 0xFC is not UTF-8; save the file as UTF-8 text"),
        ("utf16.toml", "utf16.toml, line 1: byte 0xFF is not UTF-8; save the file as UTF-8 text"),
        (
            "empty.toml",
            "empty.toml: revision is missing; give the revision, which grows with each change (and 6 "
            "more problems)",
        ),
        ("big.toml", "big.toml: has more than 64 kB, but settings have a few; check the name"),
        ("deep.toml", "deep.toml: brackets are nested too deeply for a settings file"),
        (
            "long.toml",
            "long.toml, line 2: has 5004 characters, but settings need at most 2000; check the name",
        ),
        ("null\0.toml", '"null?.toml": cannot be read: its name is not a valid one'),
    ],
)
def test_what_is_no_settings_file_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, sentence: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("folder.toml").mkdir()
    Path("my-plate.toml").write_text(COMB, encoding="utf-8")
    Path("latin.toml").write_bytes('layout = "x"\ntitle = "für"'.encode("latin-1"))
    Path("utf16.toml").write_bytes(COMB.encode("utf-16"))
    Path("empty.toml").touch()
    Path("big.toml").write_bytes(b"# " + b"x" * FILE_BYTES_MAX)
    Path("deep.toml").write_text("x = " + "[\n" * 5000, encoding="utf-8")
    Path("long.toml").write_text("\nx = " + "1" * 5000, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_layout(name)
    assert str(caught.value).startswith(sentence)
    assert "\n" not in str(caught.value)


@pytest.mark.posix
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(SettingsError) as caught:
        load_layout(pipe)
    assert str(caught.value) == f"{pipe}: is no ordinary file; save the settings to a TOML file first"


def test_a_layout_whose_parts_contradict_cannot_be_made_in_code_either() -> None:
    table = load_layout("comb").model_dump()
    table["outline"]["width"] = 50.0
    with pytest.raises(ValidationError):
        Layout.model_validate(table)


# ---------------------------------------------------------------------------------------------- line numbers


def test_every_table_and_key_has_its_line() -> None:
    text = (
        "# first\n"  # 1
        "a = 1\n"
        "b.c = 2\n"  # 3
        "\n"
        "[t]\n"  # 5
        'd = """\n[t.x]\ny = 1\n"""\n'  # 6 to 9
        "e = [\n  1, # one\n  [2],\n]\n"  # 10 to 13
        "[[w]]\n"  # 14
        "f = {g = 3}\n"
        "[w.sub]\n"  # 16
        "h = 4\n"
        "[[w]]\n"  # 18
        "[[w.deep]]\n"
        '"quoted key" = 5\n'  # 20
    )
    lines = lines_of(text)
    tomllib.loads(text)
    assert lines == {
        ("a",): 2,
        ("b",): 3,
        ("b", "c"): 3,
        ("t",): 5,
        ("t", "d"): 6,
        ("t", "e"): 10,
        ("t", "e", 0): 10,
        ("t", "e", 1): 10,
        ("t", "e", 1, 0): 10,
        ("w",): 14,
        ("w", 0): 14,
        ("w", 0, "f"): 15,
        ("w", 0, "f", "g"): 15,
        ("w", 0, "sub"): 16,
        ("w", 0, "sub", "h"): 17,
        ("w", 1): 18,
        ("w", 1, "deep"): 19,
        ("w", 1, "deep", 0): 19,
        ("w", 1, "deep", 0, "quoted key"): 20,
    }
