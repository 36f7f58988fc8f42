"""Reviews on record: a reading is fetched from the logbook, decided on, and the decision appended to it.

Nothing is appended before everything has been checked and the annotated image has been drawn anew; then one event
holds it all.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Self

from reader.draw.annotate import annotated_jpeg
from reader.errors import LinecallError, OutputError
from reader.logbook import Event, Logbook, StaleHeadError, StoredReading
from reader.logbook.kept_settings import KeptFile
from reader.logbook.people import find_person, people_of, settle
from reader.logbook.summary import Rank, summarise
from reader.read import examine
from reader.review.decide import SAYS as DECISION_SAYS
from reader.review.decide import (
    Decision,
    DecisionError,
    check_decisions,
    check_hands,
    check_plate,
    check_reader,
    check_unseen,
    mark_of,
    regrade,
)
from reader.review.hands import hands_in, readings_of_plate
from reader.review.policy import Policy
from reader.settings.read_settings import ReadSettings
from reader.settings.values import (
    Layout,
    Rules,
    SettingsFile,
    Texts,
    Thresholds,
    bundled_layouts,
    bundled_names,
    load_settings_file,
    parse_settings,
)
from reader.verdict.evidence import Evidence, Reading
from reader.verdict.model import SettingsRecord, Verdict
from reader.verdict.statement import Stated
from reader.words import MarkKey as Key
from reader.words import did_you_mean, shown
from reader.words.ids import MISREAD
from reader.words.names import folded, is_one_of, may_be
from reader.words.sayings import OneOf, Said, Sayings

ATTEMPTS: Final = 50
"""Times that an event is tried while others write to the logbook about other readings."""
NEAR: Final = 200  # newest readings among which a mistyped id is looked for
SAYS: Final = Sayings(
    "reviewing",
    {
        "new_plate": "the way out is a new plate from the fresh sample, or another reviewer "
        "(linecall people add NAME --role reviewer)",
        "may_decide": "{names} may decide",
        "nobody_else": "no other reviewer is known in {logbook}: {way_out}",
        "role": "{name} is known as {roles}, and by policy {policy} a {wanted} decides; "
        'linecall people add "{name}" --role {first} gives them that role',
        "nobody_left": "{lack} needed, nobody of those known can still be one: {way_out}",
        "few_left": "{lack} needed, {left} of those known can still be one: {way_out}",
        "lack_one": "1 more reader",
        "lack_one_blind": "1 more blind reader",
        "lack": "{n} more readers",
        "lack_blind": "{n} more blind readers",
        "superseded": "reading {reading} has been superseded by {other}; review that one",
        "not_blind_again": "{by} took back a call of {decision} after another reader had decided on it, so cannot "
        "call it blind again; another reader may, or decide with the calls in view",
        "nothing_stands": "{by} has decided nothing of reading {reading} that stands; there is nothing to take back",
        "nothing_on": "{by} has decided nothing on {decision} of reading {reading} that stands; there is nothing to "
        "take back",
        "waits_for_nobody": "reading {reading} waits for nobody; there is nothing to close",
        "meanwhile": "reading {reading}: {by} has written to it meanwhile, so nothing was changed; look at it again, "
        "then decide",
        "somebody": "somebody",
    },
)
"""What is said to reviewers about a reading in the logbook."""

_MODELS: Final[dict[str, type[SettingsFile]]] = {
    "layout": Layout,
    "rules": Rules,
    "thresholds": Thresholds,
    "texts": Texts,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteFiles:
    """Settings files of the site's own that a reading was read by; None stands for the bundled ones."""

    layout: str | Path | None = None
    rules: str | Path | None = None
    thresholds: str | Path | None = None
    texts: str | Path | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Drawn:
    """A reading's verdict as it stands after `reviews` reviews, and its annotated image, JPEG."""

    reading: str
    reviews: int
    verdict: Verdict
    image: bytes

    @property
    def name(self) -> str:
        """What its files are called, without suffix; each review's have a name of their own."""
        return f"{self.reading}-review-{self.reviews}" if self.reviews else self.reading


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Reviewed:
    """What became of a review: its event, the reading drawn anew, and whether it still waits for a reader.

    way_out : what to do where too few reviewers are known to settle what is open; None where there are enough.
    """

    event: Event
    drawn: Drawn
    waiting: bool
    way_out: Said | None = None


# --- looking ----------------------------------------------------------------------------------------------


