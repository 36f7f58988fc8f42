"""What a run says about the reading of its plate: layout, time of the drops, identity, departures."""

from dataclasses import replace

from reader.decide.records import DepartureRecord
from reader.errors import LinecallError
from reader.round.procedure import PHOTO
from reader.round.record import Desk, find_run, layout_of, settle, statement_of
from reader.round.run import Run
from reader.run.jobs import Order
from reader.verdict.statement import RunTie
from reader.words import shown
from reader.words.clock import load_zone

OF_AN_EARLIER_READING = "corrected-since"
"""Departure that a new reading puts right by itself."""


def order_of_run(desk: Desk, run_id: str, order: Order) -> tuple[Order, Run]:
    """How the photo of a run's plate is read; the run with its departures as of now.

    order : settings, operator and note as they were given; a layout that was named must be the run's. Raises
    LinecallError where the run is over, of another site, or its drops were not noted.
    """
    run = find_run(desk.logbook, run_id)
    if run.ended is not None:
        raise LinecallError(
            f"run {run.id} was {run.ended}, so no photo belongs to it any more; check the id, or begin another run"
        )
    run = settle(desk, run.id)
    if run.drops_at is None:
        raise LinecallError(
            f"run {run.id} does not say when the drops were put in; note it first: linecall run step {run.id} drops "
            "--at TIME"
        )
    settings = order.settings
    layout = layout_of(desk.logbook, run)
    if layout is not None:
        if settings.layout_named and settings.layouts[0].sha256 != layout.sha256:
            raise LinecallError(
                f"plate lot {run.lot} of run {run.id} has layout {shown(layout.name)}, revision {layout.revision}, but "
                f"layout {shown(settings.layouts[0].name)} was named; leave --layout out, or correct the run's lot"
            )
        settings = replace(settings, layouts=(layout,), layout_named=True)
    if settings.zone.source == "machine":
        settings = replace(settings, zone=load_zone(desk.site.zone, "site"))
    stated = order.statement
    statement = statement_of(run, None if stated is None else stated.operator)
    if stated is not None:
        statement = statement.model_copy(update={"note": stated.note})
    return replace(order, settings=settings, drops_at=run.drops_at, statement=statement, run=tie_of(run)), run


def tie_of(run: Run) -> RunTie:
    """What goes into the verdict of a run's photo."""
    photo, drops = run.last_of(PHOTO), run.last_of("drops")
    noted = photo is not None and drops is not None and photo.entry == drops.entry == "at once"
    return RunTie(
        id=run.id,
        departures=tuple(
            DepartureRecord(code=one.code, effect=one.effect, sentence=one.sentence)
            for one in run.departures
            if one.code != OF_AN_EARLIER_READING
        ),
        photo_at=photo.at if photo is not None and noted else None,
    )
