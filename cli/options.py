"""What several commands share: options that mean one thing everywhere, filters, exit statuses, who acts.

A shared option is explained once, by `linecall --help`, and may stand before a command's name or after it.
"""

import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from contextlib import contextmanager
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click
from click.core import ParameterSource

from cli import show
from cli.variables import LIBRARY_VARIABLE, LOGBOOK_VARIABLE, SETTINGS_VARIABLE

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from reader.files.urls import Place
    from reader.logbook import Logbook
    from reader.logbook.people import Person
    from reader.words.names import Role

T = TypeVar("T")

# Exit statuses. Of several photos the worst decides, in the order of WORST_LAST.
GRADED = 0
FAILED = 1  # a result could not be written
WRONG_USAGE = 2
UNDECIDED = 3
REFUSED = 4
INVALID = 5
INTERNAL = 70  # an internal error; EX_SOFTWARE of sysexits.h
WORST_LAST = (GRADED, UNDECIDED, INVALID, REFUSED, FAILED, INTERNAL)
INTERRUPTED = 130  # 128 + SIGINT, as shells report it


# --- shared options -----------------------------------------------------------------------------------------


class Shared(NamedTuple):
    """An option that several commands take: how it is written, what it is, and what click needs to know."""

    flags: tuple[str, ...]
    text: str
    attrs: Mapping[str, Any] = {}


def _path(**rules: bool) -> click.Path:
    return click.Path(path_type=Path, **rules)


class PlaceType(click.ParamType):  # type: ignore[type-arg]
    """A path of this machine, or a URL."""

    name = "path"

    def __init__(self, **rules: bool) -> None:
        """rules : of click.Path, for a path."""
        self._path = _path(**rules)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> "Place":
        """Take it for what it is; raises click.BadParameter."""
        if isinstance(value, str) and "://" in value:
            from reader.errors import LinecallError
            from reader.files.urls import is_url, place_of

            try:
                if is_url(value):
                    return place_of(value)
            except LinecallError as error:
                self.fail(str(error), param, ctx)
        found: Path = self._path.convert(value, param, ctx)  # type: ignore[assignment]
        return found


JOBS_MAX = 64
SHARED: Mapping[str, Shared] = {
    "settings": Shared(
        ("--settings",),
        f"The site's file of defaults; or the variable {SETTINGS_VARIABLE}.  [default: linecall.toml beside the "
        "logbook]",
        {"metavar": "FILE.toml", "type": _path(dir_okay=False)},
    ),
    "changes": Shared(
        ("--set",),
        "One setting for this command, such as rules=ours.toml; linecall settings shows the keys; may be given again.",
        {"metavar": "KEY=VALUE", "multiple": True},
    ),
    "logbook": Shared(
        ("-L", "--logbook"),
        f"The logbook: a file, or a postgresql:// URL; or the variable {LOGBOOK_VARIABLE}.",
        {"metavar": "PATH|URL"},
    ),
    "logbook_photos": Shared(
        ("--logbook-photos",),
        "Where the logbook's photos lie; or the variable LINECALL_PHOTOS.  [default: where they lay when it was begun]",
        {"metavar": "DIR|URL"},
    ),
    "where": Shared(
        ("-l", "--library"),
        f"The library's folder; or the variable {LIBRARY_VARIABLE}.",
        {"metavar": "DIR", "type": _path(file_okay=False)},
    ),
    "out": Shared(
        ("-o", "--out"),
        "Where results are written: a file, or a folder where there are several.",
        {"metavar": "PATH|URL", "type": PlaceType()},
    ),
    "force": Shared(("--force",), "Overwrite a file that holds something else.", {"is_flag": True}),
    "as_json": Shared(("--json",), "Print JSON for a program, and nothing else.", {"is_flag": True}),
    "jobs": Shared(
        ("--jobs",),
        "Photos at a time.  [default: 1]",
        {"metavar": "N", "type": click.IntRange(1, JOBS_MAX)},
    ),
    "on": Shared(
        ("--on",),
        "A running Dask scheduler whose workers read, such as tcp://cluster.example:8786; linecall guide cluster.",
        {"metavar": "ADDRESS"},
    ),
    "layout": Shared(
        ("--layout",),
        "Make of plate.  [default: all that linecall brings]",
        {"metavar": "auto|NAME|FILE.toml"},
    ),
    "read_by": Shared(
        ("--read-by",),
        "A settings file of your own that kept photos were read by; may be given again.",
        {"metavar": "FILE.toml", "multiple": True},
    ),
    "by": Shared(("--by",), "Your name: what you say here is yours to answer for.", {"metavar": "NAME"}),
    "reason": Shared(("--reason",), "Why; of a decision, what you saw.", {"metavar": "TEXT"}),
    "limit": Shared(
        ("--limit",), "How many a list shows at once.", {"metavar": "N", "type": click.IntRange(1)}
    ),
    "page": Shared(
        ("--page",), "Which page of a list.  [default: 1]", {"metavar": "N", "type": click.IntRange(1)}
    ),
}
"""Parameter name -> the shared option."""
EVERYWHERE = ("settings", "changes")
_KEY_OF = {
    "logbook": "logbook",
    "logbook_photos": "photos",
    "where": "library",
    "layout": "layout",
    "read_by": "read_by",
}
_PARAMETER_OF = {"library": "where", "photos": "logbook_photos"}


