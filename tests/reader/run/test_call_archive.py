"""An archive called anew: every expected call is worked out here from the heights, by SciPy's Student's t.

All marks have a standard error and a blank spread of ERROR with BLANKS degrees of freedom, lie at their places and look
like lines. So one is present above t(1 - false call) x ERROR, and absent where height + t(1 - missed) x ERROR is below
the faintest line that counts, 0.008; else doubtful.
"""

import json
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pytest
from fsspec.implementations.memory import MemoryFileSystem  # type: ignore[import-untyped]
from scipy.stats import t

from fixtures.graded import BLANKS, ERROR, measured_verdict
from fixtures.verdicts import refused_verdict
from reader.files.bundled import DATA
from reader.files.urls import place_of
from reader.run.call_archive import BatchAnew, By, CalledAnew, Kept, Tally, by_settings, call_archive
from reader.run.changes_table import changes_table
from reader.run.hand_out import Hands, Here
from reader.run.pool import OwnProcesses
from reader.settings.values import Rules, Thresholds, load_layout, load_rules, load_thresholds
from reader.verdict.model import Verdict, to_bytes
from reader.words import MarkKey, MarkName

COMB = load_layout("comb")
MARKS = 12  # of a comb plate
MARK_NAMES: tuple[MarkName, ...] = ("indicator", "reference")
FIRST: MarkKey = ("1", "indicator")  # its lower tier


def limit_of_blank(false_calls_per_plate: float) -> float:
    per_mark = 1 - (1 - false_calls_per_plate) ** (1 / MARKS)
    return float(t.ppf(1 - per_mark, BLANKS)) * ERROR


ABSENT_BELOW = 0.008 - float(t.ppf(0.99, BLANKS)) * ERROR  # missed_lines is 1 %
STANDARD, STRICT, LAX = limit_of_blank(0.01), limit_of_blank(0.001), limit_of_blank(0.04)
LINE, NO_LINE = 0.2, 0.0
ONLY_IF_NOT_STRICT = (STANDARD + STRICT) / 2
ONLY_IF_LAX = (STANDARD + LAX) / 2
assert NO_LINE < ABSENT_BELOW < LAX < STANDARD < STRICT < LINE


@pytest.fixture
def thresholds(tmp_path: Path) -> Callable[[float], Thresholds]:
    def with_false_calls(share: float) -> Thresholds:
        text = (DATA / "thresholds" / "standard.toml").read_text()
        path = tmp_path / f"limits-{share}.toml"
        path.write_text(
            text.replace("false_calls_per_plate = 0.01", f"false_calls_per_plate = {share}").replace(
                'thresholds = "standard"', 'thresholds = "ours"'
            )
        )
        return load_thresholds(path)

    return with_false_calls


def verdict(marks: Mapping[MarkKey, float] = {}, *, photo: int = 1) -> Verdict:  # never changed
    """A plate of lines, but for the marks that are named with their heights."""
    heights: dict[MarkKey, float] = dict.fromkeys(
        ((window.id, mark) for window in COMB.window for mark in MARK_NAMES), LINE
    )
    return measured_verdict(
        COMB, heights | dict(marks), name=f"p{photo}.jpg", sha256=f"{photo:064x}", witnessed=True
    )


def altered(verdict: Verdict, **fields: Any) -> bytes:
    """JSON of a verdict whose first indicator has these fields."""
    value = json.loads(to_bytes(verdict))
    value["windows"][0]["indicator"] |= fields
    return json.dumps(value).encode()


def kept(*verdicts: Verdict | bytes | str | Path) -> list[Kept]:
    return [
        Kept(name=f"v{k}", source=to_bytes(one) if isinstance(one, Verdict) else one)
        for k, one in enumerate(verdicts, 1)
    ]


def standard_and(thresholds: Thresholds, *, rules: Rules | None = None, every: bool = False) -> By:
    """Called by some thresholds, where the bundled settings, which the verdicts were written by, are at hand."""
    return by_settings(
        thresholds, rules or load_rules(), (COMB, load_thresholds(), load_rules()), every=every
    )


def called(archive: Iterable[Kept], by: By, hands: Hands | None = None) -> tuple[Tally, list[CalledAnew]]:
    tally, rows = Tally(), list[CalledAnew]()
    for batch in call_archive(archive, by, hands or Here(), batch_size=3):
        tally += batch.tally
        rows += batch.rows
    return tally, rows


PLATES = (
    verdict(photo=1),
    verdict({FIRST: ONLY_IF_NOT_STRICT}, photo=2),
    verdict({FIRST: NO_LINE}, photo=3),
    verdict({FIRST: ONLY_IF_LAX}, photo=4),
    verdict({("2", "indicator"): NO_LINE}, photo=5),  # an upper tier
    verdict({("3", "reference"): NO_LINE}, photo=6),
)


