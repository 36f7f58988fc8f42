"""Many photos: which are found, where their results go, and the table of what became of them."""

import csv
import os
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from io import StringIO
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fixtures.verdicts import example_verdict, refused_verdict
from reader.draw.annotate import encode_jpeg
from reader.errors import LinecallError
from reader.read import load_settings
from reader.run import batch
from reader.run.batch import (
    Job,
    Order,
    Outcome,
    attempt,
    find_photos,
    plan_jobs,
    read_and_write,
    summary_csv,
)
from reader.verdict.model import Verdict, to_bytes


def touch(folder: Path, *names: str) -> list[Path]:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"\xff\xd8")
    return [folder / name for name in names]


def test_a_folder_stands_for_its_pictures_sorted_and_nothing_else(tmp_path: Path) -> None:
    touch(
        tmp_path,
        *("b.JPG", "a.jpeg", "c.png", "d.tif", "e.TIFF", "f.webp", "g.heic", "h.HEIF"),
        *(
            "notes.txt",
            "a.verdict.json",
            "._b.jpg",
            "sub/z.jpg",
            "noend",
        ),
    )
    (tmp_path / "folder.jpg").mkdir()
    for name in ("a.annotated.jpg", "renamed.jpg"):
        (tmp_path / name).write_bytes(encode_jpeg(np.zeros((8, 8, 3), np.uint8)))
    names = [path.name for path in find_photos([tmp_path])]
    assert names == ["a.jpeg", "b.JPG", "c.png", "d.tif", "e.TIFF", "f.webp", "g.heic", "h.HEIF"]
    touch(tmp_path / "2", "photo.annotated.jpg")  # a name alone says nothing
    assert [path.name for path in find_photos([tmp_path / "2"])] == ["photo.annotated.jpg"]


@pytest.mark.posix
def test_the_order_is_that_of_the_arguments_and_no_photo_comes_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    touch(tmp_path, "x/b.jpg", "x/a.jpg", "y.jpg")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "alias").symlink_to(tmp_path / "x")
    sources = [
        Path("y.jpg"),
        Path("x/b.jpg"),
        Path("x"),
        tmp_path / "y.jpg",
        Path("alias"),
        Path("x/../y.jpg"),
    ]
    assert find_photos(sources) == (Path("y.jpg"), Path("x/b.jpg"), Path("x/a.jpg"))


