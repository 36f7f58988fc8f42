"""The library keeps what it is given, counts it right, and loses nothing."""

import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from fixtures.graded import READERS, graded_examples
from reader.errors import LinecallError, OutputError
from reader.library import Example, Filters, Grading, Library, LibraryError
from reader.library.consensus import consensus, grade_of_calls, load_consensus
from reader.library.examples import MARKS
from reader.library.strength import load_strength
from reader.settings.values import load_layout, load_rules
from reader.verdict.model import Mark, WindowRecord
from reader.words import MarkKey, MarkName
from reader.words.names import folded

N = 60
Pair = tuple[Example, tuple[Grading, ...]]


@pytest.fixture(scope="module")
def pairs() -> list[Pair]:
    return list(graded_examples(N, seed=3, photos_a_plate=2))


def filled(folder: Path, pairs: list[Pair]) -> Library:
    library = Library.open(folder)
    for layout in ("comb", "strip"):
        library.settings.keep_layout(layout)
    library.add_all(pairs)
    return library


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, pairs: list[Pair]) -> Iterator[Library]:
    with filled(tmp_path_factory.mktemp("kept"), pairs) as library:
        yield library


@pytest.fixture
def small(tmp_path: Path, pairs: list[Pair]) -> Iterator[Library]:
    with filled(tmp_path / "library", pairs[:3]) as library:
        yield library


def test_what_went_in_comes_out(kept: Library, pairs: list[Pair]) -> None:
    assert kept.count() == N
    for example, gradings in pairs:
        assert kept.example(example.id) == example
        assert kept.gradings(example.id) == gradings
        assert kept.example(example.id).verdict == example.verdict


def marks_of(example: Example) -> Iterator[tuple[WindowRecord, MarkName, Mark]]:
    for window in example.verdict.windows:
        yield window, "indicator", window.indicator
        yield window, "reference", window.reference


def consensus_of(library: Library, id_: str) -> dict[MarkKey, str | None]:
    """What the library keeps as agreed of each mark of an example."""
    return {
        (mark.window, name): mark.consensus
        for mark in library.marks(id_)
        for name in MARKS
        if mark.mark == name
    }


def expected(pair: Pair, filters: Filters) -> bool:
    """Whether an example fits, worked out from what was added, without the library."""
    example, gradings = pair
    rule, limits = load_consensus(), load_strength()
    keys = [(window.id, mark) for window, mark, _ in marks_of(example)]
    agreed = consensus(gradings, keys, rule)
    layout = load_layout(example.layout.name)
    grade = grade_of_calls({key: one.call for key, one in agreed.items()}, layout, load_rules())
    whole = {
        "grade": grade, "tool_grade": example.verdict.grade, "light": example.light, "layout": example.layout.name,
        "plate": example.plate, "photo": example.photo.name,
    }  # fmt: skip
    if any(getattr(filters, name) not in (None, value) for name, value in whole.items()):
        return False
    if filters.defect is not None and filters.defect not in example.defects:
        return False
    if filters.settled is not None and filters.settled != all(one.call for one in agreed.values()):
        return False
    if filters.graded_by is not None and folded(filters.graded_by) not in {
        folded(g.grader) for g in gradings
    }:
        return False
    of_mark = (filters.strength, filters.tier, filters.call, filters.tool_call)
    wanted = filters.mark or ("indicator" if any(of_mark) else None)
    if "undeveloped" in of_mark and filters.mark is None:
        wanted = "reference"
    if not any(of_mark) and not filters.disputed:
        return True
    return any(
        (wanted in (None, name))
        and filters.strength in (None, limits.of(mark.height))
        and filters.tier in (None, window.tier)
        and filters.call in (None, agreed[window.id, name].call)
        and filters.tool_call in (None, mark.call)
        and (not filters.disputed or agreed[window.id, name].disputed)
        for window, name, mark in marks_of(example)
    )


