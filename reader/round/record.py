"""Runs are begun and written on: each entry is checked, its departures found, and all of it appended as one.

What was entered is never changed; `correct` adds what it should have been. A run's procedure is the one that it began
with, byte for byte from the chain; lots and recalls are looked up in the site's file of today.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from reader.errors import LinecallError, OutputError
from reader.logbook import Logbook, StaleHeadError
from reader.logbook.events import GENESIS, Event
from reader.logbook.follow_up_events import FollowUpAsked
from reader.logbook.run_events import (
    CORRECTION,
    DEPARTURE,
    END,
    NOTE,
    PHOTO,
    STEP,
    Entry,
    FileRef,
    Payload,
    RunBegun,
    RunCorrection,
    RunDeparture,
    RunEnd,
    RunNote,
    RunPhoto,
    RunStep,
)
from reader.round.departures import Facts, find_departures, impossible
from reader.round.procedure import DROPS, SAMPLE, Procedure, load_procedure
from reader.round.procedure import PHOTO as PHOTO_STEP
from reader.round.run import Run, RunState, run_of, state_of
from reader.round.site import PlateLot, Site, changed_from, removed_points
from reader.settings.values import File, Layout, SettingsFile, load_layout, parse_settings
from reader.verdict.statement import Stated
from reader.words import did_you_mean, listed, shown
from reader.words.ids import MISREAD
from reader.words.sayings import OneOf, Sayings

ATTEMPTS: Final = 50
"""Times that an entry is tried while others write on the same run."""
FUTURE_SLACK: Final = timedelta(minutes=1)  # what writers' own clocks may differ by
AFTERWARDS_MAX: Final = timedelta(days=31)
"""A time before that is taken for a slip of the pen (no source)."""
ONCE: Final = (SAMPLE, DROPS)
"""Steps that are done once in a run; another time for one is a correction."""
CORRECTABLE: Final = ("point", "phase", "lot", "expiry", "plate", "operator")
QUIZ: Final = "quiz"


@dataclass(frozen=True, kw_only=True, slots=True)
class Desk:
    """Who writes, where, by which site's file, and when. `by` is the name of somebody known; `now` has its offset."""

    logbook: Logbook
    site: Site
    by: str
    now: datetime


Entries = Sequence[tuple[str, Payload]]

SAYS: Final = Sayings(
    "recording",
    {
        "run": "run {run}: {why}",
        "no_phase": "procedure {procedure} has no phase {phase}; it has {phases}",
        "recalled": "plate lot {lot} is recalled since {day}; {remedy_lot}",
        "recalled_for": "plate lot {lot} is recalled since {day} ({reason}); {remedy_lot}",
        "expired": "plate lot {lot} may be used until {until}, and this run is of {day}; {remedy_lot}",
        "other_lot": "take a plate of another lot. If it was used already, enter that with --anyway REASON: "
        "the run then says so, and so does every reading of it",
        "expiry": "plate lot {lot} expires {expiry} by the site file, but {stated} was given; look at the plate again, "
        "and correct whichever is wrong",
        "step_noted": "{step} is noted in run {run} already, at {at}; "
        "to correct it: linecall run correct {run} {field} TIME --reason TEXT",
        "nothing": "there is nothing to note: give a text, a departure, or both",
        "departure_noted": "departure {departure_code} is noted in run {run} already",
        "lift_reason": "a departure is taken back only for a reason; say which",
        "not_noted": "run {run} has no departure {departure_code}; there is nothing to take back",
        "follows": "departure {departure_code} of run {run} follows from what was entered ({departure}); "
        "correct that: linecall run correct {run} FIELD VALUE --reason TEXT",
        "correction_reason": "a correction needs a reason",
        "abandoned": "run {run} was abandoned; there is nothing to correct in it",
        "so_already": "{field} of run {run} is so already; nothing was changed",
        "nobody": "somebody did the run; give their name",
        "not_read": "the plate of run {run} has not been read; read its photo with linecall read PHOTO --run {run}, "
        "or give it up: linecall run abandon {run} --reason TEXT",
        "abandon_reason": "a run is abandoned for a reason; say which",
        "read_stands": "the plate of run {run} has been read, and that stands; close it: linecall run close {run}",
        "other_site": "run {run} is of site {site}, but this is the file of site {other_site}",
        "meanwhile": "others keep writing on run {run}; nothing was changed, try again",
        "two_times": "{at} is not one time at site {site}: the clocks change then; write {times}",
        "future": "{at} lies in the future: it is {now} at site {site}; check date, time and zone",
        "long_ago": "{at} lies {n} days back, and what is entered afterwards may be up to {most}; check the date",
        "ended_closed": "run {run} was closed at {at}; begin another one",
        "ended_abandoned": "run {run} was abandoned at {at}; begin another one",
        "is_read": "the plate of run {run} has been read; what went otherwise is noted with linecall run note, and a "
        "wrong time corrected with linecall run correct {run} {field} TIME --reason TEXT",
    },
)
"""Why something cannot be written on a run."""


