"""`linecall serve`: linecall as pages in a browser, from this machine."""

import os
import shutil
import signal
import sys
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn, TextIO
from urllib.parse import urlsplit

import click

from cli import show
from cli.options import Command
from cli.variables import DEBUG_VARIABLE

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
        from reader.station import app, desk, languages, serving, signins, texts, tokens, uploads, work
        from reader.station import readers as pool
        from reader.station.certificate import Certificate
    except ImportError as error:
        raise click.ClickException(
            f"{error.name} is not installed; install it with pip install 'linecall[serve]'"
        ) from None
    now = datetime.now(UTC)
    address = serving.Address(
        host=serving.checked_host(host) if host else serving.LOOPBACK,
        port=port,
        certificate=None if certificate is None else Certificate.load(certificate),
        url=None if url is None else serving.checked_url(url),
    )
    if not address.is_loopback and certificate is None and not plain_http:
        raise click.UsageError("--host opens the station to the network: give --certificate, or --plain-http")
    from reader.logbook import Logbook
    from reader.logbook.upgrade import bring_up_to_date
    from reader.review.policy import load_policy

    library = where
    place = logbook or str(_own_folder() / "logbook.sqlite")
    if link:
        _print_link(place, logbook_photos, folder, keeper, now)
        return
    for path in (*([] if "://" in place else [Path(place)]), *([folder] if folder else [])):
        serving.refuse_share(path)
    signal.signal(signal.SIGTERM, _end)
    with ExitStack() as stack:
        book = stack.enter_context(Logbook.open(place, photos=logbook_photos))
        own = serving.folder_of(book, folder)
        stack.enter_context(serving.held(book, own, address))
        listener = stack.enter_context(serving.listener_at(address))
        copy = None if "://" in place else bring_up_to_date(Path(place))
        if copy is not None:
            click.echo(
                show.printable(f"kept      {copy}: the logbook as it was before it was brought up to date")
            )
        name = _keeper(book, keeper, now)
        known = languages.load_languages(own)
        for line in (line for report in known.reports for line in report.lines()):
            show.say_problem(line)
        signs = stack.enter_context(closing(signins.SignIns.open(own / serving.OWN_FILE)))
        station = desk.Desk(
            logbook=book,
            reopen=lambda: Logbook.open(place, read_only=True, photos=logbook_photos),
            folder=own,
            sign_ins=signs,
            texts=texts.english(),
            languages=known,
            url=address.url,
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
        serves = app.station(station, address.place())
        click.echo(show.printable(f"logbook   {book.name}"))
        _say_dangers(address, datetime.now(UTC))

        def say_how_to_sign_in() -> None:
            if _is_private(sys.stdout):
                _say_links(address, name, signs.make_link(name, now=datetime.now(UTC)))
            else:  # what is printed is kept somewhere, and a link is a secret
                click.echo("runs; linecall serve --link prints a sign-in link for the keeper")

        serving.run(
            serves,
            address,
            listener,
            started=say_how_to_sign_in,
            stopping=lambda: _say_stopping(station.readers.busy),
            debug=bool(os.environ.get(DEBUG_VARIABLE)),
        )


def _end(_: int, __: object) -> NoReturn:
    """Asked to end, as services are: what is open is closed, and that is well."""
    sys.exit(0)


def _say_stopping(busy: int) -> None:
    from reader.words import counted

    if busy:
        show.say_problem(f"finishing {counted(busy, 'reading')} first; photos that wait are kept")


def _print_link(
    where: str, photos: str | None, folder: Path | None, keeper: str | None, now: datetime
) -> None:
    """Another link for the keeper, from beside a station that runs."""
    from reader.errors import LinecallError
    from reader.logbook import Logbook
    from reader.station import serving, signins

    with Logbook.open(where, read_only=True, photos=photos) as book:
        own = serving.folder_of(book, folder)
        base = serving.running_at(own)
        if base is None or not serving.is_running(book, own):
            raise LinecallError(
                f"{book.name}: no station runs on it; linecall serve without --link starts it, and prints a link"
            )
        name = _keeper(book, keeper, now)
        with closing(signins.SignIns.open(own / serving.OWN_FILE)) as signs:
            click.echo(f"{base}/#{signs.make_link(name, now=now)}")


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
        name = _asked_for_keeper()
    return add_person(book, name, roles=["keeper", "technician"], at=now).name


def _asked_for_keeper() -> str:
    if not _is_private(sys.stdin):
        raise click.UsageError("nobody keeps this station yet: name who does, such as --keeper 'Ada North'")
    from reader.errors import LinecallError
    from reader.words.names import checked_name

    def taken(text: str) -> str:
        try:
            return checked_name(text)
        except LinecallError as error:
            raise click.UsageError(str(error)) from None

    name: str = click.prompt("Who keeps this station (first name and surname)", value_proc=taken, err=True)
    return name


def _is_private(stream: TextIO) -> bool:
    """Whether somebody sits at it, so that nothing keeps what passes through."""
    return stream.isatty() and not os.environ.get("JOURNAL_STREAM")


def _say_dangers(address: "Address", now: datetime) -> None:
    if address.certificate is None:
        if not address.is_loopback:
            show.say_problem(
                "open to the network without a certificate: anybody on it can read along and take sign-ins"
            )
        return
    until, names = address.certificate.until, address.certificate.names
    click.echo(
        show.printable(f"https     until {until:%Y-%m-%d}, for {', '.join(names) or 'no name at all'}")
    )
    problem = address.certificate.problem(now)
    if problem is not None:
        show.say_problem(problem)
    host = urlsplit(address.bases()[0]).hostname or ""
    if address.url is None and not address.certificate.speaks_for(host):
        show.say_problem(f"the certificate does not name {host}, so browsers will warn; make one that does")


def _say_links(address: "Address", keeper: str, secret: str) -> None:
    links = [f"{base}/#{secret}" for base in address.bases()]
    click.echo(show.printable(f"sign in as {keeper}, once, within ten minutes:"))
    for line in links:
        click.echo(show.printable(line))
    if not address.is_loopback or address.url:
        _draw_code(links[0])
    click.echo("linecall serve --link prints another, beside this one. Ctrl-C stops the station.")


def _draw_code(link: str) -> None:
    """The link for a phone's camera, where this terminal can show it."""
    import segno

    drawn = StringIO()
    segno.make(link, error="l").terminal(drawn, compact=True)
    lines = drawn.getvalue().splitlines()
    columns = shutil.get_terminal_size().columns
    try:
        drawn.getvalue().encode(sys.stdout.encoding)
    except UnicodeEncodeError:
        click.echo("This terminal cannot draw the link for a phone's camera: it has no block letters.")
        return
    if len(lines[0]) > columns:
        click.echo(
            f"Make the window {len(lines[0])} columns wide, and the link is drawn for a phone's camera."
        )
        return
    for line in (
        lines
    ):  # the blocks are its white: on a bright terminal they would be black, and few phones take that
        click.echo(click.style(line, fg="bright_white", bg="black"))
