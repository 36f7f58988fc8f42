"""The exception family: every error names the thing, what was found, what was expected and what to do."""


class LinecallError(Exception):
    """Base of every error that a user may see; its text is one clear line."""


class SettingsError(LinecallError):
    """A layout, rules, thresholds or texts file is broken or contradicts itself."""


class OutputError(LinecallError):
    """A result could not be written."""


class PhotoRefusedError(LinecallError):
    """A photo that gets no verdict: `code` is a key of `quality.REFUSALS`, with reason and remedy filled in."""

    def __init__(self, code: str, reason: str, remedy: str) -> None:
        super().__init__(f"{reason}; {remedy}")
        self.code = code
        self.reason = reason
        self.remedy = remedy
