"""A site's policy: what its file may say."""

from pathlib import Path

import pytest

from reader.errors import SettingsError
from reader.review.policy import load_policy

BUNDLED = Path(__file__).parents[3] / "reader" / "data" / "policy" / "standard.toml"


def changed(folder: Path, old: str, new: str) -> Path:
    text = BUNDLED.read_text(encoding="utf-8")
    assert old in text
    path = folder / "own.toml"
    text = text.replace('policy = "standard"', 'policy = "ours"') if "policy = " not in old else text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_the_bundled_policy_keeps_technicians_from_their_own_readings() -> None:
    policy = load_policy()
    assert (policy.name, policy.own_readings) == ("standard", False)
    assert {"refused", "late", "not_seen"} <= set(policy.closed_to_review)


def test_the_bundled_policy_asks_two_blind_readers_before_a_grade_changes() -> None:
    readers = load_policy().readers
    assert str(readers.changes_grade) == "2 blind readers"
    assert str(readers.settles_doubt) == str(readers.keeps_grade) == "1 reader"
    assert str(readers.towards_release) == "2 blind readers"


def test_a_policy_carries_the_hash_of_its_file(tmp_path: Path) -> None:
    other = load_policy(changed(tmp_path, "revision = 2", "revision = 3"))
    assert (other.revision, len(other.sha256)) == (3, 64)
    assert other.sha256 != load_policy().sha256


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"refused", ', "", 'closed_to_review must list "refused": a photo without a verdict has no mark'),
        (
            "number = 2\nblind = true",
            "number = 2\nblind = false",
            None,
        ),
        (
            "number = 1\nblind = false\n\n[readers.towards",
            "number = 3\nblind = true\n\n[readers.towards",
            "readers.towards_release asks for 2 blind readers, but settles_doubt for 3 blind readers",
        ),
        ('may_review = ["reviewer"]', 'reviewers = ["B. Berg"]', "reviewers is not known here"),
        ('disagreement = "third reader"', 'disagreement = "average"', 'must be "third reader" or "stays'),
        ("number = 2", "number = 0", "readers.towards_release.number is 0, but must be at least 1"),
        ("own_readings = false", "own_reading = false", "own_reading is not known here; did you mean"),
        ('policy = "standard"', 'rules = "standard"', "so it is a rules file, but a policy file is needed"),
    ],
)
def test_a_policy_that_cannot_be_is_named_with_its_field(
    tmp_path: Path, old: str, new: str, said: str | None
) -> None:
    path = changed(tmp_path, old, new)
    if said is None:
        assert str(load_policy(path).readers.changes_grade) == "2 readers"
        return
    with pytest.raises(SettingsError, match=r"own\.toml") as caught:
        load_policy(path)
    assert said in str(caught.value)


def test_a_policy_that_is_not_there_is_told_with_those_that_are() -> None:
    with pytest.raises(SettingsError, match="did you mean"):
        load_policy("standart")
