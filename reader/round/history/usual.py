"""Whether a point has become worse than usual: its last occasions against those before them.

The rule. Occasions are the days on which a point was tested, each with its worst grade: a repeat on the same day is
no second piece of news. The last RECENT occasions are held against up to PAST_MOST before them by the one-sided test
of Wilcoxon and of Mann and Whitney, exact given the ties (`reader.numbers.exact.higher_by_chance`). Grades are
ordered (negligible, moderate, heavy), and the test uses nothing of them but that order. A chance of LEVEL or less is
called worse than usual. Invalid readings say nothing and are left out. An undecided one is tried at its mildest and
at its worst; where the two ways differ, the rule cannot tell.

Before PAST_LEAST occasions in the past it does not speak: of fewer the usual level itself is not known.

What it costs and what it finds (seeded simulation, tests/bench/history.py; a test each week): a point that stays as it
is is called worse on at most 0.5 % of looks, which is what LEVEL bounds (seen: 0.0 to 0.3 %), and within a year in 0
to 12 % of cases, the most where the usual level is bad. A rise of grades above negligible from 12 % of tests to 60 %
is found within 8 weeks in about two cases of three, within 13 in about four of five; where every grade is usual
already, a rise is found less often. Successive looks share readings, so their answers go together.

What it takes for granted: that days of testing which nothing has changed are alike, in whatever order they come. A
repeat on a later day counts as a day of its own, so a point that is tested more often while it is bad looks worse
than it is: the safe side.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from reader.numbers.exact import higher_by_chance, share_interval
from reader.words import GRADES, SettledGrade, counted

ORDER: Final[tuple[SettledGrade, ...]] = tuple(grade for grade in GRADES if grade != "invalid")
RECENT: Final = 6  # occasions
PAST_MOST: Final = 52  # occasions: a year's weekly ones
PAST_LEAST: Final = 12  # occasions
LEVEL: Final = 0.005

METHOD: Final = (
    f"The last {RECENT} days of testing against up to {PAST_MOST} before them: one-sided rank test of Wilcoxon (1945) "
    f"and of Mann and Whitney (1947) on the order of the grades, exact given the ties; worse at a chance of {LEVEL:g} "
    "or less. Rates: exact intervals of Clopper and Pearson (1934), 95 %. Tested weekly, a point that stays as it is "
    "comes out as worse within a year in up to one case in eight; grades above negligible that rise from 12 % of tests "
    "to 60 % are found within 8 weeks in about two cases of three (simulated)."
)

Trend = Literal["too few", "worse", "not worse", "cannot tell"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Occasion:
    """A day on which the point was tested: the mildest and the worst that its grade may be; alike where settled."""

    day: date
    mildest: SettledGrade
    worst: SettledGrade

    @property
    def is_settled(self) -> bool:
        """Whether the grade is one alone."""
        return self.mildest == self.worst


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """How many of the past's settled occasions were graded so or worse."""

    at_least: SettledGrade
    hits: int
    of: int

    @property
    def interval(self) -> tuple[float, float] | None:
        """Exact 95 % interval of the share; None where there is nothing in the past."""
        return share_interval(self.hits, self.of) if self.of else None

    def __str__(self) -> str:
        """Such as `5 of 52 (10 %, 95 % interval 3 to 21 %)`."""
        if self.interval is None:
            return "none to count"
        low, high = (100 * end for end in self.interval)
        share = 100 * self.hits / self.of
        return f"{self.hits} of {self.of} ({share:.0f} %, 95 % interval {low:.0f} to {high:.0f} %)"


