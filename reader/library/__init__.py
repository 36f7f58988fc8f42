"""The library of graded example images: what was photographed, what linecall measured, what each person called.

`Library.open` is the door. `Library` brings in SQLAlchemy, so nothing here is imported before it is asked for: a
reading, and the processes that read photos for the library, are spared it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from reader.library.errors import LibraryError
    from reader.library.examples import Example, Grading
    from reader.library.filters import Filters
    from reader.library.rows import ExampleRow, StoredMark
    from reader.library.store import Library
    from reader.library.tidy import GradeRow, MarkRow

_HOMES: Final = {
    "Example": "examples", "ExampleRow": "rows", "Filters": "filters", "GradeRow": "tidy", "Grading": "examples",
    "Library": "store", "LibraryError": "errors", "MarkRow": "tidy", "StoredMark": "rows",
}  # fmt: skip

__all__ = [
    "Example",
    "ExampleRow",
    "Filters",
    "GradeRow",
    "Grading",
    "Library",
    "LibraryError",
    "MarkRow",
    "StoredMark",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
