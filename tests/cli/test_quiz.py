"""`linecall quiz` on the command line."""

import json
from pathlib import Path

from click.testing import CliRunner, Result

from cli.main import main
from reader.library.quiz.records import Key
from reader.logbook import Logbook
from tests.reader.library.quiz.quiz_library import answers_of, invented_library
from tests.test_imports import loaded_by


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_a_quiz_is_made_and_marked_and_logged_once(tmp_path: Path) -> None:
    invented_library(tmp_path / "library", 40).close()
    page, book = tmp_path / "quiz.html", tmp_path / "book.sqlite"
    Logbook.open(book).close()
    made = run("quiz", "make", "-l", tmp_path / "library", "--trainee", "N. Novice", "--items", 6, "--seed", 7,
               "--mix", "faint", "-o", page)  # fmt: skip
    assert made.exit_code == 0, made.output
    key = Key.model_validate_json(next((tmp_path / "library" / "quizzes").glob("*.key.json")).read_bytes())
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps(answers_of(key)), encoding="utf-8")
    asked = run("quiz", "mark", answers, "-l", tmp_path / "library", "-L", book)
    assert (asked.exit_code, "N. Novice is not known in" in asked.output) == (2, True)
    run("people", "add", "N. Novice", "--role", "trainee", "-L", book)
    for _ in range(2):
        marked = run("quiz", "mark", answers, "-l", tmp_path / "library", "-L", book)
        assert marked.exit_code == 0, marked.output
        assert "passed" in marked.output
    with Logbook.open(book, read_only=True) as logbook:
        events = [event for event in logbook.events() if event.kind == "quiz"]
        assert len(events) == 1
        assert events[0].payload["passed"] is True
        assert events[0].payload["paper"] == key.paper


def test_who_does_not_pass_is_told_by_the_exit_status(tmp_path: Path) -> None:
    invented_library(tmp_path / "library", 40).close()
    run(
        "quiz",
        "make",
        "-l",
        tmp_path / "library",
        "--trainee",
        "N. Novice",
        "--items",
        6,
        "-o",
        tmp_path / "q.html",
    )
    key = Key.model_validate_json(next((tmp_path / "library" / "quizzes").glob("*.key.json")).read_bytes())
    changed: dict[tuple[str, str, str], str | None] = {
        (item.item, m.window, m.mark): "doubtful" for item in key.items for m in item.marks
    }
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps(answers_of(key, changed)), encoding="utf-8")
    marked = run("quiz", "mark", answers, "-l", tmp_path / "library")
    assert marked.exit_code == 3
    assert "not passed" in marked.output


def test_no_library_is_one_clear_line(tmp_path: Path) -> None:
    done = run("quiz", "make", "-l", tmp_path / "none", "--trainee", "N. Novice")
    assert done.exit_code == 2
    assert "holds no library" in done.output
    assert "Traceback" not in done.output


def test_a_logbook_that_is_not_there_is_told_before_anything_is_kept(tmp_path: Path) -> None:
    invented_library(tmp_path / "library", 40).close()
    run(
        "quiz",
        "make",
        "-l",
        tmp_path / "library",
        "--trainee",
        "N. Novice",
        "--items",
        6,
        "-o",
        tmp_path / "q.html",
    )
    quizzes = tmp_path / "library" / "quizzes"
    key = Key.model_validate_json(next(quizzes.glob("*.key.json")).read_bytes())
    answers = tmp_path / "answers.json"
    answers.write_text(json.dumps(answers_of(key)), encoding="utf-8")
    done = run("quiz", "mark", answers, "-l", tmp_path / "library", "-L", tmp_path / "none.sqlite")
    assert done.exit_code == 2
    assert "there is no logbook" in done.output
    assert not list(quizzes.glob("*.answers.json"))


def test_the_score_is_shown_and_kept_though_its_page_cannot_be_written(tmp_path: Path) -> None:
    invented_library(tmp_path / "library", 40).close()
    run(
        "quiz",
        "make",
        "-l",
        tmp_path / "library",
        "--trainee",
        "N. Novice",
        "--items",
        6,
        "-o",
        tmp_path / "q.html",
    )
    quizzes = tmp_path / "library" / "quizzes"
    key = Key.model_validate_json(next(quizzes.glob("*.key.json")).read_bytes())
    answers, there = tmp_path / "answers.json", tmp_path / "result.html"
    answers.write_text(json.dumps(answers_of(key)), encoding="utf-8")
    there.write_text("something else", encoding="utf-8")
    done = run("quiz", "mark", answers, "-l", tmp_path / "library", "-o", there)
    assert done.exit_code == 1
    assert "passed" in done.output
    assert "exists and holds something else; write elsewhere or give --force" in done.output
    assert there.read_text(encoding="utf-8") == "something else"
    assert list(quizzes.glob("*.answers.json"))
    assert run("quiz", "mark", answers, "-l", tmp_path / "library", "-o", there, "--force").exit_code == 0


def test_drawing_a_quiz_loads_no_statistics_no_dialect_of_a_server_and_no_logbook(tmp_path: Path) -> None:
    invented_library(tmp_path / "library", 40).close()
    loaded = loaded_by(
        "quiz",
        "make",
        "-l",
        "library",
        "--trainee",
        "N. Novice",
        "--items",
        "6",
        "-o",
        "q.html",
        cwd=tmp_path,
    )
    assert (tmp_path / "q.html").exists()
    assert "reader.library.quiz.papers" in loaded
    spared = {
        "reader.logbook.store",
        "sqlalchemy.dialects.postgresql",
        "reader.library.agreement.rates",
        "reader.draw.annotate",
    }
    assert spared.isdisjoint(loaded)
