"""`linecall library list`, `show`, `sheet`, `coverage` and `standard`: what there is, and by what it is computed."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.options import (
    EXAMPLE_FILTERS,
    STRENGTHS,
    Command,
    Out,
    filters,
    saying_what_was_done,
    superseded_by_pages,
)

if TYPE_CHECKING:
    from reader.library import Example, ExampleRow, Filters, Library
    from reader.library.coverage import Coverage

ROWS = (20, 100_000)  # of a list: unless --limit says otherwise, and at most
STRIPS = (1000, 1_000_000)  # of a contact sheet
BY_LIST = "linecall library list"
"""The command whose help explains the filters."""


def filters_of(chosen: dict[str, Any]) -> "Filters":
    """The filters that were given; tags as they are kept."""
    from reader.library import Filters
    from reader.library.examples import plain_tag

    for name in ("light", "defect"):
        if chosen.get(name):
            try:
                chosen[name] = plain_tag(chosen[name])
            except ValueError as error:
                raise click.BadParameter(f"{chosen[name]!r}: {error}", param_hint=f"--{name}") from None
    return Filters(**chosen)


# --- list ---------------------------------------------------------------------------------------------------


@click.command(
    cls=Command, shared=("where", "page", "as_json"), limit=ROWS, short_help="List examples, with filters."
)
@filters(EXAMPLE_FILTERS)
@click.option("--before", metavar="ID", hidden=True, callback=superseded_by_pages)
def list_examples(
    where: Path, limit: int, page: int, before: str | None, as_json: bool, **chosen: Any
) -> None:
    """List examples, the newest first.

    Filters of marks (--class, --tier, --call, --tool-call, --disputed) must hold for one and the same mark: an
    indicator mark, unless --mark says reference.
    """
    from reader.library import Library

    wanted = filters_of(chosen)
    with Library.open(where, read_only=True) as library:
        edge = None if before is None else library.row(library.find(before)).seq
        last = page * limit
        rows = list(library.examples(wanted, limit=last, before=edge))[last - limit :]
        n = library.count(wanted)
    if as_json:
        for row in rows:
            show.echo_data(json.dumps(asdict(row), ensure_ascii=False) + "\n")
        return
    if rows:
        click.echo("\n".join(show.in_columns(list(_rows(rows)))))
    more = len(rows) == limit and n > last
    click.echo(f"{n} example{'s' * (n != 1)}" + (f"; older ones: --page {page + 1}" if more else ""))


def _rows(rows: "Sequence[ExampleRow]") -> Iterator[tuple[str, ...]]:
    yield "id", "photo", "layout", "light", "consensus", "linecall", "graders", "disputed", "defects"
    for row in rows:
        yield (
            row.id,
            _short(row.photo),
            row.layout,
            row.light,
            row.grade or "none",
            row.tool_grade or "-",
            str(row.graders),
            str(row.disputed) if row.disputed else "-",
            ", ".join(row.defects) or "-",
        )


def _short(text: str, longest: int = 32) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "..."


# --- show ---------------------------------------------------------------------------------------------------


@click.command(
    cls=Command,
    shared=("where", "as_json"),
    short_help="Show an example: who called what, and the consensus.",
)
@click.argument("name", metavar="EXAMPLE|PHOTO")
@click.option(
    "--photo",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the photo there, byte for byte.",
)
def show_example(name: str, where: Path, photo: Path | None, as_json: bool) -> None:
    """Show an example, named by its id or its photo's file name: who called what, and the consensus."""
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.exchange import example_line

    with Library.open(where, read_only=True) as library:
        example = library.example(library.find(name))
        if photo is not None:
            write_whole({photo: library.pictures.photo_bytes(example.photo.sha256)})
        if as_json:
            click.echo(example_line(library, example), nl=False)
            return
        click.echo("\n".join(_description(library, example)))


def _description(library: "Library", example: "Example") -> Iterator[str]:
    row, gradings, agreed = library.row(example.id), library.gradings(example.id), library.agreed(example.id)
    yield show.printable(f"{example.id}   {example.photo.name}   layout {row.layout}   light {row.light}")
    yield from show.labelled("grade", f"{row.grade or 'no consensus'}; linecall: {row.tool_grade}")
    yield from show.labelled("plate", f"{row.plate}; from {row.source}; added {row.added_at}")
    tags = [*(f"{tag} (stated)" for tag in row.defects), *(tag for tag in row.tags if tag not in row.defects)]
    yield from show.labelled("defects", ", ".join(tags) or "none")
    problem = library.pictures.photo_problem(example.photo.sha256)
    yield from show.labelled("photo", problem or f"SHA-256 {example.photo.sha256[:16]}...")
    for grading in gradings:
        blind = {True: ", blind", False: ", not blind", None: ""}[grading.blind]
        grade = f", graded {grading.grade}" if grading.grade else ""
        at = grading.at.isoformat(sep=" ", timespec="minutes")
        yield from show.labelled("grading", f"{grading.grader}, {grading.role}, {at}{blind}{grade}")
    rows = [("window", "analyte", "tier", "mark", "class", "height", "linecall", "consensus", "because")]
    for mark in library.marks(example.id):
        one = agreed[mark.window, mark.mark]  # type: ignore[index]
        rows.append(
            (
                mark.window,
                mark.analyte,
                mark.tier,
                mark.mark,
                mark.strength,
                "-" if mark.height is None else f"{mark.height:.4f}",
                mark.tool_call,
                one.call or "none",
                one.reason + (", disputed" if one.disputed else ""),
            )
        )
    yield from show.in_columns(rows)
    if gradings:
        yield from show.in_columns([("window", "mark", *(grading.grader for grading in gradings))] + [
            (
                mark.window,
                mark.mark,
                *(grading.calls.get((mark.window, mark.mark), "-") for grading in gradings),  # type: ignore[arg-type]
            )
            for mark in library.marks(example.id)
        ])  # fmt: skip
    else:
        yield "nobody has graded it yet"


