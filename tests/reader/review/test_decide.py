"""Decisions: who may make them, how many count, what they do to the grade."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.verdicts import refused_verdict
from reader.review.decide import Decision, DecisionError, check_decisions, check_plate, regrade, weigh
from reader.review.policy import Policy, load_policy
from reader.settings.values import Layout
from reader.verdict.model import Verdict, load_verdict, to_bytes
from reader.words import Call
from tests.reader.review.samples import COMB, ONE_READER, RULES, TEXTS, decision, policy_of, read_plate

STANDARD = load_policy()
DOUBT = read_plate(indicator_3="doubtful")  # a lower-tier window: negligible or moderate
TECHNICIAN = "Ilmar Soot"


def policy(**changes: Any) -> Policy:
    made = Policy.model_validate(STANDARD.model_dump() | changes)
    made._sha256 = "d4" * 32
    return made


def graded(first: Verdict, *decisions: Decision, policy: Policy = ONE_READER) -> Verdict:
    return regrade(first, decisions, layout=COMB, rules=RULES, texts=TEXTS, policy=policy)


def open_sentences(verdict: Verdict) -> list[str]:
    assert verdict.review is not None
    return [mark.sentence for mark in verdict.review.open]


def refuses(
    new: Sequence[Decision],
    said: str,
    *,
    first: Verdict = DOUBT,
    earlier: Sequence[Decision] = (),
    layout: Layout = COMB,
    policy: Policy = STANDARD,
) -> None:
    with pytest.raises(DecisionError) as caught:
        check_decisions(new, first=first, earlier=earlier, hands=[TECHNICIAN], layout=layout, policy=policy)
    assert said in str(caught.value)


def allows(
    *new: Decision, first: Verdict = DOUBT, earlier: Sequence[Decision] = (), policy: Policy = STANDARD
) -> None:
    check_decisions(new, first=first, earlier=earlier, hands=[TECHNICIAN], layout=COMB, policy=policy)


# --- what a decision does ------------------------------------------------------------------------------


@pytest.mark.parametrize(("call", "grade"), [("present", "negligible"), ("absent", "moderate")])
def test_a_doubt_that_one_reader_settles_gives_the_grade(call: Any, grade: str) -> None:
    after = graded(DOUBT, decision(call=call))
    assert (after.grade, after.possible_grades, after.pivotal) == (grade, (grade,), ())
    assert after.windows[2].indicator.call == call
    assert after.next_step == getattr(TEXTS.next_step, grade)


def test_the_first_verdict_stays_as_it_was_and_is_kept_beside() -> None:
    before = to_bytes(DOUBT)
    after = graded(DOUBT, decision())
    assert to_bytes(DOUBT) == before
    assert after.review is not None
    assert after.review.first_grade == "undecided"
    assert after.review.first_possible_grades == ("negligible", "moderate")
    assert after.windows[2].indicator.first_call == "doubtful"
    assert after.windows[2].indicator.height == DOUBT.windows[2].indicator.height


def test_a_decided_mark_says_who_called_it_what_and_why() -> None:
    [record] = graded(DOUBT, decision()).windows[2].indicator.decisions
    assert (record.by, record.call, record.reason, record.blind) == (
        "Vesna Rask",
        "present",
        "an even line over the whole breadth",
        False,
    )


def test_the_verdict_names_the_policy_by_revision_and_hash() -> None:
    review = graded(DOUBT, decision()).review
    assert review is not None
    assert (review.policy.name, review.policy.revision, review.policy.sha256) == (
        "ours",
        ONE_READER.revision,
        ONE_READER.sha256,
    )


def test_a_reviewed_verdict_is_read_back_as_it_was_written() -> None:
    after = graded(read_plate(indicator_3="absent"), decision(blind=True), decision("1", by="B", minutes=1))
    assert load_verdict(to_bytes(after)) == after


def test_an_idle_doubt_is_settled_by_one_reader_and_the_grade_stays() -> None:
    heavy = read_plate(indicator_2="absent", indicator_3="doubtful")
    after = graded(heavy, decision(call="absent"))
    assert (after.grade, after.windows[2].indicator.call) == ("heavy", "absent")


def test_warnings_about_the_photos_stay_and_those_about_the_calls_are_made_anew() -> None:
    first = read_plate(indicator_1="present", indicator_2="absent")
    analyte = first.windows[0].analyte
    assert [warning.partition(":")[0] for warning in first.warnings] == [analyte]
    first = first.model_copy(update={"warnings": (*first.warnings, "b.jpg was left out")})
    blind = [decision("2", by=by, blind=True) for by in ("A", "B")]
    assert graded(first, *blind).warnings == ("b.jpg was left out",)
    assert graded(first, decision("3")).warnings == first.warnings


def test_a_confirmed_call_is_recorded_and_changes_nothing() -> None:
    after = graded(DOUBT, decision("1"))
    assert after.grade == "undecided"
    assert after.windows[0].indicator.decided_by == ("Vesna Rask",)


# --- how many readers ----------------------------------------------------------------------------------


MODERATE = read_plate(indicator_3="absent")


def test_one_blind_reader_does_not_change_a_grade_and_what_is_missing_is_said() -> None:
    after = graded(MODERATE, decision(blind=True))
    assert (after.grade, after.windows[2].indicator.call) == ("moderate", "absent")
    assert after.windows[2].indicator.decisions == ()
    assert open_sentences(after) == ["the indicator of window 3: 1 of 2 blind readers"]


def test_a_pending_decision_does_not_say_what_the_reader_called() -> None:
    # whoever reads blind after may see the reviewed verdict
    texts = [
        to_bytes(graded(MODERATE, decision(call=call, blind=True, reason="seen"))).decode()
        for call in ("present", "doubtful")
    ]
    assert texts[0] == texts[1]


def test_two_blind_readers_with_one_call_change_a_grade() -> None:
    after = graded(MODERATE, decision(blind=True), decision(by="Oren Lade", blind=True, minutes=5))
    assert (after.grade, after.windows[2].indicator.call) == ("negligible", "present")
    assert after.windows[2].indicator.decided_by == ("Vesna Rask", "Oren Lade")
    assert open_sentences(after) == []


def test_a_reader_who_saw_the_calls_does_not_count_among_blind_ones() -> None:
    after = graded(MODERATE, decision(blind=True), decision(by="Oren Lade", minutes=5))
    assert after.grade == "moderate"
    assert open_sentences(after) == ["the indicator of window 3: 1 of 2 blind readers"]


def test_a_site_may_ask_two_blind_readers_for_a_doubt_too() -> None:
    strict = policy_of(settles_doubt=(2, True))
    assert graded(DOUBT, decision(blind=True), policy=strict).grade == "undecided"
    both = (decision(blind=True), decision(by="Oren Lade", blind=True))
    assert graded(DOUBT, *both, policy=strict).grade == "negligible"


def test_a_call_made_by_one_reader_cannot_ride_on_one_made_by_two() -> None:
    # Three lower windows are absent: heavy. Either call alone leaves it so, both together make it moderate.
    heavy = read_plate(indicator_1="absent", indicator_3="absent", indicator_5="absent")
    alone = decision("1")
    two = (decision("3", by="B", blind=True, minutes=1), decision("3", by="C", blind=True, minutes=2))
    after = graded(heavy, alone, *two)
    assert after.grade == "heavy"
    assert after.windows[2].indicator.call == "present"
    assert after.windows[0].indicator.call == "absent"
    assert open_sentences(after) == ["the indicator of window 1: 0 of 2 blind readers"]


# --- readers who disagree ------------------------------------------------------------------------------


def test_two_readers_who_disagree_leave_the_doubt_and_a_third_is_asked() -> None:
    after = graded(DOUBT, decision(), decision(call="absent", by="Oren Lade", minutes=1))
    assert (after.grade, after.windows[2].indicator.call) == ("undecided", "doubtful")
    assert open_sentences(after) == [
        "the indicator of window 3: readers disagree, so it is doubtful and goes to a third reader"
    ]


def test_a_third_reader_outvotes_one_of_two_and_all_three_are_told() -> None:
    votes = (decision(), decision(call="absent", by="B", minutes=1), decision(by="C", minutes=2))
    after = graded(DOUBT, *votes)
    assert after.grade == "negligible"
    mark = after.windows[2].indicator
    assert (mark.decided_by, len(mark.decisions)) == (("Vesna Rask", "C"), 3)


def test_readers_who_disagree_about_a_called_mark_make_it_doubtful() -> None:
    after = graded(MODERATE, decision(blind=True), decision(call="absent", by="B", blind=True, minutes=1))
    assert (after.grade, after.possible_grades) == ("undecided", ("negligible", "moderate"))
    assert after.windows[2].indicator.first_call == "absent"
    assert open_sentences(after) == [
        "the indicator of window 3: readers disagree, so it is doubtful and goes to a third blind reader"
    ]


def test_open_readers_cannot_change_a_grade_by_disagreeing_first() -> None:
    votes = (decision(), decision(call="absent", by="B", minutes=1), decision(by="C", minutes=2))
    after = graded(MODERATE, *votes)
    assert after.grade == "undecided"
    assert open_sentences(after) == ["the indicator of window 3: 0 of 2 blind readers"]


def test_two_against_two_stays_doubtful() -> None:
    calls = ("present", "absent", "present", "absent")
    votes = [decision(call=call, by=f"R{n}", minutes=n) for n, call in enumerate(calls)]  # type: ignore[arg-type]
    after = graded(DOUBT, *votes)
    assert after.grade == "undecided"
    assert "another reader" in open_sentences(after)[0]


def test_a_site_may_leave_a_disagreement_doubtful_for_good() -> None:
    votes = (decision(), decision(call="absent", by="B", minutes=1), decision(by="C", minutes=2))
    after = graded(DOUBT, *votes, policy=policy(disagreement="stays doubtful"))
    assert after.grade == "undecided"
    assert open_sentences(after) == ["the indicator of window 3: readers disagree, and it stays doubtful"]


def test_a_reader_who_cannot_tell_leaves_the_doubt() -> None:
    after = graded(DOUBT, decision(call="doubtful"))
    assert (after.grade, after.windows[2].indicator.decided_by) == ("undecided", ("Vesna Rask",))


@given(
    data=st.lists(
        st.tuples(
            st.sampled_from([w.id for w in COMB.window]),
            st.sampled_from(["present", "absent", "doubtful"]),
            st.sampled_from(["A", "B", "C", "D"]),
        ),
        max_size=14,
        unique_by=lambda vote: (vote[0], vote[2]),
    ),
    blind=st.sets(st.sampled_from(["A", "B", "C", "D"])),
    own=st.lists(st.sampled_from(["present", "absent", "doubtful"]), min_size=6, max_size=6),
)
@settings(max_examples=100, deadline=None)
def test_no_grade_comes_that_was_not_possible_without_marks_on_which_two_blind_readers_agree(
    data: list[tuple[str, Any, str]], blind: set[str], own: list[Any]
) -> None:
    first = read_plate(**{f"indicator_{n}": call for n, call in enumerate(own, start=1)})
    votes = [decision(w, call, by=by, blind=by in blind, minutes=n) for n, (w, call, by) in enumerate(data)]
    after = graded(first, *votes)
    if after.grade == "undecided" or after.grade in first.possible_grades:
        return
    agreed = [
        standing
        for standing in weigh(first, votes, layout=COMB, rules=RULES, policy=ONE_READER)
        if standing.counts
        and sum(vote.blind and vote.call == standing.call for vote in standing.decisions) >= 2
    ]
    assert agreed


def test_readers_who_disagree_on_other_marks_do_not_make_a_change_look_like_settling_a_doubt() -> None:
    both: tuple[tuple[Call, str], ...] = (("present", "A"), ("absent", "B"))
    disputes = [decision(w, call, by=by) for w in "13" for call, by in both]
    after = graded(read_plate(), *disputes, decision("2", "absent", by="A"))
    assert after.windows[1].indicator.call == "present"
    assert "the indicator of window 2: 0 of 2 blind readers" in open_sentences(after)


@given(order=st.permutations(range(5)))
@settings(max_examples=40, deadline=None)
def test_the_grade_does_not_depend_on_the_order_of_agreeing_blind_readers(order: list[int]) -> None:
    votes = [
        decision("3", by="A", blind=True),
        decision("3", by="B", blind=True),
        decision("1", "absent", by="A", blind=True),
        decision("1", "absent", by="C", blind=True),
        decision("5", by="C", blind=True),
    ]
    first = read_plate(indicator_3="absent", indicator_5="doubtful")
    after = graded(first, *(votes[n] for n in order))
    assert (after.grade, after.review is not None and after.review.open) == ("moderate", ())


# --- what is not allowed -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["Ilmar Soot", " ilmar  SOOT ", "Soot, Ilmar", "Ílmar Soot"])
def test_a_technician_does_not_review_their_own_reading_however_they_write_their_name(name: str) -> None:
    refuses(
        [decision(by=name)],
        "had a hand in reading this plate, and by policy standard nobody reviews their own",
    )


def test_a_site_may_let_technicians_review_their_own() -> None:
    allows(decision(by=TECHNICIAN), policy=policy(own_readings=True))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"by": "  "}, "needs the name of who decides"),
        ({"reason": "\n\t "}, "needs a reason"),
        ({"by": "x" * 201}, "the name has 201 characters, but may have 200"),
        ({"reason": "x" * 1001}, "the reason has 1001 characters, but may have 1000"),
        ({"window": "9"}, 'layout comb has no window "9"; its windows are 1, 2, 3, 4, 5, 6'),
        ({"mark": "control"}, 'window 3 has no mark "control", but an indicator and a reference'),
        ({"call": "undeveloped"}, "present, absent or doubtful; it has no starting dye"),
        ({"call": "maybe"}, 'the indicator of window 3 cannot be "maybe"'),
    ],
)
def test_a_decision_that_cannot_be_is_told_so(changes: dict[str, Any], said: str) -> None:
    refuses([replace(decision(), **changes)], said)


def test_a_reference_mark_cannot_be_undeveloped_where_the_layout_gives_no_starting_dye() -> None:
    marks = COMB.marks.model_dump()
    marks["reference"]["undeveloped_colour"] = None
    plain = Layout.model_validate(COMB.model_dump() | {"marks": marks})
    refuses(
        [decision(call="undeveloped", mark="reference")], "this layout gives no starting dye", layout=plain
    )


def test_one_mark_is_decided_once_by_one_reader() -> None:
    refuses([decision(), decision(call="absent")], "the indicator of window 3 is decided on twice")
    refuses(
        [decision(by="vesna rask")], "has decided on the indicator of window 3 already", earlier=[decision()]
    )


def test_who_has_seen_the_calls_is_no_blind_reader_afterwards() -> None:
    refuses([decision("1", blind=True)], "cannot read it blind", earlier=[decision()])
    allows(decision("1"), earlier=[decision(blind=True)])


def test_nobody_decides_on_a_refused_photo() -> None:
    with pytest.raises(DecisionError, match="this photo was refused"):
        check_plate(refused_verdict(), STANDARD)


def test_nobody_decides_on_a_plate_that_may_no_longer_be_read() -> None:
    late = read_plate("late", indicator_3="doubtful")
    with pytest.raises(DecisionError, match="but the plate may be read up to 30 min only"):
        check_plate(late, STANDARD)
    check_plate(late, policy(closed_to_review=("refused",)))
    assert graded(late, decision()).grade == "invalid"  # such a policy does not make the plate younger


def test_an_early_reading_is_decided_as_far_as_its_lines_are_there() -> None:
    early = read_plate("early", indicator_3="doubtful")
    check_plate(early, STANDARD)
    allows(decision(), first=early)
    assert early.cause == "time"
    assert graded(early, decision()).grade == "undecided"  # the plate's time has not come, whatever is there
    assert graded(early, decision(call="absent")).grade == "undecided"  # what is not may still come


def test_nobody_decides_on_a_mark_that_the_photo_does_not_show() -> None:
    hidden = read_plate(indicator_3="doubtful", not_seen="indicator_3")
    refuses([decision()], "the photo does not show its place", first=hidden)


def test_a_window_that_did_not_run_is_not_talked_into_having_run() -> None:
    stopped = read_plate(reference_3="undeveloped")
    refuses([decision(mark="reference")], "nobody replaces the call undeveloped", first=stopped)
    refuses([decision(mark="reference", blind=True)], "nobody replaces linecall's call of", first=stopped)
    allows(decision(mark="reference", call="undeveloped"), first=stopped)


def test_no_decision_is_no_review() -> None:
    refuses([], "there is no decision")


# --- towards release ---------------------------------------------------------------------------------------

PRESENT = [decision(call="present", by=by, blind=True) for by in ("Vesna Rask", "Oren Lade")]


@pytest.mark.parametrize("votes", [[decision()], [decision(), decision(by="Oren Lade")], PRESENT[:1]])
def test_one_reader_or_two_who_saw_the_calls_do_not_release_a_doubtful_plate(votes: list[Decision]) -> None:
    after = graded(DOUBT, *votes, policy=STANDARD)
    assert (after.grade, after.possible_grades) == ("undecided", ("negligible", "moderate"))
    assert "of 2 blind readers" in open_sentences(after)[0]


def test_two_blind_readers_do() -> None:
    assert graded(DOUBT, *PRESENT, policy=STANDARD).grade == "negligible"


def test_one_reader_holds_a_doubtful_plate() -> None:
    assert graded(DOUBT, decision(call="absent"), policy=STANDARD).grade == "moderate"


def test_a_worse_grade_is_ruled_out_by_two_even_where_the_plate_is_not_released() -> None:
    worse = read_plate(indicator_1="absent", indicator_3="doubtful")  # moderate or heavy
    assert graded(worse, decision(call="present"), policy=STANDARD).possible_grades == ("moderate", "heavy")
    assert graded(worse, *PRESENT, policy=STANDARD).grade == "moderate"
    failed = read_plate(reference_3="doubtful")  # negligible or invalid
    developed = decision(mark="reference", call="present")
    assert graded(failed, developed, policy=STANDARD).possible_grades == ("negligible", "invalid")
    assert graded(failed, decision(mark="reference", call="absent"), policy=STANDARD).grade == "invalid"


@given(st.permutations(["1", "3", "5"]), st.integers(0, 2))
@settings(max_examples=30, deadline=None)
def test_no_order_of_decisions_lets_one_reader_into_a_release(order: list[str], alone: int) -> None:
    doubts = read_plate(indicator_1="doubtful", indicator_3="doubtful", indicator_5="doubtful")
    votes = [
        decision(window, by=by, blind=True)
        for n, window in enumerate(order)
        for by in (("Vesna Rask",) if n == alone else ("Vesna Rask", "Oren Lade"))
    ]
    assert graded(doubts, *votes, policy=STANDARD).grade == "undecided"
    complete = [*votes, decision(order[alone], by="Oren Lade", blind=True)]
    assert graded(doubts, *complete, policy=STANDARD).grade == "negligible"