# --- looking --------------------------------------------------------------------------------------------------


def find_run(logbook: Logbook, run_id: str) -> Run:
    """A run by its id as people write it, or a point's open one by the point's id.

    Raises LinecallError, with the id that was perhaps meant, or where a point has several open runs.
    """
    wanted = run_id.strip().lower().translate(MISREAD)
    try:
        return run_of(logbook.run_events(wanted))
    except OutputError:  # the logbook is out of reach, which says nothing of the run
        raise
    except LinecallError as error:
        of_point = _open_of_point(logbook, run_id.strip().lower())
        if of_point is not None:
            return run_of(logbook.run_events(of_point))
        known = [row.id for row in logbook.runs(limit=200)]
        guess = "" if wanted in known else did_you_mean(wanted, known)
        raise LinecallError(f"{str(error).replace(repr(wanted), repr(run_id.strip()))}{guess}") from None


def _open_of_point(logbook: Logbook, point: str) -> str | None:
    """Id of the open run of a point; None where it has none."""
    found = [row.id for row in logbook.runs(is_open=True, limit=500) if row.point.lower() == point]
    if len(found) > 1:
        raise LinecallError(
            f"sample point {point} has {len(found)} open runs, {listed(found)}; name one by its id, and close "
            "those that are read"
        )
    return found[0] if found else None


def kept_file(logbook: Logbook, model: type[File], ref: FileRef) -> File:
    """A settings file of a run, of the very bytes that it began with. Raises LinecallError."""
    kept = logbook.settings().get(ref.sha256)
    what = f"{model.kind} {shown(ref.name)}, revision {ref.revision}"
    if kept is None:
        raise LinecallError(f"the logbook does not hold {what}; linecall logbook verify says more")
    try:
        return parse_settings(model, kept.data)
    except ValueError as error:
        raise LinecallError(f"this linecall does not take {what}, which the run began with") from error


def procedure_of(logbook: Logbook, run: Run) -> Procedure:
    """The procedure that a run began with. Raises LinecallError."""
    return kept_file(logbook, Procedure, run.procedure)


def layout_of(logbook: Logbook, run: Run) -> Layout | None:
    """The layout of a run's plate; None where its lot was not known to the site."""
    return None if run.layout is None else kept_file(logbook, Layout, run.layout)


def statement_of(run: Run, operator: str | None = None) -> Stated:
    """What a run states about a reading of its plate."""
    said = {name: value for name, value in run.stated().items() if name != "drops_at"}
    return Stated.of(operator=operator or run.operator, **said)


def quiz_passed_at(logbook: Logbook, name: str, until: datetime) -> datetime | None:
    """When somebody last passed a quiz that is in the logbook, up to an instant."""
    passed = [
        event.at
        for event in logbook.site_events(QUIZ)
        if event.payload.get("passed") is True and event.payload.get("trainee") == name and event.at <= until
    ]
    return max(passed, default=None)


