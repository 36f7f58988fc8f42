"""Packages of the extra `linecall[library]`, imported when a statistic first needs them."""

from functools import cache
from importlib import import_module
from typing import Any, Final

from reader.errors import LinecallError

INSTALL: Final = "python -m pip install krippendorff scikit-learn scipy statsmodels"
"""By their own names: that works from a checkout, from a wheel, and where no index has linecall."""


class MissingExtraError(LinecallError):
    """Packages of the extra `library` are not installed."""


@cache
def extra(module: str) -> Any:
    """Import a module of the extra `library`; raises MissingExtraError where it is not installed."""
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"the package {error.name} is needed for statistics; install what they need: {INSTALL}"
        ) from error
