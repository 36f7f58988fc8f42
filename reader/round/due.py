"""What is due today: sample points by their last grade, and follow-ups that are open, the riskiest first.

Days are those of the site's calendar: a test is due on the day on which its interval ends by the site's clocks, whether
or not these have changed in between.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from reader.logbook import Logbook, RunRow
from reader.round.follow_up import FollowUp, Known
from reader.round.follow_up_record import open_follow_ups
from reader.round.site import SamplePoint, Site
from reader.words import counted

RISK: Final[Mapping[str | None, int]] = {
    "heavy": 0,
    "undecided": 1,
    "invalid": 1,
    None: 1,  # never read: nobody knows
    "moderate": 2,
    "negligible": 3,
}
"""Order of what is due: what is not known comes before what is known to be moderate (common practice, no source)."""
OPEN_RUNS_MAX: Final = 2000


@dataclass(frozen=True, kw_only=True, slots=True)
class Task:
    """Something to be done: a test of a point (follow_up None), or a follow-up that is open.

    due_on : by the site's calendar, None for a point that was never read; days_late : days since then, negative while
    it lies ahead. run : the point's open run that has no reading yet.
    """

    point: str
    place: str
    reason: str
    owner: str
    grade: str | None
    due_on: date | None
    days_late: int
    run: RunRow | None = None
    follow_up: FollowUp | None = None

    @property
    def is_overdue(self) -> bool:
        """Whether it should have been done on an earlier day."""
        return self.days_late > 0


@dataclass(frozen=True, kw_only=True, slots=True)
class DayRound:
    """What is due at a site on a day, the riskiest first; next_on : when the next point is due that is not yet."""

    site: Site
    day: date
    tasks: tuple[Task, ...]
    next_on: date | None
    next_point: str | None

    @property
    def points(self) -> tuple[Task, ...]:
        """The tests among the tasks."""
        return tuple(task for task in self.tasks if task.follow_up is None)


def day_round(logbook: Logbook | None, site: Site, *, now: datetime) -> DayRound:
    """What is due on the day of `now` by the site's clocks; logbook : None where none has begun yet.

    Raises LinecallError at an event that has been altered.
    """
    today = now.astimezone(site.place.place).date()
    last: dict[str, Known] = {}
    waiting: dict[str, RunRow] = {}
    open_ones: list[FollowUp] = []
    if logbook is not None:
        last = logbook.last_point_readings(site.name, [point.id for point in site.point])
        rows = logbook.runs(site=site.name, is_open=True, limit=OPEN_RUNS_MAX)
        waiting = {run.point: run for run in rows if run.reading is None}
        open_ones = open_follow_ups(logbook, site, now=now, last=last)
    tests = [_test(site, point, last.get(point.id), waiting.get(point.id), today) for point in site.point]
    due = [task for task in tests if task.due_on is None or task.due_on <= today]
    ahead = [(task.due_on, task.point) for task in tests if task.due_on is not None and task.due_on > today]
    follow = [_follow(site, one, today) for one in open_ones]
    next_on, next_point = min(ahead, default=(None, None))
    return DayRound(
        site=site, day=today, tasks=_riskiest_first([*follow, *due]), next_on=next_on, next_point=next_point
    )


def _riskiest_first(tasks: Iterable[Task]) -> tuple[Task, ...]:
    """Worse grades first, then what is later; holds before what else follows, and that before a test."""

    def key(task: Task) -> tuple[object, ...]:
        one = task.follow_up
        return (
            RISK.get(task.grade, 1),
            0 if one and one.is_hold else 1,
            -task.days_late,
            one is None,
            task.point,
        )

    return tuple(sorted(tasks, key=key))


def _test(site: Site, point: SamplePoint, last: Known | None, run: RunRow | None, today: date) -> Task:
    tank = site.tank_of(point)
    grade: str | None = None
    due_on: date | None = None
    late = 0
    if last is None:
        reason = "no run of it has been read yet"
    else:
        row, reading = last
        grade = reading.grade or "invalid"
        taken = row.taken_at.astimezone(site.place.place).replace(tzinfo=None)
        days = site.days_after(point, grade)  # type: ignore[arg-type]  # a reading that is not refused has a grade
        due_on = (taken + timedelta(days=days)).date()
        late = (today - due_on).days
        reason = f"{grade} {ago((today - taken.date()).days)}, {_what(grade)} {_interval(days, late)}"
    if run is not None:
        reason += f"; run {run.id} is open"
    return Task(
        point=point.id,
        place=f"{tank.name}, {point.name}",
        reason=reason,
        owner=site.responsible_for(point),
        grade=grade,
        due_on=due_on,
        days_late=late,
        run=run,
    )


def _what(grade: str) -> str:
    return "the next test" if grade == "negligible" else "the repeat"


def _interval(days: float, late: int) -> str:
    if days == 0:
        return "was due at once" if late > 0 else "is due at once"
    return f"was due in {days:g}" if late > 0 else f"is due today, after {days:g}"


def ago(days: int) -> str:
    """How long ago a day was, in words."""
    return {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")


def _follow(site: Site, one: FollowUp, today: date) -> Task:
    due_on = one.due_at.astimezone(site.place.place).date()
    late = (today - due_on).days
    asked = one.asked_at.astimezone(site.place.place).date()
    since = f"after {one.asked.grade} {ago((today - asked).days)}"
    if one.is_hold:
        when = "holds"
    elif late > 0:
        when = f"was due {ago(late)}"
    else:
        when = "is due today" if late == 0 else f"is due on {due_on}"
    put_off = f", put off {counted(len(one.deferrals), 'time')}" if one.deferrals else ""
    return Task(
        point=one.asked.point,
        place=f"{one.asked.tank_name}, {one.asked.point_name}",
        reason=f"{one.asked.action} {since}, {when}{put_off}",
        owner=one.asked.owner,
        grade=one.asked.grade,
        due_on=due_on,
        days_late=late,
        follow_up=one,
    )
