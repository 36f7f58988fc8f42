"""A sample of the station's benches: phones at once, a phone alone, and a server that is killed meanwhile."""

from pathlib import Path

import pytest

from tests.bench.station import kills, load
from tests.bench.station_answer import answer
from tests.bench.station_hints import hints


@pytest.mark.slow
@pytest.mark.linux
def test_phones_at_once_lose_nothing_and_nothing_is_read_twice(tmp_path: Path) -> None:
    figures = load(tmp_path, phones=5, seconds=6)
    assert figures["problems"] == []
    assert figures["photos"] >= 5
    assert figures["page_ms_median"] < 300
    assert figures["server_mb"] < 500


@pytest.mark.slow
@pytest.mark.posix
def test_a_server_that_is_killed_loses_nothing_that_it_acknowledged(tmp_path: Path) -> None:
    figures = kills(tmp_path, n=5, seed=2, phones=2)
    assert figures["problems"] == []
    assert figures["cuts"] > 0, "somebody noticed"
    assert figures["verdicts"] >= 2
    assert figures["decisions"] + figures["labels"] + figures["answers"] > 0
    assert figures["pieces_lost"] == 0


@pytest.mark.slow
@pytest.mark.posix
def test_a_phones_requests_end_with_its_answer_and_a_strip_of_every_window(tmp_path: Path) -> None:
    figures_by_size = answer(tmp_path, pairs=1)
    assert len(figures_by_size) == 2
    for figures in figures_by_size.values():
        assert figures["steps_s"]["strips"] < figures["steps_s"]["send"], (
            "they are cut while the photo is read"
        )


@pytest.mark.slow
@pytest.mark.posix
def test_every_frame_of_a_moving_camera_gets_its_hints_and_a_plate_that_is_gone_is_missed(
    tmp_path: Path,
) -> None:
    figures = hints(tmp_path, n=15)
    assert figures["frames"] == 60, figures
    # The bench asks for four frames a second of two idle cores; a test machine has other work too.
    assert figures["ms_median"] < 1000
    given = figures["given"]
    assert given["no_plate"] == 4, "one frame of each photo"
    assert given["two_plates"] == 14, "of the photo that shows two, all the others"
    assert given["hold still"] >= 14, "of the one that may be taken, at least"
