"""Photos and logbook readings into the library, read for real."""

import csv
import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from reader.library import Filters, Library
from reader.library.add import (
    Added,
    AddOrder,
    add_sources,
    grade_known,
    layout_files,
    match_labels,
    sources_of_readings,
)
from reader.library.labels import Labels, LabelsError, load_labels
from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person
from reader.read import read_photo
from reader.review.decide import Decision
from reader.review.policy import load_policy
from reader.review.record import decide
from reader.run.pool import OwnProcesses
from reader.settings.read_settings import load_settings

AT = datetime(2026, 5, 4, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(root: Path) -> Path:
    return root / "demo_images"


@pytest.fixture(scope="module")
def order() -> AddOrder:
    settings = load_settings()
    return AddOrder(settings=settings, layout_files=layout_files(settings, "auto"), at=AT)


def photo(demo: Path, layout: str) -> Path:
    """The first JPEG that is due a verdict, with this many windows."""
    for truth in sorted(demo.glob("*.json")):
        known = json.loads(truth.read_text(encoding="utf-8"))
        path = truth.with_suffix(".jpg")
        if known["expect"] == "read" and known["layout"] == layout and path.exists():
            return path
    raise FileNotFoundError(layout)


def refused(demo: Path) -> Path:
    return next(
        truth.with_suffix(".jpg")
        for truth in sorted(demo.glob("*.json"))
        if json.loads(truth.read_text(encoding="utf-8"))["expect"] == "refuse"
        and truth.with_suffix(".jpg").exists()
    )


def label_file(path: Path, *rows: tuple[str, str, str, str], grader: str = "R. Aalto") -> Path:
    """Rows of photo, window, mark, call."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "grader", "role", "graded_at", "window", "mark", "call"])
        table.writerows([name, grader, "expert", "2026-05-04T14:30+02:00", *rest] for name, *rest in rows)
    return path


def add(
    library: Library | None, photos: list[Path], order: AddOrder, labels: Labels | None = None
) -> list[Added]:
    order = replace(order, labels=labels)
    return list(add_sources(library, match_labels(photos, labels, library), order))


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library.open(tmp_path / "library") as library:
        yield library


def test_a_photo_is_kept_whole_with_its_strips_and_its_labels(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "strip")
    labels = load_labels(label_file(tmp_path / "labels.csv", (path.name, "1", "indicator", "present")))
    (added,) = add(library, [path], order, labels)
    assert (added.fate, added.gradings) == ("added", 1)
    assert added.example is not None
    example = library.example(added.example)
    assert library.pictures.photo_bytes(example.photo.sha256) == path.read_bytes()
    assert example.verdict == read_photo(path)
    assert set(library.pictures.strips(example)) == {window.id for window in example.verdict.windows}
    (grading,) = library.gradings(example.id)
    assert (grading.grader, grading.calls) == ("R. Aalto", {("1", "indicator"): "present"})
    assert grading.source.startswith("labels.csv, SHA-256 ")


def test_kept_strips_still_show_the_measured_heights(library: Library, demo: Path, order: AddOrder) -> None:
    (added,) = add(library, [photo(demo, "comb")], order)
    example = library.example(str(added.example))
    for window in example.verdict.windows:
        strip = library.pictures.strips(example)[window.id]
        place = (np.arange(len(strip.valid)) + 0.5) / strip.px_per_mm
        absorbance = -np.log10(np.maximum(strip.linear[..., 1], 1e-3))
        mark = window.reference
        assert mark.position_mm is not None
        assert mark.height is not None
        away = np.abs(place - mark.position_mm)[:, None]
        line, beside = (absorbance[strip.valid & near] for near in (away < 0.3, (away > 1.8) & (away < 2.6)))
        height = np.median(line) - np.median(beside)
        assert height == pytest.approx(mark.height, rel=0.25)


def test_the_same_bytes_are_one_example_whatever_their_name(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "strip")
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(path.read_bytes())
    first, second = add(library, [path, copy], order)
    assert (first.fate, second.fate, second.example) == ("added", "known", first.example)
    assert [one.fate for one in add(library, [copy], order)] == ["known"]
    assert library.count() == 1


def test_a_photo_saved_otherwise_is_held_back_and_another_is_not(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "comb")
    with Image.open(path) as picture:
        smaller = picture.convert("RGB").resize((picture.width * 3 // 4, picture.height * 3 // 4))
    smaller.save(tmp_path / "sent.jpg", quality=80)
    first, again, other = add(library, [path, tmp_path / "sent.jpg", photo(demo, "strip")], order)
    assert (first.fate, again.fate, again.example, other.fate) == ("added", "alike", first.example, "added")
    assert path.name in again.sentence
    assert library.count() == 2
    (kept,) = add(library, [tmp_path / "sent.jpg"], replace(order, keep_alike=True))
    assert kept.fate == "added"
    plates = {row.plate for row in library.examples(Filters(layout="comb"))}
    assert plates == {first.example}


def of_plates(path: Path, plates: dict[str, str]) -> Labels:
    """Labels that name each photo's plate."""
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "grader", "role", "graded_at", "window", "mark", "call", "plate"])
        for name, plate in plates.items():
            moment = "2026-05-04T14:30+02:00"
            table.writerow([name, "R. Aalto", "expert", moment, "1", "reference", "present", plate])
    return load_labels(path)


