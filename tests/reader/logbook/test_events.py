"""Events: canonical JSON against the RFC, hashes against an independent calculation, what may be stated."""

import hashlib
import json
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reader.errors import LinecallError
from reader.logbook.events import GENESIS, Statement, from_line, load_event, make_event, to_line
from reader.store.canonical import canonical_json
from tests.reader.logbook.samples import AT


def made(**changes: object):  # type: ignore[no-untyped-def]
    fields = {
        "seq": 1, "id": "0123abcd", "kind": "note", "reading": None, "at": AT, "by": "A. Technician",
        "payload": {"b": 1.5, "a": "x"}, "previous": GENESIS,
    }  # fmt: skip
    return make_event(**fields | changes)  # type: ignore[arg-type]


def test_canonical_json_agrees_with_the_example_of_rfc_8785() -> None:
    # RFC 8785 (Rundgren, Jordan, Erdtman 2020), section 3.2.2: input and canonical output
    given = json.loads(
        r"""{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
             "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"""
    )
    assert canonical_json(given).decode() == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )


def test_canonical_json_sorts_names_by_utf_16_as_rfc_8785_does() -> None:
    # RFC 8785, section 3.2.3: the order of the values in its sorting example
    names = {
        "\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One", "\U0001f600": "Emoji: Grinning Face", "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }  # fmt: skip
    assert list(json.loads(canonical_json(names)).values()) == [
        "Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]  # fmt: skip


def test_the_hash_is_that_of_the_event_without_it() -> None:
    event, _ = made()
    fields = json.loads(event.model_dump_json())
    del fields["hash"]
    independent = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert event.hash == hashlib.sha256(independent.encode()).hexdigest()


def test_times_keep_their_offset() -> None:
    _, body = made()
    assert '"at":"2026-05-04T09:08:07+02:00"' in body


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 2**60, {"text": "\ud800"}, {1: "x"}, object()])
def test_what_canonical_json_cannot_carry_is_refused(value: object) -> None:
    with pytest.raises(LinecallError, match="RFC 8785"):
        made(payload={"value": value})


@pytest.mark.parametrize(
    ("field", "value"),
    [("at", datetime(2026, 5, 4)), ("by", "  "), ("kind", "Re view"), ("id", "../etc"), ("previous", "abc")],
)
def test_an_event_with_a_field_that_cannot_be_is_refused(field: str, value: object) -> None:
    with pytest.raises(LinecallError, match=field):
        made(**{field: value})


def test_a_changed_body_is_no_event() -> None:
    event, body = made()
    assert load_event(1, event.hash, body) == event
    for seq, digest, text in (
        (1, event.hash, body.replace("Technician", "technician")),
        (2, event.hash, body),
        (1, hashlib.sha256(b"{}").hexdigest(), "{}"),
    ):
        with pytest.raises(LinecallError, match="has been changed"):
            load_event(seq, digest, text)


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40).filter(str.strip)


@given(by=NAMES, note=st.text(st.characters(exclude_categories=["Cs"])))
def test_a_line_is_canonical_and_gives_back_hash_and_body(by: str, note: str) -> None:
    event, body = made(by=by, payload={"note": note})
    line = to_line(event.hash, body)
    assert line.encode() == canonical_json(json.loads(line))
    assert json.loads(line)["hash"] == event.hash
    assert from_line(line) == (event.hash, body)


@pytest.mark.parametrize("by", ['","id":"', '","hash":"' + GENESIS + '",', "\\", '\\","id":"x', "{}"])
def test_a_name_made_to_look_like_fields_stays_a_name(by: str) -> None:
    event, body = made(by=by)
    assert from_line(to_line(event.hash, body)) == (event.hash, body)
    assert load_event(1, event.hash, body).by == by


def test_a_line_that_is_no_event_is_told() -> None:
    assert from_line("{}") is None
    assert from_line('{"at":"x","by":"y","hash":"123","id":"z"}') is None


def test_only_the_operator_must_be_stated_and_blanks_are_nothing() -> None:
    statement = Statement.of(operator=" A. Technician ", tank="", note=" ")
    assert statement.as_payload() == {"operator": "A. Technician"}


@pytest.mark.parametrize("expiry", ["2027-03", "2027-03-31"])
def test_an_expiry_is_a_month_or_a_date_as_plates_print_it(expiry: str) -> None:
    assert Statement.of(operator="A", plate_expiry=expiry).as_payload()["plate_expiry"] == expiry


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"operator": " "}, "operator is ' ', expected a name of 1 to 200 characters"),
        ({"plate_expiry": "2027-02-30"}, "plate expiry is '2027-02-30', expected a date or a month"),
        ({"plate_expiry": "03/27"}, "plate expiry is '03/27', expected a date or a month"),
        ({"tank": "x" * 201}, "expected at most 200 characters"),
        ({"drops_at": "soon"}, "drops at is 'soon', expected a time such as"),
    ],
)
def test_what_cannot_be_stated_is_told_in_one_line(fields: dict[str, str], message: str) -> None:
    with pytest.raises(LinecallError) as caught:
        Statement.of(**{"operator": "A"} | fields)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        ("person", {"roles": ["reviewer"], "retired": False}),
        ("person", {"name": "A. Lind", "roles": "reviewer", "retired": False}),
        ("settings", {"files": [{"kind": "rules", "name": "two-tier"}]}),
    ],
)
def test_an_event_whose_parts_are_not_those_of_its_kind_is_damaged(
    kind: str, payload: dict[str, object]
) -> None:
    event, body = made(kind=kind, payload=payload)
    with pytest.raises(LinecallError, match="event 1 of the logbook is damaged"):
        load_event(1, event.hash, body)


def test_a_body_that_is_no_events_makes_no_line() -> None:
    event, body = made()
    with pytest.raises(LinecallError, match="is damaged"):
        to_line(event.hash, body.replace('"id"', '"ib"'))