def find_reading(logbook: Logbook, reading_id: str) -> StoredReading:
    """A reading by its id as people write it; raises LinecallError, with the id that was perhaps meant."""
    wanted = reading_id.strip().lower().translate(MISREAD)
    try:
        return logbook.reading(wanted)
    except OutputError:  # the logbook is out of reach, which says nothing of the reading
        raise
    except LinecallError as error:
        known = [row.id for row in logbook.readings(limit=NEAR)]
        guess = "" if wanted in known else did_you_mean(wanted, known)
        typed = repr(reading_id.strip())  # as it was typed, not as ids are written
        raise LinecallError(f"{str(error).replace(repr(wanted), typed)}{guess}") from None


def decisions_on(stored: StoredReading) -> tuple[Decision, ...]:
    """The decisions on a reading that stand, in the order they were made."""
    standing: list[Decision] = []
    for event in stored.reviews:
        taken_back = {(one["window"], one["mark"]) for one in event.payload.get("withdrawn", ())}
        by = folded(event.by)
        standing = [made for made in standing if folded(made.by) != by or made.key not in taken_back]
        for made in _made_in(event):
            standing = _with(standing, made)
    return tuple(standing)


def _with(standing: list[Decision], made: Decision) -> list[Decision]:
    """Decisions after one more. Nobody has two voices on a mark.

    That somebody decides twice can only be on two devices that had not seen each other. The same call counts once;
    of two that differ neither does.
    """
    own = [one for one in standing if one.key == made.key and folded(one.by) == folded(made.by)]
    if not own:
        return [*standing, made]
    if any(one.call != made.call for one in own):
        return [one for one in standing if one not in own]
    return standing


def _made_in(event: Event) -> list[Decision]:
    return [Decision(**made, by=event.by, at=event.at) for made in event.payload.get("decisions", ())]


def _closings(stored: StoredReading) -> tuple[str, ...]:
    """Those who have closed a reading as it stands and have not taken that back."""
    found: dict[str, str] = {}
    for event in stored.reviews:
        if event.payload.get("closed"):
            found[folded(event.by)] = event.by
        if event.payload.get("opened"):
            found.pop(folded(event.by), None)
    return tuple(found.values())


def settings_of(logbook: Logbook, verdict: Verdict, files: SiteFiles) -> ReadSettings:
    """The settings that a verdict was made by, each of the very bytes that it names: kept, bundled, or given.

    Raises LinecallError where one has changed since or is not at hand, SettingsError where a file is broken.
    """
    assert verdict.layout is not None, "a verdict that was read names its layout"
    kept = logbook.settings()
    loaded: dict[str, Any] = {
        kind: _loaded(kind, getattr(verdict, kind), getattr(files, kind), kept) for kind in _MODELS
    }
    return ReadSettings(
        layouts=(loaded.pop("layout"),), layout_named=verdict.layout.chosen == "named", **loaded
    )


def _loaded(
    kind: str, record: SettingsRecord, source: str | Path | None, kept: Mapping[str, KeptFile]
) -> SettingsFile:
    if source is None and record.sha256 in kept:
        try:
            return parse_settings(_MODELS[kind], kept[record.sha256].data)
        except ValueError as error:
            raise LinecallError(
                f"this reading was made by {kind} {shown(record.name)}, revision {record.revision}, whose kept file "
                "this linecall does not take; repeat with a new plate"
            ) from error
    what = f"this reading was made by {kind} {shown(record.name)}, revision {record.revision}"
    remedy = "give the very file with --read-by"
    if source is None and record.name not in bundled_names(kind):
        raise LinecallError(f"{what}, and linecall brings none of that name; {remedy}")
    found = load_settings_file(_MODELS[kind], record.name if source is None else source, any_name=True)
    if found.sha256 != record.sha256:
        whose = "the one that comes with linecall" if source is None else str(source)
        raise LinecallError(
            f"{what} (SHA-256 {record.sha256[:12]}), but {whose} is another one (revision {found.revision}, "
            f"SHA-256 {found.sha256[:12]}); {remedy}"
        )
    return found


def measure(logbook: Logbook, stored: StoredReading, sha256: str, settings: ReadSettings) -> Reading:
    """Measure one of a reading's kept photos anew; raises LinecallError if it is missing or has been altered."""
    photo = next(photo for photo in stored.photos if photo.sha256 == sha256)
    if not settings.layout_named:  # where a plate is found depends a little on which layouts were tried
        tried = {layout.name: layout for layout in (*bundled_layouts(), *settings.layouts)}
        settings = replace(settings, layouts=tuple(tried.values()))
    return examine(logbook.photo_bytes(photo.sha256), settings, name=photo.name)


