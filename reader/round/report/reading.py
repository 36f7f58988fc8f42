"""The report of one reading: what was found, on what it rests, who changed what, and how it can be checked."""

import tempfile
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from reader.draw.annotate import (
    CALL_WORDS,
    Plan,
    draw,
    encode_jpeg,
    how_to_read,
    plan_plate,
    plan_windows,
)
from reader.errors import LinecallError
from reader.logbook import Event, Logbook, StoredReading
from reader.review.record import SiteFiles, find_reading
from reader.review.sheet import STATED, called_now, open_case
from reader.round.history.point import Occurrence, current_verdict, departures_of, find_place, point_history
from reader.round.history.usual import RECENT
from reader.round.report.value import (
    Block,
    Codes,
    Column,
    Facts,
    Figure,
    Headline,
    Report,
    Section,
    Sentences,
    Table,
    said_at,
    verifying,
)
from reader.verdict.evidence import Evidence
from reader.verdict.in_words import sample, taken, why
from reader.verdict.model import Mark, Verdict, WindowRecord
from reader.verdict.statement import Stated
from reader.words import MarkName, as_sentence, listed

PICTURE_WIDTH: Final = 1200  # px, of a sheet's 1440: 170 dots an inch across a printed page
PHOTO_WIDTH: Final = 900  # px, of a refused photo, which shows no marks
MARKS: Final[tuple[MarkName, ...]] = ("indicator", "reference")


def reading_report(
    logbook: Logbook,
    reading_id: str,
    *,
    made_at: datetime,
    files: SiteFiles | None = None,
    follow_ups: Sequence[Occurrence] | None = None,
) -> Report:
    """Report of one reading as it stands now.

    files : settings of the site's own that it was read by, where the logbook did not keep them. follow_ups : what it
    has asked for; None: nobody looked. Raises LinecallError
    if the logbook has no such reading, or an event of it has been altered; a photo that is missing or altered is said
    in the report.
    """
    seal = logbook.seal(at=made_at)
    stored = find_reading(logbook, reading_id)
    events = list(logbook.events(stored.id))
    verdict = stored.current
    sections = [
        Section(title="Result", blocks=tuple(_result(stored, departures_of(current_verdict(events))))),
        Section(title="Sample and plate", blocks=tuple(_sample(stored))),
        *([Section(title="What follows", blocks=_follow_ups(follow_ups))] if follow_ups else []),
        *([Section(title="Since then", blocks=_review(stored))] if stored.reviews else []),
        *([Section(title="Marks", blocks=_marks(verdict))] if verdict.windows else []),
        *_pictures(logbook, stored, files),
        *_point(logbook, stored),
        Section(title="Software and settings", blocks=_read_by(verdict)),
        Section(title="Entries in the logbook", blocks=(_entries(events),)),
        Section(title="Checking this report", blocks=verifying(seal, photos=True)),
    ]
    whose = sample(_as_corrected(stored)) or "sample not stated"
    return Report(
        title=f"Reading {stored.id}",
        subtitle=f"{whose}; {taken(verdict)}",
        short=f"reading {stored.id}",
        sections=tuple(sections),
        logbook=logbook.name,
        made_at=made_at,
    )


def _as_corrected(stored: StoredReading) -> Verdict:
    said = Stated(**{name: getattr(stored.statement, name) for name in Stated.model_fields})
    return stored.current.model_copy(update={"statement": said})


# --- what was found -----------------------------------------------------------------------------------------


def _result(stored: StoredReading, departures: Sequence[str]) -> Iterator[Block]:
    verdict = stored.current
    grade = verdict.grade or "refused"
    possible = f"Possible: {listed(verdict.possible_grades, 'or')}. " if grade == "undecided" else ""
    strong = []
    if stored.superseded_by:
        strong.append(f"This reading no longer stands: reading {stored.superseded_by} has taken its place.")
    if stored.waiting:
        strong.append("It waits for a reviewer.")
    if verdict.own_files:
        strong.append(f"Read by {verdict.own_files}.")
    yield Headline(grade=grade, about=possible + as_sentence(why(verdict)), strong=tuple(strong))
    texts = [] if verdict.remedy is None else [as_sentence(verdict.remedy)]
    texts.append(f"What follows: {verdict.next_step}")
    texts += [f"Warning: {as_sentence(warning)}" for warning in verdict.warnings]
    texts += [f"Departure from the procedure: {as_sentence(sentence)}" for sentence in departures]
    if verdict.reading_age is not None:
        texts.append(as_sentence(verdict.reading_age.sentence))
    if verdict.expiry is not None:
        texts.append(as_sentence(verdict.expiry.sentence))
    yield Sentences(texts=tuple(texts))


