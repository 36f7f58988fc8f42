"""Reads lateral-flow test plates from photos: `read_photo` and `read_plate` give a typed verdict.

Settings are loaded once and used for many photos: `settings = load_settings(layout="comb")`, then
`read_photo(photo, settings=settings)`. `examine` keeps the evidence too: strips, profiles and fits as arrays.
"""

from typing import TYPE_CHECKING

from reader.version import VERSION

if TYPE_CHECKING:
    from reader.errors import LinecallError, PhotoRefusedError, SettingsError
    from reader.photo.open import Photo, open_photo
    from reader.read import examine, examine_plate, read_photo, read_plate
    from reader.settings.read_settings import ReadSettings, load_settings
    from reader.verdict.evidence import Evidence, Reading, WindowEvidence
    from reader.verdict.model import Verdict, load_verdict, to_bytes
    from reader.verdict.statement import Stated

__version__ = VERSION

_HOME = {
    "Evidence": "reader.verdict.evidence",
    "LinecallError": "reader.errors",
    "Photo": "reader.photo.open",
    "PhotoRefusedError": "reader.errors",
    "ReadSettings": "reader.settings.read_settings",
    "Reading": "reader.verdict.evidence",
    "SettingsError": "reader.errors",
    "Stated": "reader.verdict.statement",
    "Verdict": "reader.verdict.model",
    "WindowEvidence": "reader.verdict.evidence",
    "examine": "reader.read",
    "examine_plate": "reader.read",
    "load_settings": "reader.settings.read_settings",
    "load_verdict": "reader.verdict.model",
    "open_photo": "reader.photo.open",
    "read_photo": "reader.read",
    "read_plate": "reader.read",
    "to_bytes": "reader.verdict.model",
}

__all__ = [
    "Evidence",
    "LinecallError",
    "Photo",
    "PhotoRefusedError",
    "ReadSettings",
    "Reading",
    "SettingsError",
    "Stated",
    "Verdict",
    "WindowEvidence",
    "__version__",
    "examine",
    "examine_plate",
    "load_settings",
    "load_verdict",
    "open_photo",
    "read_photo",
    "read_plate",
    "to_bytes",
]


def __getattr__(name: str) -> object:
    """Load a public name where it is first used: the command must not pay for what it does not need."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    """The public names, loaded or not."""
    return sorted(__all__)
