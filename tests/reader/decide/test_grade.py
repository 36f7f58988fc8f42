"""Grades over doubts, implausible patterns, and the reading age."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, timezone
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reader.decide.age import plate_expiry, reading_age
from reader.decide.grade import CallsError, Grade, departure_warning, grade_plate, next_step
from reader.decide.records import DepartureRecord, ExpiryRecord, ReadingAgeRecord
from reader.errors import LinecallError
from reader.settings.values import Layout, Rules, Window, load_layout, load_rules, load_texts
from reader.words import GRADES, Call, MarkName, SettledGrade
from reader.words.clock import load_zone

COMB = load_layout("comb")
STRIP = load_layout("strip")
RULES = load_rules("two-tier")
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=timezone(timedelta(hours=2)))
IN_RANGE = reading_age(COMB, stated_minutes=20, now=NOON)
EARLY = reading_age(COMB, stated_minutes=9, now=NOON)
LATE = reading_age(COMB, stated_minutes=45, now=NOON)
UNKNOWN = reading_age(COMB, now=NOON)


@dataclass(frozen=True)
class CalledMark:
    window: str
    mark: MarkName
    call: Call


def plate(layout: Layout = COMB, **other: Call) -> list[CalledMark]:
    """Calls of a plate on which all marks are present, but for those named: `reference_2="doubtful"`."""
    names: tuple[MarkName, ...] = ("reference", "indicator")
    return [
        CalledMark(window.id, name, other.get(f"{name}_{window.id}", "present"))
        for window in layout.window
        for name in names
    ]


def graded(
    calls: Iterable[CalledMark],
    layout: Layout = COMB,
    rules: Rules = RULES,
    age: ReadingAgeRecord = IN_RANGE,
    expiry: ExpiryRecord | None = None,
) -> Grade:
    return grade_plate(calls, layout, rules, age, expiry)


def sandwich(layout: Layout) -> Layout:
    return Layout.model_validate(
        layout.model_dump() | {"assay": {"format": "sandwich", "reading_age": layout.assay.reading_age}}
    )


# The table of grading rules for a two-tier fuel screen (common practice, no source), written down once more
# and for a competitive assay only, as a check of the rules file and of the function that applies it.
def grade_by_the_table(layout: Layout, calls: dict[tuple[str, str], str]) -> SettledGrade:
    if any(calls[window.id, "reference"] in ("absent", "undeveloped") for window in layout.window):
        return "invalid"
    absent = [window.tier for window in layout.window if calls[window.id, "indicator"] == "absent"]
    if "upper" in absent or absent.count("lower") >= 2:
        return "heavy"
    return "moderate" if absent.count("lower") == 1 else "negligible"


def all_settlings(calls: list[CalledMark]) -> Iterable[dict[tuple[str, str], str]]:
    """Every way to settle the doubtful marks of a competitive plate, one by one."""
    ways = {"indicator": ("present", "absent"), "reference": ("present", "absent", "undeveloped")}
    options = [ways[called.mark] if called.call == "doubtful" else (called.call,) for called in calls]
    for settled in product(*options):
        yield {(called.window, called.mark): call for called, call in zip(calls, settled, strict=True)}


@pytest.mark.parametrize(
    ("calls", "grade"),
    [
        (plate(), "negligible"),
        (plate(indicator_1="absent"), "moderate"),
        (plate(indicator_5="absent"), "moderate"),
        (plate(indicator_1="absent", indicator_3="absent"), "heavy"),
        (plate(indicator_2="absent", indicator_1="absent"), "heavy"),
        (plate(reference_4="absent"), "invalid"),
        (plate(reference_4="undeveloped"), "invalid"),
        (plate(reference_4="undeveloped", indicator_1="absent", indicator_2="absent"), "invalid"),
    ],
)
def test_the_grading_table_of_a_two_tier_screen_is_followed(calls: list[CalledMark], grade: str) -> None:
    # common practice, no source
    found = graded(calls)
    assert found.grade == grade
    assert found.possible_grades == (grade,)
    assert found.pivotal == ()


def test_the_deciding_row_is_named_in_words() -> None:
    assert graded(plate()).rule == "every window worked and none is above its cutoff"
    assert graded(plate(indicator_3="absent")).rule == "yeast above the lower cutoff"


def test_a_doubt_between_grades_is_undecided_and_names_the_pivotal_mark() -> None:
    found = graded(plate(indicator_1="doubtful"))
    assert found.grade == "undecided"
    assert found.possible_grades == ("negligible", "moderate")
    assert [(pivot.window, pivot.mark) for pivot in found.pivotal] == [("1", "indicator")]
    assert found.rule == (
        "moderate if bacteria above the lower cutoff; "
        "negligible if every window worked and none is above its cutoff"
    )


def test_a_doubt_that_changes_nothing_leaves_the_grade() -> None:
    found = graded(plate(indicator_2="absent", indicator_1="doubtful", indicator_3="doubtful"))
    assert (found.grade, found.pivotal) == ("heavy", ())
    assert found.rule == "bacteria above the upper cutoff"


def test_a_mark_is_pivotal_where_another_doubt_must_fall_a_certain_way_first() -> None:
    # either lower mark alone moves between moderate and heavy, or between negligible and moderate
    found = graded(plate(indicator_1="doubtful", indicator_3="doubtful", indicator_5="absent"))
    assert found.possible_grades == ("moderate", "heavy")
    assert [pivot.window for pivot in found.pivotal] == ["1", "3"]


def test_a_doubtful_reference_mark_may_make_the_plate_invalid() -> None:
    found = graded(plate(reference_6="doubtful"))
    assert (found.grade, found.possible_grades) == ("undecided", ("negligible", "invalid"))
    assert [(pivot.window, pivot.mark) for pivot in found.pivotal] == [("6", "reference")]


def test_a_doubtful_indicator_on_an_invalid_plate_is_not_pivotal() -> None:
    found = graded(plate(reference_1="absent", indicator_2="doubtful"))
    assert (found.grade, found.pivotal) == ("invalid", ())


def some_plate(layout: Layout = COMB) -> st.SearchStrategy[list[CalledMark]]:
    """Plates on which each mark is called any way, with present marks in the majority, as on real ones."""
    indicator = st.sampled_from(["present", "present", "present", "absent", "doubtful"])
    reference = st.sampled_from(["present"] * 9 + ["absent", "undeveloped", "doubtful", "doubtful"])
    return st.tuples(*(st.tuples(reference, indicator) for _ in layout.window)).map(
        lambda drawn: [
            CalledMark(window.id, mark, call)  # type: ignore[arg-type]
            for window, pair in zip(layout.window, drawn, strict=True)
            for mark, call in zip(("reference", "indicator"), pair, strict=True)
        ]
    )


@given(calls=some_plate())
@settings(max_examples=60, deadline=None)
def test_the_possible_set_is_what_trying_every_settling_gives(calls: list[CalledMark]) -> None:
    doubts = sum(called.call == "doubtful" for called in calls)
    if doubts > 7:  # a brute force of thousands of settlings
        calls = [CalledMark(c.window, c.mark, "present" if c.call == "doubtful" else c.call) for c in calls]
    tried = {grade_by_the_table(COMB, settled) for settled in all_settlings(calls)}
    found = graded(calls)
    assert set(found.possible_grades) == tried
    assert found.grade == (next(iter(tried)) if len(tried) == 1 else "undecided")


@given(calls=some_plate())
@settings(max_examples=60, deadline=None)
def test_pivotal_are_the_doubts_whose_call_changes_the_grade_in_some_settling(
    calls: list[CalledMark],
) -> None:
    doubts = [called for called in calls if called.call == "doubtful"]
    if len(doubts) > 6:
        doubts = doubts[:6]
        calls = [
            c if c in doubts or c.call != "doubtful" else CalledMark(c.window, c.mark, "present")
            for c in calls
        ]
    grade_of = {tuple(settled.items()): grade_by_the_table(COMB, settled) for settled in all_settlings(calls)}
    expected = set()
    for doubt in doubts:
        key = (doubt.window, doubt.mark)
        by_rest: dict[tuple[object, ...], set[str]] = {}
        for settled, grade in grade_of.items():
            rest = tuple(item for item in settled if item[0] != key)
            by_rest.setdefault(rest, set()).add(grade)
        if any(len(grades) > 1 for grades in by_rest.values()):
            expected.add(key)
    found = graded(calls)
    assert {(pivot.window, pivot.mark) for pivot in found.pivotal} == expected
    assert (found.grade == "undecided") == bool(expected)


@given(calls=some_plate(), data=st.data())
@settings(max_examples=60, deadline=None)
def test_settling_a_doubt_never_widens_the_possible_set(calls: list[CalledMark], data: st.DataObject) -> None:
    doubts = [index for index, called in enumerate(calls) if called.call == "doubtful"]
    before = set(graded(calls).possible_grades)
    for index in doubts:
        ways: list[Call] = ["present", "absent"]
        if calls[index].mark == "reference":
            ways.append("undeveloped")
        call = data.draw(st.sampled_from(ways))
        calls = [
            *calls[:index],
            CalledMark(calls[index].window, calls[index].mark, call),
            *calls[index + 1 :],
        ]
        after = set(graded(calls).possible_grades)
        assert after <= before
        before = after
    assert len(before) == 1


@given(calls=some_plate(), data=st.data())
@settings(max_examples=40, deadline=None)
def test_neither_the_order_of_the_calls_nor_that_of_the_windows_matters(
    calls: list[CalledMark], data: st.DataObject
) -> None:
    shuffled = COMB.model_copy(update={"window": tuple(data.draw(st.permutations(COMB.window)))})
    one, other = graded(calls), graded(data.draw(st.permutations(calls)), layout=shuffled)
    assert (one.grade, one.possible_grades) == (other.grade, other.possible_grades)
    words = [
        set(re.split(r"[ ,;]+", found.rule)) for found in (one, other)
    ]  # it names windows in the plate's order
    assert words[0] == words[1]
    assert {(p.window, p.mark) for p in one.pivotal} == {(p.window, p.mark) for p in other.pivotal}
    assert set(one.warnings) == set(other.warnings)


@given(calls=some_plate())
@settings(max_examples=40, deadline=None)
def test_one_rules_file_is_right_for_both_assay_formats(calls: list[CalledMark]) -> None:
    swap: dict[Call, Call] = {"present": "absent", "absent": "present"}
    mirrored = [
        CalledMark(c.window, c.mark, swap.get(c.call, c.call) if c.mark == "indicator" else c.call)
        for c in calls
    ]
    assert graded(mirrored, layout=sandwich(COMB)) == graded(calls)


def test_a_line_on_a_sandwich_plate_means_contamination() -> None:
    assert graded(plate(), layout=sandwich(COMB)).grade == "heavy"
    clear = [CalledMark(c.window, c.mark, "absent" if c.mark == "indicator" else "present") for c in plate()]
    assert graded(clear, layout=sandwich(COMB)).grade == "negligible"


def test_a_plate_of_one_window_is_graded_by_the_same_rules() -> None:
    assert graded(plate(STRIP), layout=STRIP).grade == "negligible"
    assert graded(plate(STRIP, indicator_1="absent"), layout=STRIP).grade == "moderate"
    both = graded(plate(STRIP, indicator_1="doubtful", reference_1="doubtful"), layout=STRIP)
    assert both.possible_grades == ("negligible", "moderate", "invalid")


def test_a_plate_of_twenty_windows_all_in_doubt_is_graded_exactly_and_at_once() -> None:
    windows = tuple(
        Window.model_validate(
            COMB.window[0].model_dump() | {"id": str(n), "tier": "upper" if n % 2 else "lower"}
        )
        for n in range(20)
    )
    layout = COMB.model_copy(update={"window": windows})
    calls = [CalledMark(c.window, c.mark, "doubtful") for c in plate(layout)]
    found = graded(calls, layout=layout)
    assert found.possible_grades == ("negligible", "moderate", "heavy", "invalid")
    assert len(found.pivotal) == 40


def test_upper_absent_while_lower_is_present_is_implausible_and_the_grade_stands() -> None:
    found = graded(plate(indicator_4="absent"))
    assert found.grade == "heavy"
    assert found.warnings == (
        "yeast: above its upper cutoff but below its lower one, which contradicts itself; "
        "the grade stands, but repeat with a new plate",
    )
    assert found.steps == ("heavy", "implausible")


def test_on_a_sandwich_plate_upper_present_while_lower_is_absent_is_implausible() -> None:
    calls = [CalledMark(c.window, c.mark, "absent" if c.mark == "indicator" else "present") for c in plate()]
    calls = [
        CalledMark(c.window, c.mark, "present" if (c.window, c.mark) == ("4", "indicator") else c.call)
        for c in calls
    ]
    assert [warning.split(":")[0] for warning in graded(calls, layout=sandwich(COMB)).warnings] == ["yeast"]


@pytest.mark.parametrize(
    "calls",
    [
        plate(indicator_3="absent"),
        plate(indicator_3="absent", indicator_4="absent"),
        plate(indicator_4="doubtful"),
        plate(indicator_3="doubtful", indicator_4="absent"),
        plate(indicator_4="absent", reference_4="absent"),
    ],
)
def test_nothing_is_implausible_where_the_tiers_agree_or_are_in_doubt_or_did_not_work(
    calls: list[CalledMark],
) -> None:
    assert graded(calls).warnings == ()


@pytest.mark.parametrize(
    "seen", [{}, {"indicator_1": "absent"}, {"indicator_2": "doubtful"}, {"reference_1": "undeveloped"}]
)
def test_before_the_reading_range_a_competitive_plate_gets_no_grade(seen: dict[str, Any]) -> None:
    found = graded(plate(**seen), age=EARLY)
    assert (found.grade, found.cause, found.possible_grades) == ("undecided", "time", GRADES)
    assert found.pivotal == ()  # no mark is looked at again: the plate is waited for
    assert found.steps == ("early",)


def test_before_the_reading_range_contamination_found_on_a_sandwich_plate_stands() -> None:
    calls = [CalledMark(c.window, c.mark, "absent" if c.mark == "indicator" else "present") for c in plate()]
    assert graded(calls, layout=sandwich(COMB), age=EARLY).cause == "time"
    one = [CalledMark(c.window, c.mark, "present" if c.window == "2" else c.call) for c in calls]
    found = graded(one, layout=sandwich(COMB), age=EARLY)
    assert (found.grade, found.steps) == ("heavy", ("heavy",))


def test_before_the_reading_range_an_absent_pair_of_tiers_is_not_called_implausible() -> None:
    assert graded(plate(indicator_4="absent"), age=EARLY).warnings == ()


@given(calls=some_plate(), is_sandwich=st.booleans())
@settings(max_examples=60, deadline=None)
def test_nothing_early_is_negligible_and_the_step_is_that_of_the_grade(
    calls: list[CalledMark], is_sandwich: bool
) -> None:
    found = graded(calls, layout=sandwich(COMB) if is_sandwich else COMB, age=EARLY)
    assert found.grade != "negligible"
    assert found.steps[0] == ("early" if found.cause == "time" else found.grade)


def test_after_the_reading_range_the_plate_is_invalid_whatever_it_shows() -> None:
    for calls in (plate(), plate(indicator_2="absent"), plate(indicator_1="doubtful")):
        found = graded(calls, age=LATE)
        assert (found.grade, found.possible_grades, found.pivotal) == ("invalid", ("invalid",), ())
        assert found.steps == ("late",)


def test_an_unknown_reading_age_does_not_change_the_grade() -> None:
    calls = plate(indicator_1="absent")
    assert graded(calls, age=UNKNOWN) == graded(calls, age=IN_RANGE)


def test_rules_of_a_users_own_are_applied(tmp_path: Path) -> None:
    file = tmp_path / "strict.toml"
    file.write_text(
        'rules = "strict"\nrevision = 1\ntitle = "Any finding is heavy"\n'
        'deliberately = ["negligible with a failed reference"]\n'
        '[[row]]\ngrade = "invalid"\nbecause = "two windows did not work"\nmark = "reference"\n'
        'call = ["absent"]\nat_least = 2\n'
        '[[row]]\ngrade = "heavy"\nbecause = "a window is above"\n'
        'mark = "indicator"\nfinding = "above cutoff"\n'
        '[[row]]\ngrade = "negligible"\nbecause = "none is above"\n',
        encoding="utf-8",
    )
    rules = load_rules(file)
    assert graded(plate(indicator_5="absent"), rules=rules).grade == "heavy"
    assert graded(plate(reference_1="absent"), rules=rules).grade == "negligible"
    assert graded(plate(reference_1="undeveloped", reference_2="absent"), rules=rules).grade == "negligible"
    assert graded(plate(reference_1="absent", reference_2="absent"), rules=rules).grade == "invalid"
    doubt = graded(plate(reference_1="doubtful", reference_2="doubtful"), rules=rules)
    assert (doubt.possible_grades, len(doubt.pivotal)) == (("negligible", "invalid"), 2)


@pytest.mark.parametrize(
    ("calls", "sentence"),
    [
        (plate()[1:], "the reference of window 1 has no call; every mark of the layout needs one"),
        ([*plate(), *plate()[:1]], "the reference of window 1 is called twice; give one call"),
        (
            [*plate(), CalledMark("7", "indicator", "present")],
            "layout comb has no indicator of window 7; grade by the plate's layout",
        ),
        (
            plate(indicator_2="undeveloped"),
            "the indicator of window 2 is called undeveloped, but it has no starting dye; "
            "call it present, absent or doubtful",
        ),
    ],
)
def test_calls_that_are_not_those_of_the_layout_are_refused(calls: list[CalledMark], sentence: str) -> None:
    with pytest.raises(CallsError) as caught:
        graded(calls)
    assert str(caught.value) == sentence


def test_the_next_step_is_the_sites_own_text() -> None:
    texts = load_texts("standard")
    found = graded(plate(indicator_4="absent"))
    assert next_step(found, texts) == f"{texts.next_step.heavy} {texts.next_step.implausible}"


# ------------------------------------------------------------------------------------------ reading age


def age_at(minutes: float) -> ReadingAgeRecord:
    return reading_age(COMB, stated_minutes=minutes, now=NOON)


@pytest.mark.parametrize(
    ("minutes", "status"),
    [(0, "early"), (14.9, "early"), (15, "in_range"), (30, "in_range"), (30.1, "late"), (600, "late")],
)
def test_the_layouts_range_is_15_to_30_minutes_with_both_ends(minutes: float, status: str) -> None:
    # the range of the bundled plates: common practice, no source
    assert age_at(minutes).status == status


def test_the_age_is_compared_as_it_is_shown() -> None:
    assert (age_at(14.96).minutes, age_at(14.96).status) == (15.0, "in_range")


@pytest.mark.parametrize("minutes", [-1.0, float("nan"), float("inf")])
def test_a_stated_age_that_is_no_age_is_refused(minutes: float) -> None:
    with pytest.raises(LinecallError, match=r"^the reading age is \S+ min, but must be 0 or more$"):
        age_at(minutes)


def test_an_early_photo_is_told_when_to_be_taken_again() -> None:
    drops = NOON - timedelta(minutes=30)
    age = reading_age(COMB, drops_at=drops, captured_at=drops + timedelta(minutes=9), now=NOON)
    assert (age.minutes, age.status, age.source) == (9.0, "early", "drops_at")
    assert age.sentence == (
        "photographed 9 min after the drops, but lines may form until 15 min: "
        "photograph it again in 6 min, between 11:45 and 12:00"
    )


def test_a_stated_early_age_gives_the_minutes_to_wait() -> None:
    assert age_at(9).sentence == (
        "photographed 9 min after the drops, but lines may form until 15 min: photograph it again in 6 min"
    )


def test_times_with_different_offsets_are_compared_as_instants() -> None:
    # RFC 3339, section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z
    captured = datetime.fromisoformat("1996-12-19T16:39:57-08:00")
    drops = datetime.fromisoformat("1996-12-20T00:19:57+00:00")
    assert reading_age(COMB, drops_at=drops, captured_at=captured, now=NOON).minutes == 20.0


LISBON = load_zone("Europe/Lisbon", "option")


def test_wall_clock_times_are_read_in_one_zone_and_that_is_said() -> None:
    drops, captured = datetime(2026, 5, 4, 11, 0), datetime(2026, 5, 4, 11, 21)
    age = reading_age(COMB, drops_at=drops, captured_at=captured, now=NOON + timedelta(hours=1), zone=LISBON)
    assert (age.minutes, age.status) == (21.0, "in_range")
    assert age.sentence.endswith("; both times are read in Europe/Lisbon (UTC+01:00), as --zone says")
    assert (age.zone, age.zone_source) == ("Europe/Lisbon", "option")


def test_drops_without_an_offset_are_on_the_wall_clock_of_the_photo() -> None:
    captured = datetime(2026, 5, 4, 11, 21, tzinfo=timezone(timedelta(hours=-7)))
    age = reading_age(
        COMB, drops_at=datetime(2026, 5, 4, 11, 0), captured_at=captured, now=NOON + timedelta(days=1)
    )
    assert age.minutes == 21.0


def test_a_camera_without_an_offset_is_read_in_the_zone_that_is_named() -> None:
    # IANA time zone data: Lisbon is at UTC+01:00 in May
    drops, captured, now = NOON, datetime(2026, 5, 4, 11, 20), NOON + timedelta(hours=1)
    age = reading_age(COMB, drops_at=drops, captured_at=captured, now=now, zone=LISBON)
    assert (age.minutes, age.status) == (20.0, "in_range")
    assert age.sentence.endswith("; the camera's time is read in Europe/Lisbon (UTC+01:00), as --zone says")
    by_rules = load_zone("+02:00", "rules")
    age = reading_age(COMB, drops_at=drops, captured_at=captured, now=now, zone=by_rules)
    assert (age.status, age.zone, age.zone_source) == ("contradictory", "UTC+02:00", "rules")


def test_a_time_of_day_is_the_last_before_the_photo_on_the_cameras_clock() -> None:
    captured = datetime(2026, 5, 4, 0, 10, tzinfo=timezone(timedelta(hours=2)))
    age = reading_age(COMB, drops_at=time(23, 50), captured_at=captured, now=NOON)
    assert (age.minutes, age.drops_at) == (20.0, datetime(2026, 5, 3, 23, 50, tzinfo=captured.tzinfo))
    late = reading_age(COMB, drops_at=time(0, 11), captured_at=captured, now=NOON)
    assert (late.minutes, late.status) == (23 * 60 + 59, "late")
    assert "photographed 23 h 59 min after the drops" in late.sentence
    unknown = reading_age(COMB, drops_at=time(23, 50), now=NOON)
    assert (unknown.status, unknown.drops_at) == ("unknown", None)
    assert "a time of day alone says nothing" in unknown.sentence


def test_the_hour_in_which_the_clocks_go_back_is_told_apart_or_not_trusted() -> None:
    # Directive 2000/84/EC: clocks go back on the last Sunday of October at 01:00 UTC, 02:00 in Lisbon
    drops, captured = datetime(2026, 10, 25, 1, 10), datetime(2026, 10, 25, 1, 30)
    after = datetime(2026, 10, 26, tzinfo=UTC)
    age = reading_age(COMB, drops_at=drops, captured_at=captured, now=after, zone=LISBON)
    assert age.status == "contradictory"
    assert "the clocks change in that hour" in age.sentence
    before = reading_age(
        COMB,
        drops_at=datetime(2026, 10, 25, 0, 40),
        captured_at=datetime(2026, 10, 25, 0, 59),
        now=after,
        zone=LISBON,
    )
    assert before.minutes == 19.0


@pytest.mark.parametrize(
    ("drops_at", "captured_at", "said"),
    [
        (
            NOON - timedelta(minutes=5),
            NOON - timedelta(minutes=17),
            "the photo was taken 12 min before the drops",
        ),
        (
            NOON - timedelta(minutes=5),
            NOON - timedelta(days=115),
            "the photo was taken 115 days before the drops",
        ),
        (
            NOON,
            NOON + timedelta(minutes=20),
            "the photo's capture time, 2026-05-04 12:20, lies in the future",
        ),
        (NOON + timedelta(hours=1), None, "the drops, 2026-05-04 13:00, lie in the future"),
    ],
)
def test_times_that_contradict_each_other_leave_every_grade_possible(
    drops_at: datetime, captured_at: datetime | None, said: str
) -> None:
    age = reading_age(COMB, drops_at=drops_at, captured_at=captured_at, now=NOON)
    assert (age.minutes, age.status) == (None, "contradictory")
    assert said in age.sentence
    assert "read it again with the right ones" in age.sentence
    for calls in (plate(), plate(indicator_2="absent"), plate(indicator_1="doubtful")):
        found = graded(calls, age=age)
        assert (found.grade, found.cause, found.possible_grades) == ("undecided", "time", GRADES)
        assert (found.pivotal, found.steps) == ((), ("times",))


def test_rules_may_ask_for_a_known_age() -> None:
    strict = RULES.model_copy(update={"reading_age": "must be known"})
    found = graded(plate(), rules=strict, age=UNKNOWN)
    assert (found.grade, found.cause, found.steps) == ("undecided", "time", ("times",))
    assert graded(plate(), rules=strict, age=IN_RANGE).grade == "negligible"


@pytest.mark.parametrize(
    ("expiry", "used", "expired"),
    [("2026-04", NOON, True), ("2026-05", NOON, False), ("2026-05-03", NOON, True), ("2026-05-04", NOON, False),
     ("2026-04", None, True), ("2026-06", None, False),
     ("2026-04", NOON.replace(year=1980), True)],  # a clock that was never set says nothing
)  # fmt: skip
def test_a_plate_past_its_expiry_is_invalid_unless_the_rules_only_warn(
    expiry: str, used: datetime | None, expired: bool
) -> None:
    age = reading_age(COMB, captured_at=used, now=NOON)
    held = plate_expiry(expiry, age, captured_at=used, now=NOON)
    assert held is not None
    assert (held.status == "expired") == expired
    assert graded(plate(), age=age, expiry=held).grade == ("invalid" if expired else "negligible")
    only_warn = RULES.model_copy(update={"expired_plate": "warning"})
    warned = graded(plate(), rules=only_warn, age=age, expiry=held)
    assert (warned.grade, len(warned.warnings)) == ("negligible", int(expired))


@pytest.mark.parametrize(
    ("drops_at", "captured_at", "said"),
    [
        (None, None, "neither it nor the time of the drops was given"),
        (None, NOON, "neither it nor the time of the drops was given"),
        (NOON, None, "the photo carries no capture time"),
    ],
)
def test_what_cannot_be_known_is_said_and_not_guessed(
    drops_at: datetime | None, captured_at: datetime | None, said: str
) -> None:
    age = reading_age(COMB, drops_at=drops_at, captured_at=captured_at, now=NOON + timedelta(hours=2))
    assert (age.minutes, age.status) == (None, "unknown")
    assert age.sentence == (
        f"reading age unknown: {said}; not checked whether the photo was taken 15 to 30 min after the drops"
    )


def test_a_photo_without_a_capture_time_is_early_while_its_drops_are_younger_than_the_plates_time() -> None:
    # whenever it was taken, it is there already
    early = reading_age(COMB, drops_at=NOON, now=NOON + timedelta(minutes=14))
    assert (early.minutes, early.status) == (14.0, "early")
    assert early.sentence.startswith(
        "photographed at most 14 min after the drops, but lines may form until 15 min"
    )
    assert reading_age(COMB, drops_at=NOON, now=NOON + timedelta(minutes=15)).status == "unknown"
    # a time without an offset may be any of the zone's: early only where all of them are
    wall = NOON.replace(tzinfo=None)
    lisbon = load_zone("Europe/Lisbon", "option")
    now = lisbon.instants(wall)[0] + timedelta(minutes=5)
    assert reading_age(COMB, drops_at=wall, now=now, zone=lisbon).status == "early"


def test_a_stated_age_stands_when_the_photos_clock_is_wrong_and_both_are_said() -> None:
    age = reading_age(COMB, stated_minutes=20, captured_at=NOON + timedelta(days=3), now=NOON)
    assert (age.minutes, age.status, age.source) == (20.0, "in_range", "stated")
    assert age.sentence.endswith("lies in the future, so its clock is wrong")


def test_a_wall_clock_time_is_in_the_future_only_where_it_is_so_all_over_the_earth() -> None:
    def said(captured: datetime) -> bool:
        return "future" in reading_age(COMB, captured_at=captured, now=NOON).sentence

    # NOON is 10:00 UTC, and 00:00 of the next day at UTC+14, the largest offset (IANA time zone data)
    assert not said(datetime(2026, 5, 5, 0, 0))
    assert said(datetime(2026, 5, 5, 0, 6))


def test_an_expiry_that_no_plate_has_is_warned_of() -> None:
    age = reading_age(COMB, captured_at=NOON, now=NOON)
    found = graded(plate(), age=age, expiry=plate_expiry("2062-05", age, captured_at=NOON, now=NOON))
    assert found.grade == "negligible"
    assert found.warnings == (
        "the plate's expiry, 2062-05, lies years further ahead than plates are kept; check it",
    )


@given(
    st.integers(-3_000_000, 3_000_000),
    st.booleans(),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_every_pair_of_times_gives_an_age_or_contradicts_itself(
    seconds: int, aware_drops: bool, aware_photo: bool
) -> None:
    drops, captured = NOON - timedelta(days=60), NOON - timedelta(days=60) + timedelta(seconds=seconds)
    age = reading_age(
        COMB,
        drops_at=drops if aware_drops else drops.replace(tzinfo=None),
        captured_at=captured if aware_photo else captured.replace(tzinfo=None),
        now=NOON,
        zone=load_zone("+02:00", "option"),
    )
    assert (age.status == "contradictory") == (seconds < 0)
    assert (age.minutes is None) == (age.status == "contradictory")
    if seconds >= 0:
        assert age.minutes == pytest.approx(seconds / 60, abs=0.051)


# --- departures ------------------------------------------------------------------------------------------------------

SPOILT = DepartureRecord(code="drop-on-window", effect="invalid", sentence="a drop fell on a window")
HASTY = DepartureRecord(code="settled-too-short", effect="warning", sentence="the sample settled for 3 min")
SOFT = RULES.model_copy(update={"departure": "warning"})


def departed(
    *departures: DepartureRecord,
    rules: Rules = RULES,
    minutes: float = 20,
    calls: dict[str, Call] | None = None,
) -> Grade:
    age = reading_age(COMB, stated_minutes=minutes, now=NOON)
    return grade_plate(plate(COMB, **(calls or {})), COMB, rules, age, None, departures)


SHOWN: tuple[dict[str, Call], ...] = ({}, {"indicator_1": "absent"}, {"indicator_1": "doubtful"})


def test_a_departure_that_the_procedure_calls_invalid_makes_the_plate_so_whatever_it_shows() -> None:
    for calls in SHOWN:
        grade = departed(SPOILT, HASTY, calls=calls)
        assert (grade.grade, grade.possible_grades) == ("invalid", ("invalid",))
        assert grade.rule == "a drop fell on a window"
        assert grade.warnings == ("departure from the procedure: the sample settled for 3 min",)


def test_a_departure_that_warns_leaves_the_grade_and_is_said() -> None:
    for calls in SHOWN:
        grade = departed(HASTY, calls=calls)
        assert grade.grade == departed(calls=calls).grade
        assert grade.warnings == (departure_warning(HASTY),)


def test_rules_may_take_a_departure_for_a_warning_but_never_in_silence() -> None:
    grade = departed(SPOILT, rules=SOFT)
    assert grade.grade == "negligible"
    assert grade.warnings == (
        "departure from the procedure: a drop fell on a window; the rules take that for a warning",
    )


def test_departures_are_said_too_where_the_time_decides() -> None:
    for minutes in (5.0, 45.0):
        assert departed(HASTY, minutes=minutes).warnings == (departure_warning(HASTY),)
    assert departed(SPOILT, minutes=45.0).rule == departed(minutes=45.0).rule


# --- two clocks -------------------------------------------------------------------------------------------------------

DROPS = datetime.fromisoformat("2026-05-04T11:00:00+02:00")


@pytest.mark.parametrize(
    ("camera", "own", "status", "said"),
    [
        (20, 21, "in_range", "photographed 20 min after the drops, within 15 to 30 min"),
        (17, 28, "in_range", "the camera's clock is 11 min behind the one that noted drops and photo"),
        (28, 17, "in_range", "the camera's clock is 11 min ahead of the one that noted drops and photo"),
        (None, 20, "in_range", "by the clock that noted both"),
        (None, 40, "late", "by the clock that noted both"),
        (
            20,
            45,
            "contradictory",
            "20 min after the drops by the camera's clock, 45 min by the one that noted",
        ),
        (
            45,
            20,
            "contradictory",
            "45 min after the drops by the camera's clock, 20 min by the one that noted",
        ),
    ],
)
def test_a_camera_whose_clock_disagrees_with_the_runs_is_said_and_believed_only_where_it_changes_nothing(
    camera: float | None, own: float, status: str, said: str
) -> None:
    age = reading_age(
        COMB,
        drops_at=DROPS,
        captured_at=None if camera is None else DROPS + timedelta(minutes=camera),
        photo_at=DROPS + timedelta(minutes=own),
        now=DROPS + timedelta(hours=3),
    )
    assert age.status == status
    assert said in age.sentence
