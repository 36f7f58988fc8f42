"""What there is against what is thin, counted by hand."""

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from fixtures.graded import graded_examples
from reader.library import Filters, Library
from reader.library.coverage import CLASSES, Coverage, coverage
from reader.words import GRADES


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with Library.open(tmp_path_factory.mktemp("library")) as library:
        for layout in ("comb", "strip"):
            library.settings.keep_layout(layout)
        library.add_all(graded_examples(80, seed=5))
        yield library


@pytest.fixture(scope="module")
def found(library: Library) -> Coverage:
    return coverage(library)


def test_cells_count_the_indicator_marks_of_the_tidy_table(library: Library, found: Coverage) -> None:
    grades = {row.id: row.grade for row in library.examples()}
    marks = {
        (row.example, row.window): (row.layout, row.light, grades[row.example], row.strength)
        for row in library.tidy.marks()
        if row.mark == "indicator"
    }
    by_hand = Counter(kind for kind in marks.values() if kind[2] in GRADES)
    assert {(c.layout, c.light, c.grade, c.strength): c.n for c in found.cells if c.n} == by_hand
    assert found.without_grade == len(marks) - sum(by_hand.values())
    assert found.examples == 80


def test_a_plate_graded_negligible_has_no_cell_for_a_missing_line(found: Coverage) -> None:
    kinds = {(cell.layout, cell.grade, cell.strength) for cell in found.cells}
    assert ("comb", "negligible", "none") not in kinds
    assert {
        ("comb", "negligible", "very faint"),
        ("comb", "heavy", "none"),
        ("comb", "invalid", "strong"),
    } <= kinds


def test_each_cell_is_there_once_and_every_light_has_its_own(found: Coverage, library: Library) -> None:
    kinds = [(cell.layout, cell.light, cell.grade, cell.strength) for cell in found.cells]
    assert len(set(kinds)) == len(kinds)
    assert {light for _, light, _, _ in kinds} == {row.light for row in library.examples()}


def test_thin_is_what_has_fewer_than_are_wanted(library: Library, found: Coverage) -> None:
    assert found.thin == tuple(cell for cell in found.cells if cell.n < 10)
    assert coverage(library, enough=1).thin == tuple(c for c in coverage(library, enough=1).cells if c.n == 0)


def test_ten_photos_are_named_that_all_fill_thin_cells(found: Coverage) -> None:
    assert len(found.next_photos) == 10
    cells = {(c.layout, c.light, c.grade, c.strength): c for c in found.cells}
    taken: Counter[tuple[str, str, str, str]] = Counter()
    for photo in found.next_photos:
        assert photo.lacks
        for lack in photo.lacks:
            key = (photo.layout, photo.light, photo.grade, lack.strength)
            assert lack.n == cells[key].n + taken[key] < lack.enough
            taken[key] += 1
        assert len(photo.lacks) <= {"comb": 6, "strip": 1}[photo.layout]


def test_the_first_photo_fills_most(library: Library) -> None:
    # A light in which one photo was taken is thinner than one with many, and a comb plate shows six marks.
    first = coverage(library, photos=1).next_photos[0]
    assert first.layout == "comb"
    assert all(lack.n < 10 for lack in first.lacks)
    assert set(CLASSES) - {"none"} <= {lack.strength for lack in first.lacks}


def test_where_nothing_is_thin_nothing_is_named(library: Library) -> None:
    rich = coverage(library, Filters(light="daylight", layout="comb", grade="heavy"), enough=1)
    cells = [cell for cell in rich.cells if cell.grade == "heavy"]
    assert all(cell.n >= 1 for cell in cells)
    assert not [photo for photo in rich.next_photos if photo.grade == "heavy"]


def test_a_photo_worth_taking_is_told_in_one_line(found: Coverage) -> None:
    photo = found.next_photos[0]
    assert str(photo).startswith(f"a {photo.layout} plate graded {photo.grade}, in the light {photo.light}; ")
    assert "\n" not in str(photo)


def test_an_empty_library_has_no_cells(tmp_path: Path) -> None:
    with Library.open(tmp_path) as library:
        found = coverage(library)
    assert (found.cells, found.next_photos, found.examples) == ((), (), 0)


def test_plates_that_a_quiz_may_ask_for_are_counted_by_class(library: Library, found: Coverage) -> None:
    with_strips = graded_examples(80, seed=5)
    with Library.open(library.folder.parent / "graded") as graded:
        for layout in ("comb", "strip"):
            graded.settings.keep_layout(layout)
        graded.add_all(
            (example.model_copy(update={"strips_sha256": f"{k:064x}" if k % 2 else None}), gradings)
            for k, (example, gradings) in enumerate(with_strips)
        )
        fit = graded.askable.fit("somebody who graded nothing")
        counted = coverage(graded)

        def plates(seqs: Sequence[int]) -> set[str]:
            return {graded.row(id).plate for id in graded.askable.ids(seqs)}

        assert counted.plates_to_ask == len(plates(fit.every)) > 0
        for strength in CLASSES:
            assert counted.to_ask[strength] == len(plates(fit.of_class[strength]))
