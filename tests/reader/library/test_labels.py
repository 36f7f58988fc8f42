"""Label files: what is read of them, and what is said of every way to be wrong."""

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from fixtures.graded import invented_verdict
from reader.errors import LinecallError
from reader.library.examples import MARKS
from reader.library.labels import COLUMNS, Labels, LabelsError, load_labels
from reader.settings.values import load_layout

HEADER = "photo,grader,role,graded_at,window,mark,call"
ROW = "a.jpg,R. Aalto,expert,2026-05-04T14:30+02:00,1,indicator,present"


def labels(
    tmp_path: Path, *rows: str, header: str = HEADER, name: str = "labels.csv", **for_all: str
) -> Labels:
    path = tmp_path / name
    path.write_text("\n".join((header, *rows)) + "\n", encoding="utf-8")
    return load_labels(path, for_all=for_all)


def problems(tmp_path: Path, *rows: str, header: str = HEADER, **for_all: str) -> tuple[str, ...]:
    with pytest.raises(LabelsError) as caught:
        labels(tmp_path, *rows, header=header, **for_all)
    return tuple(problem.removeprefix(f"{tmp_path}/") for problem in caught.value.problems)


def test_rows_of_one_person_on_one_photo_are_one_grading(tmp_path: Path) -> None:
    found = labels(
        tmp_path,
        ROW,
        ROW.replace("indicator,present", "reference,undeveloped"),
        ROW.replace("a.jpg", "b.jpg"),
    )
    assert set(found.photos) == {"a.jpg", "b.jpg"}
    (drafted,) = found.photos["a.jpg"].drafted
    assert drafted.calls == {("1", "indicator"): "present", ("1", "reference"): "undeveloped"}
    assert (drafted.grader, drafted.role, drafted.at) == (
        "R. Aalto",
        "expert",
        datetime(2026, 5, 4, 12, 30, tzinfo=UTC),
    )


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\N{ZERO WIDTH NO-BREAK SPACE}"])
def test_a_spreadsheets_table_is_read_however_it_was_saved(
    tmp_path: Path, delimiter: str, start: str
) -> None:
    path = tmp_path / "labels.csv"
    header = "Photo,Grader,ROLE,Graded at,window,mark,Call".replace(",", delimiter)
    row = ROW.replace("expert", "Expert").replace("present", "PRESENT ").replace(",", delimiter)
    path.write_bytes(f"{start}{header}\r\n{row}\r\n{delimiter * 6}\r\n".encode())
    assert load_labels(path).photos["a.jpg"].drafted[0].calls == {("1", "indicator"): "present"}


def test_what_is_said_once_holds_for_every_row(tmp_path: Path) -> None:
    found = labels(
        tmp_path, "a.jpg,2,indicator,absent", header="photo,window,mark,call",
        grader="R. Aalto", role="panel", graded_at="2026-05-04 14:30Z",
    )  # fmt: skip
    (drafted,) = found.photos["a.jpg"].drafted
    assert (drafted.grader, drafted.role, drafted.at.isoformat()) == (
        "R. Aalto",
        "panel",
        "2026-05-04T14:30:00+00:00",
    )


def test_an_empty_call_is_a_mark_that_was_not_judged(tmp_path: Path) -> None:
    found = labels(tmp_path, ROW, ROW.replace(",1,", ",2,").replace("present", ""), "b.jpg,,,,,,")
    assert list(found.photos["a.jpg"].drafted[0].calls) == [("1", "indicator")]
    assert found.photos["b.jpg"].drafted == ()


def test_further_columns_are_kept(tmp_path: Path) -> None:
    header = HEADER + ",grade,blind,light,defects,plate,note"
    found = labels(tmp_path, ROW + ",heavy,yes,Desk  Lamp,hair; Stain,A-7,by torch", header=header).photos[
        "a.jpg"
    ]
    assert (found.light, found.defects, found.plate) == ("desk lamp", ("hair", "stain"), "A-7")
    assert (found.drafted[0].grade, found.drafted[0].blind, found.drafted[0].note) == (
        "heavy",
        True,
        "by torch",
    )


