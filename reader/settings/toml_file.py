"""A TOML file read into a model, and every way it can be wrong said in one clear line; a JSON file likewise."""

import json
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from types import UnionType
from typing import Any, Final, Literal, NoReturn, TypeVar, Union, cast, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from reader.errors import SettingsError
from reader.words import did_you_mean, shown

FILE_BYTES_MAX: Final = 64_000  # thirty times the largest bundled file; anything longer is no settings file
LINE_LENGTH_MAX: Final = 2000  # characters; keys of thousands of parts keep the TOML parser busy for minutes
DEPTH_MAX: Final = 8  # of the paths that are located; no model here is deeper
STATEMENT_LINES_MAX: Final = 200  # a longer array or text keeps the line of what stands before it

KeyPath = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """One thing wrong in a file: the field's path, and what follows it in the sentence."""

    path: KeyPath
    text: str


class BrokenFileError(SettingsError):
    """A settings file that says what cannot be; `problems` has a line for each thing wrong."""

    def __init__(self, problems: list[str]) -> None:
        """Take the lines; the first is the error's text."""
        more = len(problems) - 1
        super().__init__(problems[0] + (f" (and {more} more problem{'s' * (more > 1)})" if more else ""))
        self.problems = tuple(problems)


def contradiction(*problems: Problem) -> PydanticCustomError:
    """Error for a validator: fields that are each right but do not go together; paths start at the model."""
    return PydanticCustomError("contradiction", "the fields contradict each other", {"problems": problems})


def read_toml(path: Path, model: type[Model]) -> tuple[Model, bytes]:
    """Read a TOML file into `model`; returns it with the file's bytes.

    Raises SettingsError, its text one line with the file, the line, the field, what was found, what is
    expected and what to do; it is a BrokenFileError, which lists every problem, where the file is TOML.
    """
    data = _read_bytes(path)
    return cast(Model, _parsed(path, data, model)), data


@lru_cache(maxsize=32)
def _parsed(path: Path, data: bytes, model: type[BaseModel]) -> BaseModel:
    """The model of a file's bytes; frozen, so that one serves all who read the same file again."""
    text = _decode(path, data)
    table = _parse(path, text)
    try:
        return model.model_validate(table)
    except ValidationError as error:
        _fail(path, text, list(_problems(model, error.errors(include_url=False))))


def read_json(path: Path, model: type[Model]) -> Model:
    """Read a JSON file into `model`; raises SettingsError as `read_toml` does, but without lines of fields."""
    text = _decode(path, _read_bytes(path))
    try:
        table = json.loads(text)
    except json.JSONDecodeError as error:
        raise SettingsError(f"{path}, line {error.lineno}: not JSON: {error.msg.lower()}") from None
    except (ValueError, RecursionError):
        raise SettingsError(f"{path}: not JSON of a few fields; check the name") from None
    try:
        return model.model_validate(table)
    except ValidationError as error:
        _fail(path, "", list(_problems(model, error.errors(include_url=False))))


def _read_bytes(path: Path) -> bytes:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise SettingsError(f"{path}: is a folder, but a TOML file is needed; name the file in it")
        if not stat.S_ISREG(mode):
            raise SettingsError(f"{path}: is no ordinary file; save the settings to a TOML file first")
        with path.open("rb") as file:
            data = file.read(FILE_BYTES_MAX + 1)
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such file{_neighbour(path)}") from None
    except ValueError:
        raise SettingsError(f"{shown(str(path))}: cannot be read: its name is not a valid one") from None
    except OSError as error:
        raise SettingsError(f"{shown(str(path))}: cannot be read: {error.strerror or error}") from None
    if len(data) > FILE_BYTES_MAX:
        raise SettingsError(
            f"{path}: has more than {FILE_BYTES_MAX // 1000} kB, but settings have a few; check the name"
        )
    return data


def _neighbour(path: Path) -> str:
    try:
        stems = sorted(other.stem for other in path.parent.glob("*.toml"))
    except OSError:
        stems = []
    return did_you_mean(path.stem, stems)


