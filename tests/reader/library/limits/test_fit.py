"""Decision limits proposed from graded examples: what they cost, on what plates, and what is never proposed."""

import hashlib
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fixtures.graded import Reader, graded_examples
from reader.anew.call_anew import measured_marks
from reader.decide.call import call_mark, false_call_per_mark
from reader.errors import SettingsError
from reader.library.consensus import consensus, load_consensus
from reader.library.limits import fit
from reader.library.limits.fit import Costs, FitError, load_costs, propose, to_toml
from reader.library.limits.outcomes import learn
from reader.library.tidy import MeasuredRow
from reader.settings.values import Thresholds, load_layout, load_rules, load_thresholds

STANDARD = load_thresholds()
RULES = load_rules()
# People who see as faint a line as the reader does: what they agree on is what is there.
SHARP = tuple(
    Reader(name=name, role="expert", sees=0.004, unsure=0.0008) for name in ("Ada Quill", "Bo Marsh")
)


def rows(
    n: int,
    *,
    seed: int = 1,
    layouts: Sequence[str] = ("comb",),
    readers: Sequence[Reader] = SHARP,
    photos_a_plate: int = 2,
) -> list[MeasuredRow]:
    return list(_rows(n, seed, layouts, readers, photos_a_plate))


def _rows(
    n: int, seed: int, layouts: Sequence[str], readers: Sequence[Reader], photos_a_plate: int
) -> Iterator[MeasuredRow]:
    rule = load_consensus()
    loaded = {layout.sha256: layout for layout in map(load_layout, layouts)}
    made = graded_examples(n, seed=seed, layouts=layouts, readers=readers, photos_a_plate=photos_a_plate)
    for example, gradings in made:
        verdict = example.verdict
        keys = [(window.id, mark) for window in verdict.windows for mark in ("indicator", "reference")]
        agreed = consensus(gradings, keys, rule)  # type: ignore[arg-type]
        yield MeasuredRow(
            example=example.id,
            photo=example.photo.name,
            plate=example.plate,
            sha256=example.photo.sha256,
            verdict=verdict,
            layout=loaded[example.layout.sha256],
            consensus={key: one.call for key, one in agreed.items()},
        )


def costs(**values: float) -> Costs:
    table = {"missed_contamination": 1000.0, "false_alarm": 30.0, "doubt": 1.0, "alarm_share": 0.1} | values
    return Costs.model_validate({"costs": "own", "revision": 1, "title": "own", **table})


def proposed(found: Sequence[MeasuredRow], **options: object) -> fit.Proposal:
    options = {"thresholds": STANDARD, "costs": costs(), **options}
    return propose(lambda: found, rules=RULES, **options)  # type: ignore[arg-type]


def with_limits(limits: object) -> Thresholds:
    """Thresholds of another file, by which no verdict was made."""
    made = STANDARD.model_copy(update=dict(limits))  # type: ignore[call-overload]
    made._sha256 = hashlib.sha256(repr(limits).encode()).hexdigest()
    return made


def calls_by(row: MeasuredRow, thresholds: Thresholds, heights: np.ndarray | None = None) -> list[str]:
    measured = measured_marks(row.verdict, row.layout)
    false_call = false_call_per_mark(thresholds.false_calls_per_plate, len(measured))
    return [
        call_mark(
            mark if heights is None else replace(mark, height=float(heights[i])),
            place,
            thresholds,
            false_call=false_call,
        ).call
        for i, (mark, place) in enumerate(measured)
    ]


@pytest.fixture(scope="module")
def plates() -> list[MeasuredRow]:
    return rows(160)


@pytest.fixture(scope="module")
def found(plates: list[MeasuredRow]) -> fit.Proposal:
    return proposed(plates)


def counted_errors(found: Sequence[MeasuredRow], thresholds: Thresholds) -> dict[str, int]:
    """Errors and doubts of `reader.decide.call` itself, mark by mark, in a competitive assay."""
    sums = dict.fromkeys(("missed", "false alarm", "doubt if alarm", "doubt if well"), 0)
    for row in found:
        for call, settled in zip(calls_by(row, thresholds), row.consensus.values(), strict=True):
            if settled in (None, "doubtful"):
                continue
            alarm = settled != "present"
            sums["missed"] += alarm and call == "present"
            sums["false alarm"] += not alarm and call in ("absent", "undeveloped")
            sums["doubt if alarm"] += alarm and call == "doubtful"
            sums["doubt if well"] += not alarm and call == "doubtful"
    return sums


def hits(rates: fit.ErrorRates) -> dict[str, int]:
    return {
        "missed": rates.missed.hits,
        "false alarm": rates.false_alarm.hits,
        "doubt if alarm": rates.doubt_if_alarm.hits,
        "doubt if well": rates.doubt_if_well.hits,
    }


def test_errors_by_limits_in_use_and_proposed_are_those_of_the_reader_itself(
    plates: list[MeasuredRow], found: fit.Proposal
) -> None:
    assert hits(found.rates_now) == counted_errors(plates, STANDARD)
    assert hits(found.rates_then) == counted_errors(plates, with_limits(found.then))


