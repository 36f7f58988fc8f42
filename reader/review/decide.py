"""A reader's decisions: what the policy says to them, and the verdict graded anew with those that count.

All here is a function of values: the first verdict, all decisions made on it so far, and the settings. A mark
has the call that enough readers give it, else linecall's own; while readers disagree it is doubtful. All
are graded by the function that grades linecall's own, and what a decision does to the grade says how many
readers it takes.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from reader.anew.grade_anew import calls_of, graded, marks_of
from reader.decide.grade import next_step
from reader.errors import LinecallError
from reader.review.policy import DecisionEffect, Policy, Readers
from reader.settings.values import Layout, Rules, Texts
from reader.verdict.model import (
    DecisionRecord,
    Mark,
    OpenDecision,
    ReviewRecord,
    SettingsRecord,
    Verdict,
)
from reader.words import CALLS_OF, GRAVITY, Call, MarkName, shown
from reader.words import MarkKey as Key
from reader.words.names import NAME_MAX, folded, is_one_of
from reader.words.sayings import OneOf, Said, Sayings

REASON_MAX: Final = 1000  # characters; more than ten lines
OUTVOTES: Final = 2  # readers with one call where another reader has made another one

SAYS: Final = Sayings(
    "review",
    {
        "mark_of": "the {mark} of window {window}",
        "another_person": "another person must decide",
        "no_decision": "there is no decision; name a window, a mark and a call",
        "twice": "{decision} is decided on twice; give one call for it",
        "no_name": "a decision needs the name of who decides, but the name is empty",
        "no_reason": "a decision needs a reason, but the reason is empty; say what you saw",
        "name_long": "the name has {n} characters, but may have {most}",
        "reason_long": "the reason has {n} characters, but may have {most}",
        "own": "{by} had a hand in reading this plate, and by policy {policy} nobody reviews their own; {others}",
        "refused": "this photo was refused ({refused}), and no reviewer can decide on it; {remedy}",
        "closed": "by policy {policy} nobody decides on this plate: {age}; {next_step}",
        "no_window": "layout {layout} has no window {window}; its windows are {windows}",
        "no_mark": "window {window} has no mark {mark}, but an indicator and a reference",
        "no_call": "{decision} cannot be {call}, but {calls}",
        "no_dye": "{decision} cannot be {call}, but {calls}; it has no starting dye",
        "layout_no_dye": "{decision} cannot be {call}, but {calls}; this layout gives no starting dye",
        "not_seen": "by policy {policy} nobody decides on {decision}: the photo does not show its place; "
        "take another photo while the plate may be read, or repeat with a new plate",
        "kept": "by policy {policy} nobody replaces the call {call} of {decision}; repeat with a new plate",
        "kept_blind": "by policy {policy} nobody replaces linecall's call of {decision}; repeat with a new plate",
        "already": "{by} has decided on {decision} already, {at}; what was decided stays, and another reader may "
        "decide otherwise",
        "in_view": "{by} has decided on this plate with its calls in view, so cannot read it blind",
    },
)
"""What the policy says to a decision."""
STANDING_SAYS: Final = Sayings(
    "standing",
    {
        "settled": "the {mark} of window {window}: settled",
        "stays": "the {mark} of window {window}: readers disagree, and it stays doubtful",
        "third": "the {mark} of window {window}: readers disagree, so it is doubtful and goes to a third reader",
        "third_blind": "the {mark} of window {window}: readers disagree, so it is doubtful and goes to a third blind "
        "reader",
        "another": "the {mark} of window {window}: readers disagree, so it is doubtful and goes to another reader",
        "another_blind": "the {mark} of window {window}: readers disagree, so it is doubtful and goes to another blind "
        "reader",
        "one": "the {mark} of window {window}: {n} of 1 reader",
        "one_blind": "the {mark} of window {window}: {n} of 1 blind reader",
        "more": "the {mark} of window {window}: {n} of {asked} readers",
        "more_blind": "the {mark} of window {window}: {n} of {asked} blind readers",
    },
)
"""What a mark still waits for, as verdicts keep it."""


class DecisionError(LinecallError):
    """A decision that cannot be, or that the policy does not allow; nothing has been changed."""


def mark_of(key: Key) -> Said:
    """Such as `the indicator of window 3`."""
    window, mark = key
    return SAYS("mark_of", mark=mark, window=window)


@dataclass(frozen=True, kw_only=True, slots=True)
class Decision:
    """What one reader calls one mark, and why; `blind`: without seeing linecall's call or another's."""

    window: str
    mark: MarkName
    call: Call
    by: str
    reason: str
    at: datetime
    blind: bool = False

    @property
    def key(self) -> Key:
        """Window and mark."""
        return self.window, self.mark

    @property
    def said(self) -> Said:
        """Such as `the indicator of window 3`."""
        return mark_of(self.key)

    def __str__(self) -> str:
        """`said`, in English."""
        return str(self.said)


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """Where the decisions on one mark stand.

    call : what the mark is called now; counts : whether that is the readers' call, else it is linecall's own,
    or doubtful because they disagree. readers : how many of the `needed` ones there are so far; blind :
    whether only blind ones count. sentence : what is missing; it never says what anyone called the mark.
    """

    window: str
    mark: MarkName
    call: Call
    decisions: tuple[Decision, ...]
    counts: bool
    readers: int
    needed: int
    blind: bool
    disagree: bool
    sentence: str


# --- what is allowed ---------------------------------------------------------------------------------------


def check_decisions(
    new: Sequence[Decision],
    *,
    first: Verdict,
    earlier: Sequence[Decision],
    hands: Iterable[str],
    layout: Layout,
    policy: Policy,
    elsewhere: Sequence[Decision] = (),
    others: Said | None = None,
) -> None:
    """Raise DecisionError at the first decision that cannot be or is not allowed on a plate open to review.

    first : the verdict as it was read. earlier : all decisions on it so far. hands : names of those who had a hand
    in reading its plate. elsewhere : decisions on other readings of that plate. others : who else may decide.
    """
    if not new:
        raise DecisionError(SAYS("no_decision"))
    seen: set[Key] = set()
    for decision in new:
        check_reader(decision.by, decision.reason, hands=hands, policy=policy, others=others)
        _check_mark(decision, first, layout, policy)
        if decision.key in seen:
            raise DecisionError(SAYS("twice", decision=decision.said))
        seen.add(decision.key)
        _check_independence(decision, earlier, elsewhere)


def check_reader(
    by: str, reason: str, *, hands: Iterable[str], policy: Policy, others: Said | None = None
) -> None:
    """Raise DecisionError where this person may not review this reading, or gives no name or reason."""
    if not by.strip():
        raise DecisionError(SAYS("no_name"))
    if not reason.strip():
        raise DecisionError(SAYS("no_reason"))
    for what, text, most in (("name", by, NAME_MAX), ("reason", reason, REASON_MAX)):
        if len(text) > most:
            raise DecisionError(SAYS(f"{what}_long", n=len(text), most=most))
    check_hands(by, hands=hands, policy=policy, others=others)


def check_hands(by: str, *, hands: Iterable[str], policy: Policy, others: Said | None = None) -> None:
    """Raise DecisionError where somebody had a hand in the reading, and the policy lets nobody review their own."""
    if not policy.own_readings and is_one_of(by, hands):
        raise DecisionError(
            SAYS(
                "own",
                by=shown(by.strip(), quote=""),
                policy=policy.name,
                others=others or SAYS("another_person"),
            )
        )


def check_plate(first: Verdict, policy: Policy) -> None:
    """Raise DecisionError where nobody may decide on anything of this reading."""
    if first.status == "refused":
        raise DecisionError(SAYS("refused", refused=first.reason, remedy=first.remedy))
    age = first.reading_age
    if age is not None and age.status in policy.closed_to_review:
        raise DecisionError(SAYS("closed", policy=policy.name, age=age.sentence, next_step=first.next_step))


def _check_mark(decision: Decision, first: Verdict, layout: Layout, policy: Policy) -> None:
    ids = [window.id for window in layout.window]
    if decision.window not in ids:
        raise DecisionError(
            SAYS("no_window", layout=layout.name, window=shown(decision.window), windows=", ".join(ids))
        )
    if decision.mark not in CALLS_OF:
        raise DecisionError(SAYS("no_mark", window=decision.window, mark=shown(decision.mark)))
    possible = [
        call for call in CALLS_OF[decision.mark] if call != "undeveloped" or _has_starting_dye(layout)
    ]
    if decision.call not in possible:
        code = "no_call"
        if decision.call == "undeveloped":
            code = "no_dye" if decision.mark == "indicator" else "layout_no_dye"
        calls = OneOf(possible)
        raise DecisionError(SAYS(code, decision=decision.said, call=shown(decision.call), calls=calls))
    mark = marks_of(first)[decision.key]
    if "not_seen" in policy.closed_to_review and mark.height is None:
        raise DecisionError(SAYS("not_seen", policy=policy.name, decision=decision.said))
    if decision.call != mark.call and mark.call not in policy.may_replace:
        code = "kept_blind" if decision.blind else "kept"
        raise DecisionError(SAYS(code, policy=policy.name, call=mark.call, decision=decision.said))


def _has_starting_dye(layout: Layout) -> bool:
    return layout.marks.reference.undeveloped_colour is not None


def _check_independence(
    decision: Decision, earlier: Sequence[Decision], elsewhere: Sequence[Decision]
) -> None:
    own = [before for before in earlier if folded(before.by) == folded(decision.by)]
    for before in own:
        if before.key == decision.key:
            raise DecisionError(
                SAYS("already", by=before.by, decision=decision.said, at=f"{before.at:%Y-%m-%d %H:%M}")
            )
    own += [before for before in elsewhere if folded(before.by) == folded(decision.by)]
    if decision.blind:
        check_unseen(decision.by, own)


def check_unseen(by: str, own: Iterable[Decision]) -> None:
    """Raise DecisionError where one of somebody's own decisions on a plate was made with its calls in view."""
    if any(not before.blind for before in own):
        raise DecisionError(SAYS("in_view", by=by))


