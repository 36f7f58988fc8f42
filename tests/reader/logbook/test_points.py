"""What the logbook tells about tanks and sample points, in every kind of database."""

from datetime import timedelta
from pathlib import Path

from tests.reader.logbook.samples import AT, Place, add

MONTH = timedelta(days=31)


def test_points_are_counted_and_found_by_either_name(place: Place, tmp_path: Path) -> None:
    with place.open() as book:
        for number, (tank, point) in enumerate(
            [("T1", "sump"), ("T1", "sump"), ("T2", "sump"), ("T2", "")], 1
        ):
            add(book, tmp_path, number, tank=tank, sample_point=point)
        assert [(one.tank, one.sample_point, one.readings) for one in book.places("sump")] == [
            ("T1", "sump", 2), ("T2", "sump", 1),
        ]  # fmt: skip
        assert {(one.tank, one.sample_point) for one in book.places("T2")} == {("T2", "sump"), ("T2", None)}
        assert len(book.places()) == 3
        assert book.places("sum") == []


def test_grades_are_counted_by_the_month_as_it_was_written(place: Place, tmp_path: Path) -> None:
    with place.open() as book:
        for number in range(4):
            add(book, tmp_path, number, tank="T1", sample_point="sump", at=AT + number // 2 * MONTH)
        found = book.grades_by_month()
        assert {(one.month, one.grade, one.readings) for one in found} == {
            ("2026-05", "heavy", 2),
            ("2026-06", "heavy", 2),
        }
        (later,) = book.grades_by_month(since=AT + MONTH / 2)
        assert (later.month, later.readings) == ("2026-06", 2)


def test_each_reading_comes_with_its_own_events_in_order(place: Place, tmp_path: Path) -> None:
    with place.open() as book:
        made = [add(book, tmp_path, n, tank="T1", sample_point="sump", at=AT + n * MONTH) for n in range(3)]
        add(book, tmp_path, 9, tank="T1", sample_point="", at=AT + 4 * MONTH)
        book.correct(made[1], "note", "windy", by="B", reason="forgotten", at=AT + 5 * MONTH)
        (point,) = book.places("sump")
        told = [(row.id, [event.kind for event in events]) for row, events in book.stories(place=point)]
        assert told == [(made[0], ["reading"]), (made[1], ["reading", "correction"]), (made[2], ["reading"])]
        assert [row.id for row, _ in book.stories(place=point, newest=2)] == made[1:]
        assert [row.id for row, _ in book.stories(since=AT + MONTH, until=AT + 2 * MONTH)] == [made[1]]
        assert list(book.stories(since=AT + 9 * MONTH)) == []


def test_photos_that_are_gone_are_named(place: Place, tmp_path: Path) -> None:
    with place.open() as book:
        made = [add(book, tmp_path, number) for number in range(2)]
        hashes = [book.reading(id).photos[0].sha256 for id in made]
        assert book.missing_photos(hashes) == frozenset()
        place.photo_path(hashes[0]).unlink()
        assert book.missing_photos([*hashes, "no hash at all"]) == {hashes[0], "no hash at all"}