def test_expected_costs_are_those_of_plates_that_nobody_has_seen() -> None:
    # Prices and limits at which errors are common enough to be counted on fresh plates.
    price, lax = costs(missed_contamination=60.0), with_limits({"false_calls_per_plate": 0.3})
    found = proposed(rows(300, seed=3), costs=price, thresholds=lax)
    fresh = rows(1200, seed=77, photos_a_plate=1)
    assert found.decision == "proposed"
    for expected, thresholds in ((found.cost_now, lax), (found.cost_then, with_limits(found.then))):
        cost, error = cost_of(fresh, thresholds, price)
        assert expected == pytest.approx(cost, abs=4 * error + 0.05 * cost)
    assert cost_of(fresh, with_limits(found.then), price)[0] < cost_of(fresh, lax, price)[0]


def cost_of(found: Sequence[MeasuredRow], thresholds: Thresholds, price: Costs) -> tuple[float, float]:
    """What 1,000 marks cost, with its standard error, counted mark by mark."""
    spent: dict[bool, list[float]] = {True: [], False: []}
    for row in found:
        for call, settled in zip(calls_by(row, thresholds), row.consensus.values(), strict=True):
            if settled in (None, "doubtful"):
                continue
            alarm = settled != "present"
            wrong = call != "doubtful" and (call == "present") == alarm
            each = price.missed_contamination if alarm else price.false_alarm
            spent[alarm].append(each * wrong + price.doubt * (call == "doubtful"))
    shares = {True: price.alarm_share, False: 1 - price.alarm_share}
    mean = sum(share * np.mean(spent[kind]) for kind, share in shares.items())
    error = np.hypot(
        *(share * np.std(spent[kind]) / len(spent[kind]) ** 0.5 for kind, share in shares.items())
    )
    return 1000 * float(mean), 1000 * float(error)


def test_true_heights_are_learnt_from_measured_ones() -> None:
    # Two kinds of line, 0.004 apart, measured with an error of 0.002: closer than a histogram can tell apart.
    rng = np.random.default_rng(2)
    truth = rng.choice([0.0, 0.006], size=20_000, p=[0.7, 0.3])
    error = np.full(len(truth), 0.002)
    true, shares = learn(truth + rng.normal(0, error), error, np.arange(len(truth)) % 2, folds=2)
    share = shares[:, 2]
    assert share @ true == pytest.approx(truth.mean(), abs=1e-4)
    assert share[true < 0.003].sum() == pytest.approx(0.7, abs=0.02)
    assert np.sqrt(share @ (true - share @ true) ** 2) == pytest.approx(truth.std(), rel=0.1)


def test_photographing_the_same_plates_again_does_not_make_a_gain_surer(plates: list[MeasuredRow]) -> None:
    once = proposed(plates)
    twice = proposed([replace(row, example=f"{row.example}{copy}") for row in plates for copy in ("", "b")])
    assert twice.marks == 2 * once.marks
    assert twice.gain == pytest.approx(once.gain, rel=0.01)
    assert twice.gain_error == pytest.approx(once.gain_error, rel=0.01)
    assert twice.held_out_limits == once.held_out_limits


def test_every_plate_is_tried_by_limits_that_were_chosen_without_it(plates: list[MeasuredRow]) -> None:
    # One line so faint that only lax limits call it present, and nobody saw it: limits that were chosen with its
    # plate give way to it, limits that were chosen without it do not.
    row, name = next(
        (row, window.id)
        for row in plates
        for window in row.verdict.windows
        if 0.0085 < (window.indicator.height or 0.0) < 0.0095
    )
    overlooked = replace(row, consensus={**row.consensus, (name, "indicator"): "absent"})
    found = proposed([overlooked if one is row else one for one in plates])
    assert "present" in calls_by(row, STANDARD)
    assert (found.rates_then.missed.hits, found.barred) == (0, ())
    assert found.rates_held_out.missed.hits == 1


def test_limits_that_call_a_mark_present_which_is_absent_by_consensus_are_refused(
    plates: list[MeasuredRow],
) -> None:
    row = next(row for row in plates if row.verdict.windows[2].indicator.height > 0.2)  # type: ignore[operator]
    blind = replace(row, consensus={**row.consensus, ("3", "indicator"): "absent"})
    found = proposed([blind if one is row else one for one in plates])
    assert found.decision == "refused"
    assert [(one.example, one.window, one.mark, one.call) for one in found.barred] == [
        (row.example, "3", "indicator", "present")
    ]
    assert row.photo in found.why


def test_limits_in_use_that_make_such_a_call_give_way_to_some_that_do_not(plates: list[MeasuredRow]) -> None:
    lax = with_limits({"false_calls_per_plate": 0.4})
    found = proposed(plates, thresholds=lax)
    assert counted_errors(plates, lax)["missed"] > 0
    assert (found.decision, found.barred) == ("proposed", ())
    assert found.rates_then.missed.hits == 0


