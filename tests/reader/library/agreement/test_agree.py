"""Who agrees with whom: counted by hand, by brute force, and against a model of graders that is known."""

import itertools
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from reader.decide.grade import grade_plate
from reader.decide.records import ReadingAgeRecord
from reader.errors import LinecallError
from reader.library import consensus
from reader.library.agreement.agree import Agreement, Comparison, agree
from reader.library.consensus import load_consensus
from reader.library.report import Origin, agreement_page, to_json
from reader.library.tidy import MarkRow
from reader.settings.values import load_layout, load_rules
from reader.words import GRADES, Call, MarkName
from tests.reader.library.agreement.simulated_rows import PEOPLE, Person, library

GUESSES: tuple[Call, ...] = ("present", "absent", "doubtful")
SETTLED: tuple[Call, ...] = ("present", "absent")

approx = pytest.approx

ORIGIN = Origin(library="Harbour school", made_at=datetime(2026, 5, 4, 9, 8, tzinfo=UTC))


def rows_of(
    *marks: tuple[str | None, str, Sequence[str]],
    mark: str = "indicator",
    graders: Sequence[str] = ("Ada", "Bo", "Cyd"),
) -> list[MarkRow]:
    """One plate a mark: its consensus, linecall's call, and the graders' calls, "" where there is none."""
    rows = []
    for number, (agreed, tool, calls) in enumerate(marks):
        given = [(name, call) for name, call in zip(graders, calls, strict=False) if call]
        rows += [
            MarkRow(
                example=f"E{number:03}", plate=f"E{number:03}", window="1", mark=mark, tier="lower", analyte="A",
                strength="faint", light="lamp", layout="comb", grader=name, role="expert" if name else "", call=call,
                consensus=agreed, tool_call=tool, height=0.02, standard_error=0.002, sha256=f"{number:064x}",
            )
            for name, call in given or [("", "")]
        ]  # fmt: skip
    return rows


def between(report: Agreement, first: str, second: str) -> Comparison:
    return next(one for one in report.parts[0].comparisons if (one.first, one.second) == (first, second))


def test_calls_are_counted_as_by_hand_and_doubt_both_ways() -> None:
    rows = rows_of(
        *[("present", "present", ("present",))] * 57,
        *[("absent", "present", ("absent",))] * 3,
        *[("present", "absent", ("present",))] * 3,
        *[("absent", "absent", ("absent",))] * 57,
        *[("present", "doubtful", ("present",))] * 4,
        *[("absent", "doubtful", ("absent",))] * 2,
        *[(None, "present", ("present",))] * 5,
    )
    found = between(agree(rows), "linecall", "consensus")
    assert (found.n, found.no_second) == (126, 5)
    assert [row[:3] for row in found.table[:3]] == [(57, 3, 0), (3, 57, 0), (4, 2, 0)]
    as_present, as_absent = found.countings
    assert (as_present.doubtful_as, as_absent.doubtful_as) == ("present", "absent")
    assert (as_present.both, as_present.only_first, as_present.only_second, as_present.neither) == (
        61,
        5,
        3,
        57,
    )
    assert (as_absent.both, as_absent.only_first, as_absent.only_second, as_absent.neither) == (57, 3, 7, 59)
    assert [as_present.ppa.value, as_present.npa.value] == approx([61 / 64, 57 / 62])
    assert [as_absent.ppa.value, as_absent.npa.value] == approx([57 / 64, 59 / 62])
    assert (
        sum((as_present.both, as_present.only_first, as_present.only_second, as_present.neither)) == found.n
    )


def test_a_reference_that_is_undeveloped_is_not_present() -> None:
    rows = rows_of(
        *[("absent", "undeveloped", ("absent",))] * 12,
        *[("present", "present", ("present",))] * 12,
        mark="reference",
    )
    found = between(agree(rows), "linecall", "consensus")
    assert found.countings[0].overall.value == 1
    assert found.kappa.observed == approx(0.5)  # as made, the calls differ


