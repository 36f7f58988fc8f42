"""The verdict's model, its bytes, its schema, and what a broken file is told."""

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError

from fixtures.verdicts import example_mark, example_verdict, refused_verdict, unmeasured_mark
from reader.errors import LinecallError
from reader.verdict.model import (
    LINE_LENGTH,
    SCHEMA_DIALECT,
    SCHEMA_FILE,
    Mark,
    PhotoRecord,
    Verdict,
    load_verdict,
    schema,
    schema_bytes,
    to_bytes,
)

READ = example_verdict(("present", "absent", "doubtful", "present", "present", "present"), grade="undecided")
EVERY_KIND = [READ, refused_verdict(), example_verdict(("absent",) * 12, grade="heavy")]


def edited(verdict: Verdict = READ, **changes: Any) -> bytes:
    """Bytes of a verdict with the fields at "a.b.0.c" paths (dots written as __) changed by hand."""
    value = json.loads(to_bytes(verdict))
    for path, new in changes.items():
        *parents, last = [int(part) if part.isdigit() else part for part in path.split("__")]
        target = value
        for part in parents:
            target = target[part]
        target[last] = new
    return json.dumps(value).encode()


# -- bytes ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", EVERY_KIND)
@pytest.mark.parametrize("one_line", [False, True])
def test_a_verdict_comes_back_from_its_bytes_unchanged(verdict: Verdict, one_line: bool) -> None:
    data = to_bytes(verdict, one_line=one_line)
    again = load_verdict(data)
    assert again == verdict
    assert to_bytes(again, one_line=one_line) == data


def test_the_same_reading_gives_the_same_bytes_twice() -> None:
    assert to_bytes(example_verdict()) == to_bytes(example_verdict())


def test_both_forms_say_the_same_and_the_one_line_form_is_one_line() -> None:
    one_line, pretty = to_bytes(READ, one_line=True), to_bytes(READ)
    assert json.loads(one_line) == json.loads(pretty)
    assert one_line.count(b"\n") == 1
    assert one_line.endswith(b"\n")
    assert pretty.endswith(b"}\n")


def test_lines_of_the_pretty_form_are_short_unless_one_text_is_long() -> None:
    for line in to_bytes(READ).decode().splitlines():
        assert len(line) <= LINE_LENGTH


def test_fields_keep_their_declared_order_and_windows_the_plates_order() -> None:
    value = json.loads(to_bytes(READ))
    assert list(value) == [
        name
        for name in Verdict.model_fields
        if name not in {"refusal_values", "looked_for", "run", "departures"}
    ]  # none here
    marked = [name for name in Mark.model_fields if name != "reason_codes"]  # none here
    assert list(value["windows"][0]["indicator"]) == marked
    assert [window["id"] for window in value["windows"]] == ["1", "2", "3", "4", "5", "6"]


def test_numbers_are_rounded_once_and_negative_zero_is_zero() -> None:
    mark = example_mark("present").model_copy()
    mark = Mark(
        **mark.model_dump() | {"height": 0.12345678, "position_mm": 6.000049, "limit_of_blank": -1e-9}
    )
    assert mark.height == 0.123457
    assert mark.position_mm == 6.0
    assert mark.limit_of_blank is not None
    assert math.copysign(1, mark.limit_of_blank) == 1


def test_a_number_in_a_file_is_taken_as_it_stands() -> None:
    finer = to_bytes(example_verdict()).replace(b'"height": 0.1834', b'"height": 0.18340004')
    verdict = load_verdict(finer)
    assert verdict.windows[0].indicator.height == 0.18340004
    assert to_bytes(verdict) == finer


def test_half_a_letter_in_a_file_is_refused() -> None:
    half = to_bytes(example_verdict()).replace(b"north-tank-4.jpg", b"\\ud800.jpg")
    with pytest.raises(LinecallError, match="verdict: "):
        load_verdict(half)


