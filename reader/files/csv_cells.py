"""Texts in CSV files that people open in spreadsheets, which compute a cell that begins like a formula.

Source: OWASP, "CSV Injection": cells that begin with = + - @, a tab, a carriage return or a line feed, also in their
full-width forms, get an apostrophe in front.
"""

from typing import Final

BOM: Final = "\ufeff"
"""What a CSV file begins with, so that spreadsheets take it for UTF-8; our own readers take it off."""
_COMPUTED: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def safe_cell(value: object) -> object:
    """A cell's value; text that a spreadsheet would compute gets an apostrophe in front. Numbers stay numbers."""
    return f"'{value}" if isinstance(value, str) and _begins_a_formula(value) else value


def safe_path(path: str) -> str:
    """A path as a cell: a path still, that no spreadsheet computes and no trimming of cells loses."""
    return f"./{path}" if _begins_a_formula(path) or path != path.strip() else path


def plain_cell(text: str) -> str:
    """Text of a cell that `safe_cell` wrote."""
    return text[1:] if text.startswith("'") and _begins_a_formula(text[1:]) else text


def _begins_a_formula(text: str) -> bool:
    return text.startswith(_COMPUTED) or text.lstrip(" \u00a0\u200b\ufeff'").startswith(_COMPUTED)