def check_site(logbook: Logbook, site: Site) -> None:
    """See that a site's file may follow the one that was used last.

    Raises LinecallError where it is another site's, its revision did not
    grow, or it lacks a point that has an open run or follow-up.
    """
    kept_here = logbook.settings(everywhere=False)  # another device may go by an older file
    used = [kept for kept in kept_here.values() if kept.kind == Site.kind]
    if not used or used[-1].sha256 == site.sha256:
        return
    try:
        before = parse_settings(Site, used[-1].data)
    except ValueError:
        return  # an earlier linecall took it; what it says is not known to this one
    problems = list(changed_from(before, site))
    for point in removed_points(before, site):
        rows = logbook.runs(site=site.name, point=point.id, is_open=True, limit=1)
        if rows:
            problems.append(
                f"sample point {point.id} is no longer in the site file, but has the open run {rows[0].id}; "
                "end it first, or put the point back"
            )
        if logbook.follow_ups(site=site.name, point=point.id, is_open=True, limit=1):
            problems.append(
                f"sample point {point.id} is no longer in the site file, but has open follow-ups; "
                "settle them first, or put the point back"
            )
    if problems:
        raise LinecallError("; ".join(problems))


def _facts(desk: Desk, run: Run, procedure: Procedure) -> Facts:
    zone = desk.site.place
    known = {lot.id.lower(): lot for lot in desk.site.lot}
    passed = None
    if procedure.quiz_within_months is not None:
        passed = quiz_passed_at(desk.logbook, run.operator, run.begun_at)
    return Facts(
        zone=zone,
        today=desk.now.astimezone(zone.place).date(),
        lot=known.get(run.lot.lower()),
        quiz_passed_at=passed,
    )


# --- beginning ------------------------------------------------------------------------------------------------


def begin(
    desk: Desk,
    *,
    point: str,
    phase: str,
    lot: str,
    expiry: str | None = None,
    plate: str | None = None,
    operator: str | None = None,
    at: datetime | None = None,
    repeats: str | None = None,
    anyway: str | None = None,
    id: str | None = None,
    entry: Entry | None = None,
) -> Run:
    """Begin a run.

    at : when it began, where that is entered afterwards; entry "at once" where a device noted it as it happened and
    hands it over later, and id the one that it drew for the run. expiry : of a lot that the site's file lacks.
    operator : who does it, if not who enters it. repeats : id of the reading that it repeats; that of which a repeat
    is asked for, where none is named. anyway : why a plate is used that is past its expiry, recalled or of a lot that
    the site does not know; without it such a plate is refused, so that no sample is lost on it. Raises LinecallError
    where something is unknown or cannot be.
    """
    check_site(desk.logbook, desk.site)
    procedure = load_procedure(desk.site.procedure_source)
    where = desk.site.find_point(point)
    begun_at = _moment(desk, at)
    _check_phase(procedure, phase)
    known = _lot(desk, lot, begun_at, anyway)
    layout = None if known is None else load_layout(desk.site.layout_source(known))
    if repeats is not None:
        repeats = desk.logbook.row(repeats.strip().lower().translate(MISREAD)).id
    else:
        repeats = _repeated(desk, where.id)
    tank = desk.site.tank_of(where)
    begun = RunBegun(
        site=_ref(desk.site),
        procedure=_ref(procedure),
        layout=None if layout is None else _ref(layout),
        reading_age=None if layout is None else layout.assay.reading_age,
        point=where.id,
        tank=tank.id,
        point_name=where.name,
        tank_name=tank.name,
        phase=phase,
        lot=lot.strip() if known is None else known.id,
        expiry=_expiry(expiry, known),
        plate=_said(plate),
        operator=operator or desk.by,
        at=begun_at,
        entry=entry or ("at once" if at is None else "afterwards"),
        repeats=repeats,
    )
    entries: list[tuple[str, Payload]] = []
    if anyway is not None and anyway.strip():
        entries.append((NOTE, RunNote(text=anyway.strip())))
    run = run_of([_pending(1, "run", begun, desk)])
    facts = _facts(desk, run, procedure)
    entries += [(DEPARTURE, one) for one in find_departures(run, procedure, facts)]
    files: list[SettingsFile] = [desk.site, procedure, *([] if layout is None else [layout])]
    begun_id = desk.logbook.begin_run(begun, entries, by=desk.by, at=desk.now, settings=files, id=id)
    return find_run(desk.logbook, begun_id)


