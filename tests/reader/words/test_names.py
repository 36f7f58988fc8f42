"""Names: what may be one, and when two are one person's or look it."""

import json
import unicodedata
from importlib.resources import files

import pytest

from reader.errors import LinecallError
from reader.words.names import check_one_script, checked_name, folded, is_one_of, may_be


@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("A. Berg", "a.berg"),
        ("A. Berg", "Berg, A"),
        ("  Zoë  Lund ", "ZOE LUND"),
        ("Straße Mira", "mira STRASSE"),
        ("\uff2d\uff49\uff52\uff41", "mira"),  # full-width letters: compatibility forms
    ],
)
def test_names_that_one_person_may_type_are_one(name: str, other: str) -> None:
    assert folded(name) == folded(other)
    assert is_one_of(name, ["someone", other])


@pytest.mark.parametrize(
    ("name", "other"),
    [("A. Berg", "B. Berg"), ("\N{SUNFLOWER}", "\N{TULIP}"), ("Ann", "Anna"), ("Ms Berg", "Mr Berg")],
)
def test_other_names_stay_apart(name: str, other: str) -> None:
    assert not is_one_of(name, [other])


# Unicode Technical Standard 39, revision 28, section 4 (confusable detection): its own examples of confusable pairs
@pytest.mark.parametrize(
    ("name", "other"),
    [
        ("paypal", "p\u0430yp\u0430l"),  # Cyrillic
        ("scope", "\u0455\u0441\u043e\u0440\u0435"),  # the whole word in Cyrillic
        ("so\u0337s", "s\u00f8s"),  # a stroke of its own and one in the letter
        ("Berg", "\u0412erg"),  # a Cyrillic capital whose small letter looks otherwise
        ("Hans", "\u0397ans"),  # a Greek one
        ("Lind", "L\u0131nd"),  # dotless i
        ("Lind", "LIND"),  # whose I looks like an l
        ("Bell", "Be1I"),
        ("Moreau", "rnoreau"),
    ],
)
def test_names_that_look_alike_are_one(name: str, other: str) -> None:
    assert folded(name) == folded(other)


def test_what_folds_is_folded() -> None:
    for name in ("A. Lind", "Mira Holt", "\u0412\u0430\u043b\u044f", "Zo\u00eb 1"):
        assert folded(folded(name)) == folded(name)


def test_every_confusable_letter_is_as_its_prototype() -> None:
    """Against the table itself: what it gives one prototype folds to one name."""
    data = json.loads((files("confusable_homoglyphs") / "confusables.json").read_bytes())
    for letter in "abcdefghijklmnopqrstuvwxyz":
        for entry in data.get(letter, ()):
            other = entry["c"].strip("\u200e")
            if len(other) == 1 and unicodedata.category(other).startswith(("L", "N")):
                assert folded(f"x{other}x") == folded(f"x{letter}x"), unicodedata.name(other)


@pytest.mark.parametrize(
    "letter", ["\u200b", "\u00ad", "\u2060", "\u034f", "\u3164", "\u202e", "\ufe0f", "\u115f", "\x07"]
)
def test_hidden_characters_are_refused_and_named(letter: str) -> None:
    with pytest.raises(LinecallError, match=f"the hidden character U\\+{ord(letter):04X}"):
        checked_name(f"A. Li{letter}nd")
    assert folded(f"A. Li{letter}nd") == folded("A. Lind")  # in logbooks from before


@pytest.mark.parametrize("name", ["", "  ", "12", "-", "A|B", "\u2800", "A. Lind <a>"])
def test_what_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(LinecallError, match="a name"):
        checked_name(name)


def test_a_name_is_kept_in_its_plain_form() -> None:
    assert checked_name("  \uff21.\u00a0Lind ") == "A. Lind"
    assert checked_name("Jos\u0065\u0301 O'Hara-N\u00fa\u00f1ez") == "Jos\u00e9 O'Hara-N\u00fa\u00f1ez"


@pytest.mark.parametrize("name", ["\u0410. Lind", "A. L\u0456nd", "\u2c80. Lind"])
def test_mixed_scripts_are_refused(name: str) -> None:
    with pytest.raises(LinecallError, match="mixes letters of"):
        check_one_script(name)


@pytest.mark.parametrize(
    "name",
    [
        "A. Lind",
        "\u0412\u0435\u0441\u043d\u0430 \u0420\u0430\u0441\u043a",
        "\u7530\u4e2d Yuki",
        "\u0623\u062d\u0645\u062f",
    ],
)
def test_one_script_is_taken(name: str) -> None:
    check_one_script(name)


@pytest.mark.parametrize(
    "name",
    ["Lind", "Anna Lind", "ALind", "Lind A", "A. Lind 2", "Dr A. Lind", "A. Lindt", "A. \u029find", "A. L."],
)
def test_names_that_one_person_might_have_are_alike(name: str) -> None:
    assert may_be(name, "A. Lind")
    assert may_be("A. Lind", name)


@pytest.mark.parametrize("name", ["B. Lind", "A. Berg", "Anna Berg", "Vesna Rask"])
def test_names_of_others_are_not(name: str) -> None:
    assert not may_be(name, "A. Lind")
