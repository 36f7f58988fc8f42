"""What the trainer's desk has done in a process of its own: photos that join the library, reports, papers of quizzes.

Each opens the library for itself, as nothing of the server reaches there, and says in plain words what it refuses.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import ParamSpec, TypeVar

from reader.errors import LinecallError
from reader.library.add import AddOrder, Source, add_sources
from reader.library.control.check import CheckOrder, check_photos
from reader.library.filters import Filters
from reader.library.quiz.marking import check_means
from reader.library.quiz.mix import load_mix
from reader.library.quiz.papers import Paper, make
from reader.library.report import agreement_page, to_json, validation_page
from reader.library.reporting import report_agreement, report_validation
from reader.library.store import Library

Given = ParamSpec("Given")
Found = TypeVar("Found")


def _plainly(work: Callable[Given, Found]) -> Callable[Given, Found]:
    """Refuse in a plain LinecallError: not every kind of it comes back whole from another process."""

    @wraps(work)
    def done(*given: Given.args, **named: Given.kwargs) -> Found:
        try:
            return work(*given, **named)
        except LinecallError as error:
            raise LinecallError(str(error)) from None

    return done


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """A report's page, its figures as JSON, and the examples whose calls it shows."""

    page: bytes
    data: bytes
    shown: tuple[str, ...] = ()


@_plainly
def add_photo(library_folder: Path, source: Source, order: AddOrder) -> str:
    """Read a photo and make it an example; the example's id. Raises LinecallError where it is none."""
    with Library.open(library_folder, must_exist=True) as library:
        (added,) = add_sources(library, [source], order)
    if added.fate in {"refused", "failed"} or added.example is None:
        raise LinecallError(added.sentence)
    return added.example


@_plainly
def chart_photo(library_folder: Path, photo: Path, order: CheckOrder) -> None:
    """Read a photo of a control strip and add it to the strip's chart. Raises LinecallError where it is none."""
    with Library.open(library_folder, must_exist=True) as library:
        (checked,) = check_photos(library, [photo], order)
    if checked.point is None:
        raise LinecallError(checked.problem.replace(str(photo), photo.name))


@_plainly
def agreement(library_folder: Path, wanted: Filters, made_at: datetime) -> Report:
    """The report on how people and linecall agree."""
    with Library.open(library_folder, must_exist=True, read_only=True) as library:
        report, origin = report_agreement(library, wanted, made_at=made_at)
    shown = tuple(one.example for one in report.parted)
    return Report(page=agreement_page(report, origin), data=to_json(report, origin), shown=shown)


@_plainly
def validation(library_folder: Path, wanted: Filters, made_at: datetime) -> Report:
    """The report on how linecall does on the library."""
    with Library.open(library_folder, must_exist=True, read_only=True) as library:
        report, origin = report_validation(library, wanted, made_at=made_at)
    return Report(page=validation_page(report, origin), data=to_json(report, origin))


@_plainly
def draw_paper(
    library_folder: Path, *, trainee: str, items: int, seed: int, mix: str, minutes: int | None
) -> Paper:
    """Draw a quiz's paper; see `make`."""
    check_means()
    with Library.open(library_folder, must_exist=True) as library:
        return make(library, trainee=trainee, items=items, seed=seed, mix=load_mix(mix), minutes=minutes)