def test_text_beyond_ascii_is_kept_as_it_is_and_a_name_that_is_not_utf8_is_made_writable() -> None:
    verdict = example_verdict(photo_name="Spülung-№4-日本.jpg")
    assert "Spülung-№4-日本.jpg".encode() in to_bytes(verdict)
    verdict = example_verdict(photo_name=b"tank-\xff.jpg".decode("utf-8", "surrogateescape"))
    assert load_verdict(to_bytes(verdict)).photo.name == "tank-?.jpg"


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("field", ["height", "standard_error", "position_mm", "dye_angle_deg"])
def test_a_number_that_is_none_never_enters_a_verdict(number: float, field: str) -> None:
    with pytest.raises(ValidationError, match="finite"):
        Mark(**example_mark("present").model_dump() | {field: number})


def test_a_mark_that_could_not_be_measured_is_null_and_says_why() -> None:
    assert json.loads(unmeasured_mark().model_dump_json())["height"] is None
    with pytest.raises(ValidationError, match="a mark without a height needs a flag"):
        Mark(**unmeasured_mark().model_dump() | {"flags": ()})


def test_a_verdict_is_frozen() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        READ.grade = "negligible"


# -- times ------------------------------------------------------------------------------------------------


def photo_at(moment: Any, *, known: bool) -> PhotoRecord:
    return PhotoRecord(name="a.jpg", sha256=None, captured_at=moment, captured_offset_known=known)


# RFC 3339 section 5.8's examples (seconds, as a verdict keeps them).
@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("1985-04-12T23:20:50Z", datetime(1985, 4, 12, 23, 20, 50, tzinfo=UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("1937-01-01T12:00:27+00:20", datetime(1937, 1, 1, 11, 40, 27, tzinfo=UTC)),
    ],
)
def test_times_agree_with_rfc_3339(text: str, instant: datetime) -> None:
    photo = photo_at(text, known=True)
    assert photo.captured_at == instant
    written = json.loads(photo.model_dump_json())["captured_at"]
    assert written == text.replace("Z", "+00:00")


def test_a_time_without_an_offset_stays_local_and_is_said_to_be() -> None:
    photo = photo_at(datetime(2026, 5, 4, 9, 8, 7), known=False)
    assert json.loads(photo.model_dump_json())["captured_at"] == "2026-05-04T09:08:07"
    with pytest.raises(ValidationError, match="captured_offset_known"):
        photo_at(datetime(2026, 5, 4, 9, 8, 7), known=True)


@pytest.mark.parametrize(
    "text",
    [
        "2026-05-04 09:08:07+02:00",
        "2026-05-04T09:08:07-00:00",
        "2026-13-04T09:08:07Z",
        "1990-12-31T23:59:60Z",
        "yesterday",
        "",
    ],
)
def test_other_times_are_refused_by_name(text: str) -> None:
    with pytest.raises(LinecallError, match=r"photo\.captured_at is "):
        load_verdict(edited(photo__captured_at=text))


# -- schema -----------------------------------------------------------------------------------------------


def test_the_schema_in_the_repository_is_the_models() -> None:
    assert SCHEMA_FILE.read_bytes() == schema_bytes()


def test_the_schema_is_one_of_draft_2020_12() -> None:
    assert schema()["$schema"] == SCHEMA_DIALECT == jsonschema.Draft202012Validator.META_SCHEMA["$id"]
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("verdict", EVERY_KIND)
def test_every_verdict_is_valid_by_the_published_schema(verdict: Verdict) -> None:
    validator = jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_bytes()))
    validator.validate(json.loads(to_bytes(verdict)))


@pytest.mark.parametrize(
    "change",
    [
        {"windows__0__indicator__call": "maybe"},
        {"windows__0__indicator__height": "0.1"},
        {"windows__0__corners_px": [[0, 0], [1, 0], [1, 1]]},
        {"photo__captured_at": "yesterday"},
        {"photo__sha256": "abc"},
        {"photo__gps": [0, 0]},
        {"schema_version": 2},
        {"grade": "fine"},
    ],
)
def test_the_schema_and_the_reader_refuse_alike(change: dict[str, Any]) -> None:
    validator = jsonschema.Draft202012Validator(schema())
    assert not validator.is_valid(json.loads(edited(**change)))
    with pytest.raises(LinecallError):
        load_verdict(edited(**change))


