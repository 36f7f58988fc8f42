"""A procedure as data: what it names is there, and linecall's own departures have a meaning in it."""

from pathlib import Path

import pytest

from reader.files.bundled import DATA
from reader.round.procedure import ALWAYS, load_procedure
from reader.settings.toml_file import BrokenFileError

BUNDLED = (DATA / "procedure" / "standard.toml").read_text(encoding="utf-8")
OURS = BUNDLED.replace('procedure = "standard"', 'procedure = "ours"')


def problems_of(folder: Path, text: str) -> tuple[str, ...]:
    path = folder / "ours.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BrokenFileError) as broken:
        load_procedure(path)
    return broken.value.problems


def test_the_bundled_one_says_first_whose_instructions_prevail() -> None:
    assert BUNDLED.startswith("# THE PLATE MAKER'S INSTRUCTIONS PREVAIL.")
    procedure = load_procedure()
    assert procedure.caution.startswith("The plate maker's instructions prevail")
    assert {kind.code for kind in procedure.departure} >= set(ALWAYS)


def test_the_fluid_gathers_only_where_there_is_fuel_in_the_bottle() -> None:
    # common practice, no source: water taken alone has nothing to part from
    procedure = load_procedure()
    of = {phase: [step.id for step in procedure.steps_of(phase)] for phase in ("water", "topped", "fuel")}
    assert (
        of["fuel"] == of["topped"] == ["clean", "sample", "settled", "extract", "gathered", "drops", "photo"]
    )
    assert "gathered" not in of["water"]


@pytest.mark.parametrize(
    ("right", "changed", "sentence"),
    [
        ('since = "sample"\nleast = 8.0', 'since = "drops"\nleast = 8.0', "stands after it"),
        ("least = 8.0\nmost = 720.0", "least = 8.0\nmost = 7.0", "the least must be less"),
        ('too_soon = "settled-too-short"', "", "has only one of least and too_soon"),
        ('skipped = "not-settled"', 'skipped = "not-setled"', 'did you mean "not-settled"?'),
        ('phases = ["topped", "fuel"]', 'phases = ["toped", "fuel"]', 'did you mean "topped"?'),
        ('[[step]]\nid = "drops"', '[[step]]\nid = "dripped"', 'lacks "drops"'),
        ('code = "recalled"', 'code = "called-back"', 'lacks "recalled", which linecall finds by itself'),
        ('[[step]]\nid = "gathered"', '[[step]]\nid = "extract"', "another step has that id"),
    ],
)
def test_what_does_not_hold_together_is_told_with_its_line(
    tmp_path: Path, right: str, changed: str, sentence: str
) -> None:
    assert right in OURS
    problems = problems_of(tmp_path, OURS.replace(right, changed))
    assert any(sentence in problem and ", line " in problem for problem in problems), problems
