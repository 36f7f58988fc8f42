"""Papers: a fair draw, a page without answers, and scores worked out by hand."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.errors import SettingsError
from reader.library import Library
from reader.library.quiz import ASKED, Paper, QuizError, feedback_page, load_answers, load_mix, make, mark
from tests.reader.library.quiz_library import answers_of, invented_library, sealed

TRAINEE = "N. Novice"


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with invented_library(tmp_path / "library") as made:
        yield made


@pytest.fixture
def paper(library: Library) -> Paper:
    return make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))


def saved(tmp_path: Path, value: object) -> Path:
    path = tmp_path / "answers.json"
    path.write_text(json.dumps(value), encoding="utf-8")
    return path


def test_every_class_is_asked_and_every_mark_has_a_consensus_and_no_plate_comes_twice(
    library: Library, paper: Paper
) -> None:
    marks = [mark for item in paper.key.items for mark in item.marks]
    assert {mark.strength for mark in marks if mark.mark == "indicator"} >= set(ASKED)
    assert len(paper.key.items) == 10
    plates = [library.row(item.example).plate for item in paper.key.items]
    assert len(set(plates)) == 10
    for item in paper.key.items:
        agreed = library.agreed(item.example)
        assert {(m.window, m.mark): m.call for m in item.marks} == {key: a.call for key, a in agreed.items()}


def test_the_same_seed_gives_the_same_page_and_another_gives_another(library: Library, paper: Paper) -> None:
    again = make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))
    other = make(library, trainee=TRAINEE, items=10, seed=8, mix=load_mix("faint"))
    assert again.page == paper.page
    assert {item.example for item in other.key.items} != {item.example for item in paper.key.items}


def test_nobody_is_asked_what_they_graded_before(library: Library) -> None:
    graded = {
        row.plate for row in library.examples() for g in library.gradings(row.id) if g.grader == "U. Dahl"
    }
    asked = make(library, trainee="u  dahl", items=10, seed=7, mix=load_mix("even"))
    assert graded
    assert graded.isdisjoint(library.row(item.example).plate for item in asked.key.items)


def test_nobody_is_asked_what_they_answered_in_an_earlier_paper(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    mark(library, load_answers(saved(tmp_path, answers_of(paper.key))))
    second = make(library, trainee=TRAINEE, items=6, seed=7, mix=load_mix("faint"))
    first = {item.example for item in paper.key.items}
    assert first.isdisjoint(item.example for item in second.key.items)


def test_the_page_tells_nothing_of_the_key(library: Library, paper: Paper) -> None:
    page = paper.page.decode()
    for item in paper.key.items:
        row = library.row(item.example)
        for secret in (item.example, row.photo, row.photo_sha256, row.plate, row.source):
            assert secret not in page
    start = page.index('id="paper">') + len('id="paper">')
    content = json.loads(page[start : page.index("</script>", start)])
    assert set(content) == {"format", "quiz", "minutes", "items", "paper"}
    for asked in content["items"]:
        assert set(asked) == {"item", "windows"}
        for window in asked["windows"]:
            assert set(window) == {"window", "picture", "lower", "indicator", "reference"}
            assert window["indicator"] == ["present", "absent", "doubtful"]
    assert "http://" not in page
    assert "https://" not in page


def test_the_items_order_tells_nothing_of_the_classes(library: Library) -> None:
    orders = set()
    for seed in range(4):
        made = make(library, trainee=TRAINEE, items=10, seed=seed, mix=load_mix("even"))
        seqs = [library.row(item.example).seq for item in made.key.items]
        assert seqs != sorted(seqs)
        orders.add(tuple(item.item for item in made.key.items))
    assert len(orders) == 4


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


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": 2}', "nonsense", '{"answers": 7}'])
def test_what_is_no_file_of_answers_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "answers.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(QuizError, match=r"answers\.json: is no") as caught:
        load_answers(path)
    assert "\n" not in str(caught.value)


def test_too_few_plates_are_told(library: Library) -> None:
    with pytest.raises(QuizError, match="ask for fewer with --items"):
        make(library, trainee=TRAINEE, items=59, seed=1, mix=load_mix("even"))
    with pytest.raises(QuizError, match="4 plates cannot represent 5 contrast classes"):
        make(library, trainee=TRAINEE, items=4, seed=1, mix=load_mix("even"))


def test_a_mix_must_add_up(tmp_path: Path, root: Path) -> None:
    text = (
        (root / "reader/data/quiz/even.toml")
        .read_text(encoding="utf-8")
        .replace("strong = 0.2", "strong = 0.3")
    )
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"adds up to 1\.1"):
        load_mix(path)