def test_a_person_is_held_against_the_consensus_of_the_others() -> None:
    rule = load_consensus()
    rng = np.random.default_rng(1)
    calls: list[Call] = ["present", "absent", "doubtful"]
    marks = []
    for _ in range(300):
        three = [str(rng.choice(calls)) if rng.random() < 0.8 else "" for _ in range(3)]
        agreed = consensus.agree([call for call in three if call], rule).call  # type: ignore[misc]
        marks.append((agreed, "present", three))
    report = agree(rows_of(*marks), rule=rule)
    for left_out, name in enumerate(("Ada", "Bo", "Cyd")):
        expected = np.zeros((4, 4), int)
        order = ["present", "absent", "doubtful", "undeveloped"]
        for _, _, three in marks:
            others = [call for i, call in enumerate(three) if call and i != left_out]
            of_others = consensus.agree(others, rule).call  # type: ignore[arg-type]
            if three[left_out] and of_others:
                expected[order.index(three[left_out]), order.index(of_others)] += 1
        assert between(report, name, "consensus").table == tuple(map(tuple, expected.tolist()))
        assert not between(report, name, "consensus").own_call_inside


def test_without_a_rule_it_is_said_that_the_consensus_holds_ones_own_call() -> None:
    report = agree(rows_of(*[("present", "present", ("present", "present"))] * 20))
    assert between(report, "Ada", "consensus").own_call_inside
    assert any("holds each person's own calls" in note for note in report.notes)


def test_a_trainee_who_does_not_count_is_held_against_the_whole_consensus() -> None:
    rows = rows_of(*[("present", "present", ("present", "present", "absent"))] * 20)
    rows = [replace(row, role="trainee") if row.grader == "Cyd" else row for row in rows]
    report = agree(rows, rule=load_consensus())
    assert between(report, "Cyd", "consensus").n == 20
    assert not [one for one in report.parts[0].comparisons if (one.first, one.second) == ("Ada", "consensus")]


def test_a_later_call_of_the_same_person_replaces_the_earlier() -> None:
    rows = rows_of(*[("present", "present", ("absent",))] * 12)
    later = [pair for row in rows for pair in (row, replace(row, call="present"))]
    assert between(agree(later), "Ada", "consensus").countings[0].ppa.value == 1


def test_grades_follow_from_calls_as_the_reader_grades_them() -> None:
    layout, rules = load_layout("comb"), load_rules()
    rng = np.random.default_rng(2)
    rows: list[MarkRow] = []
    truth: dict[tuple[int, str], list[str]] = {}
    age = ReadingAgeRecord(
        minutes=20, status="in_range", source="stated", range_minutes=(15, 30), sentence="20 min"
    )
    for number in range(120):
        faults = rng.random() * 0.4
        made: dict[str, dict[tuple[str, MarkName], Call]] = {}
        for name in ("Ada", "linecall"):
            made[name] = {
                (window.id, mark): GUESSES[rng.choice(3, p=[1 - faults, faults / 2, faults / 2])]
                if mark == "indicator" or rng.random() < 0.05
                else "present"
                for window in layout.window
                for mark in ("indicator", "reference")
            }
        for way, name in itertools.product(("present", "absent"), made):
            settled = [_Called(w, m, way if c == "doubtful" else c) for (w, m), c in made[name].items()]  # type: ignore[arg-type]
            truth.setdefault((0 if way == "present" else 1, name), []).append(
                grade_plate(settled, layout, rules, age, None).grade
            )
        tiers = {window.id: window.tier for window in layout.window}
        rows += [
            MarkRow(
                example=f"E{number}", plate=f"E{number}", window=window, mark=mark, tier=tiers[window], analyte="A",
                strength="faint", light="lamp", layout="comb", grader="Ada", role="expert", call=call,
                consensus=made["linecall"][window, mark], tool_call="present", height=None, standard_error=None,
                sha256="0" * 64,
            )
            for (window, mark), call in made["Ada"].items()
        ]  # fmt: skip
    report = agree(rows, rules=rules, assays={"comb": layout.assay.format})
    compared = [one for one in report.grades if (one.first, one.second) == ("Ada", "consensus")]
    assert len(compared) == 2
    for place, one in enumerate(compared):
        expected = np.zeros((4, 4), int)
        for mine, other in zip(truth[place, "Ada"], truth[place, "linecall"], strict=True):
            expected[GRADES.index(mine), GRADES.index(other)] += 1
        assert one.table == tuple(map(tuple, expected.tolist()))
        assert (expected.sum(axis=1) > 0).sum() >= 3


