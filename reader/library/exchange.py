"""A library as a folder that anybody can read: photos, strips, one tidy table, JSON lines, and what it all is.

Nothing is lost: a library made of the folder gives the same folder again. The table is for people and other
programs; what is read back is the JSON lines, photos, strips and settings, each checked by its hash. The charts of
control strips go with the whole library, and not with some of its examples.
"""

import csv
import hashlib
import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from io import TextIOWrapper
from pathlib import Path
from typing import IO, Any, Final

from pydantic import ValidationError

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.csv_cells import BOM, safe_cell
from reader.files.damage import kept
from reader.files.output import new_folder
from reader.files.plain import read_plain, sha256_of
from reader.library.control.rules import ControlRules
from reader.library.control.strip import Baseline, ControlPoint
from reader.library.errors import LibraryError
from reader.library.examples import Example, ExamplePhoto, Grading, flat_calls
from reader.library.files import COMPUTED_BY
from reader.library.filters import EVERYTHING, Filters
from reader.library.store import Library
from reader.library.tidy import MarkRow
from reader.photo.strip_metadata import without_metadata
from reader.run.progress import Watch, unwatched
from reader.verdict.model import load_verdict

FORMAT: Final = 2
"""Of the folder; a later one is refused. Only photos without metadata need more than 1."""
LINE_BYTES_MAX: Final = (
    8_000_000  # of one example with its verdict and gradings; a usual one has about 30,000
)

TABLE: Final = "marks.csv"
EXAMPLES: Final = "examples.jsonl"
CONTROL: Final = "control.jsonl"
"""Only where the library has a control chart."""
SETTINGS: Final = "settings.json"
STRIPPED: Final = "stripped.json"
"""Hash of each original photo and of the picture that stands for it; only where metadata was taken out."""
DATA_SHEET: Final = "DATASHEET.md"
DATA_SHEET_TEXT: Final = DATA / "exchange" / "datasheet.md"
HASHES: Final = "SHA256SUMS"
"""Of every other file, as `sha256sum --check` reads them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Exported:
    """What was written: examples, gradings, and photos and strips that were gone and are missing."""

    folder: Path
    examples: int
    gradings: int
    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Imported:
    """What was read: examples that were new, gradings that were, and what the library computes by otherwise.

    control : photos of control strips that were new.
    """

    examples: int
    known: int
    gradings: int
    other_settings: tuple[str, ...]
    control: int = 0


# --- out --------------------------------------------------------------------------------------------------------


def export(
    library: Library,
    folder: Path,
    filters: Filters = EVERYTHING,
    *,
    watch: Watch = unwatched,
    strip_metadata: bool = False,
) -> Exported:
    """Write the examples into a new folder, all of it or nothing.

    strip_metadata : photos without what the camera wrote beside the pixels, with both hashes in `stripped.json`.
    A photo or strips that are gone are left out and named; the example itself is not. Raises OutputError if the
    folder is there or cannot be written.
    """
    with new_folder(folder) as part:
        exported = _write(library, part, filters, watch, _Photos(library, strip=strip_metadata))
    return Exported(
        folder=folder, examples=exported.examples, gradings=exported.gradings, missing=exported.missing
    )


class _Photos:
    """Photos on their way out, as they are or without their metadata; `stripped` has both hashes."""

    def __init__(self, library: Library, *, strip: bool) -> None:
        self._library = library
        self.stripped: dict[str, str] | None = {} if strip else None

    def bytes(self, sha256: str) -> bytes:
        """A photo's bytes. Raises LinecallError if it is gone or its metadata cannot be taken out."""
        data = self._library.pictures.photo_bytes(sha256)
        if self.stripped is not None:
            data = without_metadata(data)
            self.stripped[sha256] = hashlib.sha256(data).hexdigest()
        return data


