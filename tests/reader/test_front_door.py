"""The public names: what they take, what they give, and that their examples hold."""

import csv
import doctest
import io
import json
import re
from importlib import import_module
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

import reader
from reader.decide.reasons import REASONS, Reason
from tests.demo import readable_photo

FUNCTIONS = (
    "examine", "examine_plate", "load_settings", "load_verdict", "open_photo", "read_photo", "read_plate",
)  # fmt: skip


@pytest.fixture(scope="module")
def photo(root: Path) -> Path:
    return readable_photo(root)


@pytest.fixture(scope="module")
def settings() -> reader.ReadSettings:
    return reader.load_settings(layout="comb")


@pytest.fixture(scope="module")
def verdict(photo: Path, settings: reader.ReadSettings) -> reader.Verdict:
    return reader.read_photo(photo, settings=settings)


@pytest.fixture(scope="module")
def pixels(photo: Path) -> np.ndarray:
    """(H, W, 3) uint8 RGB."""
    bgr = cv2.imread(str(photo), cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.ascontiguousarray(bgr[..., ::-1])


def calls(verdict: reader.Verdict) -> list[tuple[str, str]]:
    assert verdict.status == "read", verdict.reason
    return [(window.indicator.call, window.reference.call) for window in verdict.windows]


def test_every_public_name_is_listed_and_can_be_had() -> None:
    assert dir(reader) == sorted(reader.__all__)
    assert {"open_photo", "read_photo", "examine", "load_settings", "__version__"} <= {*dir(reader)}
    for name in reader.__all__:
        assert getattr(reader, name) is not None


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_public_function_says_what_it_takes_gives_and_raises(name: str) -> None:
    text = getattr(reader, name).__doc__
    for section in ("Parameters", "Returns", "Raises", "Examples"):
        assert f"    {section}\n    {'-' * len(section)}\n" in text, section


@pytest.mark.parametrize(
    "module", ["reader.photo.open", "reader.read", "reader.settings.read_settings", "reader.verdict.model"]
)
def test_the_examples_of_public_names_hold(module: str, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(root)
    failed, tried = doctest.testmod(import_module(module))
    assert tried
    assert not failed


def test_a_photo_reads_alike_from_its_path_its_bytes_and_a_file(
    photo: Path, settings: reader.ReadSettings, verdict: reader.Verdict
) -> None:
    expected = reader.to_bytes(verdict)
    data = photo.read_bytes()
    assert reader.to_bytes(reader.read_photo(str(photo), settings=settings)) == expected
    assert reader.to_bytes(reader.read_photo(data, settings=settings, name=photo.name)) == expected
    with photo.open("rb") as file:
        assert reader.to_bytes(reader.read_photo(file, settings=settings)) == expected
    assert reader.read_photo(io.BytesIO(data), settings=settings).photo.name == "photo"


@pytest.mark.parametrize("deep", [False, True])
def test_pixels_read_as_the_same_pixels_in_a_file_do(
    pixels: np.ndarray, settings: reader.ReadSettings, tmp_path: Path, deep: bool
) -> None:
    given = pixels.astype(np.uint16) * 257 if deep else pixels
    before = given.copy()
    path = tmp_path / "same.png"
    assert cv2.imwrite(str(path), given[..., ::-1])
    found, kept = (reader.read_photo(one, settings=settings) for one in (given, path))
    assert calls(found) == calls(kept)
    assert [w.indicator.height for w in found.windows] == [w.indicator.height for w in kept.windows]
    assert (found.photo.name, found.photo.captured_at) == ("photo", None)
    assert (given == before).all()
    assert given.flags.writeable


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_the_hash_of_pixels_is_that_of_the_portable_pixmap_that_opencv_writes(dtype: type) -> None:
    # netpbm, ppm(5): "P6", width, height, maxval, then RGB, two bytes a sample with the high one first above 255
    rgb = np.random.default_rng(1).integers(0, np.iinfo(dtype).max, (70, 90, 3), dtype, endpoint=True)
    import hashlib

    written = cv2.imencode(".ppm", rgb[..., ::-1])[1].tobytes()
    assert reader.open_photo(rgb).sha256 == hashlib.sha256(written).hexdigest()
    assert reader.open_photo(np.asfortranarray(rgb)).sha256 == reader.open_photo(rgb).sha256


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (np.zeros((300, 400), np.uint8), r"shape \(300, 400\)"),
        (np.zeros((300, 400, 4), np.uint8), r"shape \(300, 400, 4\)"),
        (np.zeros((300, 400, 3)), "type float64"),
        (io.StringIO("text"), "binary mode"),
        (7, "of type int"),
    ],
)
def test_what_cannot_be_a_photo_is_said_in_one_line(given: Any, said: str) -> None:
    with pytest.raises(reader.LinecallError, match=said) as error:
        reader.read_photo(given)
    assert "\n" not in str(error.value)