class SharedOption(click.Option):
    """An option that a command takes and another place explains; its help stands there."""

    def __init__(self, param_decls: Sequence[str], *, place: str, **attrs: Any) -> None:
        """Make it; `place` is the command whose help explains it."""
        super().__init__(param_decls, hidden=True, **attrs)
        self.place = place

    @property
    def shown(self) -> str:
        """How a line of help names it."""
        flags = "/".join([*self.opts, *self.secondary_opts])
        return flags if self.is_flag else f"{flags} {self.metavar or self.name}"


def shared_options(command: T) -> T:
    """Decorate the group of all commands with the shared options, where they are explained."""
    for name, option in reversed(list(SHARED.items())):
        command = click.option(*option.flags, name, help=option.text, **option.attrs)(command)  # type: ignore[type-var]
    return command


class Out(NamedTuple):
    """What -o names for a command: a folder, or a file that ends in one of some endings."""

    metavar: str
    endings: tuple[str, ...] = ()

    def checked(self, ctx: click.Context, path: "Place") -> "Place":
        """The place; raises click.BadParameter for a folder in a file's place and the reverse, or another ending."""
        folder = self.metavar.startswith("DIR")
        if not isinstance(path, Path):
            if not self.metavar.endswith("URL"):
                raise click.BadParameter(
                    f"{path} is a URL, but this is written on this machine only", ctx, param_hint="-o"
                )
        else:
            _path(file_okay=not folder, dir_okay=folder).convert(path, None, ctx)
        if self.endings and path.suffix.lower() not in self.endings:
            *others, last = self.endings
            raise click.BadParameter(
                f"{path} must end in {', '.join(others)}{' or ' * bool(others)}{last}", ctx, param_hint="-o"
            )
        return path


