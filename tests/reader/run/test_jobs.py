"""Which photos are found, and where their results go."""

from pathlib import Path

import numpy as np
import pytest

from reader.draw.annotate import encode_jpeg
from reader.errors import LinecallError
from reader.run.jobs import find_photos, plan_jobs
from tests.reader.run.touched import touch


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