def test_photos_whose_labels_name_different_plates_are_all_added_however_alike(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "strip")
    copies = [tmp_path / "other.jpg", tmp_path / "same.jpg"]
    with Image.open(path) as picture:
        for copy, quality in zip(copies, (80, 90), strict=True):
            picture.convert("RGB").save(copy, quality=quality)
    labels = of_plates(tmp_path / "labels.csv", {path.name: "A", "other.jpg": "B", "same.jpg": "A"})
    first, other, same = add(library, [path, *copies], order, labels)
    assert (first.fate, other.fate) == ("added", "added")
    assert (same.fate, same.example) == ("alike", first.example)
    assert {row.plate for row in library.examples()} == {"A", "B"}


def test_only_of_a_photo_whose_plate_nobody_named_is_told_that_another_is_as_high(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    teaching = demo / "teaching"  # two photos of one plate
    first, again = teaching / "plate-02.jpg", teaching / "plate-02b.jpg"
    one, two = add(library, [first, again], order)
    assert (one.fate, one.like, two.fate, two.like) == ("added", None, "added", one.example)
    labels = of_plates(tmp_path / "labels.csv", {first.name: "A", again.name: "A"})
    with Library.open(tmp_path / "labelled") as labelled:
        assert [each.like for each in add(labelled, [first, again], order, labels)] == [None, None]


def test_a_dry_run_tells_the_same_and_writes_nothing(demo: Path, order: AddOrder, tmp_path: Path) -> None:
    path = photo(demo, "strip")
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(path.read_bytes())
    dry = replace(order, dry_run=True)
    assert [one.fate for one in add(None, [path, copy, refused(demo)], dry)] == ["added", "known", "refused"]
    with Library.open(tmp_path / "library") as library:
        add(library, [path, copy], dry)
        assert library.count() == 0
        assert not (tmp_path / "library" / "photos").exists()


def test_a_refused_photo_is_told_with_what_to_do(library: Library, demo: Path, order: AddOrder) -> None:
    (one,) = add(library, [refused(demo)], order)
    assert one.fate == "refused"
    assert "; " in one.sentence
    assert library.count() == 0


def test_a_wrong_window_costs_its_photo_alone_and_names_the_row(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    wrong, right = photo(demo, "strip"), photo(demo, "comb")
    file = label_file(
        tmp_path / "labels.csv",
        (right.name, "1", "indicator", "present"),
        (wrong.name, "5", "indicator", "absent"),
    )
    first, second = add(library, [wrong, right], order, load_labels(file))
    assert (first.fate, second.fate) == ("failed", "added")
    assert "labels.csv, row 3, column window: is '5', but" in first.sentence
    assert library.count() == 1


def test_labels_of_photos_that_are_not_there_are_told_before_anything_is_read(
    library: Library, demo: Path, tmp_path: Path
) -> None:
    path = photo(demo, "strip")
    near = path.stem[:-1] + ".jpg"
    labels = load_labels(label_file(tmp_path / "labels.csv", (near, "1", "indicator", "present")))
    with pytest.raises(LabelsError) as caught:
        match_labels([path], labels, library)
    assert f"row 2, column photo: is {near!r}, but no such photo was given; did you mean" in str(caught.value)
    assert path.name in str(caught.value)


def test_two_photos_of_one_name_are_both_named_unless_the_folder_tells(tmp_path: Path) -> None:
    paths = [tmp_path / folder / "IMG_1.jpg" for folder in ("north", "south")]
    labels = load_labels(label_file(tmp_path / "labels.csv", ("IMG_1.jpg", "1", "indicator", "present")))
    with pytest.raises(LabelsError) as caught:
        match_labels(paths, labels, None)
    assert f"two photos of that name, {paths[0]} and {paths[1]}; write it with its folder" in str(
        caught.value
    )
    labels = load_labels(
        label_file(tmp_path / "labels.csv", ("south/IMG_1.jpg", "1", "indicator", "present"))
    )
    assert [source.labels is not None for source in match_labels(paths, labels, None)] == [False, True]


def test_labels_are_added_to_photos_that_are_there_with_or_without_the_photo(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "strip")
    (first,) = add(library, [path], order)
    rows = [(path.name, "1", "indicator", "present")]
    labels = load_labels(label_file(tmp_path / "one.csv", *rows))
    (second,) = add(library, [path], order, labels)
    assert (second.fate, second.gradings, second.example) == ("graded", 1, first.example)
    other = load_labels(label_file(tmp_path / "two.csv", *rows, grader="S. Brandt"))
    match_labels([], other, library)
    (third,) = grade_known(library, [], replace(order, labels=other))
    assert (third.fate, third.gradings) == ("graded", 1)
    (fourth,) = grade_known(library, [], replace(order, labels=other))
    assert (fourth.fate, fourth.gradings) == ("known", 0)
    assert library.marks(str(first.example))[0].consensus == "present"


def test_a_readings_photos_come_with_what_reviewers_decided(
    library: Library, demo: Path, order: AddOrder, tmp_path: Path
) -> None:
    path = photo(demo, "comb")
    with Logbook.open(tmp_path / "book.sqlite") as book:
        reading = book.add_reading(read_photo(path), [path], Statement.of(operator="T. Castel"), at=AT)
        add_person(book, "R. Aalto", roles=["reviewer"], at=AT)
        made = Decision(
            window="1",
            mark="indicator",
            call="absent",
            by="R. Aalto",
            reason="no line by loupe",
            at=AT,
            blind=True,
        )
        decide(book, reading, [made], policy=load_policy())
        sources = list(sources_of_readings(book, (), role="expert"))
    (one,) = add_sources(library, sources, order)
    assert (one.fate, one.gradings) == ("added", 1)
    example = library.example(str(one.example))
    assert (example.plate, example.source, example.photo.name) == (
        reading,
        f"logbook reading {reading}",
        path.name,
    )
    assert example.photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    (grading,) = library.gradings(example.id)
    assert (grading.grader, grading.calls, grading.blind) == (
        "R. Aalto",
        {("1", "indicator"): "absent"},
        True,
    )


def test_many_processes_give_what_one_gives(demo: Path, order: AddOrder, tmp_path: Path) -> None:
    paths = sorted(demo.glob("*.jpg"))[:4]
    found = []
    for workers in (1, 2):
        with Library.open(tmp_path / str(workers)) as library, OwnProcesses(workers) as hands:
            sources = match_labels(paths, None, library)
            fates = [(one.photo, one.fate) for one in add_sources(library, sources, order, hands)]
            rows = [(row.photo, row.photo_sha256, row.tool_grade) for row in library.examples()]
            found.append((fates, rows))
    assert found[0] == found[1]
    assert [Path(name) for name, _ in found[0][0]] == paths


def test_the_demo_photos_and_their_labels_begin_a_library(
    library: Library, demo: Path, order: AddOrder
) -> None:
    labels = load_labels(demo / "labels.csv")
    paths = [demo / name for name in labels.photos]
    assert {one.fate for one in add(library, paths, order, labels)} == {"added"}
    assert library.count(Filters(disputed=True)) >= 2
    for row in library.examples():
        truth = json.loads((demo / row.photo).with_suffix(".json").read_text(encoding="utf-8"))
        assert row.grade in (truth["grade"], "undecided")
        assert row.graders == 2
    boats = [row.plate for row in library.examples() if row.photo.startswith("rescue-boat-tank")]
    assert len(boats) == 2
    assert len(set(boats)) == 1
