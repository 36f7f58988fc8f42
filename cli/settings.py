"""`linecall settings`: what holds for a command, and where each value comes from."""

import hashlib
import json
import os
import tomllib
from collections.abc import Sequence
from pathlib import Path

import click

from cli import show
from cli.defaults import KEYS, Held, choices_of
from cli.options import GRADED, WRONG_USAGE, Command
from cli.variables import SETTINGS_VARIABLE, VARIABLES

FILES = {
    "consensus": "consensus",
    "costs": "costs",
    "control": "control",
    "mix": "quiz",
    "policy": "policy",
} | {kind: kind for kind in ("layout", "rules", "thresholds", "texts")}
"""Key -> the kind of settings file that it names."""


@click.command(
    cls=Command,
    shared=("logbook", "where", "layout", "read_by", "as_json"),
    optional=("where",),
    keys=("rules", "thresholds", "texts", "zone", "policy", "consensus", "costs", "control", "mix", "site"),
    short_help="Show what holds, and where each value comes from.",
)
def settings(as_json: bool, **_: object) -> int:
    """Show what holds for every command, and where each value comes from: an option, a variable, or a file's line.

    A site says what holds in one file, linecall.toml, so that nobody has to type it. It is the file that --settings
    names, or the variable LINECALL_SETTINGS, or else linecall.toml beside the logbook, if nobody else may write there;
    linecall never looks for it in the folder where you are, or beside a photo. Every key may be left out:

    \b
    rules = "ours.toml"      # a bundled name or a file, seen from the folder of linecall.toml
    zone = "Europe/Lisbon"
    logbook = "harbour.db"

    An option goes before a variable, a variable before the file. The file never says who reads or decides.

    Exit status: 0; 2 where a file that is named cannot be read.
    """
    choices = choices_of()
    held = list(choices.all())
    named = {one.key: _named(one) for one in held}
    if as_json:
        file = None if choices.file is None else str(choices.file.path)
        rows = [_told(one, named[one.key]) for one in held]
        show.echo_data(json.dumps({"file": file, "settings": rows}, ensure_ascii=False) + "\n")
    else:
        click.echo("\n".join(_lines(held, named)))
        if choices.file is None:
            click.echo(
                f"no file of defaults: none is named, and there is none beside the logbook ({SETTINGS_VARIABLE})"
            )
        click.echo("\nvariables")
        click.echo("\n".join(show.in_columns([(f"  {name}", text) for name, text in VARIABLES.items()])))
    problems = [text for text in named.values() if text.startswith("cannot")]
    return WRONG_USAGE if problems else GRADED


def _lines(held: Sequence[Held], named: dict[str, str]) -> list[str]:
    rows = [("key", "value", "from", "the file says")]
    for one in held:
        source = one.source if one.value else "not said"
        rows.append((one.key, _words(one), one.place or source, named[one.key]))
    return show.in_columns(rows)


def _words(one: Held) -> str:
    if isinstance(one.value, tuple):
        return "; ".join(one.value) or "-"
    return one.value or "-"


def _told(one: Held, named: str) -> dict[str, object]:
    value = list(one.value) if isinstance(one.value, tuple) else one.value
    return {
        "key": one.key,
        "value": value,
        "source": one.source,
        "place": one.place or None,
        "file": named or None,
        "meaning": KEYS[one.key].text,
    }


def _named(one: Held) -> str:
    """What a settings file says it is: name, revision and the beginning of its hash; or why it cannot be read."""
    kind = FILES.get(one.key)
    if kind is None or not isinstance(one.value, str) or (kind == "layout" and one.value == "auto"):
        return ""
    from reader.errors import SettingsError
    from reader.files.plain import read_plain
    from reader.settings.values import settings_path

    try:
        data = read_plain(Path(settings_path(kind, one.value)), limit=1_000_000)
        table = tomllib.loads(data.decode("utf-8-sig"))
    except SettingsError as error:
        return f"cannot be read: {error}"
    except OSError as error:
        return f"cannot be read: {error.strerror or os.strerror(error.errno or 0)}"
    except (ValueError, RecursionError):
        return "cannot be read: it is no TOML file"
    if not isinstance(table.get(kind), str):
        return f"cannot be used: it is no {kind} file"
    return f"{table[kind]} revision {table.get('revision')}, SHA-256 {hashlib.sha256(data).hexdigest()[:12]}"