# -- what a broken file is told ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            {"windows__2__indicator__call": "maybe"},
            "windows[2].indicator.call is 'maybe', expected 'present', 'absent', 'doubtful' or 'undeveloped'",
        ),
        ({"windows__0__reference__height": "0.1"}, "windows[0].reference.height is '0.1', expected number"),
        ({"windows__0__reference__standard_error": -0.1}, "greater than or equal to 0"),
        ({"photo__widht": 3}, 'photo.widht is no field of a verdict; did you mean "width"?'),
        ({"zzz": 3}, "zzz is no field of a verdict"),
        ({"grade": "moderate"}, "grade is moderate, so possible_grades must be that grade and no other"),
        (
            {"pivotal": [{"window": "9", "mark": "indicator"}]},
            "pivotal names window '9', which windows does not",
        ),
        (
            {"pivotal": [{"window": "1", "mark": "indicator"}]},
            "the indicator of window '1', which is not doubtful",
        ),
        ({"windows__1__id": "1"}, "windows names '1' twice"),
        ({"windows": []}, "windows and possible_grades must not be empty"),
        ({"layout": None}, "status is read, so layout must be given"),
        ({"reason": "blurred"}, "status is read, so reason must be null"),
        ({"status": "refused"}, "status is refused, so refusal must be given"),
        ({"windows__0__indicator__call": "undeveloped"}, "only a reference mark has a starting dye"),
        ({"reading_age__minutes": None}, "minutes must be null exactly where status is unknown"),
        ({"schema_version": 2}, "schema_version is 2, but this linecall reads up to 1; update linecall"),
        ({"schema_version": "1"}, "no schema_version, so this is no verdict"),
    ],
)
def test_an_edited_field_is_named(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(LinecallError) as caught:
        load_verdict(edited(**change))
    assert sentence in str(caught.value)


def test_a_missing_field_is_named() -> None:
    value = json.loads(to_bytes(READ))
    del value["windows"][3]["reference"]["call"]
    with pytest.raises(LinecallError, match=r"verdict: windows\[3\]\.reference\.call is missing$"):
        load_verdict(json.dumps(value).encode())


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "line 1, column 1: not JSON"),
        (b'{"schema_version": 1,\n oops}', "line 2, column 2: not JSON"),
        (b"\xff\xfe", "byte 0 is not UTF-8"),
        (b"[1]", "no schema_version"),
        (b'{"schema_version": 1, "grade": NaN}', "NaN is not JSON; what was not measured is null"),
        (
            b'{"schema_version": 1, "grade": "heavy", "grade": "negligible"}',
            "the field 'grade' is there twice",
        ),
        (b'{"schema_version": ' + b"9" * 5000 + b"}", "not JSON that a verdict could hold"),
        (b"[" * 100_000, "not JSON that a verdict could hold"),
        (b" " * 4_000_001, "no verdict has more than"),
    ],
)
def test_bytes_that_are_no_verdict_get_one_clear_line(data: bytes, sentence: str) -> None:
    with pytest.raises(LinecallError) as caught:
        load_verdict(data)
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_verdict_cut_short_anywhere_is_refused() -> None:
    data = to_bytes(READ)
    for length in range(0, len(data) - 2, 97):
        with pytest.raises(LinecallError):
            load_verdict(data[:length])


def test_errors_name_the_file(tmp_path: Path) -> None:
    with pytest.raises(LinecallError, match=r"^gone\.verdict\.json: cannot be read: No such file"):
        load_verdict(tmp_path / "gone.verdict.json")
    path = tmp_path / "a.verdict.json"
    path.write_bytes(edited(grade="fine"))
    with pytest.raises(LinecallError, match=r"^a\.verdict\.json: grade is 'fine', expected 'negligible'"):
        load_verdict(path)
    path.write_bytes(to_bytes(READ))
    assert load_verdict(path) == READ
