"""Every refusal and every flag, once: its reason and its remedy as a sentence each."""

from dataclasses import dataclass
from typing import NoReturn

from reader.errors import PhotoRefusedError


@dataclass(frozen=True, kw_only=True, slots=True)
class Refusal:
    """Why a photo gets no verdict and what the technician does about it; both are str.format templates."""

    reason: str
    remedy: str


REFUSALS: dict[str, Refusal] = {
    "no_plate": Refusal(
        reason="no plate found",
        remedy="lay one plate flat on a plain surface or on the photo card, fill most of the frame with it "
        "and photograph it from straight above",
    ),
}


def refuse(code: str, **values: object) -> NoReturn:
    """Raise PhotoRefusedError for `code`, its templates filled from `values`."""
    refusal = REFUSALS[code]
    raise PhotoRefusedError(code, refusal.reason.format(**values), refusal.remedy.format(**values))