@pytest.mark.parametrize(
    "filters",
    [
        Filters(),
        Filters(grade="heavy"),
        Filters(tool_grade="undecided"),
        Filters(light="torch"),
        Filters(layout="strip"),
        Filters(defect="hair"),
        Filters(disputed=True),
        Filters(disputed=True, tier="upper"),
        Filters(disputed=True, mark="reference"),
        Filters(settled=True),
        Filters(settled=False, light="daylight"),
        Filters(strength="very faint"),
        Filters(strength="strong", mark="reference", call="present"),
        Filters(strength="faint", tier="lower", call="absent"),
        Filters(call="doubtful"),
        Filters(call="absent", tool_call="present"),
        Filters(tool_call="doubtful", tier="upper"),
        Filters(graded_by="s.brandt"),
        Filters(graded_by="nobody"),
        Filters(call="undeveloped"),
    ],
)
def test_filters_find_what_a_search_by_hand_finds(kept: Library, pairs: list[Pair], filters: Filters) -> None:
    wanted = [pair[0].id for pair in pairs if expected(pair, filters)][::-1]
    assert [row.id for row in kept.examples(filters)] == wanted
    assert kept.count(filters) == len(wanted)


def test_filters_of_the_cases_above_find_some_and_not_all(kept: Library) -> None:
    for filters in (
        Filters(disputed=True),
        Filters(strength="very faint"),
        Filters(settled=True),
        Filters(grade="heavy"),
    ):
        assert 0 < kept.count(filters) < N


def test_pages_follow_each_other_without_a_gap(kept: Library, pairs: list[Pair]) -> None:
    seen, edge = [], None
    while rows := list(kept.examples(limit=7, before=edge)):
        seen += [row.id for row in rows]
        edge = rows[-1].seq
    assert seen == [example.id for example, _ in pairs][::-1]


def test_the_tidy_table_has_a_row_for_every_call(kept: Library, pairs: list[Pair]) -> None:
    wanted = Counter(
        (example.id, window, mark, grading.grader, call)
        for example, gradings in pairs
        for grading in gradings
        for (window, mark), call in grading.calls.items()
    )
    rows = list(kept.tidy.marks())
    assert (
        Counter((row.example, row.window, row.mark, row.grader, row.call) for row in rows if row.grader)
        == wanted
    )
    plates = Counter({row.example: row.plate for row in rows}.values())
    assert set(plates.values()) == {2}


def test_a_mark_that_nobody_called_has_one_row(tmp_path: Path, pairs: list[Pair]) -> None:
    with filled(tmp_path / "library", [(pairs[0][0], ())]) as library:
        rows = list(library.tidy.marks())
        assert len(rows) == sum(1 for _ in marks_of(pairs[0][0]))
        assert {(row.grader, row.role, row.call, row.consensus) for row in rows} == {("", "", "", None)}
        assert library.row(pairs[0][0].id).grade is None


def test_a_second_grading_of_a_person_is_kept_beside_the_first_and_counts(
    small: Library, pairs: list[Pair]
) -> None:
    example, gradings = pairs[0]
    first = gradings[0]
    opposite = {key: "absent" if call == "present" else "present" for key, call in first.calls.items()}
    later = first.model_copy(update={"at": first.at + timedelta(days=1), "calls": opposite})
    assert small.count_new(example.id, [later, first]) == 1
    assert small.add_gradings(example.id, [later, first]) == 1
    assert small.add_gradings(example.id, [later]) == 0
    assert small.gradings(example.id) == (*gradings, later)
    newest = {
        (r.window, r.mark): r.call
        for r in small.tidy.marks()
        if r.example == example.id and r.grader == first.grader
    }
    assert newest == opposite
    every = [
        r.call
        for r in small.tidy.marks(every_grading=True)
        if r.example == example.id and r.grader == first.grader
    ]
    assert len(every) == 2 * len(opposite)
    marks = consensus_of(small, example.id)
    by_hand = consensus((*gradings, later), list(marks), load_consensus())
    assert marks == {key: one.call for key, one in by_hand.items()}


def test_another_rule_is_computed_for_every_example_and_back(small: Library, pairs: list[Pair]) -> None:
    before = {row.id: row for row in small.examples()}
    assert small.settings.compute_by("consensus", "two-of-three-experts") > 0
    rule = load_consensus("two-of-three-experts")
    assert small.settings.consensus_rule == rule
    for example, gradings in pairs[:3]:
        marks = consensus_of(small, example.id)
        assert marks == {key: one.call for key, one in consensus(gradings, list(marks), rule).items()}
    assert {row.id: row.grade for row in small.examples()} != {id: row.grade for id, row in before.items()}
    assert {row.consensus for row in small.tidy.marks(rule=load_consensus("majority"))} != {None}
    small.settings.compute_by("consensus", "majority")
    assert {row.id: row for row in small.examples()} == before


