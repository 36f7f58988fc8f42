"""An amount with a unit is found however it is written; times, counts and grades are none."""

import pytest

from reader.settings.amounts import named_amount


@pytest.mark.parametrize(
    "text",
    [
        "Add 200 ml of biocide",
        "Add 200ml",
        "add 0.5 l per tank",
        "add 1,5 L",
        "Add two litres",
        "half a litre of it",
        "a gallon will do",
        "3 US gallons",
        "dose at 270 ppm",
        "treat to 0.1 %",
        "five per cent",
        "mix 1:1000",
        "1 in 2000",
        "1 part to 1500",
        "12 drops in the tank",
        "300 mg/kg",
        "2 lbs",
        "4 fl oz",
        "\uff12\uff10\uff10 \uff4d\uff4c",  # full-width
        "200\u200b \u2060ml",  # with characters that nobody sees
        "\u00bd litre",
        "200 \u3396",  # the sign that stands for ml
        "\u0662\u0660 ml",  # Arabic-Indic digits
        "2-litre can",
    ],
)
def test_an_amount_is_found(text: str) -> None:
    assert named_amount(text) is not None


@pytest.mark.parametrize(
    "text",
    [
        "Drain water, sample this point and a second one again, confirm by another method.",
        "Photograph it again 15 to 30 minutes after the drops.",
        "Sample again within 24 h, two samples from each of 3 points.",
        "Call the fuel office between 08:00 and 16:30.",
        "Follow procedure 12-4, step 3, revision 2026-05.",
        "Two people decide on it; one of them gives the tank free.",
        "Hold tank 7 (south), see form L.",
        "Ask for a laboratory test.",
        "Use a glass bottle, then a gasket.",
    ],
)
def test_what_is_no_amount_is_left_alone(text: str) -> None:
    assert named_amount(text) is None