def _repeated(desk: Desk, point: str) -> str | None:
    """The reading whose repeat is asked for at a point; the last one, where there are several."""
    asked = [
        FollowUpAsked.model_validate(events[0].payload)
        for events in desk.logbook.follow_ups(site=desk.site.name, point=point, is_open=True)
    ]
    return next((one.reading for one in asked if one.kind == "draw again"), None)


def _check_phase(procedure: Procedure, phase: str) -> None:
    known = [one.id for one in procedure.phase]
    if phase not in known:
        raise LinecallError(
            SAYS("no_phase", procedure=procedure.name, phase=shown(phase), phases=OneOf(known))
        )


def _lot(desk: Desk, lot: str, begun_at: datetime, anyway: str | None) -> PlateLot | None:
    """The lot as the site has it; refuses one that must not be used, unless a reason is given."""
    forced = bool(anyway and anyway.strip())
    try:
        known = desk.site.find_lot(lot)
    except LinecallError:
        if forced:
            return None
        raise
    day = begun_at.astimezone(desk.site.place.place).date()
    today = desk.now.astimezone(desk.site.place.place).date()
    if forced:
        return known
    instead = SAYS("other_lot")
    if known.is_recalled_on(today):
        code, reason = "recalled_for" if known.recall_reason else "recalled", known.recall_reason
        raise LinecallError(SAYS(code, lot=known.id, day=known.recalled, reason=reason, remedy_lot=instead))
    if known.is_expired_on(day):
        until = f"{known.last_day():%Y-%m-%d}"
        raise LinecallError(SAYS("expired", lot=known.id, until=until, day=day, remedy_lot=instead))
    return known


def _expiry(stated: str | None, known: PlateLot | None) -> str | None:
    if known is None:
        return Stated.of(plate_expiry=stated).plate_expiry
    if stated is not None and stated != known.expiry:
        raise LinecallError(SAYS("expiry", lot=known.id, expiry=known.expiry, stated=stated))
    return known.expiry


def _ref(file: SettingsFile) -> FileRef:
    return FileRef(name=file.name, revision=file.revision, sha256=file.sha256)


def _said(text: str | None) -> str | None:
    return text.strip() if text and text.strip() else None


# --- writing on -----------------------------------------------------------------------------------------------


def step(
    desk: Desk,
    run_id: str,
    name: str,
    *,
    at: datetime | None = None,
    entry: Entry | None = None,
    device_at: datetime | None = None,
    amount: float | None = None,
    remark: str | None = None,
) -> Run:
    """Note that a step was done: now, or at a time that is entered afterwards.

    entry : where a time was noted as it happened by a device that hands it over later. device_at : what its own clock
    shows now, by which a clock that disagrees is told. Raises LinecallError where the step is unknown, cannot be at
    that time, was done already and is done once, or the run is over.
    """

    def entries(run: Run, procedure: Procedure) -> Entries:
        _check_going_on(run, name)
        _check_step(procedure, run, name)
        moment = _moment(desk, at)
        taken = run.last_of(name)
        if taken is not None and name in ONCE:
            raise LinecallError(
                SAYS(
                    "step_noted",
                    step=name,
                    run=run.id,
                    at=_facts(desk, run, procedure).clock(taken.at),
                    field=name,
                )
            )
        payload = RunStep(
            step=name,
            at=moment,
            entry=entry or ("at once" if at is None else "afterwards"),
            device_at=device_at,
            amount=amount,
            remark=_said(remark),
        )
        return [(STEP, payload)]

    return _write(desk, run_id, entries)


def photo(
    desk: Desk,
    run_id: str,
    *,
    sha256: str,
    name: str,
    at: datetime,
    arrived: bool,
    device_at: datetime | None = None,
) -> Run:
    """Note that a photo was taken, and later that its bytes have arrived; the same again changes nothing."""

    def entries(run: Run, procedure: Procedure) -> Entries:
        known = next((one for one in run.photos if one.sha256 == sha256), None)
        if known is not None and (known.arrived or not arrived):
            return []
        _check_going_on(run, PHOTO_STEP)
        taken = RunPhoto(sha256=sha256, name=name, at=_moment(desk, at), device_at=device_at, arrived=arrived)
        return [(PHOTO, taken)]

    return _write(desk, run_id, entries)