def test_the_samples_are_graded_as_their_heights_say() -> None:
    grades = ("negligible", "negligible", "moderate", "undecided", "heavy", "invalid")
    assert tuple(one.grade for one in PLATES) == grades


def test_by_the_very_limits_that_verdicts_were_written_by_nothing_changes() -> None:
    tally, rows = called(kept(*PLATES), standard_and(load_thresholds()))
    assert tally.came == {"same": 6}
    assert rows == []
    assert all(before == after for _, before, after in tally.calls)


def test_stricter_limits_make_a_faint_line_doubtful(thresholds: Callable[[float], Thresholds]) -> None:
    tally, rows = called(kept(*PLATES), standard_and(thresholds(0.001)))
    assert tally.came == {"same": 5, "changed": 1}
    assert tally.grades == {
        ("negligible", "negligible"): 1,
        ("negligible", "undecided"): 1,
        ("moderate", "moderate"): 1,
        ("undecided", "undecided"): 1,
        ("heavy", "heavy"): 1,
        ("invalid", "invalid"): 1,
    }
    assert tally.calls == {
        ("indicator", "present", "present"): 32,
        ("indicator", "present", "doubtful"): 1,
        ("indicator", "doubtful", "doubtful"): 1,
        ("indicator", "absent", "absent"): 2,
        ("reference", "present", "present"): 35,
        ("reference", "absent", "absent"): 1,
    }
    (row,) = rows
    assert (row.name, row.before, row.after, row.possible_after) == (
        "v2",
        "negligible",
        "undecided",
        ("negligible", "moderate"),
    )
    assert row.photos == (f"{2:064x}",)
    assert [tuple(mark) for mark in row.changed_marks] == [("1", "indicator", "present", "doubtful", None)]


def test_laxer_limits_find_a_fainter_line(thresholds: Callable[[float], Thresholds]) -> None:
    tally, rows = called(kept(*PLATES), standard_and(thresholds(0.04)))
    assert tally.came == {"same": 5, "changed": 1}
    assert [(row.name, row.before, row.after) for row in rows] == [("v4", "undecided", "negligible")]


def test_other_rules_grade_the_same_calls(tmp_path: Path) -> None:
    path = tmp_path / "calm.toml"
    path.write_text(
        'rules = "calm"\nrevision = 1\ntitle = "Heavy or well"\n'
        '[[row]]\ngrade = "invalid"\nbecause = "{windows} did not work"\nmark = "reference"\n'
        'call = ["absent", "undeveloped"]\nat_least = 1\n'
        '[[row]]\ngrade = "heavy"\nbecause = "{analytes} found"\nmark = "indicator"\nfinding = "above cutoff"\n'
        'at_least = 1\n[[row]]\ngrade = "negligible"\nbecause = "nothing found"\n'
    )
    tally, rows = called(kept(*PLATES), standard_and(load_thresholds(), rules=load_rules(path)))
    assert {pair: n for pair, n in tally.grades.items() if pair[0] != pair[1]} == {("moderate", "heavy"): 1}
    assert [(row.name, row.after, row.possible_after) for row in rows] == [
        ("v3", "heavy", ()),
        ("v4", "undecided", ("negligible", "heavy")),
    ]
    assert not any(row.changed_marks for row in rows)


def test_a_grade_that_its_own_rules_do_not_give_is_told_apart() -> None:
    forged = json.loads(to_bytes(PLATES[2]))
    forged |= {"grade": "negligible", "possible_grades": ["negligible"]}
    tally, (row,) = called(kept(json.dumps(forged).encode()), standard_and(load_thresholds()))
    assert tally.came == {"apart": 1}
    assert (row.before, row.after) == ("negligible", "moderate")


def test_what_a_reviewer_decided_stands_and_linecalls_own_call_is_shown_anew(
    thresholds: Callable[[float], Thresholds],
) -> None:
    decision = {
        "by": "A. Lind",
        "call": "present",
        "reason": "a line over the whole breadth",
        "at": "2026-05-04T09:08:07+02:00",
        "blind": True,
    }
    decided = json.loads(to_bytes(PLATES[3]))
    decided |= {"grade": "negligible", "possible_grades": ["negligible"], "pivotal": [], "cause": None}
    decided["windows"][0]["indicator"] |= {
        "call": "present", "first_call": "doubtful", "decisions": [decision],
    }  # fmt: skip
    archive = kept(json.dumps(decided).encode())
    by = standard_and(thresholds(0.04), every=True)
    tally, (row,) = called(archive, by)
    assert (row.before, row.after) == ("negligible", "negligible")
    assert [tuple(mark) for mark in row.changed_marks] == [
        ("1", "indicator", "doubtful", "present", "present")
    ]
    assert tally.grades == {("negligible", "negligible"): 1}
    assert called(archive, standard_and(load_thresholds()))[0].came == {"same": 1}


