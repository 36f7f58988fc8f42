"""What follows a grade: asked for by the plan, linked to what repeats it, and a hold that only the plan can end."""

from datetime import timedelta
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook.follow_up_events import ASKED, ENDED
from reader.round.follow_up import FollowUp
from reader.round.follow_up_record import defer, done, find_follow_up, follow_ups_of, open_follow_ups, settle
from reader.round.record import Desk, begin
from tests.reader.round.rounds import EXAMPLE, NOON, at, begun, read_of, site_of


def open_of(desk: Desk) -> dict[str, FollowUp]:
    return {one.asked.action: one for one in open_follow_ups(desk.logbook, desk.site, now=desk.now)}


def test_a_heavy_grade_asks_for_what_the_plan_says_with_owner_and_time(desk: Desk, tmp_path: Path) -> None:
    reading, then = read_of(desk, tmp_path, "heavy", when=NOON)
    found = open_of(then)
    assert set(found) == {"hold-stock", "tell", "drain-and-draw", "confirm"}
    tell = found["tell"]
    assert (tell.asked.owner, tell.asked.reading, tell.asked.because) == ("S. Brandt", reading, "heavy")
    assert tell.due_at == then.now + timedelta(hours=2)


def test_what_is_seen_before_and_after_it_is_written_down_is_the_same(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "heavy", when=NOON)
    seen = open_of(then)
    assert settle(then) == 4
    assert {name: one.id for name, one in open_of(then).items()} == {
        name: one.id for name, one in seen.items()
    }
    assert settle(then) == 0
    assert then.logbook.verify().good
    then.logbook.rebuild()
    assert {name: one.id for name, one in open_of(then).items()} == {
        name: one.id for name, one in seen.items()
    }
    assert then.logbook.verify().good


def test_the_point_s_own_past_decides_which_row_fits(desk: Desk, tmp_path: Path) -> None:
    read_of(desk, tmp_path, "moderate", when=NOON)
    _, then = read_of(desk, tmp_path, "moderate", when=NOON + timedelta(days=7))
    assert {"tell", "second-point"} <= set(open_of(then))
    assert (
        open_of(then)["second-point"].asked.because
        == "moderate, after 1 reading moderate or heavy in 60 days"
    )
    other, alone = read_of(desk, tmp_path, "moderate", point="HB-sump", when=NOON)
    asked = follow_ups_of(alone.logbook, about=[other])
    settle(alone)
    asked = follow_ups_of(alone.logbook, about=[other])
    assert {one.asked.action for one in asked} == {"tell", "drain-and-draw"}


def test_a_repeat_ends_what_asked_for_it_and_is_linked_to_what_it_repeats(desk: Desk, tmp_path: Path) -> None:
    first, then = read_of(desk, tmp_path, "moderate", when=NOON)
    settle(then)
    asked = open_of(then)["drain-and-draw"]
    run = begun(at(then, NOON + timedelta(hours=20)))
    assert run.repeats == first
    repeat, later = read_of_run_closed(then, tmp_path)
    settle(later)
    ended = find_follow_up(later.logbook, later.site, asked.id, now=later.now)
    assert (ended.ended, ended.repeat) == ("by a reading", repeat)
    assert set(open_of(later)) == {"tell"}


def read_of_run_closed(desk: Desk, folder: Path) -> tuple[str, Desk]:
    from reader.round.record import abandon

    (row,) = desk.logbook.runs(is_open=True, point="N1-drain", limit=1)
    abandon(at(desk, NOON + timedelta(hours=21)), row.id, reason="bottle broke")
    return read_of(desk, folder, "negligible", when=NOON + timedelta(hours=22))


def test_an_invalid_plate_repeats_nothing(desk: Desk, tmp_path: Path) -> None:
    read_of(desk, tmp_path, "moderate", when=NOON)
    settle(at(desk, NOON + timedelta(hours=1)))
    _, later = read_of(desk, tmp_path, "invalid", when=NOON + timedelta(hours=2))
    assert set(open_of(later)) == {"tell", "drain-and-draw", "new-plate"}


def test_a_sample_drawn_before_repeats_nothing_however_late_it_is_read(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "moderate", when=NOON)
    settle(then)
    _, late = read_of(at(desk, then.now), tmp_path, "negligible", when=NOON - timedelta(days=1))
    assert "drain-and-draw" in open_of(at(late, then.now))


