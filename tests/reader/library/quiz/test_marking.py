"""Marking: scores worked out by hand, and answers that are refused."""

from pathlib import Path

import pytest

from reader.library import Library
from reader.library.quiz.feedback import feedback_page
from reader.library.quiz.marking import load_answers, mark
from reader.library.quiz.mix import load_mix
from reader.library.quiz.papers import Paper, make
from reader.library.quiz.records import QuizError
from tests.reader.library.quiz.quiz_library import answers_of, saved, sealed


def test_all_as_the_consensus_has_it_passes(library: Library, paper: Paper, tmp_path: Path) -> None:
    score = mark(library, load_answers(saved(tmp_path, answers_of(paper.key))))
    assert score.passed
    assert score.wrong == ()
    assert score.agreement.hits == score.agreement.of == sum(len(item.marks) for item in paper.key.items)


def test_misses_and_false_calls_are_counted_apart(library: Library, paper: Paper, tmp_path: Path) -> None:
    marks = [(item.item, m) for item in paper.key.items for m in item.marks]
    faint = [
        (item, m.window, m.mark)
        for item, m in marks
        if m.mark == "indicator" and m.strength in ("faint", "very faint") and m.call == "present"
    ]
    blank = [(item, m.window, m.mark) for item, m in marks if m.call == "absent" and m.mark == "indicator"]
    changed: dict[tuple[str, str, str], str | None] = {
        faint[0]: "absent", faint[1]: "absent", faint[2]: "doubtful", blank[0]: "present", blank[1]: None
    }  # fmt: skip
    score = mark(library, load_answers(saved(tmp_path, answers_of(paper.key, changed))))
    found = {c.name: (c.hits, c.of) for c in score.criteria}
    assert found["faint lines missed"] == (2, len(faint))
    assert found["false calls of a line"][0] == 1
    assert found["doubts where there is none"][0] == 1
    assert score.agreement.hits == len(marks) - 5
    assert sum(c.missed for c in score.classes) == 2
    assert sum(c.unanswered for c in score.classes) == 1
    assert len(score.wrong) == 5
    page = feedback_page(library, score)[0].decode()
    assert page.count("<section class=") == 5
    assert page.count('alt="contrast raised"') == 5


