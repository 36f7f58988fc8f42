"""Photos and logbook readings into the library: measured in many processes, compared, and kept one by one."""

import hashlib
from collections import Counter
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal

from reader.errors import LinecallError
from reader.files.plain import read_plain, sha256_of
from reader.library.examples import UNSTATED, Example, ExamplePhoto, GraderRole, Grading
from reader.library.labels import Labels, LabelsError, PhotoLabels
from reader.library.look import Alike, Looks, look_of
from reader.library.measuring import Measured, PhotoJob, measure
from reader.library.store import Library
from reader.library.strips import load_strips
from reader.logbook import Logbook
from reader.logbook.export import all_rows
from reader.review.record import decisions_on, find_reading
from reader.run.batch import Outcome, read_many
from reader.run.hand_out import Hands, Here, in_order
from reader.settings.read_settings import ReadSettings
from reader.verdict.model import SettingsRecord, Verdict, to_bytes
from reader.words import Call, counted, did_you_mean
from reader.words.ids import new_id

OF_READING: Final = "logbook reading "  # before the reading's id, where an example came from

Fate = Literal["added", "graded", "known", "alike", "refused", "failed"]
FATES: Final[dict[Fate, str]] = {
    "added": "added",
    "graded": "there already, graded anew",
    "known": "there already",
    "alike": "held back, for it looks like a photo that is there",
    "refused": "refused",
    "failed": "failed",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """A photo that may become an example, and what is known of it besides.

    data : the file's bytes where it lies in a logbook; `path` is then only its name. labels : of a label file.
    gradings : drafts of the review decisions on a logbook's reading; their example is filled in.
    """

    path: Path
    origin: str
    data: bytes | None = None
    plate: str | None = None
    labels: PhotoLabels | None = None
    gradings: tuple[Grading, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Added:
    """What became of one photo: `example` is the one that it is now, or was taken to be; gradings counts new ones.

    like : another example, whose marks are as high, of a photo whose plate nobody named: it may show the same plate.
    """

    photo: str
    fate: Fate
    example: str | None = None
    gradings: int = 0
    sentence: str = ""
    like: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class AddOrder:
    """How photos are added.

    light : of photos of which no label says it. keep_alike : add what looks like a photo that is there, as
    another example of its plate. dry_run : read and compare everything, and write nothing.
    """

    settings: ReadSettings
    layout_files: Mapping[str, str | Path]
    at: datetime
    light: str = UNSTATED
    keep_alike: bool = False
    dry_run: bool = False
    labels: Labels | None = None


def layout_files(settings: ReadSettings, layout: str | Path) -> dict[str, str | Path]:
    """The file of each layout that photos are read by, by its hash; layout : as `load_settings` takes it."""
    return {one.sha256: layout if settings.layout_named else one.name for one in settings.layouts}


def match_labels(photos: Sequence[Path], labels: Labels | None, library: Library | None) -> list[Source]:
    """Find the photo that each label names: among those given, else among the library's.

    Raises LabelsError for a label whose photo is not there, or that fits two photos.
    """
    if labels is None:
        return [Source(path=photo, origin="photo") for photo in photos]
    by_name: dict[str, list[Path]] = {}
    for photo in photos:
        by_name.setdefault(photo.name, []).append(photo)
    found: dict[Path, PhotoLabels] = {}
    problems = []
    for label in labels.photos.values():
        wanted = Path(label.photo)
        fits = [
            path for path in by_name.get(wanted.name, ()) if path.parts[-len(wanted.parts) :] == wanted.parts
        ]
        where = labels.place(label.row, "photo")
        if len(fits) > 1:
            problems.append(
                f"{where} is {label.photo!r}, but there are two photos of that name, {fits[0]} and {fits[1]}; "
                "write it with its folder, or rename one"
            )
        elif fits:
            other = found.setdefault(fits[0], label)
            if other is not label:
                problems.append(f"{where} names {fits[0]}, as row {other.row} does with {other.photo!r}")
        else:
            try:
                _in_library(library, label)
            except LinecallError as error:
                guess = did_you_mean(wanted.name, list(by_name))
                problems.append(
                    f"{where} is {label.photo!r}, but no such photo was given{guess}; and {error}"
                )
    if problems:
        raise LabelsError(problems)
    return [Source(path=photo, origin="photo", labels=found.get(photo)) for photo in photos]


def grade_known(library: Library, photos: Sequence[Path], order: AddOrder) -> Iterator[Added]:
    """Add labels of photos that were not given but are in the library."""
    labels = order.labels
    given = {photo.name for photo in photos}
    for label in labels.photos.values() if labels else ():
        if Path(label.photo).name in given:
            continue
        id = _in_library(library, label)
        yield _add_gradings(library, id, Source(path=Path(label.photo), origin="photo", labels=label), order)


def _in_library(library: Library | None, label: PhotoLabels) -> str:
    """The id of the example that a label names. Raises LinecallError."""
    if library is None:
        raise LinecallError("there is no library yet that could have it")
    return library.find(label.photo)


def sources_of_readings(logbook: Logbook, readings: Sequence[str], *, role: GraderRole) -> Iterator[Source]:
    """The photos of logbook readings, with their review decisions as gradings.

    readings : ids; all that stand if there are none. role : of those who decided. Refused readings and ones that
    were superseded are left out unless they are named.
    """
    for id in readings or _standing(logbook):
        stored = find_reading(logbook, id)
        made: dict[tuple[str, datetime, bool], dict[Any, Call]] = {}
        for decision in decisions_on(stored):
            made.setdefault((decision.by, decision.at, decision.blind), {})[decision.key] = decision.call
        gradings = tuple(
            Grading(
                example="0" * 8,
                grader=by,
                role=role,
                at=at,
                calls=calls,
                blind=blind,
                source=f"review of reading {stored.id}",
            )
            for (by, at, blind), calls in made.items()
        )
        for photo in stored.photos:
            yield Source(
                path=Path(photo.name),
                origin=f"{OF_READING}{stored.id}",
                data=logbook.photo_bytes(photo.sha256),
                plate=stored.id,
                gradings=gradings,
            )


def _standing(logbook: Logbook) -> Iterator[str]:
    return (row.id for row in all_rows(logbook, status="read", standing=True))


def add_sources(
    library: Library | None, sources: Sequence[Source], order: AddOrder, hands: Hands | None = None
) -> Generator[Added, None, None]:
    """Add photos; yields what became of each, in order. library None: there is none yet, in a dry run.
    hands : who reads the photos; this process, unless others are named.

    A photo whose bytes are in the library is not read again, only graded. One that looks like one that is there
    is held back, unless `keep_alike`. Nothing of a photo with a wrong label is kept.
    """
    with ExitStack() as stack:
        adding = _Adding(library, order)
        planned = [adding.plan(source) for source in sources]
        jobs = [
            PhotoJob(photo=source.path, verdict_path=source.path, image_path=source.path, data=source.data)
            for source, early in zip(sources, planned, strict=True)
            if early is None
        ]
        work = partial(measure, settings=order.settings)
        outcomes = in_order(stack.enter_context(closing(read_many(jobs, work, hands or Here()))))
        for source, early in zip(sources, planned, strict=True):
            yield adding.again(source, early) if early is not None else adding.take(source, next(outcomes))


class _Adding:
    """What was added so far in this run, beside the library."""

    def __init__(self, library: Library | None, order: AddOrder) -> None:
        self._library = library
        self._order = order
        self._ids: dict[str, str] = {}  # by the photo's hash, of this run
        self._first: dict[str, Path] = {}
        self._looks: dict[tuple[str, int], Looks] = {}
        self._plates: dict[str, _Plate] = {}  # by the example's id
        self._kept_layouts: set[str] = set()

    def plan(self, source: Source) -> str | None:
        """The hash of a photo that need not be read, for its bytes are there or come earlier in this run."""
        digest = _sha256(source)
        if digest is None:
            return None
        known = self._library.by_photo(digest) if self._library else None
        if known is not None:
            self._ids[digest] = known
            return digest
        if digest in self._first:
            return digest
        self._first[digest] = source.path
        return None

    def again(self, source: Source, digest: str) -> Added:
        """A photo whose bytes are there, or came earlier in this run."""
        id = self._ids.get(digest)
        if id is None:
            return Added(
                photo=str(source.path),
                fate="known",
                sentence=f"the same file as {self._first[digest]}, which is not in the library",
            )
        if self._library is None or not self._library.has(id):  # a dry run has added it only in thought
            return Added(
                photo=str(source.path), fate="known", sentence=f"the same file as {self._first[digest]}"
            )
        return _add_gradings(self._library, id, source, self._order)

    def take(self, source: Source, outcome: Outcome) -> Added:
        """A photo that has been read."""
        photo, verdict = str(source.path), outcome.verdict
        if outcome.problem or verdict is None:
            return Added(photo=photo, fate="failed", sentence=outcome.problem or "was not read")
        if verdict.status == "refused":
            return Added(photo=photo, fate="refused", sentence=f"{verdict.reason}; {verdict.remedy}")
        try:
            return self._take(source, outcome, verdict)
        except LinecallError as error:
            return Added(photo=photo, fate="failed", sentence=str(error))

    def _take(self, source: Source, outcome: Outcome, verdict: Verdict) -> Added:
        order, labels = self._order, source.labels
        if order.labels is not None and labels is not None:
            problems = order.labels.problems_with(labels, verdict)
            if problems:
                raise LabelsError(problems)
        assert isinstance(outcome, Measured), "a photo that was read has its strips"
        picture = outcome.strips
        kept = load_strips(picture, verdict.windows)
        look = look_of(verdict, list(kept.values()))
        looks = self._looks_of(verdict)
        alike = self._alike(source, looks, look)
        if alike is not None and alike.same_photo and not order.keep_alike:
            return Added(
                photo=str(source.path),
                fate="alike",
                example=alike.id,
                sentence=f"looks like {alike.photo}, example {alike.id}, saved otherwise; "
                "--keep-alike adds it all the same",
            )
        id = self._free_id()
        assert verdict.photo.sha256 is not None, "a photo that was read has a hash"
        example = Example(
            id=id,
            photo=ExamplePhoto(name=source.path.name, sha256=verdict.photo.sha256),
            plate=self._plate(source, alike) or id,
            layout=_record(verdict),
            verdict_json=to_bytes(verdict, one_line=True),
            strips_sha256=hashlib.sha256(picture).hexdigest(),
            look=look,
            light=(labels and labels.light) or order.light,
            defects=labels.defects if labels else (),
            source=source.origin,
            added_at=order.at,
        )
        gradings = _gradings(source, id, order)
        if self._library is not None and not order.dry_run:
            self._keep(self._library, example, gradings, source, picture)
        self._ids[example.photo.sha256] = id
        self._plates[id] = _Plate.of(id, example.plate, example.source)
        looks.add(id, example.photo.name, look)
        return Added(
            photo=str(source.path),
            fate="added",
            example=id,
            gradings=len(gradings),
            like=None if alike is None or alike.same_photo else alike.id,
        )

    def _keep(
        self, library: Library, example: Example, gradings: Sequence[Grading], source: Source, picture: bytes
    ) -> None:
        """Photo and strips first, so that no example lacks them."""
        try:
            data = read_plain(source.path) if source.data is None else source.data
        except OSError as error:
            raise LinecallError(
                f"{source.path}: cannot be read ({error.strerror or error}); add it again"
            ) from error
        if hashlib.sha256(data).hexdigest() != example.photo.sha256:
            raise LinecallError(f"{source.path}: has changed while it was read; add it again")
        if example.layout.sha256 not in self._kept_layouts:
            library.settings.keep_layout(self._order.layout_files[example.layout.sha256])
            self._kept_layouts.add(example.layout.sha256)
        library.pictures.keep_photo(data)
        library.pictures.keep_strips(picture)
        library.add(example, gradings)

    def _alike(self, source: Source, looks: Looks, look: str) -> Alike | None:
        """The photo that this one is, saved otherwise; else one that may be of its plate, if nobody named that.

        Where people named both plates and the names differ, the photos do too, whatever they look like.
        """
        named = source.labels.plate if source.labels is not None else None
        for one in looks.alike(look):
            if not one.same_photo and (named is not None or source.plate is not None):
                return None
            if named is None or self._plate_of(one.id).named in {None, named}:
                return one
        return None

    def _plate(self, source: Source, alike: Alike | None) -> str | None:
        """What is said of the plate; or that of the same photo, saved otherwise."""
        if source.labels is not None and source.labels.plate is not None:
            return source.labels.plate
        if source.plate is not None:
            return source.plate
        return self._plate_of(alike.id).id if alike is not None and alike.same_photo else None

    def _plate_of(self, id: str) -> "_Plate":
        if id not in self._plates:
            assert self._library is not None, "what was not added in this run is in the library"
            row = self._library.row(id)
            self._plates[id] = _Plate.of(id, row.plate, row.source)
        return self._plates[id]

    def _looks_of(self, verdict: Verdict) -> Looks:
        layout = _record(verdict).name
        n_marks = 2 * len(verdict.windows)
        if (layout, n_marks) not in self._looks:
            known = self._library.looks(layout) if self._library else []
            self._looks[layout, n_marks] = Looks(n_marks, known)
        return self._looks[layout, n_marks]

    def _free_id(self) -> str:
        while True:
            id = new_id()
            if id not in self._plates and (self._library is None or not self._library.has(id)):
                return id


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plate:
    """An example's plate, and its name if people gave it one: else it has the example's id, or its reading's."""

    id: str
    named: str | None

    @classmethod
    def of(cls, example: str, plate: str, source: str) -> "_Plate":
        unnamed = plate == example or source == f"{OF_READING}{plate}"
        return cls(id=plate, named=None if unnamed else plate)


def _record(verdict: Verdict) -> SettingsRecord:
    assert verdict.layout is not None, "a plate that was read has a layout"
    layout = verdict.layout
    return SettingsRecord(name=layout.name, revision=layout.revision, sha256=layout.sha256)


def _gradings(source: Source, example: str, order: AddOrder) -> list[Grading]:
    """What people called on a photo: in the label file, and in the reviews of its reading."""
    found = [grading.model_copy(update={"example": example}) for grading in source.gradings]
    if order.labels is not None and source.labels is not None:
        found += [drafted.grading(example, order.labels.source) for drafted in source.labels.drafted]
    return found


def _add_gradings(library: Library, id: str, source: Source, order: AddOrder) -> Added:
    """Add what is new of gradings and descriptions to an example that is there."""
    photo, labels = str(source.path), source.labels
    try:
        if order.labels is not None and labels is not None:
            problems = order.labels.problems_with(labels, library.example(id).verdict)
            if problems:
                raise LabelsError(problems)
        gradings = _gradings(source, id, order)
        if order.dry_run:
            n, changed = library.count_new(id, gradings), False
        else:
            n = library.add_gradings(id, gradings)
            changed = labels is not None and library.describe(
                id, light=labels.light, defects=labels.defects, plate=labels.plate
            )
    except LinecallError as error:
        return Added(photo=photo, fate="failed", example=id, sentence=str(error))
    fate: Fate = "graded" if n or changed else "known"
    return Added(photo=photo, fate=fate, example=id, gradings=n, sentence=f"is example {id}")


def _sha256(source: Source) -> str | None:
    """The hash of a photo's file; None if it cannot be read, which the reading will say."""
    if source.data is not None:
        return hashlib.sha256(source.data).hexdigest()
    try:
        return sha256_of(source.path)
    except OSError:
        return None


def totals(added: Sequence[Added]) -> str:
    """How many photos came to what, in one line."""
    counts = Counter(one.fate for one in added)
    told = [f"{counts[fate]} {words}" for fate, words in FATES.items() if counts[fate]]
    n = sum(one.gradings for one in added)
    return f"{counted(len(added), 'photo')}: {', '.join(told) or 'none'}; {counted(n, 'new grading')}"
