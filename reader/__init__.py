"""Reads lateral-flow test plates from photos: `read_photo` and `read_plate` give a typed verdict."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reader.errors import LinecallError
    from reader.read import read_photo, read_plate
    from reader.verdict.model import Verdict, load_verdict

_HOME = {
    "LinecallError": "reader.errors",
    "Verdict": "reader.verdict.model",
    "load_verdict": "reader.verdict.model",
    "read_photo": "reader.read",
    "read_plate": "reader.read",
}

__all__ = ["LinecallError", "Verdict", "load_verdict", "read_photo", "read_plate"]


def __getattr__(name: str) -> object:
    """Load a public name where it is first used: the command must not pay for what it does not need."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)