def _decode(path: Path, data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        number = data.count(b"\n", 0, error.start) + 1
        raise SettingsError(
            f"{path}, line {number}: byte 0x{data[error.start]:02X} is not UTF-8; save the file as UTF-8 text"
        ) from None


def _parse(path: Path, text: str) -> dict[str, Any]:
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_LENGTH_MAX:
            found = f"{path}, line {number}: has {len(line)} characters"
            raise SettingsError(f"{found}, but settings need at most {LINE_LENGTH_MAX}; check the name")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError(f"{path}: brackets are nested too deeply for a settings file") from None
    except ValueError as error:  # also numbers of thousands of digits and offsets of more than a day
        message, _, place = str(error).partition(" (at ")
        place = place.rstrip(")").replace("end of document", "at its end")
        where = f"{path}, {place}" if place else f"{path}"
        message = (message[:1].lower() + message[1:]).replace("\n", "\\n")
        raise SettingsError(f"{where}: not TOML: {message[:160]}") from None


def _fail(path: Path, text: str, problems: list[Problem]) -> NoReturn:
    lines = lines_of(text)
    numbered = [(_line(lines, problem.path), problem) for problem in problems]
    numbered.sort(key=lambda pair: pair[0])  # stable: problems on one line keep their order
    raise BrokenFileError(
        [
            f"{path}{f', line {line}' if line else ''}: {f'{dotted(problem.path)} {problem.text}'.strip()}"
            for line, problem in numbered
        ]
    )


def _line(lines: Mapping[KeyPath, int], path: KeyPath) -> int:
    """Line of the field, or else of the table that it stands or should stand in; 0 for the file itself."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 0)


def lines_of(text: str) -> dict[KeyPath, int]:
    """Line number, from 1, of every table and key of a valid TOML text.

    The parser keeps no positions, but it can be asked about one statement at a time: lines are gathered until
    they parse, and what they then hold begins where they began.
    """
    found: dict[KeyPath, int] = {}
    lengths: dict[KeyPath, int] = {}
    table: KeyPath = ()
    statement, start = "", 1
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), start=1):
        statement += line + "\n"
        try:
            parsed = tomllib.loads(statement)
        except (ValueError, RecursionError):
            if number - start >= STATEMENT_LINES_MAX:
                return found
            continue
        if statement.lstrip().startswith("["):
            table = _table_path(parsed, lengths)
            for depth in range(1, len(table) + 1):
                found.setdefault(table[:depth], start)
        else:
            for path in _paths(parsed):
                found.setdefault(table + path, start)
        statement, start = "", number + 1
    return found


def _table_path(header: dict[str, Any], lengths: dict[KeyPath, int]) -> KeyPath:
    """Path of the table that a header such as `[a.b]` or `[[a.b]]` opens; counts the items of `[[...]]`."""
    path: KeyPath = ()
    inside: Any = header
    while inside:
        key, inside = next(iter(inside.items()))
        path += (key,)
        if isinstance(inside, list):
            lengths[path] = lengths.get(path, 0) + 1
            inside = None
        if path in lengths:
            path += (lengths[path] - 1,)
    return path


def _paths(value: Any) -> Iterator[KeyPath]:
    """Every path inside a parsed statement, without recursion, for a hostile file nests deeply."""
    waiting: list[tuple[KeyPath, Any]] = [((), value)]
    while waiting:
        path, inside = waiting.pop()
        if path:
            yield path
        if len(path) >= DEPTH_MAX:
            continue
        if isinstance(inside, dict):
            waiting.extend(((*path, key), item) for key, item in inside.items())
        elif isinstance(inside, list):
            waiting.extend(((*path, index), item) for index, item in enumerate(inside))


def dotted(path: KeyPath) -> str:
    """`window[2].centre[0]`: a path as the sentences write it; counting starts at 0."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return shown(text, quote="")


def _problems(model: type[BaseModel], details: list[ErrorDetails]) -> Iterator[Problem]:
    """Word pydantic's findings; a misspelt key and the key it was meant for are one problem, not two."""
    unknown: dict[KeyPath, list[str]] = {}
    for detail in details:
        if detail["type"] == "extra_forbidden":
            unknown.setdefault(detail["loc"][:-1], []).append(str(detail["loc"][-1]))
    for detail in details:
        path = detail["loc"]
        if detail["type"] == "contradiction":
            for problem in detail["ctx"]["problems"]:
                yield Problem(path=(*path, *problem.path), text=problem.text)
        elif detail["type"] == "missing" and _was_misspelt(str(path[-1]), unknown.get(path[:-1], [])):
            continue
        elif detail["type"] == "too_short" and any(
            inner["loc"][: len(path)] == path != inner["loc"] for inner in details
        ):
            continue  # pydantic counts only the items that are right
        else:
            yield Problem(path=path, text=_worded(model, detail))


def _was_misspelt(key: str, unknown: list[str]) -> bool:
    return any(f'"{key}"' in did_you_mean(other, [key]) for other in unknown)


def _worded(model: type[BaseModel], detail: ErrorDetails) -> str:
    """What was found in a field, what is expected there and what the field is for."""
    path, kind, found, context = detail["loc"], detail["type"], detail["input"], detail.get("ctx", {})
    if kind == "extra_forbidden":
        known = list(_model_at(model, path[:-1]).model_fields)
        return f"is not known here{did_you_mean(str(path[-1]), known) or '; known are ' + ', '.join(known)}"
    purpose = _purpose(model, path)
    if kind == "missing":
        return f"is missing; give {purpose or 'it'}"
    if kind == "literal_error":
        choices = _choices(model, path)
        quoted = " or ".join(f'"{choice}"' for choice in choices)
        return f"is {shown(found)}, but must be {quoted}{did_you_mean(str(found), choices)}"
    if kind in ("string_too_long", "string_too_short", "string_pattern_mismatch"):
        size = f" of {context['max_length']} characters at most" if kind == "string_too_long" else ""
        return f"is {shown(found)}, but must be one line of text{size}: {purpose}"
    limits = {
        "string_type": "must be text in quotes",
        "float_type": "must be a number",
        "int_type": "must be a whole number",
        "int_from_float": "must be a whole number",
        "finite_number": "must be a finite number",
        "greater_than": f"must be more than {context.get('gt')}",
        "greater_than_equal": f"must be at least {context.get('ge')}",
        "less_than": f"must be less than {context.get('lt')}",
        "less_than_equal": f"must be at most {context.get('le')}",
        "tuple_type": "must be a list in square brackets",
        "too_long": f"must have at most {_items(context.get('max_length'))}",
        "too_short": f"must have at least {_items(context.get('min_length'))}",
        "model_type": "must be a table",
    }
    expected = limits.get(kind, detail["msg"])
    return f"is {shown(found)}, but {expected}{f': {purpose}' if purpose else ''}"


def _items(count: object) -> str:
    return "1 item" if count == 1 else f"{count} items"


def _inner(annotation: Any) -> Any:
    """The type inside Annotated, an optional or a tuple of any length."""
    while True:
        origin, inside = get_origin(annotation), get_args(annotation)
        if origin in (Union, UnionType):
            annotation = next(part for part in inside if part is not type(None))
        elif origin is tuple or hasattr(annotation, "__metadata__"):
            annotation = inside[0]
        else:
            return annotation


def _model_at(model: type[BaseModel], path: KeyPath) -> type[BaseModel]:
    for part in path:
        if isinstance(part, str) and part in model.model_fields:
            inner = _inner(model.model_fields[part].annotation)
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                model = inner
    return model


def _purpose(model: type[BaseModel], path: KeyPath) -> str:
    keys = [part for part in path if isinstance(part, str)]
    field = _model_at(model, path[: path.index(keys[-1])]).model_fields.get(keys[-1]) if keys else None
    return field.description or "" if field else ""


def _choices(model: type[BaseModel], path: KeyPath) -> list[str]:
    keys = [part for part in path if isinstance(part, str)]
    field = _model_at(model, path[: path.index(keys[-1])]).model_fields[keys[-1]]
    inner = _inner(field.annotation)
    return [str(choice) for choice in get_args(inner)] if get_origin(inner) is Literal else []
