"""Both error rates before and after: six small plates whose every count is worked out by hand."""

from collections.abc import Mapping

import pytest
from scipy.stats import binomtest

from reader.library.limits.before_after import BeforeAfter, Errors
from reader.library.tidy import AgreedRow
from reader.run.call_archive import CalledAnew, Came, MarkAnew
from reader.words import Call, Format, MarkKey, MarkName

Change = tuple[Call, Call]
KEYS: Mapping[str, MarkKey] = {
    "i1": ("1", "indicator"),
    "r1": ("1", "reference"),
    "i2": ("2", "indicator"),
    "r2": ("2", "reference"),
}
WELL: dict[str, Call | None] = {"i1": "present", "r1": "present", "i2": "present", "r2": "present"}


def agreed(
    photo: int, calls: Mapping[str, Call | None], *, plate: str | None = None, layout: str = "comb"
) -> AgreedRow:
    return AgreedRow(
        plate=plate or f"plate {photo}",
        sha256=f"{photo:064x}",
        layout=layout,
        consensus={KEYS[name]: call for name, call in calls.items()},
    )


def called(
    photo: int,
    changes: Mapping[str, Change] = {},  # never changed
    *,
    grades: tuple[str, str] = ("negligible", "negligible"),
    came: Came = "changed",
    assay: Format = "competitive",
    more_photos: tuple[int, ...] = (),
) -> CalledAnew:
    """A verdict of a plate of which every mark is called present before and after, but for these."""
    marks = []
    for name, (window, mark) in KEYS.items():
        before, after = changes.get(name, ("present", "present"))
        which: MarkName = mark
        marks.append(MarkAnew(window, which, before, after, None))
    return CalledAnew(
        name=f"{photo}.json",
        came=came,
        photos=tuple(f"{one:064x}" for one in (photo, *more_photos)),
        layout="comb",
        assay=assay,
        before=grades[0],
        after=grades[1],
        marks=tuple(marks),
    )


def found(errors: Errors) -> dict[tuple[str, str], BeforeAfter]:
    return {(one.of, one.error): one for one in errors.found()}


def counts(one: BeforeAfter) -> tuple[int, int, int, int, int]:
    """Marks or plates, errors before and after, errors that go and that come."""
    return one.before.of, one.before.hits, one.after.hits, one.paired.only_first, one.paired.only_second


@pytest.fixture
def errors() -> Errors:
    made = Errors(
        [
            agreed(1, WELL),
            agreed(2, WELL | {"i1": "absent"}),
            agreed(3, WELL | {"i1": "absent"}),
            agreed(4, WELL | {"i1": "absent", "i2": None}),
            agreed(5, WELL | {"r2": "undeveloped"}),
            agreed(6, WELL | {"i1": "doubtful"}),
            agreed(7, {"i1": "doubtful", "r1": None}),  # says nothing
        ]
    )
    made.add(called(1, {"i1": ("present", "doubtful")}, grades=("negligible", "undecided")))
    made.add(called(2, {"i1": ("present", "doubtful")}, grades=("negligible", "undecided")))
    made.add(called(3, {"i1": ("present", "absent")}, grades=("negligible", "moderate")))
    made.add(called(4, {"i1": ("doubtful", "present")}, grades=("undecided", "negligible")))
    made.add(called(5, {"r2": ("undeveloped", "absent")}, grades=("invalid", "invalid")))
    made.add(called(6, {"i2": ("absent", "absent")}, grades=("moderate", "moderate")))
    return made


def test_photos_are_counted_whose_truth_says_something(errors: Errors) -> None:
    assert (errors.known, errors.counted) == (6, 6)


def test_calls_of_marks_that_are_not_there(errors: Errors) -> None:
    # Indicators that are absent by consensus: those of window 1 of plates 2, 3 and 4.
    by = found(errors)
    assert counts(by["indicator", "not there, called present"]) == (3, 2, 1, 2, 1)
    assert counts(by["indicator", "not there, called doubtful"]) == (3, 1, 1, 1, 1)
    assert by["indicator", "not there, called present"].alarm == "missed alarm"
    # An undeveloped reference mark counts with the absent ones, whichever of the two it is called.
    assert counts(by["reference", "not there, called present"]) == (1, 0, 0, 0, 0)