def test_a_refused_photo_stays_refused(thresholds: Callable[[float], Thresholds]) -> None:
    tally, rows = called(kept(refused_verdict()), standard_and(thresholds(0.001)))
    assert tally == Tally(came=Counter({"refused": 1}))
    assert rows == []


def without_blanks(one: Verdict) -> bytes:
    return altered(one, blank_mean=None)


@pytest.mark.parametrize(
    ("source", "why"),
    [
        (b"{", "not JSON"),
        (b'{"a": 1}', "no schema_version, so this is no verdict"),
        (b'{"schema_version": 99}', "update linecall"),
        (altered(PLATES[0], height="NaN"), "windows[0].indicator.height is 'NaN'"),
        (altered(PLATES[0]).replace(b'"height": 0.2', b'"height": NaN', 1), "NaN is not JSON"),
        (without_blanks(PLATES[0]), "does not say what the blanks of window 1 were like"),
        (Path("nowhere.json"), "cannot be read"),
        ("the folder is locked", "the folder is locked"),
        (
            to_bytes(PLATES[0]).replace(COMB.sha256.encode(), b"0" * 64),
            "layout comb revision 1 (SHA-256 000000000000) is not at hand; give its file with --read-by",
        ),
    ],
    ids=["cut off", "other JSON", "newer", "text", "NaN", "no blanks", "no file", "problem", "no layout"],
)
def test_what_cannot_be_called_anew_is_left_and_named_and_stops_nothing(
    source: bytes | str | Path, why: str
) -> None:
    tally, (row,) = called(kept(PLATES[0], source, PLATES[1]), standard_and(load_thresholds()))
    assert tally.came == {"same": 2, "left": 1}
    assert (row.name, row.came) == ("v2", "left")
    assert why in row.why
    assert not row.why.startswith("v")  # the name stands in its own column


def test_other_json_in_a_folder_is_passed_over() -> None:
    tally, rows = called(
        [Kept(name="notes.json", source=b'{"a": 1}', found=True)], standard_and(load_thresholds())
    )
    assert tally.came == {"passed over": 1}
    assert rows == []


def test_a_verdict_whose_windows_are_not_its_layouts_is_left() -> None:
    value = json.loads(to_bytes(PLATES[0]))
    value["windows"].pop()
    tally, (row,) = called(kept(json.dumps(value).encode()), standard_and(load_thresholds()))
    assert tally.came == {"left": 1}
    assert "window 6 has no call" in row.why


def test_what_its_own_limits_do_not_give_is_told_apart_and_in_no_table(
    thresholds: Callable[[float], Thresholds],
) -> None:
    tampered = altered(PLATES[0], height=0.0001)  # present by its call, absent by its numbers
    for by in (standard_and(load_thresholds()), standard_and(thresholds(0.001))):
        tally, (row,) = called(kept(tampered), by)
        assert tally.came == {"apart": 1}
        assert not tally.grades
        assert not tally.calls
        assert [mark.after for mark in row.changed_marks] == ["absent"]


def test_where_its_own_limits_are_not_at_hand_a_change_says_so(
    thresholds: Callable[[float], Thresholds],
) -> None:
    by = by_settings(thresholds(0.001), load_rules(), (COMB,))
    tally, (row,) = called(kept(*PLATES), by)
    assert tally.came == {"same": 5, "changed": 1}
    assert (tally.own_unknown, row.own_known) == (1, False)
    assert called(kept(*PLATES), standard_and(thresholds(0.001)))[0].own_unknown == 0


def test_it_says_what_the_verdicts_were_written_by() -> None:
    tally, _ = called(kept(*PLATES), standard_and(load_thresholds()))
    assert tally.written_by == {("standard revision 1", "two-tier revision 2"): 6}


def test_a_verdict_of_several_photos_is_called_by_its_combined_numbers(
    thresholds: Callable[[float], Thresholds],
) -> None:
    first, second = (json.loads(to_bytes(verdict(photo=photo))) for photo in (8, 9))
    both = json.loads(to_bytes(PLATES[1]))
    both["readings"] = [first, second]
    for window in both["windows"]:
        for mark in ("indicator", "reference"):
            window[mark]["weights"] = [0.5, 0.5]
    _, (row,) = called(kept(json.dumps(both).encode()), standard_and(thresholds(0.001)))
    assert (row.before, row.after) == ("negligible", "undecided")
    assert row.photos == (f"{2:064x}", f"{8:064x}", f"{9:064x}")