class _Called:
    def __init__(self, window: str, mark: MarkName, call: Call) -> None:
        self.window, self.mark, self.call = window, mark, call


def test_a_plate_that_a_person_called_in_part_has_no_grade_of_theirs() -> None:
    rows = list(library(12, photos=(1,)))
    rows = [row for row in rows if not (row.grader == "Ada Quill" and row.window == "3")]
    report = agree(rows, rule=load_consensus(), rules=load_rules(), assays={"comb": "competitive"})
    assert not [one for one in report.grades if "Ada Quill" in (one.first, one.second)]
    assert [one for one in report.grades if one.first == "Bo Marsh"]
    unknown = agree(rows, rules=load_rules(), assays={})
    assert unknown.grades == ()
    assert any("assay format is not known" in note for note in unknown.notes)


def test_where_they_part_the_worst_comes_first() -> None:
    rows = rows_of(
        ("present", "present", ("present", "present", "present")),
        ("present", "doubtful", ("present", "present", "present")),
        ("absent", "present", ("present", "absent", "absent")),
        ("present", "present", ("present", "absent", "present")),
        (None, "present", ("present", "absent", "")),
        ("absent", "present", ("absent", "absent", "absent")),
    )
    report = agree(rows)
    assert [(one.example, one.opposed, one.doubtful) for one in report.parted] == [
        ("E002", 2, 0), ("E003", 1, 0), ("E004", 1, 0), ("E005", 1, 0), ("E001", 0, 1)
    ]  # fmt: skip
    worst = report.parted[0].marks[0]
    assert (worst.consensus, worst.tool, dict(worst.calls)) == (
        "absent", "present", {"Ada": "present", "Bo": "absent", "Cyd": "absent"}
    )  # fmt: skip
    cut = agree(rows, listed=2)
    assert (len(cut.parted), cut.parted_in_all) == (2, 5)


def test_a_grader_of_another_threshold_is_told_from_one_like_the_rest() -> None:
    people = (*PEOPLE[:2], Person(name="Sees less", threshold=0.012))
    report = agree(library(300, people=people, photos=(1,)), rule=load_consensus())
    alike, stricter = (
        between(report, "Ada Quill", second).countings[1].mcnemar for second in ("Bo Marsh", "Sees less")
    )
    assert stricter.only_first > 10 * stricter.only_second
    assert stricter.p_by_plate is not None
    assert stricter.p_by_plate < 1e-6
    assert alike.p_by_plate is not None
    assert alike.p_by_plate > 1e-6
    assert report.parts[0].alpha.value == approx(report.parts[0].fleiss.value, abs=0.02)


def test_linecall_and_a_person_are_judged_on_the_same_marks() -> None:
    report = agree(library(100), rule=load_consensus())
    for one in report.parts[0].contests:
        right = one.both_right + one.mcnemar.only_second
        counting = between(report, one.second, "consensus").countings[
            0 if one.doubtful_as == "present" else 1
        ]
        assert one.both_right + one.both_wrong + one.mcnemar.only_first + one.mcnemar.only_second == one.n
        assert right == counting.overall.hits


