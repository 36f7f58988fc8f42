"""Out into a folder and back: nothing is lost, and what was changed on the way is found."""

import csv
import hashlib
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest

from fixtures.graded import graded_examples
from reader.errors import LinecallError, OutputError
from reader.library import Filters, Library
from reader.library.exchange import HASHES, export, import_folder
from reader.library.pictures import Pictures
from tests.reader.library.quiz.quiz_library import invented_library, picture

N = 8


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library with photos, a name that needs care, an ungraded example, and one person's second grading."""
    folder = tmp_path_factory.mktemp("source") / "library"
    with invented_library(folder, N) as library:
        rows = list(library.examples(oldest_first=True))
        first = library.gradings(rows[0].id)[0]
        later = first.model_copy(
            update={"at": first.at + timedelta(days=1), "note": 'zum zweiten Mal \N{SNOWMAN}, "so"'}
        )
        library.add_gradings(rows[0].id, [later])
        library.describe(rows[1].id, light="=1+1", defects=("hair",), plate=rows[0].plate)
        library.settings.compute_by("consensus", "two-of-three-experts")
    return folder


@pytest.fixture
def exported(source: Path, tmp_path: Path) -> Path:
    with Library.open(source, read_only=True) as library:
        return export(library, tmp_path / "out").folder


def files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_library_made_of_the_folder_gives_the_same_folder_again(exported: Path, tmp_path: Path) -> None:
    with Library.open(tmp_path / "library") as library:
        found = import_folder(library, exported)
        assert (found.examples, found.known, found.other_settings) == (N, 0, ())
        export(library, tmp_path / "again")
    first, second = files(exported), files(tmp_path / "again")
    assert first.keys() == second.keys()
    assert [name for name in first if first[name] != second[name]] == []


def test_every_example_and_grading_comes_back_as_it_was(source: Path, exported: Path, tmp_path: Path) -> None:
    with Library.open(source, read_only=True) as before, Library.open(tmp_path / "library") as after:
        import_folder(after, exported)
        assert list(after.examples()) == list(before.examples())
        for row in before.examples():
            assert after.example(row.id) == before.example(row.id)
            assert after.gradings(row.id) == before.gradings(row.id)
            assert after.marks(row.id) == before.marks(row.id)
        assert after.settings.standard().consensus == before.settings.standard().consensus


def test_importing_twice_adds_nothing_and_new_gradings_are_added(
    source: Path, exported: Path, tmp_path: Path
) -> None:
    with Library.open(tmp_path / "library") as library:
        import_folder(library, exported)
        assert import_folder(library, exported).gradings == 0
        with Library.open(source, read_only=True) as before:
            row = next(iter(before.examples()))
            gradings = before.gradings(row.id)
        more = gradings[0].model_copy(update={"grader": "V. Eder"})
        library.add_gradings(row.id, [more])
        export(library, tmp_path / "more")
    with Library.open(source.parent / "copy") as other:
        import_folder(other, exported)
        found = import_folder(other, tmp_path / "more")
        assert (found.examples, found.known, found.gradings) == (0, N, 1)


def test_the_table_has_every_call_of_every_grading(source: Path, exported: Path) -> None:
    with Library.open(source, read_only=True) as library:
        wanted = Counter(
            (row.id, grading.grader, grading.at.isoformat(timespec="seconds"), window, mark, call)
            for row in library.examples()
            for grading in library.gradings(row.id)
            for (window, mark), call in grading.calls.items()
        )
    with (exported / "marks.csv").open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    found = Counter(
        (row["example"], row["grader"], row["graded_at"], row["window"], row["mark"], row["call"])
        for row in rows
        if row["grader"]
    )
    assert found == wanted
    assert "'=1+1" in {row["light"] for row in rows}


def test_the_list_of_hashes_is_that_of_all_files(exported: Path) -> None:
    lines = (exported / HASHES).read_text(encoding="utf-8").splitlines()
    listed = {name: sha256 for sha256, name in (line.split("  ", 1) for line in lines)}
    found = files(exported)
    del found[HASHES]
    assert listed == {name: hashlib.sha256(data).hexdigest() for name, data in found.items()}


def test_the_data_sheet_says_what_it_is(exported: Path) -> None:
    text = (exported / "DATASHEET.md").read_text(encoding="utf-8")
    assert f"{N} photos of lateral-flow plates" in text
    assert "two-of-three-experts, revision 1" in text
    assert "does not certify fuel" in text.replace("\n", " ")
    header = (exported / "marks.csv").read_bytes().partition(b"\r\n")[0].decode("utf-8-sig").split(",")
    assert all(column in text for column in header)


def test_a_filter_chooses_what_is_written(source: Path, tmp_path: Path) -> None:
    with Library.open(source, read_only=True) as library:
        light = next(iter(library.examples())).light
        found = export(library, tmp_path / "some", Filters(light=light))
        assert found.examples == library.count(Filters(light=light)) < N


