"""Kept values that are not such as linecall writes: said in one line, for the file was damaged or forged."""

import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from pydantic import ValidationError

from reader.errors import LinecallError

UNFIT: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    RecursionError,
    TypeError,
    ValueError,
    zlib.error,
)
"""What taking values apart raises that are not of the kind expected."""


class DamagedError(LinecallError):
    """Kept values that linecall did not write so."""


@contextmanager
def kept(what: str, *more: type[Exception]) -> Iterator[None]:
    """Take kept values apart inside; whatever that raises names `what` they are of. Raises DamagedError.

    more : exceptions besides UNFIT that mean the same here, such as LinecallError where values are checked.
    """
    unfit: tuple[type[Exception], ...] = (*UNFIT, *more)
    try:
        yield
    except unfit as error:
        raise DamagedError(f"{what} is damaged ({found(error)})") from error


def found(error: BaseException) -> str:
    """What is wrong with a kept value, in a few words."""
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False)[0]
        field, what = ".".join(map(str, first["loc"])) or "itself", first["msg"]
        return f"field {field}: {what[:1].lower()}{what[1:]}"[:200]
    if isinstance(error, KeyError):
        return f"no {str(error.args[0])[:60]!r}" if error.args else "a part is missing"
    if isinstance(error, zlib.error | RecursionError | UnicodeError):
        return "bytes that make no sense"
    line = " ".join(str(error).split())
    return line[:160] or "a value that cannot be so"
