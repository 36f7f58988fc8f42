"""The logbook for others: a table, its events as JSON lines, and one zip that proves itself on another machine.

The zip holds all events, because the chain is the proof, and the photos and verdicts of the readings asked for.
"""

import hashlib
import json
import re
import stat
import zipfile
import zlib
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, fields, replace
from datetime import datetime
from functools import partial
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import IO, Any, Final

from reader.errors import LinecallError
from reader.files.csv_cells import BOM, safe_cell
from reader.files.damage import kept
from reader.files.plain import open_plain
from reader.logbook.chain import Chain, ChainBrokenError, Report, Seal, parse_seal
from reader.logbook.chains import ChainHead, short
from reader.logbook.events import (
    EVENT_BYTES_MAX,
    GENESIS,
    NUMBER_BITS,
    NUMBER_MAX,
    Event,
    from_line,
    load_event,
    to_line,
)
from reader.logbook.kept_settings import KIND as SETTINGS
from reader.logbook.kept_settings import kept_files
from reader.logbook.store import Logbook, ReadingRow, parse_verdict
from reader.logbook.take_in import Incoming
from reader.photo.strip_metadata import MetadataError, without_metadata
from reader.run.jobs import PICTURE_SUFFIXES
from reader.verdict.model import to_bytes
from reader.words import counted
from reader.words.ids import ID_PATTERN

FORMAT: Final = 4
"""Of the zip; one of a later format is refused. 2 holds settings files, and may hold photos without metadata; 3 is a
station's backup, which holds what lay beside the logbook, too; 4 holds the chains of other logbooks that were merged
into it. A zip is of the lowest that it needs."""
WITHOUT_BESIDE: Final = 2
WITH_BESIDE: Final = 3
BESIDE: Final = "beside/"
"""Before the names of those files in the zip, which are their paths beside a new logbook."""
OWN: Final = "station"
"""The folder among them that stands for a station's own, whose name has the logbook's in it."""
PATH_MAX: Final = 200  # characters
PIECE: Final = 1 << 20  # bytes read at a time
PAGE: Final = 500  # rows fetched at a time
RATIO_MAX: Final = 250  # unpacked to packed; the hashes in events keep them below 100
MANIFEST_BYTES_MAX: Final = 100_000_000  # a list of some millions of ids
PACKED: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
ENCRYPTED: Final = 1  # bit of a member's flags (APPNOTE.TXT 4.4.4)
STAMP: Final = (1980, 1, 1, 0, 0, 0)  # of the zip's members: the same logbook gives the same bytes

DAMAGED: Final = (
    zipfile.BadZipFile,  # its directory, a header, or a member's checksum
    zlib.error,  # a member's packed bytes
    EOFError,  # a member that ends too soon
    NotImplementedError,  # zipfile's own word where a header asks for a later version, patches or strong encryption
    UnicodeDecodeError,  # a name that is not in the encoding it claims
)
"""What the standard library's zip reader raises for a file that is damaged; our own mistakes are not among them."""

CSV_COLUMNS: Final = (*(field.name for field in fields(ReadingRow) if field.name != "rank"), "waiting")

PHOTO: Final = re.compile(r"photos/([0-9a-f]{64})(\.[a-z]{3,4})?")
_VERDICT: Final = re.compile(rf"verdicts/({ID_PATTERN})(\.first)?\.verdict\.json")
_SETTINGS: Final = re.compile(r"settings/([0-9a-f]{64})\.toml")
_CHAIN: Final = re.compile(r"chains/([0-9a-f]{64})\.jsonl")
OWN_EVENTS: Final = "events.jsonl"
_FIXED: Final = ("README.txt", "export.json", OWN_EVENTS)