class Command(click.Command):
    """A command with shared options, and with settings that the site's file may say.

    shared : parameter names of `SHARED` that it takes beside --settings and --set. keys : settings that it needs, each
    a parameter of its function (the library is `where`, the place of photos `logbook_photos`). out : what -o names.
    limit : how many its list shows, and at most. optional : shared options that it can do without, where others
    cannot. old : spellings of before, each with that of today, or with `=KEY`
    for a setting.
    """

    def __init__(
        self,
        *args: Any,
        shared: Sequence[str] = (),
        keys: Sequence[str] = (),
        out: Out | None = None,
        limit: tuple[int, int] | None = None,
        optional: Sequence[str] = (),
        old: Mapping[str, str] | None = None,
        **attrs: Any,
    ) -> None:
        """Make the command; its own options come from its decorators."""
        super().__init__(*args, **attrs)
        photos = ["logbook_photos"] * ("logbook" in shared)
        self.shared = (*shared, *photos, *["out"] * (out is not None), *["limit"] * (limit is not None))
        self.keys = (*keys, *(_KEY_OF[name] for name in self.shared if name in _KEY_OF))
        self.out, self.limit, self.optional = out, limit, optional
        own = {flag for parameter in self.params for flag in parameter.opts}
        by_option = {_KEY_OF.get(name) for name in self.shared}
        self.only_set = [key for key in self.keys if key not in by_option]
        settings = {f"--{key.replace('_', '-')}": f"={key}" for key in self.only_set}
        self.old = {flag: to for flag, to in settings.items() if flag not in own} | dict(old or {})
        if out is not None:
            self.old["--output"] = "--out"
        for name in (*self.shared, *EVERYWHERE):
            option = SHARED[name]
            attrs = {**option.attrs, "metavar": out.metavar} if name == "out" and out else dict(option.attrs)
            self.params.append(SharedOption([name, *option.flags], place="linecall", **attrs))

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Parse a command line, and settle what it leaves to the environment and the site's file."""
        own = {flag for parameter in self.params for flag in parameter.opts}
        rest = super().parse_args(ctx, list(_in_todays_words(args, self.old, own)))
        if not ctx.resilient_parsing:
            self._settle(ctx)
        return rest

    def _settle(self, ctx: click.Context) -> None:
        from cli.defaults import Choices, changes_of

        _take_over(ctx, (*self.shared, *EVERYWHERE))
        options = changes_of(ctx.params.pop("changes") or ())
        for key in self.keys:
            name = _PARAMETER_OF.get(key, key)
            if ctx.params.get(name) not in (None, ()) and _was_given(ctx, name):
                options[key] = ctx.params[name]
        table = ctx.params.get("table")
        given = (*(ctx.params.get("photos") or ()), *([table] if table else []))
        photos = [place for place in given if isinstance(place, Path)]
        choices = ctx.obj = Choices(options, ctx.params.pop("settings"), photos)
        for key in self.keys:
            ctx.params[_PARAMETER_OF.get(key, key)] = choices.of(key).value
        if "where" in self.shared:
            ctx.params["where"] = self._library(ctx)
        if "jobs" in self.shared:
            ctx.params["jobs"] = ctx.params["jobs"] or 1
        if "page" in self.shared:
            ctx.params["page"] = ctx.params["page"] or 1
        if self.out is not None and ctx.params["out"] is not None:
            ctx.params["out"] = self.out.checked(ctx, ctx.params["out"])
        if self.limit is not None:
            usual, most = self.limit
            ctx.params["limit"] = ctx.params["limit"] or usual
            if ctx.params["limit"] > most:
                raise click.BadParameter(f"a list shows {most:,} at most", ctx, param_hint="--limit")

    def _library(self, ctx: click.Context) -> Path | None:
        found = ctx.params["where"]
        if not found:
            if "where" in self.optional:
                return None
            option = next(one for one in self.params if one.name == "where")
            raise click.MissingParameter(ctx=ctx, param=option)
        return Path(os.fsdecode(_path(file_okay=False).convert(found, None, ctx)))

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Explain the command's own options, and name those that are explained elsewhere."""
        super().format_options(ctx, formatter)
        places: dict[str, list[str]] = {}
        for option in self.params:
            if isinstance(option, SharedOption):
                places.setdefault(option.place, []).append(option.shown)
        for place, names in places.items():
            with formatter.section(f"Shared options, explained by {place} --help"):
                _write_names(formatter, names)
        if self.only_set:
            with formatter.section("Settings, from linecall.toml or --set KEY=VALUE"):
                _write_names(formatter, self.only_set)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        """Complete shared options too, which help names and does not list."""
        from click.shell_completion import CompletionItem

        found = super().shell_complete(ctx, incomplete)
        if incomplete and not incomplete[0].isalnum():
            for option in self.params:
                if isinstance(option, SharedOption):
                    text = SHARED[option.name].text if option.name in SHARED else option.help
                    flags = (*option.opts, *option.secondary_opts)
                    found += [
                        CompletionItem(flag, help=text) for flag in flags if flag.startswith(incomplete)
                    ]
        return found


def _write_names(formatter: click.HelpFormatter, names: Sequence[str]) -> None:
    """Write names as running text, none of them broken in two."""
    from textwrap import fill

    indent = " " * formatter.current_indent
    text = ", ".join(names)
    formatter.write(
        fill(text, formatter.width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)
        + "\n"
    )


class Group(click.Group):
    """A group of commands that take shared options."""

    command_class = Command


def _was_given(ctx: click.Context, name: str) -> bool:
    return ctx.get_parameter_source(name) in (ParameterSource.COMMANDLINE, ParameterSource.DEFAULT_MAP)


def _take_over(ctx: click.Context, names: Sequence[str]) -> None:
    """Take shared options that stand before the command's name; raises click.UsageError for one it does not take."""
    root = ctx.find_root()
    if root is ctx:
        return
    for name, option in SHARED.items():
        if name not in root.params or not _was_given(root, name):
            continue
        if name not in names:
            raise click.UsageError(f"{ctx.command_path} has no use for {option.flags[-1]}", ctx)
        if option.attrs.get("multiple"):
            ctx.params[name] = (*root.params[name], *ctx.params[name])
        elif not _was_given(ctx, name):
            ctx.params[name] = root.params[name]
        else:
            continue
        ctx.set_parameter_source(name, ParameterSource.COMMANDLINE)


