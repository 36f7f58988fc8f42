"""The guide's topics: all there, short, found by name and by words."""

import pytest

from reader.errors import LinecallError
from reader.guide import search, topic, topics
from reader.guide.topics import FOLDER


def test_every_file_is_a_topic_with_a_title_and_one_sentence() -> None:
    assert {one.name for one in topics()} == {path.stem for path in FOLDER.glob("*.md")}
    for one in topics():
        assert one.text.startswith(f"# {one.title}\n\n")
        assert one.title
        assert one.sentence.endswith(".")
        assert len(one.sentence) <= 130, one.name
        assert "<!--" not in one.text


def test_topics_are_plain_letters_so_that_any_terminal_shows_them() -> None:
    for one in topics():
        assert one.text.isascii(), one.name


@pytest.mark.parametrize("typed", ["second-photo", "second photo", "Second Photo", "second", "sec"])
def test_a_topic_is_found_by_its_name_however_it_is_typed(typed: str) -> None:
    assert topic(typed).name == "second-photo"


@pytest.mark.parametrize(
    ("typed", "hint"),
    [("layuots", 'did you mean "layouts"?'), ("l", "the topics are photos"), ("", "the topics are photos")],
)
def test_a_topic_mistyped_gets_the_closest_or_the_list(typed: str, hint: str) -> None:
    with pytest.raises(LinecallError) as raised:
        topic(typed)
    assert hint in str(raised.value)


@pytest.mark.parametrize(
    ("words", "first"),
    [
        ("seal", "proof"),
        ("zone", "times"),
        ("cut_corner", "layouts"),
        ("exit status", "statuses"),
        ("DOSE", "cautions"),
    ],
)
def test_words_find_the_topic_that_is_about_them(words: str, first: str) -> None:
    hits = search(words)
    assert hits[0].topic.name == first
    told = f"{hits[0].topic.title} {hits[0].passage}".lower()
    assert words.split()[0].lower() in told
    assert "\n" not in told
    assert " | " not in told


def test_words_that_no_topic_has_find_nothing() -> None:
    assert search("zeppelin") == ()
    assert search("seal zeppelin") == ()
    assert search("  ") == ()