def csv_lines(rows: Iterator[ReadingRow], chains: Mapping[int, str] | None = None) -> Iterator[str]:
    """A table of readings as CSV (RFC 4180), a line each, the names of the columns first, after a byte order mark.

    A cell that a spreadsheet would compute gets an apostrophe in front. chains : ids of the chains that are held, by
    slot; where there are others than the own one, a last column tells them, and numbers are those in their chains.
    """
    import csv
    from io import StringIO

    text = StringIO()
    table = csv.writer(text, lineterminator="\r\n")

    def line(cells: Sequence[object]) -> str:
        text.seek(0)
        text.truncate()
        table.writerow([_harmless(cell) for cell in cells])
        return text.getvalue()

    columns = (*CSV_COLUMNS, "chain") if chains else CSV_COLUMNS
    yield BOM + line(columns)
    for row in rows:
        values = {name: getattr(row, name) for name in CSV_COLUMNS[:-1]} | {"waiting": row.rank is not None}
        if chains:
            values["chain"] = chains[row.seq >> NUMBER_BITS]
            values |= {name: values[name] & NUMBER_MAX for name in ("seq", "last_seq")}
        yield line([values[name] for name in columns])


def _harmless(cell: object) -> object:
    if isinstance(cell, datetime):
        return cell.isoformat(timespec="seconds")
    if isinstance(cell, tuple):
        cell = "; ".join(cell)
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    return safe_cell(cell)


def all_rows(logbook: Logbook, *, before: int | None = None, **filters: Any) -> Iterator[ReadingRow]:
    """Rows of all readings that `Logbook.readings` chooses, the newest first, fetched page by page."""
    while page := logbook.readings(limit=PAGE, before=before, **filters):
        yield from page
        before = page[-1].seq


def event_lines(logbook: Logbook) -> Iterator[str]:
    """Events as canonical JSON with their hashes, one a line; one chain after the other, the own one first."""
    own = logbook.own_head()
    for head in () if own is None else (own, *logbook.heads()):
        yield from _chain_lines(logbook, head)


def _chain_lines(logbook: Logbook, head: ChainHead) -> Iterator[str]:
    for digest, body in logbook.chain_bodies(head.id, until=head.seq):
        yield to_line(digest, body) + "\n"


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """What a zip holds: readings, and the hashes of photos whose metadata could not be taken out, and that it lacks."""

    readings: int
    left_out: tuple[str, ...] = ()


def write_zip(
    logbook: Logbook,
    file: IO[bytes],
    *,
    ids: Sequence[str] = (),
    at: datetime,
    strip_metadata: bool = False,
    beside: Mapping[str, bytes] | None = None,
    left_out: Sequence[str] = (),
) -> Written:
    """Write the zip for a third party, with the photos and verdicts of readings `ids`, or of all.

    beside : what lies beside the logbook, by its path there, for a backup of a station; left_out : what does too and
    is not in it, a line each. strip_metadata : photos without what the camera wrote beside the pixels; the manifest
    has both hashes. Raises LinecallError for an unknown id, an empty logbook, or anything altered in it.
    """
    stripped: dict[str, str] = {}
    lacking: list[str] = []
    seal = logbook.seal(at=at)  # what others write from here on is not in the export
    own = logbook.own_head()
    assert own is not None, "a logbook with a seal holds an event"
    heads = logbook.heads_at(seal.seq)
    chosen = list(dict.fromkeys(ids)) or logbook.reading_ids(seal.seq)
    written: set[str] = set()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        photos, proof = (STRIPPEDPHOTOS, STRIPPED_PROOF) if strip_metadata else (WHOLEPHOTOS, WHOLE_PROOF)
        photos = photos.format(readings=counted(len(chosen), "reading")).rstrip()
        readme = README_OF_CHAINS if heads else README
        archive.writestr(_member("README.txt"), readme.format(seal=seal, photos=photos, proof=proof))
        files = [
            (OWN_EVENTS, replace(own, seq=seal.seq)),
            *((f"chains/{head.id}.jsonl", head) for head in heads),
        ]
        for name, head in files:
            with archive.open(_member(name), "w", force_zip64=True) as member:
                for line in _chain_lines(logbook, head):
                    member.write(line.encode("utf-8"))
        for digest, kept in kept_files(_settings_events(logbook, seal.seq, heads)).items():
            archive.writestr(_member(f"settings/{digest}.toml"), kept.data)
        for id in chosen:
            stored = logbook.reading(id, last=seal.seq)
            for photo in stored.photos:
                if photo.sha256 not in written:
                    written.add(photo.sha256)
                    data, digest = logbook.photo_bytes(photo.sha256), photo.sha256
                    if strip_metadata:
                        try:
                            data = without_metadata(data)
                        except MetadataError:
                            lacking.append(digest)
                            continue
                        stripped[photo.sha256] = digest = hashlib.sha256(data).hexdigest()
                        if digest in written:  # of two originals that differ beside the pixels only
                            continue
                        written.add(digest)
                    name = f"photos/{digest}{_suffix(photo.name)}"
                    archive.writestr(_member(name), data, zipfile.ZIP_STORED)
            archive.writestr(_member(f"verdicts/{id}.verdict.json"), to_bytes(stored.current))
            if stored.current != stored.first:
                archive.writestr(_member(f"verdicts/{id}.first.verdict.json"), to_bytes(stored.first))
        manifest: dict[str, Any] = {
            "format": FORMAT if heads else WITHOUT_BESIDE if beside is None else WITH_BESIDE,
            "at": at.isoformat(timespec="seconds"),
            "seal": str(seal),
            "readings": chosen,
        }
        if heads:
            manifest["heads"] = [{"chain": head.id, "seq": head.seq, "hash": head.hash} for head in heads]
        if strip_metadata:
            manifest |= {"stripped": stripped, "left_out": lacking}
        if beside is not None:
            hashes = {name: hashlib.sha256(data).hexdigest() for name, data in beside.items()}
            manifest |= {"beside": hashes, "not_beside": list(left_out)}
            for name, data in beside.items():
                archive.writestr(_member(BESIDE + name), data)
        archive.writestr(_member("export.json"), json.dumps(manifest, indent=1) + "\n")
    return Written(readings=len(chosen), left_out=tuple(lacking))