def _write(library: Library, folder: Path, filters: Filters, watch: Watch, photos: _Photos) -> Exported:
    hashes = _Hashes(folder)
    n = n_gradings = 0
    missing: list[str] = []
    with hashes.file(EXAMPLES) as lines:
        for row in watch(library.examples(filters, oldest_first=True), library.count(filters), "exporting"):
            example, gradings = library.example(row.id), library.gradings(row.id)
            lines.write(example_line(library, example))
            for sha256, name, read in (
                (example.photo.sha256, photo_name(example), photos.bytes),
                (example.strips_sha256, f"strips/{example.id}.png", library.pictures.strips_bytes),
            ):
                if sha256 is None:
                    continue
                try:
                    data = read(sha256)
                except LinecallError:
                    missing.append(name)
                    continue
                with hashes.file(name) as file:
                    file.write(data)
            n, n_gradings = n + 1, n_gradings + len(gradings)
    with hashes.file(TABLE) as file:
        write_table(library, file, filters)
    if filters == EVERYTHING:
        missing += _write_control(library, hashes, photos)
    if photos.stripped is not None:
        with hashes.file(STRIPPED) as file:
            file.write(_json(photos.stripped, indent=1) + b"\n")
    in_use = library.settings.in_use()
    files = []
    for kind, name, sha256, data in library.settings.kept_files():
        path = f"settings/{kind}-{sha256[:12]}.toml"
        files.append(
            {"kind": kind, "name": name, "sha256": sha256, "file": path, "in_use": in_use.get(kind) == sha256}
        )
        with hashes.file(path) as file:
            file.write(data)
    with hashes.file(SETTINGS) as file:
        version = 1 if photos.stripped is None else FORMAT
        file.write(_json({"linecall_library": version, "files": files}, indent=1) + b"\n")
    with hashes.file(DATA_SHEET) as file:
        file.write(
            _data_sheet(library, filters, n, n_gradings, missing, stripped=photos.stripped is not None)
        )
    hashes.write()
    return Exported(folder=folder, examples=n, gradings=n_gradings, missing=tuple(missing))


def _write_control(library: Library, hashes: "_Hashes", photos: _Photos) -> list[str]:
    """Write the control charts, if there are any, and their photos; returns the photos that are gone."""
    records = list(library.control.records())
    missing: list[str] = []
    if not records:
        return missing
    with hashes.file(CONTROL) as lines:
        for record in records:
            whole = record.model_dump(mode="json")
            if isinstance(record, ControlPoint):
                name = _control_photo(record)
                try:
                    data = photos.bytes(record.photo.sha256)
                except LinecallError:
                    missing.append(name)
                else:
                    with hashes.file(name) as file:
                        file.write(data)
                whole |= {
                    "photo_file": name,
                    "verdict": json.loads(library.control.verdict_bytes(record.id)),
                }
            lines.write(_json(whole) + b"\n")
    return missing


def _control_photo(point: ControlPoint) -> str:
    return f"control/{point.id}{_suffix(point.photo)}"


def write_table(library: Library, file: IO[bytes], filters: Filters = EVERYTHING) -> None:
    """The tidy table as CSV (RFC 4180, UTF-8 with its mark): a row for each mark and every grading that calls it."""
    text = TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    text.write(BOM)
    table = csv.writer(text, lineterminator="\r\n")
    names = [field.name for field in fields(MarkRow)]
    table.writerow(names)
    for row in library.tidy.marks(filters, every_grading=True):
        table.writerow([_cell(getattr(row, name)) for name in names])
    text.flush()
    text.detach()


def _cell(value: object) -> object:
    return "" if value is None else safe_cell(value)


def photo_name(example: Example) -> str:
    """Where an example's photo lies in the folder: under its id, with the suffix that it came with."""
    return f"photos/{example.id}{_suffix(example.photo)}"


def _suffix(photo: ExamplePhoto) -> str:
    """The suffix that a photo came with, if it is a plain one."""
    suffix = Path(photo.name).suffix.lower()
    return suffix if suffix[1:].isalnum() and suffix.isascii() else ""


