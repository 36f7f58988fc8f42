"""A language that nobody speaks: every text in brackets, accented, and a third longer, so that a text that is missed or
that breaks a page shows.
"""

from dataclasses import replace
from typing import Final

from reader.station.texts import FILLED, Texts, english

ACCENTED: Final = str.maketrans(
    "aeiouycnsAEIOUCNS",
    "\u00e0\u00e9\u00ee\u00f6\u00fb\u00fd\u00e7\u00f1\u0161\u00c0\u00c9\u00ce\u00d6\u00db\u00c7\u00d1\u0160",
)
WORD: Final = 11  # letters of a long word; German's are longer, but may be hyphenated


def pseudo(*, right_to_left: bool = False) -> Texts:
    """The texts in that language; right_to_left : as if it ran so."""
    made = {code: tuple(map(stretched, forms)) for code, forms in english().by_code.items()}
    return replace(english(), by_code=made, right_to_left=right_to_left)


def stretched(form: str) -> str:
    """A text with its places left as they are."""
    at, made = 0, []
    for place in FILLED.finditer(form):
        made += [form[at : place.start()].translate(ACCENTED), place[0]]
        at = place.end()
    body = "".join([*made, form[at:].translate(ACCENTED)])
    more = "\u0175" * (len(form) // 3)
    words = [more[k : k + WORD] for k in range(0, len(more), WORD)]
    return "\u27e6" + " ".join([body, *words]) + "\u27e7"
