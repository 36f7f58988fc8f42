"""The library of graded example images: what was photographed, what linecall measured, what each person called.

`Library.open` is the door. Importing this package imports SQLAlchemy, so a reading must not.
"""

from reader.library.errors import LibraryError
from reader.library.examples import Example, Grading
from reader.library.filters import Filters
from reader.library.rows import ExampleRow, StoredMark
from reader.library.store import Library
from reader.library.tidy import GradeRow, MarkRow

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