def measured_photos(logbook: Logbook, stored: StoredReading, settings: ReadSettings) -> tuple[Reading, ...]:
    """Measure all photos that a reading rests on anew, those left out that were refused."""
    inside = stored.first.readings or (stored.first,)
    hashes = [verdict.photo.sha256 for verdict in inside if verdict.status == "read"]
    return tuple(measure(logbook, stored, digest, settings) for digest in hashes if digest is not None)


def redraw(logbook: Logbook, reading_id: str, files: SiteFiles | None = None) -> Drawn:
    """Draw a reading as it stands now; raises LinecallError if it, its photo or its settings are not at hand."""
    stored = find_reading(logbook, reading_id)
    if stored.current.status == "refused":
        raise LinecallError(
            f"reading {stored.id}: its photo was refused ({stored.current.reason}); nothing to draw"
        )
    settings = settings_of(logbook, stored.first, files or SiteFiles())
    return Drawn(
        reading=stored.id,
        reviews=len(stored.reviews),
        verdict=stored.current,
        image=_image(logbook, stored, stored.current, settings),
    )


def _image(logbook: Logbook, stored: StoredReading, verdict: Verdict, settings: ReadSettings) -> bytes:
    assert verdict.photo.sha256 is not None, "a verdict that was read has a photo"
    evidence = measure(logbook, stored, verdict.photo.sha256, settings).evidence
    corrected = Stated(**{name: getattr(stored.statement, name) for name in Stated.model_fields})
    shown = verdict.model_copy(update={"statement": corrected})
    return annotated_jpeg(shown, evidence or Evidence(photo=None))


# --- deciding ---------------------------------------------------------------------------------------------


def check_may_decide(
    logbook: Logbook, reading_id: str, *, by: str, policy: Policy, blind: bool = False
) -> None:
    """Raise LinecallError or DecisionError where nothing that this person decides on a reading could be kept.

    blind : as a blind reader. To be asked before somebody takes the trouble to look.
    """
    stored = find_reading(logbook, reading_id)
    _check_standing(stored)
    check_plate(stored.first, policy)
    plate = _Plate.of(logbook, stored, policy)
    by = plate.reviewer(by)
    check_hands(by, hands=plate.hands, policy=policy, others=plate.others())
    if blind:
        check_unseen(by, [made for made in plate.elsewhere if folded(made.by) == folded(by)])


def way_out_of(logbook: Logbook, reading_id: str, *, policy: Policy) -> Said | None:
    """What to do where fewer reviewers are left than a reading still asks for; None where there are enough."""
    stored = find_reading(logbook, reading_id)
    return _Plate.of(logbook, stored, policy).way_out(stored.current, decisions_on(stored))


def decide(
    logbook: Logbook,
    reading_id: str,
    decisions: Sequence[Decision],
    *,
    policy: Policy,
    files: SiteFiles | None = None,
) -> Reviewed:
    """Append one reader's decisions on a reading, with the verdict graded anew.

    decisions : of one reader at one time. Raises DecisionError where one cannot be or is not allowed, or where
    somebody else has reviewed the reading meanwhile; LinecallError where the reading or its photo or settings are
    not at hand. Nothing is appended then.
    """
    stored = find_reading(logbook, reading_id)
    _check_standing(stored)
    check_plate(stored.base, policy)
    plate = _Plate.of(logbook, stored, policy)
    decisions = [replace(made, by=plate.reviewer(made.by)) for made in decisions]
    settings = settings_of(logbook, stored.first, files or SiteFiles())
    earlier = decisions_on(stored)
    check_decisions(
        decisions,
        first=stored.base,
        earlier=earlier,
        hands=plate.hands,
        layout=settings.layouts[0],
        policy=policy,
        elsewhere=plate.elsewhere,
        others=plate.others(),
    )
    _check_not_learned(stored, decisions)
    made = {
        "decisions": [
            {name: getattr(decision, name) for name in ("window", "mark", "call", "reason", "blind")}
            for decision in decisions
        ]
    }
    return _review(
        logbook,
        stored,
        made,
        (*earlier, *decisions),
        settings=settings,
        plate=plate,
        by=decisions[0].by,
        at=decisions[0].at,
    )


def _check_not_learned(stored: StoredReading, decisions: Sequence[Decision]) -> None:
    """Raise DecisionError where a blind call would be a second one, made knowing how another reader's stands to it.

    Whoever has decided is told whether readers disagree; so a call taken back after that is not made blind again.
    """
    for made in (one for one in decisions if one.blind):
        others = False
        for event in stored.reviews:
            if folded(event.by) != folded(made.by):
                others = others or any(one.key == made.key for one in _made_in(event))
                continue
            back = {(one["window"], one["mark"]) for one in event.payload.get("withdrawn", ())}
            if others and made.key in back:
                raise DecisionError(SAYS("not_blind_again", by=made.by, decision=made.said))


