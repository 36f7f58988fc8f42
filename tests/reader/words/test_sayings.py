"""Sentences by code: in English, and that whoever says one gives it all that it asks for."""

import ast
import importlib
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.station.reader_texts import SAYINGS
from reader.words.sayings import Items, OneOf, Parts, Sayings

SAYS = Sayings(
    "test", {"all": "{names}; {n:.2f} mm", "inner": "window {window}", "outer": "the line of {what}"}
)


@pytest.mark.parametrize(
    ("names", "english"),
    [
        (("a", "b", "c"), "a, b and c"),
        (OneOf(("a", "b", "c")), "a, b or c"),
        (Items(("a", "b")), "a, b"),
        (Parts(("a", "b")), "a; b"),
        ((), ""),
        ("as it is", "as it is"),
    ],
)
def test_a_sentence_lists_its_words_and_writes_its_numbers(names: object, english: str) -> None:
    assert str(SAYS("all", names=names, n=1.257)) == f"{english}; 1.26 mm"


def test_a_sentence_may_hold_others() -> None:
    assert str(SAYS("outer", what=SAYS("inner", window="3"))) == "the line of window 3"
    both = Parts((SAYS("inner", window="3"), SAYS("inner", window="{n}")))
    assert str(SAYS("outer", what=both)) == "the line of window 3; window {n}"


def test_no_code_is_said_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        SAYS("nowhere")


def _places(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def _said_in(root: Path) -> Iterator[tuple[str, Sayings, re.Pattern[str], set[str]]]:
    """Every call of a table of sentences in the reader: where, the table, the codes it may say, and what it gives."""
    for path in sorted((root / "reader").rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if "sayings import" not in text and "SAYS" not in text:
            continue
        module = importlib.import_module(".".join(path.relative_to(root).with_suffix("").parts))
        for node in ast.walk(ast.parse(text)):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args):
                continue
            table = getattr(module, node.func.id, None)
            if isinstance(table, Sayings):
                given = {one.arg for one in node.keywords if one.arg}
                yield f"{path.name}:{node.lineno}", table, re.compile(_codes(node.args[0])), given


def _codes(node: ast.expr) -> str:
    """A pattern of the codes that an expression may give."""
    match node:
        case ast.Constant(value=str() as code):
            return re.escape(code)
        case ast.JoinedStr(values=parts):
            return "".join(map(_codes, parts))
        case ast.IfExp(body=one, orelse=other):
            return f"(?:{_codes(one)}|{_codes(other)})"
        case _:
            return "[a-z_]*"


def test_whoever_says_a_sentence_gives_all_that_it_asks_for(root: Path) -> None:
    heard: dict[str, set[str]] = {}
    for where, table, codes, given in _said_in(root):
        meant = [code for code in table.texts if codes.fullmatch(code)]
        assert meant, f"{where} says {codes.pattern} of {table.group}, which has no such text"
        heard.setdefault(table.group, set()).update(meant)
        if codes.pattern != "[a-z_]*":  # of a code in a variable nobody can say which it is
            for code in meant:
                assert _places(table.texts[code]) <= given, f"{where} gives {table.group}.{code} too little"
    for table in SAYINGS:
        assert heard[table.group] == set(table.texts), f"{table.group} has texts that nobody says"
