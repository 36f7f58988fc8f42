"""`linecall library check-photo`: photos of the site's own control strip, and the chart of them."""

import os
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.defaults import choices_of
from cli.options import GRADED, REFUSED, Command, Out, moment, saying_what_was_done
from cli.variables import OPERATOR_VARIABLE

if TYPE_CHECKING:
    from reader.library.control.check import Checked, CheckOrder
    from reader.library.control.store import Anew
    from reader.library.control.strip import ChartState, ControlChart, Part
    from reader.library.report import Origin
    from reader.library.store import Library

OUT_OF_CONTROL = 3
STRIP = "control"
CHART_STOPPED = (
    "photos charted so far are points of the chart, the others are not; the same command adds them"
)
ROWS = 10
NOTE_WIDTH = 40  # characters of a note in the list; JSON and the page have all


@click.command(
    "check-photo",
    cls=Command,
    shared=("where", "layout", "by", "reason", "as_json", "force"),
    keys=("control",),
    out=Out("FILE.html", (".html", ".htm")),
    short_help="Watch for drift: photos of a control strip, charted.",
)
@click.argument("photos", metavar="[PHOTO]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--strip", metavar="NAME", default=STRIP, show_default=True, help="The strip, where there are several."
)
@click.option("--new", is_flag=True, help="Begin the chart of another strip; or a library, if there is none.")
@click.option(
    "--marks",
    metavar="MARKS",
    help="The marks to follow, such as '1 indicator,1 reference'.  [default: those present on the first photo]",
)
@click.option(
    "--at",
    metavar="TIME",
    callback=moment,
    help="When the photo was taken, if it does not say so.",
)
@click.option("--note", metavar="TEXT", help="Anything that should be known, such as new phone.")
@click.option(
    "--set-aside",
    metavar="POINT",
    help="A point, by its id or photo, that counts no longer; with --reason.",
)
@click.option("--begin-anew", is_flag=True, help="Begin a new baseline with the next photo; with --reason.")
@click.option(
    "--points",
    metavar="N",
    type=click.IntRange(0, 10_000),
    default=ROWS,
    show_default=True,
    help="How many of the last points are listed.",
)
def check_photo(photos: tuple[Path, ...], where: Path, **chosen: Any) -> int:
    """Watch for drift: add photos of a control strip to its chart, and say whether a new phone or lamp shifts heights.

    A control strip is a plate or strip that the site keeps and photographs again and again, set up as for any
    reading. Charted is the mean height of the same marks on every photo, whatever they are called there. The first
    photos make the limits, which stay as they are; later ones are held against them. Without a PHOTO the chart is
    shown as it is. -o writes it as a page. --by, or the variable LINECALL_OPERATOR, says who photographs.

    Exit status: 0 in control, or not judged yet; 3 out of control; 4 a photo was refused or cannot be charted;
    2 wrong usage; 1 something could not be written.
    """
    from reader.errors import LinecallError
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.control.chart import control_page, to_json
    from reader.library.store import FILE_NAME

    chosen["by"] = chosen["by"] or os.environ.get(OPERATOR_VARIABLE) or None
    stated = choices_of().of("control").source == "option"
    _check_usage(photos, chosen, stated=stated)
    if not (stated or chosen["new"] or chosen["begin_anew"]):
        chosen["control"] = None  # the site's file is of charts that begin; one that goes on keeps its own
    now = datetime.now(UTC).replace(microsecond=0).astimezone()
    must_exist = not (chosen["new"] and photos)
    if photos and must_exist and not (where / FILE_NAME).is_file():
        raise LinecallError(
            f"{where}: holds no library; --new begins one with the chart, or give another folder"
        )
    changes = bool(photos or chosen["set_aside"] or chosen["begin_anew"])
    with Library.open(where, must_exist=must_exist, read_only=not changes) as library:
        with saying_what_was_done(lambda: CHART_STOPPED):
            checked = list(_changed(library, photos, chosen, now))
        for one in checked:
            if one.problem:
                show.say_problem(one.problem)
        if checked and not any(one.point for one in checked):
            return REFUSED
        chart = library.control.chart(chosen["strip"])
        origin = _origin(library, chart, now)
    added = [one.point.id for one in checked if one.point]
    state = chart.state_with(added)
    if chosen["as_json"]:
        click.echo(to_json(chart, origin, added), nl=False)
    else:
        for line in _lines(chart, state, checked, chosen["points"]):
            click.echo(line)
    if chosen["out"] is not None:  # last, so that an alarm is told also where the page cannot be written
        write_whole({chosen["out"]: control_page(chart, origin, added)}, force=chosen["force"])
        click.echo(show.printable(f"written {chosen['out']}"), err=chosen["as_json"])
    if any(one.problem for one in checked):
        return REFUSED
    return OUT_OF_CONTROL if state == "out of control" else GRADED


