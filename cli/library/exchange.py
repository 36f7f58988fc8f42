"""`linecall library export` and `import`: a library as a folder that anybody can read, and back."""

from pathlib import Path
from typing import Any

import click

from cli import show
from cli.library.look import BY_LIST, filters_of
from cli.options import EXAMPLE_FILTERS, Command, explained_by, filters, saying_what_was_done

IMPORT_STOPPED = "what was added so far stays, and the same command adds the rest"


@click.command(
    cls=Command, shared=("where",), short_help="Write the library as a folder that anybody can read."
)
@click.argument("folder", type=click.Path(path_type=Path))
@filters(EXAMPLE_FILTERS, place=BY_LIST)
@click.option(
    "--strip-metadata",
    is_flag=True,
    help="Photos without what the camera wrote beside the pixels.",
    **explained_by("linecall logbook export"),
)
def export(folder: Path, where: Path, strip_metadata: bool, **chosen: Any) -> None:
    """Write the library, or the examples that the filters want, as a new FOLDER that anybody can read.

    It has the photos, the strips, a tidy table (marks.csv), everything as JSON lines (examples.jsonl), the settings,
    a data sheet that says what it is, and the hash of every file. linecall library import reads it back without
    loss. Graders' names are in it, and the photos carry what the camera wrote into them, often position and serial
    number: --strip-metadata takes that out, with both hashes in stripped.json; an import then lacks the photos.
    """
    from reader.library import Library
    from reader.library.exchange import export as write
    from reader.words import counted

    wanted = filters_of(chosen)
    with (
        saying_what_was_done(lambda: f"{folder} is not written"),
        Library.open(where, read_only=True) as library,
    ):
        found = write(library, folder, wanted, watch=show.with_progress, strip_metadata=strip_metadata)
    for name in found.missing:
        why = "is gone from the library" + ", or its metadata cannot be taken out," * strip_metadata
        show.say_problem(f"{name} {why} and missing in the folder")
    click.echo(
        show.printable(
            f"{counted(found.examples, 'example')}, {counted(found.gradings, 'grading')}; {folder}"
        )
    )
    click.echo(show.photos_handed_on(stripped=strip_metadata))


@click.command("import", cls=Command, shared=("where",), short_help="Read an exported folder.")
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
def import_library(folder: Path, where: Path) -> None:
    """Read an exported FOLDER into the library, which is begun if there is none.

    Every file is checked against its hash first. Of examples whose photo is in the library already, gradings that
    are new are added.
    """
    from reader.library import Library
    from reader.library.exchange import check_folder, import_folder
    from reader.words import counted

    checked = check_folder(folder)
    with saying_what_was_done(lambda: IMPORT_STOPPED), Library.open(where) as library:
        found = import_folder(library, folder, checked=checked, watch=show.with_progress)
    click.echo(
        show.printable(
            f"{counted(found.examples, 'example')} added, {found.known} were there; "
            f"{counted(found.gradings, 'new grading')}; {where}"
        )
    )
    if found.control:
        click.echo(
            f"{found.control} photo{'s' * (found.control != 1)} of control strips added to their charts"
        )
    if found.other_settings:
        click.echo(
            f"the folder was computed by {', '.join(found.other_settings)}; this library keeps its own "
            "(linecall library standard)"
        )
