"""The exception family: every error names the thing, what was found, what was expected and what to do."""

from collections.abc import Mapping
from typing import TypeAlias

RefusalValue: TypeAlias = "float | str | tuple[str, ...]"


class LinecallError(Exception):
    """Base of every error that a user may see; its text is one clear line."""


class SettingsError(LinecallError):
    """A layout, rules, thresholds or texts file is broken or contradicts itself."""


class OutputError(LinecallError):
    """A result could not be written."""


class UnsettledError(OutputError):
    """Nobody can say whether a result was written; look before it is written again."""


class PhotoRefusedError(LinecallError):
    """A photo that gets no verdict: `code` is a key of `refusals.REFUSALS`, with reason and remedy filled in.

    values : the numbers, ids and names behind the two sentences, for other languages; a tuple holds ids of windows.
    """

    def __init__(
        self, code: str, reason: str, remedy: str, values: Mapping[str, RefusalValue] | None = None
    ) -> None:
        super().__init__(f"{reason}; {remedy}")
        self.code = code
        self.reason = reason
        self.remedy = remedy
        self.values = dict(values or {})
