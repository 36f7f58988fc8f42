"""README and the guide as documents: their fenced blocks, their tables of fields, and a way to run what they show.

`python -m tests.documents` writes the tables of fields anew from the models' descriptions.
"""

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from glob import glob
from pathlib import Path
from typing import Literal, get_args, get_origin

from click.testing import CliRunner
from pydantic import BaseModel

from cli.main import main
from cli.variables import VARIABLES
from reader.guide.topics import FOLDER
from reader.settings import defaults, values
from reader.verdict import model
from reader.words import listed

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
DOCUMENTS = (README, *sorted(FOLDER.glob("*.md")))

# --- blocks -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """A fenced block: its language, its lines, the number of its first line in the file."""

    language: str
    lines: tuple[str, ...]
    number: int


def blocks(text: str) -> Iterator[Block]:
    """Fenced blocks of a document, in order."""
    language, begin = "", 0
    inside: list[str] | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.startswith("```"):
            if inside is not None:
                inside.append(line)
        elif inside is None:
            language, inside, begin = line[3:].strip(), [], number + 1
        else:
            yield Block(language=language, lines=tuple(inside), number=begin)
            inside = None
    assert inside is None, "a fenced block has no end"


# --- running ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Done:
    """What a command printed, standard error included, and its exit status."""

    status: int
    output: str


def run_line(line: str) -> Done:
    """Run one line of a shell block in the present folder: linecall in this process, Python in its own."""
    words = [one for word in shlex.split(line, comments=True) for one in _expanded(word)]
    if words[0] == "export":
        for name, _, value in (word.partition("=") for word in words[1:]):
            os.environ[name] = value
        return Done(status=0, output="")
    words, target = (words[:-2], words[-1]) if words[-2:-1] == [">"] else (words, None)
    if words[0] == "python":
        done = subprocess.run(
            [sys.executable, *words[1:]], capture_output=True, text=True, check=False, env=_with_root()
        )
        return Done(status=done.returncode, output=done.stdout + done.stderr)
    assert words[0] == "linecall", f"{line!r} is no command of ours"
    result = CliRunner().invoke(main, words[1:])
    if target:
        Path(target).write_bytes(result.stdout_bytes)
    return Done(status=result.exit_code, output=result.output)


def _expanded(word: str) -> list[str]:
    """The files that a pattern with * stands for, as a shell gives them."""
    return (sorted(glob(word)) if "*" in word else []) or [word]


def _with_root() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)}


@contextmanager
def fresh_folder(place: Path) -> Iterator[Path]:
    """A folder with the demo photos and nothing else, and an environment without our variables."""
    place.mkdir()
    shutil.copytree(ROOT / "demo_images", place / "demo_images")
    before, folder = dict(os.environ), Path.cwd()
    for name in [name for name in os.environ if name.startswith("LINECALL_")]:
        del os.environ[name]
    os.environ["COLUMNS"] = "80"
    os.chdir(place)
    try:
        yield place
    finally:
        os.chdir(folder)
        os.environ.clear()
        os.environ.update(before)


# --- output -------------------------------------------------------------------------------------------------

MOMENT = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?([+-]\d\d:?\d\d)?|\(\d+ (min|h)\)")


def missing_from(shown: Sequence[str], output: str) -> list[str]:
    """Lines of a shown output that a real one lacks: columns are compared by their words, moments not at all."""
    real = [_plain(line) for line in output.splitlines()]
    return [line for line in shown if line.strip() not in {"", "..."} and not _found(_plain(line), real)]


def _found(line: str, real: Sequence[str]) -> bool:
    return any(line in one for one in real)


def _plain(line: str) -> str:
    return " ".join(MOMENT.sub("MOMENT", line).split())


# --- tables of fields ---------------------------------------------------------------------------------------

_TABLE = re.compile(r"(<!-- fields: (\w+)(?:, bundled (\w+))? -->\n)(.*?)(<!-- end -->)", re.DOTALL)
_VARIABLES = re.compile(
    r"(<!-- variables -->\n\n\| variable \| what it says \|\n\| --- \| --- \|\n).*?(\n<!-- end -->)",
    re.DOTALL,
)
_ROW = re.compile(r"\| `(\w+)` \|(?: (?:-|`[^`]*`) \|)? (.*) \|")


def model_named(name: str) -> type[BaseModel]:
    """A model of the settings files or of the verdict."""
    found = next(vars(module)[name] for module in (values, defaults, model) if name in vars(module))
    assert isinstance(found, type)
    assert issubclass(found, BaseModel)
    return found


def with_tables(text: str) -> str:
    """A document with its tables of fields written from the models; a field without description keeps its words."""

    def table(match: re.Match[str]) -> str:
        begin, name, bundled, body, end = match.groups()
        return f"{begin}{_table(name, bundled, dict(_ROW.findall(body)))}{end}"

    variables = "".join(f"| `{name}` | {words} |\n" for name, words in VARIABLES.items())
    text = _VARIABLES.sub(lambda match: f"{match[1]}{variables}{match[2]}", text)
    return _TABLE.sub(table, text)


def _table(name: str, bundled: str | None, written: dict[str, str]) -> str:
    values_of = getattr(values, f"load_{name.lower()}")(bundled) if bundled else None
    lines = [
        "\n| field | bundled | meaning |\n| --- | --- | --- |"
        if bundled
        else "\n| field | meaning |\n| --- | --- |"
    ]
    for field, info in model_named(name).model_fields.items():
        meaning = info.description or written.get(field, "?")
        chosen = _choices(info.annotation)
        meaning += f" ({listed([f'`{one}`' for one in chosen], 'or')})" if chosen and info.description else ""
        if info.description and not info.is_required() and name in vars(values):
            meaning += "; may be left out"
        held = getattr(values_of, field, None)
        value = f" {'-' if held is None else f'`{held}`'} |" if bundled else ""
        lines.append(f"| `{field}` |{value} {meaning} |")
    return "\n".join(lines) + "\n\n"


def _choices(annotation: object) -> list[str]:
    """The words that a field may have, where it has a fixed set."""
    if get_origin(annotation) is Literal:
        return [str(one) for one in get_args(annotation)]
    return [one for part in get_args(annotation) for one in _choices(part)]


def answers_for(library: Path) -> None:
    """Write the file of answers that a quiz's page would save, by the newest key of a library."""
    from reader.library.quiz.records import Key
    from tests.reader.library.quiz.quiz_library import answers_of

    newest = max((library / "quizzes").glob("*.key.json"), key=lambda path: path.stat().st_mtime_ns)
    key = Key.model_validate_json(newest.read_bytes())
    Path("answers-ID.json").write_text(json.dumps(answers_of(key)), encoding="utf-8")


if __name__ == "__main__":
    for path in DOCUMENTS:
        path.write_text(with_tables(path.read_text(encoding="utf-8")), encoding="utf-8")
