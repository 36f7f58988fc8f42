"""Labels for sample bottles: what their code says, and runs prepared by them.

The code is `SITE/RUNC`: the site's short name, the run's id and a check character, in capitals, so that a small QR code
of alphanumeric mode holds it. A label only saves typing: nothing needs it.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from typing import TYPE_CHECKING, Final

from reader.errors import LinecallError
from reader.round.procedure import SAMPLE
from reader.round.read_run import order_of_run
from reader.round.record import Desk, begin, find_run
from reader.round.run import Run
from reader.run.jobs import Order
from reader.words import shown
from reader.words.ids import ID_LENGTH

if TYPE_CHECKING:
    from reader.locate.plate import PlatePose
    from reader.photo.open import Photo
    from reader.read import Tied

CHARACTERS: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"  # ISO 7064, MOD 37,36: values 0 to 35
CODE: Final = re.compile(rf"([A-Z0-9][A-Z0-9-]{{0,15}})/([A-Z0-9]{{{ID_LENGTH}}})([A-Z0-9])")


@dataclass(frozen=True, kw_only=True, slots=True)
class Label:
    """What stands on a bottle's label."""

    site: str
    title: str
    run: str
    point: str
    place: str
    day: date
    phase: str
    lot: str

    @property
    def code(self) -> str:
        """What its QR code says."""
        return code_of(self.site, self.run)


def check_character(text: str) -> str:
    """Check character of ISO 7064:2003, hybrid system MOD 37,36; text : of `CHARACTERS`.

    It finds every single character that is wrong and nearly every two that are swapped.
    """
    product = 36
    for character in text:
        total = (product + CHARACTERS.index(character)) % 36 or 36
        product = 2 * total % 37
    return CHARACTERS[(37 - product) % 36]


def code_of(site: str, run: str) -> str:
    """The code of a run's label."""
    said = f"{site}/{run}".upper()
    return said + check_character(_counted(said))


def _counted(said: str) -> str:
    """The characters that the check character is about: hyphen and slash have no value in the standard."""
    return "".join(character for character in said if character in CHARACTERS)


def parse_code(text: str) -> tuple[str, str] | None:
    """Site and run of a code, as they are written elsewhere; None for a code that is no label of ours.

    Raises LinecallError where it looks like one of ours, but its check character is wrong.
    """
    found = CODE.fullmatch(text)
    if found is None:
        return None
    site, run, check = found.groups()
    if check_character(_counted(site + run)) != check:
        raise LinecallError(
            f"the label beside the plate says {text}, whose last character does not fit the others, so it was misread "
            "or damaged; photograph it again, or cover it and name the run with --run ID"
        )
    return site.lower(), run.lower()


def prepare_labels(
    desk: Desk, points: Sequence[str], *, phase: str, lot: str
) -> tuple[tuple[Label, ...], tuple[str, ...]]:
    """Begin a run for each sample point, and give its label; and a line for each point that gets none.

    A run that is open already and whose sample is not drawn yet gets its label again. Raises LinecallError where a
    point, phase or lot is not known, or the lot must not be used; runs begun before then get their labels next time.
    """
    open_runs = {
        run.point: run
        for run in desk.logbook.runs(site=desk.site.name, is_open=True, limit=len(desk.site.point) + 50)
        if run.reading is None
    }
    labels, left_out = [], []
    for point in dict.fromkeys(desk.site.find_point(name).id for name in points):
        row = open_runs.get(point)
        if row is None:
            run = begin(desk, point=point, phase=phase, lot=lot)
        else:
            run = find_run(desk.logbook, row.id)
            if run.last_of(SAMPLE) is not None or run.photos:
                left_out.append(f"{point}: its run {run.id} is under way, and its bottle needs no new label")
                continue
            if (run.phase, run.lot) != (phase, desk.site.find_lot(lot).id):
                left_out.append(
                    f"{point}: its run {run.id} is prepared for {run.phase}, lot {run.lot}; correct or abandon it first"
                )
                continue
        labels.append(
            Label(
                site=desk.site.site,
                title=desk.site.title or desk.site.site,
                run=run.id,
                point=run.point,
                place=f"{run.tank_name}, {run.point_name}",
                day=run.begun_at.astimezone(desk.site.place.place).date(),
                phase=run.phase,
                lot=run.lot,
            )
        )
    return tuple(labels), tuple(left_out)


@dataclass(frozen=True, kw_only=True, slots=True)
class LabelledRun:
    """An open run that a label may name: how its photo is read, or why it cannot be yet; the days that it is of."""

    order: Order | None
    problem: str | None
    days: frozenset[date]
    last_seq: int