# --- sheet --------------------------------------------------------------------------------------------------


@click.command(
    cls=Command,
    shared=("where", "force"),
    out=Out("FILE.html"),
    limit=STRIPS,
    short_help="Write a contact sheet of strips, from strong to faint.",
)
@filters(EXAMPLE_FILTERS, place=BY_LIST)
def sheet(where: Path, out: Path | None, limit: int, force: bool, **chosen: Any) -> None:
    """Write a contact sheet: strips from strong to faint, disputed ones marked, on pages that work offline.

    Its first page is strips.html, unless -o names a file; others are written beside it. There are at most 1,000
    strips, unless --limit says otherwise.
    """
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.sheet import contact_sheet

    wanted = filters_of(chosen)
    first = out or Path("strips.html")
    n = 0
    with (
        saying_what_was_done(
            lambda: f"{n} page{'s' * (n != 1)} of the sheet are written, the others are not"
        ),
        Library.open(where, read_only=True) as library,
    ):
        for page in contact_sheet(library, wanted, name=first.name, limit=limit):
            write_whole({first.with_name(page.name): page.html}, force=force)
            n = page.number
    click.echo(show.printable(f"{n} page{'s' * (n > 1)}, beginning with {first}"))


# --- coverage -----------------------------------------------------------------------------------------------


@click.command(
    cls=Command,
    shared=("where", "as_json"),
    short_help="What there is, what is thin, the photos worth taking next.",
)
@filters(EXAMPLE_FILTERS, only=("layout", "light"), place=BY_LIST)
@click.option(
    "--enough",
    metavar="N",
    type=click.IntRange(1, 10_000),
    default=10,
    show_default=True,
    help="Indicator marks of each kind that are wanted.",
)
def coverage(where: Path, enough: int, as_json: bool, **chosen: Any) -> None:
    """Count indicator marks by contrast class, grade, light and layout, and name the photos worth taking next.

    The grade is the consensus'. A kind that cannot be, such as a missing line on a plate graded negligible, has
    no cell. Fewer marks than wanted are marked with *. A quiz may ask for plates with strips and a consensus on every
    mark, of whoever has graded no photo of them.
    """
    from reader.library import Library
    from reader.library.coverage import coverage as count

    wanted = filters_of(chosen)
    with Library.open(where, read_only=True) as library:
        found = count(library, wanted, enough=enough)
    if as_json:
        told = asdict(found) | {"sentences": list(map(str, found.next_photos))}
        show.echo_data(json.dumps(told, ensure_ascii=False) + "\n")
        return
    click.echo("\n".join(_coverage_lines(found)))


def _coverage_lines(found: "Coverage") -> Iterator[str]:
    from reader.words import counted

    kinds: dict[tuple[str, str, str], dict[str, str]] = {}
    for cell in found.cells:
        row = kinds.setdefault((cell.layout, cell.light, cell.grade), {})
        row[cell.strength] = f"{cell.n}{'*' if cell.thin else ''}"
    classes = STRENGTHS[:-1]
    yield from show.in_columns(
        [("layout", "light", "grade", *classes)]
        + [(*kind, *(row.get(strength, "") for strength in classes)) for kind, row in kinds.items()]
    )
    yield (
        f"{counted(found.examples, 'example')}; {len(found.thin):,} of {counted(len(found.cells), 'kind')} "
        f"{'is' if len(found.thin) == 1 else 'are'} thin (*)"
    )
    if found.without_grade:
        verb = "is" if found.without_grade == 1 else "are"
        yield f"{counted(found.without_grade, 'indicator mark')} {verb} on plates of which graders settled no grade"
    if found.unmeasured:
        verb = "has" if found.unmeasured == 1 else "have"
        yield f"{counted(found.unmeasured, 'indicator mark')} {verb} no height"
    classes_to_ask = ", ".join(f"{strength} {n:,}" for strength, n in found.to_ask.items())
    yield (
        f"{counted(found.plates_to_ask, 'plate')} fit to ask in a quiz: {classes_to_ask} "
        "(nobody is asked for a plate that they graded)"
    )
    for number, photo in enumerate(found.next_photos, start=1):
        yield from show.labelled(f"next {number}", str(photo))


# --- standard -----------------------------------------------------------------------------------------------


@click.command(
    cls=Command, shared=("where",), short_help="What consensus, grades and classes are computed by."
)
@click.option("--consensus", metavar="NAME|FILE.toml", help="Compute the consensus by this rule from now on.")
@click.option("--rules", metavar="NAME|FILE.toml", help="Compute grades by these rules from now on.")
@click.option("--strength", metavar="NAME|FILE.toml", help="Class marks by these limits from now on.")
def standard(where: Path, **chosen: str | None) -> None:
    """Show by what consensus, grades and contrast classes are computed, or compute them by something else.

    No call and no measurement changes. Bundled rules of consensus: majority, two-of-three-experts, panel.
    """
    from reader.library import Library

    changes = {kind: source for kind, source in chosen.items() if source is not None}
    with Library.open(where, must_exist=True, read_only=not changes) as library:
        for kind, source in changes.items():
            n = library.settings.compute_by(kind, source)
            click.echo(f"{kind} {show.printable(source)}: {n} of {library.count()} examples changed")
        found = library.settings.standard()
        rows = [
            (value.kind, value.name, f"revision {value.revision}", value.title)
            for value in (found.consensus, found.rules, found.strength)
        ]
    click.echo("\n".join(show.in_columns(rows)))
