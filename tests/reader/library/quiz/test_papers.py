"""Papers: a fair draw, ids by lot, and a page without answers."""

import base64
import json
from datetime import timedelta
from pathlib import Path

import pytest

from reader.errors import LinecallError, SettingsError
from reader.files.bundled import DATA
from reader.library import Filters, Library
from reader.library.quiz.marking import load_answers, mark
from reader.library.quiz.mix import ASKED, load_mix
from reader.library.quiz.papers import Paper, make
from reader.library.quiz.records import QuizError
from tests.reader.library.quiz.quiz_library import TRAINEE, answers_of, invented_library, saved


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


def chunks(address: str) -> set[bytes]:
    """Kinds of the chunks of a PNG (ISO/IEC 15948, 5.3: length, kind, data, CRC)."""
    data, at, found = base64.b64decode(address.removeprefix("data:image/png;base64,")), 8, set()
    while at < len(data):
        found.add(data[at + 4 : at + 8])
        at += 12 + int.from_bytes(data[at : at + 4])
    return found


def with_a_note(kind: str) -> bytes:
    """The bundled file that a library computes by, with another hash and the same effect."""
    name = {"consensus": "majority", "strength": "standard"}[kind]
    return (DATA / kind / f"{name}.toml").read_bytes() + b"# ours\n"


@pytest.mark.parametrize("kind", ["consensus", "strength"])
def test_what_is_computed_anew_makes_another_quiz_and_the_page_handed_out_keeps_its_key(
    library: Library, paper: Paper, tmp_path: Path, kind: str
) -> None:
    library.settings.compute_by(kind, with_a_note(kind))
    again = make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))
    assert [item.example for item in again.key.items] == [item.example for item in paper.key.items]
    assert again.key.quiz != paper.key.quiz
    assert {item.item for item in again.key.items}.isdisjoint(item.item for item in paper.key.items)
    assert make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint")).page == again.page
    assert mark(library, load_answers(saved(tmp_path, answers_of(paper.key)))).key == paper.key


def test_another_answer_alone_makes_another_quiz(library: Library, paper: Paper) -> None:
    asked = next(
        (item.example, m)
        for item in paper.key.items
        for m in item.marks
        if m.mark == "indicator" and m.call == "present"
    )
    example, asked_mark = asked
    voters = [g for g in library.gradings(example) if (asked_mark.window, "indicator") in g.calls]
    library.add_gradings(
        example,
        [
            g.model_copy(
                update={
                    "at": g.at + timedelta(days=1),
                    "calls": {(asked_mark.window, "indicator"): "absent"},
                    "grade": None,
                }
            )
            for g in voters
        ],
    )
    assert library.agreed(example)[asked_mark.window, "indicator"].call == "absent"
    again = make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))
    assert [item.example for item in again.key.items] == [item.example for item in paper.key.items]
    assert again.key.quiz != paper.key.quiz


def test_the_ids_cannot_be_worked_out_from_the_answers(tmp_path: Path) -> None:
    ids = set()
    for name in ("one", "two"):
        with invented_library(tmp_path / name, 20) as library:
            key = make(library, trainee=TRAINEE, items=6, seed=7, mix=load_mix("even")).key
            ids.add((key.quiz, *(item.item for item in key.items)))
            answers = [[(m.window, m.mark, m.call) for m in item.marks] for item in key.items]
    assert answers
    assert len(ids) == 2, "the same draw and answers, in libraries with secrets of their own"


def test_a_quiz_is_not_made_again_for_another_spelling_of_a_name(library: Library, paper: Paper) -> None:
    again = make(library, trainee="novice  n", items=10, seed=7, mix=load_mix("faint"))
    assert again.key == paper.key
    assert again.page == paper.page


@pytest.mark.parametrize("damage", [b"", b"{", b"nonsense"])
def test_a_damaged_key_stops_nobody_and_no_plate_is_asked_twice(
    library: Library, paper: Paper, tmp_path: Path, damage: bytes
) -> None:
    answers = load_answers(saved(tmp_path, answers_of(paper.key)))
    mark(library, answers)
    key = library.folder / "quizzes" / f"{paper.key.quiz}.key.json"
    key.write_bytes(damage)
    second = make(library, trainee=TRAINEE, items=6, seed=7, mix=load_mix("faint"))
    assert {item.example for item in paper.key.items}.isdisjoint(item.example for item in second.key.items)
    assert any(str(key) in note and "damaged" in note for note in second.notes)
    assert make(library, trainee="E. Else", items=6, seed=7, mix=load_mix("faint")).key.items
    with pytest.raises(QuizError, match=r"key\.json: the quiz's key is damaged; restore it"):
        mark(library, answers)