def _check_usage(photos: Sequence[Path], chosen: dict[str, Any], *, stated: bool) -> None:
    """Refuse options that do not go together; stated : the chart's rules are, on the command line."""
    if chosen["at"] is not None and len(photos) != 1:
        raise click.UsageError("--at is the time of one photo; give one photo with it")
    if chosen["set_aside"] and (photos or chosen["begin_anew"]):
        raise click.UsageError("--set-aside goes by itself: no photo and no --begin-anew with it")
    judged = chosen["set_aside"] or chosen["begin_anew"]
    if judged and not (chosen["reason"] and chosen["by"]):
        raise click.UsageError("say why and who says so: --reason TEXT and --by NAME")
    if chosen["reason"] and not judged:
        raise click.UsageError("--reason belongs to --set-aside or --begin-anew; of a photo say --note")
    if chosen["new"] and (not photos or judged):
        raise click.UsageError("--new begins a chart with a photo; give one, and no --begin-anew")
    if (chosen["marks"] or stated) and not (photos or chosen["begin_anew"]):
        raise click.UsageError(
            "--marks and --set control are of a chart that begins; give a photo or --begin-anew"
        )
    if chosen["note"] and not photos:
        raise click.UsageError("--note is of a photo; give one")


def _changed(
    library: "Library", photos: Sequence[Path], chosen: dict[str, Any], now: datetime
) -> Iterator["Checked"]:
    """Do what was asked for; yields what became of each photo."""
    from reader.library.control.check import check_photos
    from reader.library.control.store import Anew
    from reader.library.control.strip import parse_marks

    strip = chosen["strip"]
    marks = None if chosen["marks"] is None else parse_marks(chosen["marks"])
    anew = Anew(by=chosen["by"], reason=chosen["reason"]) if chosen["begin_anew"] else None
    if chosen["set_aside"]:
        aside = library.control.set_aside(
            strip, chosen["set_aside"], by=chosen["by"], reason=chosen["reason"], at=now
        )
        click.echo(show.printable(f"{aside.photo.name}, point {aside.id}: set aside"), err=chosen["as_json"])
    elif photos:
        yield from check_photos(
            library,
            photos,
            _order(chosen, now, marks, anew),
            watch=partial(show.with_progress, total=len(photos), what="reading"),
        )
    elif anew:
        library.control.begin_anew(strip, anew, at=now, marks=marks, control=chosen["control"])


def _order(chosen: dict[str, Any], now: datetime, marks: Any, anew: "Anew | None") -> "CheckOrder":
    from reader.library.add import layout_files
    from reader.library.control.check import CheckOrder
    from reader.settings.read_settings import load_settings

    settings = load_settings(layout=chosen["layout"])
    return CheckOrder(
        strip=chosen["strip"],
        settings=settings,
        layout_files=layout_files(settings, chosen["layout"]),
        now=now,
        taken_at=chosen["at"],
        by=chosen["by"],
        note=chosen["note"],
        new=chosen["new"],
        anew=anew,
        marks=marks,
        control=chosen["control"],
    )


