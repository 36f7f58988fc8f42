"""Runs in the logbook: beside readings, found by index, rebuilt from events, and older logbooks left as they are."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.logbook.export import verify_zip, write_zip
from reader.logbook.follow_up_events import ASKED, FollowUpAsked
from reader.logbook.run_events import (
    DEPARTURE,
    END,
    READING,
    STEP,
    FileRef,
    RunBegun,
    RunDeparture,
    RunEnd,
    RunStep,
)
from tests.reader.logbook.samples import AT, Place, add

FILE = FileRef(name="ours", revision=1, sha256="a" * 64)


def begun(point: str = "P1", **changes: object) -> RunBegun:
    fields = {
        "site": FILE, "procedure": FILE, "layout": FILE, "reading_age": (15.0, 30.0), "point": point, "tank": "T",
        "point_name": "drain", "tank_name": "tank", "phase": "fuel", "lot": "L1", "operator": "A. Technician",
        "at": AT, "entry": "at once",
    }  # fmt: skip
    return RunBegun.model_validate(fields | changes)


def stepped(name: str) -> tuple[str, RunStep]:
    return STEP, RunStep(step=name, at=AT, entry="at once")


def begin(logbook: Logbook, point: str = "P1", *steps: str) -> str:
    entries = [stepped(name) for name in steps]
    return logbook.begin_run(begun(point), entries, by="A. Technician", at=AT)


def tables_of(path: str) -> set[str]:
    with closing(sqlite3.connect(path)) as file:
        return {
            name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE name LIKE 'linecall%'")
        }


def format_of(path: str) -> str:
    with closing(sqlite3.connect(path)) as file:
        return str(file.execute("SELECT value FROM linecall_logbook WHERE name = 'format'").fetchone()[0])


def test_a_logbook_stays_as_it_is_until_its_first_run_and_keeps_every_byte_then(tmp_path: Path) -> None:
    place = Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "photos"))
    with place.open() as logbook:
        add(logbook, tmp_path)
        before = list(logbook.bodies())
        assert logbook.runs() == []
        assert logbook.point_readings("ours", "P1") == []
        with pytest.raises(LinecallError, match="there is no run 'abcdefgh'"):
            logbook.run_events("abcdefgh")
    assert format_of(place.where) == "1"
    assert "linecall_run" not in tables_of(place.where)
    with place.open(read_only=True) as logbook:
        assert logbook.verify().good
        assert logbook.runs(is_open=True) == []
    with place.open() as logbook:
        run = begin(logbook)
        assert list(logbook.bodies())[: len(before)] == before
        assert [row.id for row in logbook.runs()] == [run]
        assert logbook.verify().good
        assert logbook.verify().notes == ()
    assert format_of(place.where) == "2"


def test_the_list_of_runs_is_made_anew_from_the_events(place: Place, tmp_path: Path) -> None:
    with place.open() as logbook:
        run = begin(logbook, "P1", "sample", "drops")
        begin(logbook, "P2")
        add(logbook, tmp_path)
        rows = logbook.runs()
    place.tamper("DELETE FROM linecall_run")
    with place.open() as logbook:
        assert "lists show something else about its run" in (logbook.verify().problem or "")
        logbook.rebuild()
        assert logbook.runs() == rows
        assert logbook.verify().good
        assert logbook.runs(point="P1")[0].id == run


@pytest.mark.parametrize("column", ["point", "effect", "reading", "ended", "drops_utc", "last_seq"])
def test_a_row_of_a_run_that_was_changed_is_found(place: Place, column: str) -> None:
    value = "5" if column in {"drops_utc", "last_seq"} else "'xxxxxxxx'"
    with place.open() as logbook:
        begin(logbook, "P1", "sample", "drops")
    place.tamper(f"UPDATE linecall_run SET {column} = {value}")
    with place.open() as logbook:
        assert "lists show something else about its run" in (logbook.verify().problem or "")


def test_a_changed_event_of_a_run_is_found(place: Place) -> None:
    with place.open() as logbook:
        run = begin(logbook, "P1", "sample", "drops")
    place.tamper("UPDATE linecall_event SET body = replace(body, 'at once', 'at  once') WHERE seq = 2")
    with place.open() as logbook:
        assert logbook.verify().first_bad == 2
        with pytest.raises(LinecallError, match="event 2 of the logbook has been changed"):
            logbook.run_events(run)


def test_a_row_says_what_the_events_say(place: Place, tmp_path: Path) -> None:
    gone = RunDeparture(code="x", effect="invalid", sentence="x", found_by="person", stands=False)
    warned = RunDeparture(code="y", effect="warning", sentence="y", found_by="person")
    with place.open() as logbook:
        entries = [stepped("sample"), stepped("drops"), (DEPARTURE, gone.model_copy(update={"stands": True}))]
        run = logbook.begin_run(begun(), entries, by="A. Technician", at=AT)
        (row,) = logbook.runs()
        assert (row.departures, row.effect, row.reading) == (1, "invalid", None)
        assert row.readable_until is not None
        assert (row.readable_until - row.taken_at).total_seconds() == 30 * 60
        logbook.add_to_run(
            run, [(DEPARTURE, gone), (DEPARTURE, warned)], by="B", at=AT, expect_last=row.last_seq
        )
        (row,) = logbook.runs()
        assert (row.departures, row.effect) == (1, "warning")
        logbook.add_to_run(
            run, [(END, RunEnd(how="abandoned", reason="x"))], by="B", at=AT, expect_last=row.last_seq
        )
        assert logbook.runs(is_open=True) == []
        assert logbook.runs()[0].ended == "abandoned"
        assert logbook.verify().good


def test_entries_of_a_run_go_in_together_or_not_at_all(place: Place) -> None:
    with place.open() as logbook:
        begin(logbook, "P1")
        head = logbook.head()
        with pytest.raises(LinecallError, match="sample point P1 has an open run"):
            begin(logbook, "P1", "sample", "drops")
        assert logbook.head() == head
        assert logbook.verify().good


def test_events_of_runs_are_no_readings_and_take_no_reviews(place: Place) -> None:
    with place.open() as logbook:
        run = begin(logbook)
        assert logbook.readings() == []
        for kind in ("review", "correction", STEP):
            with pytest.raises(LinecallError, match="there is no reading"):
                logbook.append(kind, {}, by="B", reading=run, at=AT)
        with pytest.raises(LinecallError, match="there is no reading"):
            logbook.reading(run)


def test_a_reading_tied_to_a_run_is_found_by_its_point_the_last_sample_first(
    place: Place, tmp_path: Path
) -> None:
    from datetime import timedelta

    from reader.logbook import Statement
    from tests.reader.logbook.samples import photo, verdict_of

    with place.open() as logbook:
        made = []
        for number, days in ((1, 0), (2, 14), (3, 7)):  # the third sample was entered afterwards
            at = AT + timedelta(days=days)
            entries = [(STEP, RunStep(step=name, at=at, entry="at once")) for name in ("sample", "drops")]
            run = logbook.begin_run(begun(at=at), entries, by="A. Technician", at=AT + timedelta(days=20))
            path = photo(tmp_path, number)
            (row,) = [one for one in logbook.runs() if one.id == run]
            reading = logbook.add_reading(
                verdict_of(path),
                [path],
                Statement.of(operator="A. Technician"),
                at=AT + timedelta(days=20),
                run=(run, row.last_seq),
            )
            made.append((days, run, reading))
        found = logbook.point_readings("ours", "P1")
        assert [(run.id, reading.id) for run, reading in found] == [
            (run, reading) for _, run, reading in sorted(made, reverse=True)
        ]
        assert [
            reading.id for _, reading in logbook.point_readings("ours", "P1", since=AT + timedelta(days=10))
        ] == [made[1][2]]
        assert [run.id for run in logbook.runs(reading=made[0][2])] == [made[0][1]]
        assert logbook.run_events(made[0][1])[-1].kind == READING
        assert logbook.verify().good
        logbook.rebuild()
        assert logbook.point_readings("ours", "P1") == found


def test_an_export_with_runs_proves_itself(place: Place, tmp_path: Path) -> None:
    with place.open() as logbook, (tmp_path / "out.zip").open("wb") as file:
        begin(logbook, "P1", "sample", "drops")
        add(logbook, tmp_path)
        write_zip(logbook, file, at=AT)
    report = verify_zip(tmp_path / "out.zip")
    assert report.good
    assert report.readings == 1


def test_a_logbook_with_runs_and_follow_ups_is_taken_over_with_its_lists(tmp_path: Path) -> None:
    with Logbook.open(tmp_path / "old.sqlite") as old, Logbook.open(tmp_path / "new.sqlite") as new:
        run = begin(old, "P1", "sample", "drops")
        reading = add(old, tmp_path)
        asked = FollowUpAsked(
            site=FILE, reading=reading, point="P1", tank="T", point_name="drain", tank_name="tank", action="again",
            kind="sample", text="sample again", owner="A. Lind", since=AT, due_at=AT, grade="heavy", because="heavy",
        )  # fmt: skip
        old.add_to_follow_ups([("k7m3q2xw", ASKED, asked)], by="A. Technician", at=AT)
        for photo in old.reading(reading).photos:
            new.put_photo(photo.sha256, old.photo_bytes(photo.sha256))
        new.take_over([(digest, body) for _, digest, body in old.bodies()])
        assert new.runs() == old.runs()
        assert new.follow_ups() == old.follow_ups()
        assert new.run_events(run) == old.run_events(run)
        assert new.verify().problem is None


def test_the_bytes_of_a_runs_event_are_these(place: Place) -> None:
    # by hand from RFC 8785 (sorted keys, no spaces) and the payload's models: a later linecall must keep them
    with place.open() as logbook:
        run = begin(logbook, "P1", "sample")
        (_, first, _), (_, _, body) = logbook.bodies()
    id = body.split('"id":"')[1][:8]
    assert body == (
        f'{{"at":"2026-05-04T09:08:07+02:00","by":"A. Technician","id":"{id}","kind":"run_step",'
        '"payload":{"at":"2026-05-04T09:08:07+02:00","entry":"at once","step":"sample"},'
        f'"previous":"{first}","reading":"{run}","seq":2}}'
    )