def test_calls_of_marks_that_are_there(errors: Errors) -> None:
    # Indicators present by consensus: both of 1, window 2 of 2, 3, both of 5, window 2 of 6; of 4 nobody knows.
    by = found(errors)
    assert counts(by["indicator", "there, called absent"]) == (7, 1, 1, 0, 0)
    assert counts(by["indicator", "there, called doubtful"]) == (7, 0, 1, 0, 1)
    assert by["indicator", "there, called absent"].alarm == "false alarm"
    # References present by consensus: both of all six plates, but for the one of plate 5.
    assert counts(by["reference", "there, called absent"]) == (11, 0, 0, 0, 0)


def test_plates_that_are_released_or_held_wrongly(errors: Errors) -> None:
    # Contaminated: 2, 3, 4 (its unknown mark cannot change that); 5 did not work. Clean: 1. Of 6 nobody knows.
    by = found(errors)
    assert counts(by["plate", "contaminated or invalid, but released"]) == (4, 2, 1, 2, 1)
    assert counts(by["plate", "contaminated or invalid, undecided"]) == (4, 1, 1, 1, 1)
    assert counts(by["plate", "clean, but held"]) == (1, 0, 0, 0, 0)
    assert counts(by["plate", "clean, undecided"]) == (1, 0, 1, 0, 1)


def test_the_pairs_are_tested_as_mcnemar_does() -> None:
    errors = Errors([agreed(k, {"i1": "absent"}) for k in range(12)])
    for k in range(12):
        came: Change = (
            ("present", "doubtful") if k < 9 else ("absent", "present") if k == 9 else ("absent", "absent")
        )
        errors.add(called(k, {"i1": came}))
    one = found(errors)["indicator", "not there, called present"]
    assert counts(one) == (12, 9, 1, 9, 1)
    assert one.paired.p_exact == pytest.approx(binomtest(9, 10).pvalue)
    assert one.before.value == 0.75


def test_in_a_sandwich_assay_the_line_is_the_alarm() -> None:
    errors = Errors([agreed(1, WELL), agreed(2, WELL | {"i1": "absent", "i2": "absent"})])
    errors.add(called(1, {"i1": ("present", "absent")}, assay="sandwich", grades=("heavy", "negligible")))
    errors.add(called(2, {"i1": ("absent", "present")}, assay="sandwich", grades=("negligible", "heavy")))
    by = found(errors)
    assert by["indicator", "there, called absent"].alarm == "missed alarm"
    assert by["indicator", "not there, called present"].alarm == "false alarm"
    assert counts(by["plate", "contaminated or invalid, but released"]) == (1, 0, 1, 0, 1)
    assert counts(by["plate", "clean, but held"]) == (1, 0, 1, 0, 1)


def test_a_photo_counts_once_however_many_verdicts_it_has() -> None:
    errors = Errors([agreed(1, WELL), agreed(2, WELL)])
    errors.add(called(1))
    errors.add(called(1, {"i1": ("absent", "absent")}))
    errors.add(called(9, more_photos=(2,)))  # a verdict of several photos, of which the library has one
    assert (errors.counted, errors.again) == (2, 1)
    assert counts(found(errors)["indicator", "there, called absent"]) == (4, 0, 0, 0, 0)


def test_verdicts_that_tell_nothing_are_left_out_and_counted() -> None:
    errors = Errors([agreed(1, WELL), agreed(2, WELL, layout="strip"), agreed(3, WELL)])
    errors.add(called(1, came="apart"))
    errors.add(called(2))
    errors.add(CalledAnew(name="3.json", came="left", why="damaged"))
    errors.add(called(4))  # of a photo that the library has not
    assert (errors.counted, errors.apart) == (0, 2)
    assert errors.found() == ()


def test_photos_of_one_plate_are_one_cluster() -> None:
    errors = Errors([agreed(k, {"i1": "absent"}, plate="one") for k in range(12)])
    for k in range(12):
        errors.add(called(k))
    one = found(errors)["indicator", "not there, called present"]
    assert (one.before.of, one.before.plates) == (12, 1)
