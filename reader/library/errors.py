"""What a library refuses."""

from reader.errors import LinecallError


class LibraryError(LinecallError):
    """The library has no such example, or cannot keep what it was given; nothing was changed."""
