"""Packages of the extra `linecall[library]`, imported when a statistic first needs them."""

from functools import cache
from importlib import import_module
from typing import Any

from reader.errors import LinecallError


class MissingExtraError(LinecallError):
    """Packages of the extra `library` are not installed."""


@cache
def extra(module: str) -> Any:
    """Import a module of the extra `library`; raises MissingExtraError where it is not installed."""
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f'the package {error.name} is needed for statistics; install it with pip install "linecall[library]"'
        ) from error
