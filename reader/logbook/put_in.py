"""What a run has read is put into the logbook, signed by a person whom it knows."""

from dataclasses import dataclass, replace
from datetime import datetime

from reader.errors import LinecallError, UnsettledError
from reader.files.urls import on_this_machine
from reader.logbook.events import Statement
from reader.logbook.people import begin_with, settle
from reader.logbook.store import Logbook
from reader.run.batch import Outcome, with_problem
from reader.settings.read_settings import ReadSettings


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacing:
    """A reading in the logbook whose place a new one takes, and why."""

    id: str
    reason: str


def put_into(
    logbook: Logbook,
    outcome: Outcome,
    statement: Statement,
    settings: ReadSettings,
    *,
    at: datetime,
    replacing: Replacing | None = None,
    run: tuple[str, int] | None = None,
) -> Outcome:
    """Put what was read into the logbook, with its photos and settings; an outcome without a photo's bytes passes by.

    run : the run whose plate it is, and that run's last event that the caller has seen.
    Whoever puts the first reading into a logbook is the first person known in it.
    """
    verdict, job = outcome.verdict, outcome.job
    if verdict is None or verdict.photo.sha256 is None:
        return outcome
    photos = job.plate if verdict.readings else (job.photo,)
    try:
        begin_with(logbook, statement.operator, role="technician", at=at)
        who = settle(logbook, statement.operator, role="technician").name
        statement = statement.model_copy(update={"operator": who})
        used = settings.files_used(verdict.layout.sha256 if verdict.layout else None)
        with on_this_machine(photos) as paths:
            logged = logbook.add_reading(
                verdict,
                paths,
                statement,
                at=at,
                settings=used,
                replaces=None if replacing is None else replacing.id,
                reason="" if replacing is None else replacing.reason,
                run=run,
            )
    except UnsettledError as error:
        return with_problem(outcome, f"{job.photo}: perhaps not in the logbook: {error}")
    except LinecallError as error:
        return with_problem(outcome, f"{job.photo}: not in the logbook: {error}")
    outcome = replace(outcome, logged=logged)
    try:
        return replace(outcome, succession=logbook.succession(logged))
    except LinecallError as error:
        problem = f"{job.photo}: in the logbook as {logged}, but not what it stands beside: {error}"
        return with_problem(outcome, problem)