def _in_todays_words(args: Sequence[str], old: Mapping[str, str], own: Set[str]) -> Iterator[str]:
    """Arguments with spellings of before in those of today, and a line about each on standard error.

    A spelling that has another meaning today, as one of the command's `own`, is that of before with a .toml file only.
    """
    remaining = iter(args)
    for arg in remaining:
        if arg == "--":
            yield arg
            break
        flag, equals, value = arg.partition("=")
        today = old.get(flag)
        if today is None:
            yield arg
            continue
        value = value if equals else next(remaining, "")
        if flag in own and not value.lower().endswith(".toml"):
            yield from (flag, value)
        elif today.startswith("="):
            key = today.removeprefix("=")
            show.say_problem(
                f"{flag} is an old spelling, which the next release drops; write --set {key}={value}, or {key} in "
                "linecall.toml"
            )
            yield from ("--set", f"{key}={value}")
        else:
            show.say_problem(f"{flag} is an old spelling, which the next release drops; write {today}")
            yield from (today, value)
    yield from remaining


# --- filters of lists ---------------------------------------------------------------------------------------

GRADES = ("negligible", "moderate", "heavy", "invalid", "undecided")
CALLS = ("present", "absent", "doubtful", "undeveloped")
STRENGTHS = ("strong", "weak", "faint", "very faint", "none", "unmeasured")
MARKS = ("indicator", "reference")


