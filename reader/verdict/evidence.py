"""What the annotated image draws beside the verdict: the pixels, curves and fits behind the calls."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reader.measure.mark import WindowFit
    from reader.measure.strip import Strip
    from reader.photo.open import Photo
    from reader.verdict.model import Verdict


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WindowEvidence:
    """One window as it was measured: its strip, and the curves that were fitted.

    strip : `linear` (n_along, n_across, 3), linear RGB 0..1, upstream end first; `valid`, what of it is seen.
    curves : (n,) along `position_mm`: the profile (`absorbance`, `standard_error`), the `baseline`, and the `fit`.
    """

    strip: Strip
    curves: WindowFit


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Evidence:
    """What a verdict rests on: `photo` is None where the file could not be decoded.

    A refused photo has no windows; the others have those of the verdict, in its order.
    """

    photo: Photo | None
    windows: tuple[WindowEvidence, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Reading:
    """A verdict and what it rests on; evidence is None where the file could not be opened."""

    verdict: Verdict
    evidence: Evidence | None