def test_damaged_answers_stop_nobody_but_their_own_quiz(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    answers = load_answers(saved(tmp_path, answers_of(paper.key)))
    mark(library, answers)
    (library.folder / "quizzes" / f"{paper.key.quiz}.answers.json").write_bytes(b"{")
    second = make(library, trainee=TRAINEE, items=6, seed=7, mix=load_mix("faint"))
    assert {item.example for item in paper.key.items}.isdisjoint(item.example for item in second.key.items)
    with pytest.raises(QuizError, match=r"answers\.json: the answers that were marked before are damaged"):
        mark(library, answers)


def test_where_nothing_tells_what_was_asked_no_paper_is_drawn(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    mark(library, load_answers(saved(tmp_path, answers_of(paper.key))))
    for path in (library.folder / "quizzes").glob(f"{paper.key.quiz}.*"):
        path.write_bytes(b"")
    with pytest.raises(QuizError, match=r"both are damaged.*restore one from a backup, or move both away"):
        make(library, trainee=TRAINEE, items=6, seed=7, mix=load_mix("faint"))


def test_a_damaged_key_with_a_wanted_id_stays_and_another_id_is_drawn(library: Library, paper: Paper) -> None:
    key = library.folder / "quizzes" / f"{paper.key.quiz}.key.json"
    key.write_bytes(b"damaged")
    again = make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))
    assert again.key.quiz != paper.key.quiz
    assert key.read_bytes() == b"damaged"


def test_of_a_plate_with_two_photos_either_may_be_asked_and_never_both(library: Library) -> None:
    first, second = [row.id for row in library.examples(Filters(settled=True), limit=2)]
    library.describe(second, plate=library.row(first).plate)
    asked = set()
    for seed in range(40):
        key = make(library, trainee=TRAINEE, items=20, seed=seed, mix=load_mix("even")).key
        both = {first, second} & {item.example for item in key.items}
        assert len(both) < 2
        asked |= both
    assert asked == {first, second}


def test_nobody_is_asked_the_other_photo_of_a_plate_that_they_answered(
    library: Library, paper: Paper, tmp_path: Path
) -> None:
    mark(library, load_answers(saved(tmp_path, answers_of(paper.key))))
    asked = {item.example for item in paper.key.items}
    other = next(row for row in library.examples(Filters(settled=True)) if row.id not in asked)
    library.describe(other.id, plate=library.row(paper.key.items[0].example).plate)
    fit = library.askable.ids(library.askable.fit(TRAINEE, sorted(asked)).every)
    assert fit
    assert other.id not in fit


@pytest.mark.parametrize("name", ["", "  ", "x" * 201])
def test_a_trainee_has_a_name(library: Library, name: str) -> None:
    with pytest.raises(LinecallError, match="the trainee's name"):
        make(library, trainee=name, items=6, seed=1, mix=load_mix("even"))


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
            assert chunks(window["picture"]) == {b"IHDR", b"IDAT", b"IEND"}, "a picture carries no words"
    assert f"<title>linecall quiz {paper.key.quiz}</title>" in page
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


def test_too_few_plates_are_told(library: Library) -> None:
    with pytest.raises(QuizError, match="ask for fewer with --items"):
        make(library, trainee=TRAINEE, items=59, seed=1, mix=load_mix("even"))
    with pytest.raises(QuizError, match="4 plates cannot represent 5 contrast classes"):
        make(library, trainee=TRAINEE, items=4, seed=1, mix=load_mix("even"))


def test_a_paper_has_an_end(library: Library) -> None:
    with pytest.raises(QuizError, match="501 plates are more than one paper takes; ask for 500 at most"):
        make(library, trainee=TRAINEE, items=501, seed=1, mix=load_mix("even"))


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
