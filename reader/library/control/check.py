"""Photos of a control strip into its chart: read as any plate is, and added in the order they were taken."""

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path

from reader.errors import LinecallError
from reader.files.plain import read_plain
from reader.library.control.store import Anew, Entry
from reader.library.control.strip import ControlPoint, NotChartedError, TimeSource, time_taken
from reader.library.files import load_file, read_file
from reader.library.store import Library
from reader.read import examine
from reader.settings.read_settings import ReadSettings
from reader.settings.values import Layout
from reader.verdict.model import Verdict
from reader.words import MarkKey


@dataclass(frozen=True, kw_only=True, slots=True)
class CheckOrder:
    """How photos are charted.

    layout_files : of the layouts of `settings`, by hash, as `reader.library.add.layout_files` gives them.
    now : when this is done. taken_at : when the one photo was taken, where somebody says so. new, anew, marks,
    control : as `ControlCharts.add` takes them; `anew` with the first photo that can be charted.
    """

    strip: str
    settings: ReadSettings
    layout_files: Mapping[str, str | Path]
    now: datetime
    taken_at: datetime | None = None
    by: str | None = None
    note: str | None = None
    new: bool = False
    anew: Anew | None = None
    marks: Sequence[MarkKey] | None = None
    control: str | Path | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Checked:
    """What became of one photo: its point, or the problem in one line."""

    photo: str
    point: ControlPoint | None = None
    problem: str = ""


def check_photos(
    library: Library,
    photos: Sequence[Path],
    order: CheckOrder,
    *,
    watch: Callable[[Iterable[Path]], Iterable[Path]] = iter,
) -> Iterator[Checked]:
    """Read photos and chart them, the earliest first; a photo that cannot be charted does not stop the others.

    watch : passes the photos on and shows how far the reading has come. Raises ControlError if the chart itself
    cannot be so, with the photos before it charted.
    """
    settings = _with_strips_layout(library, order)
    read: list[tuple[Path, Verdict, datetime, TimeSource]] = []
    for path in watch(photos):
        verdict = examine(path, settings).verdict
        if verdict.status == "refused":
            yield Checked(photo=str(path), problem=f"{path}: refused: {verdict.reason}; {verdict.remedy}")
            continue
        try:
            at, source = time_taken(verdict.photo, stated=order.taken_at, now=order.now)
        except NotChartedError as error:
            yield Checked(photo=str(path), problem=str(error))
            continue
        read.append((path, verdict, at, source))
    begins = order
    for path, verdict, at, source in sorted(read, key=lambda one: one[2]):
        entry = Entry(
            verdict=verdict,
            taken_at=at,
            taken_from=source,
            by=order.by,
            note=order.note,
            keep=partial(_keep, library, path, verdict),
        )
        try:
            point = library.control.add(
                order.strip,
                entry,
                at=order.now,
                new=begins.new,
                anew=begins.anew,
                marks=order.marks,
                control=order.control,
                layout=_layout(order, verdict),
            )
        except NotChartedError as error:
            yield Checked(photo=str(path), problem=str(error))
            continue
        begins = replace(order, new=False, anew=None)
        yield Checked(photo=str(path), point=point)


def _with_strips_layout(library: Library, order: CheckOrder) -> ReadSettings:
    """The settings, and where all bundled layouts are tried, the strip's own that is none of them."""
    settings = order.settings
    kept = library.control.layout(order.strip)
    if settings.layout_named or kept is None or kept.name in {one.name for one in settings.layouts}:
        return settings
    return replace(settings, layouts=(*settings.layouts, kept))


def _layout(order: CheckOrder, verdict: Verdict) -> tuple[Layout, bytes] | None:
    """The layout's file, to be kept; None for one that the library has kept already."""
    assert verdict.layout is not None, "a plate that was read has a layout"
    source = order.layout_files.get(verdict.layout.sha256)
    if source is None:
        return None
    _, data = read_file(Layout, source)
    return load_file(Layout, data), data


def _keep(library: Library, path: Path, verdict: Verdict) -> None:
    try:
        data = read_plain(path)
    except OSError as error:
        raise LinecallError(f"{path}: cannot be read any more ({error.strerror}); add it again") from error
    if hashlib.sha256(data).hexdigest() != verdict.photo.sha256:
        raise LinecallError(f"{path}: has changed while it was read; add it again")
    library.pictures.keep_photo(data)
