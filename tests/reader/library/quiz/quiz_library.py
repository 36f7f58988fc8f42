"""A small invented library whose strips show what its consensus says."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from fixtures.graded import graded_examples
from reader.library import Library
from reader.library.quiz.records import Key
from reader.library.strips import PX_PER_MM, KeptStrip, strips_png
from reader.store.canonical import canonical_json
from reader.verdict.model import Verdict

TRAINEE = "N. Novice"


def picture(verdict: Verdict) -> bytes:
    strips = []
    for window in verdict.windows:
        assert window.length_mm is not None
        assert window.breadth_mm is not None
        n_along, n_across = round(window.length_mm * PX_PER_MM), round(window.breadth_mm * PX_PER_MM)
        place = (np.arange(n_along) + 0.5) / PX_PER_MM
        absorbance = sum(
            max(mark.height or 0.0, 0.0) * np.exp(-0.5 * ((place - (mark.expected_mm or 0.0)) / 0.35) ** 2)
            for mark in (window.indicator, window.reference)
        )
        rows = 0.7 * 10 ** -(np.asarray(absorbance)[:, None, None] * np.array([0.2, 1.0, 0.7]))
        linear = np.repeat(rows, n_across, axis=1).astype(np.float32)
        strips.append(KeptStrip(linear=linear, valid=np.ones((n_along, n_across), bool)))
    return strips_png(strips)


def invented_library(folder: Path, n: int = 60) -> Library:
    library = Library.open(folder)
    for layout in ("comb", "strip"):
        library.settings.keep_layout(layout)
    library.add_all(
        (
            example.model_copy(
                update={"strips_sha256": library.pictures.keep_strips(picture(example.verdict))}
            ),
            gradings,
        )
        for example, gradings in graded_examples(n)
    )
    return library


def answers_of(key: Key, changed: Mapping[tuple[str, str, str], str | None] | None = None) -> dict[str, Any]:
    """What the page saves where every mark is answered by the key, but for what is `changed`."""
    answers: dict[str, Any] = {}
    for item in key.items:
        for mark in item.marks:
            call = (changed or {}).get((item.item, mark.window, mark.mark), mark.call)
            answers.setdefault(item.item, {}).setdefault(mark.window, {})[mark.mark] = call
    return sealed({"format": 1, "quiz": key.quiz, "paper": key.paper, "answers": answers, "seconds": 61})


def sealed(body: dict[str, Any]) -> dict[str, Any]:
    import hashlib

    body = {name: part for name, part in body.items() if name != "hash"}
    return {**body, "hash": hashlib.sha256(canonical_json(body)).hexdigest()}


def saved(tmp_path: Path, value: object) -> Path:
    """Write answers into a file."""
    path = tmp_path / "answers.json"
    path.write_text(json.dumps(value), encoding="utf-8")
    return path