def test_in_a_sandwich_assay_a_line_called_absent_is_the_missed_contamination(root: Path) -> None:
    of_plates = rows(120, layouts=(str(root / "fixtures" / "layouts" / "cross.toml"),))
    settled = [(mark, call) for row in of_plates for (_, mark), call in row.consensus.items()]
    contaminated = settled.count(("indicator", "present"))
    void = settled.count(("reference", "absent"))
    lax = with_limits({"faintest_line": 0.03, "missed_lines": 0.3})
    found = proposed(of_plates, thresholds=lax)
    assert found.rates_now.missed.of == contaminated + void
    missed = sum(
        (mark, call, consensus_call) == ("indicator", "absent", "present")
        for row in of_plates
        for ((_, mark), consensus_call), call in zip(row.consensus.items(), calls_by(row, lax), strict=True)
    )
    assert found.rates_now.missed.hits == missed > 0
    assert found.rates_then.missed.hits == 0


def test_where_limits_cost_least_already_nothing_is_proposed(
    plates: list[MeasuredRow], found: fit.Proposal
) -> None:
    again = proposed(plates, thresholds=with_limits(found.then))
    assert again.decision == "nothing to gain"
    assert again.then == found.then
    assert again.changes == ()


def test_the_dearer_a_missed_contamination_the_stricter_the_limits(plates: list[MeasuredRow]) -> None:
    share = [
        proposed(plates, costs=costs(missed_contamination=cost)).then["false_calls_per_plate"]
        for cost in (40.0, 1000.0, 100_000.0)
    ]
    assert share[0] >= share[1] >= share[2]
    assert share[0] > share[2]


def test_every_changed_mark_is_shown_with_both_calls_and_both_grades(
    plates: list[MeasuredRow], found: fit.Proposal
) -> None:
    then = with_limits(found.then)
    expected = {
        row.example: [
            (*key, now, new)
            for key, now, new in zip(row.consensus, calls_by(row, STANDARD), calls_by(row, then), strict=True)
            if now != new
        ]
        for row in plates
    }
    shown = {
        change.example: [(mark.window, mark.mark, mark.now, mark.then) for mark in change.marks]
        for change in found.changes
    }
    assert shown == {example: marks for example, marks in expected.items() if marks}
    assert any(change.grade_now != change.grade_then for change in found.changes)


def test_an_example_whose_calls_do_not_follow_from_its_numbers_is_left_out_and_named(
    plates: list[MeasuredRow],
) -> None:
    row = plates[0]
    window = row.verdict.windows[0]
    wrong = window.reference.model_copy(update={"call": "absent"})
    windows = (window.model_copy(update={"reference": wrong}), *row.verdict.windows[1:])
    odd = replace(row, verdict=row.verdict.model_copy(update={"windows": windows}))
    found = proposed([odd, *plates[1:]])
    assert [one.example for one in found.left_out] == [row.example]
    # read before the light was looked at, so what it did not call present comes out doubtful at most
    assert "absent in its verdict, but comes out doubtful" in found.left_out[0].why
    assert found.examples == len(plates) - 1


def test_too_few_plates_to_choose_by_are_said_with_numbers(plates: list[MeasuredRow]) -> None:
    with pytest.raises(FitError, match="10 on 10 plates are needed"):
        proposed(plates[:12])


def test_the_file_loads_with_a_new_revision_the_looks_as_they_were_and_the_evidence(
    found: fit.Proposal, tmp_path: Path
) -> None:
    evidence = b"report"
    data = to_toml(found, STANDARD, name="harbour", title='the "old" quay', evidence=evidence)
    path = tmp_path / "harbour.toml"
    path.write_bytes(data)
    loaded = load_thresholds(path)
    assert (loaded.name, loaded.revision, loaded.title) == (
        "harbour",
        STANDARD.revision + 1,
        'the "old" quay',
    )
    assert loaded.evidence == hashlib.sha256(evidence).hexdigest()
    changed = {name for name in Thresholds.model_fields if getattr(loaded, name) != getattr(STANDARD, name)}
    assert changed <= {*fit.LIMITS, "thresholds", "revision", "title", "evidence"}
    assert {name: tomllib.loads(data.decode())[name] for name in fit.LIMITS} == found.then
    with pytest.raises(FitError, match="no name for thresholds"):
        to_toml(found, STANDARD, name="x" * 81, title="t", evidence=evidence)


def test_costs_that_make_a_false_alarm_the_dearer_error_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    text = 'costs = "own"\nrevision = 1\ntitle = "own"\nmissed_contamination = 5.0\nfalse_alarm = 30.0\n'
    path.write_text(text + "doubt = 1.0\nalarm_share = 0.1\n", encoding="utf-8")
    with pytest.raises(
        SettingsError, match="missed_contamination is 5, but must cost more than false_alarm, 30"
    ):
        load_costs(path)