def test_a_hold_ends_only_by_what_the_plan_asks_for(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "heavy", when=NOON)
    hold = open_of(then)["hold-stock"]
    with pytest.raises(LinecallError, match="is a hold, and stays: it may be ended once confirm is done"):
        done(then, hold.id, reason="the boat must sail")
    with pytest.raises(LinecallError, match="nothing to put off"):
        defer(then, hold.id, until=NOON + timedelta(days=9), reason="later")
    _, moderate = read_of(desk, tmp_path, "moderate", when=NOON + timedelta(days=1))
    settle(moderate)
    assert open_of(moderate)["hold-stock"].id == hold.id
    done(moderate, open_of(moderate)["confirm"].id, reason="the laboratory found nothing")
    ended = done(moderate, hold.id, reason="confirmed free")
    assert (ended.ended, ended.ended_by) == ("done", desk.by)
    with pytest.raises(LinecallError, match="nothing was changed"):
        done(moderate, hold.id, reason="again")


def test_a_hold_ends_by_a_later_reading_of_the_same_point_of_the_grade_named(
    desk: Desk, tmp_path: Path
) -> None:
    read_of(desk, tmp_path, "heavy", when=NOON)
    _, other = read_of(desk, tmp_path, "negligible", point="S1-drain", when=NOON + timedelta(hours=2))
    assert "hold-stock" in open_of(other)
    clean, later = read_of(desk, tmp_path, "negligible", when=NOON + timedelta(hours=4))
    settle(later)
    assert set(open_of(later)) == {"tell", "confirm"}
    (hold,) = [one for one in follow_ups_of(later.logbook) if one.is_hold]
    assert (hold.ended, hold.repeat) == ("by a reading", clean)


def test_what_is_put_off_keeps_both_times_and_why(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "moderate", when=NOON)
    one = open_of(then)["drain-and-draw"]
    with pytest.raises(LinecallError, match="is past"):
        defer(then, one.id, until=NOON, reason="no bottle")
    after = defer(then, one.id, until=NOON + timedelta(days=3), reason="no bottle")
    (put_off,) = after.deferrals
    assert (put_off.was, put_off.now, put_off.reason) == (one.due_at, NOON + timedelta(days=3), "no bottle")
    assert after.due_at == put_off.now
    with pytest.raises(LinecallError, match="is done by a reading"):
        done(then, one.id, reason="did it")


def test_a_circle_is_refused_and_a_point_with_open_follow_ups_stays_in_the_file(
    desk: Desk, tmp_path: Path
) -> None:
    circle = EXAMPLE.replace("due_hours = 72.0\n", 'due_hours = 72.0\nthen = ["confirm"]\n')
    with pytest.raises(LinecallError, match="leads in a circle"):
        site_of(tmp_path, circle, "circle.toml")
    _, then = read_of(desk, tmp_path, "moderate", point="HB-sump", when=NOON)
    settle(then)
    start, end = EXAMPLE.index('[[point]]\nid = "HB-sump"'), EXAMPLE.index("[[lot]]")
    smaller = EXAMPLE[:start] + EXAMPLE[end:]
    smaller = smaller.replace("revision = 1", "revision = 2")
    tank = smaller.index('[[tank]]\nid = "HB"')
    smaller = smaller[:tank] + smaller[smaller.index("[[point]]") :]
    gone = site_of(tmp_path, smaller, "smaller.toml")
    from dataclasses import replace

    with pytest.raises(LinecallError, match="HB-sump is no longer in the site file, but has open follow-ups"):
        begin(replace(then, site=gone), point="N1-drain", phase="fuel", lot="CB-2604")
    assert {one.asked.point for one in open_follow_ups(then.logbook, gone, now=then.now)} == {"HB-sump"}


def test_every_step_is_an_event_with_who_and_when(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "moderate", when=NOON)
    settle(then)
    _, later = read_of(desk, tmp_path, "negligible", when=NOON + timedelta(days=1))
    settle(later)
    (asked, ended) = next(events for events in later.logbook.follow_ups() if len(events) > 1)
    assert (asked.kind, asked.by, asked.at) == (ASKED, desk.by, then.now)
    assert (ended.kind, ended.by, ended.at) == (ENDED, desk.by, later.now)