def test_what_does_not_exist_and_a_folder_without_pictures_stand_for_themselves(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (photo,) = touch(tmp_path, "there.txt")
    sources = [tmp_path / "gone.jpg", tmp_path / "empty", photo]
    assert find_photos(sources) == tuple(sources)


@pytest.mark.posix
def test_paths_that_no_file_system_would_take_stand_for_themselves(tmp_path: Path) -> None:
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    sources = [tmp_path / "circle" / "a.jpg", tmp_path / "circle", tmp_path / ("long" * 100 + ".jpg")]
    assert find_photos(sources) == tuple(sources)
    assert len(plan_jobs(sources, None)) == 3


def test_results_lie_beside_each_photo_or_in_one_folder() -> None:
    photos = [Path("x/a.b.jpg"), Path("y/a.b.jpg")]
    beside = plan_jobs(photos, None)
    assert [job.verdict_path for job in beside] == [Path("x/a.b.verdict.json"), Path("y/a.b.verdict.json")]
    (job,) = plan_jobs(photos[:1], Path("out"))
    assert (job.verdict_path, job.image_path) == (Path("out/a.b.verdict.json"), Path("out/a.b.annotated.jpg"))


def test_photos_that_share_a_stem_keep_their_suffixes() -> None:
    jobs = plan_jobs([Path("a.jpg"), Path("a.png"), Path("b.jpg")], None)
    assert [job.verdict_path.name for job in jobs] == [
        "a.jpg.verdict.json",
        "a.png.verdict.json",
        "b.verdict.json",
    ]


@pytest.mark.parametrize(
    ("names", "out", "shared"),
    [
        (("x/a.jpg", "y/a.jpg"), "out", "out/a.jpg.verdict.json"),
        (("a.jpg", "a.png", "a.jpg.tif"), None, "a.jpg.verdict.json"),
    ],
)
def test_photos_that_would_still_share_a_name_are_told_so_before_anything_is_read(
    names: tuple[str, ...], out: str | None, shared: str
) -> None:
    with pytest.raises(LinecallError) as caught:
        plan_jobs([Path(name) for name in names], Path(out) if out else None)
    assert str(caught.value) == (
        f"{names[0]} and {names[-1]} would both be written to {shared}; "
        "rename one, or read them into different folders"
    )


@pytest.fixture
def order(monkeypatch: pytest.MonkeyPatch) -> Callable[[Verdict, object], Order]:
    """An order whose reading is known beforehand."""

    def build(verdict: Verdict, evidence: object) -> Order:
        monkeypatch.setattr(
            "reader.read.examine",
            lambda path, settings, **ages: SimpleNamespace(verdict=verdict, evidence=evidence),
        )
        monkeypatch.setattr("reader.draw.annotate.annotated_jpeg", lambda verdict, evidence: b"image")
        return Order(settings=load_settings())

    return build


def test_a_reading_is_written_as_verdict_and_image(
    tmp_path: Path, order: Callable[[Verdict, object], Order]
) -> None:
    verdict = example_verdict()
    (job,) = plan_jobs(touch(tmp_path, "a.jpg"), tmp_path / "out")
    outcome = read_and_write(job, order(verdict, "evidence"))
    assert outcome == Outcome(job=job, verdict=verdict, written=(job.verdict_path, job.image_path))
    assert job.verdict_path.read_bytes() == to_bytes(verdict)
    assert job.image_path.read_bytes() == b"image"


def test_without_evidence_there_is_a_verdict_and_no_image(
    tmp_path: Path, order: Callable[[Verdict, object], Order]
) -> None:
    (job,) = plan_jobs(touch(tmp_path, "a.jpg"), None)
    assert read_and_write(job, order(refused_verdict(), None)).written == (job.verdict_path,)
    assert not job.image_path.exists()


def test_nothing_is_written_for_a_path_that_is_no_file(
    tmp_path: Path, order: Callable[[Verdict, object], Order]
) -> None:
    (tmp_path / "empty").mkdir()
    for job in plan_jobs([tmp_path / "gone.jpg", tmp_path / "empty"], None):
        assert read_and_write(job, order(refused_verdict(), None)).written == ()
    assert [path.name for path in tmp_path.iterdir()] == ["empty"]


def test_a_result_that_cannot_be_written_keeps_its_verdict(
    tmp_path: Path, order: Callable[[Verdict, object], Order]
) -> None:
    verdict = example_verdict()
    (job,) = plan_jobs(touch(tmp_path, "a.jpg"), None)
    job.image_path.write_bytes(b"another image")
    outcome = read_and_write(job, order(verdict, "evidence"))
    assert outcome.verdict == verdict
    assert outcome.written == ()
    assert (
        outcome.problem
        == f"{job.image_path}: exists and holds something else; write elsewhere or give --force"
    )
    assert not job.verdict_path.exists()
    forced = read_and_write(job, replace(order(verdict, "evidence"), force=True))
    assert forced.problem is None
    assert job.image_path.read_bytes() == b"image"


def test_an_unexpected_exception_is_the_photos_problem(tmp_path: Path) -> None:
    def fail(job: Job) -> Outcome:
        raise RuntimeError("no such thing")

    (job,) = plan_jobs([Path("a.jpg")], None)
    outcome = attempt(fail, job)
    assert outcome.problem == batch.fault_line("a.jpg", RuntimeError("no such thing"))
    assert "Traceback" in str(outcome.details)


def rows_of(outcomes: list[Outcome]) -> list[dict[str, str]]:
    text = summary_csv(outcomes).decode("utf-8")
    assert text.count("\r\n") == len(outcomes) + 1  # RFC 4180: lines end in CRLF
    return list(csv.DictReader(StringIO(text, newline="")))


def test_the_table_has_a_row_a_photo_with_what_was_found() -> None:
    jobs = plan_jobs([Path("a.jpg"), Path("b.jpg"), Path("c.jpg")], None)
    verdict = example_verdict(("absent", "doubtful", "present"), grade="undecided")
    read, refused, failed = rows_of(
        [
            Outcome(job=jobs[0], verdict=verdict, written=(jobs[0].verdict_path,)),
            Outcome(job=jobs[1], verdict=refused_verdict()),
            Outcome(job=jobs[2], problem="c.jpg: killed"),
        ]
    )
    assert read == {
        "photo": "a.jpg",
        **dict.fromkeys(("reading", "tank", "sample point", "operator", "plate lot", "plate expiry"), ""),
        "taken": "2026-05-04 09:08:07+02:00",
        "status": "read",
        "grade": "undecided",
        "why": "the indicator of window 2 (bacteria, upper) is doubtful and decides: negligible or moderate",
        "possible grades": "negligible; moderate",
        "pivotal marks": "2 indicator (bacteria, upper)",
        "absent marks": "1 indicator (bacteria, lower)",
        "doubtful marks": "2 indicator (bacteria, upper)",
        "undeveloped marks": "",
        "layout": "comb",
        "reading age min": "21.5",
        "warnings": "",
        "reason": "",
        "remedy": "",
        "next step": verdict.next_step,
        "problem": "",
        "verdict": "a.verdict.json",
        "sha256": "a1" * 32,
    }
    assert (refused["status"], refused["grade"], refused["verdict"]) == ("refused", "", "")
    assert refused["reason"] == refused_verdict().reason
    assert (failed["photo"], failed["status"], failed["problem"]) == ("c.jpg", "failed", "c.jpg: killed")


def test_names_that_a_spreadsheet_would_compute_or_utf8_cannot_carry_do_no_harm() -> None:
    names = ["=1+1.jpg", "@x.jpg", 'quote",and comma.jpg', os.fsdecode(b"\xff.jpg")]
    rows = rows_of([Outcome(job=job, problem="x") for job in plan_jobs([Path(name) for name in names], None)])
    assert [row["photo"] for row in rows] == ["./=1+1.jpg", "./@x.jpg", 'quote",and comma.jpg', "?.jpg"]


def test_an_earlier_table_is_kept_unless_it_says_the_same_or_is_forced(tmp_path: Path) -> None:
    (job,) = plan_jobs([Path("a.jpg")], None)
    one, two = [Outcome(job=job, problem="one")], [Outcome(job=job, problem="two")]
    write = partial(batch.write_summary, folder=tmp_path)
    assert [write(table).name for table in (one, two, one, two)] == [
        *("summary.csv", "summary-2.csv", "summary.csv", "summary-2.csv")
    ]
    assert write(two, force=True).name == "summary.csv"
    assert (tmp_path / "summary.csv").read_bytes() == summary_csv(two)