def _settings_events(logbook: Logbook, last: int, heads: Sequence[ChainHead]) -> list[Event]:
    held: dict[str | None, int] = {None: last} | {head.id: head.seq for head in heads}
    found = logbook.site_events(SETTINGS, everywhere=True)
    return [event for event in found if event.number <= held.get(event.chain, 0)]


def _member(name: str) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, STAMP)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = (stat.S_IFREG | 0o644) << 16
    return info


def _suffix(name: str) -> str:
    suffix = PurePath(name).suffix.lower()
    return suffix if suffix in PICTURE_SUFFIXES else ""


# --- checking a zip


def verify_zip(
    path: Path, *, seals: Sequence[Seal] = (), progress: Callable[[int], None] | None = None
) -> Report:
    """Check a zip that `write_zip` wrote: every chain, its photos and verdicts. No photo is unpacked to the disk.

    Where there are several chains, their events are for a while, in a folder of one's own: together they tell verdicts.
    Raises LinecallError if the file is no such zip, or one made to do harm.
    """
    with kept(f"{path}: this export"):
        try:
            with _opened(path) as archive:
                members = _checked_members(path, archive)
                return _Checker(path, archive, members).run([*seals, _sealed(path, archive)], progress)
        except FileNotFoundError:
            raise LinecallError(f"{path}: there is no such file") from None
        except OSError as error:
            raise LinecallError(f"{path}: cannot be read ({error.strerror or error})") from error
        except DAMAGED as error:
            raise LinecallError(f"{path}: is no whole zip ({error}); get it again") from error


def _opened(path: Path) -> zipfile.ZipFile:
    """The zip with its directory read. Raises one of DAMAGED, or OSError."""
    try:
        with open_plain(path):
            return zipfile.ZipFile(path)
    except UnicodeDecodeError:
        raise
    except ValueError as error:  # its directory is said to lie where no file can be read
        raise zipfile.BadZipFile(str(error)) from error


