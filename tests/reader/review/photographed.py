"""A photographed comb plate with faint lines of known height, and the case that a reviewer makes of it."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fixtures.plates import readable_scene
from fixtures.scene import photograph, save
from reader.anew.grade_anew import calls_of, graded
from reader.read import examine
from reader.review.sheet import Case
from reader.settings.read_settings import load_settings
from reader.settings.values import Layout, load_layout
from reader.verdict.evidence import Reading
from reader.verdict.model import Verdict
from reader.words import Call, MarkName

COMB = load_layout("comb")
HEIGHTS = (0.2, 0.1, 0.008, 0.05, 0.0, 0.02)  # of the indicators, absorbance
SETTINGS = load_settings("comb")


def photographed(
    folder: Path, *, heights: Sequence[float] = HEIGHTS, seed: int = 5, layout: Layout = COMB
) -> Path:
    """A photo of a developed plate whose indicators have these heights."""
    scene = readable_scene(layout, seed, size=(1600, 1200))
    (plate,) = scene.plates
    strips = tuple(
        strip.without_mark("indicator").with_mark(
            "indicator",
            position_mm=layout.marks.indicator.position,
            height=height,
            width_mm=layout.marks.indicator.width,
            colour=layout.marks.indicator.colour,
        )
        for strip, height in zip(plate.strips, heights, strict=True)
    )
    strips = tuple(strip.with_height("reference", 0.3) for strip in strips)
    folder.mkdir(parents=True, exist_ok=True)
    return save(
        photograph(replace(scene, plates=(replace(plate, strips=strips),), taken_at=None)), folder / "plate"
    )


def read(photo: Path, *, layout: Path | None = None) -> Reading:
    """The photo, read 20 minutes after the drops."""
    settings = SETTINGS if layout is None else load_settings(layout)
    return examine(photo, settings, reading_age_min=20)


def with_calls(verdict: Verdict, calls: dict[tuple[str, MarkName], Call], layout: Layout = COMB) -> Verdict:
    """The verdict with other calls, graded by them."""
    called = calls_of(verdict) | calls
    grade = graded(verdict, called, layout, SETTINGS.rules)
    windows = []
    for window in verdict.windows:
        marks = {
            name: getattr(window, name).model_copy(update={"call": called[window.id, name]})
            for name in ("indicator", "reference")
        }
        windows.append(window.model_copy(update=marks))
    return verdict.model_copy(
        update={
            "windows": tuple(windows),
            "grade": grade.grade,
            "possible_grades": grade.possible_grades,
            "pivotal": grade.pivotal,
            "rule": grade.rule,
            "warnings": grade.warnings,
        }
    )


def case_of(*photos: Reading, **changed: object) -> Case:
    """The case of a reading that its first photo's verdict stands for."""
    verdict = photos[0].verdict
    fields: dict[str, object] = {
        "reading": "7k3m9q2x",
        "first": verdict,
        "current": verdict,
        "photos": photos,
        "layout": COMB,
        "rules": SETTINGS.rules,
        "thresholds": SETTINGS.thresholds,
    }
    return Case(**(fields | changed))  # type: ignore[arg-type]