def withdraw(
    logbook: Logbook,
    reading_id: str,
    *,
    by: str,
    reason: str,
    at: datetime,
    policy: Policy,
    mark: Key | None = None,
    files: SiteFiles | None = None,
) -> Reviewed:
    """Take a reader's own decision back, or without a mark all that they decided on a reading and their closing of it.

    What was decided stays in the logbook, with the reason why it was taken back; the verdict is graded anew without it.
    Raises DecisionError where there is nothing of theirs that stands.
    """
    stored = find_reading(logbook, reading_id)
    _check_standing(stored)
    who = settle(logbook, by, role=policy.may_review[0]).name
    check_reader(who, reason, hands=(), policy=policy)
    standing = decisions_on(stored)
    own = [made for made in standing if folded(made.by) == folded(who) and mark in (None, made.key)]
    opens = mark is None and is_one_of(who, _closings(stored))
    if not own and not opens:
        if mark is None:
            raise DecisionError(SAYS("nothing_stands", by=who, reading=stored.id))
        raise DecisionError(SAYS("nothing_on", by=who, decision=mark_of(mark), reading=stored.id))
    taken_back = {
        "withdrawn": [{"window": made.window, "mark": made.mark} for made in own],
        "opened": opens,
        "reason": reason.strip(),
    }
    return _review(
        logbook,
        stored,
        taken_back,
        [made for made in standing if made not in own],
        settings=settings_of(logbook, stored.first, files or SiteFiles()),
        plate=_Plate.of(logbook, stored, policy),
        by=who,
        at=at,
    )


def _review(
    logbook: Logbook,
    stored: StoredReading,
    said: Mapping[str, Any],
    decisions: Sequence[Decision],
    *,
    settings: ReadSettings,
    plate: "_Plate",
    by: str,
    at: datetime,
) -> Reviewed:
    """Grade a reading anew with the decisions that now stand, draw it, and append that with what was said."""
    policy, verdict = plate.policy, stored.base
    if decisions:
        verdict = regrade(
            stored.base,
            decisions,
            layout=settings.layouts[0],
            rules=settings.rules,
            texts=settings.texts,
            policy=policy,
        )
    drawn = Drawn(
        reading=stored.id,
        reviews=len(stored.reviews) + 1,
        verdict=verdict,
        image=_image(logbook, stored, verdict, settings),
    )
    waiting = still_waits(verdict) if decisions else summarise(verdict)["rank"] is not None
    payload = {
        **said,
        "policy": _policy_record(policy),
        "before": _grade_record(stored.current),
        "after": _grade_record(verdict),
        "verdict": verdict.model_dump(mode="json"),
        "waiting": waiting,
    }
    event = _append(
        logbook,
        stored,
        payload,
        by=by,
        at=at,
        policy=policy,
        settings=settings.files_used(stored.first.layout.sha256 if stored.first.layout else None),
    )
    way_out = plate.way_out(verdict, decisions)
    return Reviewed(event=event, drawn=drawn, waiting=waiting, way_out=way_out)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plate:
    """Who may still decide on a plate.

    hands : all who had a hand in reading it. elsewhere : every decision ever made on a reading of it. free : those
    known who may review it.
    """

    logbook: Logbook
    policy: Policy
    hands: tuple[str, ...]
    elsewhere: tuple[Decision, ...]
    free: tuple[str, ...]

    @classmethod
    def of(cls, logbook: Logbook, stored: StoredReading, policy: Policy) -> Self:
        readings = readings_of_plate(logbook, stored)
        people = people_of(logbook)
        hands = dict.fromkeys(name for reading in readings for name in hands_in(reading))
        for name in tuple(hands):  # a name from before people were known is that of all who it may be
            if find_person(people, name) is None:
                hands |= dict.fromkeys(person.name for person in people if may_be(name, person.name))
        free = tuple(
            person.name
            for person in people
            if person.retired_at is None
            and set(person.roles) & set(policy.may_review)
            and (policy.own_readings or not is_one_of(person.name, hands))
        )
        elsewhere = tuple(
            made for reading in readings for event in reading.reviews for made in _made_in(event)
        )
        return cls(logbook=logbook, policy=policy, hands=tuple(hands), elsewhere=elsewhere, free=free)

    def reviewer(self, name: str) -> str:
        """The name of a known person who may review, as it is written. Raises LinecallError, DecisionError."""
        if not name.strip():
            raise DecisionError(DECISION_SAYS("no_name"))
        person = settle(self.logbook, name, role=self.policy.may_review[0])
        if not set(person.roles) & set(self.policy.may_review):
            raise DecisionError(
                SAYS(
                    "role",
                    name=person.name,
                    roles=person.roles,
                    policy=self.policy.name,
                    wanted=OneOf(self.policy.may_review),
                    first=self.policy.may_review[0],
                )
            )
        return person.name

    def others(self) -> Said:
        """Who may decide instead of somebody who had a hand in the reading, or what to do where nobody is known."""
        if self.free:
            return SAYS("may_decide", names=OneOf(self.free))
        return SAYS("nobody_else", logbook=self.logbook.name, way_out=SAYS("new_plate"))

    def way_out(self, verdict: Verdict, decisions: Sequence[Decision]) -> Said | None:
        """What to do where fewer reviewers are left than what is open asks for."""
        if verdict.review is None:
            return None
        for mark in verdict.review.open:
            votes = {folded(made.by) for made in decisions if made.key == (mark.window, mark.mark)}
            seen = {folded(made.by) for made in (*decisions, *self.elsewhere) if not made.blind}
            left = [
                name
                for name in self.free
                if folded(name) not in votes and not (mark.blind and folded(name) in seen)
            ]
            if mark.readers + len(left) < mark.needed:
                n = mark.needed - mark.readers
                lack = SAYS(f"lack{'_one' * (n == 1)}{'_blind' * mark.blind}", n=n)
                code = "few_left" if left else "nobody_left"
                return SAYS(code, lack=lack, left=len(left), way_out=SAYS("new_plate"))
        return None


