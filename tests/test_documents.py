"""What README and the guide show is true: their commands run, print what is shown, and their tables are complete.

Each document starts in a fresh folder with the demo photos. The two commands of README that set linecall up are
run by .ci/run.
"""

import ast
import re
import shutil
from pathlib import Path

import pytest

import reader
from reader.guide import topics
from reader.guide.topics import FOLDER
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


def run_shown(line: str, kept: Path) -> str:
    if line.startswith(TEACHING) and kept.exists():
        shutil.copytree(kept, "site")
        return ""
    if line.startswith("linecall quiz mark"):
        answers_for(Path("site"))
    done = run_line(line)
    assert done.status in STATUSES, f"{line}\n{done.output}"
    assert "Traceback" not in done.output
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
    assert {block.language for block in blocks(text)} <= {"sh", "text", "python", "powershell"}
    assert not re.search(r"^ {4}linecall ", text, re.MULTILINE)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.stem)
def test_tables_of_fields_are_those_of_the_models(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert "| ? |" not in text, "a field without words; describe it in the model"
    assert with_tables(text) == text, "run python -m tests.documents"


def test_the_table_of_variables_names_every_variable_that_is_read() -> None:
    sources = [
        path.read_text(encoding="utf-8") for room in ("cli", "reader") for path in (ROOT / room).rglob("*.py")
    ]
    literals = {
        node.value
        for source in sources
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    read = {word for word in literals if re.fullmatch(r"LINECALL_[A-Z]+|NO_COLOR", word)}
    told = set(
        re.findall(r"^\| `(\w+)` \|", (FOLDER / "variables.md").read_text(encoding="utf-8"), re.MULTILINE)
    )
    assert told == read | {"COLUMNS"}


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