def example_line(library: Library, example: Example) -> bytes:
    """An example with all that is known of it, as one line of JSON; what is computed is told, and not read back."""
    agreed, gradings = library.agreed(example.id), library.gradings(example.id)
    whole = example.model_dump(mode="json", exclude={"verdict_json"})
    whole |= {
        "photo_file": photo_name(example),
        "verdict": json.loads(example.verdict_json),
        "gradings": [grading.model_dump(mode="json", exclude={"example"}) for grading in gradings],
        "computed": {
            "grade": library.row(example.id).grade,
            "consensus": [
                {
                    "window": window,
                    "mark": mark,
                    "call": one.call,
                    "reason": one.reason,
                    "disputed": one.disputed,
                }
                for (window, mark), one in agreed.items()
            ],
        },
    }
    return _json(whole) + b"\n"


def _json(value: object, *, indent: int | None = None) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent).encode("utf-8")


class _Hashes:
    """Files as they are written, and the list of their hashes."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._found: dict[str, str] = {}

    @contextmanager
    def file(self, name: str) -> Iterator[IO[bytes]]:
        """File to write, complete on the disk when this ends."""
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        with path.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        self._found[name] = sha256_of(path)

    def write(self) -> None:
        """Write the list."""
        lines = (f"{digest}  {name}\n" for name, digest in sorted(self._found.items()))
        (self._folder / HASHES).write_bytes("".join(lines).encode("utf-8"))


_AS_ADDED: Final = (
    "the photos as they were added, byte for byte. They carry what the camera wrote into them, often position and\n"
    "  serial number (`linecall library export --strip-metadata` takes it out)."
)
_STRIPPED_OUT: Final = (
    "the photos without what the camera wrote beside the pixels. `stripped.json` has the hash of each original and of\n"
    "  the file here. A library that imports this folder keeps strips, measurements and calls, and not these photos."
)


def _data_sheet(
    library: Library, filters: Filters, n: int, n_gradings: int, missing: Sequence[str], *, stripped: bool
) -> bytes:
    """What the folder is, in words that need nothing else."""
    standard = library.settings.standard()
    rule, rules, limits = standard.consensus, standard.rules, standard.strength
    sums: Counter[tuple[str, str]] = Counter()
    classes: Counter[str] = Counter()
    for layout, light, _, by_class in library.class_counts(filters):
        classes.update(by_class)
        sums["layout", layout] += sum(by_class.values())
        sums["light", light] += sum(by_class.values())
    chosen = {
        name: getattr(filters, name)
        for name in Filters.__slots__
        if getattr(filters, name) not in (None, False)
    }
    versions = sorted(
        {library.example(row.id).verdict.software.version for row in library.examples(filters, limit=200)}
    )
    counted = "\n".join(
        [f"| contrast class | {name} | {count} |" for name, count in classes.items()]
        + [f"| {kind} | {name} | {count} |" for (kind, name), count in sorted(sums.items())]
    )
    lacking = "".join(f"- {name}\n" for name in missing) or "None.\n"
    return (
        DATA_SHEET_TEXT.read_text(encoding="utf-8")
        .format(
            photos=_STRIPPED_OUT if stripped else _AS_ADDED,
            examples=n,
            gradings=n_gradings,
            chosen="all of the library" if not chosen else f"those of the library that fit {chosen}",
            counted=counted,
            consensus=f"{rule.name}, revision {rule.revision} ({rule.title})",
            rules=f"{rules.name}, revision {rules.revision}",
            classes=f"{limits.name}, revision {limits.revision}",
            versions=", ".join(versions) or "none",
            missing=lacking,
        )
        .encode("utf-8")
    )


# --- in ---------------------------------------------------------------------------------------------------------


def import_folder(
    library: Library, folder: Path, *, checked: Mapping[str, str] | None = None, watch: Watch = unwatched
) -> Imported:
    """Read an exported folder into a library, a new one or one that has examples.

    Every file is checked before anything is kept. An example whose photo is in the library is that one: only
    gradings that are new are added. A library without examples computes by the folder's settings from then on; one
    that has some keeps its own. Raises LinecallError that names the file and line.
    """
    listed = check_folder(folder) if checked is None else checked
    settings = _settings(folder)
    control = _read_control(folder / CONTROL) if CONTROL in listed else []
    fresh = library.count() == 0
    others = []
    for one in settings:
        data = read_plain(folder / one["file"], within=folder)
        if one["kind"] == "layout":
            library.settings.keep_layout(data)
        elif one["kind"] == ControlRules.kind:
            library.control.keep_rules(data)
        elif one["in_use"] and fresh:
            library.settings.compute_by(one["kind"], data)
        elif one["in_use"] and library.settings.in_use().get(one["kind"]) != one["sha256"]:
            others.append(f"{one['kind']} {one['name']}")
    stripped = _stripped(folder, listed)
    n_control = _import_control(library, folder, control, listed, stripped)
    n = known = n_gradings = 0
    for number, example, gradings in watch(
        read_examples(folder / EXAMPLES), sum(name.startswith("photos/") for name in listed), "importing"
    ):
        there = library.by_photo(example.photo.sha256)
        try:
            if there is not None:
                known += 1
                n_gradings += library.add_gradings(
                    there, [grading.model_copy(update={"example": there}) for grading in gradings]
                )
            else:
                _keep_files(library, folder, example, listed, stripped)
                library.add(example, gradings)
                n, n_gradings = n + 1, n_gradings + len(gradings)
        except LibraryError as error:
            raise LibraryError(
                f"{folder / EXAMPLES}, line {number}: {error}; the examples before it are in the library"
            ) from error
    return Imported(
        examples=n, known=known, gradings=n_gradings, other_settings=tuple(others), control=n_control
    )


def _read_control(path: Path) -> list[Baseline | tuple[ControlPoint, bytes]]:
    """What an exported folder says of control charts. Raises LinecallError."""
    found: list[Baseline | tuple[ControlPoint, bytes]] = []
    with path.open("rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(LINE_BYTES_MAX), b""), start=1):
            try:
                whole = json.loads(line)
                if "verdict" not in whole:
                    found.append(Baseline(**whole))
                    continue
                whole.pop("photo_file", None)
                verdict = _verdict_line(whole.pop("verdict"))
                found.append((ControlPoint(**whole), verdict))
            except ValidationError as error:
                raise LinecallError(f"{path}, line {number}, {_first_problem(error)}") from None
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise LinecallError(
                    f"{path}, line {number}: is no part of a control chart ({error})"
                ) from None
    return found


def _import_control(
    library: Library,
    folder: Path,
    records: Sequence[Baseline | tuple[ControlPoint, bytes]],
    listed: Mapping[str, str],
    stripped: Mapping[str, str],
) -> int:
    """Add control charts, or the points that are new; returns how many these are."""
    if not records:
        return 0
    for record in records:
        if isinstance(record, Baseline):
            continue
        point, name = record[0], _control_photo(record[0])
        if name in listed and listed[name] != stripped.get(point.photo.sha256):
            if listed[name] != point.photo.sha256:
                raise LibraryError(f"{folder / name}: is not the photo that its point names")
            library.pictures.keep_photo(read_plain(folder / name, within=folder))
    return library.control.put(records)


def check_folder(folder: Path) -> Mapping[str, str]:
    """Hashes of an exported folder's files, all of which are there as written. Raises LinecallError."""
    path = folder / HASHES
    try:
        lines = read_plain(path, within=folder).decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise LinecallError(f"{folder}: is no exported library: {HASHES} cannot be read") from None
    listed: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        digest, gap, name = line.partition("  ")
        safe = name and not Path(name).is_absolute() and ".." not in Path(name).parts
        if len(digest) != 64 or not gap or not safe:
            raise LinecallError(f"{path}, line {number}: is no hash and file of an exported library")
        listed[name] = digest
    for name in (EXAMPLES, SETTINGS):
        if name not in listed:
            raise LinecallError(f"{path}: does not list {name}, so this is no exported library")
    for name, digest in listed.items():
        try:
            found = sha256_of(folder / name, within=folder)
        except OSError as error:
            raise LinecallError(
                f"{folder / name}: cannot be read ({error.strerror or error}); copy the exported folder anew"
            ) from None
        if found != digest:
            raise LinecallError(
                f"{folder / name}: has been changed since it was exported; copy the exported folder anew"
            )
    return listed


