"""The library of graded example images: what was photographed, what linecall measured, what each person called.

`Library.open` is the door. Importing this package imports SQLAlchemy, so a reading must not.
"""

from reader.library.examples import Example, Grading
from reader.library.store import ExampleRow, Filters, Library, LibraryError, StoredMark
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