def test_json_and_json_lines_say_the_same(tmp_path: Path) -> None:
    item = {
        "photo": "a.jpg", "grader": "R. Aalto", "role": "expert", "graded_at": "2026-05-04T14:30:00+02:00",
        "window": 1, "mark": "indicator", "call": "absent", "blind": True, "defects": ["hair", "stain"],
    }  # fmt: skip
    (tmp_path / "a.json").write_text(json.dumps([item]), encoding="utf-8")
    (tmp_path / "a.jsonl").write_text(json.dumps(item) + "\n\n", encoding="utf-8")
    for name in ("a.json", "a.jsonl"):
        photo = load_labels(tmp_path / name).photos["a.jpg"]
        assert photo.defects == ("hair", "stain")
        assert photo.drafted[0].blind is True
        assert photo.drafted[0].calls == {("1", "indicator"): "absent"}


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        (
            ROW.replace("present", "presnt"),
            "labels.csv, row 2, column call: is 'presnt', but the calls of an indicator mark are present, absent, "
            'doubtful; did you mean "present"?',
        ),
        (
            ROW.replace("present", "undeveloped"),
            "labels.csv, row 2, column call: is 'undeveloped', but the calls of an indicator mark are present, absent, "
            "doubtful",
        ),
        (
            ROW.replace("indicator", "control"),
            "labels.csv, row 2, column mark: is 'control', but the marks are indicator, reference",
        ),
        (
            ROW.replace("expert", "chief"),
            "labels.csv, row 2, column role: is 'chief', but the roles are expert, technician, trainee, panel",
        ),
        (
            ROW.replace("+02:00", ""),
            "labels.csv, row 2, column graded_at: is '2026-05-04T14:30:00', expected a time with its offset, such as "
            "2026-05-04T14:30:00+02:00",
        ),
        (
            ROW.replace("2026-05-04T14:30+02:00", ""),
            "labels.csv, row 2, column graded_at: is missing; fill it in, or say it for all rows with --graded-at",
        ),
        (
            ROW.replace("R. Aalto", " "),
            "labels.csv, row 2, column grader: is missing; fill it in, or say it for all rows with --grader",
        ),
        (ROW.replace("a.jpg", ""), "labels.csv, row 2, column photo: is empty; name the photo's file"),
        (ROW.replace(",1,", ",,"), "labels.csv, row 2, column window: is empty; give the window's id"),
        (
            ROW.removesuffix(",present"),
            "labels.csv, row 2, column call: is missing: the row has 6 columns, the header 7; fill the row up to its "
            "end",
        ),
        (
            ROW + ",x",
            "labels.csv, row 2: has 8 columns, but the header 7; put a text with ',' in it into quotes",
        ),
    ],
)
def test_a_wrong_cell_is_named_by_row_and_column(tmp_path: Path, row: str, problem: str) -> None:
    assert problems(tmp_path, row) == (problem,)


def test_every_wrong_row_is_told(tmp_path: Path) -> None:
    found = problems(tmp_path, ROW, ROW.replace("present", "x"), ROW.replace("expert", "y"))
    assert [problem.partition(":")[0] for problem in found] == [
        "labels.csv, row 3, column call",
        "labels.csv, row 4, column role",
    ]


@pytest.mark.parametrize(
    ("header", "problem"),
    [
        (
            HEADER.replace("call", "cal"),
            "labels.csv, row 1: has a column 'cal', which labels do not have; did you mean \"call\"?",
        ),
        (HEADER.replace(",window", ""), "labels.csv, row 1: lacks the column 'window'; labels need "),
        (HEADER + ",call", "labels.csv, row 1: has the column 'call' twice; keep one"),
    ],
)
def test_a_wrong_header_is_told(tmp_path: Path, header: str, problem: str) -> None:
    (found,) = problems(tmp_path, ROW, header=header)
    assert found.startswith(problem)


