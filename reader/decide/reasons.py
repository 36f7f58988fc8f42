"""Every reason for a mark's call, once: its code, its values, and the sentence that they make in English.

Another language needs its own sentence for a code; the values (numbers, names of flags and dyes) stay as they are.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from reader.refusals import FLAGS

REASONS: Final[dict[str, str]] = {
    "place_not_seen": "this mark's place could not be seen",
    "above_blank": "height {height:.4f} is above the limit of blank, {needed:.4f}",
    "not_above_blank": "height {height:.4f} is not above the limit of blank, {needed:.4f}",
    "brighter": "height {height:.4f}: the mark's place is brighter than its surroundings, as under glare",
    "line_over_part": "height {height:.4f} over the whole breadth, but a part of it carries a line: a stain, or a line "
    "half covered",
    "line_excluded": "its upper bound, {bound:.4f}, is below {ceiling:.4f}: no line that counts can be there",
    "line_possible": "its upper bound, {bound:.4f}, is not below {ceiling:.4f}: a faint line may be there",
    "line_may_be_lost": "a line may have been taken from the file: {flag_sentence}",
    "place_unsure": f"its window may lie elsewhere: {FLAGS['place_unsure']}",
    "window_off": "the reference line lies at the end of its search, so this may be another place than the mark's",
    "part_stronger": "a part of the breadth carries a far stronger line than the rest",
    "off_place": "it lies at {position_mm:.2f} mm, more than {tolerance_mm} mm from {expected_mm} mm",
    "odd_width": "it is {width_mm:.2f} mm wide, not between {least_mm:.2f} and {most_mm:.2f} mm",
    "bent": "it bends by {straightness_mm:.2f} mm, more than {most_mm} mm",
    "short": "it crosses {span:.0%} of the breadth, less than {least:.0%}",
    "other_colour": "its colour is {dye_angle_deg:.0f} degrees off the {dye} dye's: a shadow, hair or stain",
    "edge": "an edge explains what is seen better than a line does: the edge of a shadow or of wetting",
    "shadow_possible": "a shadow that the plastic beside it shows may lie on it, worth up to {reach:.4f}",
    "light_not_looked_at": "what lies beside the window was not looked at",
    "light_level": "the plastic beside it is level there, so it is no shadow",
    "shadow_taken_out": "a shadow worth {height:.4f}, as the plastic beside it shows, is taken out",
    "colour_of_dye": "its colour is the {dye} dye's, so it is no shadow",
    "no_witness": "neither the plastic beside it nor its colour tells it from a shadow",
    "starting_dye": "it still has its starting dye, {dye}",
    "dye_not_told": "its colour does not tell whether it still has its starting dye, {dye}",
    "light_unknown_then": "read before the light beside the window was looked at, so it may be a shadow",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Reason:
    """One reason for a call. code : a key of REASONS. values : what its sentence names; `flag` is one of
    `refusals.FLAGS`."""

    code: str
    values: Mapping[str, float | str]

    @property
    def sentence(self) -> str:
        """The reason in English."""
        flag = self.values.get("flag")
        told = {"flag_sentence": FLAGS[flag]} if isinstance(flag, str) else {}
        return REASONS[self.code].format(**self.values, **told)


def reason(code: str, **values: float | str | None) -> Reason:
    """One reason; a value that is not known is left out."""
    return Reason(code=code, values={name: value for name, value in values.items() if value is not None})
