"""`linecall serve`: linecall as pages in a browser, from this machine."""

import os
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Command

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.station.serving import Address

FILE = click.Path(path_type=Path, exists=True, dir_okay=False)
HOME = "linecall"  # folder in the user's own, where a station without any settings begins


@click.command(
    cls=Command,
    shared=("logbook",),
    keys=("policy", "site", "library"),
    short_help="Open linecall as pages in a browser, from this machine.",
)
@click.option("--keeper", metavar="NAME", help="Who keeps this station; asked for where nobody does yet.")
@click.option(
    "--host",
    metavar="ADDRESS",
    help="Open it to the network at this address, such as 0.0.0.0; needs --certificate or --plain-http.",
)
@click.option(
    "--port", type=click.IntRange(1, 65535), default=8770, show_default=True, help="Port to listen on."
)
@click.option(
    "--certificate",
    metavar="PEM",
    type=FILE,
    help="Certificate and private key, one after the other in one file.",
)
@click.option(
    "--plain-http",
    is_flag=True,
    help="Open it to the network without a certificate: others there can read along.",
)
@click.option(
    "--url", metavar="URL", help="As browsers reach it behind a proxy, such as https://depot.example/tests/."
)
@click.option(
    "--folder",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where sign-ins and uploads lie.  [default: beside the logbook]",
)
@click.option(
    "--link", is_flag=True, help="Print another sign-in link for the keeper of a station that runs, and end."
)
def serve(
    logbook: str | None,
    logbook_photos: str | None,
    policy: str,
    site: str | None,
    where: str | None,
    keeper: str | None,
    host: str | None,
    port: int,
    certificate: Path | None,
    plain_http: bool,
    url: str | None,
    folder: Path | None,
    link: bool,
) -> None:
    """Open linecall as pages in a browser, from this machine.

    Without --host only this machine can reach it. Sign-in links are printed; each works once and for ten minutes.
    """
    try:
        from reader.station import app, desk, serving, signins, texts, tokens, uploads, work
        from reader.station import readers as pool
    except ImportError as error:
        raise click.ClickException(
            f"{error.name} is not installed; install it with pip install 'linecall[serve]'"
        ) from None
    address = serving.Address(host=host or serving.LOOPBACK, port=port, certificate=certificate, url=url)
    if not address.is_loopback and certificate is None and not plain_http:
        raise click.UsageError("--host opens the station to the network: give --certificate, or --plain-http")
    from reader.logbook import Logbook
    from reader.logbook.upgrade import bring_up_to_date
    from reader.review.policy import load_policy

    library = where
    place = logbook or str(_own_folder() / "logbook.sqlite")
    now = datetime.now(UTC)
    if link:
        _print_link(place, logbook_photos, folder, keeper, address, now)
        return
    with Logbook.open(place, photos=logbook_photos) as book:
        own = serving.folder_of(book, folder)
        with serving.held(own):
            copy = None if "://" in place else bring_up_to_date(Path(place))
            if copy is not None:
                click.echo(show.printable(f"kept      {copy}: the logbook as it was before this version"))
            name = _keeper(book, keeper, now)
            with ExitStack() as stack:
                signs = stack.enter_context(closing(signins.SignIns.open(own / serving.OWN_FILE)))
                station = desk.Desk(
                    logbook=book,
                    reopen=lambda: Logbook.open(place, read_only=True, photos=logbook_photos),
                    folder=own,
                    sign_ins=signs,
                    texts=texts.english(),
                    url=url,
                    library=None if library is None else Path(library),
                    policy=load_policy(policy),
                    site_file=Path(site) if site else serving.begin_site(_folder_of(place, own)),
                    readers=pool.Readers(),
                    tokens=stack.enter_context(closing(tokens.Tokens.open(own / serving.OWN_FILE))),
                )
                stack.enter_context(closing(station.readers))
                stack.enter_context(closing(station.hinter))
                station.readers.get_ready(station.settings)
                uploads.sweep(station)
                work.sweep(station)
                _say(address, name, signs.make_link(name, now=now), book, plain_http=plain_http)
                serving.run(app.station(station, address.place()), address)


def _print_link(
    where: str,
    photos: str | None,
    folder: Path | None,
    keeper: str | None,
    address: "Address",
    now: datetime,
) -> None:
    """Another link for the keeper, from beside a station that runs."""
    from reader.logbook import Logbook
    from reader.station import serving, signins

    with Logbook.open(where, read_only=True, photos=photos) as book:
        name = _keeper(book, keeper, now)
        own = serving.folder_of(book, folder)
        with closing(signins.SignIns.open(own / serving.OWN_FILE)) as signs:
            click.echo(address.link(signs.make_link(name, now=now)))


def _folder_of(logbook: str, own: Path) -> Path:
    """Where a site's file belongs: beside the logbook, or with the station's things where that is on a server."""
    return own if "://" in logbook else Path(logbook).absolute().parent


def _own_folder() -> Path:
    from reader.files.output import make_private_folder

    folder = Path.home() / HOME
    make_private_folder(folder)
    return folder


def _keeper(book: "Logbook", name: str | None, now: datetime) -> str:
    """The keeper's name; whoever is named where there is none yet becomes it."""
    from reader.logbook.people import add_person, find_person, people_of

    keepers = [one for one in people_of(book) if "keeper" in one.roles and one.retired_at is None]
    if keepers:
        found = keepers[0] if name is None else find_person(keepers, name)
        if found is None:
            raise click.UsageError(
                f"{name} does not keep this station; its keepers are {', '.join(one.name for one in keepers)}"
            )
        return found.name
    if name is None:
        name = click.prompt("Who keeps this station (first name and surname)", err=True)
    return add_person(book, str(name), roles=["keeper", "technician"], at=now).name


def _say(address: "Address", keeper: str, secret: str, book: "Logbook", *, plain_http: bool) -> None:
    click.echo(show.printable(f"logbook   {book.name}"))
    if plain_http and not address.is_loopback:
        show.say_problem(
            "open to the network without a certificate: anybody on it can read along and take sign-ins"
        )
    if os.environ.get("JOURNAL_STREAM"):  # systemd keeps what is printed, and a link is a secret
        click.echo("runs; linecall serve --link prints a sign-in link for the keeper")
        return
    link = address.link(secret)
    click.echo(show.printable(f"sign in as {keeper}, once, within ten minutes:"))
    click.echo(link)
    if not address.is_loopback or address.url:
        import segno

        segno.make(link, error="m").terminal(compact=True)
    click.echo("Ctrl-C stops it.")
