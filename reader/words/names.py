"""Names of people: what may be one, and when two of them are one person's or cannot be told apart by eye.

Letters are compared by what they look like: compatibility forms as their plain letters (NFKC and NFKD, Unicode
Standard Annex 15), confusable ones as one (the table of Unicode Technical Standard 39, from the package
confusable-homoglyphs), without accents, case and order of the words.
"""

import json
import unicodedata
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Final, Literal

from reader.errors import LinecallError
from reader.words import shown

Role = Literal["technician", "reviewer", "trainer", "keeper", "grader", "trainee"]
NAME_MAX: Final = 200  # characters, as the logbook takes them

# Default_Ignorable_Code_Point (Unicode Character Database, DerivedCoreProperties.txt) outside the category Cf: they
# are letters and marks by category, and show as nothing.
IGNORABLE: Final = frozenset(
    map(
        chr,
        (
            0x034F,
            *range(0x115F, 0x1161),
            *range(0x17B4, 0x17B6),
            *range(0x180B, 0x1810),
            0x3164,
            *range(0xFE00, 0xFE10),
            0xFFA0,
            *range(0xE0100, 0xE01F0),
        ),
    )
)
# Categories of the Unicode Standard, chapter 4: letters, marks, numbers, punctuation, and the plain space.
WRITTEN: Final = ("L", "M", "N", "P", "Zs")
WRITTEN_TOGETHER: Final = frozenset(
    {"LATIN", "CJK", "HIRAGANA", "KATAKANA", "KATAKANA-HIRAGANA", "HANGUL", "BOPOMOFO"}
)
MARK: Final = "\u200e"  # stands about letters that run from right to left in the table, for its readers' sake
ONE_STROKE: Final = str.maketrans(
    "i", "l"
)  # case folding joins I and i, confusability I, l and 1: so all are one


def checked_name(name: str, what: str = "a name") -> str:
    """The name in NFKC with single spaces. Raises LinecallError for what is empty, hidden or no writing."""
    for letter in name:
        if _is_hidden(letter):
            raise LinecallError(
                f"{what} holds the hidden character U+{ord(letter):04X} ({unicodedata.name(letter, 'no name')}); "
                "type the name by hand, without it"
            )
    plain = " ".join(unicodedata.normalize("NFKC", name).split())
    odd = next((letter for letter in plain if not unicodedata.category(letter).startswith(WRITTEN)), None)
    if odd is not None:
        raise LinecallError(
            f"{what} holds {shown(odd)} (U+{ord(odd):04X}), but a name is of letters, digits, spaces and . , ' -"
        )
    if not any(letter.isalpha() for letter in plain):
        raise LinecallError(f"{what} is {shown(plain)}, but a name has a letter; give the person's name")
    if len(plain) > NAME_MAX:
        raise LinecallError(f"{what} has {len(plain)} characters, but may have {NAME_MAX}")
    return plain


def _is_hidden(letter: str) -> bool:
    """Whether a character shows as nothing, steers what others show, or is none at all (Cc, Cf, Cn, Co, Cs)."""
    return letter in IGNORABLE or unicodedata.category(letter).startswith("C")


@cache
def folded(name: str) -> str:
    """A name as it is compared: `A. Berg`, `a.berg`, `Berg, A`, and one in Cyrillic look-alikes, are one.

    Hidden characters, which only names from before they were refused can have, are left out.
    """
    visible = "".join(letter for letter in name if not _is_hidden(letter))
    # Confusable capitals and confusable small letters are other letters: both are looked up, on either side of case.
    # And before compatibility forms, of which some look otherwise than what they are forms of.
    letters = visible
    for change in (_prototypes, _plain, _prototypes, _plain, str.casefold, _prototypes, _plain, str.casefold):
        letters = change(letters)
    words = "".join(letter if letter.isalnum() else " " for letter in letters.translate(ONE_STROKE)).split()
    return " ".join(sorted(words)) or name.strip()


def _plain(text: str) -> str:
    """Without compatibility forms, accents and strokes."""
    decomposed = unicodedata.normalize("NFKD", text)
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter))


def _prototypes(text: str) -> str:
    table = _confusables()
    return "".join(table.get(letter, letter) for letter in text)


@cache
def _confusables() -> dict[str, str]:
    """Each confusable character and its prototype, as UTS 39 has them.

    The package lists, of each prototype, all that look like it too; what has one entry alone is the other way round,
    and of two that have only each other either may stand for both.
    """
    data = json.loads((files("confusable_homoglyphs") / "confusables.json").read_bytes())
    alike = {
        letter.strip(MARK): [entry["c"].strip(MARK) for entry in entries] for letter, entries in data.items()
    }
    table = {}
    for letter, others in alike.items():
        if len(letter) == 1 and len(others) == 1:
            mutual = len(others[0]) == 1 and len(alike.get(others[0], ())) == 1
            table[letter] = min(letter, others[0]) if mutual else others[0]
    return table


def is_one_of(name: str, names: Iterable[str]) -> bool:
    """Whether a name is among others, all folded."""
    return folded(name) in {folded(other) for other in names}


def may_be(name: str, other: str) -> bool:
    """Whether two names may be one person's: `Lind` and `A. Lind`, `Anna Lind`, `ALind`, `A. Lind 2`.

    Each word of the shorter name is one of the longer name's, with a letter more, less or other, or its first letter.
    """
    one, two = (folded(written).split() for written in (name, other))
    if "".join(one) in {"".join(two), "".join(reversed(two))}:
        return True
    few, many = sorted((one, two), key=len)
    return _fit(few, many)


def _fit(few: list[str], many: list[str]) -> bool:
    """Whether each word finds a word of its own: the same, or one of which either is the first letter."""
    if not few:
        return True
    word, *rest = few
    return any(
        (_nearly(word, one) or (min(len(word), len(one)) == 1 and word[0] == one[0]))
        and _fit(rest, [*many[:index], *many[index + 1 :]])
        for index, one in enumerate(many)
    )


def _nearly(one: str, two: str) -> bool:
    """Whether two words are the same, or are of three letters or more and differ in one."""
    if one == two or min(len(one), len(two)) < 3 or abs(len(one) - len(two)) > 1:
        return one == two
    start = next(
        (n for n, (a, b) in enumerate(zip(one, two, strict=False)) if a != b), min(len(one), len(two))
    )
    return any(one[start + a :] == two[start + b :] for a, b in ((1, 1), (1, 0), (0, 1)))


def check_one_script(name: str) -> None:
    """Raise LinecallError where a name's letters are of several scripts, but for those that are written together.

    What UTS 39 calls highly restrictive (5.2): Latin beside Han, kana, Hangul and Bopomofo. The script is told by the
    first word of each letter's name, which the Unicode Character Database begins with its script.
    """
    letters = (unicodedata.name(letter, "?") for letter in name if letter.isalpha())
    scripts = {found.partition(" ")[0] for found in letters}
    if len(scripts) > 1 and not scripts <= WRITTEN_TOGETHER:
        raise LinecallError(
            f"{shown(name)} mixes letters of {' and '.join(sorted(script.title() for script in scripts))}, which look "
            "alike; type the whole name on one keyboard"
        )
