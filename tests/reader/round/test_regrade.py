"""A departure noted after the grade grades anew, in the open: by the same grader, with what reviewers decided."""

import hashlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from reader.decide.records import DepartureRecord
from reader.errors import LinecallError
from reader.logbook import Statement
from reader.logbook.people import add_person
from reader.review.decide import Decision
from reader.review.policy import load_policy
from reader.review.record import decide, withdraw
from reader.round.read_run import order_of_run, tie_of
from reader.round.record import Desk, correct, find_run, lift, note, settle, state_in, step
from reader.round.regrade import grade_anew
from reader.round.run import Run
from reader.run.jobs import Order
from reader.settings.read_settings import load_settings
from reader.verdict.model import Verdict
from tests.reader.review.books import leave_photos_unread
from tests.reader.review.samples import read_plate
from tests.reader.round.rounds import at, begun, codes

MINUTES = (("sample", 0), ("settled", 10), ("extract", 12), ("gathered", 20), ("drops", 25))


@pytest.fixture
def read_run(desk: Desk) -> Run:
    run = begun(desk)
    for name, minutes in MINUTES:
        run = step(at(desk, desk.now + timedelta(minutes=minutes)), run.id, name)
    return run


def logged(desk: Desk, run: Run, folder: Path, verdict: Verdict, number: int = 1, **changes: Any) -> str:
    """Log a reading of a run's plate as `linecall read --run` does, of a photo that nobody looks into."""
    photo = folder / f"plate-{number}.jpg"
    photo.write_bytes(b"photo %d" % number)
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    tie = tie_of(run)
    record = verdict.photo.model_copy(update={"sha256": digest, "name": photo.name})
    verdict = verdict.model_copy(
        update={"photo": record, "run": run.id, "departures": tie.departures} | changes
    )
    return desk.logbook.add_reading(
        verdict,
        [photo],
        Statement.of(operator=desk.by, **run.stated()),
        at=desk.now + timedelta(minutes=50),
        run=(run.id, run.last_seq),
    )


def later(desk: Desk) -> Desk:
    return at(desk, desk.now + timedelta(hours=1))


def test_a_departure_noted_after_the_grade_makes_it_invalid_openly_and_the_first_verdict_stays(
    desk: Desk, read_run: Run, tmp_path: Path
) -> None:
    reading = logged(desk, read_run, tmp_path, read_plate())
    run = note(later(desk), read_run.id, departure="drop-on-window")
    (done,) = grade_anew(desk.logbook, run, by=desk.by, at=later(desk).now)
    assert (done.before, done.after) == ("negligible", "invalid")
    stored = desk.logbook.reading(reading)
    assert stored.first.grade == "negligible"
    assert (stored.current.grade, stored.current.rule) == ("invalid", "a drop fell on a window")
    assert desk.logbook.row(reading).grade == "invalid"
    assert done.event.payload["reason"] == f"the departures of run {run.id} have changed"
    assert grade_anew(desk.logbook, run, by=desk.by, at=later(desk).now) == ()
    assert desk.logbook.verify().good


def test_a_departure_taken_back_brings_the_grade_back(desk: Desk, read_run: Run, tmp_path: Path) -> None:
    reading = logged(desk, read_run, tmp_path, read_plate(indicator_1="absent"))
    spoilt = note(later(desk), read_run.id, departure="drop-on-window")
    grade_anew(desk.logbook, spoilt, by=desk.by, at=later(desk).now)
    assert desk.logbook.row(reading).grade == "invalid"
    lifted = lift(later(desk), read_run.id, "drop-on-window", reason="glare")
    grade_anew(desk.logbook, lifted, by=desk.by, at=later(desk).now)
    assert desk.logbook.row(reading).grade == "moderate"