def test_bytes_and_pixels_that_are_no_photo_are_refused() -> None:
    assert reader.read_photo(b"").refusal == "not_an_image"
    small = reader.read_photo(np.zeros((10, 400, 3), np.uint8))
    assert (small.refusal, small.refusal_values) == ("too_small", {"width": 400, "height": 10, "limit": 64})
    assert small.photo.sha256 is not None


def test_photos_without_a_name_are_told_apart_by_their_place(photo: Path) -> None:
    data = photo.read_bytes()
    together = reader.read_plate([data, data], layout="comb")
    assert together.refusal == "same_photo"
    assert [one.photo.name for one in together.readings] == ["photo 1", "photo 2"]
    assert together.refusal_values == {"first": "photo 1", "second": "photo 2"}


def test_settings_are_given_whole_or_one_by_one(photo: Path, settings: reader.ReadSettings) -> None:
    with pytest.raises(reader.LinecallError, match="give one or the other"):
        reader.read_photo(photo, settings=settings, layout="comb")


def test_evidence_is_arrays_of_each_window(
    photo: Path, settings: reader.ReadSettings, verdict: reader.Verdict
) -> None:
    evidence = reader.examine(photo, settings).evidence
    assert evidence is not None
    assert [one.strip.window.id for one in evidence.windows] == [window.id for window in verdict.windows]
    for one in evidence.windows:
        assert one.strip.linear.shape == (*one.strip.valid.shape, 3)
        curves = one.curves
        sizes = {len(curves.position_mm), len(curves.absorbance), len(curves.baseline), len(curves.fit)}
        assert len(sizes) == 1


def test_rows_are_one_a_mark_and_any_table_takes_them(verdict: reader.Verdict) -> None:
    rows = verdict.rows()
    assert [(row["window"], row["mark"]) for row in rows] == [
        (window.id, mark) for window in verdict.windows for mark in ("indicator", "reference")
    ]
    assert len({tuple(row) for row in rows}) == 1
    assert all(isinstance(value, str | float | int | None) for row in rows for value in row.values())
    table = io.StringIO()
    writer = csv.DictWriter(table, fieldnames=list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    back = list(csv.DictReader(io.StringIO(table.getvalue())))
    assert [float(row["height"]) for row in back] == [row["height"] for row in rows]
    assert reader.read_photo(b"no photo").rows() == []


def test_a_verdict_is_loaded_from_a_path_a_string_or_bytes(verdict: reader.Verdict, tmp_path: Path) -> None:
    data = reader.to_bytes(verdict)
    path = tmp_path / "plate.verdict.json"
    path.write_bytes(data)
    for source in (path, str(path), data, data.decode("utf-8"), "\ufeff " + data.decode("utf-8")):
        assert reader.load_verdict(source) == verdict
    with pytest.raises(reader.LinecallError, match=r"missing\.json: cannot be read"):
        reader.load_verdict("missing.json")


def numbers(text: str) -> list[float]:
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", text)]


def test_every_reason_carries_a_code_and_the_values_of_its_sentence(verdict: reader.Verdict) -> None:
    seen = set()
    for window in verdict.windows:
        for mark in (window.indicator, window.reference):
            assert len(mark.reason_codes) == len(mark.reasons) > 0
            for coded, sentence in zip(mark.reason_codes, mark.reasons, strict=True):
                seen.add(coded.code)
                again = Reason(code=coded.code, values=coded.values).sentence
                assert re.sub(r"[\d.]+", "#", again) == re.sub(r"[\d.]+", "#", sentence)
                assert numbers(again) == pytest.approx(numbers(sentence), abs=1.01e-4)
    assert seen <= {*REASONS}


def test_every_field_of_a_verdict_is_described_in_the_schema(root: Path) -> None:
    schema = json.loads((root / "reader/data/verdict.schema.json").read_text(encoding="utf-8"))
    for name, record in {"Verdict": schema, **schema["$defs"]}.items():
        for field, says in record.get("properties", {}).items():
            assert says.get("description"), f"{name}.{field}"