def _settings(folder: Path) -> list[dict[str, Any]]:
    path = folder / SETTINGS
    try:
        found = json.loads(read_plain(path, limit=LINE_BYTES_MAX, within=folder))
        version, files = found["linecall_library"], found["files"]
        settings = [{name: kind(one[name]) for name, kind in _SETTING.items()} for one in files]
    except (ValueError, KeyError, TypeError):
        raise LinecallError(f"{path}: is not what an exported library holds") from None
    if not isinstance(version, int) or version > FORMAT:
        raise LinecallError(
            f"{folder}: is an exported library of format {version}, but this linecall knows up to {FORMAT}; "
            "update linecall"
        )
    for one in settings:
        if one["kind"] not in ("layout", ControlRules.kind, *COMPUTED_BY) or Path(one["file"]).parent != Path(
            "settings"
        ):
            raise LinecallError(f"{path}: names {one['file']!r}, which is no settings file of a library")
    return settings


_SETTING: Final[dict[str, type]] = {"kind": str, "name": str, "sha256": str, "file": str, "in_use": bool}


def read_examples(path: Path) -> Iterator[tuple[int, Example, list[Grading]]]:
    """Line, example and gradings of an exported file, one at a time. Raises LinecallError."""
    with path.open("rb") as file:
        for number, line in enumerate(iter(lambda: file.readline(LINE_BYTES_MAX), b""), start=1):
            try:
                whole = json.loads(line)
                whole.pop("computed", None)
                whole.pop("photo_file", None)
                verdict = _verdict_line(whole.pop("verdict"))
                gradings = whole.pop("gradings")
                example = Example(**whole, verdict_json=verdict)
                made = [
                    Grading(**{**one, "calls": flat_calls(one["calls"])}, example=example.id)
                    for one in gradings
                ]
            except ValidationError as error:
                raise LinecallError(f"{path}, line {number}, {_first_problem(error)}") from None
            except (ValueError, KeyError, TypeError, AttributeError) as error:
                raise LinecallError(f"{path}, line {number}: is no example ({error})") from None
            yield number, example, made