def note(
    desk: Desk, run_id: str, *, text: str | None = None, departure: str | None = None, of: str | None = None
) -> Run:
    """Note a departure by its code, with the step it is `of` where that is known, or anything else as text; also after
    the run is closed. The reading of a departure noted afterwards is graded anew (`reader.round.regrade`).
    """
    text = _said(text)
    if text is None and departure is None:
        raise LinecallError(SAYS("nothing"))

    def entries(run: Run, procedure: Procedure) -> Entries:
        found: list[tuple[str, Payload]] = []
        if departure is None:
            assert text is not None, "checked above"
            return [(NOTE, RunNote(text=text))]
        kinds = {kind.code: kind for kind in procedure.departure}
        if departure not in kinds:
            raise LinecallError(
                f"procedure {procedure.name} has no departure {shown(departure)}"
                f"{did_you_mean(departure, list(kinds)) or '; linecall run show --procedure lists them'}"
            )
        if of is not None:
            _check_step(procedure, run, of, must_be_recorded=False)
        kind = kinds[departure]
        where = of or next(
            (one.id for one in procedure.steps_of(run.phase) if departure in one.departures), None
        )
        if any((one.code, one.step) == (departure, where) for one in run.departures):
            raise LinecallError(SAYS("departure_noted", departure_code=departure, run=run.id))
        sentence = kind.text if text is None else f"{kind.text}: {text}"
        found.append(
            (
                DEPARTURE,
                RunDeparture(
                    code=departure, step=where, effect=kind.effect, sentence=sentence, found_by="person"
                ),
            )
        )
        return found

    return _write(desk, run_id, entries)


def lift(desk: Desk, run_id: str, departure: str, *, reason: str) -> Run:
    """Take back a departure that a person noted wrongly; what linecall found goes by correcting what it rests on."""
    if not reason.strip():
        raise LinecallError(SAYS("lift_reason"))

    def entries(run: Run, procedure: Procedure) -> Entries:
        standing = [one for one in run.departures if one.code == departure]
        if not standing:
            raise LinecallError(SAYS("not_noted", run=run.id, departure_code=shown(departure)))
        if all(one.found_by == "linecall" for one in standing):
            raise LinecallError(
                SAYS("follows", departure_code=departure, run=run.id, departure=standing[0].sentence)
            )
        return [
            (
                DEPARTURE,
                RunDeparture(
                    code=one.code,
                    step=one.step,
                    effect=one.effect,
                    sentence=one.sentence,
                    found_by="person",
                    stands=False,
                    reason=reason.strip(),
                ),
            )
            for one in standing
            if one.found_by == "person"
        ]

    return _write(desk, run_id, entries)


def correct(desk: Desk, run_id: str, field: str, value: str | datetime, *, reason: str) -> Run:
    """Correct a step's time (field is the step) or what the run began with; both values are kept.

    field : a step that was noted, or one of `CORRECTABLE`. Raises LinecallError where nothing would change or the value
    cannot be.
    """
    if not reason.strip():
        raise LinecallError(SAYS("correction_reason"))

    def entries(run: Run, procedure: Procedure) -> Entries:
        if run.ended == "abandoned":
            raise LinecallError(SAYS("abandoned", run=run.id))
        taken = run.last_of(field)
        if taken is not None:
            if not isinstance(value, datetime):
                raise LinecallError(f"a correction of step {field} needs a time, not {shown(value)}")
            moment = _moment(desk, value)
            seq, was, now = taken.seq, {"at": _iso(taken.at)}, {"at": _iso(moment)}
        elif field in CORRECTABLE:
            seq = run.seq
            was, now = _corrected_field(desk, run, procedure, field, str(value))
        else:
            known = [*dict.fromkeys(one.step for one in run.steps), *CORRECTABLE]
            raise LinecallError(
                f"run {run.id} has no entry {shown(field)} to correct{did_you_mean(field, known)}; "
                f"it has {listed(known, 'and')}"
            )
        if was == now:
            raise LinecallError(SAYS("so_already", field=field, run=run.id))
        return [(CORRECTION, RunCorrection(event=seq, was=was, now=now, reason=reason.strip()))]

    return _write(desk, run_id, entries)


