"""Any verdict makes the round trip; any bytes at all give a verdict or one LinecallError."""

import contextlib
import json
from datetime import datetime, timedelta, timezone
from typing import Any, TypeVar

from hypothesis import given, settings
from hypothesis import strategies as st

from fixtures.verdicts import example_verdict, refused_verdict
from reader.errors import LinecallError
from reader.verdict.model import (
    Mark,
    PhotoRecord,
    PoseRecord,
    QualityRecord,
    ReasonRecord,
    Verdict,
    WindowRecord,
    load_verdict,
    to_bytes,
)

finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)
positive = st.floats(min_value=0, max_value=1e12)
shares = st.floats(min_value=0, max_value=1)
texts = st.text(max_size=20)
sentences = st.text(min_size=1, max_size=20)
tuples = st.lists(texts, max_size=3).map(tuple)


T = TypeVar("T")


def maybe(values: st.SearchStrategy[T]) -> st.SearchStrategy[T | None]:
    return st.none() | values


offsets = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
instants = st.datetimes(timezones=offsets, min_value=datetime(1900, 1, 2), max_value=datetime(2200, 1, 1))
local_times = st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1))

reason_codes = st.builds(ReasonRecord, code=texts, values=st.dictionaries(texts, finite | texts, max_size=3))
marks = st.fixed_dictionaries(
    {
        "call": st.sampled_from(["present", "absent", "doubtful"]),
        "height": finite,
        "standard_error": positive,
        "limit_of_blank": maybe(finite),
        "limit_of_detection": maybe(finite),
    },
    optional={
        "expected_mm": maybe(finite),
        "position_mm": maybe(finite),
        "position_mm_se": maybe(positive),
        "width_mm": maybe(finite),
        "straightness_mm": maybe(positive),
        "span": maybe(shares),
        "dye_angle_deg": maybe(finite),
        "flags": tuples,
        "reasons": st.lists(sentences, max_size=3).map(tuple),
        "reason_codes": st.lists(reason_codes, max_size=3).map(tuple),
    },
).map(Mark.model_validate)

points = st.tuples(finite, finite)
quads = st.tuples(points, points, points, points)
rows = st.tuples(finite, finite, finite)
qualities = st.builds(
    QualityRecord,
    px_per_mm=maybe(finite),
    blur_mm=maybe(positive),
    noise=maybe(positive),
    hidden_fraction=maybe(shares),
)
windows = st.builds(
    WindowRecord,
    id=sentences,
    analyte=texts,
    tier=st.sampled_from(["lower", "upper"]),
    corners_px=quads,
    quality=qualities,
    flags=tuples,
    reference=marks,
    indicator=marks,
)
photos = (maybe(instants) | local_times).flatmap(
    lambda moment: st.builds(
        PhotoRecord,
        name=texts,
        sha256=st.binary(min_size=32, max_size=32).map(bytes.hex),
        width=st.integers(1, 10**5),
        height=st.integers(1, 10**5),
        captured_at=st.just(moment),
        captured_offset_known=st.just(moment is not None and moment.tzinfo is not None),
        jpeg_quality=maybe(st.integers(1, 100)),
        lossy=maybe(st.booleans()),
        flags=tuples,
    )
)
poses = st.builds(
    PoseRecord,
    corners_px=quads,
    mm_to_px=st.tuples(rows, rows, rows),
    px_per_mm=finite,
    residual_mm=maybe(positive),
    orientation_margin=maybe(finite),
    on_card=st.booleans(),
    tilt_deg=maybe(finite),
)
READ, REFUSED = example_verdict(), refused_verdict()


@st.composite
def verdicts(draw: st.DrawFn) -> Verdict:
    """Every field that a photo decides, drawn; settings records as in the example."""
    changes: dict[str, Any]
    if draw(st.booleans()):
        changes = {"refusal": draw(sentences), "reason": draw(sentences), "remedy": draw(sentences)}
        return Verdict(**dict(REFUSED) | changes | {"photo": draw(photos)})
    changes = {
        "photo": draw(photos),
        "pose": draw(poses),
        "quality": draw(maybe(qualities)),
        "windows": tuple(draw(st.lists(windows, min_size=1, max_size=4, unique_by=lambda window: window.id))),
        "warnings": tuple(draw(st.lists(sentences, max_size=2))),
        "next_step": draw(sentences),
    }
    return Verdict(**dict(READ) | changes)


@given(verdicts(), st.booleans())
@settings(max_examples=60, deadline=None)
def test_any_verdict_makes_the_round_trip(verdict: Verdict, one_line: bool) -> None:
    data = to_bytes(verdict, one_line=one_line)
    again = load_verdict(data)
    assert again == verdict
    assert to_bytes(again, one_line=one_line) == data


@given(st.binary(max_size=200))
@settings(max_examples=200, deadline=None)
def test_no_bytes_give_anything_but_a_linecall_error(data: bytes) -> None:
    with contextlib.suppress(LinecallError):
        load_verdict(data)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_no_hand_edited_field_gives_anything_but_a_linecall_error(data: st.DataObject) -> None:
    value = json.loads(to_bytes(data.draw(st.sampled_from([READ, REFUSED]))))
    target = value
    while True:
        key = data.draw(st.sampled_from(list(target) if isinstance(target, dict) else range(len(target))))
        inner = target[key]
        if not isinstance(inner, dict | list) or not inner or data.draw(st.booleans()):
            break
        target = inner
    target[key] = data.draw(json_values)
    with contextlib.suppress(LinecallError):
        assert isinstance(load_verdict(json.dumps(value).encode()), Verdict)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_no_flipped_byte_gives_anything_but_a_linecall_error(data: st.DataObject) -> None:
    whole = bytearray(to_bytes(READ))
    for _ in range(data.draw(st.integers(1, 3))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(LinecallError):
        load_verdict(bytes(whole))
