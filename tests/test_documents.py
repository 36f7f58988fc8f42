"""What README and the guide show is true: their commands run, print what is shown, and their tables are complete.

Each document starts in a fresh folder with the demo photos. The two commands of README that set linecall up are
run by .ci/run.
"""

import re
import shutil
from datetime import datetime, time
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest
from pydantic import BaseModel

import reader
from reader import Verdict
from reader.guide import topics
from reader.guide.topics import FOLDER
from reader.settings.defaults import FILE_NAME, load_defaults
from tests.documents import (
    DOCUMENTS,
    README,
    ROOT,
    answers_for,
    blocks,
    fresh_folder,
    missing_from,
    run_line,
    with_tables,
)

SET_UP = "python3 -m venv"
TEACHING = "linecall library add demo_images/teaching"
STATUSES = (0, 3, 4, 5)  # a refused or undecided demo photo is shown on purpose; wrong usage never


@pytest.fixture(scope="module")
def teaching_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the library of the teaching set is kept by the first document that makes it, for the others."""
    return tmp_path_factory.mktemp("library") / "site"


def long_ago(line: str) -> str:
    """A command whose drops went in at 03:00 at the site, which a plate must be older than when it is read."""
    now = datetime.now(ZoneInfo("Europe/Copenhagen")).time()
    return line.replace("--at 03:00", "--at 15:00") if time(3) <= now < time(4) else line


def run_shown(line: str, kept: Path) -> str:
    if line.startswith(TEACHING) and kept.exists():
        shutil.copytree(kept, "site")
        return ""
    if line.startswith("linecall quiz mark"):
        answers_for(Path("site"))
    done = run_line(long_ago(line))
    assert done.status in STATUSES, f"{line}\n{done.output}"
    assert "Traceback" not in done.output
    assert "old spelling" not in done.output, done.output
    if line.startswith(TEACHING):
        shutil.copytree("site", kept)
    return done.output


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_the_commands_of_a_document_run_in_their_order_and_print_what_is_shown(
    path: Path, tmp_path: Path, teaching_library: Path
) -> None:
    output = ""
    with fresh_folder(tmp_path / "fresh"):
        for block in blocks(path.read_text(encoding="utf-8")):
            if block.language == "text":
                lacking = missing_from(block.lines, output)
                assert not lacking, (
                    f"{path.name}:{block.number} shows {lacking}, but this was printed:\n{output}"
                )
            if block.language == "python":
                Path("shown.py").write_text("\n".join(block.lines), encoding="utf-8")
                assert run_line("python shown.py").status == 0
            if block.language != "sh" or block.lines[0].startswith(SET_UP):
                continue
            output = "".join(run_shown(line, teaching_library) for line in block.lines)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_a_document_has_no_command_outside_a_block_that_is_run(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    languages = {"sh", "text", "python", "powershell", "toml"}
    if (
        path.stem == "cluster"
    ):  # its commands are those of tests/cli/test_read_urls.py and tests/bench/cluster.py
        languages |= {"console"}
    if path.stem == "serving":  # of machines that a test does not set up; tests/bench/offline.py tries them
        languages |= {"console", "ini", "dockerfile", "nginx"}
    if path.stem == "postgresql":  # run by tests/reader/logbook/test_postgresql_guide.py, where a server is
        languages |= {"console", "ini", "sql"}
    assert {block.language for block in blocks(text)} <= languages
    assert not re.search(r"^ {4}linecall ", text, re.MULTILINE)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_tables_of_fields_are_those_of_the_models(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "| ? |" not in text, "a field without words; describe it in the model"
    assert with_tables(text) == text, "run python -m tests.documents"


def test_every_record_of_a_verdict_has_its_table() -> None:
    def records(model: type[BaseModel]) -> set[str]:
        inner = {one for info in model.model_fields.values() for one in models_in(info.annotation)} - {model}
        return {model.__name__}.union(*map(records, inner))

    told = set(re.findall("<!-- fields: (\\w+) -->", (FOLDER / "verdict.md").read_text(encoding="utf-8")))
    assert records(Verdict) - told == {"SoftwareRecord", "LayoutRecord", "PivotalMark"}  # told in words


def models_in(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {annotation}
    return set().union(*map(models_in, get_args(annotation)))


def test_an_example_of_a_file_of_defaults_is_one(tmp_path: Path) -> None:
    shown = [block for path in DOCUMENTS for block in blocks(path.read_text(encoding="utf-8"))]
    files = ["\n".join(block.lines) for block in shown if block.language == "toml"]
    assert files
    for text in files:
        (tmp_path / FILE_NAME).write_text(text, encoding="utf-8")
        assert load_defaults(tmp_path / FILE_NAME).values


def test_the_topic_on_python_names_what_reader_offers() -> None:
    text = (FOLDER / "python.md").read_text(encoding="utf-8")
    assert [name for name in reader.__all__ if name not in text] == []
    told = set(re.findall(r"^\| `(\w+)\(", text, re.MULTILINE))
    assert told <= set(reader.__all__)


def test_readme_can_be_read_in_one_sitting_and_its_links_lead_somewhere() -> None:
    text = README.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 170
    for target in re.findall(r"\]\(([^)#]+)\)|src=\"([^\"]+)\"", text):
        assert (ROOT / "".join(target)).exists(), target


def test_topics_that_documents_send_readers_to_exist() -> None:
    known = {one.name for one in topics()}
    for path in DOCUMENTS:
        named = set(re.findall(r"`linecall guide ([a-z-]+)`", path.read_text(encoding="utf-8")))
        assert named <= known, f"{path.name}: {named - known}"
