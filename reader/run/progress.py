"""How long work lets itself be watched: the steps pass through, and whoever watches shows how many there were."""

from collections.abc import Callable, Iterable
from typing import Any

Watch = Callable[[Iterable[Any], int, str], Iterable[Any]]
"""Takes the steps, how many there will be, and what is being done; gives the same steps."""


def unwatched(steps: Iterable[Any], total: int, what: str) -> Iterable[Any]:
    """Show nothing."""
    del total, what
    return steps
