"""A run in words: what was done when, what went otherwise, and what comes next."""

from datetime import datetime

from reader.logbook import Logbook
from reader.round.procedure import DROPS
from reader.round.record import procedure_of, state_in
from reader.round.run import Run, StepTaken
from reader.round.site import Site
from reader.words import shown

NEXT = {
    "photographed": "the photo is announced, but has not arrived; send it",
    "received": "the photo has arrived; read it: linecall read PHOTO --run {id}",
    "readable": "photograph the plate and read it: linecall read PHOTO --run {id}",
    "refused": "photograph the plate again and read it: linecall read PHOTO --run {id}",
    "read": "nothing is open; close it: linecall run close {id}",
    "in review": "a reviewer looks at it: linecall review list",
    "late": "the plate may no longer be photographed; a photo that was taken in time is read with linecall read PHOTO "
    "--run {id}; else begin a new run with a fresh plate, and end this one: linecall run abandon {id} --reason TEXT",
}


def run_lines(logbook: Logbook, site: Site, run: Run, *, now: datetime) -> list[str]:
    """What a screen shows of a run; times are those of the site's clocks."""
    place = site.place.place

    def clock(instant: datetime) -> str:
        return f"{instant.astimezone(place):%Y-%m-%d %H:%M}"

    state = state_in(logbook, run.id, now=now)
    lines = [
        f"run {run.id}   {state}   {run.tank_name}, {run.point_name} ({run.point})",
        f"  {run.phase}, plate lot {run.lot}"
        + (f", plate {run.plate}" if run.plate else "")
        + (f", expires {run.expiry}" if run.expiry else "")
        + f"; begun {clock(run.begun_at)} by {run.operator}",
    ]
    lines += [f"  {_step_line(taken, clock(taken.at), site)}" for taken in run.steps]
    for one in run.corrections:
        changes = ", ".join(
            f"{name} {_value(one.was.get(name))} -> {_value(value)}" for name, value in one.now.items()
        )
        lines.append(f"  corrected {clock(one.at)} by {one.by}: {changes} ({one.reason})")
    lines += [f"  note by {one.by}: {one.text}" for one in run.notes]
    lines += [f"  departure {one.code} ({one.effect}): {one.sentence}" for one in run.departures]
    lines += [f"  reading {one.id}: {one.status}" for one in run.readings]
    if run.ended is not None:
        return [*lines, f"  {run.ended}" + (f": {run.end_reason}" if run.end_reason else "")]
    return [*lines, *_next(logbook, run, state, site, now)]


def _step_line(taken: StepTaken, at: str, site: Site) -> str:
    place = site.place.place
    line = f"{taken.step}   {at}"
    if taken.first_at is not None:
        line += f" (entered first as {taken.first_at.astimezone(place):%Y-%m-%d %H:%M})"
    if taken.entry == "afterwards":
        line += ", entered afterwards"
    if taken.amount is not None:
        line += f", {taken.amount:g}"
    return line + (f", {taken.remark}" if taken.remark else "")


def _value(value: object) -> str:
    return "none" if value is None else shown(value, quote="")


def _next(logbook: Logbook, run: Run, state: str, site: Site, now: datetime) -> list[str]:
    place = site.place.place
    since, until = run.readable_from, run.readable_until
    window = ""
    if since is not None and until is not None:
        window = (
            f"the plate may be read from {since.astimezone(place):%H:%M} to {until.astimezone(place):%H:%M}"
        )
    lines = []
    if state == "prepared":
        procedure = procedure_of(logbook, run)
        open_steps = [one for one in procedure.steps_of(run.phase) if run.last_of(one.id) is None]
        before_drops = [one for one in open_steps if one.recorded][:1]
        for one in before_drops:
            lines.append(f"  next: {one.id}: {one.text}")
            for wait in one.wait:
                began = run.at_of(wait.since)
                if began is not None and wait.least is not None:
                    minutes = wait.least - (now - began).total_seconds() / 60
                    if minutes > 0:
                        lines.append(f"    in {minutes:.0f} min at the earliest")
    elif state == "developing":
        lines.append(f"  next: wait; {window}")
    if state in NEXT:
        lines.append(f"  next: {NEXT[state].format(id=run.id)}")
        if state in {"readable", "refused"} and window:
            lines.append(f"    {window}")
    if run.drops_at is not None and run.reading_age is None:
        lines.append(f"  the layout of this lot is not known, so no time after the {DROPS} is checked here")
    return lines