def _verdict_line(verdict: object) -> bytes:
    """A verdict as one line, as the library keeps it. Raises LinecallError if it is none."""
    data = (json.dumps(verdict, ensure_ascii=False, separators=(", ", ": ")) + "\n").encode("utf-8")
    load_verdict(data)
    return data


def _first_problem(error: ValidationError) -> str:
    details = error.errors(include_url=False)[0]
    return f"field {'.'.join(map(str, details['loc']))}: {details['msg']}"


def _stripped(folder: Path, listed: Mapping[str, str]) -> Mapping[str, str]:
    """Hash of each original whose picture in the folder is without metadata, and that picture's."""
    if STRIPPED not in listed:
        return {}
    with kept(str(folder / STRIPPED)):
        found = json.loads(read_plain(folder / STRIPPED, within=folder))
        return {str(original): str(picture) for original, picture in found.items()}


def _keep_files(
    library: Library,
    folder: Path,
    example: Example,
    listed: Mapping[str, str],
    stripped: Mapping[str, str],
) -> None:
    """Keep the photo and strips that the folder has.

    A photo that was gone when it was exported is gone still, and so is one that is here without its metadata only.
    """
    for name, digest, keep in (
        (photo_name(example), example.photo.sha256, library.pictures.keep_photo),
        (f"strips/{example.id}.png", example.strips_sha256, library.pictures.keep_strips),
    ):
        if name in listed:
            if digest is not None and listed[name] == stripped.get(digest):
                continue
            if listed[name] != digest:
                raise LibraryError(f"{name} is not the one that the example names")
            keep(read_plain(folder / name, within=folder))
