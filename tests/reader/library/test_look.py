"""One photo saved otherwise is found again, another plate is not: simulated strips of known truth."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import cv2
import numpy as np
import pytest

from fixtures.graded import invented_verdict
from reader.library.examples import MARKS
from reader.library.look import Alike, Looks, look_of
from reader.library.strips import KeptStrip
from reader.photo.light import encode, linear
from reader.settings.values import load_layout
from reader.verdict.model import Verdict

LAYOUT = load_layout("comb")
N_MARKS = 12


def strips(verdict: Verdict, seed: int, *, tilt: float = 0.1) -> list[KeptStrip]:
    """Lit from one side, with membrane texture and the lines that the verdict measured."""
    rng = np.random.default_rng(seed)
    found = []
    for window in verdict.windows:
        shape = (144, 40)
        along, across = np.meshgrid(*(np.linspace(0, 1, n) for n in shape), indexing="ij")
        absorbance = 0.2 + tilt * along * rng.uniform(-1, 1) + tilt * across * rng.uniform(-1, 1)
        texture = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), 4)
        absorbance += 0.004 * texture / texture.std() + rng.normal(0, 0.004, shape)
        place = along * 18
        for mark in (window.indicator, window.reference):
            absorbance += (mark.height or 0) * np.exp(-0.5 * ((place - (mark.expected_mm or 0)) / 0.35) ** 2)
        light = np.repeat(10 ** -absorbance[..., None], 3, axis=2).astype(np.float32)
        found.append(KeptStrip(linear=light, valid=np.ones(shape, bool)))
    return found


def plate(seed: int) -> Verdict:
    rng = np.random.default_rng(seed)
    heights = {(w.id, m): float(rng.uniform(0, 0.3)) for w in LAYOUT.window for m in MARKS}
    return invented_verdict(LAYOUT, heights, rng, name=f"{seed}.jpg", sha256=f"{seed:064x}")


def saved_again(strip: KeptStrip, *, scale: float, quality: int) -> KeptStrip:
    """The strip after the photo was made smaller, brighter, and saved as JPEG."""
    n_along, n_across = strip.valid.shape
    picture = encode(np.clip(strip.linear * 1.08, 0, 1))
    small = cv2.resize(
        picture, (round(n_across * scale), round(n_along * scale)), interpolation=cv2.INTER_AREA
    )
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])
    loaded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert loaded is not None
    back = cv2.resize(loaded, (n_across, n_along), interpolation=cv2.INTER_CUBIC)
    return replace(strip, linear=linear(back, "srgb"))


def moved(verdict: Verdict, by: float) -> Verdict:
    """The plate seen from elsewhere: a corner of its outline lies elsewhere in the picture."""
    assert verdict.pose is not None
    (x, y), *others = verdict.pose.corners_px
    return verdict.model_copy(
        update={"pose": verdict.pose.model_copy(update={"corners_px": ((x + by, y), *others)})}
    )


def measured_again(verdict: Verdict, error: float) -> Verdict:
    rng = np.random.default_rng(9)
    windows = tuple(
        window.model_copy(
            update={
                name: getattr(window, name).model_copy(
                    update={"height": getattr(window, name).height + float(rng.normal(0, error))}
                )
                for name in ("indicator", "reference")
            }
        )
        for window in verdict.windows
    )
    return verdict.model_copy(update={"windows": windows})


def best(looks: Looks, look: str) -> Alike | None:
    return next(looks.alike(look), None)


@pytest.fixture(scope="module")
def known() -> Looks:
    looks = Looks(N_MARKS)
    for seed in range(40):
        looks.add(f"id{seed}", f"{seed}.jpg", look_of(plate(seed), strips(plate(seed), seed)))
    return looks


@pytest.mark.parametrize(("scale", "quality"), [(1.0, 70), (0.75, 85), (0.5, 90)])
@pytest.mark.parametrize("seed", [0, 7, 23])
def test_a_photo_saved_otherwise_is_the_same_photo(
    known: Looks, seed: int, scale: float, quality: int
) -> None:
    verdict = measured_again(moved(plate(seed), 3), 0.002)
    again = [saved_again(strip, scale=scale, quality=quality) for strip in strips(plate(seed), seed)]
    found = best(known, look_of(verdict, again))
    assert found == Alike(id=f"id{seed}", photo=f"{seed}.jpg", same_photo=True)


def test_the_same_plate_seen_from_elsewhere_is_no_copy(known: Looks) -> None:
    verdict = moved(measured_again(plate(3), 0.003), 120)
    found = best(known, look_of(verdict, strips(plate(3), 103)))
    assert found == Alike(id="id3", photo="3.jpg", same_photo=False)


def turned(verdict: Verdict) -> Verdict:
    """The plate in the picture after that was turned by a quarter."""
    assert verdict.pose is not None
    corners = tuple((-y, x) for x, y in verdict.pose.corners_px)
    return verdict.model_copy(update={"pose": verdict.pose.model_copy(update={"corners_px": corners})})


def test_a_photo_that_was_turned_is_the_same_photo(known: Looks) -> None:
    found = best(known, look_of(turned(plate(7)), strips(plate(7), 7)))
    assert found == Alike(id="id7", photo="7.jpg", same_photo=True)


def taken(verdict: Verdict, at: datetime) -> Verdict:
    known = at.tzinfo is not None
    photo = verdict.photo.model_copy(update={"captured_at": at, "captured_offset_known": known})
    return verdict.model_copy(update={"photo": photo})


def test_photos_taken_at_different_times_are_different_ones_however_alike() -> None:
    at = datetime(2026, 5, 4, 9, 8, tzinfo=UTC)
    looks = Looks(N_MARKS)
    looks.add("id5", "5.jpg", look_of(taken(plate(5), at), strips(plate(5), 5)))
    again = taken(plate(5), at + timedelta(seconds=20))
    found = best(looks, look_of(again, strips(plate(5), 5)))
    assert found == Alike(id="id5", photo="5.jpg", same_photo=False)
    for copy in (plate(5), taken(plate(5), at), taken(plate(5), at.replace(tzinfo=None))):
        found = best(looks, look_of(copy, strips(plate(5), 5)))
        assert found == Alike(id="id5", photo="5.jpg", same_photo=True)


def in_other_light(strip: KeptStrip) -> KeptStrip:
    return replace(strip, linear=strip.linear * np.array([1.0, 1.0, 0.85], np.float32))


def test_the_same_view_in_light_of_another_colour_is_no_copy(known: Looks) -> None:
    look = look_of(plate(7), [in_other_light(strip) for strip in strips(plate(7), 7)])
    assert best(known, look) == Alike(id="id7", photo="7.jpg", same_photo=False)


def test_other_plates_are_neither(known: Looks) -> None:
    for seed in range(100, 160):
        assert best(known, look_of(plate(seed), strips(plate(seed), seed))) is None


def test_a_plate_with_another_number_of_windows_is_never_alike(known: Looks) -> None:
    one = load_layout("strip")
    heights = {(w.id, m): 0.1 for w in one.window for m in MARKS}
    verdict = invented_verdict(one, heights, np.random.default_rng(1), name="s.jpg", sha256="1" * 64)
    assert best(known, look_of(verdict, strips(verdict, 1))) is None
    assert best(Looks(N_MARKS), look_of(plate(1), strips(plate(1), 1))) is None


def test_a_look_is_small_and_the_same_every_time() -> None:
    look = look_of(plate(1), strips(plate(1), 1))
    assert look == look_of(plate(1), strips(plate(1), 1))
    assert len(bytes.fromhex(look)) < 200
