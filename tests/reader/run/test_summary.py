"""The table of what became of many photos."""

import csv
import os
from io import StringIO
from pathlib import Path

from fixtures.verdicts import example_verdict, refused_verdict
from reader.run.batch import Outcome
from reader.run.jobs import plan_jobs
from reader.run.summary import Summary, summary_csv


def rows_of(outcomes: list[Outcome]) -> list[dict[str, str]]:
    text = summary_csv(outcomes).decode("utf-8-sig")
    assert text.count("\r\n") == len(outcomes) + 1  # RFC 4180: lines end in CRLF
    return list(csv.DictReader(StringIO(text, newline="")))


def test_the_table_has_a_row_a_photo_with_what_was_found() -> None:
    jobs = plan_jobs([Path("a.jpg"), Path("b.jpg"), Path("c.jpg")], None)
    verdict = example_verdict(("absent", "doubtful", "present"), grade="undecided")
    read, refused, failed = rows_of(
        [
            Outcome(job=jobs[0], verdict=verdict, written=(jobs[0].verdict_path,)),
            Outcome(job=jobs[1], verdict=refused_verdict()),
            Outcome(job=jobs[2], problem="c.jpg: killed"),
        ]
    )
    assert read == {
        "photo": "a.jpg",
        **dict.fromkeys(("reading", "tank", "sample point", "operator", "plate lot", "plate expiry"), ""),
        "taken": "2026-05-04 09:08:07+02:00",
        "status": "read",
        "grade": "undecided",
        "why": "the indicator of window 2 (bacteria, upper) is doubtful and decides: negligible or moderate",
        "possible grades": "negligible; moderate",
        "pivotal marks": "2 indicator (bacteria, upper)",
        "absent marks": "1 indicator (bacteria, lower)",
        "doubtful marks": "2 indicator (bacteria, upper)",
        "undeveloped marks": "",
        "layout": "comb",
        "reading age min": "21.5",
        "warnings": "",
        "reason": "",
        "remedy": "",
        "next step": verdict.next_step,
        "problem": "",
        "verdict": "a.verdict.json",
        "sha256": "a1" * 32,
    }
    assert (refused["status"], refused["grade"], refused["verdict"]) == ("refused", "", "")
    assert refused["reason"] == refused_verdict().reason
    assert (failed["photo"], failed["status"], failed["problem"]) == ("c.jpg", "failed", "c.jpg: killed")


def test_names_that_a_spreadsheet_would_compute_or_utf8_cannot_carry_do_no_harm() -> None:
    names = ["=1+1.jpg", "@x.jpg", 'quote",and comma.jpg', os.fsdecode(b"\xff.jpg")]
    rows = rows_of([Outcome(job=job, problem="x") for job in plan_jobs([Path(name) for name in names], None)])
    assert [row["photo"] for row in rows] == ["./=1+1.jpg", "./@x.jpg", 'quote",and comma.jpg', "?.jpg"]


def test_an_earlier_table_is_kept_unless_it_says_the_same_or_is_forced(tmp_path: Path) -> None:
    (job,) = plan_jobs([Path("a.jpg")], None)
    one, two = [Outcome(job=job, problem="one")], [Outcome(job=job, problem="two")]

    def write(outcomes: list[Outcome], *, force: bool = False) -> Path:
        with Summary() as summary:
            for outcome in outcomes:
                summary.add(outcome)
            return Path(str(summary.write(tmp_path, force=force)))

    assert [write(table).name for table in (one, two, one, two)] == [
        *("summary.csv", "summary-2.csv", "summary.csv", "summary-2.csv")
    ]
    assert write(two, force=True).name == "summary.csv"
    assert (tmp_path / "summary.csv").read_bytes() == summary_csv(two)