def _origin(library: "Library", chart: "ControlChart", now: datetime) -> "Origin":
    from reader.library.report import Origin

    baseline = chart.now.baseline
    return Origin(
        library=library.folder.resolve().name,
        made_at=now,
        settings=(("control", baseline.control), ("layout", baseline.layout)),
    )


# ------------------------------------------------------------------------------------------ words


def _lines(chart: "ControlChart", state: "ChartState", checked: "Sequence[Checked]", n: int) -> Iterator[str]:
    from reader.library.control.chart import changes
    from reader.library.control.strip import height_words, mark_words, moment_words, state_said, told

    part = chart.now
    for one in checked:
        if one.point:
            yield show.printable(
                f"{one.point.photo.name}: {height_words(one.point.value)}, point {one.point.id}, taken "
                f"{moment_words(one.point.taken_at)}"
                + (f" ({_TIMES[one.point.taken_from]})" if one.point.taken_from in _TIMES else "")
            )
    of_marks = f"mean height of {', '.join(map(mark_words, part.baseline.marks))}"
    yield from show.labelled("chart", f"{chart.strip}: {of_marks}")
    yield from show.labelled("state", str(state_said(part, state)))
    added = [one.point.id for one in checked if one.point]
    signals, resting = chart.signals(added), chart.resting(added)
    for rule, sentence in told(signals):
        yield from show.labelled(f"rule {rule}", sentence)
    if signals:
        yield from show.labelled("next", part.rules.advice.signal)
    for rule, sentence in told(resting):
        yield from show.labelled("baseline", f"rule {rule}: {sentence}")
    if resting:
        yield from show.labelled("next", part.rules.advice.baseline)
    yield from _jump_lines(part, chart.jumps(added))
    unlike = changes(chart)
    for point in part.points:
        if point.id in added:
            for words in unlike.get(point.id, ()):
                yield from show.labelled("changed", f"{point.photo.name}: {words}")
            if point.not_present:
                named = ", ".join(f"{mark_words(one.key)} {one.call}" for one in point.not_present)
                yield from show.labelled("calls", f"{point.photo.name}: {named}; charted all the same")
    yield from _rows(part, n)


_TIMES = {
    "photo, offset assumed": "its camera gives no offset from UTC, this computer's was taken",
    "unknown": "it does not say when, so now was taken",
}


def _jump_lines(part: "Part", jumps: Sequence[int]) -> Iterator[str]:
    from reader.library.control.strip import height_words

    for place in jumps:
        assert part.limits is not None, "without limits no range is beyond one"
        yield from show.labelled(
            "jump",
            f"{part.points[place].photo.name} lies {height_words(part.ranges[place])} from the photo before; "
            f"{height_words(part.limits.range_upper)} is the limit",
        )
    if jumps:
        yield from show.labelled("", part.rules.advice.jump)


def _rows(part: "Part", n: int) -> Iterator[str]:
    """The last points, the newest last."""
    from reader.library.control.strip import distance_words, height_words, moment_words

    places = range(max(len(part.points) - n, 0), len(part.points))
    rows = [("point", "taken", "height", "sigma", "judged", "by", "photo", "note")]
    for place in places:
        point, limits = part.points[place], part.limits
        broken = part.broken_at(place)
        said = (
            f"set aside: {point.set_aside.reason}"
            if point.set_aside
            else f"rule {', '.join(str(one.rule) for one in broken)}"
            if broken
            else "baseline"
            if place in part.resting
            else ""
        )
        rows.append(
            (
                point.id,
                moment_words(point.taken_at),
                height_words(point.value),
                "" if limits is None or limits.flat else distance_words(limits, point.value),
                said,
                point.by or "",
                point.photo.name,
                shorten(point.note or "", NOTE_WIDTH, placeholder=" ..."),
            )
        )
    if len(rows) > 1:
        yield from show.in_columns(rows)