# --- which decisions count ---------------------------------------------------------------------------------


def weigh(
    first: Verdict, decisions: Sequence[Decision], *, layout: Layout, rules: Rules, policy: Policy
) -> tuple[Standing, ...]:
    """Say of each mark that was decided on, in the order of the first decisions, what it is called now.

    Of the calls that readers give a mark, that of most is tried; against another reader's it takes two and a
    majority. It counts if as many readers make it as the policy asks for what it does to the grade. Marks
    with more readers are tried first, so that one decided by few is held against the grade with all better
    founded ones in place.
    """
    weighing = _Weighing(first, decisions, layout=layout, rules=rules, policy=policy)
    weighing.settle()
    return tuple(map(weighing.standing, weighing.given))


def readers_for(
    first: Verdict,
    decisions: Sequence[Decision],
    *,
    key: Key,
    call: Call,
    layout: Layout,
    rules: Rules,
    policy: Policy,
) -> Readers:
    """How many readers must make this call of a mark before it counts, as the other marks stand now."""
    weighing = _Weighing(first, decisions, layout=layout, rules=rules, policy=policy)
    weighing.settle()
    return weighing.readers_for(key, call)


class _Weighing:
    """The votes on each mark, and the calls of the plate as far as they are settled."""

    def __init__(
        self, first: Verdict, decisions: Sequence[Decision], *, layout: Layout, rules: Rules, policy: Policy
    ) -> None:
        self.given: dict[Key, list[Decision]] = {}
        for decision in decisions:
            self.given.setdefault(decision.key, []).append(decision)
        self._policy, self._own = policy, calls_of(first)
        self._calls = self._own | {key: "doubtful" for key, votes in self.given.items() if _disagree(votes)}
        self._leading = {
            key: call for key, votes in self.given.items() if (call := _leading(votes, policy)) is not None
        }
        self._counting: set[Key] = set()
        # What readers who disagree have opened since is no doubt of the plate's.
        self._was_possible = set(first.possible_grades)
        self._first, self._layout, self._rules = first, layout, rules

    def settle(self) -> None:
        """Try the leading calls until none more counts, those with more readers first."""
        tried = sorted(
            self._leading,
            key=lambda key: (self._count(key, self._leading[key], blind=True), len(self.given[key])),
            reverse=True,
        )
        while (key := next(filter(self._has_enough, tried), None)) is not None:
            self._calls[key] = self._leading[key]
            self._counting.add(key)

    def _has_enough(self, key: Key) -> bool:
        """Whether a mark's leading call does not count yet, and has as many readers as it takes."""
        call = self._leading[key]
        needed = self.readers_for(key, call)
        return key not in self._counting and self._count(key, call, blind=needed.blind) >= needed.number

    def readers_for(self, key: Key, call: Call) -> Readers:
        """How many a call takes by what it does to the grade."""
        return self._policy.readers.of(self._effect(key, call))

    def _effect(self, key: Key, call: Call) -> DecisionEffect:
        before, after = (
            set(graded(self._first, self._calls | {key: tried}, self._layout, self._rules).possible_grades)
            for tried in (self._own[key], call)
        )
        if after == before:
            return "keeps_grade"
        if not (after < before and after <= self._was_possible):
            return "changes_grade"
        mildest = min(GRAVITY[grade] for grade in after)
        return "towards_release" if any(GRAVITY[g] > mildest for g in before - after) else "settles_doubt"

    def _count(self, key: Key, call: Call, *, blind: bool) -> int:
        return sum(vote.call == call and (vote.blind or not blind) for vote in self.given[key])

    def standing(self, key: Key) -> Standing:
        """What a mark is called now, and what it takes to settle it."""
        votes = self.given[key]
        call = self._leading.get(key)
        candidates = {vote.call for vote in votes} if call is None else {call}
        needed = max(
            (self.readers_for(key, one) for one in candidates),
            key=lambda n: (n.number, n.blind),
        )
        readers = max(self._count(key, one, blind=needed.blind) for one in candidates)
        disagree = _disagree(votes)
        if key in self._counting:
            code = "settled"
        elif disagree and self._policy.disagreement == "stays doubtful":
            code = "stays"
        elif call is None:
            code = f"{'third' if len(votes) == 2 else 'another'}{'_blind' * needed.blind}"
        else:
            code = f"{'one' if needed.number == 1 else 'more'}{'_blind' * needed.blind}"
        state = STANDING_SAYS(code, mark=key[1], window=key[0], n=readers, asked=needed.number)
        return Standing(
            window=key[0],
            mark=key[1],
            call=self._calls[key],
            decisions=tuple(votes),
            counts=key in self._counting,
            readers=readers,
            needed=max(needed.number, OUTVOTES) if disagree else needed.number,
            blind=needed.blind,
            disagree=disagree,
            sentence=str(state),
        )