def _sample(stored: StoredReading) -> Iterator[Block]:
    said = stored.statement
    rows = []
    for field, label in (*STATED.items(), ("note", "note")):
        value = getattr(said, field)
        text = said_at(value) if isinstance(value, datetime) else value
        rows.append((label, str(text) if text else "not stated"))
    rows.append(("photo taken", taken(stored.current).removeprefix("taken ")))
    rows.append(("logged", f"{said_at(stored.at)} by {stored.by}"))
    yield Facts(rows=tuple(rows))
    if stored.corrections:
        yield Sentences(
            texts=tuple(
                f"Corrected {said_at(event.at)} by {event.by}: {event.payload['field'].replace('_', ' ')} was "
                f"{event.payload['was'] or 'not stated'}, is {event.payload['value'] or 'not stated'}; "
                f"reason: {event.payload['reason']}"
                for event in stored.corrections
            )
        )


def _follow_ups(asked: Sequence[Occurrence]) -> tuple[Block, ...]:
    columns = (Column(head="id", share=1), Column(head="what", share=6), Column(head="done", share=2))
    rows = tuple((one.id, one.text, said_at(one.done_at) if one.done_at else "open") for one in asked)
    return (Table(caption="asked for by the site's plan after this reading", columns=columns, rows=rows),)


def _review(stored: StoredReading) -> tuple[Block, ...]:
    lines = []
    for event in stored.reviews:
        said = event.payload
        who = f"{said_at(event.at)}, {event.by}"
        for made in said.get("decisions", ()):
            blind = ", blind" if made.get("blind") else ""
            lines.append(
                f"{who}: {made['mark']} of window {made['window']} {made['call']}{blind}; {made['reason']}"
            )
        lines += [f"{who}: took back the decision on the {one['mark']} of window {one['window']}; {said.get('reason')}"
                  for one in said.get("withdrawn", ())]  # fmt: skip
        if said.get("closed"):
            lines.append(f"{who}: closed it as it stands; {said.get('reason')}")
        if said.get("opened"):
            lines.append(f"{who}: took the closing back; {said.get('reason')}")
        if not {"decisions", "withdrawn", "closed", "opened"} & said.keys():
            lines.append(f"{who}: graded anew; {said.get('reason', 'no reason given')}")
    review = stored.current.review
    before, now = stored.first.grade, stored.current.grade
    lines.insert(0, f"First graded {before}, now {now}.")
    if review is not None:
        lines += [as_sentence(one.sentence) for one in review.open]
        lines.append(f"Policy {review.policy}.")
    return (Sentences(texts=tuple(lines)),)


def _marks(verdict: Verdict) -> tuple[Block, ...]:
    rows = [
        (
            window.id,
            f"{window.analyte}, {window.tier}",
            name,
            mark.call + (f" (linecall: {mark.first_call})" if mark.first_call else ""),
            _figure(mark.height, mark.standard_error),
            _figure(mark.limit_of_blank),
            _figure(mark.limit_of_detection),
        )
        for window in verdict.windows
        for name in MARKS
        for mark in (_mark(window, name),)
    ]
    heads = ("window", "answers for", "mark", "call", "height", "limit of blank", "limit of detection")
    shares = (0.8, 1.8, 1.1, 2.2, 1.9, 1.2, 1.3)
    reasons = [
        (window.id, name, " ".join(as_sentence(reason) for reason in mark.reasons) or "-")
        for window in verdict.windows
        for name in MARKS
        for mark in (_mark(window, name),)
    ]
    words = "" if verdict.layout is None else CALL_WORDS[verdict.layout.assay]
    return (
        Sentences(texts=(f"{words} Heights are absorbance, with their standard error.".strip(),)),
        Table(
            caption="Calls and heights",
            columns=tuple(Column(head=head, share=share) for head, share in zip(heads, shares, strict=True)),
            rows=tuple(rows),
        ),
        Table(
            caption="Why each was called so",
            columns=(
                Column(head="window", share=0.8),
                Column(head="mark", share=1.1),
                Column(head="reasons", share=8),
            ),
            rows=tuple(reasons),
        ),
    )


def _mark(window: WindowRecord, name: MarkName) -> Mark:
    return window.indicator if name == "indicator" else window.reference


def _figure(value: float | None, error: float | None = None) -> str:
    if value is None:
        return "not measured"
    return f"{value:.4f}" + ("" if error is None else f" \N{PLUS-MINUS SIGN} {error:.4f}")


# --- pictures -----------------------------------------------------------------------------------------------


