"""What is written of one photo, and what becomes of one that fails."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from fixtures.verdicts import example_verdict, refused_verdict
from reader.run.batch import Outcome, attempt, fault_line, read_and_write
from reader.run.jobs import Job, Order, plan_jobs
from reader.settings.read_settings import load_settings
from reader.verdict.model import Verdict, to_bytes
from tests.reader.run.touched import touch


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
    assert Path(str(job.verdict_path)).read_bytes() == to_bytes(verdict)
    assert Path(str(job.image_path)).read_bytes() == b"image"


def test_without_evidence_there_is_a_verdict_and_no_image(
    tmp_path: Path, order: Callable[[Verdict, object], Order]
) -> None:
    (job,) = plan_jobs(touch(tmp_path, "a.jpg"), None)
    assert read_and_write(job, order(refused_verdict(), None)).written == (job.verdict_path,)
    assert not Path(str(job.image_path)).exists()


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
    Path(str(job.image_path)).write_bytes(b"another image")
    outcome = read_and_write(job, order(verdict, "evidence"))
    assert outcome.verdict == verdict
    assert outcome.written == ()
    assert (
        outcome.problem
        == f"{job.image_path}: exists and holds something else; write elsewhere or give --force"
    )
    assert not Path(str(job.verdict_path)).exists()
    forced = read_and_write(job, replace(order(verdict, "evidence"), force=True))
    assert forced.problem is None
    assert Path(str(job.image_path)).read_bytes() == b"image"


def test_an_unexpected_exception_is_the_photos_problem(tmp_path: Path) -> None:
    def fail(job: Job) -> Outcome:
        raise RuntimeError("no such thing")

    (job,) = plan_jobs([Path("a.jpg")], None)
    outcome = attempt(fail, job)
    assert outcome.problem == fault_line("a.jpg", RuntimeError("no such thing"))
    assert "Traceback" in str(outcome.details)
