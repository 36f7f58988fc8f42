"""The control chart: its numbers against published ones, its rules by hand, and what it keeps of a site's photos."""

import json
import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from scipy import sparse
from scipy.integrate import quad
from scipy.sparse.linalg import spsolve
from scipy.stats import norm
from sqlalchemy import create_engine

from fixtures.graded import invented_verdict
from reader.errors import LinecallError, SettingsError
from reader.library import Filters, Library
from reader.library.control.chart import control_page, to_json
from reader.library.control.panels import heights_panel, ranges_panel
from reader.library.control.rules import (
    D2,
    D4,
    ControlRules,
    Limits,
    RunRule,
    limits_of,
    load_control,
    moving_ranges,
    signals,
)
from reader.library.control.store import Anew, Entry
from reader.library.control.strip import (
    ControlError,
    ControlPoint,
    NotChartedError,
    parse_marks,
    state_said,
    time_taken,
)
from reader.library.exchange import export, import_folder
from reader.library.report import Origin
from reader.settings.values import load_layout
from reader.verdict.model import Mark, PhotoRecord, Verdict
from reader.words import MarkKey, MarkName
from tests.reader.library.quiz.quiz_library import invented_library

STANDARD = load_control()
ONE, TWO, FOUR, EIGHT = STANDARD.rule
UNIT = Limits(n=20, centre=0.0, mean_range=D2)  # sigma 1: values are distances
NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)
LAYOUT = load_layout("strip")


# --- numbers ----------------------------------------------------------------------------------------------------


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flowrate of ten batches, and its mean, mean moving range and
# limits, from memory; the four results as a course's list of checked examples quotes them too.
FLOWRATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_limits_agree_with_the_nist_handbook() -> None:
    limits = limits_of(FLOWRATE)
    assert limits.centre == pytest.approx(50.81, abs=5e-5)
    assert limits.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper == pytest.approx(55.8041, abs=5e-5)
    assert limits.lower == pytest.approx(45.8159, abs=5e-5)
    assert moving_ranges(FLOWRATE) == pytest.approx((2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5))
    assert signals(FLOWRATE, limits, (ONE,)) == ()


def test_the_tables_constants_are_those_of_the_range_of_two_normal_values() -> None:
    # the range of two is the size of a normal difference with sd sqrt(2)
    def moment(k: int) -> float:
        return float(2 * quad(lambda r: r**k * norm.pdf(r, scale=math.sqrt(2)), 0, 20)[0])

    mean = moment(1)
    sd = math.sqrt(moment(2) - mean**2)
    assert mean == pytest.approx(2 / math.sqrt(math.pi))
    assert round(mean, 3) == D2
    assert round(1 + 3 * sd / mean, 3) == D4
    assert pytest.approx(2.66, abs=0.0005) == 3 / D2


# Champ and Woodall 1987, Technometrics 29:393, average run lengths in control of these rules together, from memory;
# that of all four as an encyclopedia quotes it too.
RUN_LENGTHS = {
    (ONE,): 370.40,
    (ONE, TWO): 225.44,
    (ONE, FOUR): 166.05,
    (ONE, EIGHT): 152.73,
    (ONE, TWO, FOUR): 132.89,
    (ONE, TWO, EIGHT): 122.05,
    (ONE, FOUR, EIGHT): 105.78,
    (ONE, TWO, FOUR, EIGHT): 91.75,
}


@pytest.mark.parametrize(("rules", "published"), RUN_LENGTHS.items())
def test_average_run_lengths_agree_with_champ_and_woodall(
    rules: tuple[RunRule, ...], published: float
) -> None:
    assert run_length(rules) == pytest.approx(published, abs=0.006)


