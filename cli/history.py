"""`linecall history`: what a sample point has shown over time, or all points by month."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Command, Out, day, opened
from cli.site import site_if_named

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.round.history.months import SiteMonths
    from reader.round.history.point import History, Occurrence, Seen
    from reader.round.site import Site

READINGS = (20, 100_000)  # shown one by one: unless --limit says otherwise, and at most
MONTHS_SHOWN = 6  # on a terminal; a page has them all


@click.command(
    cls=Command,
    shared=("logbook", "force"),
    keys=("site",),
    out=Out("FILE.html", (".html", ".htm")),
    limit=READINGS,
    short_help="What a sample point has shown over time; all points by month.",
)
@click.argument("point", metavar="[POINT]", required=False)
@click.option(
    "--tank", metavar="NAME", help="In which tank the point is, where several have one of its name."
)
@click.option("--site", "whole_site", is_flag=True, help="All points by month instead.")
@click.option("--since", metavar="TIME", callback=day, help="With --site: only those logged then or later.")
@click.option("--until", metavar="TIME", callback=day, help="With --site: only those logged before.")
def history(
    point: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    tank: str | None,
    whole_site: bool,
    since: datetime | None,
    until: datetime | None,
    limit: int,
    out: Path | None,
    force: bool,
    site: str | None,
) -> None:
    """Show what a sample point has shown over time.

    POINT is the id of a sample point in the site's file, a point as it was stated, or a tank that has only one. Shown
    are grades, where each analyte lay between its cutoffs, departures and follow-ups; and whether the last readings
    are worse than usual there, by an exact test against the point's own past. Too few readings, or a doubt that
    decides it: then it says that it cannot tell. A point that is as usual is no point that is good.

    With -o it is written as a page, with a drawing of the last 120 readings, or of as many as --limit says.
    """
    if whole_site == (point is not None):
        raise click.UsageError("name a POINT, or give --site for all points by month")
    if point is not None and (since or until):
        raise click.UsageError(
            "--since and --until are for --site; --limit says how many readings of a point"
        )
    if whole_site and tank:
        raise click.UsageError("--tank is for one point, not for --site")
    from reader.files.output import write_whole

    now = datetime.now(UTC).replace(microsecond=0).astimezone()
    place = site_if_named()
    with opened(logbook, logbook_photos) as book:
        if point is None:
            from reader.round.history.months import site_months

            names = None if place is None else place.names()
            shown: SiteMonths | History = site_months(book, since=since, until=until, names=names)
        else:
            shown = _of_point(book, place, point, tank, limit, now)
    if out is None:
        click.echo("\n".join(_lines(shown, limit)))
        return
    from reader.round.history.page import page_of

    write_whole({out: page_of(shown, made_at=now)}, force=force, private=True)
    click.echo(click.format_filename(out))


def _of_point(
    book: "Logbook", place: "Site | None", point: str, tank: str | None, limit: int, now: datetime
) -> "History":
    """A point's history, with the site's names, zone and follow-ups where there is a site."""
    from reader.round.history.point import NEWEST, find_place, point_history

    stated = None if place is None or tank is not None else place.stated_point(point)
    if stated is not None:
        tank, point = stated
    found = find_place(book, point, tank=tank)
    newest = max(limit, NEWEST)
    if place is None:
        return point_history(book, found, newest=newest)
    from reader.round.follow_up_record import occurrences

    key = found.tank, found.sample_point
    followed = occurrences(book, place, now=now, place=key)
    name = place.names().get(key, "")
    return point_history(book, found, name=name, zone=place.place.place, occurrences=followed, newest=newest)


def _lines(shown: "SiteMonths | History", limit: int) -> list[str]:
    from reader.round.history.months import SiteMonths

    return _site_lines(shown) if isinstance(shown, SiteMonths) else _point_lines(shown, limit)


def _point_lines(found: "History", last: int) -> list[str]:
    lines = [show.printable(f"{found.title}   {found.span}")]
    usual = found.usual
    lines += show.labelled("usual", usual.level or "not known yet")
    for share in usual.shares if usual.past else ():
        name = "moderate or heavy" if share.at_least == "moderate" else share.at_least
        lines += show.labelled("", f"{name}: {share}")
    lines += show.labelled("now", usual.sentence)
    if usual.left_out:
        lines += show.labelled("", f"left out: {usual.left_out} invalid or refused")
    head = ["taken", "grade", *found.analytes, "reading"]
    shown = found.seen[-last:]
    since = shown[0].taken_at if shown else None
    rows: list[tuple[datetime, list[str]]] = [(one.taken_at, _reading_row(one, found)) for one in shown]
    others = [one for one in found.occurrences if since is None or (one.done_at or one.at) >= since]
    lines += ["", *show.in_columns([head, *(row for _, row in rows)])]
    if others:
        lines += ["", *show.in_columns([_other_row(one) for one in others])]
    return lines


def _reading_row(one: "Seen", found: "History") -> list[str]:
    grade = (one.grade or "refused").upper() if one.grade in {"moderate", "heavy"} else one.grade or "refused"
    if one.grade == "undecided":
        grade += f" ({' or '.join(one.possible_grades)})"
    if one.reviews and one.first_grade != one.grade:
        grade += f", was {one.first_grade}"
    inside = dict(one.brackets)
    approximate = {"drops": "", "photo": "  by the photo", "logbook": "  when logged"}[one.taken_from]
    cells = [inside.get(analyte, "") for analyte in found.analytes]
    return [f"{one.taken_at:%Y-%m-%d %H:%M}{approximate}", grade, *cells, one.id + "  waits" * one.waits]


def _other_row(one: "Occurrence") -> list[str]:
    state = (
        "" if one.kind == "departure" else "open" if one.done_at is None else f"done {one.done_at:%Y-%m-%d}"
    )
    return [f"{one.at:%Y-%m-%d %H:%M}", one.kind, one.text, state]


def _site_lines(site: "SiteMonths") -> list[str]:
    from reader.round.history.months import LEGEND, cell

    if not site.points:
        return ["no readings"]
    head = ["point", *site.months[-MONTHS_SHOWN:], "all"]
    rows = [
        [one.title, *(cell(counts) or "-" for counts in one.months[-MONTHS_SHOWN:]), str(one.total)]
        for one in site.points
    ]
    lines = [*show.in_columns([head, *rows]), "", LEGEND]
    if len(site.months) > MONTHS_SHOWN:
        lines.append(f"the last {MONTHS_SHOWN} months of {len(site.months)}; --out FILE.html shows all")
    return lines
