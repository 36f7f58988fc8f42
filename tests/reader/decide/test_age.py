"""A reading age by the clocks of the place where it is read."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from reader.decide.age import in_zone, reading_age
from reader.settings.values import load_layout

DROPS = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)
COMB = load_layout("comb")
COPENHAGEN = ZoneInfo("Europe/Copenhagen")


def test_times_of_day_are_those_of_the_place_and_the_instants_stay() -> None:
    photo = DROPS + timedelta(minutes=9)
    age = reading_age(COMB, drops_at=DROPS, captured_at=photo, now=photo + timedelta(minutes=1))
    assert age.sentence.endswith("between 10:15 and 10:30")
    there = in_zone(age, COPENHAGEN)  # two hours ahead of UTC in May
    assert there.sentence.endswith("between 12:15 and 12:30")
    assert there.drops_at == age.drops_at == DROPS


def test_an_age_without_times_of_day_is_the_same_everywhere() -> None:
    age = reading_age(COMB, stated_minutes=20, now=DROPS)
    assert in_zone(age, COPENHAGEN) == age
