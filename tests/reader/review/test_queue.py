"""The queue: what waits, in which order, in which words, and what a blind reader is told of it."""

from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.review.policy import load_policy
from reader.review.queue import Page, ago, waiting_page
from reader.review.record import decide
from reader.verdict.model import Verdict
from tests.reader.review.books import add, leave_photos_unread
from tests.reader.review.samples import NOON, decision, read_plate

NOW = NOON + timedelta(days=1)
DOUBT = read_plate(indicator_3="doubtful")


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Logbook]:
    leave_photos_unread(monkeypatch, DOUBT)
    with Logbook.open(tmp_path / "log.db") as opened:
        yield opened


def dropped_at(verdict: Verdict, moment: datetime) -> Verdict:
    """The same plate with its drops put in at another time; it may be read from 15 to 30 minutes after."""
    assert verdict.reading_age is not None
    age = verdict.reading_age.model_copy(update={"source": "drops_at", "drops_at": moment})
    return verdict.model_copy(update={"reading_age": age})


def close_call(margin: float) -> Verdict:
    """A plate with a present mark so many standard errors over its limit of blank."""
    first = read_plate()
    mark = first.windows[0].indicator.model_copy(
        update={"height": 0.0062 + margin * 0.0021, "limit_of_blank": 0.0062, "standard_error": 0.0021}
    )
    windows = (first.windows[0].model_copy(update={"indicator": mark}), *first.windows[1:])
    return first.model_copy(update={"windows": windows})


def page(book: Logbook, **options: Any) -> Page:
    return waiting_page(book, **({"now": NOW} | options))


def test_the_most_urgent_comes_first(book: Logbook, tmp_path: Path) -> None:
    urgent_last = [
        ("contradiction", read_plate(indicator_1="present", indicator_2="absent")),
        ("invalid", read_plate(reference_3="absent")),
        ("close", close_call(0.8)),
        ("closer", close_call(0.2)),
        ("idle", read_plate(indicator_2="absent", indicator_1="absent", indicator_3="doubtful")),
        ("deciding", DOUBT),
        ("open longer", dropped_at(close_call(0.9), NOW - timedelta(minutes=12))),
        ("closes first", dropped_at(close_call(0.9), NOW - timedelta(minutes=25))),
        ("settled", read_plate()),
    ]
    for number, (name, verdict) in enumerate(urgent_last, start=1):
        add(book, tmp_path, verdict, number=number, tank=name)
    assert [entry.tank for entry in page(book).entries] == [
        "closes first",
        "open longer",
        "deciding",
        "idle",
        "closer",
        "close",
        "invalid",
        "contradiction",
    ]


def test_a_plate_stops_being_urgent_when_its_reading_time_is_over(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, dropped_at(close_call(0.5), NOW), number=1, tank="open")
    add(book, tmp_path, DOUBT, number=2, tank="doubt")
    soon, late = NOW + timedelta(minutes=29), NOW + timedelta(minutes=31)
    assert [entry.tank for entry in page(book, now=soon).entries] == ["open", "doubt"]
    assert [entry.tank for entry in page(book, now=late).entries] == ["doubt", "open"]
    assert page(book, now=soon).entries[0].open_until == NOW + timedelta(minutes=30)
    assert page(book, now=late).entries[1].open_until is None


@pytest.mark.parametrize(
    ("verdict", "why"),
    [
        (DOUBT, "1 doubtful mark, and the grade turns on it"),
        (
            read_plate(indicator_1="doubtful", indicator_3="doubtful"),
            "2 doubtful marks, and the grade turns on it",
        ),
        (
            read_plate("early", indicator_3="absent"),
            "photographed 9 min after the drops, but lines may form until 15 min: photograph it again in 6 min",
        ),
        (
            read_plate(indicator_2="absent", indicator_1="absent", indicator_3="doubtful"),
            "1 doubtful mark, the grade stands",
        ),
        (close_call(0.5), "a call 0.5 standard errors from its limit"),
        (read_plate(reference_3="absent"), "invalid: see whether the plate or the reading failed"),
    ],
)
def test_why_it_waits_is_said(book: Logbook, tmp_path: Path, verdict: Verdict, why: str) -> None:
    add(book, tmp_path, verdict)
    assert page(book).entries[0].why == why


def test_what_earlier_readers_left_open_is_said(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, read_plate(indicator_3="absent"))
    decide(book, reading, [decision(blind=True)], policy=load_policy())
    assert page(book).entries[0].why == "the indicator of window 3: 1 of 2 blind readers"


def test_it_is_counted_and_said_since_when(book: Logbook, tmp_path: Path) -> None:
    assert (page(book).count, page(book).since) == (0, None)
    for number in range(1, 6):
        add(book, tmp_path, DOUBT, number=number, at=NOON + timedelta(hours=number))
    found = page(book, size=2, number=3)
    assert (found.count, found.since, found.pages, len(found.entries)) == (5, NOON + timedelta(hours=1), 3, 1)
    ids = [entry.id for number in (1, 2, 3) for entry in page(book, size=2, number=number).entries]
    assert len(set(ids)) == 5
    with pytest.raises(LinecallError, match="there is no page 4; 5 readings in all, 2 on a page"):
        page(book, size=2, number=4)


def test_filters_choose_what_is_shown_and_what_is_counted(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, DOUBT, number=1, tank="A", sample_point="sump")
    add(book, tmp_path, read_plate(reference_3="absent"), number=2, tank="A", at=NOON + timedelta(hours=9))
    add(book, tmp_path, read_plate(indicator_1="doubtful"), number=3, tank="B")
    analytes = [window.analyte for window in DOUBT.windows]
    assert analytes[0] != analytes[2]

    def chosen(**options: Any) -> list[str]:
        found = page(book, **options)
        assert found.count == len(found.entries)
        return sorted(entry.photo for entry in found.entries)

    assert chosen(tank="A") == ["plate-1.jpg", "plate-2.jpg"]
    assert chosen(grade="invalid") == ["plate-2.jpg"]
    assert chosen(sample_point="sump", tank="A") == ["plate-1.jpg"]
    assert chosen(since=NOON + timedelta(hours=8)) == ["plate-2.jpg"]
    assert chosen(in_doubt=analytes[0]) == ["plate-3.jpg"]
    assert chosen(in_doubt="%") == []
    assert chosen(tank="C") == []


def test_a_blind_reader_is_told_nothing_that_was_called(book: Logbook, tmp_path: Path) -> None:
    # Two plates that differ in all that was called look alike.
    told: list[dict[str, object]] = []
    for verdict in (DOUBT, read_plate(reference_3="absent", indicator_1="absent")):
        reading = add(book, tmp_path, verdict, number=len(told) + 1, tank="A", at=NOON)
        [entry] = [found for found in page(book, blind=True).entries if found.id == reading]
        told.append(asdict(entry) | {"id": "", "photo": ""})
    assert told[0] == told[1]
    for filters, option in (({"grade": "heavy"}, "--grade"), ({"in_doubt": "yeast"}, "--analyte")):
        with pytest.raises(LinecallError, match=f"a list by {option} tells a blind reader"):
            page(book, blind=True, **filters)


@pytest.mark.parametrize(
    ("passed", "words"),
    [
        (timedelta(seconds=59), "0 min"),
        (timedelta(minutes=59), "59 min"),
        (timedelta(hours=47), "47 h"),
        (timedelta(days=2), "2 days"),
        (timedelta(seconds=-5), "0 min"),
    ],
)
def test_how_long_ago_is_said_in_whole_units(passed: timedelta, words: str) -> None:
    assert ago(NOW - passed, NOW) == words