def test_grades_are_those_given_or_those_of_the_calls(small: Library, pairs: list[Pair]) -> None:
    example, gradings = pairs[0]
    later = gradings[0].model_copy(update={"at": gradings[0].at + timedelta(days=1), "grade": "invalid"})
    small.add_gradings(example.id, [later])
    rows = {row.grader: row for row in small.tidy.grades() if row.example == example.id}
    assert (rows[later.grader].grade, rows[later.grader].given) == ("invalid", True)
    for grading in gradings[1:]:
        by_hand = grade_of_calls(dict(grading.calls), load_layout(example.layout.name), load_rules())
        assert (rows[grading.grader].grade, rows[grading.grader].given) == (by_hand, False)


@pytest.mark.parametrize("name", ["r. aalto", "R.  Aalto", "R Aalto", "Aalto, R."])
def test_names_that_are_nearly_one_are_refused_and_both_named(
    small: Library, pairs: list[Pair], name: str
) -> None:
    example, gradings = pairs[0]
    other = gradings[0].model_copy(update={"grader": name, "at": gradings[0].at + timedelta(days=1)})
    with pytest.raises(LibraryError) as caught:
        small.add_gradings(example.id, [other])
    assert repr(name) in str(caught.value)
    assert "'R. Aalto'" in str(caught.value)
    assert small.gradings(example.id) == gradings


def test_a_call_of_a_window_that_is_not_there_is_refused_and_nothing_added(
    small: Library, pairs: list[Pair]
) -> None:
    example, gradings = pairs[0]
    wrong = gradings[0].model_copy(update={"grader": "V. Eder", "calls": {("9", "indicator"): "absent"}})
    right = gradings[0].model_copy(update={"grader": "V. Eder"})
    with pytest.raises(
        LibraryError, match=r"V\. Eder called a mark of window '9', but .* has the windows 1, 2, 3, 4, 5, 6"
    ):
        small.add_gradings(example.id, [right, wrong])
    assert small.gradings(example.id) == gradings
    assert small.graders() == tuple(sorted((reader.name for reader in READERS), key=folded))


def test_the_same_photo_and_the_same_id_are_refused(small: Library, pairs: list[Pair]) -> None:
    example = pairs[0][0]
    with pytest.raises(LibraryError, match=f"its photo is in the library already, example {example.id}"):
        small.add(example.model_copy(update={"id": "zzzzzzzz"}))
    with pytest.raises(LibraryError, match=f"its id is in the library already, example {example.id}"):
        small.add(pairs[5][0].model_copy(update={"id": example.id}))
    assert small.count() == 3


def test_of_many_at_once_all_are_added_or_none(small: Library, pairs: list[Pair]) -> None:
    with pytest.raises(LibraryError):
        small.add_all([pairs[5], pairs[0]])
    assert small.count() == 3
    assert not small.has(pairs[5][0].id)


def test_an_example_of_a_layout_that_is_not_kept_is_refused(tmp_path: Path, pairs: list[Pair]) -> None:
    with Library.open(tmp_path / "library") as library:
        with pytest.raises(LinecallError, match="lacks the layout file"):
            library.add(pairs[0][0])
        assert library.count() == 0


def test_a_photo_that_is_gone_or_altered_is_said_and_its_calls_stay(
    small: Library, pairs: list[Pair]
) -> None:
    digest = small.pictures.keep_photo(b"a photo")
    assert small.pictures.photo_bytes(digest) == b"a photo"
    path = small.folder / "photos" / digest[:2] / digest
    path.write_bytes(b"another")
    with pytest.raises(
        LibraryError, match="has been altered in the library's folder; restore it from a backup"
    ):
        small.pictures.photo_bytes(digest)
    path.unlink()
    with pytest.raises(LibraryError, match=f"photo {digest} is missing from the library's folder"):
        small.pictures.photo_bytes(digest)
    assert "is missing" in str(small.pictures.photo_problem(digest))
    assert small.gradings(pairs[0][0].id) == pairs[0][1]


def test_an_example_is_found_by_id_or_by_photo_and_a_slip_is_guessed(
    small: Library, pairs: list[Pair]
) -> None:
    example = pairs[0][0]
    assert small.find(example.id.upper()) == small.find(example.photo.name) == example.id
    with pytest.raises(LibraryError, match=f"did you mean .{example.photo.name}"):
        small.find(example.photo.name.replace("plate", "plat"))