def _leading(votes: Sequence[Decision], policy: Policy) -> Call | None:
    """The call that most readers make; None where readers disagree and none has outvoted the others."""
    ranked = Counter(vote.call for vote in votes).most_common(2)
    call, n = ranked[0]
    if len(ranked) == 1:
        return call
    outvotes = policy.disagreement == "third reader" and n >= OUTVOTES and n > ranked[1][1]
    return call if outvotes else None


def _disagree(votes: Sequence[Decision]) -> bool:
    return len({vote.call for vote in votes}) > 1


# --- the verdict graded anew -------------------------------------------------------------------------------


def regrade(
    verdict: Verdict,
    decisions: Sequence[Decision],
    *,
    layout: Layout,
    rules: Rules,
    texts: Texts,
    policy: Policy,
) -> Verdict:
    """Grade a verdict anew with all decisions made on it.

    verdict : as it was read; it stays as it is. decisions : in the order they were made. layout, rules,
    texts : those that the verdict names. The new one keeps linecall's grade and calls beside the readers'.
    """
    standings = weigh(verdict, decisions, layout=layout, rules=rules, policy=policy)
    by_key = {(standing.window, standing.mark): standing for standing in standings}
    calls = calls_of(verdict) | {key: standing.call for key, standing in by_key.items()}
    grade = graded(verdict, calls, layout, rules)
    of_photos = set(verdict.warnings) - set(graded(verdict, calls_of(verdict), layout, rules).warnings)
    assert verdict.grade is not None, "a refused photo is not graded anew"
    return Verdict.model_validate(
        dict(verdict)
        | {
            "grade": grade.grade,
            "possible_grades": grade.possible_grades,
            "pivotal": grade.pivotal,
            "cause": grade.cause,
            "rule": grade.rule,
            "warnings": (*grade.warnings, *(told for told in verdict.warnings if told in of_photos)),
            "next_step": next_step(grade, texts),
            "windows": tuple(
                window.model_copy(
                    update={
                        name: _decided(getattr(window, name), by_key.get((window.id, name)))
                        for name in CALLS_OF
                    }
                )
                for window in verdict.windows
            ),
            "review": ReviewRecord(
                first_grade=verdict.grade,
                first_possible_grades=verdict.possible_grades,
                policy=SettingsRecord(
                    name=policy.name,
                    revision=policy.revision,
                    sha256=policy.sha256,
                    own_file=policy.own_file,
                ),
                readers=tuple({folded(decision.by): decision.by for decision in decisions}.values()),
                open=tuple(_open(standing) for standing in standings if not standing.counts),
            ),
        }
    )


def _decided(mark: Mark, standing: Standing | None) -> Mark:
    """A mark with the call that it has now; what readers called it is told once they have settled it."""
    if standing is None or not (standing.counts or standing.disagree):
        return mark
    told = standing.decisions if standing.counts else ()
    return Mark.model_validate(
        dict(mark)
        | {
            "call": standing.call,
            "first_call": mark.call,
            "decisions": tuple(
                DecisionRecord(by=made.by, call=made.call, reason=made.reason, at=made.at, blind=made.blind)
                for made in told
            ),
        }
    )


def _open(standing: Standing) -> OpenDecision:
    return OpenDecision(
        window=standing.window,
        mark=standing.mark,
        readers=standing.readers,
        needed=standing.needed,
        blind=standing.blind,
        disagree=standing.disagree,
        sentence=standing.sentence,
    )