def _corrected_field(
    desk: Desk, run: Run, procedure: Procedure, field: str, value: str
) -> tuple[dict[str, Any], dict[str, Any]]:
    now: dict[str, Any]
    if field == "point":
        point = desk.site.find_point(value)
        tank = desk.site.tank_of(point)
        now = {"point": point.id, "tank": tank.id, "point_name": point.name, "tank_name": tank.name}
    elif field == "lot":
        lot = desk.site.find_lot(value)
        layout = load_layout(desk.site.layout_source(lot))
        now = {
            "lot": lot.id,
            "expiry": lot.expiry,
            "layout": _ref(layout).model_dump(mode="json"),
            "reading_age": list(layout.assay.reading_age),
        }
    elif field == "phase":
        _check_phase(procedure, value)
        now = {"phase": value}
    elif field == "expiry":
        if run.layout is not None:
            raise LinecallError(
                f"the expiry of lot {run.lot} is the site file's; correct the lot, or that file"
            )
        now = {"expiry": Stated.of(plate_expiry=value).plate_expiry}
    else:
        now = {field: _said(value)}
        if field == "operator" and now[field] is None:
            raise LinecallError(SAYS("nobody"))
    return {name: _plain(getattr(run, name)) for name in now}, now


def _plain(value: Any) -> Any:
    if isinstance(value, FileRef):
        return value.model_dump(mode="json")
    return list(value) if isinstance(value, tuple) else value


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")


def close(desk: Desk, run_id: str, *, reason: str | None = None) -> Run:
    """Close a run whose plate was read. Raises LinecallError for one that was not; that is abandoned, for a reason."""

    def entries(run: Run, procedure: Procedure) -> Entries:
        _check_not_ended(run)
        if not any(one.status == "read" for one in run.readings):
            raise LinecallError(SAYS("not_read", run=run.id))
        return [(END, RunEnd(how="closed", reason=_said(reason)))]

    return _write(desk, run_id, entries)


def abandon(desk: Desk, run_id: str, *, reason: str) -> Run:
    """Give a run up: nothing of it is lost, and nothing follows."""
    if not reason.strip():
        raise LinecallError(SAYS("abandon_reason"))

    def entries(run: Run, procedure: Procedure) -> Entries:
        _check_not_ended(run)
        if any(one.status == "read" for one in run.readings):
            raise LinecallError(SAYS("read_stands", run=run.id))
        return [(END, RunEnd(how="abandoned", reason=reason.strip()))]

    return _write(desk, run_id, entries)


def settle(desk: Desk, run_id: str) -> Run:
    """Bring a run's departures into step with what it says now, such as after its photo was read again."""
    return _write(desk, run_id, lambda run, procedure: [])


def _write(desk: Desk, run_id: str, entries: Callable[[Run, Procedure], Entries]) -> Run:
    """Append what `entries` makes of the run as it stands, with the departures that come or go by it."""
    for _ in range(ATTEMPTS):
        events = desk.logbook.run_events(find_run(desk.logbook, run_id).id)
        run = run_of(events)
        if run.site.name != desk.site.name:
            raise LinecallError(SAYS("other_site", run=run.id, site=run.site.name, other_site=desk.site.name))
        procedure = procedure_of(desk.logbook, run)
        new = list(entries(run, procedure))
        pending = [
            _pending(run.last_seq + k, kind, payload, desk) for k, (kind, payload) in enumerate(new, 1)
        ]
        after = run_of([*events, *pending])
        facts = _facts(desk, after, procedure)
        problem = impossible(after, facts)
        if problem is not None:
            raise LinecallError(SAYS("run", run=run.id, why=problem))
        new += _changed_departures(after, find_departures(after, procedure, facts))
        if not new:
            return run
        try:
            desk.logbook.add_to_run(
                run.id,
                new,
                by=desk.by,
                at=desk.now,
                expect_last=run.last_seq,
                settings=_new_layouts(desk, after, run),
            )
        except StaleHeadError:
            continue
        return find_run(desk.logbook, run.id)
    raise LinecallError(SAYS("meanwhile", run=run_id))