@pytest.mark.parametrize("other", ["r. aalto", "R.Aalto", "Aalto R"])
def test_names_that_differ_by_case_or_spaces_are_both_named(tmp_path: Path, other: str) -> None:
    (found,) = problems(tmp_path, ROW, ROW.replace("R. Aalto", other))
    assert found.startswith(
        f"labels.csv, row 3, column grader: graders {other!r} and 'R. Aalto' differ only in what looks alike"
    )


def test_names_in_the_library_count_too(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    path.write_text(f"{HEADER}\n{ROW}\n", encoding="utf-8")
    with pytest.raises(
        LabelsError, match=r"row 2, column grader: graders 'R\. Aalto' and 'R\. AALTO' differ only"
    ):
        load_labels(path, known_graders=["R. AALTO"])


def test_one_mark_called_twice_names_both_rows(tmp_path: Path) -> None:
    found = problems(tmp_path, ROW, ROW.replace("present", "absent"))
    assert found == (
        "labels.csv, row 3, column call: is a second one of R. Aalto on this mark; the first stands in row 2",
    )


def test_two_lights_of_one_photo_contradict(tmp_path: Path) -> None:
    found = problems(tmp_path, ROW + ",torch", ROW.replace(",1,", ",2,") + ",lamp", header=HEADER + ",light")
    assert found == (
        "labels.csv, row 3, column light: is 'lamp', but an earlier row says something else of a.jpg",
    )


def test_a_window_that_the_layout_lacks_is_named_by_row(tmp_path: Path) -> None:
    found = labels(tmp_path, ROW, ROW.replace(",1,", ",9,"))
    layout = load_layout("strip")
    heights = {(window.id, mark): 0.1 for window in layout.window for mark in MARKS}
    verdict = invented_verdict(layout, heights, np.random.default_rng(1), name="a.jpg", sha256="0" * 64)
    ids = ", ".join(window.id for window in layout.window)
    (problem,) = found.problems_with(found.photos["a.jpg"], verdict)
    assert problem.startswith(
        f"{tmp_path}/labels.csv, row 3, column window: is '9', but a.jpg shows layout strip, which has the windows "
        f"{ids}"
    )


@pytest.mark.parametrize(
    ("name", "text", "problem"),
    [
        ("a.json", "{}", "is no list; give a list of objects"),
        ("a.json", "[1]", "item 1: is no object"),
        ("a.json", "[", "is not JSON"),
        ("a.json", '[{"photo": "a.jpg"}]', "item 1, field window: is missing"),
        (
            "a.json",
            '[{"photoo": "a.jpg"}]',
            'item 1, field photoo: is none of a label; did you mean "photo"?',
        ),
        ("a.txt", "x", "is no label file; labels are in a .csv, .json or .jsonl"),
        ("a.csv", "", "lacks the column 'photo'"),
        ("a.csv", HEADER, "has no row with a call"),
        ("a.csv", HEADER + '\n"a', "is no table of text"),
    ],
)
def test_a_file_that_holds_no_labels_is_told(tmp_path: Path, name: str, text: str, problem: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LinecallError) as caught:
        load_labels(path)
    assert problem in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_file_that_is_not_there_or_not_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(LinecallError, match="cannot be read"):
        load_labels(tmp_path / "none.csv")
    (tmp_path / "latin.csv").write_bytes(HEADER.encode() + b"\nJos\xe9")
    with pytest.raises(LinecallError, match="byte 48 is not UTF-8; save the file as UTF-8 text"):
        load_labels(tmp_path / "latin.csv")


def test_the_columns_are_those_that_the_help_names() -> None:
    assert COLUMNS == (
        "photo", "grader", "role", "graded_at", "window", "mark", "call",
        "grade", "blind", "light", "defects", "plate", "note",
    )  # fmt: skip
