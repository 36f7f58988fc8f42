"""Bottle labels: their check character, true scale, and what a photo that shows one is tied to or stopped by."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from fixtures.labels import with_label
from reader.errors import LinecallError
from reader.locate.plate import PlatePose, find_plate
from reader.photo.open import Photo, open_photo
from reader.round.label import LabelTies, check_character, code_of, label_ties, parse_code, prepare_labels
from reader.round.label_look import codes_beside
from reader.round.record import Desk, abandon, begin, step
from reader.round.sheets import CODE_MM, LABEL_MM, SHEETS_MM, code_modules, label_sheet
from reader.run.jobs import Order
from reader.settings.read_settings import load_settings
from reader.settings.values import load_layout
from reader.verdict.statement import Stated
from tests.reader.round.rounds import NOON, STEPS, at, begun

LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
RUN = "7q3k9xab"
pytestmark = pytest.mark.usefixtures("same_ids")


@pytest.fixture(scope="module")
def seen(root: Path) -> tuple[Photo, PlatePose]:
    photo = open_photo(root / "demo_images" / "north-tank-drain.jpg")
    return photo, find_plate(photo, (load_layout("comb"),))


def test_the_check_character_is_that_of_the_standard() -> None:
    # ISO 7064 MOD 37,36, as the GRid Standard (IFPI) works it out for A1-2425G-ABC1234002-M
    assert check_character("A12425GABC1234002") == "M"


def test_every_wrong_character_of_a_code_is_found() -> None:
    code = code_of("tallowmere", RUN)
    assert parse_code(code) == ("tallowmere", RUN)
    for place in range(code.index("/") + 1, len(code)):
        for other in set(LETTERS) - {code[place]}:
            with pytest.raises(LinecallError, match="does not fit the others"):
                parse_code(code[:place] + other + code[place + 1 :])


@pytest.mark.parametrize("text", ["", "https://example.org/a", "LOT 4711", "A/B", code_of("t", RUN).lower()])
def test_a_code_of_somebody_else_s_is_no_label(text: str) -> None:
    assert parse_code(text) is None


def test_a_label_begins_a_run_once_and_its_run_is_prepared(desk: Desk) -> None:
    labels, left_out = prepare_labels(desk, ["N1-drain", "n1-drain", "HB-sump"], phase="fuel", lot="CB-2604")
    assert [label.point for label in labels] == ["N1-drain", "HB-sump"]
    assert left_out == ()
    again, _ = prepare_labels(desk, ["N1-drain"], phase="fuel", lot="CB-2604")
    assert again == labels[:1]
    other, left_out = prepare_labels(desk, ["N1-drain"], phase="water", lot="CB-2604")
    assert other == ()
    assert "is prepared for fuel" in left_out[0]
    step(desk, labels[0].run, "sample")
    gone, left_out = prepare_labels(desk, ["N1-drain"], phase="fuel", lot="CB-2604")
    assert gone == ()
    assert "under way" in left_out[0]


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_labels_are_printed_true_to_scale_and_read_back(desk: Desk, paper: str) -> None:
    pdfium = pytest.importorskip("pypdfium2")
    labels, _ = prepare_labels(desk, ["N1-drain", "HB-sump"], phase="fuel", lot="CB-2604")
    document = pdfium.PdfDocument(label_sheet(labels * 11, paper=paper))
    assert document[0].get_size() == pytest.approx([mm * 72 / 25.4 for mm in SHEETS_MM[paper]], abs=0.01)
    per_mm = 12
    page = document[0].render(scale=per_mm * 25.4 / 72).to_numpy()[..., 0]
    left = (SHEETS_MM[paper][0] - 3 * LABEL_MM[0]) / 2
    for number, label in enumerate(labels):
        x = round((left + number * LABEL_MM[0]) * per_mm)
        shown = page[8 * per_mm : round((8 + LABEL_MM[1]) * per_mm), x : x + round(LABEL_MM[0] * per_mm)]
        text, corners, _ = cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(shown))
        assert text == label.code
        sides = np.linalg.norm(np.diff(corners[0], axis=0), axis=1) / per_mm
        assert sides == pytest.approx(CODE_MM, abs=0.25)
    assert len(code_modules(labels[0].code)) == 21  # the smallest there is (ISO/IEC 18004, version 1)


def test_a_label_beside_the_plate_is_read_and_one_far_off_is_not_looked_for(
    seen: tuple[Photo, PlatePose],
) -> None:
    photo, pose = seen
    code = code_of("tallowmere", RUN)
    assert codes_beside(photo, pose) == ()
    width = pose.layout.outline.width
    assert codes_beside(with_label(photo, pose, code, centre_mm=(width / 2, -12), turn=0.4), pose) == (code,)


def ties_for(desk: Desk, *, named: str | None = None) -> LabelTies:
    settings = load_settings()
    order = Order(settings=settings, statement=Stated.of(operator=desk.by))
    made = label_ties(desk, order, named=named)
    assert made is not None
    return made


def ready(desk: Desk, point: str = "N1-drain") -> tuple[str, Desk]:
    run = begun(desk, point=point)
    for name, minutes in STEPS:
        step(at(desk, desk.now + timedelta(minutes=minutes)), run.id, name)
    return run.id, at(desk, desk.now + timedelta(minutes=45))


def shown(seen: tuple[Photo, PlatePose], code: str, **changes: Any) -> tuple[Photo, PlatePose]:
    photo, pose = seen
    taken = {"captured_at": NOON + timedelta(minutes=45)} | changes
    return replace(
        with_label(photo, pose, code, centre_mm=(pose.layout.outline.width / 2, -12)), **taken
    ), pose


def test_a_photo_is_tied_to_the_open_run_of_its_label(desk: Desk, seen: tuple[Photo, PlatePose]) -> None:
    run, then = ready(desk)
    tied = ties_for(then)(*shown(seen, code_of("tallowmere", run)))
    assert tied is not None
    assert (tied.run.id, tied.drops_at) == (run, NOON + timedelta(minutes=25))
    assert tied.statement.tank == "North tank"
    assert ties_for(then)(*seen) is None


def test_a_label_that_does_not_belong_stops_the_reading(desk: Desk, seen: tuple[Photo, PlatePose]) -> None:
    run, then = ready(desk)
    over = begun(at(then, then.now), point="HB-sump").id
    early = begun(then, point="S1-drain").id
    abandon(then, over, reason="no bottle")
    mine = code_of("tallowmere", run)
    wrong = mine[:-1] + ("A" if mine[-1] != "A" else "B")
    for code, named, changes, sentence in (
        (code_of("elsewhere", run), None, {}, "is of site elsewhere, but this is site tallowmere"),
        (code_of("tallowmere", over), None, {}, "which is not open in this logbook"),
        (code_of("tallowmere", early), None, {}, "does not say when the drops were put in"),
        (
            mine,
            None,
            {"captured_at": NOON + timedelta(days=1)},
            "of 2026-05-04, but the photo is of 2026-05-05",
        ),
        (mine, early, {}, f"of run {run}, but --run names {early}"),
        (wrong, None, {}, "does not fit the others"),
    ):
        with pytest.raises(LinecallError, match=sentence):
            ties_for(then, named=named)(*shown(seen, code, **changes))
    assert ties_for(then, named=run)(*shown(seen, mine, captured_at=NOON + timedelta(days=1))) is None


def test_nothing_is_looked_for_while_no_run_is_open(desk: Desk) -> None:
    order = Order(settings=load_settings(), statement=Stated.of(operator=desk.by))
    assert label_ties(desk, order) is None
    run = begin(desk, point="N1-drain", phase="fuel", lot="CB-2604")
    assert label_ties(desk, order) is not None
    abandon(desk, run.id, reason="rain")
    assert label_ties(desk, order) is None


def test_a_label_of_another_layout_s_plates_stops_the_reading(
    desk: Desk, seen: tuple[Photo, PlatePose]
) -> None:
    run = begun(desk, lot="ST-2511")
    for name, minutes in STEPS:
        step(at(desk, desk.now + timedelta(minutes=minutes)), run.id, name)
    then = at(desk, desk.now + timedelta(minutes=45))
    with pytest.raises(
        LinecallError, match='whose plates have layout "strip", but this plate has layout "comb"'
    ):
        ties_for(then)(*shown(seen, code_of("tallowmere", run.id)))


def test_sixteen_bits_a_channel_are_read_as_well(seen: tuple[Photo, PlatePose]) -> None:
    photo, pose = seen
    code = code_of("tallowmere", RUN)
    labelled = with_label(photo, pose, code, centre_mm=(pose.layout.outline.width / 2, -12))
    deep: npt.NDArray[np.uint16] = labelled.pixels.astype(np.uint16) * 257
    assert codes_beside(replace(labelled, pixels=deep), pose) == (code,)