def test_too_little_is_said_and_not_numbered() -> None:
    report = agree(rows_of(*[("present", "present", ("present", "absent"))] * 3))
    found = between(report, "Ada", "Bo")
    assert found.kappa.value is None
    assert "only 3 marks" in found.kappa.note
    assert found.countings[0].ppa.value is None
    assert agree(rows_of(("present", "present", ()))).parts[0].fleiss.value is None


def test_nobody_or_one_person_is_said() -> None:
    nobody = agree(rows_of(*[(None, "present", ())] * 12))
    assert nobody.parts[0].comparisons == ()
    assert any("No person has graded" in note for note in nobody.notes)
    assert any("only grader" in note for note in agree(rows_of(("present", "present", ("present",)))).notes)
    assert agree([]).parts == ()


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        (
            "call",
            "maybe",
            "window 1: the call 'maybe' is not known; expected present, absent, doubtful, undeveloped",
        ),
        ("tool_call", "", "the call '' is not known"),
        ("consensus", "yes", "the consensus 'yes'"),
        ("mark", "test", "the mark 'test'"),
        ("tier", "middle", "the tier 'middle'"),
    ],
)
def test_rows_with_unknown_terms_are_refused(field: str, value: str, said: str) -> None:
    wrong: dict[str, Any] = {field: value}
    row = replace(rows_of(("present", "present", ("present",)))[0], **wrong)
    with pytest.raises(LinecallError, match=said):
        agree([row])


def test_rows_of_one_example_must_come_together() -> None:
    rows = rows_of(("present", "present", ("present",)), ("present", "present", ("present",)))
    with pytest.raises(LinecallError, match="E000: its rows do not come together"):
        agree([rows[0], rows[1], rows[0]])


# ------------------------------------------------------------------------------------------ reports


def full() -> Agreement:
    return agree(library(40), rule=load_consensus(), rules=load_rules(), assays={"comb": "competitive"})


def test_json_holds_every_figure_and_the_same_input_gives_the_same_bytes() -> None:
    report = full()
    first, again = to_json(report, ORIGIN), to_json(full(), ORIGIN)
    assert first == again
    content = json.loads(first)
    assert content["report"] == "agreement"
    assert content["methods"]["kappa"].startswith("Cohen 1960")
    found = content["parts"][0]["comparisons"][0]["countings"][0]["ppa"]
    expected = report.parts[0].comparisons[0].countings[0].ppa
    assert found["value"] == approx(expected.value, rel=1e-5)
    assert found["by_plate"] == approx(expected.by_plate, rel=1e-5)


class _Page(HTMLParser):
    """Tags left open, and addresses that the page would fetch."""

    VOID = frozenset({"meta", "link", "br", "line", "rect", "circle", "polyline", "path"})

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.words: list[str] = []
        self.feed(page.decode())

    def handle_starttag(self, tag: str, attrs: Iterable[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        self.fetched += [
            value for name, value in attrs if name in {"href", "src"} and value and value != "data:,"
        ]

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_page_is_whole_fetches_nothing_and_shows_the_figures() -> None:
    report = full()
    page = agreement_page(report, ORIGIN)
    read = _Page(page)
    assert read.open == []
    assert read.fetched == []
    assert b"<script" not in page
    text = " ".join("".join(read.words).split())
    ppa = report.parts[0].comparisons[0].countings[0].ppa
    assert ppa.value is not None
    assert f"{ppa.hits} of {ppa.of}" in text
    assert f"{100 * ppa.value:.1f} %" in text
    assert "not independent" in text


def test_names_that_look_like_html_stay_text() -> None:
    rows = rows_of(*[("present", "absent", ("present", "absent"))] * 20, graders=("<img src=x>", "A&B"))
    page = agreement_page(agree(rows, rule=load_consensus()), replace(ORIGIN, library="<b>x</b>"))
    assert b"<img" not in page
    assert b"<b>x</b>" not in page
    assert b"&lt;img src=x&gt;" in page


def test_a_page_of_nothing_can_be_made() -> None:
    assert _Page(agreement_page(agree([]), ORIGIN)).open == []
