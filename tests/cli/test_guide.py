"""`linecall guide`: the list, a topic, a search, and what is mistyped."""

from click.testing import CliRunner, Result

from cli.main import main
from reader.guide import topic, topics


def guide(*arguments: str) -> Result:
    return CliRunner(env={"COLUMNS": "80"}).invoke(main, ["guide", *arguments])


def test_without_a_topic_all_are_listed_with_a_sentence_each() -> None:
    result = guide()
    assert result.exit_code == 0
    said = " ".join(result.stdout.split())
    for one in topics():
        assert f"{one.name} {one.sentence.replace('`', '')}" in said
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_a_topic_is_printed_whole() -> None:
    assert guide("second", "photo").stdout == topic("second-photo").text


def test_words_are_looked_for_in_all_topics() -> None:
    result = guide("--find", "capture time")
    assert result.exit_code == 0
    assert result.stdout.startswith("times  ")
    nothing = guide("--find", "zeppelin")
    assert nothing.exit_code == 2
    assert 'no topic has "zeppelin"' in nothing.stderr


def test_a_topic_mistyped_is_told_in_one_line() -> None:
    result = guide("layuots")
    assert result.exit_code == 2
    assert result.stderr == 'there is no topic "layuots"; did you mean "layouts"?\n'
    assert guide("layouts", "--find", "x").exit_code == 2