@dataclass(frozen=True, kw_only=True, slots=True)
class Usual:
    """A point's usual level, and what the rule says of its last occasions.

    level : median grade of the past's settled occasions, None where they are too few. chance : from and to, over all
    ways in which what is undecided may turn out; None where the rule does not speak. left_out : readings that say
    nothing, being invalid or refused.
    """

    state: Trend
    level: SettledGrade | None
    shares: tuple[Share, ...]
    recent: tuple[Occasion, ...]
    past: tuple[Occasion, ...]
    chance: tuple[float, float] | None
    left_out: int

    @property
    def sentence(self) -> str:
        """What the rule says, in words."""
        past, recent = counted(len(self.past), "day") + " of testing", f"the last {RECENT}"
        if self.state == "too few":
            more = PAST_LEAST + RECENT - len(self.past) - len(self.recent)
            return (
                f"Cannot tell whether this is worse than usual: the rule needs {PAST_LEAST + RECENT} days of testing "
                f"with a grade, and speaks after {more} more."
            )
        assert self.chance is not None, "the rule speaks"
        low, high = self.chance
        if self.state == "worse":
            return (
                f"Worse than usual: {recent} days of testing lie above the {past} before them "
                f"(p {_shown(high)}: how often chance alone does as much). Find out why, by the site's procedure."
            )
        if self.state == "cannot tell":
            return (
                f"Cannot tell whether this is worse than usual: it hangs on what is undecided (p {_shown(low)} to "
                f"{_shown(high)}). Settle that first."
            )
        return (
            f"No sign that {recent} days of testing are worse than the {past} before them "
            f"(p {_shown(high)}: how often chance alone does as much). That says nothing of whether the usual level is "
            "good, and releases nothing."
        )


def _shown(chance: float) -> str:
    return f"{chance:.2g}" if chance >= 0.0001 else "below 0.0001"


def occasions(
    readings: Iterable[tuple[date, str | None, Sequence[SettledGrade]]],
) -> tuple[tuple[Occasion, ...], int]:
    """Days of testing in order, and how many readings say nothing.

    readings : day, grade (None of a refused photo) and possible grades, of each reading that stands.
    """
    days: dict[date, tuple[int, int]] = {}
    left_out = 0
    for day, grade, possible in readings:
        places = sorted(ORDER.index(one) for one in possible if one in ORDER)
        if grade is None or grade == "invalid" or not places:
            left_out += 1
            continue
        mildest, worst = days.get(day, (0, 0))
        days[day] = max(mildest, places[0]), max(worst, places[-1])
    found = tuple(
        Occasion(day=day, mildest=ORDER[mildest], worst=ORDER[worst])
        for day, (mildest, worst) in sorted(days.items())
    )
    return found, left_out


def judge(found: Sequence[Occasion], left_out: int = 0) -> Usual:
    """The usual level and the rule's answer, from all occasions of a point in order."""
    recent = tuple(found[-RECENT:])
    past = tuple(found[:-RECENT][-PAST_MOST:])
    speaks = len(past) >= PAST_LEAST
    chance = _chance(recent, past) if speaks else None
    settled = sorted(ORDER.index(one.mildest) for one in past if one.is_settled)
    return Usual(
        state=_state(chance),
        level=ORDER[settled[(len(settled) - 1) // 2]] if speaks and settled else None,
        shares=tuple(_share(grade, settled) for grade in ORDER[1:]),
        recent=recent,
        past=past,
        chance=chance,
        left_out=left_out,
    )


def _state(chance: tuple[float, float] | None) -> Trend:
    if chance is None:
        return "too few"
    low, high = chance
    if high <= LEVEL:
        return "worse"
    return "not worse" if low > LEVEL else "cannot tell"


def _chance(recent: Sequence[Occasion], past: Sequence[Occasion]) -> tuple[float, float]:
    """The least and the greatest chance over all that is undecided.

    It only falls as recent grades rise or past ones fall, so the two extremes bound it (held by a test).
    """
    worst_now, mildest_then = _counts(one.worst for one in recent), _counts(one.mildest for one in past)
    mildest_now, worst_then = _counts(one.mildest for one in recent), _counts(one.worst for one in past)
    return higher_by_chance(worst_now, mildest_then), higher_by_chance(mildest_now, worst_then)


def _counts(grades: Iterable[SettledGrade]) -> list[int]:
    counts = [0] * len(ORDER)
    for grade in grades:
        counts[ORDER.index(grade)] += 1
    return counts


def _share(grade: SettledGrade, settled: Sequence[int]) -> Share:
    return Share(at_least=grade, hits=sum(place >= ORDER.index(grade) for place in settled), of=len(settled))