def test_no_reviewer_decides_a_departure_away_and_decisions_outlive_it(
    desk: Desk, read_run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubt = read_plate(indicator_1="doubtful")
    leave_photos_unread(monkeypatch, doubt)
    add_person(desk.logbook, "Vesna Rask", roles=["reviewer"], at=desk.now)
    add_person(desk.logbook, "Ilmar Soot", roles=["reviewer"], at=desk.now)
    reading = logged(desk, read_run, tmp_path, doubt)

    def decided(by: str, call: Any) -> str | None:
        made = Decision(
            window="1", mark="indicator", call=call, by=by, at=later(desk).now, reason="seen", blind=False
        )
        return decide(desk.logbook, reading, [made], policy=load_policy()).drawn.verdict.grade

    assert decided("Vesna Rask", "absent") == "moderate"
    grade_anew(
        desk.logbook,
        note(later(desk), read_run.id, departure="drop-on-window"),
        by=desk.by,
        at=later(desk).now,
    )
    assert desk.logbook.row(reading).grade == "invalid"
    current = desk.logbook.reading(reading).current
    assert current.windows[0].indicator.decided_by == ("Vesna Rask",)
    assert decided("Ilmar Soot", "absent") == "invalid"
    grade_anew(
        desk.logbook,
        lift(later(desk), read_run.id, "drop-on-window", reason="glare"),
        by=desk.by,
        at=later(desk).now,
    )
    assert desk.logbook.row(reading).grade == "moderate"
    for by in ("Vesna Rask", "Ilmar Soot"):
        done = withdraw(desk.logbook, reading, by=by, reason="slip", at=later(desk).now, policy=load_policy())
    assert done.drawn.verdict.grade == "undecided"


def test_a_call_that_one_reader_made_while_nothing_hung_on_it_releases_nothing_once_the_departure_is_gone(
    desk: Desk, read_run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubt = read_plate(indicator_1="doubtful")
    leave_photos_unread(monkeypatch, doubt)
    add_person(desk.logbook, "Vesna Rask", roles=["reviewer"], at=desk.now)
    reading = logged(desk, read_run, tmp_path, doubt)
    spoilt = note(later(desk), read_run.id, departure="drop-on-window")
    grade_anew(desk.logbook, spoilt, by=desk.by, at=later(desk).now)
    made = Decision(
        window="1",
        mark="indicator",
        call="present",
        by="Vesna Rask",
        at=later(desk).now,
        reason="seen",
        blind=False,
    )
    assert decide(desk.logbook, reading, [made], policy=load_policy()).drawn.verdict.grade == "invalid"
    lifted = lift(later(desk), read_run.id, "drop-on-window", reason="glare")
    grade_anew(desk.logbook, lifted, by=desk.by, at=later(desk).now)
    assert desk.logbook.row(reading).grade == "undecided"  # the bundled policy asks for two blind readers
    assert desk.logbook.row(reading).rank is not None


def test_what_a_reading_rests_on_and_is_corrected_since_makes_it_invalid_until_it_is_read_again(
    desk: Desk, read_run: Run, tmp_path: Path
) -> None:
    first = logged(desk, read_run, tmp_path, read_plate())
    drops = desk.now + timedelta(minutes=22)
    run = correct(later(desk), read_run.id, "drops", drops, reason="tapped late")
    assert codes(run) == {"corrected-since"}
    assert f"drops at of reading {first}; read its photo again with the run" in run.departures[0].sentence
    grade_anew(desk.logbook, run, by=desk.by, at=later(desk).now)
    assert desk.logbook.row(first).grade == "invalid"
    second = logged(desk, run, tmp_path, read_plate())
    run = settle(later(desk), run.id)
    assert run.departures == ()
    assert grade_anew(desk.logbook, run, by=desk.by, at=later(desk).now) == ()
    assert desk.logbook.row(first).superseded_by == second
    assert desk.logbook.row(second).grade == "negligible"
    assert [row.id for _, row in desk.logbook.point_readings("tallowmere", "N1-drain")] == [second]


def test_the_same_photo_read_without_its_run_never_takes_the_place_of_what_the_run_says(
    desk: Desk, read_run: Run, tmp_path: Path
) -> None:
    spoilt = note(desk, read_run.id, departure="drop-on-window")
    first = logged(desk, spoilt, tmp_path, read_plate(), grade="invalid", possible_grades=("invalid",))
    photo = tmp_path / "plate-1.jpg"
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    verdict = read_plate()
    verdict = verdict.model_copy(
        update={"photo": verdict.photo.model_copy(update={"sha256": digest, "name": photo.name})}
    )
    desk.logbook.add_reading(
        verdict, [photo], Statement.of(operator=desk.by, **spoilt.stated()), at=later(desk).now
    )
    assert desk.logbook.row(first).superseded_by is None


def test_one_photo_is_never_of_two_runs(desk: Desk, read_run: Run, tmp_path: Path) -> None:
    logged(desk, read_run, tmp_path, read_plate())
    other = begun(desk, point="S1-drain")
    for name, minutes in MINUTES:
        other = step(at(desk, desk.now + timedelta(minutes=minutes)), other.id, name)
    with pytest.raises(LinecallError, match=f"the photo is that of run {read_run.id} already"):
        logged(desk, other, tmp_path, read_plate())
    assert find_run(desk.logbook, other.id).readings == ()


def test_a_refused_photo_leaves_the_run_open_for_another_until_the_plate_is_too_old(
    desk: Desk, read_run: Run, tmp_path: Path
) -> None:
    from fixtures.verdicts import refused_verdict

    logged(desk, read_run, tmp_path, refused_verdict())
    now = desk.now + timedelta(minutes=51)
    assert state_in(desk.logbook, read_run.id, now=now) == "refused"
    assert state_in(desk.logbook, read_run.id, now=desk.now + timedelta(minutes=56)) == "late"
    logged(desk, find_run(desk.logbook, read_run.id), tmp_path, read_plate(), number=2)
    assert state_in(desk.logbook, read_run.id, now=now) == "read"


def test_a_run_gives_the_reading_its_layout_drops_identity_zone_and_departures(
    desk: Desk, read_run: Run
) -> None:
    run = note(desk, read_run.id, departure="plate-moved")
    order, _ = order_of_run(desk, run.id, Order(settings=load_settings()))
    assert order.settings.layout_named
    assert [layout.name for layout in order.settings.layouts] == ["comb"]
    assert order.settings.zone.source == "site"
    assert order.drops_at == run.drops_at
    assert order.statement is not None
    assert order.statement.as_payload() == {
        "operator": "R. Aalto",
        "tank": "North tank",
        "sample_point": "drain cock",
        "sample_phase": "fuel",
        "plate_lot": "CB-2604",
        "plate_expiry": "2027-10",
    }
    assert order.run is not None
    assert order.run.departures == (
        DepartureRecord(
            code="plate-moved",
            effect="warning",
            sentence="the plate was moved or tilted while it developed",
        ),
    )
    with pytest.raises(LinecallError, match='has layout "comb", revision 1, but layout "strip" was named'):
        order_of_run(desk, run.id, Order(settings=load_settings(layout="strip")))


def test_a_run_without_drops_or_that_is_over_has_no_photo(desk: Desk, read_run: Run) -> None:
    order = Order(settings=load_settings())
    with pytest.raises(LinecallError, match="does not say when the drops were put in"):
        order_of_run(desk, begun(desk, point="S1-drain").id, order)
    from reader.round.record import abandon

    abandon(later(desk), read_run.id, reason="rain")
    with pytest.raises(LinecallError, match="was abandoned, so no photo belongs to it"):
        order_of_run(replace(desk, now=later(desk).now), read_run.id, order)