def day(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a day or a time; without an offset from UTC it is this computer's, and a day stands for its beginning."""
    if value is None:
        return None
    try:
        return datetime.fromisoformat(value.strip()).astimezone()
    except (ValueError, OverflowError, OSError):
        raise click.BadParameter(
            f"{value!r} is no day or time; write 2026-05-04 or 2026-05-04T09:08+02:00"
        ) from None


Filter = tuple[tuple[str, ...], Mapping[str, Any]]

READING_FILTERS: Mapping[str, Filter] = {
    "tank": (("--tank",), {"metavar": "NAME", "help": "Only readings of this tank."}),
    "sample_point": (("--sample-point",), {"metavar": "NAME", "help": "Only this sample point."}),
    "sample_phase": (("--sample-phase",), {"metavar": "NAME", "help": "Only this sample phase."}),
    "plate_lot": (("--plate-lot",), {"metavar": "LOT", "help": "Only plates of this lot."}),
    "operator": (("--operator",), {"metavar": "NAME", "help": "Only this technician's."}),
    "layout": (("--layout",), {"metavar": "NAME", "help": "Only plates of this layout."}),
    "grade": (("--grade",), {"type": click.Choice(GRADES), "help": "Only this grade."}),
    "since": (("--since",), {"metavar": "TIME", "callback": day, "help": "Only those logged then or later."}),
    "until": (("--until",), {"metavar": "TIME", "callback": day, "help": "Only those logged before."}),
}
"""What chooses readings of the logbook, as `Logbook.readings` takes it."""

EXAMPLE_FILTERS: Mapping[str, Filter] = {
    "grade": (("--grade",), {"type": click.Choice(GRADES), "help": "Only this grade of the consensus."}),
    "call": (("--call",), {"type": click.Choice(CALLS), "help": "Only with a mark of this consensus."}),
    "tool_call": (
        ("--tool-call",),
        {"type": click.Choice(CALLS), "help": "Only with a mark linecall called so."},
    ),
    "strength": (("--class",), {"type": click.Choice(STRENGTHS), "help": "Only with a mark of this class."}),
    "tier": (
        ("--tier",),
        {"type": click.Choice(["lower", "upper"]), "help": "Only with such a mark of this tier."},
    ),
    "mark": (("--mark",), {"type": click.Choice(MARKS), "help": "Of which marks."}),
    "disputed": (
        ("--disputed",),
        {"is_flag": True, "help": "Only with a mark that people called differently."},
    ),
    "settled": (
        ("--settled/--unsettled",),
        {"default": None, "help": "Only with a consensus on every mark, or without."},
    ),
    "light": (("--light",), {"metavar": "TAG", "help": "Only photos in this light."}),
    "layout": (("--layout",), {"metavar": "NAME", "help": "Only plates of this layout."}),
    "defect": (
        ("--defect",),
        {"metavar": "TAG", "help": "Only photos with this defect, or flag of linecall's."},
    ),
    "graded_by": (("--graded-by",), {"metavar": "NAME", "help": "Only what this person has graded."}),
    "plate": (("--plate",), {"metavar": "ID", "help": "Only photos of this plate."}),
}
"""What chooses examples of the library, as `Filters` takes it."""


def explained_by(place: str) -> dict[str, Any]:
    """Attributes of an option that another command explains: give them to `click.option`."""
    return {"cls": SharedOption, "place": place}


def filters(
    choose: Mapping[str, Filter], *, only: Sequence[str] = (), place: str | None = None
) -> Callable[[T], T]:
    """Decorate a command with filters: all, or `only` some; where another command explains them, help names it."""

    def decorate(command: T) -> T:
        for name in reversed(only or list(choose)):
            flags, attrs = choose[name]
            kind = {} if place is None else explained_by(place)
            command = click.option(*flags, name, **attrs, **kind)(command)  # type: ignore[type-var]
        return command

    return decorate


# --- values -------------------------------------------------------------------------------------------------


def moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a time; a date or an offset that is left out is never made up."""
    from reader.words.clock import parse_moment

    return None if value is None else _parsed(parse_moment, value)


def moment_or_clock(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | time | None:
    """Parse a time, or a time of day alone."""
    from reader.words.clock import parse_clock_or_moment

    return None if value is None else _parsed(parse_clock_or_moment, value)


def _parsed(parse: Callable[[str], T], value: str) -> T:
    from reader.errors import LinecallError

    try:
        return parse(value)
    except LinecallError as error:
        raise click.BadParameter(str(error)) from None


def superseded_by_pages(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """Say that a list's pages are numbered now."""
    if value is not None:
        show.say_problem("--before is an old spelling, which the next release drops; write --page N")
    return value


def ending_in(*suffixes: str) -> Callable[[click.Context, click.Parameter, Path | None], Path | None]:
    """Make a check of a file's name: it must end in one of these, such as `.html`."""

    def check(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
        if value is not None:
            Out("FILE", suffixes).checked(ctx, value)
        return value

    return check


# --- being stopped ------------------------------------------------------------------------------------------


@contextmanager
def saying_what_was_done(told: Callable[[], str]) -> Iterator[None]:
    """Where Ctrl-C comes meanwhile, say in one line what was done and what was not, and leave."""
    try:
        yield
    except KeyboardInterrupt:
        show.say_problem(f"stopped: {told()}")
        raise click.exceptions.Exit(INTERRUPTED) from None


@contextmanager
def saying_what_is_kept(what: str) -> Iterator[None]:
    """Where the logbook cannot be written to after all, say what of the same command is in it already."""
    from reader.errors import OutputError

    try:
        yield
    except OutputError as error:
        raise OutputError(
            f"{what} is in the logbook, so do not enter it again; what follows from it is not yet, and comes with the "
            f"next entry: {error}"
        ) from None


# --- the logbook, and who acts ------------------------------------------------------------------------------


@contextmanager
def opened(where: str | None, photos: str | None, *, read_only: bool = True) -> Iterator["Logbook"]:
    """Open the logbook that the options name, which must exist."""
    from reader.logbook import Logbook

    where = needed_logbook(where)
    with Logbook.open(where, must_exist=True, read_only=read_only, photos=photos) as logbook:
        yield logbook


def needed_logbook(where: str | None) -> str:
    """Where the logbook lies that the options name; raises click.UsageError."""
    if not where:
        raise click.UsageError(
            f"name the logbook with --logbook PATH|URL, or with the variable {LOGBOOK_VARIABLE}"
        )
    return where


def known_name(book: "Logbook", typed: str, role: "Role") -> str:
    """The name of the known person that was typed, as it is written; asks on a terminal about one not known.

    Raises LinecallError, which says what to do, where nobody can be asked or the answer is no.
    """
    from reader.logbook.people import UnknownPersonError, settle

    try:
        return settle(book, typed, role=role).name
    except UnknownPersonError as unknown:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        person = _asked_about(book, unknown.name, unknown.alike, role)
        if person is None:
            raise
        return person.name


def _asked_about(book: "Logbook", name: str, alike: Sequence[str], role: "Role") -> "Person | None":
    from reader.logbook.people import add_person, settle

    click.echo(show.printable(f"{name} is not known in {book.name}."), err=True)
    for other in alike:
        if click.confirm(show.printable(f"Is it {other}?"), default=False, err=True):
            return settle(book, other, role=role)
    if not click.confirm(show.printable(f"Make {name} known, as {role}?"), default=False, err=True):
        return None
    return add_person(book, name, roles=[role], apart_from=alike, at=datetime.now().astimezone())


def needed(flag: str, value: str | None) -> str:
    """The value of a shared option that a command cannot do without; raises click.UsageError."""
    if value is None:
        raise click.UsageError(f"{flag} is missing; {'give your name' if flag == '--by' else 'say why'}")
    return value
