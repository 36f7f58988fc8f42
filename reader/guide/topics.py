"""Topics of the guide, read from their files: a title, one sentence, and the text in Markdown."""

import re
from dataclasses import dataclass
from functools import cache
from typing import Final

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.words import did_you_mean, listed, shown

FOLDER: Final = DATA / "guide"
PICTURES: Final = FOLDER / "pictures"
COMMENT: Final = re.compile(r"<!-- .* -->\n\n?")  # for whoever keeps the files
ORDER: Final = (
    *("photos", "card", "reading", "table", "times", "grades", "second-photo", "statuses", "cautions"),
    *(
        "logbook",
        "people",
        "review",
        "sheet",
        "proof",
        "merge",
        "reread",
        "archive",
        "round",
        "history",
        "station",
    ),
    *("library", "quiz", "agreement", "control", "accuracy"),
    *(
        "layouts",
        "settings",
        "calling",
        "verdict",
        "variables",
        "python",
        "serving",
        "postgresql",
        "cluster",
        "windows",
        "completion",
    ),
)
"""As a newcomer meets them: technician, reviewer, trainer, whoever sets linecall up."""


class UnknownTopicError(LinecallError):
    """No topic has that name."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Topic:
    """One topic: `name` as it is typed, `title`, `sentence` on what it tells, `text` in Markdown, title included."""

    name: str
    title: str
    sentence: str
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Hit:
    """A topic that has all words looked for, and the passage that has most of them, on one line."""

    topic: Topic
    passage: str


@cache
def topics() -> tuple[Topic, ...]:
    """All topics, in the order in which a newcomer meets them."""
    return tuple(_read(name) for name in ORDER)


def topic(name: str) -> Topic:
    """The topic of that name; blanks stand for hyphens, and the beginning of one name alone is enough.

    Raises UnknownTopicError, which names the closest one.
    """
    wanted = "-".join(name.lower().split())
    known = {one.name: one for one in topics()}
    begun = [one for key, one in known.items() if wanted and key.startswith(wanted)]
    found = known.get(wanted) or (begun[0] if len(begun) == 1 else None)
    if found is None:
        hint = did_you_mean(wanted, list(known)) or f"; the topics are {listed(list(known))}"
        raise UnknownTopicError(f"there is no topic {shown(name)}{hint}")
    return found


def search(words: str) -> tuple[Hit, ...]:
    """Topics that have all the words, those first that have them in name, title or sentence, then most often.

    A word counts where another begins with it, whatever the case: `line` finds `lines`. No words, no topics.
    """
    patterns = [re.compile(rf"(?<!\w){re.escape(word)}", re.IGNORECASE) for word in words.split()]
    ranked = []
    for place, one in enumerate(topics()):
        counts = [len(pattern.findall(one.text)) for pattern in patterns]
        if counts and all(counts):
            head = f"{one.name} {one.title} {one.sentence}"
            in_head = sum(bool(pattern.search(head)) for pattern in patterns)
            ranked.append(((-in_head, -sum(counts), place), Hit(topic=one, passage=_passage(one, patterns))))
    return tuple(hit for _, hit in sorted(ranked, key=lambda pair: pair[0]))


def _read(name: str) -> Topic:
    text = COMMENT.sub("", (FOLDER / f"{name}.md").read_text(encoding="utf-8"))
    title, sentence, *_ = text.split("\n\n")
    return Topic(name=name, title=title.removeprefix("# "), sentence=" ".join(sentence.split()), text=text)


def _passage(one: Topic, patterns: list[re.Pattern[str]]) -> str:
    """The topic's sentence where title or sentence has all the words; else the passage that has most of them.

    A passage is a paragraph, or a line of a list, a table or a command; of equals the first.
    """
    if all(pattern.search(f"{one.title} {one.sentence}") for pattern in patterns):
        return one.sentence
    body = one.text.partition("\n\n")[2].replace("| --- ", "").replace("```sh", "").replace("```", "")
    passages = re.split(r"\n{2,}|\n(?=[-|]|linecall )", body)
    best = max(passages, key=lambda text: sum(bool(pattern.search(text)) for pattern in patterns))
    return re.sub(r" \| ", ": ", " ".join(best.split()).strip("| ").removeprefix("- "))