def test_a_window_that_did_not_work_and_is_taken_to_work_is_a_false_call(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    first, *others = paper.key.items
    place = next(k for k, m in enumerate(first.marks) if m.mark == "reference")
    void = first.marks[place].model_copy(update={"call": "undeveloped"})
    marks = (*first.marks[:place], void, *first.marks[place + 1 :])
    key = paper.key.model_copy(update={"items": (first.model_copy(update={"marks": marks}), *others)})
    (library.folder / "quizzes" / f"{key.quiz}.key.json").write_text(key.model_dump_json(), encoding="utf-8")
    answers = answers_of(key, {(first.item, void.window, "reference"): "present"})
    score = mark(library, load_answers(saved(tmp_path, answers)))
    void_marks = sum(m.call in ("absent", "undeveloped") for item in key.items for m in item.marks)
    assert {c.name: (c.hits, c.of) for c in score.criteria}["false calls of a line"] == (1, void_marks)
    assert {c.name: c.false_calls for c in score.classes}["reference"] == 1
    assert not score.passed
    assert b"Plate 1 (" in feedback_page(library, score)[0]


def test_what_was_answered_counts_though_the_strips_are_gone(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    item = paper.key.items[0]
    asked = item.marks[0]
    changed: dict[tuple[str, str, str], str | None]
    changed = {(item.item, asked.window, asked.mark): "doubtful" if asked.call != "doubtful" else "absent"}
    (library.folder / "strips").rename(library.folder / "elsewhere")
    score = mark(library, load_answers(saved(tmp_path, answers_of(paper.key, changed))))
    assert len(score.wrong) == 1
    page, lost = feedback_page(library, score)
    assert [f"the strip of window {asked.window} cannot be shown" in one for one in lost] == [True]
    assert b"restore it from a backup" in page
    assert b"<img" not in page
    with pytest.raises(QuizError, match=r"^example .* was drawn, but its picture of strips .* is missing"):
        make(library, trainee="E. Else", items=6, seed=1, mix=load_mix("even"))


def test_the_feedback_holds_to_the_consensus_of_the_quiz_and_says_where_it_is_another_now(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    changed: dict[tuple[str, str, str], str | None] = {
        (item.item, m.window, m.mark): None for item in paper.key.items for m in item.marks
    }
    library.settings.compute_by("consensus", "two-of-three-experts")
    score = mark(library, load_answers(saved(tmp_path, answers_of(paper.key, changed))))
    now = [library.agreed(wrong.example)[wrong.window, wrong.mark].call for wrong in score.wrong]
    other = sum(call != wrong.consensus for call, wrong in zip(now, score.wrong, strict=True))
    assert other > 0
    assert feedback_page(library, score)[0].count(b"That was when the quiz was made; now it is") == other


def test_the_same_answers_saved_again_later_are_the_same(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    first = mark(library, load_answers(saved(tmp_path, answers_of(paper.key))))
    later = sealed({**answers_of(paper.key), "seconds": 99})
    assert mark(library, load_answers(saved(tmp_path, later))) == first


def test_edited_answers_are_refused(paper: Paper, tmp_path: Path) -> None:
    value = answers_of(paper.key)
    value["seconds"] = 5
    with pytest.raises(QuizError, match="was edited after it was saved"):
        load_answers(saved(tmp_path, value))


def test_answers_to_another_quiz_are_refused(library: Library, paper: Paper, tmp_path: Path) -> None:
    value = answers_of(paper.key)
    with pytest.raises(QuizError, match="made no quiz 00000000"):
        mark(library, load_answers(saved(tmp_path, sealed({**value, "quiz": "00000000"}))))
    with pytest.raises(QuizError, match="to another quiz"):
        mark(library, load_answers(saved(tmp_path, sealed({**value, "paper": "0" * 64}))))


def test_a_missing_plate_is_named_and_nothing_is_kept(library: Library, paper: Paper, tmp_path: Path) -> None:
    value = answers_of(paper.key)
    del value["answers"][paper.key.items[3].item]
    with pytest.raises(QuizError, match="on plate 4 of 10"):
        mark(library, load_answers(saved(tmp_path, sealed(value))))
    assert not list((library.folder / "quizzes").glob("*.answers.json"))


def test_answers_count_once(library: Library, paper: Paper, tmp_path: Path) -> None:
    first = answers_of(paper.key)
    item = paper.key.items[0]
    asked = item.marks[0]
    other = "absent" if asked.call == "present" else "present"
    second = answers_of(paper.key, {(item.item, asked.window, asked.mark): other})
    assert second["answers"] != first["answers"]
    score = mark(library, load_answers(saved(tmp_path, first)))
    assert mark(library, load_answers(saved(tmp_path, first))).criteria == score.criteria
    with pytest.raises(QuizError, match="marked before with other answers"):
        mark(library, load_answers(saved(tmp_path, second)))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        '{"format": 2}',
        "nonsense",
        '{"answers": 7}',
        '{"seconds": NaN}',
        '{"a\\nb": 1}',
        '"\\ud800"',
        "[" * 100_000,
    ],
)
def test_what_is_no_file_of_answers_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "answers.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(QuizError, match=r"answers\.json: is no") as caught:
        load_answers(path)
    assert "\n" not in str(caught.value)


def test_a_file_without_end_is_not_read_to_its_end() -> None:
    with pytest.raises(QuizError, match="no plain file"):
        load_answers(Path("/dev/zero"))


def test_a_folder_is_no_file_of_answers(tmp_path: Path) -> None:
    with pytest.raises(QuizError, match=r"cannot be read .*; give the file that the page saved"):
        load_answers(tmp_path)