def run_length(rules: Sequence[RunRule]) -> float:
    """Mean number of values up to the first signal: exact, by the Markov chain that the rules themselves span.

    A state is what can matter of the past: the zones of the last four values, and the sides of up to seven.
    """
    zones = {side * zone: norm.cdf(zone) - norm.cdf(zone - 1) for side in (1, -1) for zone in (1, 2, 3)}

    def state(past: tuple[int, ...]) -> tuple[int, ...]:
        past = past[-7:]
        same = next((k for k, zone in enumerate(reversed(past)) if zone * past[-1] < 0), len(past))
        kept = past[-max(same, 4) :]
        return tuple(zone if k < 4 else int(math.copysign(1, zone)) for k, zone in enumerate(reversed(kept)))[
            ::-1
        ]

    def alarms(past: tuple[int, ...]) -> bool:
        values = [math.copysign(abs(zone) - 0.5, zone) for zone in past]
        return any(one.at == len(values) - 1 for one in signals(values, UNIT, rules))

    places: dict[tuple[int, ...], int] = {(): 0}
    todo: list[tuple[int, ...]] = [()]
    rows, columns, chances = [], [], []
    while todo:
        past = todo.pop()
        for zone, chance in zones.items():
            longer = (*past, zone)
            if alarms(longer):
                continue
            after = state(longer)
            if after not in places:
                places[after] = len(places)
                todo.append(after)
            rows.append(places[past])
            columns.append(places[after])
            chances.append(chance)
    n = len(places)
    moves = sparse.csc_matrix((chances, (rows, columns)), shape=(n, n))
    return float(spsolve(sparse.eye(n, format="csc") - moves, np.ones(n))[0])


def test_limits_from_twenty_photos_give_false_alarms_as_often_as_the_rules_file_says() -> None:
    # "half of all unchanged cameras give their first false alarm within 40 photos"
    rng, n, tries = np.random.default_rng(3), 40, 600
    alarmed = 0
    for _ in range(tries):
        values = rng.normal(0.3, 0.001, STANDARD.baseline + n).tolist()
        limits = limits_of(values[: STANDARD.baseline])
        alarmed += any(one.at >= STANDARD.baseline for one in signals(values, limits, STANDARD.rule))
    assert alarmed / tries == pytest.approx(0.5, abs=0.06)  # 3 standard errors


# --- rules by hand ----------------------------------------------------------------------------------------------

BROKEN = [
    (ONE, (0.0, 3.01), [1]),
    (ONE, (2.9, -2.9, 3.0), []),
    (TWO, (2.1, 0.0, 2.1), [2]),
    (TWO, (2.1, 0.0, 0.0, 2.1), []),  # two of four
    (TWO, (2.1, -2.1, 0.0), []),  # on both sides
    (TWO, (2.1, 2.0), []),  # on the bound
    (TWO, (2.1, 2.1, 0.0), [1]),  # the third is no signal of its own
    (FOUR, (1.1, 1.1, 0.0, 1.1, 1.1), [4]),
    (FOUR, (1.1, 1.1, 0.0, 1.1, 0.9), []),
    (FOUR, (1.1, 1.1, 0.0, 0.0, 1.1, 1.1), []),  # four of six
    (FOUR, (1.1, 1.1, -1.1, 1.1, 1.1), [4]),
    (EIGHT, (0.1,) * 8, [7]),
    (EIGHT, (0.1,) * 7, []),
    (EIGHT, (0.1,) * 7 + (0.0,) + (0.1,) * 7, []),  # the centre is on neither side
    (EIGHT, (0.1,) * 4 + (-0.1,) + (0.1,) * 7, []),
    (EIGHT, (0.1,) * 9, [7, 8]),
]


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("rule", "distances", "wanted"), BROKEN)
def test_each_rule_breaks_where_it_should_on_either_side_and_nowhere_else(
    rule: RunRule, distances: tuple[float, ...], wanted: list[int], side: int
) -> None:
    found = signals([side * distance for distance in distances], UNIT, (rule,))
    assert [one.at for one in found] == wanted
    assert {one.side for one in found} <= {"above" if side > 0 else "below"}
    for one in found:
        assert len(one.beyond) >= rule.points
        assert one.beyond[-1] == one.at