def _pictures(logbook: Logbook, stored: StoredReading, files: SiteFiles | None) -> Iterator[Section]:
    """The plate with every call, and each window's strip and curves; or why they cannot be shown."""
    try:
        if stored.current.status == "refused":
            yield Section(title="Photo", blocks=tuple(_plain_photos(logbook, stored)))
            return
        case = open_case(logbook, stored.id, files)
        plates: list[Block] = []
        evidence: Evidence | None = None
        for photo in case.photos:
            assert photo.evidence is not None, "a photo that was read has evidence"
            called = called_now(case, photo)
            plates.append(
                _drawn(plan_plate(called, photo.evidence), photo.evidence, _said_of(called), marked=True)
            )
            if photo.verdict.photo.sha256 == stored.current.photo.sha256:
                evidence = photo.evidence
    except LinecallError as error:
        yield Section(
            title="Photo", blocks=(Sentences(texts=(as_sentence(f"no picture: {error}"),), strong=True),)
        )
        return
    yield Section(title="Photo", blocks=(*plates, _hashes(stored)))
    if evidence is not None:
        strips = [
            _drawn(
                row,
                evidence,
                "Strips and curves of windows; their calls and figures are in the tables above.",
            )
            for row in plan_windows(stored.current, evidence)
        ]
        yield Section(title="Evidence", blocks=(Sentences(texts=(how_to_read(),)), *strips))


def _drawn(plan: Plan, evidence: Evidence, alt: str, *, marked: bool = False) -> Figure:
    image = draw(evidence, plan)
    height = round(image.shape[0] * PICTURE_WIDTH / image.shape[1])
    small = np.asarray(cv2.resize(image, (PICTURE_WIDTH, height), interpolation=cv2.INTER_AREA), np.uint8)
    caption = (
        "Every call at its mark: whole bar present, hollow absent, half doubtful, in pieces undeveloped."
    )
    return Figure(
        data=encode_jpeg(small),
        kind="image/jpeg",
        width=PICTURE_WIDTH,
        height=height,
        alt=alt,
        caption=caption * marked,
        detailed=not marked,
    )


def _said_of(verdict: Verdict) -> str:
    calls = [
        f"window {window.id}: indicator {window.indicator.call}, reference {window.reference.call}"
        for window in verdict.windows
    ]
    return f"The plate in {verdict.photo.name}, its windows outlined; {'; '.join(calls)}."


def _plain_photos(logbook: Logbook, stored: StoredReading) -> Iterator[Block]:
    from reader.photo.light import encode, linear
    from reader.photo.open import open_photo

    for photo in stored.photos:
        with tempfile.TemporaryDirectory(prefix="linecall-") as folder:
            opened = open_photo(logbook.write_photo(photo, Path(folder)))
        height = max(1, round(opened.pixels.shape[0] * PHOTO_WIDTH / opened.pixels.shape[1]))
        small = np.asarray(
            cv2.resize(opened.pixels, (PHOTO_WIDTH, height), interpolation=cv2.INTER_AREA),
            opened.pixels.dtype,
        )
        shown = encode(linear(small, opened.encoding))
        yield Figure(
            data=encode_jpeg(shown), kind="image/jpeg", width=PHOTO_WIDTH, height=height,
            alt=f"The refused photo {photo.name}, as it was taken.", caption=f"{photo.name}, refused",
        )  # fmt: skip
    yield _hashes(stored)


def _hashes(stored: StoredReading) -> Codes:
    return Codes(lines=tuple(f"SHA-256 {photo.sha256}  {photo.name}" for photo in stored.photos))


# --- beside it ----------------------------------------------------------------------------------------------


def _point(logbook: Logbook, stored: StoredReading) -> Iterator[Section]:
    """What is usual at this point."""
    said = stored.statement
    name = said.sample_point or said.tank
    if name is None:
        return
    try:
        history = point_history(logbook, find_place(logbook, name, tank=said.tank))
    except LinecallError as error:
        yield Section(title="This point", blocks=(Sentences(texts=(as_sentence(f"not told: {error}"),)),))
        return
    recent = [f"{one.taken_at:%Y-%m-%d} {one.grade or 'refused'}" for one in history.seen[-RECENT:]]
    shares = [
        (f"{share.at_least}{' or heavy' * (share.at_least == 'moderate')}", str(share))
        for share in history.usual.shares
        if history.usual.past
    ]
    rows = (
        ("last readings", ", ".join(recent)),
        ("usual level", history.usual.level or "not known yet"),
        *shares,
    )
    yield Section(title="This point", blocks=(Sentences(texts=(history.usual.sentence,)), Facts(rows=rows)))


def _read_by(verdict: Verdict) -> tuple[Block, ...]:
    records = [(kind, getattr(verdict, kind)) for kind in ("layout", "rules", "thresholds", "texts")]
    if verdict.review is not None:
        records.append(("policy", verdict.review.policy))
    lines = [f"{kind} {one}, SHA-256 {one.sha256}" for kind, one in records if one is not None]
    return (Codes(lines=(f"linecall {verdict.software.version}", *lines)),)


def _entries(events: Sequence[Event]) -> Table:
    return Table(
        caption="",
        columns=(
            Column(head="entry", share=0.6), Column(head="when", share=1.6), Column(head="what", share=0.9),
            Column(head="by", share=1.3), Column(head="SHA-256", share=6.8),
        ),
        rows=tuple(
            (event.entry, said_at(event.at), event.kind.replace("_", " "), event.by, event.hash) for event in events
        ),
    )  # fmt: skip
