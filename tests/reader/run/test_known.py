"""A second run reads only what is missing; whatever could make another verdict is read anew."""

import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import time
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from reader.run import known
from reader.run.batch import Outcome, read_and_write
from reader.run.jobs import Job, Order, plan_jobs, plan_plate
from reader.run.known import is_known
from reader.settings.read_settings import load_settings
from reader.verdict.model import load_verdict, to_bytes
from reader.verdict.statement import RunTie, Stated

SAID = Order(
    settings=load_settings(zone="UTC"),
    drops_at=time(20, 12),
    statement=Stated.of(tank="helipad bowser", plate_expiry="2027-03"),
)


@pytest.fixture(scope="module")
def read_once(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which a photo has been read."""
    folder = tmp_path_factory.mktemp("read")
    shutil.copy(root / "demo_images" / "helipad-bowser.jpg", folder / "photo.jpg")
    assert read_and_write(job_in(folder), SAID).problem is None
    return folder


@pytest.fixture
def folder(read_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(read_once, tmp_path / "again"))


@pytest.fixture
def readings(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """What was read after all; nothing of it is looked at."""
    asked: list[object] = []

    def examine(photo: object, *given: object, **more: object) -> None:
        asked.append(photo)
        raise InterruptedError

    monkeypatch.setattr("reader.read.examine", examine)
    monkeypatch.setattr("reader.read.examine_plate", examine)
    return asked


def job_in(folder: Path) -> Job:
    return plan_jobs([folder / "photo.jpg"], folder / "out")[0]


def test_the_same_photo_statement_settings_and_version_are_not_read_again(
    folder: Path, readings: list[object]
) -> None:
    job = job_in(folder)
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in (folder / "out").iterdir()}
    again = read_and_write(job, SAID)
    assert again == Outcome(
        job=job,
        verdict=load_verdict(folder / "out" / "photo.verdict.json"),
        written=(job.verdict_path, job.image_path),
        done_before=True,
    )
    assert readings == []
    assert before == {
        path: (path.read_bytes(), path.stat().st_mtime_ns) for path in (folder / "out").iterdir()
    }


@pytest.mark.parametrize(
    "order",
    [
        replace(SAID, drops_at=time(20, 11)),
        replace(SAID, drops_at=None),
        replace(SAID, drops_at=None, reading_age_min=20.5),
        replace(SAID, statement=Stated.of(tank="other tank", plate_expiry="2027-03")),
        replace(SAID, statement=Stated.of(tank="helipad bowser")),
        replace(SAID, statement=None),
        replace(SAID, settings=load_settings(layout="comb", zone="UTC")),
        replace(SAID, settings=load_settings(zone="+09:00")),
        replace(SAID, run=RunTie(id="0123abcd")),
        replace(SAID, force=True),
        replace(SAID, anew=True),
    ],
    ids=[
        "drops",
        "no drops",
        "age",
        "tank",
        "no expiry",
        "nothing",
        "layout",
        "zone",
        "run",
        "force",
        "anew",
    ],
)
def test_another_order_reads_it_anew(folder: Path, readings: list[object], order: Order) -> None:
    with pytest.raises(InterruptedError):
        read_and_write(job_in(folder), order)
    assert len(readings) == 1


def other_bytes(folder: Path) -> None:
    with (folder / "photo.jpg").open("ab") as file:
        file.write(b"\0")


def no_image(folder: Path) -> None:
    os.unlink(folder / "out" / "photo.annotated.jpg")


def damaged(folder: Path) -> None:
    path = folder / "out" / "photo.verdict.json"
    path.write_bytes(path.read_bytes()[:-20])


def refused(folder: Path) -> None:
    path = folder / "out" / "photo.verdict.json"
    from fixtures.verdicts import refused_verdict

    path.write_bytes(to_bytes(refused_verdict()))


def of_another_version(folder: Path) -> None:
    path = folder / "out" / "photo.verdict.json"
    verdict = load_verdict(path)
    software = verdict.software.model_copy(update={"version": "0.0.9"})
    path.write_bytes(to_bytes(verdict.model_copy(update={"software": software})))


@pytest.mark.parametrize("change", [other_bytes, no_image, damaged, refused, of_another_version])
def test_what_has_changed_since_is_read_anew(
    folder: Path, readings: list[object], change: Callable[[Path], None]
) -> None:
    change(folder)
    with pytest.raises(InterruptedError):
        read_and_write(job_in(folder), SAID)
    assert len(readings) == 1


def test_several_photos_of_one_plate_are_known_together_and_in_their_order(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair = [root / "demo_images" / f"rescue-boat-tank-{number}.jpg" for number in (1, 2)]
    order = replace(SAID, drops_at=None, reading_age_min=20)
    assert not read_and_write(plan_plate(pair, tmp_path), order).done_before
    assert read_and_write(plan_plate(pair, tmp_path), order).done_before
    asked: list[bool] = []

    def ask(*given: Any) -> bool:
        asked.append(is_known(*given))
        return False

    monkeypatch.setattr(known, "is_known", ask)
    read_and_write(plan_jobs(pair[:1], tmp_path)[0], order)
    assert asked == [], "one photo is no pair"
    read_and_write(replace(plan_plate(pair, tmp_path), plate=tuple(pair[::-1])), order)
    assert asked == [False]


@pytest.fixture(params=["no plate in it", "no picture"])
def refused_photo(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A photo that is refused, and was read once."""
    photo = tmp_path / "photo.jpg"
    if request.param == "no picture":
        photo.write_bytes(b"\xff\xd8\xff\xe0 and no more")
    else:
        Image.new("RGB", (640, 480), "grey").save(photo)
    once = read_and_write(job_in(tmp_path), SAID)
    assert once.verdict is not None
    assert once.verdict.status == "refused"
    assert len(once.written) == (1 if request.param == "no picture" else 2)
    return tmp_path


def test_a_refused_photo_is_not_read_again_either_whatever_its_times(
    refused_photo: Path, readings: list[object]
) -> None:
    for order in (SAID, replace(SAID, drops_at=None), replace(SAID, drops_at=None, reading_age_min=20.5)):
        again = read_and_write(job_in(refused_photo), order)
        assert again.done_before
        assert again.verdict == load_verdict(refused_photo / "out" / "photo.verdict.json")
        assert all(os.path.isfile(str(path)) for path in again.written)
    assert readings == []


@pytest.mark.parametrize("layout", ["comb", "strip"])
def test_a_refused_photo_is_read_again_by_another_layout(
    refused_photo: Path, readings: list[object], layout: str
) -> None:
    with pytest.raises(InterruptedError):
        read_and_write(
            job_in(refused_photo), replace(SAID, settings=load_settings(layout=layout, zone="UTC"))
        )
    assert len(readings) == 1


def test_a_photo_refused_by_a_named_layout_is_known_by_that_one_alone(tmp_path: Path) -> None:
    Image.new("RGB", (640, 480), "grey").save(tmp_path / "photo.jpg")
    named = {
        name: replace(SAID, settings=load_settings(layout=name, zone="UTC")) for name in ("comb", "strip")
    }
    assert not read_and_write(job_in(tmp_path), named["comb"]).done_before
    verdict = load_verdict(tmp_path / "out" / "photo.verdict.json")
    assert verdict.looked_for is not None
    photos = [("photo.jpg", verdict.photo.sha256 or "")]
    assert is_known(verdict, photos, named["comb"])
    assert not is_known(verdict, photos, named["strip"])
    assert not is_known(verdict, photos, SAID)