def test_bundled_rules_are_the_four_of_1956() -> None:
    assert [(rule.points, rule.of, rule.beyond) for rule in STANDARD.rule] == [
        (1, 1, 3.0),
        (2, 3, 2.0),
        (4, 5, 1.0),
        (8, 8, 0.0),
    ]
    assert (STANDARD.name, STANDARD.baseline) == ("standard", 20)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("points = 2\n", "points = 4\n", "so many can never lie beyond"),
        ("baseline = 20", "baseline = 2", "baseline"),
        ("beyond = 3.0", "beyound = 3.0", "beyound"),
        (
            'control = "standard"',
            'layout = "standard"',
            "so it is a layout file, but a control file is needed",
        ),
    ],
)
def test_broken_rules_are_refused_with_the_place(
    root: Path, tmp_path: Path, old: str, new: str, told: str
) -> None:
    text = (root / "reader" / "data" / "control" / "standard.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "own.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsError, match=told):
        load_control(path)


# --- a chart in a library ---------------------------------------------------------------------------------------

SPREAD = (0.0, 0.001, -0.001, 0.0005, -0.0005)


def verdict(k: int, shift: float = 0.0, *, layout: str = "strip") -> Verdict:
    """A photo of the same strip: heights 0.2 and 0.4 with a shift of their own, and no other error."""
    loaded = load_layout(layout)
    heights: dict[MarkKey, float] = {
        (window.id, mark): height for window in loaded.window for mark, height in MARKS
    }
    found = invented_verdict(
        loaded, heights, np.random.default_rng(1), name=f"{k:03}.jpg", sha256=f"{k:064x}"
    )
    windows = tuple(
        window.model_copy(
            update={
                mark: getattr(window, mark).model_copy(update={"height": round(height + shift, 6)})
                for mark, height in MARKS
            }
        )
        for window in found.windows
    )
    return found.model_copy(update={"windows": windows})


MARKS: tuple[tuple[MarkName, float], ...] = (("indicator", 0.2), ("reference", 0.4))


def entry(k: int, shift: float = 0.0, **more: object) -> Entry:
    usual = {
        "verdict": verdict(k, shift),
        "taken_at": NOW + k * DAY,
        "taken_from": "photo",
        "by": "A. Lind",
        "note": None,
        "keep": lambda: None,
    }
    return Entry(**usual | more)  # type: ignore[arg-type]


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library.open(tmp_path / "library") as opened:
        opened.settings.keep_layout("strip")
        opened.settings.keep_layout("comb")
        yield opened


def add(
    library: Library, *ks: int, shift: float = 0.0, strip: str = "control", **more: object
) -> ControlPoint:
    for k in ks:
        point = library.control.add(strip, entry(k, shift + SPREAD[k % 5]), at=NOW, **more)  # type: ignore[arg-type]
        more = {}
    return point


def test_the_first_photo_chooses_the_marks_and_the_mean_of_them_is_charted(library: Library) -> None:
    point = library.control.add("control", entry(0, 0.01), at=NOW)
    assert [(one.window, one.mark) for one in point.heights] == [("1", "indicator"), ("1", "reference")]
    assert point.value == pytest.approx(0.31)
    assert point.standard_error == pytest.approx(0.002 / math.sqrt(2))  # two marks of 0.002 each
    chart = library.control.chart("control")
    assert chart.now.state == "too few photos"
    assert str(state_said(chart.now, chart.now.state)).startswith("1 of 20 photos that the limits need")


def test_marks_may_be_named_instead(library: Library) -> None:
    point = library.control.add("control", entry(0), at=NOW, marks=parse_marks(" 1  reference"))
    assert point.value == pytest.approx(0.4)
    with pytest.raises(ControlError, match="follows 1 reference; --begin-anew"):
        library.control.add("control", entry(1), at=NOW, marks=parse_marks("1 indicator"))
    for text in ("1", "indicator", "1 line", "1 indicator,1 indicator", ""):
        with pytest.raises(ControlError):
            parse_marks(text)


