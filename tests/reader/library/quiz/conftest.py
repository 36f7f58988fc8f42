"""A small library, and a paper drawn from it."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.library import Library
from reader.library.quiz.mix import load_mix
from reader.library.quiz.papers import Paper, make
from tests.reader.library.quiz.quiz_library import TRAINEE, invented_library


@pytest.fixture(scope="module")
def kept_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("quiz") / "library"
    invented_library(folder).close()
    return folder


@pytest.fixture
def library(kept_library: Path, tmp_path: Path) -> Iterator[Library]:
    with Library.open(shutil.copytree(kept_library, tmp_path / "library")) as copied:
        yield copied


@pytest.fixture
def paper(library: Library) -> Paper:
    return make(library, trainee=TRAINEE, items=10, seed=7, mix=load_mix("faint"))
