"""Whether a text names an amount with a unit, as a dose would be: such texts of a site are refused."""

import re
import unicodedata
from typing import Final

# Volumes, masses, shares and what doses are counted in; SI, imperial and US customary units. Times are no doses.
_VOLUMES: Final = (
    r"(?:(?:milli|micro|centi|deci|hecto)?(?:lit(?:er|re|ro)s?|litri)|gallons?|pints?|quarts?|ounces?)"
)
_MASSES: Final = r"(?:(?:milli|micro|kilo)?gram(?:me)?s?|kilos?|pounds?|tonn?es?)"
_UNITS: Final = (
    _VOLUMES, _MASSES, r"[munp\u03bc]?l", r"[cdh]l", r"cc", r"[cd]?m ?3", r"cubic \w+", r"(?:us |imp )?gal(?:lons?)?",
    r"(?:fl\.? ?|fluid )?(?:oz|ounces?)", r"[mku\u03bc]?g", r"lbs?", r"t", r"pp[mbt]", r"(?:vol\.?-?)?[%\u2030]",
    r"per ?(?:cent|mille)", r"drops?", r"doses?", r"tablets?", r"sachets?", r"capfuls?",
    r"(?:tea|table)?spoon(?:ful)?s?", r"cups?", r"tropfen", r"gouttes?", r"gotas?", r"\u043c?\u043b", r"\u043a?\u0433",
)  # fmt: skip
_DIGITS: Final = r"\d(?:[\d.,'\u2044/ ]*\d)?\s*-?\s*"
_WORDS: Final = (
    r"\b(?:one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve|fifteen|twenty|thirty|forty|fifty|hundred|"
    r"thousand|half|quarter|third|dozen|double)(?:\s+of)?(?:\s+an?)?[\s-]+"
)
_AMOUNT: Final = re.compile(
    rf"(?:{_DIGITS}|{_WORDS})(?:{'|'.join(_UNITS)})(?!\w)"
    rf"|\ban? (?:{_VOLUMES}|{_MASSES})(?!\w)"
    r"|\b1\s*(?::|in|to|per|parts?\s+(?:in|to|per))\s*\d{3,}",  # a dilution
    re.IGNORECASE,
)


def named_amount(text: str) -> str | None:
    """First amount with a unit in a text, in plain letters; None where there is none."""
    plain = unicodedata.normalize("NFKC", text)
    plain = "".join(letter for letter in plain if unicodedata.category(letter) != "Cf")
    found = _AMOUNT.search(plain)
    return None if found is None else found[0].strip()
