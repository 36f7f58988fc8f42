"""Runs written step by step: nothing entered is lost, nothing impossible is taken, and what went otherwise is said."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook import StaleHeadError
from reader.logbook.run_events import NOTE, RunNote
from reader.round.record import (
    Desk,
    abandon,
    close,
    correct,
    find_run,
    lift,
    note,
    photo,
    procedure_of,
    settle,
    state_in,
    step,
)
from reader.round.run import Run
from tests.reader.round.rounds import EXAMPLE, NOON, at, begun, codes, desk_in, moment, site_of

STEPS = (("sample", 0), ("settled", 10), ("extract", 12), ("gathered", 20), ("drops", 25))
"""Minutes after the beginning at which nothing departs from the bundled procedure."""


def walked(desk: Desk, run: Run, steps: tuple[tuple[str, int], ...] = STEPS) -> Run:
    for name, minutes in steps:
        run = step(at(desk, desk.now + timedelta(minutes=minutes)), run.id, name)
    return run


def test_a_run_by_the_book_has_no_departures_and_passes_through_its_states(desk: Desk) -> None:
    run = begun(desk)
    assert state_in(desk.logbook, run.id, now=desk.now) == "prepared"
    run = walked(desk, run)
    assert run.departures == ()
    drops = desk.now + timedelta(minutes=25)
    # the comb layout is read 15 to 30 min after the drops
    for minutes, state in (
        (0, "developing"),
        (14.9, "developing"),
        (15, "readable"),
        (30, "readable"),
        (30.1, "late"),
    ):
        assert state_in(desk.logbook, run.id, now=drops + timedelta(minutes=minutes)) == state, minutes
    assert (run.readable_from, run.readable_until) == (
        drops + timedelta(minutes=15),
        drops + timedelta(minutes=30),
    )
    assert desk.logbook.verify().good


def test_a_photo_is_announced_then_arrives_and_said_twice_changes_nothing(desk: Desk) -> None:
    run = walked(desk, begun(desk))
    later = at(desk, desk.now + timedelta(minutes=45))
    for arrived, state in ((False, "photographed"), (True, "received")):
        done = photo(later, run.id, sha256="a" * 64, name="IMG_1.jpg", at=later.now, arrived=arrived)
        assert state_in(desk.logbook, run.id, now=later.now + timedelta(hours=2)) == state
        again = photo(later, run.id, sha256="a" * 64, name="IMG_1.jpg", at=later.now, arrived=arrived)
        assert again.last_seq == done.last_seq


def test_times_are_instants_so_a_change_of_clocks_is_no_time(desk: Desk) -> None:
    # Europe/Copenhagen, 25 October 2026: 03:00 CEST becomes 02:00 CET (Directive 2000/84/EC; IANA time zone database)
    night = at(desk, "2026-10-25T02:40:00+02:00")
    run = begun(night)
    for name, when in (
        ("sample", "2026-10-25T02:40:00+02:00"),
        ("settled", "2026-10-25T02:00:00+01:00"),  # the wall clock went back; 20 min have passed
        ("extract", "2026-10-25T02:02:00+01:00"),
        ("gathered", "2026-10-25T02:08:00+01:00"),
        ("drops", "2026-10-25T02:10:00+01:00"),
    ):
        run = step(at(desk, when), run.id, name)
    assert run.departures == ()
    assert state_in(desk.logbook, run.id, now=moment("2026-10-25T02:26:00+01:00")) == "readable"


@pytest.mark.parametrize(
    "wall",
    ["2026-10-25T02:30:00", "2026-03-29T02:30:00"],  # shown twice; never shown
)
def test_a_time_that_the_clocks_show_twice_or_never_is_asked_for_with_its_offset(
    desk: Desk, wall: str
) -> None:
    run = begun(desk)
    later = at(desk, f"{wall[:10]}T12:00:00+01:00")
    with pytest.raises(LinecallError, match="is not one time at site tallowmere: the clocks change then"):
        step(later, run.id, "sample", at=moment(wall))


def test_a_time_without_offset_is_the_sites(desk: Desk) -> None:
    run = step(desk, begun(desk).id, "sample", at=moment("2026-05-04T11:50:00"))
    assert run.sample_at == moment("2026-05-04T11:50:00+02:00")


def test_a_machine_that_slept_counts_what_passed(desk: Desk) -> None:
    run = walked(desk, begun(desk), STEPS[:3])
    run = step(at(desk, desk.now + timedelta(minutes=100)), run.id, "gathered")
    found = next(one for one in run.departures if one.code == "extract-old")
    assert "gathered came 88 min after extract, at most 60 min are allowed" in found.sentence


def test_drops_come_after_the_sample_or_are_refused_and_nothing_is_written(desk: Desk) -> None:
    run = begun(desk)
    with pytest.raises(
        LinecallError, match="cannot be in before the sample was drawn; note when it was drawn first"
    ):
        step(desk, run.id, "drops")
    run = step(desk, run.id, "sample")
    with pytest.raises(LinecallError, match="would be in before the sample was drawn"):
        step(desk, run.id, "drops", at=desk.now - timedelta(minutes=5))
    assert find_run(desk.logbook, run.id) == run


@pytest.mark.parametrize(
    ("minutes", "sentence"),
    [
        (5, "lies in the future: it is 2026-05-04 12:00 at site tallowmere"),
        (-60 * 24 * 40, "lies 40 days back"),
    ],
)
def test_times_in_the_future_or_far_back_are_refused(desk: Desk, minutes: int, sentence: str) -> None:
    run = begun(desk)
    with pytest.raises(LinecallError, match=sentence):
        step(desk, run.id, "sample", at=desk.now + timedelta(minutes=minutes))


def test_what_is_entered_afterwards_is_said(desk: Desk) -> None:
    run = step(desk, begun(desk).id, "sample", at=desk.now - timedelta(minutes=20))
    assert codes(run) == {"late-entry"}


def test_what_came_too_soon_or_was_left_out_is_a_departure_with_its_numbers(desk: Desk) -> None:
    run = walked(desk, begun(desk), (("sample", 0), ("settled", 3), ("extract", 5), ("drops", 10)))
    said = {one.code: (one.effect, one.sentence) for one in run.departures}
    assert said["settled-too-short"] == (
        "warning",
        "the sample settled for too short a time: settled came 3 min after sample, at least 8 min are asked for",
    )
    assert said["not-gathered"][0] == "invalid"
    assert run.effect == "invalid"


def test_water_alone_is_not_left_to_gather(desk: Desk) -> None:
    run = walked(
        desk, begun(desk, phase="water"), (("sample", 0), ("settled", 9), ("extract", 10), ("drops", 12))
    )
    assert run.departures == ()
    with pytest.raises(LinecallError, match='has no step "gathered" where water is tested'):
        step(desk, begun(desk, point="S1-drain", phase="water").id, "gathered")


def test_a_step_begun_again_counts_from_its_last_time(desk: Desk) -> None:
    # the bottle was turned: the fluid gathers anew, and only then come the drops (common practice, no source)
    run = walked(desk, begun(desk), (("sample", 0), ("settled", 9), ("extract", 10), ("gathered", 15)))
    run = walked(desk, run, (("extract", 16), ("gathered", 18)))
    assert "gathered-too-short" in codes(run)
    run = walked(desk, run, (("gathered", 21), ("drops", 22)))
    assert run.departures == ()
    assert [taken.step for taken in run.steps].count("gathered") == 3


def test_steps_in_another_order_are_told(desk: Desk) -> None:
    run = walked(
        desk, begun(desk), (("sample", 0), ("extract", 9), ("settled", 11), ("gathered", 20), ("drops", 25))
    )
    assert codes(run) == {"wrong-order"}
    assert "extract was done before settled" in run.departures[0].sentence


def test_another_amount_than_the_procedures_is_told(desk: Desk) -> None:
    run = step(desk, begun(desk).id, "sample")
    run = step(at(desk, desk.now + timedelta(minutes=9)), run.id, "extract", amount=20.0)
    assert "20 instead of 12 ml of sample" in run.departures[0].sentence


def test_a_correction_keeps_both_values_and_lifts_what_rested_on_the_wrong_one(desk: Desk) -> None:
    run = walked(desk, begun(desk), (("sample", 0), ("settled", 3)))
    assert codes(run) == {"settled-too-short"}
    later = at(desk, desk.now + timedelta(minutes=30))
    run = correct(later, run.id, "settled", desk.now + timedelta(minutes=13), reason="misread the watch")
    taken = run.last_of("settled")
    assert taken is not None
    assert (taken.first_at, taken.at) == (desk.now + timedelta(minutes=3), desk.now + timedelta(minutes=13))
    assert run.corrections[0].reason == "misread the watch"
    assert codes(run) == set()
    kinds = [event.kind for event in desk.logbook.run_events(run.id)]
    assert kinds == ["run", "run_step", "run_step", "run_departure", "run_correction", "run_departure"]


def test_a_mistaken_tap_is_corrected_not_entered_twice(desk: Desk) -> None:
    run = walked(desk, begun(desk))
    with pytest.raises(
        LinecallError, match=r"drops is noted in run .* already, at 2026-05-04 12:25; to correct it"
    ):
        step(at(desk, desk.now + timedelta(minutes=26)), run.id, "drops")
    with pytest.raises(LinecallError, match=r"drops of run .* is so already"):
        correct(
            at(desk, NOON + timedelta(minutes=30)), run.id, "drops", NOON + timedelta(minutes=25), reason="x"
        )
    with pytest.raises(LinecallError, match="before the sample was drawn"):
        correct(
            at(desk, NOON + timedelta(minutes=30)), run.id, "drops", NOON - timedelta(minutes=5), reason="x"
        )


def test_a_corrected_lot_brings_its_layout_and_expiry(desk: Desk) -> None:
    run = correct(desk, begun(desk).id, "lot", "ST-2511", reason="read the wrong pouch")
    assert (run.lot, run.expiry) == ("ST-2511", "2027-05-31")
    assert run.layout is not None
    assert run.layout.name == "strip"
    assert desk.logbook.settings()[run.layout.sha256].kind == "layout"
    with pytest.raises(LinecallError, match="no plate lot"):
        correct(desk, run.id, "lot", "nonsense", reason="x")
    assert run.corrections[0].was["lot"] == "CB-2604"


def test_a_plate_past_its_expiry_or_recalled_is_refused_before_a_sample_is_lost_on_it(tmp_path: Path) -> None:
    recalled = EXAMPLE.replace('# recalled = "2026-11-02" ', 'recalled = "2026-04-02" ')
    with desk_in(tmp_path, site=site_of(tmp_path, recalled)).logbook:
        desk = desk_in(tmp_path, site=site_of(tmp_path, recalled))
        with pytest.raises(LinecallError, match="plate lot ST-2511 is recalled since 2026-04-02"):
            begun(desk, lot="ST-2511")
        late = at(desk, "2027-11-01T00:10:00+01:00")
        with pytest.raises(
            LinecallError, match="CB-2604 may be used until 2027-10-31, and this run is of 2027-11-01"
        ):
            begun(late)
        # ten minutes earlier by UTC it is still October in UTC, but not at the site
        assert late.now.astimezone(moment("2026-01-01T00:00:00+00:00").tzinfo).month == 10
        run = begun(late, anyway="no other plate on board")
        assert codes(run) == {"expired"}
        assert run.notes[0].text == "no other plate on board"
        desk.logbook.close()


def test_a_lot_recalled_after_the_run_began_is_told_the_next_time_it_is_written_on(
    desk: Desk, tmp_path: Path
) -> None:
    run = begun(desk)
    text = EXAMPLE.replace('expiry = "2027-10" ', 'recalled = "2026-05-04"\nexpiry = "2027-10" ')
    after = replace(desk, site=site_of(tmp_path, text.replace("revision = 1 ", "revision = 2 "), "new.toml"))
    run = settle(after, run.id)
    assert [(one.code, one.effect) for one in run.departures] == [("recalled", "invalid")]


def test_a_lot_that_the_site_does_not_know_is_used_only_for_a_reason_and_says_so(desk: Desk) -> None:
    with pytest.raises(LinecallError, match="no plate lot"):
        begun(desk, lot="ZZ-1")
    run = begun(desk, lot="ZZ-1", expiry="2027-01", anyway="new delivery")
    assert codes(run) == {"lot-unknown"}
    assert (run.layout, run.reading_age, run.expiry) == (None, None, "2027-01")
    with pytest.raises(LinecallError, match="expires 2027-10 by the site file, but 2027-11 was given"):
        begun(desk, point="S1-drain", expiry="2027-11")


def test_a_point_has_one_open_run_and_a_plate_one_run_ever(desk: Desk) -> None:
    run = begun(desk, plate="7")
    with pytest.raises(LinecallError, match=f"sample point N1-drain has an open run, {run.id}"):
        begun(desk)
    with pytest.raises(LinecallError, match="plate 7 of lot CB-2604 is in run"):
        begun(desk, point="S1-drain", plate="7")
    walked(desk, run)
    abandon(at(desk, desk.now + timedelta(hours=3)), run.id, reason="fell into the bilge")
    with pytest.raises(LinecallError, match="plate 7 of lot CB-2604 has been used in run"):
        begun(desk, point="S1-drain", plate="7")
    other = begun(desk, point="S1-drain", plate="8")
    with pytest.raises(LinecallError, match="has been used in run"):
        correct(desk, other.id, "plate", "7", reason="misread")
    assert find_run(desk.logbook, other.id).plate == "8"
    assert begun(desk).id != run.id


def test_a_run_resumed_on_another_day_is_told_by_the_sites_days(desk: Desk) -> None:
    run = step(desk, begun(desk).id, "sample")
    run = step(at(desk, desk.now + timedelta(hours=20)), run.id, "settled")
    assert "another-day" in codes(run)
    assert "sample at 2026-05-04 12:00, settled at 2026-05-05 08:00" in run.departures[-1].sentence


def test_a_night_shift_over_midnight_is_no_other_day(desk: Desk) -> None:
    night = at(desk, "2026-05-04T23:50:00+02:00")
    assert walked(night, begun(night)).departures == ()


def test_a_phones_clock_that_disagrees_is_said(desk: Desk) -> None:
    run = begun(desk)
    run = step(desk, run.id, "sample", device_at=desk.now + timedelta(minutes=4))
    assert run.departures == ()
    run = step(
        desk, run.id, "settled", at=desk.now, entry="at once", device_at=desk.now - timedelta(minutes=70)
    )
    assert (
        "the phone's is 70 min behind the logbook's at settled"
        in {one.code: one for one in run.departures}["clock"].sentence
    )


def test_a_departure_is_noted_by_its_code_and_taken_back_for_a_reason(desk: Desk) -> None:
    run = begun(desk)
    with pytest.raises(LinecallError, match=r'no departure "drop-on-windw"; did you mean "drop-on-window"\?'):
        note(desk, run.id, departure="drop-on-windw")
    run = note(desk, run.id, departure="drop-on-window", text="window 3")
    assert (run.departures[0].step, run.departures[0].effect) == ("drops", "invalid")
    assert run.departures[0].sentence == "a drop fell on a window: window 3"
    with pytest.raises(LinecallError, match=r"noted in run .* already"):
        note(desk, run.id, departure="drop-on-window")
    with pytest.raises(LinecallError, match="only for a reason"):
        lift(desk, run.id, "drop-on-window", reason=" ")
    assert lift(desk, run.id, "drop-on-window", reason="glare").departures == ()


def test_what_linecall_found_is_not_talked_away(desk: Desk) -> None:
    run = walked(desk, begun(desk), (("sample", 0), ("settled", 3)))
    with pytest.raises(LinecallError, match=r"follows from what was entered .* correct that"):
        lift(desk, run.id, "settled-too-short", reason="was fine")


def test_a_run_ends_closed_only_if_read_and_abandoned_only_for_a_reason(desk: Desk) -> None:
    run = begun(desk)
    with pytest.raises(LinecallError, match="has not been read"):
        close(desk, run.id)
    with pytest.raises(LinecallError, match="for a reason"):
        abandon(desk, run.id, reason="")
    run = abandon(desk, run.id, reason="rain")
    assert state_in(desk.logbook, run.id, now=desk.now) == "abandoned"
    with pytest.raises(LinecallError, match="was abandoned at"):
        step(desk, run.id, "sample")
    assert note(desk, run.id, text="the rain lasted").notes[0].text == "the rain lasted"


def test_another_sites_file_writes_on_no_run_of_this_one(desk: Desk, tmp_path: Path) -> None:
    run = begun(desk)
    other = site_of(tmp_path, EXAMPLE.replace('site = "tallowmere"', 'site = "elsewhere"'), "other.toml")
    with pytest.raises(LinecallError, match=r"is of site tallowmere, but this is the file of site elsewhere"):
        step(replace(desk, site=other), run.id, "sample")
    with pytest.raises(LinecallError, match="this is site elsewhere"):
        begun(replace(desk, site=other))


def test_a_site_file_that_changed_without_a_higher_revision_begins_no_run(desk: Desk, tmp_path: Path) -> None:
    begun(desk)
    text = EXAMPLE.replace("volume_l = 900.0", "volume_l = 950.0")
    with pytest.raises(LinecallError, match="raise revision above 1"):
        begun(replace(desk, site=site_of(tmp_path, text, "new.toml")), point="S1-drain")


def test_a_point_with_an_open_run_is_not_removed_in_silence(desk: Desk, tmp_path: Path) -> None:
    run = begun(desk, point="GEN-dip")
    text = EXAMPLE.replace('id = "GEN-dip"', 'id = "GEN-pipe"').replace("revision = 1 ", "revision = 2 ")
    new = replace(desk, site=site_of(tmp_path, text, "new.toml"))
    with pytest.raises(
        LinecallError, match=f"GEN-dip is no longer in the site file, but has the open run {run.id}"
    ):
        begun(new)
    abandon(desk, run.id, reason="the pipe is new")
    assert begun(new).point == "N1-drain"


def test_a_procedure_may_ask_for_a_quiz_passed_within_months(tmp_path: Path) -> None:
    from reader.files.bundled import DATA

    ours = (DATA / "procedure" / "standard.toml").read_text(encoding="utf-8")
    ours = ours.replace('procedure = "standard"', 'procedure = "ours"').replace(
        "# quiz_within_months = 12", "quiz_within_months = 6"
    )
    (tmp_path / "ours.toml").write_text(ours, encoding="utf-8")
    site = site_of(tmp_path, EXAMPLE.replace('procedure = "standard"', 'procedure = "ours.toml"'))
    desk = desk_in(tmp_path, site=site)
    with desk.logbook:
        assert codes(begun(desk)) == {"no-quiz"}
        for passed, when in ((True, "2025-11-03T12:00:00+01:00"), (False, "2026-05-01T12:00:00+02:00")):
            desk.logbook.append("quiz", {"passed": passed, "trainee": desk.by}, by=desk.by, at=moment(when))
        run = begun(desk, point="S1-drain")
        assert "the last was passed on 2025-11-03" in run.departures[0].sentence  # six months and a day ago
        desk.logbook.append("quiz", {"passed": True, "trainee": desk.by}, by=desk.by, at=desk.now)
        assert begun(desk, point="HB-sump").departures == ()


def test_who_has_not_seen_what_others_wrote_meanwhile_is_told(desk: Desk) -> None:
    run = begun(desk)
    step(desk, run.id, "sample")
    with pytest.raises(StaleHeadError, match=f"somebody has written to run {run.id} meanwhile"):
        desk.logbook.add_to_run(
            run.id, [(NOTE, RunNote(text="x"))], by=desk.by, at=desk.now, expect_last=run.last_seq
        )


def test_a_run_keeps_the_procedure_that_it_began_with(desk: Desk) -> None:
    run = begun(desk)
    assert procedure_of(desk.logbook, run).sha256 == run.procedure.sha256
    assert {"site", "procedure", "layout"} == {kept.kind for kept in desk.logbook.settings().values()}


def test_a_mistyped_id_is_told_with_the_one_that_was_perhaps_meant(desk: Desk) -> None:
    run = begun(desk)
    wrong = run.id[:-1] + ("2" if run.id[-1] != "2" else "3")
    with pytest.raises(LinecallError, match=rf'there is no run .*did you mean "{run.id}"\?'):
        find_run(desk.logbook, wrong)
    assert find_run(desk.logbook, f" {run.id.upper()} ").id == run.id