def test_a_photo_that_is_gone_is_named_and_stays_gone(source: Path, exported: Path, tmp_path: Path) -> None:
    # the invented examples have no photos: every one is named as missing, and comes back without
    with Library.open(source, read_only=True) as library:
        found = export(library, tmp_path / "third")
        assert len(found.missing) == N
    assert found.missing[0] in (tmp_path / "third" / "DATASHEET.md").read_text(encoding="utf-8")


def test_photos_and_strips_come_back_byte_for_byte(tmp_path: Path) -> None:
    example, gradings = next(graded_examples(1))
    with Library.open(tmp_path / "library") as library:
        library.settings.keep_layout("comb")
        library.settings.keep_layout("strip")
        photo = library.pictures.keep_photo(b"as good as a photo")
        verdict = example.verdict_json.replace(example.photo.sha256.encode(), photo.encode())
        named = example.photo.model_copy(update={"name": "Photo No. 1.JPG", "sha256": photo})
        strips = library.pictures.keep_strips(picture(example.verdict))
        library.add(
            example.model_copy(update={"photo": named, "verdict_json": verdict, "strips_sha256": strips}),
            gradings,
        )
        assert export(library, tmp_path / "out").missing == ()
    assert (tmp_path / "out" / "photos" / f"{example.id}.jpg").read_bytes() == b"as good as a photo"
    with Library.open(tmp_path / "other") as other:
        import_folder(other, tmp_path / "out")
        assert other.pictures.photo_bytes(photo) == b"as good as a photo"
        assert other.pictures.strips_bytes(strips) == picture(example.verdict)
        assert other.example(example.id).photo == named


def tampered(folder: Path, name: str, *, old: bytes, new: bytes, seal: bool = False) -> None:
    path = folder / name
    data = path.read_bytes()
    assert old in data
    changed = data.replace(old, new, 1)
    path.write_bytes(changed)
    if seal:
        sums = (folder / HASHES).read_text(encoding="utf-8")
        before, after = hashlib.sha256(data).hexdigest(), hashlib.sha256(changed).hexdigest()
        (folder / HASHES).write_text(sums.replace(f"{before}  {name}", f"{after}  {name}"), encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "old", "new", "seal", "problem"),
    [
        (
            "examples.jsonl",
            b'"present"',
            b'"absent"',
            False,
            "examples.jsonl: has been changed since it was exported",
        ),
        (
            "examples.jsonl",
            b'"role": "expert"',
            b'"role": "wizard"',
            True,
            "examples.jsonl, line 1, field role: ",
        ),
        ("examples.jsonl", b'{"id"', b'["id"', True, "examples.jsonl, line 1: is no example"),
        (
            "settings.json",
            b'"linecall_library": 1',
            b'"linecall_library": 3',
            True,
            "is an exported library of format 3",
        ),
        ("settings.json", b'"settings/', b'"../settings/', True, "which is no settings file of a library"),
        (HASHES, b"  DATASHEET.md", b"  ../DATASHEET.md", False, "line 1: is no hash and file"),
    ],
)
def test_what_was_changed_on_the_way_is_named_and_nothing_kept(
    exported: Path, tmp_path: Path, name: str, old: bytes, new: bytes, seal: bool, problem: str
) -> None:
    tampered(exported, name, old=old, new=new, seal=seal)
    with Library.open(tmp_path / "library") as library:
        with pytest.raises(LinecallError) as caught:
            import_folder(library, exported)
        assert problem in str(caught.value)
        assert library.count() == 0


def test_a_file_that_was_lost_on_the_way_is_named(exported: Path, tmp_path: Path) -> None:
    lost = next((exported / "strips").iterdir())
    lost.unlink()
    with Library.open(tmp_path / "library") as library:
        with pytest.raises(
            LinecallError, match=rf"{lost.name}: cannot be read .*copy the exported folder anew"
        ):
            import_folder(library, exported)
        assert library.count() == 0


def test_another_folder_is_refused(tmp_path: Path) -> None:
    with (
        Library.open(tmp_path / "library") as library,
        pytest.raises(LinecallError, match="is no exported library"),
    ):
        import_folder(library, tmp_path)


def test_a_library_with_examples_keeps_what_it_computes_by(exported: Path, tmp_path: Path) -> None:
    with invented_library(tmp_path / "library", N + 1) as library:
        found = import_folder(library, exported)
        assert found.other_settings == ("consensus two-of-three-experts",)
        assert library.settings.consensus_rule.name == "majority"


def test_an_export_is_whole_or_not_there(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "there").mkdir()
    with Library.open(source, read_only=True) as library:
        with pytest.raises(OutputError, match="exists; write into a new folder"):
            export(library, tmp_path / "there")

        def fails(*_: object) -> bytes:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Pictures, "strips_bytes", fails)
        with pytest.raises(OutputError, match=r"cannot be written \(no space left on device\)"):
            export(library, tmp_path / "full")
    assert [path.name for path in tmp_path.iterdir()] == ["there"]
