"""Decisions in a file: TOML and JSON alike, and what is wrong with one."""

import json
from pathlib import Path

import pytest

from reader.errors import SettingsError
from reader.review.decisions_file import load_decisions

TOML = """
by = "Vesna Rask"
reason = "looked at twice"
blind = true

[[decision]]
window = "3"
mark = "indicator"
call = "present"

[[decision]]
window = 5
mark = "reference"
call = "absent"
reason = "nothing there"
"""
AS_JSON = {
    "by": "Vesna Rask",
    "reason": "looked at twice",
    "blind": True,
    "decision": [
        {"window": "3", "mark": "indicator", "call": "present"},
        {"window": 5, "mark": "reference", "call": "absent", "reason": "nothing there"},
    ],
}


def written(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_toml_and_json_say_the_same(tmp_path: Path) -> None:
    toml = load_decisions(written(tmp_path, "a.toml", TOML))
    assert toml == load_decisions(written(tmp_path, "a.JSON", json.dumps(AS_JSON)))
    assert (toml.by, toml.blind) == ("Vesna Rask", True)
    assert [(made.window, made.call, made.reason) for made in toml.decision] == [
        ("3", "present", None),
        ("5", "absent", "nothing there"),
    ]


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        (
            "a.toml",
            TOML.replace('"indicator"', '"control"'),
            'line 8: decision[0].mark is "control", but must',
        ),
        ("a.toml", TOML.replace('"present"', '"presnt"'), 'did you mean "present"?'),
        ("a.toml", TOML.replace("blind = true", 'blind = "no"'), "line 4: blind is"),
        ("a.toml", TOML.replace('reason = "looked', 'raeson = "looked'), 'did you mean "reason"?'),
        ("a.toml", 'by = "A"', "decision is missing; give one table [[decision]] for each mark"),
        ("a.toml", "decision = []", "decision is [], but must have at least 1 item"),
        ("a.toml", "by = ", "not TOML"),
        ("a.json", '{"by": "A",\n "decision": [}', "line 2: not JSON: "),
        (
            "a.json",
            '{"decision": [{"window": true, "mark": "indicator", "call": "absent"}]}',
            "decision[0].window",
        ),
        ("a.json", "[1, 2]", "is [1, 2], but must be a table"),
        ("a.json", "[" * 50_000, "not JSON"),
        ("a.json", '{"by": ' + "9" * 1500 + "}", "by is"),
    ],
)
def test_what_is_wrong_is_said_with_the_file_and_the_field(
    tmp_path: Path, name: str, text: str, said: str
) -> None:
    with pytest.raises(SettingsError) as caught:
        load_decisions(written(tmp_path, name, text))
    assert str(tmp_path / name) in str(caught.value)
    assert said in str(caught.value)


def test_a_file_that_is_not_there_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such file"):
        load_decisions(tmp_path / "none.json")
