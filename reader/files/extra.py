"""Packages of the extra `linecall[cluster]`: imported when something first needs them."""

from importlib import import_module
from typing import Any

from reader.errors import LinecallError


class MissingExtraError(LinecallError):
    """A package of an extra is not installed."""


def needed(module: str, what: str) -> Any:
    """Import a module of the extra `cluster`. what : what it is needed for. Raises MissingExtraError."""
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        package = (error.name or module).partition(".")[0]
        raise MissingExtraError(
            f"{what}, the package {package} is needed: pip install 'linecall[cluster]'"
        ) from error