def _new_layouts(desk: Desk, after: Run, before: Run) -> list[SettingsFile]:
    """The layout that a corrected lot brought."""
    if after.layout is None or after.layout == before.layout:
        return []
    return [load_layout(desk.site.layout_source(desk.site.find_lot(after.lot)))]


def _changed_departures(run: Run, found: Sequence[RunDeparture]) -> list[tuple[str, Payload]]:
    """Departures that what was entered shows and that do not stand yet, and those that it no longer shows."""
    standing = {(one.code, one.step): one for one in run.departures}
    shows = {(one.code, one.step): one for one in found}
    changes: list[tuple[str, Payload]] = []
    for key, one in shows.items():
        known = standing.get(key)
        if known is None or (known.found_by == "linecall" and known.sentence != one.sentence):
            changes.append((DEPARTURE, one))
    for key, known in standing.items():
        if known.found_by == "linecall" and key not in shows:
            gone = RunDeparture(
                code=known.code,
                step=known.step,
                effect=known.effect,
                sentence=known.sentence,
                found_by="linecall",
                stands=False,
                reason="what was entered shows it no longer",
            )
            changes.append((DEPARTURE, gone))
    return changes


def _pending(seq: int, kind: str, payload: Payload, desk: Desk) -> Event:
    """An event as it would be, to see what a run would be with it."""
    return Event.model_construct(
        seq=seq,
        id="00000000",
        kind=kind,
        reading=None,
        at=desk.now,
        by=desk.by,
        payload=payload.as_payload(),
        previous=GENESIS,
        hash=GENESIS,
    )


def _moment(desk: Desk, at: datetime | None) -> datetime:
    """When something was done: now, or a time that is neither in the future nor far back, with its offset."""
    if at is None:
        return desk.now.replace(microsecond=0)
    zone = desk.site.place
    if at.tzinfo is None:
        both = zone.instants(at)
        if len(both) > 1:
            times = OneOf(f"{one:%Y-%m-%dT%H:%M%z}" for one in both)
            raise LinecallError(
                SAYS("two_times", at=f"{at:%Y-%m-%d %H:%M}", site=desk.site.site, times=times)
            )
        at = both[0]
    if at > desk.now + FUTURE_SLACK:
        now = f"{desk.now.astimezone(zone.place):%Y-%m-%d %H:%M}"
        raise LinecallError(SAYS("future", at=f"{at:%Y-%m-%d %H:%M%z}", now=now, site=desk.site.site))
    if desk.now - at > AFTERWARDS_MAX:
        days = (desk.now - at).days
        raise LinecallError(SAYS("long_ago", at=f"{at:%Y-%m-%d %H:%M}", n=days, most=AFTERWARDS_MAX.days))
    return at.replace(microsecond=0)


def _check_step(procedure: Procedure, run: Run, name: str, *, must_be_recorded: bool = True) -> None:
    steps = procedure.steps_of(run.phase)
    known = [one.id for one in steps if one.recorded or not must_be_recorded]
    if name in known:
        return
    elsewhere = name in {one.id for one in procedure.step}
    why = (
        f"has no step {shown(name)} where {run.phase} is tested"
        if elsewhere
        else f"has no step {shown(name)}"
    )
    if any(one.id == name and not one.recorded for one in steps):
        why = f"asks for no time of step {shown(name)}"
    raise LinecallError(
        f"procedure {procedure.name} {why}{did_you_mean(name, known) or f'; it has {listed(known)}'}"
    )


def _check_not_ended(run: Run) -> None:
    if run.ended is not None:
        raise LinecallError(SAYS(f"ended_{run.ended}", run=run.id, at=f"{run.ended_at:%Y-%m-%d %H:%M}"))


def _check_going_on(run: Run, name: str) -> None:
    _check_not_ended(run)
    if any(one.status == "read" for one in run.readings):
        raise LinecallError(SAYS("is_read", run=run.id, field=name))


def state_in(logbook: Logbook, run_id: str, *, now: datetime) -> RunState:
    """Where a run stands, its last reading's review included. Raises LinecallError if it is unknown."""
    run = find_run(logbook, run_id)
    read = [one for one in run.readings if one.status == "read"]
    in_review = bool(read) and logbook.row(read[-1].id).rank is not None
    return state_of(run, now=now, in_review=in_review)
