"""A run as a phone tells it: as often as it likes, early, late or cut off, and the logbook has it once."""

import hashlib
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from starlette.testclient import TestClient

from reader.round.record import find_run
from reader.settings.values import load_layout
from reader.station.desk import Desk
from reader.station.hints import find_hints
from reader.station.looks import Looks
from tests.reader.station.depots import (
    BEN,
    CLEO,
    NOW,
    OURS,
    browser,
    depot,
    developed,
    photo_of,
    signed_in,
    turn,
)

RUN = "0123abcd"
PIECE = 256 * 1024


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as opened:
        yield opened


@pytest.fixture
def phone(desk: Desk) -> TestClient:
    return signed_in(browser(desk), desk, BEN)


def noted(minutes: float, offset_s: float = 0.0) -> dict[str, Any]:
    at = NOW + timedelta(minutes=minutes) - timedelta(seconds=offset_s)
    return {"at": at.isoformat(), "offset_s": offset_s}


def said(*steps: tuple[str, float], now: float = 0.0, offset_s: float = 0.0, **other: Any) -> dict[str, Any]:
    """A run that begins 40 minutes before NOW, with steps at minutes from NOW; offset_s : station minus phone."""
    return {
        "point": "HB-sump",
        "phase": "water",
        "lot": "CB-2604",
        "operator": BEN,
        "begun": noted(-40, offset_s),
        "steps": [{"step": step, **noted(at, offset_s)} for step, at in steps],
        "now": noted(now, offset_s)["at"],
        **other,
    }


ALL = (("sample", -39.0), ("settled", -30.0), ("extract", -28.0), ("drops", -20.0))


def put(phone: TestClient, run: dict[str, Any], id: str = RUN) -> Any:
    return phone.put(f"/runs/{id}", json=run, headers=OURS)


def send_pieces(phone: TestClient, id: str, data: bytes, *, size: int = PIECE) -> str:
    sha = hashlib.sha256(data).hexdigest()
    at = 0
    while at < len(data):
        piece = data[at : at + size]
        answer = phone.put(f"/runs/{id}/photos/{sha}?at={at}", content=piece, headers=OURS)
        assert answer.status_code == 200
        at = answer.json()["next"]
    assert at == len(data)
    return sha


def send(phone: TestClient, id: str, *shas: str, taken: datetime = NOW) -> Any:
    photos = [
        {"sha256": sha, "name": f"{k}.jpg", "at": taken.isoformat(), "offset_s": 0.0}
        for k, sha in enumerate(shas)
    ]
    return phone.post(f"/runs/{id}/send", json={"photos": photos, "now": taken.isoformat()}, headers=OURS)


def n_events(desk: Desk) -> int:
    return desk.logbook.head()[0]


def test_a_run_told_again_and_again_is_there_once(desk: Desk, phone: TestClient) -> None:
    first = put(phone, said(*ALL[:1]))
    assert first.status_code == 200
    assert put(phone, said(*ALL)).status_code == 200
    events = n_events(desk)
    again = put(phone, said(*ALL, now=1.0))
    assert again.status_code == 200
    assert n_events(desk) == events
    run = find_run(desk.logbook, RUN)
    assert [one.step for one in run.steps] == [step for step, _ in ALL]
    assert run.drops_at == NOW - timedelta(minutes=20)
    assert not run.departures
    assert again.json()["readable_from"] == (NOW - timedelta(minutes=5)).isoformat()


@pytest.mark.parametrize("change", [{"point": "N1-drain"}, {"phase": "fuel"}, {"lot": "ST-2511"}])
def test_an_id_with_another_run_is_refused(desk: Desk, phone: TestClient, change: dict[str, str]) -> None:
    put(phone, said())
    events = n_events(desk)
    assert put(phone, said() | change).status_code == 409
    assert n_events(desk) == events


def test_other_drops_under_the_same_id_are_refused_without_a_correction(
    desk: Desk, phone: TestClient
) -> None:
    put(phone, said(*ALL))
    assert put(phone, said(*ALL[:3], ("drops", -10.0))).status_code == 409
    assert find_run(desk.logbook, RUN).drops_at == NOW - timedelta(minutes=20)


