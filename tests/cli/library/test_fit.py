"""`linecall library fit-thresholds`: what it writes, what it refuses, and that the reader uses its file."""

import hashlib
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.library.fit import fit_thresholds
from fixtures.graded import Reader, graded_examples
from reader import read_photo
from reader.errors import LinecallError, OutputError
from reader.library import Library
from reader.settings.values import load_thresholds
from tests.demo import readable_photo

SHARP = [Reader(name=name, role="expert", sees=0.004, unsure=0.0008) for name in ("Ada Quill", "Bo Marsh")]


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made(tmp_path_factory.mktemp("library") / "quay", SHARP)


def made(folder: Path, readers: list[Reader]) -> Path:
    with Library.open(folder) as library:
        library.settings.keep_layout("comb")
        library.add_all(graded_examples(120, layouts=("comb",), photos_a_plate=2, readers=readers))
    return folder


def run(where: Path, *options: str | Path) -> Result:
    return CliRunner().invoke(fit_thresholds, ["-l", str(where), *map(str, options)])


def test_a_proposal_is_written_with_its_evidence_and_read_with_by_name_only(
    where: Path, tmp_path: Path, root: Path
) -> None:
    done = run(where, "-o", tmp_path / "quay-2.toml")
    assert done.exit_code == 0, done.output
    for words in ("in use", "on plates held out", "would change", "nothing is applied", "at 95 % confidence"):
        assert words in done.output
    thresholds = load_thresholds(tmp_path / "quay-2.toml")
    report = (tmp_path / "quay-2.json").read_bytes()
    assert thresholds.evidence == hashlib.sha256(report).hexdigest()
    content = json.loads(report)
    assert content["settings"]["thresholds"]["sha256"] == load_thresholds().sha256
    assert len(content["hashes"]) == content["examples"]
    verdict = read_photo(readable_photo(root), thresholds=tmp_path / "quay-2.toml")
    assert verdict.thresholds is not None
    assert verdict.thresholds.name == "quay-2"
    assert verdict.thresholds.revision == load_thresholds().revision + 1
    assert verdict.thresholds.sha256 == hashlib.sha256((tmp_path / "quay-2.toml").read_bytes()).hexdigest()
    usual = read_photo(readable_photo(root)).thresholds
    assert usual is not None
    assert usual.name == "standard"


def test_a_file_that_holds_something_else_stays_as_it_is(where: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text("mine", encoding="utf-8")
    assert isinstance(run(where, "-o", mine).exception, OutputError)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]
    assert mine.read_text(encoding="utf-8") == "mine"
    assert run(where, "-o", tmp_path / "mine.html").exit_code == 2


def test_a_refused_proposal_writes_nothing_and_names_the_marks(tmp_path: Path) -> None:
    blind = [Reader(name=name, role="expert", sees=0.05, unsure=0.0008) for name in ("Ada Quill", "Bo Marsh")]
    done = run(made(tmp_path / "library", blind), "-o", tmp_path / "new.toml")
    assert done.exit_code == 3, done.output
    assert "marks for which these limits are refused" in done.output
    assert "absent by consensus" in " ".join(done.output.split())
    assert "refused: no limits are proposed, and nothing was written" in done.output
    assert not (tmp_path / "new.toml").exists()


def test_json_holds_every_change_and_nothing_else_is_printed(where: Path) -> None:
    done = run(where, "--json")
    content = json.loads(done.stdout)
    assert content["decision"] == "proposed"
    assert {"now", "then", "changes", "rates_held_out", "costs", "left_out", "digest"} <= content.keys()


def test_a_library_without_such_examples_is_said(where: Path) -> None:
    done = run(where, "--light", "moonshine")
    assert isinstance(done.exception, LinecallError)
    assert "holds no example with light moonshine" in str(done.exception)