def test_two_processes_tell_the_same_as_one_in_the_archives_order(
    thresholds: Callable[[float], Thresholds],
) -> None:
    archive = kept(*PLATES * 5, b"{")
    by = standard_and(thresholds(0.001), every=True)
    hands = OwnProcesses(2)
    try:
        assert called(archive, by, hands) == called(archive, by)
    finally:
        hands.shutdown()


@pytest.mark.slow
@pytest.mark.posix
def test_workers_of_a_cluster_tell_the_same_of_files_that_they_do_not_see(
    thresholds: Callable[[float], Thresholds], tmp_path: Path
) -> None:
    from reader.run.cluster import Cluster
    from tests.dask_cluster import local_cluster

    archive = [Kept(name="gone.json", source=tmp_path / "gone.json")]
    for number, one in enumerate(PLATES * 3):
        path = tmp_path / f"{number}.json"
        path.write_bytes(to_bytes(one))
        archive.append(Kept(name=path.name, source=path))
    by = standard_and(thresholds(0.001), every=True)
    here = called(archive, by)
    with local_cluster(tmp_path / "dask") as cluster, Cluster(cluster.address) as hands:
        assert called(archive, by, hands) == here
    assert here[0].came == {"same": 15, "changed": 3, "left": 1}


def test_a_verdict_at_a_url_is_fetched_by_who_calls_it() -> None:
    fs = MemoryFileSystem()
    fs.pipe_file("/verdicts/a.json", to_bytes(PLATES[0]))
    try:
        archive = [
            Kept(name=name, source=place_of(name))
            for name in ("memory://verdicts/a.json", "memory://verdicts/b.json")
        ]
        tally, (row,) = called(archive, standard_and(load_thresholds()), Far())
    finally:
        fs.rm("/verdicts", recursive=True)
    assert tally.came == {"same": 1, "left": 1}
    assert row.name == "memory://verdicts/b.json"
    assert row.why.startswith("cannot be read")


class Far(Here):
    """Hands that are on another machine."""

    near = False


def test_workers_elsewhere_are_sent_what_is_in_the_files(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(to_bytes(PLATES[0]))
    archive = [Kept(name="a.json", source=path), Kept(name="none.json", source=tmp_path / "none.json")]
    seen: list[Kept] = []

    class Looking(Far):
        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            seen.extend(args[0])
            return super().submit(fn, *args, **kwargs)

    tally, _ = called(archive, standard_and(load_thresholds()), Looking())
    assert tally.came == {"same": 1, "left": 1}
    assert seen[0].source == path.read_bytes()
    assert isinstance(seen[1].source, str)


class Killing(Here):
    """Hands whose worker dies with every batch that has a verdict of this name."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        batch: Sequence[Kept] = args[0]
        if all(one.name != "v5" for one in batch):
            return super().submit(fn, *args, **kwargs)
        died: Future[Any] = Future()
        died.set_exception(BrokenProcessPool("killed"))
        return died


def test_verdicts_whose_process_is_killed_are_left_by_name_and_the_others_go_on() -> None:
    tally, rows = called(kept(*PLATES * 2), standard_and(load_thresholds()), Killing())
    assert tally.came == {"same": 9, "left": 3}
    assert [row.name for row in rows] == ["v4", "v5", "v6"]
    assert all("was killed twice" in row.why for row in rows)


def test_an_archive_is_taken_as_it_is_needed() -> None:
    taken = 0

    def endless() -> Iterable[Kept]:
        nonlocal taken
        while True:
            taken += 1
            yield kept(PLATES[0])[0]

    batches = call_archive(endless(), standard_and(load_thresholds()), Here(), batch_size=3)
    assert next(batches).tally.came == {"same": 3}
    batches.close()
    assert taken <= 6


class Ready(Here):
    """Hands that have every outcome ready."""

    def __init__(self, outcome: BatchAnew) -> None:
        self._outcome = outcome

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        done: Future[Any] = Future()
        done.set_result(self._outcome)
        return done


def test_memory_does_not_grow_with_the_number_of_verdicts(
    thresholds: Callable[[float], Thresholds], tmp_path: Path
) -> None:
    by = standard_and(thresholds(0.001))
    (outcome,) = call_archive(kept(*PLATES), by, Here())
    line = to_bytes(PLATES[0], one_line=True)

    tracemalloc.start()
    tally = Tally()
    archive = (Kept(name=f"line {number}", source=bytes(line)) for number in range(30_000))
    with changes_table(tmp_path / "changes.csv") as write:
        for batch in call_archive(archive, by, Ready(outcome), batch_size=3):
            tally += batch.tally
            write(batch.rows)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert tally.came.total() == 60_000  # six to an outcome
    assert 30_000 * len(line) > 100_000_000 > 100 * peak