def test_limits_come_with_the_last_photo_of_the_baseline_and_stay(library: Library) -> None:
    add(library, *range(19))
    assert library.control.chart("control").now.limits is None
    add(library, 19)
    part = library.control.chart("control").now
    values = [0.3 + SPREAD[k % 5] for k in range(20)]
    assert part.limits == limits_of([point.value for point in part.points])
    assert part.limits.centre == pytest.approx(np.mean(values))
    assert part.limits.upper - part.limits.centre == pytest.approx(
        2.66 * np.abs(np.diff(values)).mean(), rel=1e-3
    )
    assert (part.state, part.resting) == ("in control", tuple(range(20)))
    add(library, 20, 21, 22)
    assert library.control.chart("control").now.limits == part.limits


def test_a_shift_is_out_of_control_until_the_photos_fit_again(library: Library) -> None:
    add(library, *range(20))
    point = add(library, 20, shift=-0.02)
    chart = library.control.chart("control")
    assert chart.now.state == chart.state_with([point.id]) == "out of control"
    (signal,) = chart.signals([point.id])
    assert chart.now.limits is not None
    far = -chart.now.limits.distance(point.value)
    assert signal.sentence == (
        f"020.jpg, 0.28000, lies {far:.1f} sigma below the centre, 0.30000; more than 3 is out of control"
    )
    add(library, 21)
    chart = library.control.chart("control")
    assert chart.now.state == "in control"
    assert len(chart.now.broken) == 1


def test_a_small_lasting_shift_is_found_by_a_run(library: Library) -> None:
    add(library, *range(20))
    for k in range(20, 28):
        library.control.add("control", entry(k, 0.0006), at=NOW)
    chart = library.control.chart("control")
    told = [(one.rule, one.sentence) for one in chart.signals([])]
    assert [rule for rule, _ in told] == [4]
    assert told[0][1].endswith("sigma above the centre, 0.30000; all of the last 8 lie above it")


def test_a_mark_that_fades_to_absent_is_charted_all_the_same(library: Library) -> None:
    add(library, *range(20))
    faded = verdict(20)
    (window,) = faded.windows
    gone = window.indicator.model_copy(update={"height": 0.001, "call": "absent"})
    faded = faded.model_copy(update={"windows": (window.model_copy(update={"indicator": gone}),)})
    point = library.control.add("control", entry(20, verdict=faded), at=NOW)
    assert [one.mark for one in point.not_present] == ["indicator"]
    assert library.control.chart("control").now.state == "out of control"


def test_a_photo_that_cannot_be_charted_is_named_and_nothing_is_kept(library: Library) -> None:
    add(library, 0, 1)
    kept: list[int] = []
    (window,) = verdict(2).windows
    unmeasured = Mark.model_validate(
        window.indicator.model_dump() | {"height": None, "standard_error": None, "flags": ("hidden",)}
    )
    hidden = verdict(2).model_copy(update={"windows": (window.model_copy(update={"indicator": unmeasured}),)})
    other = verdict(3, layout="comb")
    for wrong, told in (
        (
            entry(2, verdict=hidden),
            r"002.jpg: mark 1 indicator has no height \(hidden\).*photograph the strip again",
        ),
        (entry(3, verdict=other), r"003.jpg: shows a plate of layout comb, but the strip is of layout strip"),
        (entry(1), r"001.jpg: is point \w{8} of the chart already"),
        (
            entry(4, taken_at=NOW),
            r"004.jpg: was taken at 2026-06-01 .* before the chart's last .*give its true time",
        ),
    ):
        with pytest.raises(NotChartedError, match=told):
            library.control.add("control", replace(wrong, keep=lambda: kept.append(1)), at=NOW)
    assert kept == []
    assert len(library.control.chart("control").now.points) == 2


def test_what_cannot_be_kept_is_not_charted(library: Library) -> None:
    def full() -> None:
        raise LinecallError("the disk is full")

    with pytest.raises(LinecallError, match="the disk is full"):
        library.control.add("control", entry(0, keep=full), at=NOW)
    assert library.control.strips() == ()


def test_a_photo_of_an_earlier_time_goes_to_its_place_and_moves_no_limit(library: Library) -> None:
    add(library, *range(1, 21))
    limits = library.control.chart("control").now.limits
    point = library.control.add("control", entry(0, 0.5, taken_from="stated"), at=NOW)
    part = library.control.chart("control").now
    assert part.points[0].id == point.id
    assert part.limits == limits
    assert part.resting == tuple(range(1, 21))
    assert part.ranges[1] == pytest.approx(0.5 - SPREAD[1])
    assert library.control.chart("control").state_with([point.id]) == "out of control"
    assert part.state == "in control"


