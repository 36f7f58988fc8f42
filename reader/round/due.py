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

SAID: Final[dict[str, str]] = {
    "never_read": "no run of it has been read yet",
    "test": "{grade} {ago}, {task} {when}",
    "next_test": "the next test",
    "repeat": "the repeat",
    "was_at_once": "was due at once",
    "at_once": "is due at once",
    "was_due_in": "was due in {days}",
    "due_after": "is due today, after {days}",
    "run_open": "{reason}; run {run} is open",
    "today": "today",
    "yesterday": "yesterday",
    "days_ago": "{n} days ago",
    "follow": "{action} after {grade} {ago}, {when}",
    "holds": "holds",
    "was_due": "was due {ago}",
    "due_today": "is due today",
    "due_on": "is due on {day}",
    "put_off_once": "{reason}, put off 1 time",
    "put_off": "{reason}, put off {n} times",
}
"""Why something is to be done, by code, as str.format templates."""


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
        reason = SAID["never_read"]
    else:
        row, reading = last
        grade = reading.grade or "invalid"
        taken = row.taken_at.astimezone(site.place.place).replace(tzinfo=None)
        days = site.days_after(point, grade)  # type: ignore[arg-type]  # a reading that is not refused has a grade
        due_on = (taken + timedelta(days=days)).date()
        late = (today - due_on).days
        reason = SAID["test"].format(
            grade=grade,
            ago=ago((today - taken.date()).days),
            task=SAID["next_test" if grade == "negligible" else "repeat"],
            when=_interval(days, late),
        )
    if run is not None:
        reason = SAID["run_open"].format(reason=reason, run=run.id)
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


def _interval(days: float, late: int) -> str:
    if days == 0:
        return SAID["was_at_once" if late > 0 else "at_once"]
    return SAID["was_due_in" if late > 0 else "due_after"].format(days=f"{days:g}")


def ago(days: int) -> str:
    """How long ago a day was, in words."""
    return SAID[{0: "today", 1: "yesterday"}.get(days, "days_ago")].format(n=days)


def _follow(site: Site, one: FollowUp, today: date) -> Task:
    due_on = one.due_at.astimezone(site.place.place).date()
    late = (today - due_on).days
    asked = one.asked_at.astimezone(site.place.place).date()
    if one.is_hold:
        when = SAID["holds"]
    elif late > 0:
        when = SAID["was_due"].format(ago=ago(late))
    else:
        when = SAID["due_today" if late == 0 else "due_on"].format(day=due_on)
    reason = SAID["follow"].format(
        action=one.asked.action, grade=one.asked.grade, ago=ago((today - asked).days), when=when
    )
    if one.deferrals:
        put_off = SAID["put_off_once" if len(one.deferrals) == 1 else "put_off"]
        reason = put_off.format(reason=reason, n=len(one.deferrals))
    return Task(
        point=one.asked.point,
        place=f"{one.asked.tank_name}, {one.asked.point_name}",
        reason=reason,
        owner=one.asked.owner,
        grade=one.asked.grade,
        due_on=due_on,
        days_late=late,
        follow_up=one,
    )