def close(logbook: Logbook, reading_id: str, *, by: str, reason: str, at: datetime, policy: Policy) -> Event:
    """Take a reading off the list as it stands: nothing about it is decided, but somebody has looked at it.

    Raises DecisionError where this person may not, or the reading waits for nobody.
    """
    stored = find_reading(logbook, reading_id)
    _check_standing(stored)
    plate = _Plate.of(logbook, stored, policy)
    by = plate.reviewer(by)
    check_reader(by, reason, hands=plate.hands, policy=policy, others=plate.others())
    if not stored.waiting:
        raise DecisionError(SAYS("waits_for_nobody", reading=stored.id))
    payload = {
        "closed": True,
        "reason": reason.strip(),
        "policy": _policy_record(policy),
        "waiting": False,
    }
    return _append(logbook, stored, payload, by=by, at=at, policy=policy)


def still_waits(verdict: Verdict) -> bool:
    """Whether a reviewed verdict still needs a reader: for a decision that is not settled, a doubt, a close call.

    What is invalid or contradicts itself has been seen by the reviewer, who can change nothing about it.
    """
    if verdict.review is not None and verdict.review.open:
        return True
    rank = summarise(verdict)["rank"]
    return rank is not None and rank <= Rank.SMALL_MARGIN


def _check_standing(stored: StoredReading) -> None:
    if stored.superseded_by is not None:
        raise DecisionError(SAYS("superseded", reading=stored.id, other=stored.superseded_by))


def _append(
    logbook: Logbook,
    stored: StoredReading,
    payload: dict[str, Any],
    *,
    by: str,
    at: datetime,
    policy: Policy,
    settings: Sequence[SettingsFile] = (),
) -> Event:
    """Append a review of a reading that nobody has written about since it was fetched.

    What others write about other readings meanwhile does not matter.
    """
    for _ in range(ATTEMPTS):
        head = logbook.head()
        now = logbook.reading(stored.id)
        if now.last_seq != stored.last_seq:
            last = (*now.reviews, *now.corrections)
            who = max(last, key=lambda event: event.seq) if last else None
            raise DecisionError(SAYS("meanwhile", reading=stored.id, by=who.by if who else SAYS("somebody")))
        try:
            return logbook.append(
                "review",
                payload,
                by=by.strip(),
                reading=stored.id,
                at=at,
                expect_head=head,
                settings=[policy, *settings],
            )
        except StaleHeadError:
            continue
    raise LinecallError(f"{logbook.name}: others keep writing to the logbook; nothing was changed, try again")


def _policy_record(policy: Policy) -> dict[str, Any]:
    return {"name": policy.name, "revision": policy.revision, "sha256": policy.sha256}


def _grade_record(verdict: Verdict) -> dict[str, Any]:
    return {"grade": verdict.grade, "possible_grades": list(verdict.possible_grades)}