def test_a_point_set_aside_counts_no_longer_and_stays(library: Library) -> None:
    add(library, *range(9))
    wrong = library.control.add("control", entry(9, 0.012), at=NOW)
    add(library, *range(10, 20))
    chart = library.control.chart("control")
    assert [(one.at, one.rule) for one in chart.resting([])] == [(9, 1)]
    assert chart.state_with([point.id for point in chart.now.points]) == "in control"
    library.control.set_aside("control", "009.jpg", by="R. Aalto", reason="a shadow lay over it", at=NOW)
    part = library.control.chart("control").now
    assert (part.limits, len(part.points), len(part.resting)) == (None, 20, 19)
    assert 9 not in part.counting
    assert 10 in part.ranges
    add(library, 20)
    assert library.control.chart("control").now.broken == ()
    part = library.control.chart("control").now
    assert part.limits == limits_of([part.points[k].value for k in range(21) if k != 9])
    assert part.points[9].set_aside is not None
    assert part.points[9].set_aside.reason == "a shadow lay over it"
    with pytest.raises(ControlError, match=f"point {wrong.id} was set aside by R. Aalto"):
        library.control.set_aside("control", wrong.id, by="A. Lind", reason="again", at=NOW)
    with pytest.raises(ControlError, match=r"has no point '00.jpg'; did you mean"):
        library.control.set_aside("control", "00.jpg", by="A. Lind", reason="again", at=NOW)
    with pytest.raises(ControlError, match="reason is"):
        library.control.set_aside("control", "001.jpg", by="A. Lind", reason=" ", at=NOW)


def test_a_new_baseline_begins_with_the_next_photo_and_the_earlier_part_stays(library: Library) -> None:
    add(library, *range(20))
    before = library.control.chart("control").now
    library.control.begin_anew("control", Anew(by="R. Aalto", reason="new phone"), at=NOW)
    assert library.control.chart("control").now.points == ()
    add(library, 20, shift=0.05)
    chart = library.control.chart("control")
    assert chart.parts[0] == before
    assert (chart.now.state, len(chart.now.points)) == ("too few photos", 1)
    assert chart.now.baseline.marks == before.baseline.marks
    add(library, 21, shift=0.08, anew=Anew(by="R. Aalto", reason="new lamp"), marks=(("1", "reference"),))
    chart = library.control.chart("control")
    assert [part.baseline.reason for part in chart.parts] == [None, "new phone", "new lamp"]
    assert chart.now.points[0].value == pytest.approx(0.481)


def test_photos_all_alike_give_no_limits_and_it_is_said(library: Library) -> None:
    for k in range(22):
        library.control.add("control", entry(k), at=NOW)
    chart = library.control.chart("control")
    assert chart.now.state == "no spread"
    assert "without a moving range no limits can be drawn" in str(state_said(chart.now, "no spread"))
    assert b"no limits can be drawn" in control_page(chart, origin())


def test_an_unknown_strip_is_not_begun_unasked(library: Library) -> None:
    with pytest.raises(ControlError, match="has no control chart yet"):
        library.control.chart("control")
    add(library, 0)
    with pytest.raises(ControlError, match="strip 'contrl'; did you mean \"control\""):
        add(library, 1, strip="contrl")
    with pytest.raises(ControlError, match="there are 'control'"):
        library.control.chart("bench B")
    add(library, 1, strip="bench B", new=True)
    assert library.control.strips() == ("control", "bench B")
    assert add(library, 2, strip="CONTROL").baseline == library.control.chart("control").now.baseline.id
    with pytest.raises(ControlError, match="has a chart already"):
        add(library, 3, strip="Control", new=True)