def test_a_mistaken_tap_is_corrected_and_both_times_are_kept(desk: Desk, phone: TestClient) -> None:
    put(phone, said(*ALL))
    corrected = said(*ALL, corrections=[{"step": "drops", **noted(-17.0)}])
    for _ in range(2):
        assert put(phone, corrected).status_code == 200
    taken = find_run(desk.logbook, RUN).last_of("drops")
    assert taken is not None
    assert (taken.at, taken.first_at) == (NOW - timedelta(minutes=17), NOW - timedelta(minutes=20))
    assert len(find_run(desk.logbook, RUN).corrections) == 1


def test_a_correction_by_many_minutes_says_nothing_about_clocks(desk: Desk, phone: TestClient) -> None:
    put(phone, said(*ALL, corrections=[{"step": "drops", **noted(-8.0)}]))
    assert not find_run(desk.logbook, RUN).departures


def test_times_of_a_phone_that_is_slow_are_put_right_and_said(desk: Desk, phone: TestClient) -> None:
    put(phone, said(*ALL, offset_s=720.0))
    run = find_run(desk.logbook, RUN)
    assert run.drops_at == NOW - timedelta(minutes=20)
    assert "clock" in {one.code for one in run.departures}


def test_a_phone_that_does_not_know_its_offset_is_put_right_by_what_it_shows_now(
    desk: Desk, phone: TestClient
) -> None:
    wrong = said(*ALL, offset_s=200.0, corrections=[{"step": "drops", **noted(-18, 200.0)}])
    for one in (wrong["begun"], *wrong["steps"], *wrong["corrections"]):
        one["offset_s"] = None
    assert put(phone, wrong).status_code == 200
    turn(desk, NOW + timedelta(seconds=1))  # the same, a second longer on its way
    assert put(phone, wrong).status_code == 200
    run = find_run(desk.logbook, RUN)
    assert run.drops_at == NOW - timedelta(minutes=18)
    assert len(run.corrections) == 1
    assert not run.departures


def test_a_clock_that_was_set_during_the_run_is_said(desk: Desk, phone: TestClient) -> None:
    put(phone, said(*ALL))
    assert not find_run(desk.logbook, RUN).departures
    put(phone, said(*ALL, now=-9.0))
    assert [one.code for one in find_run(desk.logbook, RUN).departures] == ["clock"]


def test_what_went_otherwise_is_noted_once(desk: Desk, phone: TestClient) -> None:
    for _ in range(2):
        put(phone, said(*ALL, departures=[{"code": "other-drops", "step": "drops"}]))
    assert [one.code for one in find_run(desk.logbook, RUN).departures] == ["other-drops"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"operator": "Eve Nobody"},
        {"point": "nowhere"},
        {"lot": "XX-1"},
        {"begun": {"at": "yesterday", "offset_s": 0}},
        {"begun": {"at": "9999-12-31T23:59:59+00:00", "offset_s": 4e9}},
        {"begun": {"at": "0001-01-01T00:00:00+14:00", "offset_s": -4e9}},
        {"steps": [{"step": "../../etc", **noted(-1)}]},
        {"now": "<script>"},
        {"surplus": 1},
    ],
)
def test_what_cannot_be_begins_nothing_or_changes_nothing(
    desk: Desk, phone: TestClient, wrong: dict[str, Any]
) -> None:
    answer = put(phone, said() | wrong)
    assert answer.status_code in {400, 403, 409}
    assert answer.json()["error"]
    assert all(not find_run(desk.logbook, row.id).steps for row in desk.logbook.runs())


def test_only_technicians_tell_of_runs(desk: Desk) -> None:
    assert put(browser(desk), said()).status_code == 401
    assert put(signed_in(browser(desk), desk, CLEO), said()).status_code == 403