def test_two_photos_of_one_name_are_told_apart_by_id(tmp_path: Path, pairs: list[Pair]) -> None:
    twice = [(replace_photo_name(example, "IMG_1.jpg"), gradings) for example, gradings in pairs[:2]]
    with filled(tmp_path / "library", twice) as library:
        with pytest.raises(LibraryError, match=r"2 examples have a photo named 'IMG_1\.jpg'"):
            library.find("IMG_1.jpg")
        assert library.find(pairs[1][0].id) == pairs[1][0].id


def replace_photo_name(example: Example, name: str) -> Example:
    return example.model_copy(update={"photo": example.photo.model_copy(update={"name": name})})


def test_many_examples_come_with_their_marks_in_the_order_asked_for(kept: Library, pairs: list[Pair]) -> None:
    ids = [pairs[k][0].id for k in (7, 2, 11)]
    assert kept.with_marks(ids) == [(kept.example(id), kept.marks(id)) for id in ids]
    with pytest.raises(LibraryError, match="has no example 'nobody'"):
        kept.with_marks([ids[0], "nobody"])


def test_what_is_stated_of_a_photo_can_be_said_anew_and_calls_stay(small: Library, pairs: list[Pair]) -> None:
    example, gradings = pairs[0]
    assert small.describe(example.id, light="torch", defects=("hair",), plate="A-7")
    assert not small.describe(example.id, light="torch")
    changed = small.example(example.id)
    assert (changed.light, changed.defects, changed.plate) == ("torch", ("hair",), "A-7")
    assert changed.verdict_json == example.verdict_json
    assert small.gradings(example.id) == gradings
    assert [row.id for row in small.examples(Filters(plate="A-7", defect="hair"))] == [example.id]


def test_two_who_add_at_once_wait_for_each_other(tmp_path: Path, pairs: list[Pair]) -> None:
    filled(tmp_path / "library", []).close()
    problems: list[Exception] = []

    def add(own: list[Pair]) -> None:
        try:
            with Library.open(tmp_path / "library") as library:
                for pair in own:
                    library.add(*pair)
        except Exception as error:
            problems.append(error)

    threads = [threading.Thread(target=add, args=(pairs[k:30:2],)) for k in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    with Library.open(tmp_path / "library", read_only=True) as library:
        assert {row.id for row in library.examples()} == {example.id for example, _ in pairs[:30]}


def test_a_folder_without_a_library_is_said_and_nothing_is_made(tmp_path: Path) -> None:
    with pytest.raises(LibraryError, match="holds no library"):
        Library.open(tmp_path / "none", must_exist=True)
    assert not (tmp_path / "none").exists()


def test_a_file_in_the_place_of_the_folder_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="no library can be begun there"):
        Library.open(tmp_path / "file")


@pytest.mark.parametrize(
    ("statement", "problem"),
    [
        ("UPDATE library_about SET value = '99' WHERE name = 'format'", "is a library of format 99"),
        ("DROP TABLE library_about", "is a database of something else"),
    ],
)
def test_a_newer_library_and_another_database_are_refused(
    small: Library, statement: str, problem: str
) -> None:
    engine = create_engine(f"sqlite:///{small.folder / 'library.sqlite'}")
    with engine.begin() as connection:
        connection.execute(text(statement))
    engine.dispose()
    with pytest.raises(LibraryError, match=problem):
        Library.open(small.folder)


def test_strips_are_listed_from_high_to_low_each_once(kept: Library) -> None:
    found = [(row.id, mark) for row, mark in kept.marks_by_height()]
    assert len(found) == kept.count_marks() == sum(sum(counts.values()) for *_, counts in kept.class_counts())
    heights = [mark.height for _, mark in found if mark.height is not None]
    assert len(heights) == len(found)
    assert heights == sorted(heights, reverse=True)
    assert {mark.mark for _, mark in found} == {"indicator"}
    faint = Filters(strength="faint", tier="upper")
    assert [mark for _, mark in kept.marks_by_height(faint)] == [
        mark for _, mark in found if mark.strength == "faint" and mark.tier == "upper"
    ]
    assert [mark for _, mark in kept.marks_by_height(limit=5, after=3)] == [mark for _, mark in found][3:8]
    assert replace(faint, tier=None) == Filters(strength="faint")
