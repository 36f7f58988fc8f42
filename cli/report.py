"""`linecall report`: a reading, or a period, as a report to print and hand on."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

import click

from cli.logbook import counting
from cli.options import Command, Out, explained_by, opened
from cli.review import site_files
from cli.site import site_if_named

PAPERS = ("a4", "letter")


def _date(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a date, without a time of day."""
    if value is None:
        return None
    try:
        return datetime.strptime(value.strip(), "%Y-%m-%d")
    except ValueError:
        raise click.BadParameter(f"{value!r} is no date; write it such as 2026-05-04") from None


def _midnight(day: datetime, zone: tzinfo | None) -> datetime:
    """When a day begins: by the site's clocks, else by this machine's."""
    return day.astimezone() if zone is None else day.replace(tzinfo=zone)


@click.command(
    cls=Command,
    shared=("logbook", "read_by", "force"),
    keys=("site",),
    out=Out("FILE.pdf|FILE.html", (".pdf", ".html", ".htm")),
    short_help="A reading, or a period, as a report to print and hand on.",
)
@click.argument("reading", metavar="[ID]", required=False)
@click.option("--from", "first", metavar="DATE", callback=_date, help="The period's first day.")
@click.option("--to", "last", metavar="DATE", callback=_date, help="The period's last day.  [default: today]")
@click.option(
    "--paper",
    type=click.Choice(PAPERS),
    default="a4",
    show_default=True,
    help="Sheet of paper.",
    **explained_by("linecall card"),
)
def report(
    reading: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    first: datetime | None,
    last: datetime | None,
    out: Path | None,
    paper: str,
    force: bool,
    read_by: tuple[str, ...],
    site: str | None,
) -> None:
    """Write a report of one reading, or of all that was logged in a period.

    Of a reading ID: its grade, what was stated, every mark with its figures, the photo with its calls, strips and
    curves, what reviewers decided, and its entries in the logbook. Of a period: what asks for attention first (calls
    overruled, decisions withdrawn, late entries, missing photos and more), then one line for each reading.

    Either is written as PDF and as a page that says the same, named after the reading or the days unless -o names one
    file of either; with the head of the logbook's chain, against which
    linecall logbook verify --seal can check it later.
    """
    if (reading is None) == (first is None):
        raise click.UsageError("name the ID of a reading, or a period with --from DATE and --to DATE")
    if reading is not None and last is not None:
        raise click.UsageError("--to goes with --from; a reading is reported whole")
    from reader.files.output import write_whole
    from reader.round.report.page import report_page
    from reader.round.report.pdf import report_pdf
    from reader.round.report.value import Report

    now = datetime.now(UTC).replace(microsecond=0).astimezone()
    made: Report
    place = site_if_named()
    with opened(logbook, logbook_photos) as book:
        if reading is not None:
            from reader.round.report.reading import reading_report

            asked = None
            if place is not None:
                from reader.review.record import find_reading
                from reader.round.follow_up_record import occurrences_after

                asked = occurrences_after(book, place, find_reading(book, reading).id, now=now)
            made = reading_report(
                book, reading, made_at=now, files=site_files(book, reading), follow_ups=asked
            )
        else:
            from reader.round.report.period import period_report

            assert first is not None, "a period has a first day"
            end = (last or now.replace(tzinfo=None, hour=0, minute=0, second=0)) + timedelta(days=1)
            zone = None if place is None else place.place.place
            follow_ups = None
            if place is not None:
                from reader.round.follow_up_record import occurrences

                follow_ups = occurrences(book, place, now=now)
            with counting("readings") as told:
                made = period_report(
                    book,
                    since=_midnight(first, zone),
                    until=_midnight(end, zone),
                    made_at=now,
                    follow_ups=follow_ups,
                    names=None if place is None else place.names(),
                    progress=told,
                )
    if place is not None:
        made = replace(made, subtitle=f"{place.title or place.site}; {made.subtitle}")
        if place.picture is not None:
            from reader.round.report.masthead import masthead

            picture = masthead(place.folder / place.picture, place.title or place.site)
            made = replace(made, masthead=picture)
    stem = made.short.replace(" ", "-")
    paths = [out] if out is not None else [Path(f"{stem}.pdf"), Path(f"{stem}.html")]
    written = {
        path: (report_pdf if path.suffix.lower() == ".pdf" else report_page)(made, paper=paper)
        for path in paths
    }
    write_whole(written, force=force, private=True)
    for path in paths:
        click.echo(click.format_filename(path))