def test_photo_to_answer_and_the_same_again_gives_the_same(desk: Desk, phone: TestClient, root: Path) -> None:
    run = developed(desk)
    photo = photo_of(root, NOW)
    sha = send_pieces(phone, run, photo)
    answer = send(phone, run, sha).json()
    assert (answer["received"], answer["status"], answer["grade"]) == ([sha], "read", "negligible")
    events = n_events(desk)
    assert send_pieces(phone, run, photo) == sha
    again = send(phone, run, sha).json()
    assert again["reading"] == answer["reading"]
    assert n_events(desk) == events
    page = phone.get(f"/runs/{run}")
    assert "Negligible" in page.text
    with Looks.open(desk.folder) as looks:
        assert looks.has_seen([answer["reading"]], BEN), "who was shown an answer is no blind reader of it"
        assert not looks.has_seen([answer["reading"]], CLEO)
    assert "HB-sump" in phone.get("/today").text
    strip = phone.get(f"/strips/{answer['reading']}/0.jpg")
    picture = cv2.imdecode(np.frombuffer(strip.content, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape[0] > 200
    assert phone.get(f"/strips/{answer['reading']}/6.jpg").status_code == 404
    assert phone.post(f"/runs/{run}/close", headers=OURS, follow_redirects=False).status_code == 303
    assert find_run(desk.logbook, run).ended == "closed"


def test_cut_at_each_piece_and_sent_on_there_is_one_reading(
    desk: Desk, phone: TestClient, root: Path
) -> None:
    run = developed(desk)
    photo = photo_of(root, NOW)
    sha = hashlib.sha256(photo).hexdigest()
    size = 64 * 1024
    for at in range(0, len(photo), size):
        asked = phone.put(f"/runs/{run}/photos/{sha}?at=0", content=b"", headers=OURS).json()
        assert asked["next"] == at
        phone.put(f"/runs/{run}/photos/{sha}?at={at}", content=photo[at : at + size], headers=OURS)
    assert send(phone, run, sha).status_code == 200
    assert len(find_run(desk.logbook, run).readings) == 1


def test_a_photo_of_a_plate_that_is_too_old_by_the_run_settles_no_doubt(
    desk: Desk, phone: TestClient, root: Path
) -> None:
    run = developed(desk, minutes=29)
    sha = send_pieces(phone, run, photo_of(root, NOW, "rescue-boat-tank-1"))
    assert send(phone, run, sha).json()["grade"] == "undecided"
    assert 'data-together="yes"' in phone.get(f"/runs/{run}").text
    later = NOW + timedelta(minutes=3)
    turn(desk, later)
    other = send_pieces(phone, run, photo_of(root, later, "rescue-boat-tank-2"))
    assert send(phone, run, sha, other, taken=later).status_code == 409
    assert 'id="again"' not in phone.get(f"/runs/{run}").text


def test_the_second_photo_is_read_with_the_first_as_one(desk: Desk, phone: TestClient, root: Path) -> None:
    run = developed(desk)
    first = send_pieces(phone, run, photo_of(root, NOW, "rescue-boat-tank-1"))
    assert send(phone, run, first).json()["grade"] == "undecided"
    later = NOW + timedelta(minutes=2)
    turn(desk, later)
    second = send_pieces(phone, run, photo_of(root, later, "rescue-boat-tank-2"))
    assert send(phone, run, first, second, taken=later).json()["grade"] == "heavy"
    assert "2 photos" in phone.get(f"/runs/{run}").text


def test_a_refused_photo_says_what_to_do_and_may_be_taken_again(
    desk: Desk, phone: TestClient, root: Path
) -> None:
    run = developed(desk)
    sha = send_pieces(phone, run, photo_of(root, NOW, "pump-house"))
    assert send(phone, run, sha).json()["status"] == "refused"
    page = phone.get(f"/runs/{run}").text
    assert "move back a little" in page
    assert 'data-together="no"' in page


def test_the_next_run_of_a_point_ends_the_one_on_which_nothing_is_open(
    desk: Desk, phone: TestClient, root: Path
) -> None:
    run = developed(desk)
    assert put(phone, said()).status_code == 409, "its plate is not read yet"
    send(phone, run, send_pieces(phone, run, photo_of(root, NOW)))
    assert put(phone, said()).status_code == 200
    assert find_run(desk.logbook, run).ended == "closed"


def test_a_run_is_given_up_for_a_reason_that_is_kept(desk: Desk, phone: TestClient) -> None:
    put(phone, said(*ALL))
    assert phone.post(f"/runs/{RUN}/end?why=nothing", headers=OURS).status_code == 400
    for _ in range(2):
        assert phone.post(f"/runs/{RUN}/end?why=spoilt", headers=OURS).status_code == 200
    run = find_run(desk.logbook, RUN)
    assert (run.ended, run.end_reason) == ("abandoned", "Sample or plate was spoilt")


def test_a_full_disk_stops_new_runs_and_no_running_one(
    desk: Desk, phone: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(phone, said())
    monkeypatch.setattr("reader.station.technician.has_room", lambda desk: False)
    assert put(phone, said(*ALL)).status_code == 200
    assert put(phone, said() | {"point": "N1-drain"}, "0123abce").status_code == 507


def test_what_is_unsent_is_shown_to_whoever_holds_the_phone(desk: Desk) -> None:
    assert browser(desk).get("/unsent").status_code == 200
    assert browser(desk).get("/prepare").status_code == 401


def test_today_shows_what_is_due_and_what_an_answer_asks_for(
    desk: Desk, phone: TestClient, root: Path
) -> None:
    assert "Due, the riskiest first" in phone.get("/today").text
    run = developed(desk, "N1-drain")
    assert f"run#{run}" in phone.get("/today").text
    send(phone, run, send_pieces(phone, run, photo_of(root, NOW, "north-tank-drain")))
    page = phone.get("/today").text
    assert "What earlier answers ask for" in page
    assert "drain" in page.partition("What earlier answers ask for")[2].lower()
    assert page.index("Other points") < page.rindex("prepare#N1-drain"), "it is not due again at once"


# --- hints ------------------------------------------------------------------------------------------------------


def frame(root: Path, name: str, *, dim: float = 1.0, width: int = 800) -> bytes:
    picture = cv2.imread(str(root / "demo_images" / f"{name}.jpg"))
    assert picture is not None
    scale = width / max(picture.shape[:2])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", cv2.convertScaleAbs(small, alpha=dim), [cv2.IMWRITE_JPEG_QUALITY, 70])
    assert done
    return data.tobytes()


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("pump-house", "cut_off"),
        ("south-tank-drain", "two_plates"),
        ("north-tank-drain", "too_far"),
        ("rescue-boat-tank-1", "shadow"),
        ("generator-tank", "tilted"),
    ],
)
def test_a_frame_shows_what_would_spoil_the_photo(root: Path, name: str, hint: str) -> None:
    layouts = [load_layout("comb"), load_layout("strip")]
    assert hint in {one.code for one in find_hints(frame(root, name), layouts)}


def test_a_good_frame_gives_no_hint_and_a_lamp_over_a_window_is_named(root: Path) -> None:
    layouts = [load_layout("comb")]
    assert find_hints(frame(root, "helipad-bowser"), layouts) == ()
    from reader.locate.glimpse import glimpse_plate

    pixels = cv2.imdecode(np.frombuffer(frame(root, "helipad-bowser"), np.uint8), cv2.IMREAD_COLOR)
    assert pixels is not None
    window = glimpse_plate(np.asarray(pixels, np.uint8), layouts).windows["3"]
    cv2.circle(pixels, [int(v) for v in window.mean(axis=0)], 6, (255, 255, 255), -1, cv2.LINE_AA)
    done, data = cv2.imencode(".png", pixels)
    assert done
    assert [(one.code, one.window) for one in find_hints(data.tobytes(), layouts)] == [("glare", "3")]


def test_hints_come_over_the_wire_and_give_way_to_readings(
    desk: Desk, phone: TestClient, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = frame(root, "south-tank-drain")
    assert phone.post("/hints", content=picture, headers=OURS).json()["hints"] == [
        {"code": "two_plates", "window": None}
    ]
    for junk in (b"", b"no picture", b"\xff\xd8\xff" + b"x" * 1000):
        assert phone.post("/hints", content=junk, headers=OURS).json()["hints"][0]["code"] == "no_plate"
    monkeypatch.setattr(type(desk.readers), "busy", property(lambda self: 1))
    assert phone.post("/hints", content=picture, headers=OURS).status_code == 503


def test_hints_look_for_the_plate_of_the_lot_alone(desk: Desk, phone: TestClient, root: Path) -> None:
    picture = frame(root, "helipad-bowser")
    for lot, codes in (("CB-2604", []), ("ST-2511", ["no_plate"]), ("another", []), ("%00", [])):
        said = phone.post(f"/hints?lot={lot}", content=picture, headers=OURS).json()["hints"]
        assert [one["code"] for one in said] == codes, lot