@dataclass(frozen=True, kw_only=True, slots=True)
class LabelTies:
    """Ties a photo to the open run whose label it shows. A value, so that any process can ask it.

    runs : by id. named : the run that was named by hand, which a label may confirm and not contradict.
    """

    site: str
    zone: tzinfo | None
    runs: dict[str, LabelledRun]
    named: str | None = None

    def __call__(self, photo: "Photo", pose: "PlatePose") -> "Tied | None":
        """What the label beside the plate adds to the reading; None where there is none.

        Raises LinecallError, which stops the reading, for a label of another site, day or run, of one that is not open,
        or of a plate of another layout.
        """
        from reader.read import Tied
        from reader.round.label_look import codes_beside

        said = {parsed for text in codes_beside(photo, pose) if (parsed := parse_code(text)) is not None}
        if not said:
            return None
        if len(said) > 1:
            runs = " and ".join(sorted(run for _, run in said))
            raise LinecallError(
                f"{photo.name}: labels of runs {runs} lie beside the plate; keep one, and photograph it again"
            )
        site, run = said.pop()
        found = self._checked(photo, site, run)
        if self.named is not None:
            return None
        order = found.order
        if order is None:
            raise LinecallError(
                f"{photo.name}: the label beside the plate is of run {run}, but {found.problem}"
            )
        layouts = order.settings.layouts
        if order.settings.layout_named and pose.layout.sha256 != layouts[0].sha256:
            raise LinecallError(
                f"{photo.name}: the label beside the plate is of run {run}, whose plates have layout "
                f"{shown(layouts[0].name)}, but this plate has layout {shown(pose.layout.name)}; check label and lot"
            )
        assert order.run is not None, "the order of a run says which"
        assert order.statement is not None
        assert isinstance(order.drops_at, datetime)
        return Tied(
            drops_at=order.drops_at, statement=order.statement, run=order.run, zone=order.settings.zone
        )

    def _checked(self, photo: "Photo", site: str, run: str) -> LabelledRun:
        where = f"{photo.name}: the label beside the plate is"
        if site != self.site.lower():
            raise LinecallError(
                f"{where} of site {site}, but this is site {self.site}; take it away, or use that site's logbook"
            )
        if self.named is not None and run != self.named:
            raise LinecallError(
                f"{where} of run {run}, but --run names {self.named}; one of the two is wrong: check bottle and plate"
            )
        found = self.runs.get(run)
        if found is None:
            raise LinecallError(
                f"{where} of run {run}, which is not open in this logbook: it was closed, abandoned or read already; "
                "linecall run show tells. If the photo is of another run, take the label away"
            )
        day = self._day_of(photo)
        if self.named is None and day not in found.days:
            days = ", ".join(f"{one}" for one in sorted(found.days))
            raise LinecallError(
                f"{where} of run {run}, of {days}, but the photo is of {day}; if it is that run all the same, say so: "
                f"--run {run}"
            )
        return found

    def _day_of(self, photo: "Photo") -> date:
        taken = photo.captured_at
        if taken is None:
            return datetime.now(UTC).astimezone(self.zone).date()
        return taken.astimezone(self.zone).date() if taken.tzinfo is not None else taken.date()


def label_ties(desk: Desk, order: Order, *, named: str | None = None) -> LabelTies | None:
    """What ties photos to the site's open runs by their labels; None where no run is open: nothing is looked for.

    order : how a photo without a label is read. named : the run that was named by hand.
    """
    rows = desk.logbook.runs(site=desk.site.name, is_open=True, limit=len(desk.site.point) + 50)
    waiting = [row for row in rows if row.reading is None or row.id == named]
    if not waiting:
        return None
    return LabelTies(
        site=desk.site.site,
        zone=desk.site.place.place,
        runs={
            row.id: _labelled(desk, find_run(desk.logbook, row.id), order, named=named is not None)
            for row in waiting
        },
        named=named,
    )


def _labelled(desk: Desk, run: Run, order: Order, *, named: bool) -> LabelledRun:
    place = desk.site.place.place
    moments = [run.begun_at, *(taken.at for taken in run.steps)]
    try:
        own, run = (None, run) if named else order_of_run(desk, run.id, order)
        problem = None
    except LinecallError as error:
        own, problem = None, str(error)
    return LabelledRun(
        order=own,
        problem=problem,
        days=frozenset(moment.astimezone(place).date() for moment in moments),
        last_seq=run.last_seq,
    )