def _checked_members(path: Path, archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """Members by name. Raises LinecallError for any that an export does not have."""
    members: dict[str, zipfile.ZipInfo] = {}
    size = path.stat().st_size
    packed = 0
    for info in archive.infolist():
        shown = repr(info.orig_filename)[:80]
        kind = stat.S_IFMT(info.external_attr >> 16)
        known = (
            info.filename in _FIXED
            or PHOTO.fullmatch(info.filename)
            or _VERDICT.fullmatch(info.filename)
            or _SETTINGS.fullmatch(info.filename)
            or _is_beside(info.filename)
            or _CHAIN.fullmatch(info.filename)
        )
        if not known or info.orig_filename != info.filename:
            raise _hostile(path, f"{shown} is no file that an export has")
        if kind not in {0, stat.S_IFREG} or info.flag_bits & ENCRYPTED:
            raise _hostile(path, f"{shown} is no plain file")
        if info.compress_type not in PACKED:
            raise _hostile(path, f"{shown} is packed as no export is")
        if info.header_offset >= size:
            raise _hostile(path, f"{shown} lies beyond the file's end")
        if info.filename in members:
            raise _hostile(path, f"{shown} is in it twice")
        packed += info.compress_size
        if packed > size or info.file_size > RATIO_MAX * (info.compress_size + 1000):
            raise _hostile(path, f"{shown} would unpack to far more than it can hold")
        members[info.filename] = info
    for name in _FIXED:
        if name not in members:
            raise LinecallError(f"{path}: is no export of a logbook: {name} is missing")
    return members


def _is_beside(member: str) -> bool:
    """Whether this is a file beside the logbook, by a path that leads nowhere else on any system."""
    name = member.removeprefix(BESIDE)
    parts = name.split("/")
    return (
        name != member
        and len(name) <= PATH_MAX
        and name.isprintable()
        and not set(name) & set('\\:*?"<>|')
        and all(part.strip(" .") for part in parts)
    )


def _hostile(path: Path, what: str) -> LinecallError:
    return LinecallError(f"{path}: refused: {what}; it was not made by linecall logbook export")


def _manifest(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    info = archive.getinfo("export.json")
    if info.file_size > MANIFEST_BYTES_MAX:
        raise _hostile(path, "export.json is far too long")
    try:
        manifest = json.loads(archive.read(info))
        version, readings = manifest["format"], manifest["readings"]
        lists = (readings, manifest.get("not_beside", []))
        if (
            type(version) is int
            and all(isinstance(one, list) for one in lists)
            and isinstance(manifest["seal"], str)
        ):
            if version > FORMAT:
                raise LinecallError(
                    f"{path}: is an export of format {version}, but this linecall knows up to {FORMAT}; update linecall"
                )
            return dict(manifest)
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    raise LinecallError(f"{path}: export.json is not what an export has; get the file again")


def _sealed(path: Path, archive: zipfile.ZipFile) -> Seal:
    return parse_seal(_manifest(path, archive)["seal"])


class _Checker:
    """Walks along the events of a zip and looks up what each one names."""

    def __init__(self, path: Path, archive: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> None:
        self._archive = archive
        manifest = _manifest(path, archive)
        self._included = set(map(str, manifest["readings"]))
        self._stripped: dict[str, str] = dict(
            manifest.get("stripped", {})
        )  # hash of an original -> of its picture
        self._lacking = frozenset(map(str, manifest.get("left_out", ())))
        self._photos = {found[1]: name for name in members if (found := PHOTO.fullmatch(name))}
        self._settings = {found[1]: name for name in members if (found := _SETTINGS.fullmatch(name))}
        self._kept: set[str] = set()  # hashes of the settings files that events hold
        self._beside = {name.removeprefix(BESIDE) for name in members if _is_beside(name)}
        self._beside_hashes: dict[str, str] = dict(manifest.get("beside", {}))
        self._verdicts = {name for name in members if _VERDICT.fullmatch(name)}
        self._chains = {found[1]: name for name in members if (found := _CHAIN.fullmatch(name))}
        self._heads = {
            str(head["chain"]): (int(head["seq"]), str(head["hash"])) for head in manifest.get("heads", ())
        }
        self._path = path
        self._expected: dict[
            str, str
        ] = {}  # name of a verdict's file -> hash of the bytes that the events give it
        self._named: set[str] = set()
        self._seen: set[str] = set()
        self._n_photos = self._left_out = 0

    def run(self, seals: Sequence[Seal], progress: Callable[[int], None] | None) -> Report:
        chain, found, bad_chain = Chain(), None, None
        n_others, notes = 0, []
        seals = self._own_seals(seals)
        try:
            for line in self._lines(chain, OWN_EVENTS):
                self._follow(chain, line, seals)
                if progress is not None and chain.seq % 100 == 0:
                    progress(chain.seq)
            chain.finish()
            _check_seals(chain, seals)
            for bad_chain, name in sorted(self._chains.items()):
                other = self._follow_other(bad_chain, name, progress, chain.seq + n_others)
                n_others += other.seq
                notes += [f"chain {short(bad_chain)}: {note}" for note in other.notes()]
            bad_chain = None
            self._check_end(chain)
        except ChainBrokenError as broken:
            found = broken
        if progress is not None:
            progress(chain.seq + n_others)
        return Report(
            chains=1 + len(self._chains),
            bad_chain=bad_chain if found else None,
            events=chain.seq + n_others,
            head=chain.head,
            readings=len(self._seen),
            photos=self._n_photos,
            photos_left_out=self._left_out,
            first_bad=found.seq if found else None,
            problem=found.problem if found else None,
            notes=(*chain.notes(), *notes, *self._photo_notes()),
        )

    def _photo_notes(self) -> Iterator[str]:
        if self._stripped:
            verb = "photo is" if len(self._stripped) == 1 else "photos are"
            yield (
                f"NOT PROVED: {len(self._stripped)} {verb} without the camera's metadata, so not the very file that "
                "was read; that its pixels are the same, whoever has the original can check (export --strip-metadata)"
            )
        if self._lacking:
            yield f"photos left out, as their metadata could not be taken out: {', '.join(sorted(self._lacking))}"

    def _own_seals(self, seals: Sequence[Seal]) -> list[Seal]:
        """Those that no event of another chain answers to."""
        theirs = set()
        for name in self._chains.values():
            for seq, (digest, _) in enumerate(chain_lines(self._archive, name), 1) if seals else ():
                theirs.add((seq, digest) if any(seal.seq == seq for seal in seals) else None)
        return [seal for seal in seals if (seal.seq, seal.hash) not in theirs]

    def _follow_other(self, id: str, name: str, progress: Callable[[int], None] | None, before: int) -> Chain:
        """Walk along another logbook's chain. Raises ChainBrokenError."""
        chain = Chain()
        try:
            for line in self._lines(chain, name):
                self._follow(chain, line, ())
                if chain.seq == 1 and chain.head != id:
                    raise ChainBrokenError(1, "its first event is not the one that it is named by")
                if progress is not None and chain.seq % 100 == 0:
                    progress(before + chain.seq)
            chain.finish()
            if self._heads.get(id) != (chain.seq, chain.head):
                raise ChainBrokenError(
                    chain.seq, f"ends at event {chain.seq}, which export.json does not say"
                )
        except ChainBrokenError as broken:
            raise ChainBrokenError(broken.seq, f"chain {short(id)}: {broken.problem}") from None
        return chain

    def _lines(self, chain: Chain, name: str) -> Iterator[bytes]:
        with self._archive.open(name) as file:
            while line := file.readline(EVENT_BYTES_MAX + 200):
                if not line.endswith(b"\n"):
                    raise ChainBrokenError(chain.seq + 1, f"event {chain.seq + 1}: its line has no end")
                yield line[:-1]

    def _follow(self, chain: Chain, line: bytes, seals: Sequence[Seal]) -> None:
        due = chain.seq + 1
        try:
            parts = from_line(line.decode("utf-8"))
            if parts is None:
                raise ValueError("no event")
            event = json.loads(parts[1])
            seq, id, reading, payload = event["seq"], event["id"], event["reading"], event["payload"]
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise ChainBrokenError(due, f"event {due}: its line is no event ({error})") from error
        chain.follow(seq, id, reading, parts[0], parts[1].encode("utf-8"))
        for seal in seals:
            if seal.seq == seq and seal.hash != parts[0]:
                raise ChainBrokenError(seq, f"event {seq} is not the one that was sealed: {seal}")
        try:
            if event["kind"] == "reading":
                self._seen.add(id)
                for photo in payload["photos"]:
                    self._check_photo(seq, id, str(photo["sha256"]))
            if event["kind"] == SETTINGS:
                for file in payload["files"]:
                    self._check_settings(seq, str(file["sha256"]), str(file["text"]))
            if event["kind"] in {"reading", "review"} and "verdict" in payload:
                self._expect_verdict(str(reading), payload["verdict"], first=event["kind"] == "reading")
        except (KeyError, TypeError, LinecallError) as error:
            raise ChainBrokenError(
                seq, f"event {seq}: it holds no whole {event['kind']} ({error})"
            ) from error

    def _check_photo(self, seq: int, id: str, digest: str) -> None:
        held = self._stripped.get(digest, digest)
        name = self._photos.get(held)
        self._named.add(held)
        if name is None:
            if id in self._included and digest not in self._lacking:
                raise ChainBrokenError(seq, f"event {seq}: photo {digest} is missing")
            self._left_out += 1
            return
        with self._archive.open(name) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        if found != held:
            raise ChainBrokenError(seq, f"event {seq}: photo {digest} has been altered")
        self._n_photos += held == digest  # of one without its metadata no event says what it should be

    def _check_settings(self, seq: int, digest: str, text: str) -> None:
        """Hold a settings file's bytes, in the event and in a file of their own, against their hash."""
        self._kept.add(digest)
        name = self._settings.get(digest)
        if name is None:
            raise ChainBrokenError(seq, f"event {seq}: settings file {digest} is missing")
        with self._archive.open(name) as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        if {found, hashlib.sha256(text.encode("utf-8")).hexdigest()} != {digest}:
            raise ChainBrokenError(seq, f"event {seq}: settings file {digest} has been altered")

    def _expect_verdict(self, reading: str, value: object, *, first: bool) -> None:
        if self._chains or reading not in self._included:
            return
        digest = hashlib.sha256(to_bytes(parse_verdict(value))).hexdigest()
        current, original = f"verdicts/{reading}.verdict.json", f"verdicts/{reading}.first.verdict.json"
        if first:
            self._expected[current] = digest
        elif digest != self._expected[current]:
            self._expected.setdefault(original, self._expected[current])
            self._expected[current] = digest

    def _expect_verdicts_of_all(self, last: int) -> None:
        """What the verdicts' files hold where several chains tell it: worked out in a logbook for the time being."""
        with TemporaryDirectory(prefix="linecall-") as folder, Logbook.open(Path(folder, "log.db")) as book:
            try:
                own, *others = heads_of_zip(self._archive)
                events, rest = chain_lines(self._archive, own.member), incoming_of_zip(self._archive, others)
                book.take_over(events, rest, without_photos=True)
                for id in self._included:
                    stored = book.reading(id)
                    current, first = to_bytes(stored.current), to_bytes(stored.first)
                    self._expected[f"verdicts/{id}.verdict.json"] = hashlib.sha256(current).hexdigest()
                    if stored.current != stored.first:
                        self._expected[f"verdicts/{id}.first.verdict.json"] = hashlib.sha256(
                            first
                        ).hexdigest()
            except LinecallError as error:
                raise ChainBrokenError(last, str(error).removeprefix(f"{book.name}: ")) from error

    def _check_end(self, chain: Chain) -> None:
        last = chain.seq
        if set(self._heads) != set(self._chains):
            raise ChainBrokenError(last, "the files in chains/ are not those that export.json names")
        unknown = self._included - self._seen
        if unknown:
            raise ChainBrokenError(
                last, f"export.json names the reading {min(unknown)!r}, which no event began"
            )
        if self._chains:
            self._expect_verdicts_of_all(last)
        for name in sorted(self._verdicts | set(self._expected)):
            if name not in self._verdicts or name not in self._expected:
                raise ChainBrokenError(
                    last, f"{name} is {'missing' if name in self._expected else 'of no event'}"
                )
            with self._archive.open(name) as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != self._expected[name]:  # type: ignore[arg-type]
                    raise ChainBrokenError(last, f"{name} is not what the events say")
        self._check_beside(last)
        unnamed = set(self._settings) - self._kept
        if unnamed:
            raise ChainBrokenError(last, f"settings file {min(unnamed)} is one that no event holds")
        stray = set(self._photos) - self._named
        if stray:
            raise ChainBrokenError(last, f"photo {min(stray)} is one that no event names")

    def _check_beside(self, last: int) -> None:
        """Hold the files beside the logbook against the list of their hashes: it shows damage, and proves no author."""
        for name in sorted(self._beside | set(self._beside_hashes)):
            if name not in self._beside or name not in self._beside_hashes:
                raise ChainBrokenError(
                    last, f"{BESIDE}{name} is {'not listed' if name in self._beside else 'missing'}"
                )
            with self._archive.open(BESIDE + name) as file:
                if hashlib.file_digest(file, "sha256").hexdigest() != self._beside_hashes[name]:  # type: ignore[arg-type]
                    raise ChainBrokenError(last, f"{BESIDE}{name} is damaged")


def _check_seals(chain: Chain, seals: Sequence[Seal]) -> None:
    last = chain.seq
    for seal in seals:
        if seal.seq > last:
            raise ChainBrokenError(
                last + 1,
                f"event {last + 1} and what followed is missing: event {seal.seq} was sealed: {seal}",
            )


# --- the chains in a zip, which was checked


@dataclass(frozen=True, kw_only=True, slots=True)
class HeadOfZip:
    """A chain in a zip, and the member that holds its events."""

    head: ChainHead
    member: str


def heads_of_zip(archive: zipfile.ZipFile) -> list[HeadOfZip]:
    """The chains of a zip, its logbook's own first."""
    manifest = json.loads(archive.read("export.json"))
    seal = parse_seal(manifest["seal"])
    ends = [(OWN_EVENTS, seal.seq, seal.hash)]
    ends += [(f"chains/{one['chain']}.jsonl", one["seq"], one["hash"]) for one in manifest.get("heads", ())]
    found = []
    for member, seq, digest in ends:
        with closing(chain_lines(archive, member)) as lines:
            id, body = next(lines)
        begun = load_event(1, id, body)
        head = ChainHead(id=id, seq=seq, hash=digest, begun_by=begun.by, begun_at=begun.at)
        found.append(HeadOfZip(head=head, member=member))
    return found


def chain_lines(archive: zipfile.ZipFile, member: str) -> Generator[tuple[str, str], None, None]:
    """(hash, body) of a chain's events, in order."""
    with archive.open(member) as file:
        while line := file.readline(EVENT_BYTES_MAX + 200):
            parts = from_line(line.decode("utf-8").rstrip("\n"))
            if parts is None:
                raise LinecallError(f"{member}: a line is no event")
            yield parts


def incoming_of_zip(archive: zipfile.ZipFile, heads: Sequence[HeadOfZip]) -> list[Incoming]:
    """Whole chains of a zip, for a logbook that has none of them."""
    return [
        Incoming(head=one.head, since=0, previous=GENESIS, bodies=partial(chain_lines, archive, one.member))
        for one in heads
    ]


def photo_names(archive: zipfile.ZipFile) -> dict[str, str]:
    """Members that hold photos, by the photos' hashes."""
    return {found[1]: name for name in archive.namelist() if (found := PHOTO.fullmatch(name))}


WHOLE_PROOF: Final = "that each photo is the one that was read"
STRIPPED_PROOF: Final = "not that a photo here is the one that was read, for which its original must be seen"
WHOLEPHOTOS: Final = """\
the original photos of {readings}, byte for byte, named by the SHA-256 of their bytes; they carry
                  what the phone wrote into them, often the position and the phone's serial number
"""
STRIPPEDPHOTOS: Final = """\
the photos of {readings} without what the phone wrote beside the pixels, named by the SHA-256 of
                  their bytes; export.json has that hash beside the original's, which the events name
"""

_README: Final = """\
EXPORT OF A LINECALL LOGBOOK

This file holds readings of test plates from photos, and the proof that nothing about them was changed afterwards.

  events.jsonl    every event of the logbook, one a line, in order: readings, reviews, corrections
CHAINS  photos/         {photos}
  settings/       the rules, thresholds, layouts, texts and policies that were used, byte for byte, by their SHA-256
  verdicts/       what was read from them, as it stands; <id>.first.verdict.json: before reviewers decided
  export.json     which readings' photos are in here, and the seal of the whole
  beside/         in a station's backup alone: the site's file and others; the seal proves nothing of these

To check all of it, on any machine that has linecall:

  linecall logbook verify FILE.zip

If somebody gave you a seal earlier (one line, from linecall logbook seal), check against it, too:

  linecall logbook verify FILE.zip --seal "THAT LINE"

The seal of this export, which you should compare with one that reached you by another way:

  {seal}

To check without linecall: each line of events.jsonl is JSON in the canonical form of RFC 8785. Take the field
"hash" out of the line, as text, with the comma after it; the SHA-256 of what is left, in UTF-8, is that hash. The
field "previous" is the hash of the line before it (64 zeros on the first), "seq" counts from 1 without a gap. In
Python, in the folder that this file was unpacked into:

  import hashlib, json, pathlib
CHECK  for kept in [*pathlib.Path("photos").iterdir(), *pathlib.Path("settings").glob("*")]:
      assert hashlib.sha256(kept.read_bytes()).hexdigest() == kept.name[:64], kept
  print("all hold; the last event is", previous)

WHAT THIS PROVES, AND WHAT NOT

That no event before the seal was changed, taken out, put in or moved, and {proof}.
Not that the photo shows the tank it is said to show, that a clock was right, or that the person who typed a name
bears it. Whoever kept the logbook could have written all of it anew before the first seal left their hands: only a
seal that somebody else holds dates it. A screening plate does not certify fuel.
"""

_CHECK: Final = """\
  previous = "0" * 64
  for seq, line in enumerate(open("events.jsonl", encoding="utf-8", newline="\\n"), 1):
      event = json.loads(line)
      body = line.rstrip("\\n").replace('"hash":"' + event["hash"] + '",', "", 1)
      assert hashlib.sha256(body.encode()).hexdigest() == event["hash"], seq
      assert (event["previous"], event["seq"]) == (previous, seq), seq
      previous = event["hash"]
"""
_CHECK_OF_CHAINS: Final = """\
  heads, merged = {{}}, {{}}
  for path in [*pathlib.Path("chains").iterdir(), pathlib.Path("events.jsonl")]:
      previous = "0" * 64
      for seq, line in enumerate(open(path, encoding="utf-8", newline="\\n"), 1):
          event = json.loads(line)
          body = line.rstrip("\\n").replace('"hash":"' + event["hash"] + '",', "", 1)
          assert hashlib.sha256(body.encode()).hexdigest() == event["hash"], (path, seq)
          assert (event["previous"], event["seq"]) == (previous, seq), (path, seq)
          assert seq > 1 or path.stem in ("events", event["hash"]), path
          previous = heads[path.stem] = event["hash"]
          if event["kind"] == "merge" and path.stem == "events":
              merged.update({{head["chain"]: head["hash"] for head in event["payload"]["chains"]}})
  assert merged == {{stem: head for stem, head in heads.items() if stem != "events"}}
"""
_CHAINS: Final = """\
  chains/         the same of each logbook that was merged into this one, in a file that its first event's hash names;
                  the events of kind "merge" in events.jsonl name the last event of each
"""
README: Final = _README.replace("CHECK", _CHECK).replace("CHAINS", "")
README_OF_CHAINS: Final = _README.replace("CHECK", _CHECK_OF_CHAINS).replace("CHAINS", _CHAINS)
