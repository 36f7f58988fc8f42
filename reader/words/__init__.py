"""The vocabulary that everything else shares: what calls, grades and marks are named, and lists of words in a sentence.

Also the names of people (`names`), ids (`ids`), moments and zones (`clock`), and the typed fields of what is kept
(`fields`).
"""

import unicodedata
from collections.abc import Sequence
from typing import Final, Literal

Format = Literal["competitive", "sandwich"]
Dye = Literal["red", "blue"]
Tier = Literal["lower", "upper"]
MarkName = Literal["indicator", "reference"]
MarkKey = tuple[str, MarkName]
"""A window's id and which mark of it."""

Call = Literal["present", "absent", "doubtful", "undeveloped"]
CALLS: Final[tuple[Call, ...]] = ("present", "absent", "doubtful", "undeveloped")
CALLS_OF: Final[dict[MarkName, tuple[Call, ...]]] = {"indicator": CALLS[:3], "reference": CALLS}
ReferenceCall = Literal["present", "absent", "undeveloped"]
Finding = Literal["below cutoff", "above cutoff"]

SettledGrade = Literal["negligible", "moderate", "heavy", "invalid"]
Grade = Literal["negligible", "moderate", "heavy", "invalid", "undecided"]
GRADES: Final[tuple[SettledGrade, ...]] = ("negligible", "moderate", "heavy", "invalid")
"""Mildest first, `invalid` last."""
GRAVITY: Final[dict[SettledGrade, int]] = {"negligible": 0, "moderate": 1, "heavy": 2, "invalid": 2}
"""How far a grade is from the release side; an invalid plate releases nothing, either (common practice, no source)."""
Cause = Literal["marks", "time"]
"""What leaves a grade undecided."""


def listed(names: Sequence[str], joint: Literal["and", "or"] = "and") -> str:
    """Names as a sentence lists them: a, b and c."""
    return ", ".join(names[:-1]) + f" {joint} " * bool(names[1:]) + names[-1] if names else ""


def counted(n: int, noun: str) -> str:
    """Such as `1 mark` or `2 marks`."""
    return f"{n:,} {noun}{'s' * (n != 1)}"


def windows_named(windows: Sequence[str]) -> str:
    """Windows as a sentence lists them: `window 2`, `windows 2 and 3`."""
    return f"window{'s' * (len(windows) != 1)} {listed(windows)}"


def tidy(text: str) -> str:
    """Text fit to be drawn on one line: no control, direction or private characters, single spaces."""
    if text.isprintable():  # nothing of the kind in it, as nearly always
        return " ".join(text.split())
    kept = (" " if unicodedata.category(char) in ("Cc", "Zl", "Zp") else char for char in text)
    return " ".join("".join(char for char in kept if unicodedata.category(char)[0] != "C").split())


def as_sentence(text: str) -> str:
    """A reason as a sentence: first letter large, full stop at its end."""
    text = tidy(text)
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def closest(word: str, known: list[str]) -> str | None:
    """The one of the known words that was perhaps meant; None where none is close."""
    import difflib  # only needed once something is wrong

    close = difflib.get_close_matches(word[:80].lower(), known, n=1, cutoff=0.6)
    return close[0] if close else None


def did_you_mean(word: str, known: list[str]) -> str:
    """` ; did you mean ...?` where one of the known words is close, else nothing."""
    meant = closest(word, known)
    return "" if meant is None else f'; did you mean "{meant}"?'


def shown(value: object, *, quote: str = '"') -> str:
    """A value as TOML would write it, cut to fit into a sentence, without control characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        items = [item for item in value[:5] if not isinstance(item, list | tuple | dict)]
        return f"[{', '.join(map(shown, items))}]" if len(items) == len(value) else "a longer list"
    if isinstance(value, int) and value.bit_length() > 200:
        return "a number of very many digits"
    text = "".join(letter if letter.isprintable() else "?" for letter in str(value)[:80])
    text = text if len(text) <= 60 else text[:57] + "..."
    return f"{quote}{text}{quote}" if isinstance(value, str) else text