def test_rules_of_a_chart_are_kept_and_others_need_a_new_baseline(
    library: Library, root: Path, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    text = (root / "reader" / "data" / "control" / "standard.toml").read_text(encoding="utf-8")
    own.write_text(
        text.replace('control = "standard"', 'control = "short"').replace("baseline = 20", "baseline = 5"),
        encoding="utf-8",
    )
    add(library, 0, control=own)
    own.unlink()
    add(library, 1, 2, 3, 4)
    limits = library.control.chart("control").now.limits
    assert limits is not None
    assert limits.n == 5
    with pytest.raises(
        ControlError, match="judged by short, revision 1, not by standard, revision 1; --begin-anew"
    ):
        add(library, 5, control="standard")


def test_a_time_without_an_offset_is_this_computers_and_one_to_come_is_refused() -> None:
    def photo(at: datetime | None) -> PhotoRecord:
        known = at is not None and at.tzinfo is not None
        return PhotoRecord(name="a.jpg", sha256="0" * 64, captured_at=at, captured_offset_known=known)

    there = datetime(2026, 5, 4, 9, 8, tzinfo=timezone(timedelta(hours=2)))
    local = datetime(2026, 5, 4, 9, 8)
    assert time_taken(photo(there), stated=None, now=NOW) == (there, "photo")
    assert time_taken(photo(local), stated=None, now=NOW) == (local.astimezone(), "photo, offset assumed")
    assert time_taken(photo(None), stated=None, now=NOW) == (NOW, "unknown")
    assert time_taken(photo(there), stated=local, now=NOW) == (local.astimezone(), "stated")
    for late in (photo(datetime(2031, 1, 1, tzinfo=UTC)), photo(datetime(2031, 1, 1))):
        with pytest.raises(NotChartedError, match="still to come; set the camera's clock"):
            time_taken(late, stated=None, now=NOW)


def test_notes_of_odd_characters_are_kept_as_they_are_and_the_page_stays_whole(library: Library) -> None:
    note = "</title><script>\N{SNOWMAN}\x1b[31m\N{RIGHT-TO-LEFT OVERRIDE}'\";--"
    library.control.add("control", entry(0, note=note), at=NOW)
    chart = library.control.chart("control")
    assert chart.now.points[0].note == note
    page = control_page(chart, origin()).decode("utf-8")
    assert "<script" not in page
    assert "\x1b" not in page
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in page
    assert json.loads(to_json(chart, origin()))["baselines"][0]["points"][0]["note"] == note
    with pytest.raises(ControlError, match="note is"):
        library.control.add("control", entry(1, note="x" * 5000), at=NOW)


def test_two_at_once_make_one_chart_with_every_photo_once(tmp_path: Path) -> None:
    folder = tmp_path / "library"
    with Library.open(folder) as library:
        library.settings.keep_layout("strip")

    def add_one(k: int) -> bool:
        with Library.open(folder) as library:
            try:
                library.control.add("control", entry(k // 2, taken_from="stated"), at=NOW)
            except NotChartedError:
                return False
        return True

    with ThreadPoolExecutor(8) as pool:
        added = list(pool.map(add_one, range(24)))
    assert sum(added) == 12
    with Library.open(folder, read_only=True) as library:
        chart = library.control.chart("control")
        assert len(chart.parts) == 1
        assert [point.photo.name for point in chart.now.points] == [f"{k:03}.jpg" for k in range(12)]


def test_a_library_of_earlier_days_opens_and_takes_a_chart(tmp_path: Path) -> None:
    folder = tmp_path / "library"
    invented_library(folder, 2).close()
    engine = create_engine(f"sqlite:///{folder / 'library.sqlite'}")
    with engine.begin() as connection:
        for table in ("baseline", "point", "set_aside"):
            connection.exec_driver_sql(f"DROP TABLE library_control_{table}")
    engine.dispose()
    with Library.open(folder, read_only=True) as library:
        assert library.control.strips() == ()
        with pytest.raises(ControlError, match="has no control chart yet"):
            library.control.chart("control")
        assert export(library, tmp_path / "before").examples == 2
    assert not (tmp_path / "before" / "control.jsonl").exists()
    with Library.open(folder) as library:
        with pytest.raises(ControlError, match="has no control chart yet"):
            library.control.set_aside("control", "a.jpg", by="A. Lind", reason="none", at=NOW)
        add(library, 0)
    with Library.open(folder, read_only=True) as library:
        assert len(library.control.chart("control").now.points) == 1
        assert library.count() == 2


# --- out and back -----------------------------------------------------------------------------------------------


def full_library(folder: Path) -> None:
    """Two strips, a point set aside, a new baseline, and photos."""
    with invented_library(folder, 3) as library:
        for k in range(7):
            data = f"photo {k}".encode()
            digest = library.pictures.keep_photo(data)
            read = verdict(k, SPREAD[k % 5])
            read = read.model_copy(update={"photo": read.photo.model_copy(update={"sha256": digest})})
            anew = Anew(by="R. Aalto", reason='new phone, "B"') if k == 4 else None
            library.control.add(
                "control",
                entry(k, verdict=read, note="\N{SNOWMAN}" if k == 2 else None),
                at=NOW + k * DAY,
                anew=anew,
            )
        library.control.set_aside("control", "001.jpg", by="R. Aalto", reason="shadow", at=NOW + 9 * DAY)
        add(library, 3, strip="bench B", new=True)


def files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_round_trip_loses_nothing_of_a_chart(tmp_path: Path) -> None:
    full_library(tmp_path / "one")
    with Library.open(tmp_path / "one", read_only=True) as library:
        found = export(library, tmp_path / "out")
        wanted = {strip: library.control.chart(strip) for strip in library.control.strips()}
    assert [name.startswith("control/") for name in found.missing].count(True) == 1  # bench B's has no photo
    with Library.open(tmp_path / "two") as library:
        assert import_folder(library, tmp_path / "out").control == 8
        assert {strip: library.control.chart(strip) for strip in library.control.strips()} == wanted
        assert import_folder(library, tmp_path / "out").control == 0
        export(library, tmp_path / "again")
        assert library.pictures.photo_bytes(wanted["control"].now.points[0].photo.sha256) == b"photo 4"
    assert files(tmp_path / "again") == files(tmp_path / "out")


def test_points_added_elsewhere_join_a_chart_that_began_here(tmp_path: Path) -> None:
    full_library(tmp_path / "one")
    with Library.open(tmp_path / "one") as library, Library.open(tmp_path / "two") as other:
        export(library, tmp_path / "out")
        import_folder(other, tmp_path / "out")
        add(other, 8)
        other.control.set_aside("control", "005.jpg", by="R. Aalto", reason="glare", at=NOW)
        export(other, tmp_path / "more")
        assert import_folder(library, tmp_path / "more").control == 1
        assert library.control.chart("control") == other.control.chart("control")


def test_another_chart_of_the_same_name_is_not_mixed_in(tmp_path: Path) -> None:
    full_library(tmp_path / "one")
    with Library.open(tmp_path / "one") as library:
        export(library, tmp_path / "out")
    with Library.open(tmp_path / "two") as other:
        other.settings.keep_layout("strip")
        add(other, 40)
        with pytest.raises(
            ControlError, match="another control chart of a strip 'control'; two strips need two names"
        ):
            import_folder(other, tmp_path / "out")
        assert len(other.control.chart("control").now.points) == 1
        assert other.count() == 0


def test_some_examples_are_handed_on_without_the_chart(tmp_path: Path) -> None:
    full_library(tmp_path / "one")
    with Library.open(tmp_path / "one", read_only=True) as library:
        export(library, tmp_path / "some", Filters(light=next(iter(library.examples())).light))
    assert not (tmp_path / "some" / "control.jsonl").exists()


@pytest.mark.parametrize("change", ['"taken_at": "now"', '"taken_at": "2026-06-01T12:00:00"'])
def test_a_line_that_is_no_point_is_named(tmp_path: Path, change: str) -> None:
    from reader.library.exchange import _read_control

    full_library(tmp_path / "one")
    with Library.open(tmp_path / "one") as library:
        export(library, tmp_path / "out")
    path = tmp_path / "out" / "control.jsonl"
    lines = path.read_text(encoding="utf-8").replace('"taken_at": "2026-06-01T12:00:00+00:00"', change)
    path.write_text(lines, encoding="utf-8")
    with pytest.raises(LinecallError, match=r"control.jsonl, line 4, field taken_at: .*expected a time"):
        _read_control(path)


# --- the page ---------------------------------------------------------------------------------------------------


def origin() -> Origin:
    return Origin(library="hangar 2", made_at=NOW)


def test_the_drawing_shows_every_point_in_its_shape_and_place(library: Library) -> None:
    add(library, *range(20))
    library.control.add("control", entry(20, -0.02), at=NOW)
    library.control.add("control", entry(21, 0.001), at=NOW)
    library.control.set_aside("control", "021.jpg", by="A. Lind", reason="hair", at=NOW)
    add(library, 22, anew=Anew(by="A. Lind", reason="new lamp"))
    chart = library.control.chart("control")
    drawing = heights_panel(chart)
    shapes = [dot.shape for dot in drawing.dots]
    assert shapes == ["fits"] * 20 + ["breaks", "aside", "unjudged"]
    assert [dot.words for dot in drawing.dots] == [""] * 20 + ["1", "", ""]
    assert (drawing.dots[20].off, drawing.dots[21].off) == (1, 0)
    xs = [dot.x for dot in drawing.dots]
    assert np.allclose(np.diff(xs), xs[1] - xs[0])
    high, low = drawing.dots[1], drawing.dots[2]  # 0.301 and 0.299
    assert high.y < low.y
    centre = next(line for line in drawing.lines if line.kind == "centre")
    assert centre.y == pytest.approx((high.y + low.y) / 2)
    limits = sorted({line.y for line in drawing.lines if line.kind == "sigma3"})
    per_absorbance = (low.y - high.y) / 0.002
    assert chart.parts[0].limits is not None
    assert limits[1] - limits[0] == pytest.approx(6 * chart.parts[0].limits.sigma * per_absorbance)
    assert len(drawing.bounds) == 1
    ranges = ranges_panel(chart)
    assert len(ranges.dots) == 20  # of 21 that count in the first part; none in the second
    assert [dot.shape for dot in ranges.dots] == ["fits"] * 19 + ["breaks"]


def test_the_page_says_in_words_what_is_drawn(library: Library) -> None:
    add(library, *range(20))
    library.control.add("control", entry(20, -0.02, note="borrowed phone"), at=NOW)
    page = control_page(library.control.chart("control"), origin()).decode("utf-8")
    for words in (
        "Out of control",
        "lies further off than is drawn",
        "borrowed phone",
        "Photograph the strip again in your usual light",
        "2 of 3 photos in a row more than 2 sigma on one side of the centre",
        "020.jpg",
    ):
        assert words in page
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page


def test_a_change_of_what_a_photo_was_measured_by_is_told(library: Library) -> None:
    add(library, 0)
    other = verdict(1).model_copy(
        update={"photo": verdict(1).photo.model_copy(update={"width": 4032, "height": 3024})}
    )
    library.control.add("control", entry(1, verdict=other), at=NOW)
    page = control_page(library.control.chart("control"), origin()).decode("utf-8")
    assert "Other than before: photo 4032 x 3024 px, srgb, before" in page
    assert page.count("Other than before") == 1


def test_json_has_the_figures_that_are_drawn(library: Library) -> None:
    add(library, *range(21))
    content = json.loads(to_json(library.control.chart("control"), origin()))
    (part,) = content["baselines"]
    values = [point["value"] for point in part["points"]]
    assert values == pytest.approx([0.3 + SPREAD[k % 5] for k in range(21)])
    assert part["limits"]["centre"] == pytest.approx(np.mean(values[:20]))
    assert [point["limits_rest_on_it"] for point in part["points"]] == [True] * 20 + [False]
    assert content["state"] == "in control"


def test_limits_of_less_than_two_values_are_refused() -> None:
    with pytest.raises(ValueError, match="two at least"):
        limits_of([0.3])


def test_control_rules_carry_their_hash() -> None:
    assert isinstance(STANDARD, ControlRules)
    assert len(STANDARD.sha256) == 64
